"""Tallies say what counting every row says: after sweeps, as days pass, and when something is amiss."""

from __future__ import annotations

import random
from collections import Counter
from datetime import date, datetime, timedelta

import pytest
from django.db import connection
from django.db.models import F, QuerySet
from django.test.utils import CaptureQueriesContext

from inventory.access import EVERYTHING, Scope
from inventory.logbook.services import NewRecord, add_records
from inventory.measures.stamps import Stamp
from inventory.register.models import Site, Unit
from inventory.register.services import facts_changed
from schedules.due import sweep
from schedules.due.models import Obligation, SiteTally
from schedules.due.queries import DueWanted, Status, Work, due_list, standings, status_counts, zone_days
from schedules.due.services import refresh_stale, refresh_units
from schedules.due.stood import Stood, count_sites
from schedules.due.tallies import (
    COLUMNS,
    FARTHEST_DAYS,
    GRAVITY,
    GRAVITY_OF,
    ROUND_HOURS,
    Tallied,
    advance,
    is_tallied,
    look_over,
    month_number,
    recount,
    tallied_counts,
    units_moved,
)
from tests.factories import NOW, make_owner, make_site, make_unit
from tests.schedules.due.test_sweep import make_many

pytestmark = pytest.mark.django_db

WORKS = (Work.OURS, Work.OWNERS)


def kept() -> dict[int, tuple[int, ...]]:
    """What the tallies hold, by site."""
    return {row[0]: row[1:] for row in SiteTally.objects.values_list("pk", *COLUMNS)}


def assert_true(now: datetime) -> None:
    """The tallies hold what counting every row gives, and are on the day that they say."""
    found = kept()
    days = {tally.site_id: tally.counted_on for tally in SiteTally.objects.all()}
    for site in Site.objects.all():
        assert days[site.pk] == zone_days(now)[site.time_zone]
        rows = Obligation.objects.filter(site=site, is_binding=True)
        plain = status_counts(rows.exclude(task="visual_inspection"), now)
        looks = status_counts(rows.filter(task="visual_inspection"), now)
        assert found[site.pk] == (*plain.values(), *looks.values()), site.pk
        assert units_kept(site) == [
            units_live(rows.exclude(task="visual_inspection"), now),
            units_live(rows, now),
        ]
        months: Counter[int] = Counter()
        floor = month_number(zone_days(now)[site.time_zone])
        for task, latest_on in rows.exclude(latest_on=None).values_list("task", "latest_on"):
            months[max(month_number(latest_on), floor)] += 1 if task != "visual_inspection" else 1000
        listed: Counter[int] = Counter()
        for month, tasks, looks in site.tally.coming:
            listed[max(month, floor)] += tasks + 1000 * looks
        until = site.tally.coming_until
        assert until > floor + 12
        assert listed == {month: number for month, number in months.items() if month < until}


def units_kept(site: Site) -> list[list[int]]:
    """Units by gravity as the tally has them: the looks left out, then counted."""
    return [[getattr(site.tally, f"{p}_{name}") for name in GRAVITY] for p in ("unit", "whole")]


def units_live(rows: QuerySet[Obligation], now: datetime) -> list[int]:
    """The same, counted over every row."""
    found = [0] * len(GRAVITY)
    for standing in standings(rows, "unit_id", now).values():
        found[min(GRAVITY_OF[status] for status in standing.counts)] += 1
    return found


def live(wanted: DueWanted, now: datetime, scope: Scope = EVERYTHING) -> dict[Status, int]:
    return status_counts(due_list(scope, wanted), now)


