"""Labels for units and locations, and service tags: what is on them and how they lie on the stock."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.template.loader import render_to_string
from django.urls import reverse

from inventory.logbook.models import ServiceRecord
from inventory.measures.kinds import TASK_LABELS, Task
from inventory.register.models import Location, Unit
from schedules.certificates.content import say_day, say_month
from schedules.certificates.paper import lay_out
from schedules.due.models import Obligation
from servicedesk.accounts.models import User
from servicedesk.documents.data import Stock, Tag
from servicedesk.documents.models import LabelPrint
from servicedesk.documents.paper import firm, qr_image

MOST = 2000
MONTHS = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")
YEARS_ON_TAG = 5


@dataclass(frozen=True, slots=True)
class Label:
    """One label: the symbol's address, the big line, and the lines below it."""

    address: str
    number: str
    lines: tuple[str, ...]


def unit_address(number: str) -> str:
    """What the label of a unit opens; ends with the number, which is all that our own scanner needs."""
    return settings.PUBLIC_URL.rstrip("/") + reverse("scan-unit", args=[number])


def location_address(location: Location) -> str:
    """What the label of a location opens."""
    return settings.PUBLIC_URL.rstrip("/") + reverse(
        "scan-location", args=[location.site.code, location.number]
    )


def unit_labels(units: Sequence[Unit]) -> list[Label]:
    """The identity labels of ``units`` (with their models)."""
    return [
        Label(unit_address(unit.number), unit.number, (unit.model.kind_text, settings.FIRM_NAME))
        for unit in units
    ]


def location_labels(locations: Sequence[Location]) -> list[Label]:
    """The labels of ``locations`` (with their sites), to stick on the wall."""
    return [
        Label(location_address(place), place.number, (place.place or "Fire extinguisher", place.site.name))
        for place in locations
    ]


def labels_pdf(labels: Sequence[Label], stock: Stock, *, skip: int = 0) -> bytes:
    """``labels`` on ``stock`` as PDF; ``skip`` places of the first sheet were used before."""
    across, down = stock.label_mm
    symbol = min(down - 4, across * 0.42)
    pages: list[list[dict[str, Any]]] = []
    for index, label in enumerate(labels):
        page, place = divmod(index + skip, stock.per_page)
        while len(pages) <= page:
            pages.append([])
        pages[page].append({"label": label, "qr": qr_image(label.address), "place": place})
    html = render_to_string("print/labels.html", {"pages": pages, "title": "Labels"})
    style = (
        f"@page {{ size: {stock.page_mm[0]:g}mm {stock.page_mm[1]:g}mm; margin: 0;"
        " @top-left { content: none } @top-right { content: none }"
        " @bottom-left { content: none } @bottom-right { content: none } }"
        # The house's first page has a margin of its own.
        " @page :first { margin-top: 0 }"
        f" .sheet {{ position: relative; width: {stock.page_mm[0]:g}mm;"
        # A hair less than the page, or rounding would add an empty one.
        f" height: {stock.page_mm[1] - 0.05:g}mm;"
        " break-after: page; overflow: hidden }"
        " .sheet:last-child { break-after: auto }"
        f" .label {{ position: absolute; box-sizing: border-box; width: {across:g}mm; height: {down:g}mm;"
        " padding: 2mm; overflow: hidden }"
        f" .label img {{ position: absolute; left: 2mm; top: {(down - symbol) / 2:.2f}mm;"
        f" width: {symbol:.2f}mm; height: {symbol:.2f}mm }}"
        f" .label div {{ margin-left: {symbol + 2.5:.2f}mm; line-height: 1.15 }}"
        f" .label b {{ display: block; font-size: {min(15, down * 0.4):.1f}pt }}"
        f" .label span {{ display: block; font-size: {min(8, down * 0.24):.1f}pt }}"
    )
    for place in range(stock.per_page):
        left, top = stock.place_mm(place)
        style += f" .at-{place} {{ left: {left:.2f}mm; top: {top:.2f}mm }}"
    data, _ = lay_out(html, paper_size="A4", identifier=uuid.uuid4().hex, page_style=style)
    return data


# --- service tags ------------------------------------------------------------------------------------


def tags_pdf(units: Sequence[Unit], tag: Tag, *, by: User, now: datetime) -> bytes:
    """The service tags of ``units``, one a page in the tag's size, from the last work on each."""
    last = _last_work(units)
    due = _next_due(units)
    rows = [_tag_lines(unit, tag, last.get(unit.pk), due.get(unit.pk), by) for unit in units]
    html = render_to_string(
        "print/tags.html",
        {
            "tag": tag,
            "rows": rows,
            "months": MONTHS,
            "years": range(now.year, now.year + YEARS_ON_TAG),
            "title": tag.title,
        },
    )
    across, down = tag.size_mm
    style = (
        f"@page {{ size: {across:g}mm {down:g}mm; margin: 4mm;"
        " @top-left { content: none } @top-right { content: none }"
        " @bottom-left { content: none } @bottom-right { content: none } }"
        " @page :first { margin-top: 4mm }"
        " html { font-size: 7pt; line-height: 1.2 } h1 { margin: 0 0 1mm; font-size: 10pt }"
        " .tag { break-after: page } .tag:last-child { break-after: auto }"
        " dt { margin-top: 0.8mm; font-size: 5.5pt } dd { font-weight: 700 }"
        " .wording { margin-bottom: 1mm; font-weight: 700; text-align: center }"
        " .punch { display: flex; flex-wrap: wrap; margin-top: 1.2mm }"
        " .punch span { box-sizing: border-box; width: 16.6%; padding: 0.5mm 0; border: 0.2mm solid #3d4748;"
        " font-size: 5.5pt; text-align: center }"
        " .line { height: 5mm; margin: 0; border-bottom: 0.3mm solid #000 }"
    )
    data, _ = lay_out(html, paper_size="A4", identifier=uuid.uuid4().hex, page_style=style)
    return data


