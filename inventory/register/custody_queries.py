"""Reading custody: where units are, which cover is missing, whether the counts add up."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date

from django.db.models import Count, Exists, F, OuterRef, Q, QuerySet, Subquery

from inventory.access import Scope
from inventory.register.models import Location, Placement, Unit, UnitQuerySet
from inventory.register.places import Loan, LoanQuerySet, Move, MoveQuerySet, Store

LOAN_DAYS = 60
"""A loan without an agreed day counts as too long after this; 19 CCR 591.5 gives 60 calendar days."""


def home_of(unit_ids: Iterable[int]) -> dict[int, Location]:
    """Where each of these units hung last, or hangs; one query."""
    later = Placement.objects.filter(unit=OuterRef("unit"), pk__gt=OuterRef("pk"))
    rows = Placement.objects.filter(~Exists(later), unit__in=list(unit_ids)).select_related("location__site")
    return {row.unit_id: row.location for row in rows}


def moves_of(unit: Unit, scope: Scope) -> MoveQuerySet:
    """The moves of ``unit`` that ``scope`` may see, newest first."""
    return (
        Move.objects.visible_to(scope)
        .filter(unit=unit)
        .select_related("from_location", "from_store", "to_location", "to_store", "moved_by", "site")
        .order_by("-pk")
    )


def stores(*, with_closed: bool = False) -> QuerySet[Store]:
    """The firm's places with how many units stand in each."""
    rows = Store.objects.annotate(unit_count=Count("units")).select_related("keeper", "depot")
    return rows if with_closed else rows.filter(is_closed=False)


def units_in(store: Store) -> UnitQuerySet:
    """Units that stand in ``store``, by number."""
    return Unit.objects.filter(store=store).select_related("model", "site").order_by("number", "pk")


def loans_for(scope: Scope) -> LoanQuerySet:
    """Loans that are open, the longest first."""
    return (
        Loan.objects.visible_to(scope)
        .open()
        .select_related("loaner__model", "location__site", "in_place_of__model", "in_place_of__store")
        .order_by("out_on", "pk")
    )


def too_long(today: date) -> Q:
    """Loans past the agreed day, or without one out for more than ``LOAN_DAYS``."""
    last = date.fromordinal(today.toordinal() - LOAN_DAYS)
    return Q(expected_back_on__lt=today) | Q(expected_back_on__isnull=True, out_on__lt=last)


def loaners_free(
    *, agent: str = "", least_charge_g: int | None = None, store: Store | None = None
) -> UnitQuerySet:
    """Loaners that can be lent now, smallest charge first."""
    rows = Unit.objects.filter(is_loaner=True, state=Unit.State.LOANER_FREE).select_related("model", "store")
    if agent:
        rows = rows.filter(model__agent=agent)
    if least_charge_g is not None:
        rows = rows.filter(model__charge_mass_g__gte=least_charge_g)
    if store is not None:
        rows = rows.filter(store=store)
    return rows.order_by("model__charge_mass_g", "number", "pk")


def uncovered(scope: Scope) -> QuerySet[Location]:
    """Locations where nothing ready for use hangs although something did.

    Each carries ``last_unit`` (number), ``last_state`` and ``bare_since``. A place whose unit the owner
    withdrew is not counted.
    """
    hangs = Unit.objects.filter(location=OuterRef("pk"), state__in=Unit.HANGING)
    last = Placement.objects.filter(location=OuterRef("pk")).order_by("-pk")
    rows = Location.objects.filter(~Exists(hangs)).annotate(
        last_unit=Subquery(last.values("unit__number")[:1]),
        last_unit_id=Subquery(last.values("unit__public_id")[:1]),
        last_state=Subquery(last.values("unit__state")[:1]),
        bare_since=Subquery(last.values("until_on")[:1]),
    )
    if not scope.everything:
        rows = rows.filter(Q(site__owner__in=scope.owner_ids) | Q(site__in=scope.site_ids))
    return (
        rows.filter(last_unit__isnull=False)
        .exclude(last_state=Unit.State.WITHDRAWN)
        .select_related("site__owner")
        .order_by("bare_since", "site__name", "walking_order", "number")
    )


@dataclass(frozen=True, slots=True)
class PlaceCount:
    """How many units one place holds, by what the register says and by its moves."""

    name: str
    kind: str
    states: dict[str, int] = field(default_factory=dict)

    @property
    def total(self) -> int:
        """All units of the place."""
        return sum(self.states.values())


def counts_by_store() -> list[PlaceCount]:
    """Units per store, van, workshop and test house, by state; one query."""
    found: dict[int, PlaceCount] = {}
    rows = (
        Unit.objects.filter(store__isnull=False)
        .order_by("store__kind", "store__name", "state")
        .values_list("store_id", "store__name", "store__kind", "state")
        .annotate(n=Count("pk"))
    )
    for store_id, name, kind, state, number in rows:
        place = found.setdefault(store_id, PlaceCount(name, kind))
        place.states[state] = number
    return list(found.values())


@dataclass(frozen=True, slots=True)
class Reckoning:
    """All units of the register by whereabouts; the parts add up to ``registered``."""

    registered: int
    hanging: int
    in_stores: int
    on_premises_without_place: int
    gone: int
    nowhere: int

    @property
    def is_whole(self) -> bool:
        """Whether the parts add up."""
        parts = self.hanging + self.in_stores + self.on_premises_without_place + self.gone + self.nowhere
        return parts == self.registered


def reckoning() -> Reckoning:
    """Count every unit once by where it is; ``nowhere`` are ours and stand in no store."""
    stands = Q(location__isnull=True, store__isnull=True)
    gone = Q(state__in=Unit.GONE)
    found = Unit.objects.aggregate(
        registered=Count("pk"),
        hanging=Count("pk", filter=Q(location__isnull=False)),
        in_stores=Count("pk", filter=Q(store__isnull=False)),
        on_premises_without_place=Count("pk", filter=stands & ~gone & Q(site__isnull=False)),
        gone=Count("pk", filter=stands & gone),
        nowhere=Count("pk", filter=stands & ~gone & Q(site__isnull=True)),
    )
    return Reckoning(**found)


def disagreements(limit: int = 100) -> list[str]:
    """Units whose place, open placement and last move do not say the same; empty when all is well."""
    found: list[str] = []
    hangs = Placement.objects.filter(unit=OuterRef("pk"), is_open=True)
    units = Unit.objects.annotate(placed=Subquery(hangs.values("location_id")[:1]))
    odd = units.filter(
        Q(location__isnull=False, placed__isnull=True)
        | Q(location__isnull=True, placed__isnull=False)
        | ~Q(location=F("placed"))
    ).filter(Q(location__isnull=False) | Q(placed__isnull=False))
    found += [
        f"Unit {number}: its open placement is not where the register says it hangs."
        for number in odd.order_by("number").values_list("number", flat=True)[:limit]
    ]
    later = Move.objects.filter(unit=OuterRef("unit"), pk__gt=OuterRef("pk"))
    last = Move.objects.filter(~Exists(later))
    apart = last.exclude(
        Q(to_location=F("unit__location")) | Q(to_location__isnull=True, unit__location__isnull=True),
        Q(to_store=F("unit__store")) | Q(to_store__isnull=True, unit__store__isnull=True),
    )
    found += [
        f"Unit {number}: its last move did not end where it is now."
        for number in apart.order_by("unit__number").values_list("unit__number", flat=True)[:limit]
    ]
    return found[:limit]
