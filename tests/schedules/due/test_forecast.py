"""What falls due month by month: counts by site, task and table, rolled forward."""

from __future__ import annotations

from datetime import date

import pytest

from inventory.access import EVERYTHING, NOTHING, Scope
from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp
from inventory.register.models import Site
from schedules.due.forecast import By, Key, forecast, forecast_units
from schedules.rulebook.services import vary_rule
from tests.factories import NOW, make_model, make_owner, make_record, make_site, make_unit, make_user

pytestmark = pytest.mark.django_db
KEY = "us-osha-1910-157"


def checked_unit(site, day=10, **fields):
    unit = make_unit(site, refresh=False, **fields)
    for task in (Task.VISUAL_INSPECTION, Task.MAINTENANCE):
        make_record(unit, task, Stamp.of(2026, 3, day), refresh=False)
    return unit


def test_months_sites_tasks_and_tables_are_counted():
    site, other = make_site(name="Here", city="Port Calder", region="KS"), make_site(name="There", city="Ame")
    ids = [checked_unit(site, 10).pk, checked_unit(site, 20).pk, checked_unit(other, 20).pk]
    found = forecast(ids, now=NOW, years=2)
    assert (found.start, found.end, found.units) == (date(2026, 11, 25), date(2028, 11, 24), 3)
    assert len(found.months) == 25
    assert found.counts == {
        Key(date(2027, 3, 1), site.pk, Task.MAINTENANCE, KEY, "2026-1"): 2,
        Key(date(2027, 3, 1), other.pk, Task.MAINTENANCE, KEY, "2026-1"): 1,
        Key(date(2028, 3, 1), site.pk, Task.MAINTENANCE, KEY, "2026-1"): 2,
        Key(date(2028, 3, 1), other.pk, Task.MAINTENANCE, KEY, "2026-1"): 1,
        Key(date(2028, 3, 1), site.pk, Task.INTERNAL_EXAMINATION, KEY, "2026-1"): 2,
        Key(date(2028, 3, 1), other.pk, Task.INTERNAL_EXAMINATION, KEY, "2026-1"): 1,
    }
    assert found.by_month()[date(2027, 3, 1)] == {Task.MAINTENANCE: 3}
    assert found.by_month()[date(2027, 4, 1)] == {}
    assert found.tasks == [Task.MAINTENANCE, Task.INTERNAL_EXAMINATION]
    assert found.by_year(By.SITE) == {"Here": {2027: 2, 2028: 4}, "There": {2027: 1, 2028: 2}}
    assert found.by_year(By.CITY) == {"Port Calder": {2027: 2, 2028: 4}, "Ame": {2027: 1, 2028: 2}}
    assert set(found.by_year(By.REGION)) == {"KS, US", "US"}
    assert set(found.by_year(By.OWNER)) == {site.owner.name, other.owner.name}
    assert found.by_year(By.TASK) == {"Maintenance": {2027: 3, 2028: 3}, "Internal examination": {2028: 3}}
    assert found.by_year(By.TABLE) == {f"{KEY} 2026-1": {2027: 3, 2028: 6}}
    assert found.tables == {(KEY, "2026-1")}
    assert found.total == 9


def test_the_owners_own_looks_are_not_our_work():
    ours = make_site(monthly_checks_by=Site.MonthlyChecks.FIRM)
    theirs = make_site(monthly_checks_by=Site.MonthlyChecks.OWNER)
    looks = [
        sum(
            n
            for key, n in forecast([checked_unit(s).pk], now=NOW, years=1).counts.items()
            if key.task == "visual_inspection"
        )
        for s in (ours, theirs)
    ]
    assert looks == [12, 0]


def test_what_is_owed_and_what_is_unknown_stand_in_the_first_month():
    site = make_site()
    owed = make_unit(site, refresh=False)
    unknown = make_unit(site, refresh=False, made=Stamp.unknown())
    found = forecast([owed.pk, unknown.pk], now=NOW, years=1)
    first = date(2026, 11, 1)
    assert dict(found.owed) == {Key(first, site.pk, Task.MAINTENANCE, KEY, "2026-1"): 1}
    assert found.unknown[Key(first, site.pk, Task.MAINTENANCE, KEY, "2026-1")] == 1
    assert found.unknown[Key(first, site.pk, Task.HYDROSTATIC_TEST, KEY, "2026-1")] == 1


def test_an_end_of_life_is_a_replacement_that_is_looked_after():
    # NFPA 10: a non-refillable unit leaves service 12 years after manufacture, from the shipped table.
    site = make_site(tables=("us-nfpa-10",))
    unit = checked_unit(site, model=make_model(is_refillable=False), made=Stamp.of(2015, 6))
    found = forecast([unit.pk], now=NOW, years=3)
    ends = [key.month for key in found.counts if key.task is Task.RETIREMENT]
    assert ends == [date(2027, 6, 1)]
    maintained = sorted(key.month for key in found.counts if key.task is Task.MAINTENANCE)
    assert maintained == [date(2027, 3, 1), date(2028, 6, 1), date(2029, 6, 1)]


def test_planned_visits_can_take_the_place_of_targets():
    unit = checked_unit(make_site())
    planned = {(unit.pk, Task.MAINTENANCE): date(2027, 1, 20), (999_999, Task.MAINTENANCE): date(2027, 1, 1)}
    found = forecast([unit.pk], now=NOW, years=2, planned=planned)
    months = sorted(key.month for key in found.counts if key.task is Task.MAINTENANCE)
    assert months == [date(2027, 1, 1), date(2028, 1, 1)]


def test_a_variation_counts():
    unit = checked_unit(make_site())
    vary_rule(
        KEY,
        "maintenance",
        {"every": "P6M"},
        by=make_user("manager"),
        at=NOW,
        reason="r",
        reference="r",
        site=unit.site,
    )
    found = forecast([unit.pk], now=NOW, years=2, tasks=frozenset({Task.MAINTENANCE}))
    assert sorted(key.month for key in found.counts) == [
        date(2026, 11, 1), date(2027, 5, 1), date(2027, 11, 1), date(2028, 5, 1)
    ]  # fmt: skip


def test_only_what_the_reader_may_see():
    owner = make_owner()
    mine, other = make_unit(make_site(owner)), make_unit(make_site(region="KS"))
    gone = make_unit(mine.site, state="condemned")
    assert list(forecast_units(EVERYTHING)) == [mine, other]
    assert gone not in forecast_units(EVERYTHING)
    assert list(forecast_units(Scope(owner_ids=frozenset({owner.pk})))) == [mine]
    assert list(forecast_units(NOTHING)) == []
    assert list(forecast_units(EVERYTHING, owner=owner)) == [mine]
    assert list(forecast_units(EVERYTHING, site=other.site)) == [other]
    assert list(forecast_units(EVERYTHING, region="KS")) == [other]
    assert list(forecast_units(EVERYTHING, city="Nowhere")) == []


def test_the_horizon_is_one_to_ten_years():
    for years in (0, 11):
        with pytest.raises(ValueError, match="1 to 10 years"):
            forecast([], now=NOW, years=years)
    assert forecast([], now=NOW, years=10).total == 0


def test_the_cost_in_queries_does_not_grow_with_the_units(django_assert_num_queries):
    site = make_site()
    ids = [checked_unit(site).pk for _ in range(3)]
    for wanted in (ids[:1], ids):
        # records, units, sites, owners of sites, adoptions, variations
        with django_assert_num_queries(6):
            forecast(wanted, now=NOW, years=1)
