"""What can be done with many units, or many sites, of a list at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django.core.exceptions import ValidationError

from inventory.errors import Conflict
from inventory.register.facts import Because, correct_row
from inventory.register.models import (
    ENVIRONMENT_CHOICES,
    LANGUAGE_CHOICES,
    Depot,
    Location,
    Placement,
    Site,
    Unit,
    local_today,
)
from inventory.register.places import Move
from inventory.register.services import move_unit, take_down_unit
from schedules.due.services import refresh_units
from schedules.visits.models import Job, Visit
from schedules.visits.proposing import propose_visits
from servicedesk.desk.many import Done, Way, Why
from servicedesk.documents.data import stocks
from servicedesk.documents.labels import MOST, labels_pdf, note_printing, unit_labels
from servicedesk.documents.models import LabelPrint
from servicedesk.documents.paper import pdf_response
from servicedesk.pages import refusal


def _number(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


# --- units ------------------------------------------------------------------------------------------


def _as_it_is(unit: Unit) -> dict[str, Any]:
    """Where a unit is and in which state, to be given back."""
    return {"site": unit.site_id, "location": unit.location_id, "store": unit.store_id, "state": unit.state}


def _withdraw(units: Sequence[Unit], why: Why) -> Done:
    """Take units off the premises for good."""
    done = Done()
    visits = dict(
        Job.objects.filter(unit__in=units, visit__state__in=Visit.OPEN)
        .order_by("-visit_id")
        .values_list("unit_id", "visit__number")
    )
    for unit in units:
        if unit.state in Unit.GONE:
            done.refused.append([unit.number, f"is {unit.get_state_display().lower()} already"])
        elif unit.state in Unit.AWAY or unit.site is None:
            done.refused.append([unit.number, f"{unit.get_state_display().lower()}: it hangs nowhere"])
        elif unit.pk in visits:
            done.refused.append([unit.number, f"is on the open visit {visits[unit.pk]}; take it off first"])
        else:
            before = _as_it_is(unit)
            take_down_unit(
                unit, on=local_today(unit.site, why.now), to_state=Unit.State.WITHDRAWN, by=why.by,
                reason=why.reason, together=why.together,
            )  # fmt: skip
            done.changes.append([unit.pk, before, Unit.State.WITHDRAWN.value])
    return _moved(done, why, "withdrawn")


def _put_back(units: Sequence[Unit], why: Why) -> Done:
    """Put units that were withdrawn or not found back into service, at the place they hung last."""
    done = Done()
    last = {
        move.unit_id: move
        for move in Move.objects.filter(unit__in=units, to_state=Unit.State.WITHDRAWN).order_by("pk")
    }
    for unit in units:
        if unit.state == Unit.State.NOT_FOUND and unit.location_id is not None:
            where = _as_it_is(unit)
        elif unit.state == Unit.State.WITHDRAWN and unit.pk in last:
            move = last[unit.pk]
            where = {"site": move.site_id, "location": move.from_location_id, "store": None}
        else:
            done.refused.append([unit.number, f"{unit.get_state_display().lower()}: not withdrawn or lost"])
            continue
        before = _as_it_is(unit)
        problem = _give_back(unit, where | {"state": unit.state_when_hanging.value}, why)
        if problem:
            done.refused.append([unit.number, problem])
        else:
            done.changes.append([unit.pk, before, unit.state])
    return _moved(done, why, "back in service")


def _restore(changes: Sequence[Sequence[Any]], why: Why) -> Done:
    """Give units back the place and state that they had, where nobody moved them since."""
    done = Done()
    units = Unit.objects.select_related("site").in_bulk([pk for pk, _, _ in changes])
    for pk, before, after in changes:
        unit = units[pk]
        if unit.state != after:
            done.refused.append([unit.number, f"is {unit.get_state_display().lower()} by now"])
            continue
        problem = _give_back(unit, before, why)
        if problem:
            done.refused.append([unit.number, problem])
        else:
            done.changes.append([pk, after, before["state"]])
    return _moved(done, why, "as before")


def _give_back(unit: Unit, where: Mapping[str, Any], why: Why) -> str:
    """Bring ``unit`` to a place and state; return why it cannot be, or nothing."""
    place = Location.objects.select_related("site").filter(pk=where["location"]).first()
    if where["state"] in Unit.HANGING and place is None:
        return "its last place is not known; hang it from its own page"
    if place is not None:
        other = Unit.objects.filter(location=place).exclude(pk=unit.pk).first()
        if other is not None:
            return f"unit {other.number} hangs at {place.number} now"
    site = place.site if place else Site.objects.filter(pk=where["site"]).first()
    on = local_today(site, why.now) if site is not None else why.now.date()
    move_unit(
        unit, site_id=site.pk if site else None, location=place, store=None, to_state=where["state"], on=on,
        by=why.by, reason=why.reason, together=why.together,
    )  # fmt: skip
    if place is not None:
        Placement.objects.create(
            unit=unit, location=place, from_on=on, opened_by_id=why.by.pk, reason=why.reason[:120]
        )
    return ""


def _moved(done: Done, why: Why, word: str) -> Done:
    refresh_units([change[0] for change in done.changes], now=why.now)
    done.said = f"{_number(len(done.changes), 'unit is', 'units are')} {word}."
    return done


def _surroundings(units: Sequence[Unit], why: Why) -> Done:
    """Say in what surroundings the places of units lie."""
    done = Done()
    places = {unit.location_id: unit.location for unit in units if unit.location is not None}
    done.refused = [[unit.number, "hangs at no place"] for unit in units if unit.location is None]
    _correct(done, places.values(), "environment", why.value, why)
    done.said = f"{_number(len(done.changes), 'place has', 'places have')} other surroundings now."
    return done


def _labels(units: Sequence[Unit], why: Why) -> Done:
    """Print the identity labels of units; one printed before needs a reason."""
    if len(units) > MOST:
        raise Conflict("too_many", f"More than {MOST} labels at once. Narrow the list down.")
    try:
        note_printing(LabelPrint.Sort.UNIT, units, stock=why.value, reason=why.reason, by=why.by, now=why.now)
    except ValidationError as problem:
        raise Conflict("labels", refusal(problem)) from problem
    data = labels_pdf(unit_labels(units), stocks()[why.value])
    return Done(answer=pdf_response(data, f"labels-{why.now:%Y%m%d-%H%M}.pdf"))


# --- sites ------------------------------------------------------------------------------------------


def _correct(done: Done, rows: Any, field: str, value: str, why: Why) -> None:
    """Give each of ``rows`` another fact, written down in its history, and work its dates out again."""
    units: set[int] = set()
    for row in rows:
        before = getattr(row, field)
        name = str(row)
        try:
            made = correct_row(
                row, {field: value}, Because(why.reason or "Set from the list", is_correction=False),
                by=why.by, at=why.now,
            )  # fmt: skip
        except ValidationError as problem:
            said = "is so already" if before == value else refusal(problem)
            done.refused.append([name, said])
            continue
        units |= made.unit_ids
        done.changes.append([row.pk, before, value])
    refresh_units(units, now=why.now)


def _correct_back(model: Any, field: str, changes: Sequence[Sequence[Any]], why: Why) -> Done:
    done = Done()
    rows = model.objects.in_bulk([pk for pk, _, _ in changes])
    for pk, before, after in changes:
        row = rows[pk]
        if getattr(row, field) != after:
            done.refused.append([str(row), "was changed since"])
            continue
        _correct(done, [row], field, before, why)
    done.said = f"{_number(len(done.changes), 'row is', 'rows are')} as before."
    return done


def _set(field: str, word: str) -> Any:
    def run(sites: Sequence[Site], why: Why) -> Done:
        done = Done()
        _correct(done, sites, field, why.value, why)
        done.said = f"{_number(len(done.changes), 'site has', 'sites have')} {word} now."
        return done

    return run


def _set_back(field: str) -> Any:
    return lambda changes, why: _correct_back(Site, field, changes, why)


def _set_depot(sites: Sequence[Site], why: Why) -> Done:
    """Make sites the territory of a depot, or of none."""
    depot = Depot.objects.filter(public_id=why.value).first() if why.value != "none" else None
    pk = depot.pk if depot is not None else None
    done = Done()
    for site in sites:
        if site.depot_id == pk:
            done.refused.append([str(site), "is so already"])
        else:
            done.changes.append([site.pk, site.depot_id, pk])
    Site.objects.filter(pk__in=[change[0] for change in done.changes]).update(depot=depot)
    done.said = f"{_number(len(done.changes), 'site belongs', 'sites belong')} to {depot or 'no depot'} now."
    return done


def _depot_back(changes: Sequence[Sequence[Any]], why: Why) -> Done:
    done = Done()
    sites = Site.objects.in_bulk([pk for pk, _, _ in changes])
    for pk, before, after in changes:
        if Site.objects.filter(pk=pk, depot=after).update(depot=before):
            done.changes.append([pk, after, before])
        else:
            done.refused.append([str(sites[pk]), "was changed since"])
    done.said = f"{_number(len(done.changes), 'site is', 'sites are')} as before."
    return done


def _propose(sites: Sequence[Site], why: Why) -> Done:
    """Propose a visit to each site that has work due in time."""
    visits = propose_visits(list(sites), by=why.by, now=why.now, horizon_days=int(why.value))
    served = {visit.site_id for visit in visits}
    done = Done(f"{_number(len(visits), 'visit is', 'visits are')} proposed; confirm or cancel each.")
    done.changes = [[visit.pk, visit.site_id, visit.number] for visit in visits]
    done.refused = [
        [str(site), "nothing falls due by then that is not on an open visit"]
        for site in sites
        if site.pk not in served
    ]
    return done


def _depots() -> list[tuple[str, str]]:
    return [*((str(d.public_id), d.name) for d in Depot.objects.order_by("name", "pk")), ("none", "No depot")]


def _stocks() -> list[tuple[str, str]]:
    return [(stock.code, stock.name) for stock in stocks().values()]


UNIT_WAYS = (
    Way("labels", "Label stock", "Print labels", _labels, choices=_stocks),
    Way(
        "surroundings", "Surroundings of the place", "Set surroundings", _surroundings,
        undo=lambda changes, why: _correct_back(Location, "environment", changes, why),
        choices=lambda: list(ENVIRONMENT_CHOICES),
    ),
    Way("back", "", "Put back into service", _put_back, undo=_restore, needs_reason=True),
    Way("withdraw", "", "Withdraw", _withdraw, undo=_restore, needs_reason=True, is_grave=True),
)  # fmt: skip

PROPOSE_WAY = Way(
    "propose", "Due within", "Propose visits", _propose,
    choices=lambda: [("30", "30 days"), ("0", "today"), ("92", "three months"), ("183", "half a year")],
)  # fmt: skip

SITE_WAYS = (
    PROPOSE_WAY,
    Way("depot", "Depot", "Set depot", _set_depot, undo=_depot_back, choices=_depots),
    Way(
        "language", "Language of notices", "Set language", _set("language", "this language"),
        undo=_set_back("language"), choices=lambda: list(LANGUAGE_CHOICES),
    ),
    Way(
        "looks", "Monthly looks are made by", "Set who looks",
        _set("monthly_checks_by", "these monthly looks"), undo=_set_back("monthly_checks_by"),
        choices=lambda: list(Site.MonthlyChecks.choices),
    ),
)  # fmt: skip
