"""Estimates from the logbook: temperatures, recharges, peers, and nothing done twice."""

from __future__ import annotations

import uuid
from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.condition.models import LeakEstimate, LeakPeers
from inventory.condition.queries import histories, measure_of
from inventory.condition.services import refresh_condition, stale_units
from inventory.logbook.services import NewReading, NewRecord, add_records
from inventory.measures.charge import gauge_at
from inventory.measures.kinds import Agent, Construction, Environment, Task
from inventory.measures.stamps import Stamp
from inventory.register.models import Location, Unit, UnitModel
from inventory.register.services import set_state
from tests.factories import NOW, make_location, make_model, make_site, make_unit

pytestmark = pytest.mark.django_db
BORN = date(2022, 3, 1)


@pytest.fixture
def powder() -> UnitModel:
    return make_model(
        agent=Agent.DRY_CHEMICAL_ABC, construction=Construction.STORED_PRESSURE, working_pressure_kpa=1500
    )


def read(
    unit: Unit,
    days: int,
    level: float,
    *,
    celsius: float | None = 20.0,
    task: Task = Task.MAINTENANCE,
) -> None:
    """Record a gauge that would show ``level`` of working pressure at 20 °C."""
    shown = gauge_at(level * 1500, from_c=20, to_c=20 if celsius is None else celsius)
    readings = [NewReading("gauge_pressure", f"{shown / 100:.2f}", "bar", shown)]
    if celsius is not None:
        readings.append(NewReading("ambient_temperature", f"{celsius:g}", "°C", celsius))
    on = BORN + timedelta(days)
    add_records(
        [
            NewRecord(
                unit.pk, task.value, "passed", Stamp.of(on.year, on.month, on.day), NOW,
                site_id=unit.site_id, location_id=unit.location_id, readings=tuple(readings),
            )
        ]
    )  # fmt: skip


def test_cold_and_hot_readings_of_a_sound_unit_show_no_leak(powder):
    unit = make_unit(model=powder)
    for days, celsius in ((0, 20), (365, -5), (730, 34)):
        read(unit, days, 1.0, celsius=celsius)
    refresh_condition(now=NOW)
    found = LeakEstimate.objects.get()
    assert found.own_loss == pytest.approx(0, abs=1e-4)
    assert found.measure == "pressure"
    assert found.readings == 3


def test_readings_before_a_recharge_are_not_mixed_with_those_after(powder):
    unit = make_unit(model=powder)
    read(unit, 0, 1.0)
    read(unit, 365, 0.93)
    read(unit, 370, 1.0, task=Task.RECHARGE)
    read(unit, 735, 0.99)
    [history] = histories([unit]).values()
    assert [round(one.level, 3) for one in history.levels] == [1.0, 0.99]
    assert [round(one.level, 3) for one in history.earlier] == [1.0, 0.93]
    assert history.since_on == BORN + timedelta(370)


def test_a_rise_nobody_wrote_down_counts_as_a_recharge(powder):
    unit = make_unit(model=powder)
    read(unit, 0, 0.90)
    read(unit, 365, 1.0)
    [history] = histories([unit]).values()
    assert len(history.levels) == 1


def test_a_reading_outdoors_without_temperature_is_left_out(powder):
    site = make_site()
    out: Location = make_location(site, environment=Environment.OUTDOOR.value)
    unit, inside = make_unit(site, model=powder, location=out), make_unit(site, model=powder)
    for one in (unit, inside):
        read(one, 0, 1.0)
        read(one, 365, 0.9, celsius=None)
    found = histories([unit, inside])
    assert len(found[unit.pk].levels) == 1
    assert [one.is_assumed_20c for one in found[inside.pk].levels] == [False, True]


def test_carbon_dioxide_is_followed_by_its_mass():
    model = make_model(
        agent=Agent.CARBON_DIOXIDE, construction=Construction.SELF_EXPELLING,
        charge_mass_g=5000, full_mass_g=14_200,
    )  # fmt: skip
    unit = make_unit(model=model)
    for year, gross in ((2023, 14_200), (2025, 14_000)):
        add_records(
            [
                NewRecord(
                    unit.pk, "weighing", "passed", Stamp.of(year, 6, 1), NOW, site_id=unit.site_id,
                    readings=(NewReading("gross_mass", str(gross / 1000), "kg", gross),),
                )
            ]
        )  # fmt: skip
    refresh_condition(now=NOW)
    found = LeakEstimate.objects.get()
    assert found.own_loss == pytest.approx(0.02, rel=0.01)
    assert found.limit == pytest.approx(0.9)
    assert measure_of(make_model(agent=Agent.CARBON_DIOXIDE, charge_mass_g=5000)) is None


def test_a_second_run_reads_nothing_and_writes_nothing(powder):
    units = [make_unit(model=powder) for _ in range(6)]
    for unit in units:
        read(unit, 0, 1.0)
        read(unit, 400, 0.985)
    first = refresh_condition(now=NOW)
    assert (first.read, first.written) == (6, 6)
    again = refresh_condition(now=NOW)
    assert (again.read, again.written) == (0, 0)
    read(units[0], 800, 0.97)
    assert stale_units() == [units[0].pk]
    assert refresh_condition(now=NOW).read == 1
    set_state(units[1], Unit.State.CONDEMNED)
    refresh_condition(now=NOW)
    assert LeakEstimate.objects.count() == 5


def test_a_leaky_model_is_flagged_and_its_units_reach_the_limit_first(powder):
    other = make_model(
        agent=Agent.DRY_CHEMICAL_ABC, construction=Construction.STORED_PRESSURE,
        working_pressure_kpa=1500, name="Other",
    )  # fmt: skip
    for number in range(8):
        for model, loss in ((powder, 0.002), (other, 0.03)):
            unit = make_unit(model=model)
            for days in (0, 365, 730, 1095):
                read(unit, days, 1 - loss * days / 365.25 + 0.004 * (-1) ** (number + days))
    refresh_condition(now=NOW)
    flagged = LeakPeers.objects.filter(is_flagged=True).get()
    assert flagged.model == other
    assert "more than its peers" in flagged.why
    leaky = LeakEstimate.objects.filter(model=other)
    sound = LeakEstimate.objects.filter(model=powder)
    assert all(one.loss_low <= one.loss <= one.loss_high for one in [*leaky, *sound])
    assert max(one.limit_early_on for one in leaky) < min(one.limit_early_on or date.max for one in sound)
    assert all(BORN < one.limit_early_on <= one.limit_on for one in leaky)


def test_the_number_of_queries_does_not_follow_the_number_of_units(powder):
    def queries(number: int) -> int:
        for _ in range(number):
            unit = make_unit(model=powder, number=f"U-{uuid.uuid4().hex[:8]}")
            read(unit, 0, 1.0)
            read(unit, 365, 0.99)
        with CaptureQueriesContext(connection) as caught:
            refresh_condition(now=NOW)
        return len(caught)

    assert queries(4) == queries(9)  # four make a group
