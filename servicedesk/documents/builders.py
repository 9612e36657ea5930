"""What the papers made on demand say: one function each, from the register and the logbook as they stand."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import date, datetime

from django.conf import settings
from django.db.models import F, Q

from inventory.access import Scope
from inventory.logbook.models import Defect, ServiceRecord
from inventory.measures.checks import defect_text
from inventory.measures.kinds import TASK_LABELS, Task
from inventory.measures.readings import QUANTITY_LABELS, Quantity
from inventory.register.models import Site, Unit, local_today
from inventory.register.places import Loan, Move
from schedules.quotations.models import Quotation
from schedules.quotations.queries import lines_of, totals_of
from schedules.renewals.queries import Dossier
from schedules.rulebook.books import tables_here
from schedules.visits.models import Visit
from servicedesk.documents.paper import document_pdf, in_fifties
from servicedesk.portal.glance import WALKING_ORDER, unit_standings
from servicedesk.portal.words import say_stamp

# A history reads by the day of the work; what came in later of an earlier day stands where it belongs.
BY_DAY = (F("done_last").asc(nulls_first=True), "received_at", "sequence")


def site_register(site: Site, *, now: datetime, since: date | None = None) -> bytes:
    """The register of ``site`` with the history of each unit (from ``since``), in walking order.

    Six queries whatever its size.
    """
    units = list(
        Unit.objects.on_duty().filter(site=site).select_related("model", "location").order_by(*WALKING_ORDER)
    )
    standings = unit_standings([(unit.pk, unit.state) for unit in units], site, now)
    history: dict[int, list[str]] = defaultdict(list)
    records = ServiceRecord.objects.standing().of_units(unit.pk for unit in units)
    if since is not None:
        records = records.filter(Q(done_last__gte=since) | Q(done_last__isnull=True))
    for record in records.prefetch_related("readings").order_by(*BY_DAY):
        history[record.counts_for].append(_record_line(record))
    defects: dict[int, list[str]] = defaultdict(list)
    for defect in Defect.objects.open().filter(site=site, unit__isnull=False):
        assert defect.unit_id is not None
        defects[defect.unit_id].append(f"OPEN: {defect_text(defect.code)} ({defect.get_severity_display()})")
    rows = []
    for unit in units:
        standing = standings[unit.pk]
        rows.append(
            {
                "place": f"{unit.location.number} {unit.location.place}" if unit.location else "no location",
                "unit": f"{unit.number}\n{unit.serial or 'no serial readable'}",
                "kind": f"{unit.model.kind_text}\nmade {say_stamp(unit.made)}",
                "state": standing.word + (f"\n{standing.next_task}" if standing.next_task else ""),
                "due": standing.on.isoformat() if standing.on else "",
                "history": "\n".join([*defects[unit.pk], *history[unit.pk]]) or "no record",
            }
        )
    context = {
        "site": site,
        "rows_by_50": in_fifties(rows),
        "count": len(rows),
        "since": since,
        "tables": table_words(site, now),
    }
    return document_pdf(
        "site_register", context, title="Site register", number=site.code, at=now, zone=site.time_zone
    )


def _record_line(record: ServiceRecord) -> str:
    """One record in one line."""
    text = (
        f"{say_stamp(record.done)}  {TASK_LABELS[Task(record.task)]}: {record.get_outcome_display().lower()}"
    )
    measured = [
        f"{QUANTITY_LABELS[Quantity(r.quantity)].lower()} {r.entered_value} {r.entered_unit}"
        for r in record.readings.all()
    ]
    if measured:
        text += f" ({', '.join(measured)})"
    if record.evidence != ServiceRecord.Evidence.OWN_WORK:
        text += f" [{record.get_evidence_display().lower()}]"
    return text


def table_words(site: Site, now: datetime) -> list[str]:
    """The interval tables in force at a site, each with its state of confirmation and what is varied."""
    today = local_today(site, now)
    return [
        f"{table.document}, {table.edition} (version {table.version}). {here.sentence}"
        for here in tables_here(site.pk)
        if (table := here.state.table).in_force(today)
    ]


def defect_notice(site: Site, defects: Sequence[Defect], *, now: datetime) -> bytes:
    """Written notice of open defects to the owner of ``site``, the gravest first; signed."""
    order = {severity: rank for rank, severity in enumerate(Defect.Severity)}
    rows = [
        {
            "what": defect_text(defect.code),
            "severity": defect.get_severity_display(),
            "is_critical": defect.severity == Defect.Severity.CRITICAL,
            "unit": f"{defect.unit.number}, {defect.unit.model.kind_text}" if defect.unit else "",
            "place": _place(defect),
            "action": defect.action,
            "remarks": defect.remarks,
            "since": defect.opened_on,
            "by": defect.opened_by.get_full_name() if defect.opened_by else "",
            "photos": len(defect.photo_refs),
        }
        for defect in sorted(defects, key=lambda d: (order[Defect.Severity(d.severity)], d.opened_on, d.pk))
    ]
    context = {
        "site": site,
        "rows": rows,
        "critical_count": sum(defect.severity == Defect.Severity.CRITICAL for defect in defects),
        "today": local_today(site, now),
    }
    return document_pdf(
        "defect_notice",
        context,
        title="Notice of defects",
        number=f"{site.code}-{local_today(site, now):%Y%m%d}",
        at=now,
        zone=site.time_zone,
        signed=True,
    )


def _place(defect: Defect) -> str:
    place = defect.location or (defect.unit.location if defect.unit else None)
    return f"{place.number} {place.place}" if place else ""


def quotation_paper(quotation: Quotation, *, now: datetime) -> bytes:
    """A quotation with its lines, sums and what the owner decided; signed once it was sent."""
    site = quotation.site
    lines = lines_of(quotation)
    context = {
        "quotation": quotation,
        "site": site,
        "lines_by_50": in_fifties(lines),
        "totals": totals_of(lines),
        "is_draft": quotation.state == Quotation.State.DRAFT,
        "is_withdrawn": quotation.state == Quotation.State.WITHDRAWN,
    }
    return document_pdf(
        "quotation",
        context,
        title="Quotation",
        number=quotation.number,
        at=now,
        zone=site.time_zone,
        signed=quotation.state != Quotation.State.DRAFT,
    )


def removal_receipt(visit: Visit, scope: Scope, *, now: datetime) -> bytes | None:
    """Receipt for what was taken from and left at a site on one visit; None when nothing was.

    Lists the moves that the visit is the reason for, and the loans with the day agreed; signed.
    """
    moves = list(
        Move.objects.visible_to(scope)
        .filter(ref=visit.public_id)
        .select_related("unit__model", "from_location", "to_location", "to_store", "from_store")
        .order_by("pk")
    )
    taken = [move for move in moves if move.from_location_id and not move.to_location_id]
    left = [move for move in moves if move.to_location_id and not move.from_location_id]
    if not taken and not left:
        return None
    loans = {
        loan.loaner_id: loan
        for loan in Loan.objects.visible_to(scope).filter(ref=visit.public_id).select_related("in_place_of")
    }
    context = {
        "visit": visit,
        "site": visit.site,
        "taken": [
            {"unit": m.unit, "place": m.from_location, "to": m.destination, "reason": m.reason, "on": m.on}
            for m in taken
        ],
        "left": [
            {"unit": m.unit, "place": m.to_location, "loan": loans.get(m.unit_id), "on": m.on} for m in left
        ],
    }
    return document_pdf(
        "removal_receipt",
        context,
        title="Receipt for units taken and left",
        number=visit.number,
        at=now,
        zone=visit.site.time_zone,
        signed=True,
    )


def renewal_paper(found: Dossier, *, now: datetime) -> bytes:
    """What the firm brings to the talk about the next term of a contract."""
    row = found.row
    context = {
        "row": row,
        "found": found,
        "facts": found.facts,
        "defects_by_50": in_fifties(found.defects),
        "units_by_50": in_fifties(
            [{"unit": unit, "why": "not found"} for unit in found.not_found]
            + [{"unit": unit, "why": "no access"} for unit in found.no_access]
        ),
    }
    return document_pdf(
        "renewal",
        context,
        title="Before renewal",
        number=row.contract_number,
        at=now,
        zone=found.sites[0].time_zone if found.sites else settings.FIRM_TIME_ZONE,
    )
