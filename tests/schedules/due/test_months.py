"""How sites stood month by month: counted tonight, worked out for the past."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from inventory.access import EVERYTHING, Scope
from inventory.measures.stamps import Stamp
from inventory.register.models import Unit
from schedules.due.models import SiteMonth
from schedules.due.months import coming_months, fill_months, months_of, worked_out, write_months
from schedules.due.stood import Stood, count_sites
from schedules.due.tallies import month_number
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


def test_tallies_say_of_hanging_units_what_every_row_says(monkeypatch):
    from inventory.register.models import Site
    from schedules.due import stood
    from schedules.due.models import Obligation, SiteTally
    from schedules.due.tallies import recount

    site, firm = mixed_site(), make_site(monthly_checks_by=Site.MonthlyChecks.FIRM)
    make_unit(firm, made=Stamp.of(2025, 3))
    unruled = make_unit(firm, made=Stamp.of(2025, 3))
    Obligation.objects.filter(unit=unruled).delete()
    sites = [site, firm]
    recount([one.pk for one in sites], now=NOW)
    asked: list[list[int]] = []
    slow = stood._row_by_row
    monkeypatch.setattr(stood, "_row_by_row", lambda ids, now: asked.append(list(ids)) or slow(ids, now))
    quick = count_sites(sites, NOW)
    assert quick[firm.pk].unknown == 1
    # One that is late goes away, one whose date is unknown is not found: no date moved, no tally either.
    late = Obligation.objects.filter(site=site, latest_on__lt=TODAY, knowledge="known").exclude(
        unit__state=Unit.State.IN_WORKSHOP
    )[0]
    Unit.objects.filter(pk=late.unit_id).update(state=Unit.State.IN_WORKSHOP)
    less = count_sites(sites, NOW)
    assert (less[site.pk].overdue, less[site.pk].units) == (0, 3)
    assert asked == []
    # A tally of a later day or a month ago, or none, is not believed.
    SiteTally.objects.filter(site=firm).update(counted_on=TODAY - timedelta(days=30))
    SiteTally.objects.filter(site=site).delete()
    assert count_sites(sites, NOW) == less
    assert asked.pop() == [one.pk for one in sites]
    recount([site.pk], now=NOW + timedelta(days=1))
    assert count_sites(sites, NOW) == less
    assert asked.pop() == [one.pk for one in sites]
    # A target long before its latest date turns work due on its day.
    rows = Obligation.objects.filter(site=site, unit__state="in_service", task="maintenance")
    rows.update(knowledge="known", target_on=TODAY, latest_on=TODAY + timedelta(days=200))
    Obligation.objects.filter(site=site).exclude(task="maintenance").delete()
    recount([one.pk for one in sites], now=NOW)
    assert count_sites(sites, NOW)[site.pk] == Stood(3, due=3)
    rows.update(target_on=TODAY + timedelta(days=1))
    recount([one.pk for one in sites], now=NOW)
    assert count_sites(sites, NOW)[site.pk] == Stood(3, in_date=3)
    assert asked == []
    assert count_sites(sites, NOW + timedelta(days=1))[site.pk] == Stood(3, due=3)
    assert asked.pop() == [site.pk]
    # A unit was taken away whose rows are still there: more units with a task than hang.
    Unit.objects.filter(pk=rows[0].unit_id).update(site=None, location=None, state=Unit.State.IN_STOCK)
    assert count_sites(sites, NOW)[site.pk] == Stood(2, in_date=2)
    assert asked.pop() == [site.pk]


def test_what_is_coming_is_the_same_off_tallies_and_off_rows():
    from inventory.register.models import Site
    from schedules.due.models import Obligation, SiteTally
    from schedules.due.services import refresh_stale
    from schedules.due.tallies import recount

    site, firm = mixed_site(), make_site(monthly_checks_by=Site.MonthlyChecks.FIRM)
    for year in range(2019, 2026):
        make_unit(firm, made=Stamp.of(year, 1 + year % 12, 7))
    refresh_stale(now=NOW)
    first = TODAY.replace(day=1)
    mine = Scope(owner_ids=frozenset({firm.owner_id}))
    found = coming_months(EVERYTHING, first, 12)
    assert len(found) > 3
    assert coming_months(EVERYTHING, first, 12, site=site) == found - coming_months(mine, first, 12)
    rows = Obligation.objects.ours().filter(is_binding=True, latest_on__lt=date(2027, 11, 1))
    assert sum(found.values()) == rows.count()
    assert found[first] == rows.filter(latest_on__lt=date(2026, 12, 1)).count() > 0
    # A tally that does not reach so far is not asked, nor is one that is missing.
    SiteTally.objects.filter(site=site).update(coming_until=12 * 2027 + 9, coming=[])
    SiteTally.objects.filter(site=firm).delete()
    assert coming_months(EVERYTHING, first, 12) == found
    # Months pass: what was coming is late, and a tally that runs out is counted anew in time.
    recount([site.pk, firm.pk], now=NOW)
    for months in (1, 14, 24, 36):
        now = NOW + timedelta(days=31 * months)
        refresh_stale(now=now)
        later = now.date().replace(day=1)
        kept = coming_months(EVERYTHING, later, 12)
        assert SiteTally.objects.filter(coming_until__gte=month_number(later) + 12).count() == 2
        SiteTally.objects.all().delete()
        assert coming_months(EVERYTHING, later, 12) == kept
        recount([site.pk, firm.pk], now=now)
