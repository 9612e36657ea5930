"""What should be billed: lines read off closed visits, records, parts, loans and job cards, never retyped.

How work becomes lines follows the basis of price that was agreed for the day on which it was done:

* *per unit and visit*: one line for each unit served on a visit, parts and tasks called off beside it;
* *all in*: the same, with parts, loans and tasks included at no amount;
* *per visit plus units*: one line for the visit besides;
* *rental*: one line a month for the units that hang at its end, all the rest included;
* nothing agreed: each recorded task is a line of its own, as each part and loan.

A task that the terms neither include nor call off belongs to the unit's line where a visit made it, and is
a line of its own where the workshop did. A loaner counts each civil day on which it hung, the day it came
and not the day it went, one at least. Common practice, no source.

Set-based: the number of queries does not grow with sites, visits or records.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from dateutil.relativedelta import relativedelta
from django.db.models import Q

from inventory.logbook.models import ServiceRecord
from inventory.measures.kinds import TASK_LABELS, Task
from inventory.measures.terms import Agreed, Basis
from inventory.register.agreed import TermsBook
from inventory.register.changes import OwnerChange
from inventory.register.models import Placement, Site, Unit
from inventory.register.places import Loan
from inventory.stock.models import Account, Item, StockMove
from inventory.workshop.models import HouseStay, JobCard
from schedules.billing.models import BillingLine
from schedules.visits.models import Visit, VisitEntry
from schedules.visits.order import in_order

Kind = BillingLine.Kind
VISIT, UNIT, LOAN_DAY, RENTAL_MONTH, HOUSE_TEST = "visit", "unit", "loan_day", "rental_month", "house_test"
CODE_LABELS = {
    VISIT: "A visit",
    UNIT: "A unit served on a visit",
    LOAN_DAY: "A loaner, for a day",
    RENTAL_MONTH: "A rented unit, for a month",
    HOUSE_TEST: "A test at an outside house",
    **{f"task:{task.value}": label for task, label in TASK_LABELS.items()},
}
"""What price lines can be for, beside parts (``part:`` and the code of the catalogue)."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """One thing to be billed, as the records have it."""

    key: str
    kind: str
    code: str
    on: date
    text: str
    owner_id: int
    site_id: int
    agreed: Agreed
    quantity: Decimal = Decimal(1)
    unit_word: str = "piece"
    unit_id: int | None = None
    agent: str = ""
    is_included: bool = False
    visit_number: str = ""
    sources: tuple[tuple[str, str], ...] = ()

    @property
    def po_problem(self) -> str:
        """What is wrong with the purchase order on that day, or nothing."""
        number, until = self.agreed.get("po_number"), self.agreed.day("po_valid_until")
        if self.agreed.get("po_required") and not number:
            return "A purchase order is required and none is known"
        if number and until is not None and until < self.on:
            return f"Purchase order {number} ran out on {until}"
        return ""


@dataclass(slots=True)
class _Place:
    """A site of which something is billed, and who owned it since when."""

    site: Site
    changes: list[OwnerChange] = field(default_factory=list)

    def owner_on(self, day: date) -> int:
        owner = self.site.owner_id
        for change in sorted(self.changes, key=lambda one: one.from_on, reverse=True):
            if day < change.from_on:
                owner = change.from_owner_id
        return owner


def wanted_lines(owner_ids: Collection[int], first_on: date, until_on: date) -> list[Wanted]:
    """Everything done for these owners from ``first_on``, the first of a month, to ``until_on``."""
    reading = _Reading(owner_ids, first_on, until_on)
    found = [
        *reading.work(),
        *reading.parts_on_visits(),
        *reading.parts_in_workshop(),
        *reading.houses(),
        *reading.loans(),
        *reading.rentals(),
    ]
    return sorted(found, key=lambda one: (one.owner_id, one.site_id, one.on, one.key))


class _Reading:
    def __init__(self, owner_ids: Collection[int], first_on: date, until_on: date) -> None:
        self.first_on, self.until_on, self.owner_ids = first_on, until_on, set(owner_ids)
        changes = list(OwnerChange.objects.filter(applied_at__isnull=False))
        sold = {one.site_id for one in changes if one.from_owner_id in self.owner_ids}
        self.places = {
            site.pk: _Place(site)
            for site in Site.objects.filter(Q(owner__in=self.owner_ids) | Q(pk__in=sold))
        }
        for one in changes:
            if one.site_id in self.places:
                self.places[one.site_id].changes.append(one)
        self.terms = TermsBook(self.owner_ids)
        self.visits = {
            visit.public_id: visit
            for visit in Visit.objects.filter(
                site__in=self.places, state=Visit.State.CLOSED, done_on__gte=first_on, done_on__lte=until_on
            ).order_by("pk")
        }

    def at(self, site_id: int, day: date) -> tuple[int, Agreed] | None:
        """The owner and the terms of a site on ``day``; None when it was another owner's then."""
        owner = self.places[site_id].owner_on(day)
        return (owner, self.terms.at(owner, site_id, day)) if owner in self.owner_ids else None

    # --- records ----------------------------------------------------------------------------------

    def work(self) -> Iterator[Wanted]:
        rows = list(
            ServiceRecord.objects.standing()
            .filter(
                site__in=self.places,
                evidence=ServiceRecord.Evidence.OWN_WORK,
                outcome__in=(ServiceRecord.Outcome.PASSED, ServiceRecord.Outcome.FAILED),
                done_last__gte=self.first_on,
                done_last__lte=self.until_on,
            )
            .order_by("pk")
            .values_list(
                "pk",
                "client_ref",
                "corrects_id",
                "unit_id",
                "unit__number",
                "unit__model__agent",
                "task",
                "site_id",
                "visit_ref",
                "done_last",
            )
        )
        roots = _roots({row[0]: row[2] for row in rows})
        numbers = dict(
            Visit.objects.filter(public_id__in={row[8] for row in rows if row[8]}).values_list(
                "public_id", "number"
            )
        )
        units: dict[tuple[UUID, int], list[Any]] = defaultdict(list)
        for row in rows:
            pk, ref, _, unit_id, number, agent, task, site_id, visit_ref, on = row
            found = self.at(site_id, on) if site_id is not None and on is not None else None
            if found is None or site_id is None or on is None:
                continue
            owner_id, agreed = found
            is_named = task in (agreed.get("tasks_included") or ())
            own_line = agreed.basis is None or agreed.is_extra(task) or (visit_ref is None and not is_named)
            if not own_line and visit_ref is not None:
                units[visit_ref, unit_id].append((row, owner_id, agreed))
                continue
            yield Wanted(
                key=f"task:{roots[pk]}",
                kind=Kind.TASK,
                code=f"task:{task}",
                on=on,
                text=f"{TASK_LABELS[Task(task)]}, unit {number}",
                owner_id=owner_id,
                site_id=site_id,
                agreed=agreed,
                unit_id=unit_id,
                unit_word="unit",
                agent=agent,
                is_included=not own_line or (agreed.basis is Basis.RENTAL and not agreed.is_extra(task)),
                visit_number=numbers.get(visit_ref, "") if visit_ref else "",
                sources=(("record", str(ref)),),
            )
        for (visit_ref, unit_id), held in units.items():
            row, owner_id, agreed = held[0]
            tasks = ", ".join(dict.fromkeys(TASK_LABELS[Task(one[0][6])].lower() for one in held))
            yield Wanted(
                key=f"unit:{visit_ref}:{unit_id}",
                kind=Kind.UNIT,
                code=UNIT,
                on=row[9],
                text=f"Unit {row[4]}: {tasks}",
                owner_id=owner_id,
                site_id=row[7],
                agreed=agreed,
                unit_id=unit_id,
                unit_word="unit",
                agent=row[5],
                is_included=agreed.basis is Basis.RENTAL,
                visit_number=numbers.get(visit_ref, ""),
                sources=tuple(("record", str(one[0][1])) for one in held),
            )
        yield from self._trips()

    def _trips(self) -> Iterator[Wanted]:
        for visit in self.visits.values():
            assert visit.done_on is not None
            found = self.at(visit.site_id, visit.done_on)
            if found is None or found[1].basis is not Basis.VISIT_AND_UNITS:
                continue
            yield Wanted(
                key=f"visit:{visit.public_id}",
                kind=Kind.VISIT,
                code=VISIT,
                on=visit.done_on,
                text=f"Visit {visit.number}",
                owner_id=found[0],
                site_id=visit.site_id,
                agreed=found[1],
                unit_word="visit",
                visit_number=visit.number,
                sources=(("visit", str(visit.public_id)),),
            )

    # --- parts ------------------------------------------------------------------------------------

    def parts_on_visits(self) -> Iterator[Wanted]:
        by_pk = {visit.pk: visit for visit in self.visits.values()}
        with_parts = VisitEntry.objects.filter(visit__in=by_pk).exclude(parts=[]).values("visit")
        entries: dict[int, list[VisitEntry]] = defaultdict(list)
        for entry in (
            VisitEntry.objects.filter(visit__in=with_parts)
            .effective()
            .select_related("act", "unit__model")
            .order_by("pk")
        ):
            entries[entry.visit_id].append(entry)
        for visit_id, rows in entries.items():
            visit = by_pk[visit_id]
            assert visit.done_on is not None
            found = self.at(visit.site_id, visit.done_on)
            if found is None:
                continue
            owner_id, agreed = found
            for entry in _counting(rows):
                fitted: dict[str, tuple[str, int]] = {}
                for part in entry.parts:
                    code = str(part.get("code") or part.get("text") or "").strip()[:40]
                    name, count = fitted.get(code, (str(part.get("text") or code), 0))
                    fitted[code] = name, count + int(part.get("count") or 1)
                for code, (name, count) in fitted.items():
                    yield Wanted(
                        key=f"part:{visit.public_id}:{entry.unit_id}:{code}",
                        kind=Kind.PART,
                        code=f"part:{code}",
                        on=visit.done_on,
                        text=f"{name}, unit {entry.unit.number}",
                        owner_id=owner_id,
                        site_id=visit.site_id,
                        agreed=agreed,
                        quantity=Decimal(count),
                        unit_id=entry.unit_id,
                        agent=entry.unit.model.agent,
                        is_included=_all_in(agreed),
                        visit_number=visit.number,
                        sources=(("entry", str(entry.client_ref)),),
                    )

    def parts_in_workshop(self) -> Iterator[Wanted]:
        cards = JobCard.objects.filter(site__in=self.places)
        sums: dict[tuple[UUID, int, str, date], list[Any]] = {}
        for move in (
            StockMove.objects.filter(
                ref__in=cards.values("public_id"),
                to_account=Account.UNIT,
                unit__isnull=False,
                item__kind__in=(Item.Kind.PART, Item.Kind.CARTRIDGE),
                on__gte=self.first_on,
                on__lte=self.until_on,
            )
            .select_related("item", "unit__model")
            .order_by("pk")
        ):
            assert move.ref is not None
            assert move.unit_id is not None
            held = sums.setdefault((move.ref, move.unit_id, move.item.code, move.on), [move, 0, []])
            held[1] += move.quantity
            held[2].append(("stock_move", f"{move.client_ref}/{move.line}"))
        by_ref = {card.public_id: card for card in cards.filter(public_id__in={key[0] for key in sums})}
        for (ref, unit_id, code, on), (move, count, sources) in sums.items():
            card = by_ref[ref]
            found = self.at(card.site_id or 0, on)
            if found is None:
                continue
            yield Wanted(
                key=f"part:{ref}:{unit_id}:{code}:{on}",
                kind=Kind.PART,
                code=f"part:{code}",
                on=on,
                text=f"{move.item.name}, unit {move.unit.number}, job card {card.number}",
                owner_id=found[0],
                site_id=card.site_id or 0,
                agreed=found[1],
                quantity=Decimal(count),
                unit_id=unit_id,
                agent=move.unit.model.agent,
                is_included=_all_in(found[1]),
                sources=(("job_card", str(ref)), *sources),
            )

    def houses(self) -> Iterator[Wanted]:
        """Tests that an outside house made; what was stamped there is no work of our own."""
        for stay in HouseStay.objects.filter(
            card__site__in=self.places, returned_on__gte=self.first_on, returned_on__lte=self.until_on
        ).select_related("card__unit__model"):
            card, on = stay.card, stay.returned_on
            found = self.at(card.site_id or 0, on) if on else None
            if found is None or on is None:
                continue
            agreed = found[1]
            included = agreed.get("tasks_included") or ()
            yield Wanted(
                key=f"house:{stay.public_id}",
                kind=Kind.TASK,
                code=HOUSE_TEST,
                on=on,
                text=f"Test at {stay.house}, unit {card.unit.number}, job card {card.number}",
                owner_id=found[0],
                site_id=card.site_id or 0,
                agreed=agreed,
                unit_id=card.unit_id,
                unit_word="unit",
                agent=card.unit.model.agent,
                is_included=agreed.basis is not None
                and any(task in included for task in (Task.HYDROSTATIC_TEST, Task.REQUALIFICATION)),
                sources=(("job_card", str(card.public_id)),),
            )

    # --- loaners and rental -----------------------------------------------------------------------

    def months(self) -> Iterator[tuple[date, date]]:
        """First and last day of each month of the span; the last is cut by its end."""
        month = self.first_on.replace(day=1)
        while month <= self.until_on:
            following = month + relativedelta(months=1)
            yield month, min(following - timedelta(days=1), self.until_on)
            month = following

    def loans(self) -> Iterator[Wanted]:
        rows = list(
            Loan.objects.filter(location__site__in=self.places, out_on__lte=self.until_on)
            .filter(Q(ended_on__isnull=True) | Q(ended_on__gte=self.first_on))
            .select_related("loaner__model", "location", "in_place_of")
        )
        for loan in rows:
            last = self.until_on
            if loan.ended_on is not None:
                # The day it goes does not count, unless it came that very day.
                last = max(loan.ended_on - timedelta(days=1), loan.out_on)
            for month, end in self.months():
                start, stop = max(month, loan.out_on), min(end, last)
                found = self.at(loan.location.site_id, stop) if start <= stop else None
                if found is None:
                    continue
                place_of = f" for {loan.in_place_of.number}" if loan.in_place_of else ""
                yield Wanted(
                    key=f"loan:{loan.public_id}:{month:%Y-%m}",
                    kind=Kind.LOAN,
                    code=LOAN_DAY,
                    on=stop,
                    text=f"Loaner {loan.loaner.number}{place_of} at {loan.location.number}, from {start}",
                    owner_id=found[0],
                    site_id=loan.location.site_id,
                    agreed=found[1],
                    quantity=Decimal((stop - start).days + 1),
                    unit_word="day",
                    unit_id=loan.loaner_id,
                    agent=loan.loaner.model.agent,
                    is_included=_all_in(found[1]),
                    sources=(("loan", str(loan.public_id)),),
                )

    def rentals(self) -> Iterator[Wanted]:
        ends = [end for month, end in self.months() if (end + timedelta(days=1)).day == 1]
        rented = {
            (site_id, end): found
            for site_id in self.places
            for end in ends
            if (found := self.at(site_id, end)) is not None and found[1].basis is Basis.RENTAL
        }
        if not rented:
            return
        spans = list(
            Placement.objects.filter(
                location__site__in={site_id for site_id, _ in rented}, unit__is_loaner=False
            )
            .exclude(until_on__lt=self.first_on)
            .exclude(unit__state=Unit.State.MERGED)
            .values_list("location__site_id", "unit_id", "from_on", "until_on")
        )
        for (site_id, end), (owner_id, agreed) in rented.items():
            hung = {
                unit_id
                for where, unit_id, since, until in spans
                if where == site_id and (since is None or since <= end) and (until is None or until > end)
            }
            if hung:
                site = self.places[site_id].site
                yield Wanted(
                    key=f"rental:{site.public_id}:{end:%Y-%m}",
                    kind=Kind.RENTAL,
                    code=RENTAL_MONTH,
                    on=end,
                    text=f"Rental {end:%B %Y}, units hanging on its last day",
                    owner_id=owner_id,
                    site_id=site_id,
                    agreed=agreed,
                    quantity=Decimal(len(hung)),
                    unit_word="unit",
                    sources=(("site", str(site.public_id)),),
                )


def _all_in(agreed: Agreed) -> bool:
    return agreed.basis in (Basis.ALL_IN, Basis.RENTAL)


def _roots(corrects: dict[int, int | None]) -> dict[int, int]:
    """The first record of each chain of corrections, by the record that stands."""
    roots = {pk: before or pk for pk, before in corrects.items()}
    ask = {before for before in corrects.values() if before is not None}
    while ask:
        earlier = dict(
            ServiceRecord.objects.filter(pk__in=ask, corrects__isnull=False).values_list("pk", "corrects_id")
        )
        roots = {pk: earlier.get(root) or root for pk, root in roots.items()}
        ask = {before for before in earlier.values() if before is not None}
    return roots


def _counting(rows: Iterable[VisitEntry]) -> list[VisitEntry]:
    """The entry that counts for each unit of one visit: the last one made, whenever it arrived."""
    held = list(rows)
    by_act = {row.act_id: row for row in held if row.act is not None}
    ordered = [row for row in held if row.act is None]
    ordered += [by_act[act.pk] for act in in_order(row.act for row in held if row.act is not None)]
    return list({row.unit_id: row for row in ordered}.values())
