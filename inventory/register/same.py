"""Units that may be one and the same: candidates, merging two into one, telling them apart, taking it back.

Of two merged units one survives. The other keeps its row, its number and its records, and points at the
survivor (``Unit.merged_into``); what was recorded on either counts for the survivor. Merges do not
stack: what was merged into the one that gives way points at the survivor too.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from itertools import combinations
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import CharField, Count, F, Q, QuerySet, Value
from django.db.models.functions import Replace, Upper

from inventory.errors import Conflict
from inventory.people import Person
from inventory.register.changes import FactChange, SameUnitDecision
from inventory.register.facts import Because, note_change
from inventory.register.models import Location, Unit
from inventory.register.places import Loan
from inventory.register.services import hang_unit, move_unit

Verdict = SameUnitDecision.Verdict


class Alike(StrEnum):
    """What two units have in common."""

    SERIAL = "serial"
    PLACE = "place"
    LABEL = "label"


ALIKE_LABELS: dict[Alike, str] = {
    Alike.SERIAL: "Same serial and maker",
    Alike.PLACE: "Same place and model",
    Alike.LABEL: "Same number on the label but for spelling",
}
MOST_PAIRS = 2000
"""More pairs than this are not listed at once; those listed are settled first."""
MOST_IN_GROUP = 30
"""A "serial" that more units share than this is a model number or a placeholder, not a serial."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Two units that look alike, the older row first."""

    alike: Alike
    first: int
    second: int


def _plain(field: str) -> Any:
    """A field in one case and without what people write between letters."""
    found: Any = Upper(field)
    for mark in " -./_":
        found = Replace(found, Value(mark), Value(""), output_field=CharField())
    return found


def candidates() -> list[Pair]:
    """Pairs of units that look alike and that nobody told apart; five queries whatever the number.

    One of a pair is on duty at least. A unit that is merged already is no candidate.
    """
    pairs: dict[tuple[int, int], Alike] = {}
    for alike, first, second in (*_by_label(), *_by_serial(), *_by_place()):
        pairs.setdefault((min(first, second), max(first, second)), alike)
        if len(pairs) >= MOST_PAIRS:
            break
    apart = _told_apart()
    return [Pair(alike, *key) for key, alike in pairs.items() if frozenset(key) not in apart]


def _told_apart() -> set[frozenset[int]]:
    last: dict[frozenset[int], str] = {}
    rows = SameUnitDecision.objects.order_by("pk").values_list("alias_id", "survivor_id", "verdict")
    for alias, survivor, verdict in rows:
        last[frozenset((alias, survivor))] = verdict
    return {pair for pair, verdict in last.items() if verdict == Verdict.APART}


def _standing() -> QuerySet[Unit]:
    return Unit.objects.exclude(state__in=(Unit.State.MERGED, Unit.State.DISPOSED))


def _groups(rows: QuerySet[Any], *more: str) -> Iterator[list[tuple[Any, ...]]]:
    """Rows that share their ``key``, group by group: (key, id, state, *more)."""
    twice = rows.order_by().values("key").annotate(n=Count("pk")).filter(n__gt=1, n__lte=MOST_IN_GROUP)
    found = rows.filter(key__in=twice.values("key")).order_by("key", "pk")
    group: list[tuple[Any, ...]] = []
    for row in found.values_list("key", "pk", "state", *more).iterator(2000):
        if group and group[0][0] != row[0]:
            yield group
            group = []
        group.append(row)
    if group:
        yield group


def _on_duty(*rows: tuple[Any, ...]) -> bool:
    return any(row[2] not in Unit.GONE for row in rows)


def _by_label() -> Iterator[tuple[Alike, int, int]]:
    for group in _groups(_standing().annotate(key=_plain("number"))):
        for one, other in combinations(group, 2):
            if _on_duty(one, other):
                yield Alike.LABEL, one[1], other[1]


def _by_serial() -> Iterator[tuple[Alike, int, int]]:
    rows = _standing().exclude(serial="").annotate(key=_plain("serial"), make=_plain("model__maker"))
    for group in _groups(rows.exclude(key=""), "make"):
        for one, other in combinations(group, 2):
            # Where one maker is not known it may be the other's.
            if _on_duty(one, other) and (one[3] == other[3] or not one[3] or not other[3]):
                yield Alike.SERIAL, one[1], other[1]


