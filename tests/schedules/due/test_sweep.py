"""Sweeps: whole batches, only what differs, the same answers one by one and in columns."""

from __future__ import annotations

import random
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.logbook.services import NewRecord, add_records
from inventory.measures.kinds import Task, TestMethod
from inventory.measures.stamps import Stamp
from inventory.register.models import Location, Site, Unit
from inventory.register.services import facts_changed, set_state
from schedules.due import services, sweep
from schedules.due.models import Freshness, Obligation
from schedules.due.queries import attach_why, explain
from schedules.due.services import Refresh, refresh_stale, refresh_units, stale_unit_ids
from schedules.engine import Knowledge
from schedules.rulebook.services import adopt_table
from tests.factories import NOW, make_location, make_model, make_record, make_site, make_unit
from tests.schedules.engine.fleets import random_stamp

pytestmark = pytest.mark.django_db

TOMORROW = NOW + timedelta(days=1)
COMPARED = (
    "unit_id",
    "site_id",
    "table_key",
    "table_version",
    "task",
    "rule_id",
    "earliest_on",
    "target_on",
    "latest_on",
    "knowledge",
    "is_deferred",
    "is_binding",
)


def stored() -> set[tuple[Any, ...]]:
    """Every obligation as it is stored, apart from its id and when it was computed."""
    return set(Obligation.objects.values_list(*COMPARED))


def make_many(count: int, *, seed: int = 1) -> list[Unit]:
    """Units of several kinds, places, rulebooks and histories, with nothing computed yet."""
    chance = random.Random(seed)
    sites = [
        make_site(tables=("us-osha-1910-157", "us-49cfr-180-209")),
        make_site(tables=("us-nfpa-10",), time_zone="Pacific/Auckland"),
        make_site(tables=("gb-bs-5306-3", "gb-mgn-276"), time_zone="Europe/London"),
        make_site(tables=("it-uni-9994-1", "fr-nf-s-61-919"), time_zone="Europe/Rome"),
        make_site(tables=("cn-gb-50444",), time_zone="Asia/Shanghai"),
    ]
    models = [
        make_model(),
        make_model(agent="carbon_dioxide", construction="self_expelling", shell="alloy_steel_seamless",
                   cylinder_spec="3AA1800", water_capacity_ml=6700),
        make_model(agent="afff", charge_mass_g=None, charge_volume_ml=6000),
        make_model(agent="unknown", construction="unknown", shell="unknown"),
    ]  # fmt: skip
    units: list[Unit] = []
    for _ in range(count):
        site = chance.choice(sites)
        place = make_location(site, environment=chance.choice(["normal", "vehicle", "outdoor"]))
        made = random_stamp(chance, 2008, 2024)
        commissioned = date(2025, 1, 1 + len(units) % 28) if chance.random() < 0.5 else None
        units.append(
            make_unit(
                site,
                model=chance.choice(models),
                location=place if chance.random() < 0.9 else None,
                made=made,
                commissioned_on=commissioned,
                refresh=False,
            )
        )
    tasks = [Task.MAINTENANCE, Task.RECHARGE, Task.HYDROSTATIC_TEST, Task.VISUAL_INSPECTION]
    add_records(
        [
            NewRecord(
                unit_id=unit.pk,
                task=chance.choice(tasks).value,
                outcome=chance.choice(["passed", "passed", "failed", "not_found"]),
                done=random_stamp(chance, 2010, 2025),
                received_at=NOW,
                method=chance.choice(list(TestMethod)).value,
                site_id=unit.site_id,
            )
            for unit in units
            for _ in range(chance.randrange(5))
        ]
    )
    return units


def fresh_rows() -> set[tuple[Any, ...]]:
    return set(
        Freshness.objects.values_list(
            "unit", "recheck_on", "rulebook_digest", "doubt_until", "is_unspoken", "facts_revision"
        )
    )


