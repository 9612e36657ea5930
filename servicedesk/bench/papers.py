"""Papers of the workshop: the job card, the test register, the certificate of one pressure test."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.conf import settings
from django.http import FileResponse, Http404, HttpRequest, HttpResponse

from inventory.measures.units import Measure, UnitOfMeasure
from inventory.workshop.models import CardEntry, HouseStay, JobCard
from inventory.workshop.queries import CardBoard, entries_of, pressure_tests
from servicedesk.access import Act
from servicedesk.bench.cards import CardPage
from servicedesk.bench.forms import METHOD_LABELS, RegisterForm
from servicedesk.bench.words import said_of, step_title, work_words
from servicedesk.documents.paper import document_pdf, in_fifties, pdf_response
from servicedesk.pages import PageView, paged

# Nobody prints more at once; the file has no limit.
MOST_ON_PAPER = 2000
METHOD_WORDS = {method.value: word for method, word in METHOD_LABELS.items()}
# The reason takes most words.
_REGISTER_WIDTHS = ".register th { width: 9% } .register th:nth-child(8) { width: 28% }"
STEP_METHODS = {"proof_test": "proof_pressure", "volumetric_test": "water_jacket"}
COLUMNS = (
    "date",
    "card",
    "unit",
    "serial",
    "specification",
    "service_pressure",
    "maker",
    "owner",
    "manufacture_mark",
    "visual_result",
    "method",
    "test_pressure",
    "total_expansion",
    "elastic_expansion",
    "permanent_expansion",
    "percent",
    "disposition",
    "reason",
    "instruments",
    "operator",
)


@dataclass(frozen=True, slots=True)
class TestLine:
    """One line of the test register: what a daily test sheet asks for, as text."""

    __test__ = False  # not a pytest class

    entry: CardEntry
    cells: dict[str, str]


def test_lines(entries: Iterable[CardEntry]) -> list[TestLine]:
    """Lines of the register for these entries.

    Fields: 49 CFR 180.215(b), the list from memory, and 29 CFR 1910.157(f)(16).
    """
    return [TestLine(entry, _cells(entry)) for entry in entries]


def _cells(entry: CardEntry) -> dict[str, str]:
    unit, model = entry.card.unit, entry.card.unit.model
    inside = getattr(entry.card, "inside_words", "")
    method = entry.values.get("method") or STEP_METHODS[entry.step]
    total, permanent = entry.values.get("total_expansion"), entry.values.get("permanent_expansion")
    elastic, percent = "", ""
    if total and permanent:
        whole = Measure(_number(total), UnitOfMeasure(total["unit"])).volume_ml
        rest = Measure(_number(permanent), UnitOfMeasure(permanent["unit"])).volume_ml
        elastic, percent = f"{whole - rest:f} mL", f"{100 * rest / whole:.2f} %"
    disposition = {
        CardEntry.Verdict.INSIDE: "Passed",
        CardEntry.Verdict.OUTSIDE: "Condemned",
        CardEntry.Verdict.UNJUDGED: "Does not count: to be repeated",
    }.get(CardEntry.Verdict(entry.verdict), "")
    service = model.working_pressure_kpa
    return {
        "date": entry.done_on.isoformat(),
        "card": entry.card.number,
        "unit": unit.number,
        "serial": unit.serial or "none readable",
        "specification": model.cylinder_spec or model.get_shell_display(),
        "service_pressure": f"{service / 100:g} bar" if service is not None else "not known",
        "maker": model.maker,
        "owner": entry.card.site.owner.name if entry.card.site else "the firm",
        "manufacture_mark": unit.made_raw or str(unit.made),
        "visual_result": inside,
        "method": METHOD_WORDS.get(method, method),
        "test_pressure": _plain(entry.values.get("test_pressure")),
        "total_expansion": _plain(total),
        "elastic_expansion": elastic,
        "permanent_expansion": _plain(permanent),
        "percent": percent,
        "disposition": disposition,
        "reason": " ".join([*entry.sentences, *entry.flags]),
        "instruments": ", ".join(use.instrument.code for use in entry.instruments.all()),
        "operator": entry.values.get("house") or entry.made_by_name,
    }


def _number(value: dict[str, str]) -> Decimal:
    return Decimal(value["value"])


def _plain(value: Any) -> str:
    return f"{value['value']} {value['unit']}" if isinstance(value, dict) else ""


def with_inside(entries: list[CardEntry]) -> list[CardEntry]:
    """Give each entry's card what was seen inside the shell before the test; one query."""
    found: dict[int, str] = {}
    rows = CardEntry.objects.standing().filter(card__in={e.card_id for e in entries}, step="inside")
    for row in rows.select_related("card__unit__model").order_by("sequence"):
        found[row.card_id] = "; ".join(line.text for line in said_of(row))
    for entry in entries:
        entry.card.inside_words = found.get(entry.card_id, "not recorded")  # type: ignore[attr-defined]
    return entries


class CardPaperView(CardPage):
    """The job card on paper: every entry with its verdict, every correction, every instrument."""

    def get(self, request: HttpRequest, card_id: UUID) -> HttpResponse:
        """Hand out the PDF."""
        card = self.card_or_404(card_id)
        data = document_pdf(
            "job_card",
            card_context(card, self.board(card)),
            title="Job card",
            at=self.now,
            zone=card.site.time_zone if card.site else settings.FIRM_TIME_ZONE,
            number=card.number,
        )
        return pdf_response(data, f"{card.number}.pdf")