def _by_place() -> Iterator[tuple[Alike, int, int]]:
    rows = _standing().filter(location__isnull=False).annotate(key=F("location"))
    for group in _groups(rows, "model", "serial"):
        for one, other in combinations(group, 2):
            # Two serials that can be read and differ are two shells.
            if one[3] == other[3] and not (one[4] and other[4]):
                yield Alike.PLACE, one[1], other[1]


# --- deciding ----------------------------------------------------------------------------------------


@transaction.atomic
def tell_apart(one: Unit, other: Unit, reason: str, *, by: Person | None, at: datetime) -> SameUnitDecision:
    """State that two units that look alike are two; they leave the list. Raises ``ValidationError``."""
    _two(one, other)
    if one.merged_into_id is not None or other.merged_into_id is not None:
        raise _changed()
    return _decide(one, other, Verdict.APART, reason, by=by, at=at)


def _two(one: Unit, other: Unit) -> None:
    if one.pk == other.pk:
        raise ValidationError("Choose two different units.")


def _changed() -> Conflict:
    return Conflict(
        "changed_meanwhile", "One of the two was merged or moved a moment ago. Look again before you decide."
    )


def _decide(
    alias: Unit,
    survivor: Unit,
    verdict: str,
    reason: str,
    *,
    by: Person | None,
    at: datetime,
    before: dict[str, Any] | None = None,
) -> SameUnitDecision:
    decision = SameUnitDecision(
        alias=alias,
        survivor=survivor,
        verdict=verdict,
        reason=Because(reason).checked().reason,
        before=before or {},
        decided_by_id=by.pk if by is not None else None,
        made_at=at,
    )
    decision.save()
    return decision


def check_merge(alias: Unit, survivor: Unit) -> None:
    """Raise ``ValidationError`` where these two cannot become one this way round."""
    _two(alias, survivor)
    for unit in (alias, survivor):
        if unit.merged_into_id is not None:
            raise ValidationError(f"Unit {unit.number} is merged into another already. Take that back first.")
    if survivor.state in (Unit.State.WITHDRAWN, Unit.State.DISPOSED) and alias.state not in Unit.GONE:
        raise ValidationError(
            f"Unit {survivor.number} is {survivor.get_state_display().lower()}. "
            f"Let {alias.number} be the one that stays."
        )
    if alias.state == Unit.State.CONDEMNED and survivor.state != Unit.State.CONDEMNED:
        raise ValidationError(
            f"Unit {alias.number} is condemned, and a condemned shell must not go on in service under "
            f"another number. Let {alias.number} be the one that stays, and take {survivor.number} down."
        )
    if alias.is_loaner != survivor.is_loaner:
        raise ValidationError("One of them is a loaner of ours, the other is not. Change that first.")
    open_loans = Loan.objects.open().filter(Q(loaner=alias) | Q(in_place_of=alias))
    if open_loans.exists():
        raise ValidationError(f"A loan of or for unit {alias.number} is open. Bring it back first.")


@transaction.atomic
def merge(
    alias: Unit,
    survivor: Unit,
    reason: str,
    *,
    on: date,
    by: Person | None,
    at: datetime,
    more: dict[str, Any] | None = None,
) -> tuple[SameUnitDecision, FactChange]:
    """Make ``alias`` another name of ``survivor``; both freshly read.

    Where only the one that gives way hangs, the survivor hangs there now. ``more`` is kept with the
    decision for taking it back. Raises what ``check_merge`` raises, ``Conflict`` when somebody was faster.
    """
    check_merge(alias, survivor)
    # In order of their keys, so that two who merge the same two crosswise cannot wait for each other.
    for pk in sorted((alias.pk, survivor.pk)):
        if not Unit.objects.filter(pk=pk, merged_into=None).update(facts_revision=F("facts_revision") + 1):
            raise _changed()
    place = alias.location
    before: dict[str, Any] = {
        "alias": _whereabouts(alias),
        "survivor": _whereabouts(survivor),
        "carried": list(Unit.objects.filter(merged_into=alias).order_by("pk").values_list("pk", flat=True)),
        **(more or {}),
    }
    said = f"The same unit as {survivor.number}"
    move_unit(
        alias,
        site_id=alias.site_id,
        location=None,
        store=None,
        to_state=Unit.State.MERGED,
        on=on,
        by=by,
        reason=said,
    )
    Unit.objects.filter(Q(pk=alias.pk) | Q(merged_into=alias)).update(merged_into=survivor)
    hangs_now = False
    if place is not None and survivor.location_id is None and survivor.state not in Unit.GONE:
        hang_unit(survivor, place, on=on, by=by, reason=f"The same unit as {alias.number}")
        hangs_now = True
    before["hung_at"] = place.pk if hangs_now and place is not None else None
    decision = _decide(alias, survivor, Verdict.SAME, reason, by=by, at=at, before=before)
    change = note_change(alias, "merged_into", None, survivor, Because(reason), by=by, at=at)
    alias.refresh_from_db()
    survivor.refresh_from_db()
    return decision, change