@pytest.fixture
def in_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let even a handful of units go through the columns."""
    monkeypatch.setattr(sweep, "SMALL", 0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_columns_and_the_scalar_engine_store_the_same(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    units = make_many(120, seed=seed)
    ids = [unit.pk for unit in units]
    monkeypatch.setattr(sweep, "SMALL", 10**9)
    one_by_one = refresh_units(ids, now=NOW)
    want, fresh = stored(), fresh_rows()
    assert {True, False} == {row[3] is None for row in fresh}
    assert one_by_one.one_by_one == len(ids)
    Obligation.objects.all().delete()
    Freshness.objects.all().delete()
    monkeypatch.setattr(sweep, "SMALL", 0)
    found = refresh_units(ids, now=NOW)
    assert found.one_by_one < len(ids) / 2
    assert stored() == want
    assert fresh_rows() == fresh


def test_what_is_stored_is_what_the_engine_explains() -> None:
    units = make_many(30)
    refresh_stale(now=NOW)
    said = {
        (unit_id, item.table_key, item.task.value, item.rule_id, item.latest, item.knowledge.value)
        for unit_id, items in explain([unit.pk for unit in units], NOW).items()
        for item in items
        if item.knowledge is not Knowledge.EXEMPT
    }
    names = ("unit_id", "table_key", "task", "rule_id", "latest_on", "knowledge")
    assert set(Obligation.objects.values_list(*names)) == said


@pytest.mark.usefixtures("in_columns")
def test_a_second_run_finds_nothing_stale_and_writes_nothing() -> None:
    make_many(20)
    first = refresh_stale(now=NOW)
    assert (first.computed, first.removed) == (20, 0)
    assert first.written == Obligation.objects.count() > 0
    before = set(Obligation.objects.values_list("pk", "computed_at"))
    assert stale_unit_ids(now=NOW) == []
    assert refresh_stale(now=NOW + timedelta(hours=1)) == Refresh()
    again = refresh_units(Unit.objects.values_list("pk", flat=True), now=NOW + timedelta(hours=1))
    assert (again.computed, again.written, again.removed) == (20, 0, 0)
    assert set(Obligation.objects.values_list("pk", "computed_at")) == before
    assert set(Freshness.objects.values_list("computed_at", flat=True)) == {NOW}


@pytest.mark.usefixtures("in_columns")
def test_a_night_touches_only_what_changed() -> None:
    units = [make_unit(made=Stamp.of(2022, 3)) for _ in range(4)]
    refresh_stale(now=NOW)
    make_record(units[2], Task.MAINTENANCE, Stamp.on(date(2026, 11, 24)), refresh=False)
    assert stale_unit_ids(now=TOMORROW) == [units[2].pk]
    untouched = set(Obligation.objects.exclude(unit=units[2]).values_list("pk", "computed_at"))
    done = refresh_stale(now=TOMORROW)
    # The yearly maintenance moves, and the monthly look with it; test and examination stay.
    moved = Obligation.objects.filter(computed_at=TOMORROW)
    assert done.computed == 1
    assert done.written == moved.count() > 0
    assert set(moved.values_list("unit", flat=True)) == {units[2].pk}
    row = Obligation.objects.get(unit=units[2], task=Task.MAINTENANCE)
    assert row.latest_on == date(2027, 11, 24)
    assert set(Obligation.objects.exclude(unit=units[2]).values_list("pk", "computed_at")) == untouched


@pytest.mark.usefixtures("in_columns")
def test_a_night_touches_what_crossed_a_date() -> None:
    """A record of tomorrow counts from tomorrow on, without anybody writing anything."""
    unit, other = make_unit(refresh=False), make_unit(refresh=False)
    make_record(unit, Task.MAINTENANCE, Stamp.on(date(2026, 11, 26)), refresh=False)
    refresh_stale(now=NOW)
    assert Freshness.objects.get(unit=unit).recheck_on == date(2026, 11, 26)
    assert Freshness.objects.get(unit=other).recheck_on is None
    assert stale_unit_ids(now=NOW) == []
    assert stale_unit_ids(now=TOMORROW) == [unit.pk]
    assert refresh_stale(now=TOMORROW).computed == 1
    assert Obligation.objects.get(unit=unit, task=Task.MAINTENANCE).latest_on == date(2027, 11, 26)


@pytest.mark.parametrize("small", [0, 100])
def test_a_date_that_lies_ahead_is_in_doubt_until_it_has_come(
    small: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where no table speaks of the unit, which then has no obligation to look again at."""
    monkeypatch.setattr(sweep, "SMALL", small)
    unit, bare = make_unit(refresh=False), make_unit(make_site(tables=()), refresh=False)
    for one in (unit, bare):
        make_record(one, Task.MAINTENANCE, Stamp.on(date(2026, 11, 26)), refresh=False)
    refresh_stale(now=NOW)
    rows = Freshness.objects.order_by("unit").values_list("doubt_until", "recheck_on", "is_unspoken")
    ahead = (date(2026, 11, 25), date(2026, 11, 26))
    assert list(rows.all()) == [(*ahead, False), (*ahead, True)]
    refresh_stale(now=TOMORROW)
    assert list(rows.all()) == [(None, None, False), (None, None, True)]


