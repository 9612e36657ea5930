"""Reading the register: sites, units and owners as lists ask for them."""

from __future__ import annotations

from collections.abc import Iterable

from django.db.models import Count, Q, QuerySet

from inventory.access import Scope
from inventory.register.models import Owner, Site, Unit, UnitQuerySet
from inventory.register.searching import sites_holding, units_holding
from inventory.search.queries import ids_sql
from inventory.search.text import fold, words_of

# More words than this narrow nothing down and only cost time.
MAX_SEARCH_WORDS = 6


def words_condition(text: str, *fields: str) -> Q:
    """A condition that every word of ``text`` stands in one of ``fields``; case does not matter."""
    condition = Q()
    for word in text.split()[:MAX_SEARCH_WORDS]:
        one = Q()
        for name in fields:
            one |= Q(**{f"{name}__icontains": word})
        condition &= one
    return condition


def owners_for(scope: Scope) -> QuerySet[Owner]:
    """Owners that ``scope`` may see, by name; those that turned out to be another are left out."""
    return Owner.objects.visible_to(scope).filter(merged_into=None).order_by("name", "pk")


def sites_for(scope: Scope, text: str = "") -> QuerySet[Site]:
    """Sites that ``scope`` may see and whose name, code, town or owner holds every word of ``text``.

    Those that became part of another are left out.
    """
    found = sites_holding(text)
    return (
        Site.objects.visible_to(scope)
        .filter(found, merged_into=None)
        .select_related("owner")
        .order_by("name", "pk")
    )


def units_for(scope: Scope, text: str = "") -> UnitQuerySet:
    """Units that ``scope`` may see and whose number, serial, place or site holds every word of ``text``."""
    return (
        Unit.objects.visible_to(scope)
        .filter(units_holding(text))
        .select_related("model", "site__owner", "location")
        .order_by("number", "pk")
    )


def unit_named(scope: Scope, text: str) -> Unit | None:
    """The unit whose number is ``text``, whatever its case and dashes, if it is the only one."""
    words = words_of(text)
    if not words:
        return None
    whole = [f" {word} " for word in words]
    found = [
        unit
        for unit in Unit.objects.visible_to(scope).filter(pk__in=ids_sql("unit", whole))[:20]
        if fold(unit.number) == fold(text)
    ]
    return found[0] if len(found) == 1 else None


def units_by_site(site_ids: Iterable[int]) -> dict[int, int]:
    """How many units are on duty at each of these sites; a site without any is left out."""
    rows = Unit.objects.on_duty().filter(site__in=list(site_ids)).order_by().values_list("site_id")
    return dict(rows.annotate(n=Count("pk")))


def units_by_state(scope: Scope) -> dict[str, int]:
    """How many units of ``scope`` are in which state; every state is named."""
    rows = Unit.objects.visible_to(scope).order_by()
    usual = Unit.State.IN_SERVICE.value
    others = [state for state in Unit.State.values if state != usual]
    found = dict(rows.filter(state__in=others).values_list("state").annotate(n=Count("pk")))
    # Nearly all are in service. To count everything is cheaper than to group it.
    found[usual] = rows.count() - sum(found.values())
    return {state: found.get(state, 0) for state in Unit.State.values}


def condemned_serials(pairs: Iterable[tuple[str, str]]) -> dict[tuple[str, str], Unit]:
    """Condemned or scrapped units among these (maker, serial) pairs, by pair; one query.

    Case and spacing do not matter; an empty serial is nobody's. A condemned shell that turns up again
    must not enter the register as a new unit.
    """
    wanted = {(maker, serial): serial_key(maker, serial) for maker, serial in pairs if serial.strip()}
    if not wanted:
        return {}
    rows = (
        Unit.objects.filter(state__in=(Unit.State.CONDEMNED, Unit.State.DISPOSED))
        .exclude(serial="")
        .select_related("model")
    )
    known = {serial_key(unit.model.maker, unit.serial): unit for unit in rows}
    return {pair: known[key] for pair, key in wanted.items() if key in known}


def serial_key(maker: str, serial: str) -> tuple[str, str]:
    """Maker and serial as they are compared: letters and digits only, in one case."""
    return _letters(maker), _letters(serial)


def _letters(text: str) -> str:
    return "".join(letter for letter in text.upper() if letter.isalnum())