def _whereabouts(unit: Unit) -> dict[str, Any]:
    return {"state": unit.state, "site": unit.site_id, "location": unit.location_id, "store": unit.store_id}


def standing_merge(alias: Unit) -> SameUnitDecision | None:
    """The decision by which ``alias`` gave way, or None when it stands for itself."""
    if alias.merged_into_id is None:
        return None
    return SameUnitDecision.objects.filter(alias=alias, verdict=Verdict.SAME).order_by("-pk").first()


@transaction.atomic
def undo_merge(
    alias: Unit, reason: str, *, on: date, by: Person | None, at: datetime
) -> tuple[SameUnitDecision, FactChange]:
    """Let ``alias`` stand for itself again, as it was, where it was.

    What was recorded on the survivor since stays with the survivor. Where the survivor was hung in the
    alias's place and still hangs there, it goes back where it was. Raises ``Conflict`` when it was taken
    back already.
    """
    decision = standing_merge(alias)
    if decision is None:
        raise _changed()
    survivor = Unit.objects.get(pk=decision.survivor_id)
    before = decision.before
    freed = Unit.objects.filter(pk=alias.pk, merged_into__isnull=False).update(
        merged_into=None, facts_revision=F("facts_revision") + 1
    )
    if not freed:
        raise _changed()
    Unit.objects.filter(pk__in=before.get("carried", ())).update(merged_into=alias)
    was = before["survivor"]
    if before.get("hung_at") is not None and survivor.location_id == before["hung_at"]:
        move_unit(
            survivor,
            site_id=was["site"],
            location=None,
            store=None,
            to_state=was["state"] if was["store"] is None else Unit.State.NOT_FOUND,
            on=on,
            by=by,
            reason=f"Not the same unit as {alias.number} after all",
        )
    alias.refresh_from_db()
    _put_back(alias, before["alias"], on=on, by=by, said=f"Not the same unit as {survivor.number} after all")
    undone = _decide(alias, survivor, Verdict.UNDONE, reason, by=by, at=at, before=before)
    change = note_change(alias, "merged_into", survivor, None, Because(reason), by=by, at=at)
    Unit.objects.filter(pk=survivor.pk).update(facts_revision=F("facts_revision") + 1)
    alias.refresh_from_db()
    return undone, change


def _put_back(unit: Unit, was: dict[str, Any], *, on: date, by: Person | None, said: str) -> None:
    place = Location.objects.filter(pk=was["location"]).first() if was["location"] else None
    if place is not None:
        # hang_unit refuses what is gone for good, and MERGED is; it hung there and hangs there again.
        Unit.objects.filter(pk=unit.pk).update(state=Unit.State.NOT_FOUND)
        hang_unit(unit, place, on=on, by=by, reason=said)
        Unit.objects.filter(pk=unit.pk).update(state=was["state"])
        return
    move_unit(
        unit, site_id=was["site"], location=None, store=None, to_state=was["state"], on=on, by=by, reason=said
    )


def units_of(pairs: Iterable[Pair]) -> dict[int, Any]:
    """The units of ``pairs`` with what a list shows; one query."""
    ids = {pk for pair in pairs for pk in (pair.first, pair.second)}
    return (
        Unit.objects.select_related("model", "site__owner", "location")
        .annotate(records_count=Count("records"))
        .in_bulk(ids)
    )


def decisions_on(unit: Unit) -> list[SameUnitDecision]:
    """Every decision about ``unit`` and another, newest first."""
    rows = SameUnitDecision.objects.filter(Q(alias=unit) | Q(survivor=unit))
    return list(rows.select_related("alias", "survivor", "decided_by").order_by("-pk"))


def grouped(pairs: Iterable[Pair]) -> dict[Alike, int]:
    """How many pairs of each sort."""
    found: dict[Alike, int] = defaultdict(int)
    for pair in pairs:
        found[pair.alike] += 1
    return {alike: found[alike] for alike in Alike}
