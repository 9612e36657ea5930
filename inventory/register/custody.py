"""Who has which unit: loans, exchanges and transport between stores.

Each call is one transaction; a loan or an exchange is one with two moves. Cover is never taken away
silently: what hangs empty afterwards shows in ``inventory.register.custody_queries.uncovered``.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import date

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F

from inventory.errors import Conflict
from inventory.measures.stamps import Stamp
from inventory.people import Person
from inventory.register.agreed import TermsBook
from inventory.register.custody_queries import home_of
from inventory.register.models import Location, Placement, Unit, UnitModel
from inventory.register.places import Loan, Move, Store
from inventory.register.services import hang_unit, move_unit, take_down_unit, unit_numbers

LIKE_SOURCE = "a maker's carbon dioxide manual: same type and at least the same rating"

_STATE_IN = {
    Store.Kind.WORKSHOP: Unit.State.IN_WORKSHOP,
    Store.Kind.TEST_HOUSE: Unit.State.AT_TEST_HOUSE,
}


def add_store(kind: str, name: str, *, keeper: Person | None = None, depot_id: int | None = None) -> Store:
    """Add a store, workshop, van or test house. Raises ``ValidationError`` for a name that is taken."""
    store = Store(kind=kind, name=name.strip(), keeper_id=keeper.pk if keeper else None, depot_id=depot_id)
    store.full_clean()
    store.save()
    return store


@transaction.atomic
def close_store(store: Store, *, version: int, is_closed: bool = True) -> Store:
    """Close a store, or open it again. Refused while anything stands in it."""
    if is_closed and (store.units.exists() or store.balances.filter(quantity__gt=0).exists()):
        raise Conflict("store_not_empty", f"{store.name} still holds units or goods. Move them first.")
    done = Store.objects.filter(pk=store.pk, version=version).update(
        is_closed=is_closed, version=F("version") + 1
    )
    if not done:
        raise Conflict("changed_meanwhile", f"{store.name} was changed a moment ago. Look again.")
    store.refresh_from_db()
    return store


@transaction.atomic
def add_own_unit(
    model: UnitModel,
    store: Store,
    *,
    serial: str,
    made: Stamp,
    on: date,
    by: Person | None,
    is_loaner: bool = False,
) -> Unit:
    """Take a unit of our own into the register, standing in ``store``; with ``is_loaner`` into the pool."""
    if store.is_closed:
        raise Conflict("store_closed", f"{store.name} is closed. Choose another store.")
    unit = Unit(
        number=unit_numbers(1)[0],
        model=model,
        serial=serial.strip(),
        state=Unit.State.IN_STOCK,
        commissioned_on=None,
    )
    unit.made = made
    unit.full_clean()
    unit.save()
    carry([unit], store, on=on, by=by, to_state=Unit.State.IN_STOCK, reason="Taken into stock")
    return make_loaner(unit) if is_loaner else unit


@transaction.atomic
def make_loaner(unit: Unit, *, is_loaner: bool = True) -> Unit:
    """Take ``unit`` into the pool of loaners, or out of it.

    Only a unit of our own that stands in a store; an owner's unit is never lent to another.
    """
    unit.refresh_from_db()
    if unit.site_id is not None:
        raise ValidationError(f"Unit {unit.number} belongs to premises and cannot be a loaner.")
    if unit.state not in (Unit.State.IN_STOCK, Unit.State.LOANER_FREE):
        raise ValidationError(
            f"Unit {unit.number} is {unit.get_state_display().lower()}; only a unit in stock changes sides."
        )
    Unit.objects.filter(pk=unit.pk).update(
        is_loaner=is_loaner,
        state=Unit.State.LOANER_FREE if is_loaner else Unit.State.IN_STOCK,
        facts_revision=F("facts_revision") + 1,
    )
    unit.refresh_from_db()
    return unit


def unlike(loaner: Unit, away: Unit) -> str | None:
    """Why ``loaner`` does not give the cover of ``away``, or ``None``: same agent, at least its charge."""
    ours, theirs = loaner.model, away.model
    if ours.agent != theirs.agent:
        return f"{ours.get_agent_display()} hung in the place of {theirs.get_agent_display().lower()}"
    for mine, wanted in (
        (ours.charge_mass_g, theirs.charge_mass_g),
        (ours.charge_volume_ml, theirs.charge_volume_ml),
    ):
        if mine is not None and wanted is not None and mine < wanted:
            return f"{ours.charge_text or mine} hung in the place of {theirs.charge_text or wanted}"
    return None


@transaction.atomic
def lend(
    loaner: Unit,
    location: Location,
    *,
    in_place_of: Unit | None,
    on: date,
    by: Person | None,
    expected_back_on: date | None = None,
    taken_to: Store | None = None,
    taken_state: str = Unit.State.IN_WORKSHOP,
    despite: str = "",
    ref: uuid.UUID | None = None,
    client_ref: uuid.UUID | None = None,
) -> Loan:
    """Hang ``loaner`` at ``location`` and take ``in_place_of`` along, in one transaction.

    A loaner of another agent or a smaller charge is refused unless ``despite`` says why it is better
    than nothing. A repeat with the same ``client_ref`` returns the first loan. Raises ``Conflict``
    (``loaner_not_free``, ``loaner_unlike``, ``unit_moved``).
    """
    client_ref = client_ref or uuid.uuid4()
    known = Loan.objects.filter(client_ref=client_ref).first()
    if known is not None:
        if (known.loaner_id, known.location_id) != (loaner.pk, location.pk):
            raise Conflict("reference_used", "This reference was used for another loan. Make a new one.")
        return known
    loaner.refresh_from_db()
    if not loaner.is_loaner or loaner.state != Unit.State.LOANER_FREE:
        raise Conflict(
            "loaner_not_free",
            f"Unit {loaner.number} is {loaner.get_state_display().lower()} and not free to lend. "
            "Choose another loaner.",
        )
    together = uuid.uuid4()
    if in_place_of is not None:
        in_place_of.refresh_from_db()
        why = unlike(loaner, in_place_of)
        if why is not None and not despite.strip():
            raise Conflict(
                "loaner_unlike", f"{why}. Choose a like loaner, or say why this one is better than nothing."
            )
        if in_place_of.location_id is not None:
            take_down_unit(
                in_place_of,
                on=on,
                to_state=taken_state,
                keep_site=True,
                to_store=taken_to,
                by=by,
                reason=f"Loaner {loaner.number} hangs in its place",
                ref=ref,
                together=together,
            )
    reason = f"Loan for {in_place_of.number}" if in_place_of is not None else "Loan"
    hang_unit(
        loaner,
        location,
        on=on,
        by=by,
        reason=f"{reason}; {despite.strip()}" if despite.strip() else reason,
        ref=ref,
        together=together,
    )
    return Loan.objects.create(
        client_ref=client_ref,
        loaner=loaner,
        location=location,
        in_place_of=in_place_of,
        out_on=on,
        expected_back_on=expected_back_on,
        lent_by_id=by.pk if by is not None else None,
        ref=ref,
    )


@transaction.atomic
def give_back(
    unit: Unit,
    *,
    on: date,
    by: Person | None,
    location: Location | None = None,
    loaner_to: Store | None = None,
    ref: uuid.UUID | None = None,
    reason: str = "Brought back",
    to_state: str | None = None,
) -> Placement:
    """Hang the owner's ``unit`` where it came from and take its loaner along, in one transaction.

    Whether it may hang as in service is asked before (``schedules.visits.workshop.going_back``).

    Without ``location`` it goes to the place of the loaner that stands in for it, or where it hung
    last. The loaner goes to ``loaner_to`` and is free again. Raises ``Conflict`` (``hangs_already``,
    ``home_unknown``).
    """
    unit.refresh_from_db()
    if unit.location_id is not None:
        raise Conflict("hangs_already", f"Unit {unit.number} hangs at {unit.location} already.")
    loan = Loan.objects.open().filter(in_place_of=unit).select_related("loaner", "location").first()
    home = location or (loan.location if loan is not None else home_of([unit.pk]).get(unit.pk))
    if home is None:
        raise Conflict("home_unknown", f"It is not known where unit {unit.number} hung. Choose the location.")
    together = uuid.uuid4()
    if loan is not None:
        take_down_unit(
            loan.loaner,
            on=on,
            to_state=Unit.State.LOANER_FREE,
            to_store=loaner_to,
            by=by,
            reason=f"{unit.number} is back",
            ref=ref,
            together=together,
        )
    return hang_unit(unit, home, on=on, by=by, reason=reason, ref=ref, together=together, to_state=to_state)


@transaction.atomic
def exchange(
    old: Unit,
    new: Unit,
    location: Location,
    *,
    on: date,
    by: Person | None,
    old_to: Store | None = None,
    old_state: str = Unit.State.IN_STOCK,
    despite: str = "",
    ref: uuid.UUID | None = None,
) -> Placement:
    """Hang ``new`` for good where ``old`` hung, and take ``old`` along as ours, in one transaction.

    Both histories follow the cylinder. ``new`` must stand in our stock; as a loaner it leaves the pool.
    Where it is agreed that the same unit comes back, ``despite`` names who allowed it all the same.
    Raises ``Conflict`` (``not_in_stock``, ``exchange_not_allowed``).
    """
    site = location.site
    why = exchange_refused(site.owner_id, site.pk, on)
    if why and not despite.strip() and old_state != Unit.State.CONDEMNED:
        raise Conflict("exchange_not_allowed", why)
    new.refresh_from_db()
    if new.state not in (Unit.State.IN_STOCK, Unit.State.LOANER_FREE):
        raise Conflict(
            "not_in_stock",
            f"Unit {new.number} is {new.get_state_display().lower()}. Exchange for a unit in stock.",
        )
    together = uuid.uuid4()
    take_down_unit(
        old,
        on=on,
        to_state=old_state,
        to_store=old_to,
        by=by,
        reason=f"Exchanged for {new.number}",
        ref=ref,
        together=together,
    )
    if new.is_loaner:
        make_loaner(new, is_loaner=False)
    reason = f"Exchanged for {old.number}" + (f"; {despite.strip()}" if despite.strip() else "")
    return hang_unit(new, location, on=on, by=by, reason=reason, ref=ref, together=together)


def exchange_refused(owner_id: int, site_id: int, on: date) -> str:
    """Why a unit may not be exchanged at a site on a day; empty where it may or nothing is agreed."""
    agreed = TermsBook([owner_id]).at(owner_id, site_id, on)
    if agreed.get("return_of_units") != "same":
        return ""
    return (
        "It is agreed that the same unit comes back here, so it cannot be exchanged. Lend a loaner, "
        "or name who of the owner allowed the exchange."
    )


def wants_loaner(owner_id: int, site_id: int, on: date) -> bool:
    """Whether a loaner must hang where a unit is taken along from this site."""
    return TermsBook([owner_id]).at(owner_id, site_id, on).get("loaners_compulsory") is True


def bare_by_terms(units: Sequence[Unit], on: date) -> list[Unit]:
    """Those of ``units`` that hang where a loaner is compulsory: taking them along leaves a promise open."""
    hanging = [unit for unit in units if unit.location_id is not None and unit.site is not None]
    book = TermsBook({unit.site.owner_id for unit in hanging if unit.site is not None})
    return [
        unit
        for unit in hanging
        if unit.site is not None
        and book.at(unit.site.owner_id, unit.site.pk, on).get("loaners_compulsory") is True
    ]


@transaction.atomic
def carry(
    units: Sequence[Unit],
    store: Store,
    *,
    on: date,
    by: Person | None,
    to_state: str | None = None,
    reason: str = "",
    ref: uuid.UUID | None = None,
) -> list[Move]:
    """Take units to a store, a van, the workshop or a test house.

    The state follows the place: in the workshop, at the test house; elsewhere a loaner is free, a unit
    on no premises in stock, and any other keeps its state. ``to_state`` says otherwise. A unit that
    hangs is taken down and still belongs to its premises. Raises ``Conflict`` when the store is closed
    and ``ValidationError`` for a unit that is gone.
    """
    if store.is_closed:
        raise Conflict("store_closed", f"{store.name} is closed. Choose another store.")
    together = uuid.uuid4()
    moves: list[Move] = []
    for unit in units:
        unit.refresh_from_db()
        if unit.state in (Unit.State.WITHDRAWN, Unit.State.DISPOSED):
            raise ValidationError(f"Unit {unit.number} is {unit.get_state_display().lower()}.")
        if unit.store_id == store.pk and to_state in (None, unit.state):
            continue  # it stands there already: a repeat changes nothing
        moves.append(
            move_unit(
                unit,
                site_id=None if unit.is_loaner else unit.site_id,
                location=None,
                store=store,
                to_state=to_state or _state_at(unit, store),
                on=on,
                by=by,
                reason=reason,
                ref=ref,
                together=together,
            )
        )
    return moves


def _state_at(unit: Unit, store: Store) -> str:
    if unit.state == Unit.State.CONDEMNED:
        return unit.state
    by_kind = _STATE_IN.get(Store.Kind(store.kind))
    if by_kind is not None:
        return by_kind
    if unit.is_loaner:
        return Unit.State.LOANER_FREE
    if unit.site_id is None:
        return Unit.State.IN_STOCK
    # On a van or shelf an owner's unit that hung is away; one that was away stays as it was.
    return Unit.State.AWAITING_RECHARGE if unit.state in Unit.HANGING else unit.state
