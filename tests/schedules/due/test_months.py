"""How sites stood month by month: counted tonight, worked out for the past."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from inventory.access import EVERYTHING, Scope
from inventory.measures.stamps import Stamp
from inventory.register.models import Unit
from schedules.due.models import SiteMonth
from schedules.due.months import fill_months, months_of, worked_out, write_months
from schedules.due.stood import Stood, count_sites
from tests.factories import NOW, TODAY, make_record, make_site, make_unit

pytestmark = pytest.mark.django_db


def mixed_site():
    """A site with a unit that stands each way, and one that is away and so does not count."""
    site = make_site()
    make_record(make_unit(site, made=Stamp.of(2025, 3), refresh=False), done=Stamp.of(2026, 3, 1))
    make_record(make_unit(site, made=Stamp.of(2025, 3), refresh=False), done=Stamp.of(2025, 12, 1))
    make_unit(site, made=Stamp.of(2022, 3))
    make_unit(site, made=Stamp.unknown())
    make_unit(site, state=Unit.State.IN_WORKSHOP)
    return site


def test_the_twin_says_of_today_what_the_stored_obligations_say():
    site, bare = mixed_site(), make_site(tables=())
    make_unit(bare)
    for one in (site, bare):
        assert worked_out(one, [TODAY])[TODAY] == count_sites([one], NOW)[one.pk]
    stood = count_sites([site], NOW)[site.pk]
    assert (stood.units, stood.in_date, stood.due, stood.overdue) == (4, 1, 1, 1)
    assert count_sites([bare], NOW)[bare.pk] == Stood(1, unknown=1)


def test_a_past_day_knows_only_what_was_recorded_by_then():
    site = make_site()
    unit = make_unit(site, made=Stamp.of(2024, 3), refresh=False)
    make_record(unit, done=Stamp.of(2024, 6, 1))
    make_record(unit, done=Stamp.of(2025, 9, 1))
    days = [date(2024, 1, 31), date(2024, 12, 31), date(2025, 8, 31), date(2025, 12, 31)]
    found = worked_out(site, days)
    assert [found[day] for day in days] == [
        Stood(0),  # not made yet
        Stood(1, in_date=1),
        Stood(1, overdue=1),  # a year after June 2024 had passed, September 2025 was to come
        Stood(1, in_date=1),
    ]


def test_the_night_writes_the_running_month_and_fills_a_year_once(django_assert_num_queries):
    site = mixed_site()
    assert write_months(NOW) == 1
    assert fill_months(NOW) == 0
    rows = {row.month: row for row in SiteMonth.objects.all()}
    assert len(rows) == 14
    now = rows.pop(date(2026, 11, 1))
    assert (now.counted_on, now.is_worked_out, now.units) == (TODAY, False, 4)
    assert all(row.is_worked_out and row.counted_on.month == month.month for month, row in rows.items())
    with django_assert_num_queries(2):  # who lacks a month, and how many still do
        assert fill_months(NOW) == 0
    # Next day one more is overdue; the month is written again, not doubled.
    write_months(NOW + timedelta(days=20))
    assert SiteMonth.objects.filter(site=site).count() == 15
    lines = months_of(EVERYTHING, NOW)
    assert lines[-1].stood.units == 4 or lines[-1].month == date(2026, 12, 1)
    assert months_of(Scope(), NOW) == []


def test_a_sum_that_does_not_add_up_is_refused_by_the_database():
    from django.db import IntegrityError, transaction

    with pytest.raises(IntegrityError), transaction.atomic():
        SiteMonth.objects.create(
            site=make_site(),
            month=TODAY.replace(day=1),
            counted_on=TODAY,
            units=3,
            in_date=1,
            due=0,
            overdue=0,
            unknown=0,
        )


def test_what_the_index_does_not_find_is_counted_row_by_row(monkeypatch):
    from inventory.register.models import Site
    from schedules.due import stood
    from schedules.due.models import Obligation, SiteTally
    from schedules.due.tallies import recount

    site, firm = mixed_site(), make_site(monthly_checks_by=Site.MonthlyChecks.FIRM)
    make_unit(firm, made=Stamp.of(2025, 3))
    sites = [site, firm]
    recount([one.pk for one in sites], now=NOW)
    asked: list[list[int]] = []
    slow = stood._row_by_row
    monkeypatch.setattr(stood, "_row_by_row", lambda ids, now: asked.append(list(ids)) or slow(ids, now))
    quick = count_sites(sites, NOW)
    assert asked == []
    SiteTally.objects.all().delete()
    assert count_sites(sites, NOW) == quick
    assert asked.pop() == [one.pk for one in sites]
    # A target long before its latest date lies beyond the index.
    unit = Unit.objects.filter(site=site, state="in_service").order_by("pk")[0]
    rows = Obligation.objects.filter(unit=unit, task="maintenance")
    rows.update(target_on=TODAY - timedelta(days=1), latest_on=TODAY + timedelta(days=200))
    Obligation.objects.filter(unit=unit).exclude(task="maintenance").delete()
    recount([one.pk for one in sites], now=NOW)
    assert count_sites(sites, NOW)[site.pk].due == quick[site.pk].due + 1
    assert asked == [[site.pk]]