@pytest.mark.parametrize("small", [0, 10**9])
def test_a_sweep_leaves_true_tallies_in_any_order_of_units(
    small: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sweep, "SMALL", small)
    units = make_many(60, seed=4)
    random.Random(4).shuffle(units)
    for start in range(0, len(units), 17):
        refresh_units([unit.pk for unit in units[start : start + 17]], now=NOW)
    assert_true(NOW)
    assert sum(map(sum, kept().values())) == Obligation.objects.filter(is_binding=True).count() > 100
    # Records, a move to another site, and units that leave.
    done = [
        NewRecord(unit_id=u.pk, task="maintenance", outcome="passed", done=Stamp.on(date(2026, 11, 20)),
                  received_at=NOW, site_id=u.site_id)
        for u in units[:9]
    ]  # fmt: skip
    add_records(done)
    moved = units[10]
    other = Site.objects.exclude(pk=moved.site_id).order_by("pk")[0]
    Unit.objects.filter(pk=moved.pk).update(site=other, location=None, facts_revision=F("facts_revision") + 1)
    Unit.objects.filter(pk=units[11].pk).update(
        state=Unit.State.CONDEMNED, facts_revision=F("facts_revision") + 1
    )
    refresh_stale(now=NOW)
    assert_true(NOW)


def test_tallies_follow_the_days_one_by_one_and_over_gaps() -> None:
    make_many(40, seed=5)
    refresh_stale(now=NOW)
    before = kept()
    day = 0
    for gap in (1, 1, 2, 7, FARTHEST_DAYS, FARTHEST_DAYS + 1, 90, 1):
        day += gap
        now = NOW + timedelta(days=day)
        # The passing of days alone, before any date is worked out anew.
        advance(now)
        assert_true(now)
        assert advance(now) == 0
    assert kept() != before
    # A clock set back is counted anew.
    advance(NOW)
    assert_true(NOW)


def test_a_unit_is_counted_by_the_gravest_of_its_tasks_on_every_day() -> None:
    site = make_site()
    today = zone_days(NOW)[site.time_zone]
    # Days from now to the latest date: maintenance, recharge, the monthly look.
    for days in ((3, 40, 1), (200, 33, 60), (5, -2, 4), (34, 2, 400), (3, 3, 3), (60, 36, 400)):
        unit = make_unit(site, refresh=False)
        for task, ahead in zip(("maintenance", "recharge", "visual_inspection"), days, strict=True):
            Obligation.objects.create(
                unit=unit, site=site, table_key="a", table_version="1", task=task, rule_id="r",
                knowledge="unknown_basis" if ahead == 33 else "known", computed_at=NOW,
                latest_on=today + timedelta(days=ahead), target_on=today + timedelta(days=max(ahead - 9, -9)),
                is_deferred=ahead == 40,
            )  # fmt: skip
    recount([site.pk], now=NOW)
    for days in range(1, FARTHEST_DAYS + 1):
        # Read before the sweep has come: carried on for the reader, and as every row says.
        later = NOW + timedelta(days=days)
        moved = units_moved([site.pk], today, today + timedelta(days=days)).get(site.pk, (0,) * 8)
        plain, whole = units_kept(site)
        now = [number + more for number, more in zip([*plain, *whole], moved, strict=True)]
        rows = Obligation.objects.filter(site=site)
        assert now == units_live(rows.exclude(task="visual_inspection"), later) + units_live(rows, later)
        assert count_sites([site], later)[site.pk] == Stood(sum(now[:4]), now[3], now[2], now[0], now[1])
    seen = set()
    for days in (0, 1, 2, 3, 5, 6, 7, 10, 20, 41):
        assert advance(NOW + timedelta(days=days)) == (days > 0)
        site = Site.objects.get(pk=site.pk)
        assert_true(NOW + timedelta(days=days))
        seen.add(str(units_kept(site)))
    assert len(seen) == 6


def test_a_target_long_before_its_latest_date_turns_work_due_on_its_day() -> None:
    site = make_site()
    unit = make_unit(site)
    today = zone_days(NOW)[site.time_zone]
    Obligation.objects.filter(unit=unit, task="maintenance").update(
        target_on=today + timedelta(days=3), latest_on=today + timedelta(days=200), knowledge="known"
    )
    recount([site.pk], now=NOW)
    for days in range(1, 6):
        advance(NOW + timedelta(days=days))
        assert_true(NOW + timedelta(days=days))