def test_the_day_that_is_crossed_is_that_of_the_site() -> None:
    """At 09:00 UTC it is already the 26th in Kiritimati, and still the 24th in Pago Pago."""
    now = datetime(2026, 11, 25, 10, 30, tzinfo=UTC)
    east = make_unit(make_site(time_zone="Pacific/Kiritimati"), refresh=False)
    west = make_unit(make_site(time_zone="Pacific/Pago_Pago"), refresh=False)
    for unit in (east, west):
        make_record(unit, Task.MAINTENANCE, Stamp.on(date(2026, 11, 26)), refresh=False)
    refresh_stale(now=now)
    rows = Obligation.objects.filter(task=Task.MAINTENANCE)
    assert rows.get(unit=east).latest_on == date(2027, 11, 26)
    assert rows.get(unit=west).latest_on != date(2027, 11, 26)


class Crash(Exception):
    pass


@pytest.mark.django_db(transaction=True)
def test_a_crash_in_the_middle_leaves_whole_batches(monkeypatch: pytest.MonkeyPatch) -> None:
    units = make_many(9)
    monkeypatch.setattr(services, "BATCH", 3)
    monkeypatch.setattr(sweep, "SMALL", 0)
    keep, calls = sweep._keep_fresh, []

    def crashing(*args: Any) -> None:
        calls.append(args)
        if len(calls) == 2:
            raise Crash  # the obligations of this batch are written, its freshness is not
        keep(*args)

    monkeypatch.setattr(sweep, "_keep_fresh", crashing)
    with pytest.raises(Crash):
        refresh_stale(now=NOW)
    ids = [unit.pk for unit in units]
    assert set(Freshness.objects.values_list("unit", flat=True)) == set(ids[:3])
    assert set(Obligation.objects.values_list("unit", flat=True)) == set(ids[:3])
    assert stale_unit_ids(now=NOW) == ids[3:]

    assert refresh_stale(now=NOW).computed == 6
    assert stale_unit_ids(now=NOW) == []
    assert set(Obligation.objects.values_list("unit", flat=True)) == set(ids)


@pytest.mark.usefixtures("in_columns")
def test_facts_that_move_while_a_batch_is_worked_out_leave_the_unit_stale() -> None:
    moved, still = make_unit(refresh=False), make_unit(refresh=False)
    worked = sweep.work_out([moved.pk, still.pk], now=NOW)
    facts_changed([moved.pk])
    put = sweep.put_away(worked, now=NOW)
    assert put.settled == 1
    assert set(Obligation.objects.values_list("unit", flat=True)) == {still.pk}
    assert stale_unit_ids(now=NOW) == [moved.pk]