def _last_work(units: Sequence[Unit]) -> dict[int, ServiceRecord]:
    """The last passed record of our own work on each unit; one query."""
    rows = (
        ServiceRecord.objects.standing()
        .of_units(unit.pk for unit in units)
        .filter(
            outcome=ServiceRecord.Outcome.PASSED,
            evidence=ServiceRecord.Evidence.OWN_WORK,
        )
        .exclude(task=Task.VISUAL_INSPECTION)
        .select_related("performed_by")
        .order_by("done_last", "received_at", "sequence")
    )
    return {row.counts_for: row for row in rows}


def _next_due(units: Sequence[Unit]) -> dict[int, Obligation]:
    rows = (
        Obligation.objects.ours()
        .filter(unit__in=[unit.pk for unit in units], is_binding=True, latest_on__isnull=False)
        .order_by("unit_id", "-latest_on", "-pk")
    )
    return {row.unit_id: row for row in rows}


def _tag_lines(
    unit: Unit, tag: Tag, last: ServiceRecord | None, due: Obligation | None, by: User
) -> list[dict[str, Any]]:
    """The fields of one tag, in the tag's order. What is not known stays a line to write on."""
    house = firm()
    worker = last.performed_by if last else None
    name = (worker.get_full_name() or worker.username) if worker else (last.performed_by_name if last else "")
    licence = getattr(worker, "licence_number", "") if worker else ""
    values = {
        "firm": ("Firm", f"{house['name']}\n{house['address']}\n{house['phone']}"),
        "firm_licence": ("Firm licence", house["licence"]),
        "unit": ("Unit", unit.number),
        "serial": ("Serial number", unit.serial or "none readable"),
        "kind": ("Type and size", unit.model.kind_text),
        "place": ("Location", f"{unit.location.number} {unit.location.place}" if unit.location else ""),
        "owner": (
            "Owner or occupant",
            f"{unit.site.owner.name}\n{unit.site.address}" if unit.site else "",
        ),
        "owner_person": ("In charge", unit.site.owner.contact_name if unit.site else ""),
        "work": ("Work", TASK_LABELS[Task(last.task)] if last else ""),
        "done": ("Date", last.done.raw or _when(last) if last else ""),
        "next_due": (
            "Next due",
            f"{say_month(due.latest_on)}, {TASK_LABELS[Task(due.task)].lower()}"
            if due and due.latest_on and due.knowledge == "known"
            else "",
        ),
        "person": ("Serviced by", name),
        "person_licence": ("Licence of the person", licence),
        "gross_mass": (
            "Gross mass",
            f"{unit.model.full_mass_g / 1000:g} kg" if unit.model.full_mass_g else "",
        ),
        "charge": ("Charge", unit.model.charge_text),
    }
    lines: list[dict[str, Any]] = []
    for field in tag.fields:
        if field in ("months", "work_punched", "signature"):
            lines.append({"kind": field, "label": "Signature"})
        else:
            label, text = values[field]
            lines.append({"kind": "text", "label": label, "text": text})
    return lines


def _when(record: ServiceRecord) -> str:
    if record.done_last is None:
        return ""
    return say_day(record.done_last) if record.done_precision == "day" else say_month(record.done_last)


# --- what was printed before -------------------------------------------------------------------------


def printed_before(sort: str, subjects: Sequence[Unit | Location]) -> int:
    """How many of ``subjects`` had such a label printed already."""
    rows = LabelPrint.objects.filter(sort=sort)
    ids = [subject.pk for subject in subjects]
    field = "location" if sort == LabelPrint.Sort.LOCATION else "unit"
    return rows.filter(**{f"{field}__in": ids}).values(field).distinct().count()


def note_printing(
    sort: str, subjects: Sequence[Unit | Location], *, stock: str, reason: str, by: User, now: datetime
) -> None:
    """Keep that these labels were printed. Raises ``ValidationError`` for a second time without a reason."""
    again = printed_before(sort, subjects)
    # A tag is new at every service; a second identity label may stand for a unit that it is not on.
    if again and not reason.strip() and sort != LabelPrint.Sort.TAG:
        raise ValidationError(
            {
                "reason": f"{again} of these were printed before. Say why they are printed again, "
                "and have the old label destroyed."
            }
        )
    batch = uuid.uuid4()
    is_location = sort == LabelPrint.Sort.LOCATION
    LabelPrint.objects.bulk_create(
        [
            LabelPrint(
                batch=batch,
                sort=sort,
                unit_id=None if is_location else subject.pk,
                location_id=subject.pk if is_location else None,
                stock=stock,
                reason=reason.strip(),
                printed_at=now,
                printed_by=by,
            )
            for subject in subjects
        ],
        batch_size=500,
    )