def test_figures_are_those_of_counting_every_row_whatever_the_tallies_lack() -> None:
    make_many(40, seed=6)
    refresh_stale(now=NOW)
    sites = list(Site.objects.order_by("pk"))
    Site.objects.filter(pk=sites[0].pk).update(monthly_checks_by=Site.MonthlyChecks.FIRM)
    SiteTally.objects.filter(pk=sites[1].pk).delete()
    later = NOW + timedelta(days=40)  # the tallies stay behind
    for now in (NOW, later):
        for scope in (EVERYTHING, Scope(owner_ids=frozenset({sites[0].owner_id}))):
            for work in WORKS:
                for wanted in (
                    DueWanted(work=work),
                    DueWanted(work=work, owner=sites[0].owner),
                    DueWanted(work=work, site=sites[2]),
                ):
                    assert is_tallied(wanted)
                    assert tallied_counts(scope, wanted, now) == live(wanted, now, scope)
        stand = standings(due_list(EVERYTHING, DueWanted()), "site_id", now)
        worst = sorted(
            stand,
            key=lambda pk: (
                -stand[pk].counts.get(Status.OVERDUE, 0), -stand[pk].counts.get(Status.UNKNOWN, 0), pk
            ),
        )  # fmt: skip
        found = Tallied(EVERYTHING, DueWanted(), now).gravest(3)
        assert list(found) == worst[:3]
        assert found == {pk: stand[pk] for pk in worst[:3]}
    assert not is_tallied(DueWanted(task="recharge"))
    assert not is_tallied(DueWanted(work=Work.ALL))


def test_a_wrong_tally_is_counted_anew_when_it_shows() -> None:
    site = make_site()
    unit = make_unit(site)
    SiteTally.objects.filter(pk=site.pk).update(**dict.fromkeys(COLUMNS, 0))
    Unit.objects.filter(pk=unit.pk).update(state=Unit.State.CONDEMNED)
    facts_changed([unit.pk])
    refresh_units([unit.pk], now=NOW)
    recount([site.pk], now=NOW)
    assert_true(NOW)
    make_unit(site)
    SiteTally.objects.filter(pk=site.pk).update(in_date=0, due=0, look_in_date=0, look_due=0)
    advance(NOW + timedelta(days=FARTHEST_DAYS))
    recount([site.pk], now=NOW)
    assert_true(NOW)


def test_every_tally_is_looked_over_in_its_turn(caplog: pytest.LogCaptureFixture) -> None:
    sites = [make_site(), make_site()]
    for site in sites:
        make_unit(site)
    hours = [NOW + timedelta(hours=n) for n in range(ROUND_HOURS)]
    turns = {
        site.pk: next(h for h in hours if int(h.timestamp() // 3600) % ROUND_HOURS == site.pk % ROUND_HOURS)
        for site in sites
    }
    now = turns[sites[0].pk]
    # By then the sweep has been at work.
    refresh_stale(now=now)
    assert look_over(now) == 0
    assert not caplog.records
    SiteTally.objects.filter(pk=sites[0].pk).update(unit_overdue=F("unit_overdue") + 1)
    assert look_over(turns[sites[1].pk]) == 0
    assert look_over(now) == 1
    assert [record.args for record in caplog.records] == [([sites[0].pk],)]
    advance(now)
    assert_true(now)
    # One of yesterday is old, not wrong.
    SiteTally.objects.filter(pk=sites[0].pk).update(counted_on=now.date() - timedelta(days=3), due=7)
    assert look_over(now) == 0
    assert_true(now)


def test_reading_costs_the_same_queries_however_many_sites() -> None:
    costs = []
    for number in (1, 4):
        for _ in range(number):
            make_unit(make_site(owner=make_owner()))
        advance(NOW)
        with CaptureQueriesContext(connection) as captured:
            tallied = Tallied(EVERYTHING, DueWanted(), NOW)
            tallied.counts()
            tallied.gravest(8)
        costs.append(len(captured))
    # Time zones, sites behind, sums, sites; the gravest, time zones, how they stand.
    assert costs == [7, 7]
