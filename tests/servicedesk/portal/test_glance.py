"""How premises stand: each unit counted once, in the database as in plain words."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from inventory.register.models import Site, Unit
from schedules.due.models import Obligation
from servicedesk.portal.glance import Class, Counts, counts_of, glances, no_units, unit_standings
from tests.factories import NOW, TODAY, make_site, make_unit

pytestmark = pytest.mark.django_db

LATE = TODAY - timedelta(days=1)
SOON = TODAY + timedelta(days=10)
FAR = TODAY + timedelta(days=400)

# Knowledge and latest day of the tasks of one unit, its state, and where it belongs.
CASES = [
    pytest.param([("known", FAR)], "in_service", Class.IN_DATE, id="far ahead"),
    pytest.param([("known", FAR), ("known", SOON)], "in_service", Class.DUE, id="one task soon"),
    pytest.param([("known", SOON), ("known", LATE)], "in_service", Class.OVERDUE, id="one task late"),
    pytest.param([("known", TODAY)], "in_service", Class.DUE, id="the latest day itself is not late"),
    pytest.param(
        [("unknown_basis", TODAY), ("known", FAR)], "in_service", Class.UNKNOWN, id="unknown is never fine"
    ),
    pytest.param(
        [("unknown_basis", TODAY), ("known", LATE)], "in_service", Class.OVERDUE, id="late beats unknown"
    ),
    pytest.param([("uncovered", None)], "in_service", Class.UNKNOWN, id="no rule"),
    pytest.param([("on_event", None)], "in_service", Class.IN_DATE, id="only on event"),
    pytest.param([], "in_service", Class.UNKNOWN, id="nothing stored"),
    pytest.param([("known", FAR)], "not_found", Class.EXCEPTION, id="not found"),
    pytest.param([("known", LATE)], "awaiting_recharge", Class.EXCEPTION, id="used or failed"),
    pytest.param([("known", LATE)], "in_workshop", Class.AWAY, id="in the workshop"),
]


def put(site: Site, tasks: list[tuple[str, date | None]], state: str) -> Unit:
    unit = make_unit(site, refresh=False, state=state)
    for position, (knowledge, latest_on) in enumerate(tasks):
        Obligation.objects.create(
            unit=unit,
            site=site,
            table_key="t",
            table_version="1",
            task=["maintenance", "hydrostatic_test"][position],
            rule_id="r",
            latest_on=latest_on,
            knowledge=knowledge,
            computed_at=NOW,
        )
    return unit


def only(expected: Class) -> Counts:
    return Counts({c: int(c is expected) for c in Class})


@pytest.mark.parametrize(("tasks", "state", "expected"), CASES)
def test_a_unit_belongs_to_one_class(
    tasks: list[tuple[str, date | None]], state: str, expected: Class
) -> None:
    site = make_site()
    unit = put(site, tasks, state)
    assert glances([site], NOW)[0].counts == only(expected)
    found = unit_standings([(unit.pk, unit.state)], site, NOW)
    assert found[unit.pk].unit_class is expected
    assert counts_of(found.values()) == only(expected)


def test_counts_add_up_over_all_cases_and_both_ways_agree() -> None:
    site = make_site()
    for case in CASES:
        put(site, *case.values[:2])  # type: ignore[arg-type]
    counts = glances([site], NOW)[0].counts
    assert counts.total == len(CASES)
    rows = list(Unit.objects.filter(site=site).values_list("pk", "state"))
    assert counts_of(unit_standings(rows, site, NOW).values()) == counts
    assert counts.wanting == 7
    assert counts + no_units() == counts


def test_a_unit_that_is_gone_is_not_counted() -> None:
    site = make_site()
    put(site, [("known", LATE)], "condemned")
    assert glances([site], NOW)[0].counts == no_units()
    assert glances([site], NOW)[0].counts.worst is None


def test_the_monthly_look_of_the_owners_people_does_not_count() -> None:
    site = make_site()
    unit = put(site, [("known", FAR)], "in_service")
    Obligation.objects.create(
        unit=unit,
        site=site,
        table_key="t",
        table_version="1",
        task="visual_inspection",
        rule_id="look",
        latest_on=LATE,
        knowledge="known",
        computed_at=NOW,
    )
    assert glances([site], NOW)[0].counts == only(Class.IN_DATE)
    site.monthly_checks_by = Site.MonthlyChecks.FIRM
    site.save()
    assert glances([site], NOW)[0].counts == only(Class.OVERDUE)


def test_each_site_is_judged_on_its_own_day() -> None:
    """At 20:00 UTC on the 24th it is the 25th in Auckland and still the 24th in Chicago."""
    evening = NOW.replace(day=24, hour=20)
    here = make_site(time_zone="America/Chicago", name="A")
    there = make_site(time_zone="Pacific/Auckland", name="B")
    for site in (here, there):
        put(site, [("known", date(2026, 11, 24))], "in_service")
    found = {line.site.name: line.counts for line in glances([here, there], evening)}
    assert found == {"A": only(Class.DUE), "B": only(Class.OVERDUE)}


def test_sites_stand_worst_first_then_by_name() -> None:
    sites = {name: make_site(name=name) for name in ("fine B", "fine A", "due", "unknown", "lost", "late")}
    put(sites["fine B"], [("known", FAR)], "in_service")
    put(sites["fine A"], [("known", FAR)], "in_service")
    put(sites["due"], [("known", SOON)], "in_service")
    put(sites["unknown"], [("unknown_basis", TODAY)], "in_service")
    put(sites["lost"], [("known", FAR)], "not_found")
    put(sites["late"], [("known", LATE)], "in_service")
    order = [line.site.name for line in glances(list(sites.values()), NOW)]
    assert order == ["late", "lost", "unknown", "due", "fine A", "fine B"]


def test_the_next_date_is_the_first_that_is_known() -> None:
    site = make_site()
    unit = put(site, [("unknown_basis", TODAY), ("known", LATE)], "in_service")
    found = unit_standings([(unit.pk, unit.state)], site, NOW)[unit.pk]
    assert (found.next_task, found.on) == ("Hydrostatic test", LATE)
    doubtful = put(site, [("unknown_basis", TODAY)], "in_service")
    found = unit_standings([(doubtful.pk, doubtful.state)], site, NOW)[doubtful.pk]
    assert (found.next_task, found.on) == ("Maintenance", None)


def test_no_sites_have_nothing_to_show() -> None:
    assert glances([], NOW) == []