@pytest.mark.parametrize("small", [0, 100])
def test_units_that_are_gone_lose_their_obligations(small: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sweep, "SMALL", small)
    unit, other = make_unit(), make_unit()
    set_state(unit, Unit.State.CONDEMNED)
    assert stale_unit_ids(now=NOW) == [unit.pk]
    done = refresh_stale(now=NOW)
    assert (done.computed, done.written) == (0, 0)
    assert done.removed == Obligation.objects.filter(unit=other).count() > 0
    assert set(Obligation.objects.values_list("unit", flat=True)) == {other.pk}
    assert stale_unit_ids(now=NOW) == []


@pytest.mark.usefixtures("in_columns")
def test_a_table_that_is_adopted_or_withdrawn_adds_and_removes_its_rows() -> None:
    unit, other = make_unit(), make_unit()
    adoption = adopt_table("gb-bs-5306-3", site=unit.site, at=NOW)
    assert stale_unit_ids(now=NOW) == [unit.pk]
    refresh_stale(now=NOW)
    keys = Obligation.objects.filter(unit=unit).values_list("table_key", flat=True)
    assert set(keys) == {"us-osha-1910-157", "gb-bs-5306-3"}
    type(adoption).objects.filter(pk=adoption.pk).update(withdrawn_at=NOW)
    assert refresh_stale(now=NOW).removed > 0
    assert set(keys.all()) == {"us-osha-1910-157"}
    assert stale_unit_ids(now=NOW) == []
    assert other.pk in set(Obligation.objects.values_list("unit", flat=True))


@pytest.mark.parametrize("small", [0, 100])
def test_an_unknown_manufacture_date_is_due_now_and_stands_still(
    small: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sweep, "SMALL", small)
    unit = make_unit(made=Stamp.unknown("painted over"), refresh=False)
    # Late in the evening of the 1st in Chicago it is already the 2nd in UTC: the site's own day counts.
    Unit.objects.filter(pk=unit.pk).update(created_at=datetime(2026, 3, 2, 4, 30, tzinfo=UTC))
    for now in (NOW, NOW + timedelta(days=1), NOW + timedelta(days=40)):
        refresh_stale(now=now)
        row = Obligation.objects.get(unit=unit, task=Task.HYDROSTATIC_TEST)
        assert row.knowledge == Knowledge.UNKNOWN_BASIS
        assert (row.earliest_on, row.target_on, row.latest_on) == (date(2026, 3, 1),) * 3
        assert row.computed_at == NOW


@pytest.mark.parametrize("small", [0, 100])
def test_a_unit_that_no_rule_covers_is_a_finding(small: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sweep, "SMALL", small)
    unit = make_unit(
        model=make_model(agent="unknown", construction="unknown", shell="unknown"), refresh=False
    )
    refresh_stale(now=NOW)
    row = Obligation.objects.get(unit=unit, task=Task.HYDROSTATIC_TEST)
    assert (row.knowledge, row.rule_id, row.latest_on) == (Knowledge.UNCOVERED, "", None)
    attach_why([row], NOW)
    assert any("This is a finding, not a pass." in line for line in row.why)


@pytest.mark.parametrize("small", [0, 100])
def test_a_record_that_was_corrected_does_not_count(small: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sweep, "SMALL", small)
    unit = make_unit(refresh=False)
    make_record(unit, Task.MAINTENANCE, Stamp.on(date(2026, 5, 4)), refresh=False)
    wrong = make_record(unit, Task.MAINTENANCE, Stamp.on(date(2026, 9, 9)), refresh=False)
    refresh_stale(now=NOW)
    rows = Obligation.objects.filter(unit=unit, task=Task.MAINTENANCE)
    assert rows.get().latest_on == date(2027, 9, 9)
    make_record(unit, Task.MAINTENANCE, wrong.done, outcome="void", corrects_id=wrong.pk,
                correction_reason="Another unit", refresh=False)  # fmt: skip
    refresh_stale(now=NOW)
    assert rows.get().latest_on == date(2027, 5, 4)


