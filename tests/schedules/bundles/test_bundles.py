"""Clocks of a site held against the engine: what is bundled by the stored dates is never late by it."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from inventory.measures.kinds import Agent, Construction, Task
from inventory.measures.stamps import Stamp
from inventory.register.models import Unit
from schedules import engine
from schedules.bundles.calendar import public_holidays
from schedules.bundles.queries import bundles_of
from schedules.due.queries import unit_inputs
from schedules.engine import Done
from schedules.planning.figures import DEFAULTS
from schedules.rulebook.books import rulebooks
from tests.factories import NOW, TODAY, make_model, make_record, make_site, make_unit

pytestmark = pytest.mark.django_db

TABLES = (
    ("us-osha-1910-157",),
    ("us-osha-1910-157", "us-nfpa-10"),
    ("in-is-2190",),
    ("gb-bs-5306-3",),
    ("fr-nf-s-61-919",),
)


@pytest.mark.parametrize("tables", TABLES, ids=lambda keys: "+".join(keys))
def test_nothing_of_a_bundle_is_late_by_the_engine_itself(tables: tuple[str, ...]) -> None:
    """Live through the bundle day by day, each trip's work recorded, and ask the engine before each."""
    site = make_site(tables=tables, monthly_checks_by="owner")
    co2 = make_model(agent=Agent.CARBON_DIOXIDE.value, construction=Construction.SELF_EXPELLING.value)
    for n in range(6):
        unit = make_unit(
            site, made=Stamp.of(2019 + n % 4, 1 + n), refresh=False, model=co2 if n % 3 == 2 else None
        )
        for task in (Task.MAINTENANCE, Task.RECHARGE, Task.INTERNAL_EXAMINATION, Task.HYDROSTATIC_TEST):
            make_record(
                unit, task, Stamp.of(2026, 1 + 2 * n % 11, 3 + n), refresh=task is Task.HYDROSTATIC_TEST
            )
    found = next(bundles_of([site], now=NOW, figures=DEFAULTS, fixed={}, months=24))
    tables_now = rulebooks({site.pk})[site.pk].tables
    units = {unit.unit_id: unit for unit in unit_inputs(Unit.objects.values_list("pk", flat=True))}
    done: dict[int, list[Done]] = {pk: [] for pk in units}
    assert found.bundle.trips
    late = []
    for trip in found.bundle.trips:
        for pk, unit in units.items():
            owed = engine.obligations(unit.facts, (*unit.history, *done[pk]), tables_now, trip.on)
            late += [
                (unit.unit_id, item.task, item.latest, trip.on)
                for task, item in engine.binding(owed).items()
                if task is not Task.VISUAL_INSPECTION
                and item.is_overdue(trip.on)
                # What was late before anybody could go is done on the first trip.
                and not (item.latest < found.days[0] and trip is found.bundle.trips[0])
            ]
        for work in trip.works:
            for pk in found.units_of[id(work.clock)]:
                if not work.is_covered:
                    done[pk].append(Done(work.clock.task, Stamp.on(trip.on)))
    assert late == []
    assert all(trip.margin_days >= 0 for trip in found.bundle.trips[1:])


@pytest.mark.parametrize(
    ("country", "region", "day"),
    [
        # 5 U.S.C. 6103(a): Independence Day, and Thanksgiving on the fourth Thursday in November.
        ("US", "", date(2027, 7, 4)),
        ("US", "KS", date(2026, 11, 26)),
        # Code du travail, article L3133-1: 14 July; from memory.
        ("FR", "", date(2027, 7, 14)),
        # Feiertagsgesetz of Bavaria, article 1: Epiphany; from memory.
        ("DE", "BY", date(2027, 1, 6)),
        # Republic Day of India, from memory.
        ("IN", "", date(2027, 1, 26)),
    ],
)
def test_public_holidays_are_those_of_the_law(country: str, region: str, day: date) -> None:
    found = public_holidays(country, region, day.year)
    assert found is not None
    assert day in found


def test_a_holiday_of_one_region_is_none_of_another() -> None:
    berlin = public_holidays("DE", "BE", 2027)
    assert berlin is not None
    assert date(2027, 1, 6) not in berlin
    assert public_holidays("US", "no such state", 2027) == public_holidays("US", "", 2027)
    assert public_holidays("", "", 2027) is None


def test_the_queries_do_not_grow_with_the_sites(django_assert_num_queries) -> None:
    for count in (1, 3):
        sites = [make_site() for _ in range(count)]
        for site in sites:
            make_record(
                make_unit(site, made=Stamp.of(2026, 1), refresh=False), done=Stamp.on(TODAY - timedelta(300))
            )
        # units, what is owed, hours, agreed terms; owners of sites, adoptions, variations; blackouts
        with django_assert_num_queries(8):
            assert len(list(bundles_of(sites, now=NOW, figures=DEFAULTS, fixed={}))) == count
