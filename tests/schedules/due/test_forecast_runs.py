"""Forecasts in the background: the same counts as at once, slice by slice, once."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.utils import timezone

from inventory.access import EVERYTHING
from inventory.measures.stamps import Stamp
from schedules.due import forecast_runs
from schedules.due.forecast import By, forecast, forecast_units
from schedules.due.models import ForecastRun
from schedules.visits.queries import planned_days
from tests.factories import NOW, TODAY, make_record, make_site, make_unit, make_user, make_visit
from tests.servicedesk.page_cast import make_cast

pytestmark = pytest.mark.django_db
WANTED = {
    "years": 3,
    "pace": "target",
    "task": "",
    "owner": None,
    "site": None,
    "depot": None,
    "region": "",
    "city": "",
}


@pytest.fixture
def units(monkeypatch):
    monkeypatch.setattr(forecast_runs, "SLICE", 2)
    monkeypatch.setattr(forecast_runs, "nudge", lambda run_id: None)
    site, other = make_site(), make_site(city="Elsewhere")
    units = [make_unit(site) for _ in range(3)] + [make_unit(other) for _ in range(2)]
    for unit in units[:4]:
        make_record(unit, done=Stamp.of(2026, 2, 3))
    return units


def ask(**changed):
    return forecast_runs.ask({**WANTED, **changed}, by=make_user("dispatcher"), now=NOW)


def roll(run):
    slices = 0
    while forecast_runs.work_on(run.pk, planned_of=planned_days):
        slices += 1
    run.refresh_from_db()
    return slices


def test_slices_give_the_counts_that_one_look_gives(units):
    run = ask()
    assert roll(run) == 2
    assert (run.units_done, run.units_total) == (5, 5)
    at_once = forecast([unit.pk for unit in units], now=NOW, years=3)
    found = forecast_runs.told(run)
    assert found.by_month() == at_once.by_month()
    assert found.owed.total() == at_once.owed.total()
    assert found.unknown.total() == at_once.unknown.total()
    for by in By:
        assert found.by_year(by) == at_once.by_year(by), by


def test_planned_visits_move_what_they_hold_and_places_narrow_it(units):
    make_visit(units[0].site, [units[0]], planned_on=TODAY + timedelta(days=40))
    run = ask(pace="planned", site=units[0].site.pk)
    roll(run)
    rows = forecast_units(EVERYTHING, site=units[0].site)
    at_once = forecast(rows.values_list("pk", flat=True), now=NOW, years=3, planned=planned_days(rows))
    assert forecast_runs.told(run).by_month() == at_once.by_month()


def test_asking_again_meets_the_same_run_until_the_day_ends(units):
    run = ask()
    assert ask() == run
    assert ask(years=4) != run
    assert forecast_runs.ask(WANTED, by=make_user("manager"), now=NOW + timedelta(days=1)) != run


def test_a_worker_that_died_is_taken_over_and_nothing_counts_twice(units):
    run = ask()
    forecast_runs.work_on(run.pk, planned_of=planned_days)
    ForecastRun.objects.update(claimed_until=timezone.now() + timedelta(minutes=1))
    assert forecast_runs.waiting_runs(timezone.now()) == []
    assert not forecast_runs.work_on(run.pk, planned_of=planned_days)
    ForecastRun.objects.update(claimed_until=timezone.now() - timedelta(minutes=1))
    assert forecast_runs.waiting_runs(timezone.now()) == [run.pk]
    roll(run)
    assert run.units_done == 5


def test_it_can_be_stopped_and_goes_on_when_asked_again(units):
    run = ask()
    forecast_runs.work_on(run.pk, planned_of=planned_days)
    forecast_runs.stop(run)
    assert roll(run) == 0
    assert run.units_done == 2
    ask()
    roll(run)
    assert run.units_done == 5
    assert run.finished_at is not None


def test_old_runs_are_forgotten(units):
    ask()
    assert forecast_runs.waiting_runs(NOW + timedelta(days=8)) == []
    assert not ForecastRun.objects.exists()


def test_the_page_rolls_many_units_in_the_background_and_then_shows_them(units, monkeypatch):
    monkeypatch.setattr("servicedesk.desk.forecast.MOST_UNITS", 3)
    cast = make_cast()
    page = cast.get("dispatcher", "desk:forecast", years="2", by="city")
    assert b"0 of 7 units" in page.content
    run = ForecastRun.objects.get()
    stopped = cast.client("dispatcher").post("/desk/forecast/?years=2&by=city", {"run": str(run.public_id)})
    assert stopped["Location"] == "/desk/forecast/?years=2&by=city"
    cast.get("dispatcher", "desk:forecast", years="2", by="city")
    roll(run)
    done = cast.get("dispatcher", "desk:forecast", years="2", by="city").content.decode()
    assert "Elsewhere" in done
    assert "Rolled in the background" in done
    file = b"".join(
        cast.get("dispatcher", "desk:forecast", years="2", by="city", **{"as": "csv"}).streaming_content
    )
    assert file.decode("utf-8-sig").startswith("month,task,table")