def card_context(card: JobCard, board: CardBoard) -> dict[str, Any]:
    """What a job card's paper shows."""
    counting = {entry.pk for entry in entries_of(card)}
    rows = list(
        CardEntry.objects.filter(card=card)
        .select_related("card__unit__model")
        .prefetch_related("instruments__instrument")
        .order_by("sequence")
    )
    return {
        "card": card,
        "works": work_words(card.works),
        "flags": board.flags,
        "open_steps": [line.step.title for line in board.lines if not line.is_done],
        "entries": [
            {
                "entry": row,
                "title": step_title(row.step),
                "said": said_of(row),
                "counts": row.pk in counting,
                "instruments": ", ".join(
                    f"{use.instrument.code}{'' if use.was_in_calibration else ' (not in calibration)'}"
                    for use in row.instruments.all()
                ),
            }
            for row in rows
        ],
    }


class StayFileView(PageView):
    """The certificate that a test house sent along."""

    acts = (Act.SEE_BENCH,)

    def get(self, request: HttpRequest, stay_id: UUID) -> FileResponse:
        """Hand it out."""
        stay = HouseStay.objects.filter(
            public_id=stay_id, card__in=JobCard.objects.visible_to(self.scope).values("pk")
        ).first()
        if stay is None or not stay.certificate:
            raise Http404
        suffix = str(stay.certificate.name).rpartition(".")[2]
        return FileResponse(
            stay.certificate.open("rb"), as_attachment=True, filename=f"{stay.certificate_number}.{suffix}"
        )


class TestRegisterView(PageView):
    """Every pressure test of a shell, as the test register holds it."""

    __test__ = False
    acts = (Act.SEE_BENCH,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show it."""
        form = RegisterForm(request.GET)
        rows = self.rows(form)
        page = paged(request, rows.order_by("-done_on", "-pk"))
        context = {
            "form": form,
            "page_obj": page,
            "lines": test_lines(with_inside(list(page.object_list))),
            "query": request.GET.urlencode(),
        }
        return self.page("bench/tests.html", context)

    def rows(self, form: RegisterForm) -> Any:
        """The entries of the days asked for."""
        given = form.cleaned_data if form.is_valid() else {}
        return pressure_tests(self.scope, since=given.get("since"), until=given.get("until"))


class TestRegisterPaperView(TestRegisterView):
    """The test register on paper."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Hand out the PDF."""
        form = RegisterForm(request.GET)
        rows = list(self.rows(form)[: MOST_ON_PAPER + 1])
        lines = test_lines(with_inside(rows[:MOST_ON_PAPER]))
        context = {
            "lines": lines,
            "groups": in_fifties(lines),
            "is_cut": len(rows) > MOST_ON_PAPER,
            "most": MOST_ON_PAPER,
            "since": form.cleaned_data.get("since") if form.is_valid() else None,
            "until": form.cleaned_data.get("until") if form.is_valid() else None,
        }
        data = document_pdf(
            "test_register",
            context,
            title="Test register",
            at=self.now,
            zone=settings.FIRM_TIME_ZONE,
            page_style=f"@page {{ size: {settings.PAPER_SIZE} landscape }} {_REGISTER_WIDTHS}",
        )
        return pdf_response(data, "test-register.pdf")


class TestRegisterFileView(TestRegisterView):
    """The test register as CSV."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Hand out the file."""
        form = RegisterForm(request.GET)
        out = io.StringIO()
        writer = csv.DictWriter(out, COLUMNS)
        writer.writeheader()
        for line in test_lines(with_inside(list(self.rows(form)))):
            writer.writerow({name: _safe(text) for name, text in line.cells.items()})
        response = HttpResponse("\ufeff" + out.getvalue(), content_type="text/csv; charset=utf-8")
        response["Content-Disposition"] = 'attachment; filename="test-register.csv"'
        response["Cache-Control"] = "private, no-store"
        return response


def _safe(text: str) -> str:
    """A cell that no spreadsheet takes for a formula."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


class TestPaperView(PageView):
    """The certificate of one passed pressure test made here."""

    __test__ = False
    acts = (Act.SEE_BENCH,)

    def get(self, request: HttpRequest, entry_ref: UUID) -> HttpResponse:
        """Hand out the PDF; a test that did not pass has none."""
        entry = pressure_tests(self.scope).filter(client_ref=entry_ref).first()
        if entry is None or entry.verdict != CardEntry.Verdict.INSIDE or "house" in entry.values:
            raise Http404
        return pdf_response(pressure_test_pdf(entry, now=self.now), f"{entry.card.number}-test.pdf")


def pressure_test_pdf(entry: CardEntry, *, now: datetime) -> bytes:
    """The certificate of a passed pressure test made here; signed."""
    (line,) = test_lines(with_inside([entry]))
    context = {
        "entry": entry,
        "card": entry.card,
        "cells": line.cells,
        "said": said_of(entry),
        "uses": list(entry.instruments.all()),
    }
    return document_pdf(
        "pressure_test",
        context,
        title="Certificate of pressure test",
        at=now,
        zone=entry.card.site.time_zone if entry.card.site else settings.FIRM_TIME_ZONE,
        number=entry.card.number,
        signed=True,
    )
