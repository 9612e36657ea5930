"""What the database says of a status is what ``status_on`` says, and lists are narrowed as asked."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from pytest_django.fixtures import DjangoAssertNumQueries

from inventory.access import EVERYTHING, Scope
from inventory.measures.kinds import Task
from inventory.register.models import Site, Unit
from schedules.due.models import Obligation
from schedules.due.queries import (
    DueWanted,
    Status,
    Work,
    due_list,
    past_latest,
    standings,
    status_case,
    status_counts,
    status_on,
    with_status,
    with_statuses,
)
from tests.factories import NOW, TODAY, make_owner, make_site, make_unit

pytestmark = pytest.mark.django_db

# One instant, two civil days.
LATE = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
ZONES = {
    "Pacific/Auckland": date(2026, 11, 25),
    "America/Chicago": date(2026, 11, 25),
    "Pacific/Honolulu": date(2026, 11, 24),
}


def owe(unit: Unit, task: str = Task.MAINTENANCE, table: str = "a", **fields: object) -> Obligation:
    fields = {"knowledge": "known", "is_binding": True, **fields}
    return Obligation.objects.create(
        unit=unit,
        site=unit.site,
        table_key=table,
        table_version="1",
        task=task,
        rule_id="r",
        computed_at=NOW,
        **fields,
    )


def bare_unit(site: Site | None = None) -> Unit:
    unit = make_unit(site or make_site(tables=()), refresh=False)
    Obligation.objects.filter(unit=unit).delete()
    return unit


def test_the_database_and_the_function_agree_on_every_status() -> None:
    tasks = list(Task)
    for zone, today in ZONES.items():
        assert LATE.astimezone(ZoneInfo(zone)).date() == today
        site = make_site(tables=(), time_zone=zone)
        for knowledge in ("known", "assumed_safe_side", "unknown_basis", "uncovered", "on_event", "exempt"):
            for days in (None, -400, -1, 0, 1, 30, 31, 400):
                unit = bare_unit(site)
                latest = None if days is None else today + timedelta(days=days)
                for position, ahead in enumerate((None, -1, 0, 1)):
                    target = None if ahead is None else today + timedelta(days=ahead)
                    owe(
                        unit,
                        tasks[position],
                        knowledge=knowledge,
                        latest_on=latest,
                        target_on=target,
                        is_deferred=days == -400,
                    )
    rows = Obligation.objects.select_related("site").annotate(stands=status_case(LATE))
    assert rows.count() == 3 * 6 * 8 * 4
    seen = set()
    for row in rows:
        expected = status_on(
            knowledge=row.knowledge,
            is_deferred=row.is_deferred,
            latest_on=row.latest_on,
            target_on=row.target_on,
            today=ZONES[row.site.time_zone],
        )
        assert row.stands == expected, (row.knowledge, row.latest_on, row.target_on)
        seen.add(expected)
    assert seen == set(Status)
    for status in Status:
        ids = set(Obligation.objects.filter(with_status(status, LATE)).values_list("pk", flat=True))
        assert ids == {row.pk for row in rows if row.stands == status}


def test_work_that_may_wait_until_the_next_filling_is_due_and_not_overdue() -> None:
    """49 CFR 180.205(c) as read by letters 09-0148 and 18-0117: a full cylinder may stay full."""
    unit = bare_unit()
    owe(unit, Task.REQUALIFICATION, latest_on=TODAY - timedelta(days=900), is_deferred=True)
    assert not Obligation.objects.filter(past_latest(LATE)).exists()
    assert Obligation.objects.filter(with_status(Status.DUE, LATE)).count() == 1


def test_counts_name_every_status_in_two_queries(django_assert_num_queries: DjangoAssertNumQueries) -> None:
    unit = bare_unit()
    owe(unit, Task.MAINTENANCE, latest_on=TODAY - timedelta(days=1))
    owe(unit, Task.RECHARGE, latest_on=TODAY - timedelta(days=1))
    owe(unit, Task.WEIGHING, latest_on=TODAY)
    with django_assert_num_queries(2):  # time zones, counts
        counts = status_counts(Obligation.objects.all(), NOW)
    assert counts == {
        Status.OVERDUE: 2,
        Status.DUE: 1,
        Status.IN_DATE: 0,
        Status.UNKNOWN: 0,
        Status.UNCOVERED: 0,
        Status.NO_DATE: 0,
    }


def test_a_unit_stands_as_its_gravest_task_does(django_assert_num_queries: DjangoAssertNumQueries) -> None:
    late, fine = bare_unit(), bare_unit()
    owe(late, Task.MAINTENANCE, latest_on=date(2026, 11, 1))
    owe(late, Task.RECHARGE, latest_on=date(2026, 10, 1))
    owe(late, Task.WEIGHING, latest_on=date(2026, 9, 1), knowledge="unknown_basis")
    owe(fine, Task.MAINTENANCE, latest_on=date(2027, 11, 1))
    with django_assert_num_queries(2):  # time zones, groups
        found = standings(Obligation.objects.all(), "unit_id", NOW)
    assert found[late.pk].worst is Status.OVERDUE
    assert found[late.pk].first_latest_on == date(2026, 10, 1)
    assert found[late.pk].counts == {Status.OVERDUE: 2, Status.UNKNOWN: 1}
    assert found[fine.pk].worst is Status.IN_DATE
    assert set(found) == {late.pk, fine.pk}


def test_statuses_can_be_asked_for_together() -> None:
    unit = bare_unit()
    overdue = owe(unit, Task.MAINTENANCE, latest_on=date(2026, 11, 1))
    owe(unit, Task.RECHARGE, latest_on=date(2027, 11, 1))
    uncovered = owe(unit, Task.WEIGHING, knowledge="uncovered")
    rows = with_statuses(Obligation.objects.all(), (Status.OVERDUE, Status.UNCOVERED), NOW)
    assert set(rows) == {overdue, uncovered}
    assert not with_statuses(Obligation.objects.all(), (), NOW).exists()


def test_whose_work_it_is_depends_on_who_makes_the_monthly_look() -> None:
    owners = bare_unit(make_site(tables=(), monthly_checks_by=Site.MonthlyChecks.OWNER))
    ours = bare_unit(make_site(tables=(), monthly_checks_by=Site.MonthlyChecks.FIRM))
    theirs = owe(owners, Task.VISUAL_INSPECTION, latest_on=TODAY)
    look = owe(ours, Task.VISUAL_INSPECTION, latest_on=TODAY)
    yearly = owe(owners, Task.MAINTENANCE, latest_on=TODAY)
    assert set(due_list(EVERYTHING, DueWanted())) == {look, yearly}
    assert set(due_list(EVERYTHING, DueWanted(work=Work.OWNERS))) == {theirs}
    assert set(due_list(EVERYTHING, DueWanted(work=Work.ALL))) == {theirs, look, yearly}


def test_one_row_per_task_unless_a_table_or_every_table_is_asked_for() -> None:
    unit = bare_unit()
    binds = owe(unit, table="a", latest_on=TODAY)
    other = owe(unit, table="b", latest_on=date(2027, 1, 1), is_binding=False)
    assert set(due_list(EVERYTHING, DueWanted())) == {binds}
    assert set(due_list(EVERYTHING, DueWanted(table_key="b"))) == {other}
    assert set(due_list(EVERYTHING, DueWanted(every_table=True))) == {binds, other}


def test_a_scope_narrows_the_due_list() -> None:
    mine, theirs = bare_unit(), bare_unit()
    own = owe(mine, latest_on=TODAY)
    owe(theirs, latest_on=TODAY)
    assert mine.site is not None
    owner = mine.site.owner
    assert set(due_list(Scope(owner_ids=frozenset({owner.pk})), DueWanted())) == {own}
    assert set(due_list(Scope(site_ids=frozenset({mine.site.pk})), DueWanted())) == {own}
    assert not due_list(Scope(owner_ids=frozenset({make_owner().pk})), DueWanted()).exists()