@pytest.mark.usefixtures("in_columns")
def test_a_full_unit_that_may_stay_is_marked_and_does_not_bind_before_others() -> None:
    """49 CFR 180.209(a)(1): a cylinder filled before its date may stay full past it."""
    model = make_model(agent="carbon_dioxide", construction="self_expelling", shell="alloy_steel_seamless",
                       cylinder_spec="3AA1800", water_capacity_ml=6700)  # fmt: skip
    site = make_site(tables=("us-49cfr-180-209",))
    unit = make_unit(site, model=model, made=Stamp.of(2015, 3), refresh=False)
    refresh_stale(now=NOW)
    row = Obligation.objects.get(unit=unit, table_key="us-49cfr-180-209")
    assert (row.latest_on < NOW.date(), row.is_deferred) == (True, True)


@pytest.mark.parametrize("count", [1, 25])
def test_a_batch_costs_the_same_queries_however_large(count: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sweep, "SMALL", 0)
    site = make_site()
    units = [make_unit(site, refresh=False) for _ in range(count)]
    with CaptureQueriesContext(connection) as captured:
        refresh_units([unit.pk for unit in units], now=NOW)
    # Units, adoptions, variations, owners of the sites, time zones, build data, records; the revision
    # again, what is stored, the tallies and what their sites hold; obligations in, tallies in, freshness
    # in. PostgreSQL takes the lock of all refreshes too.
    # Savepoints lie around the batch within the transaction of the refresh.
    kinds = [query["sql"].split()[0].upper() for query in captured if "SAVEPOINT" not in query["sql"]]
    assert kinds.count("SELECT") == 11 + (connection.vendor == "postgresql")
    assert len([kind for kind in kinds if kind != "SELECT"]) == 3


@pytest.mark.parametrize("count", [1, 5])
def test_reasons_cost_the_same_queries_however_many_rows(count: int, django_assert_num_queries: Any) -> None:
    site = make_site()
    for _ in range(count):
        make_unit(site)
    rows = list(Obligation.objects.all())
    # Records, units, adoptions, variations, owners of the sites.
    with django_assert_num_queries(5):
        attach_why(rows, NOW)
    assert all(row.why and row.basis_text for row in rows)


def test_reasons_of_a_stale_row_say_that_the_date_moves() -> None:
    unit = make_unit()
    row = Obligation.objects.get(unit=unit, task=Task.MAINTENANCE)
    make_record(unit, Task.MAINTENANCE, Stamp.on(date(2026, 11, 24)), refresh=False)
    attach_why([row], NOW)
    assert row.why[0] == "The stored date is out of date and is worked out again soon."
    assert any("2027-11-24" in line for line in row.why)


def test_reasons_of_a_unit_that_is_gone_are_empty() -> None:
    unit = make_unit()
    row = Obligation.objects.filter(unit=unit)[0]
    set_state(unit, Unit.State.DISPOSED)
    attach_why([row], NOW)
    assert (list(row.why), row.basis_text) == ([], "")


def test_moving_a_unit_to_another_site_moves_its_rows() -> None:
    unit = make_unit()
    there = make_location(make_site(tables=("gb-bs-5306-3",)))
    Unit.objects.filter(pk=unit.pk).update(site=there.site, location=there)
    facts_changed([unit.pk])
    refresh_stale(now=NOW)
    assert set(Obligation.objects.filter(unit=unit).values_list("site", "table_key")) == {
        (there.site_id, "gb-bs-5306-3")
    }
    assert Site.objects.count() == 2
    assert Location.objects.filter(site=there.site).count() == 1


def test_nothing_to_do_is_done_at_once() -> None:
    assert refresh_units([], now=NOW) == Refresh()
    assert refresh_stale(now=NOW) == Refresh()
