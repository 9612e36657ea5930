"""Recording units and closing a visit: counts reconcile, dates move, nothing is half written."""

from __future__ import annotations

import uuid
from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError

from inventory.errors import Conflict
from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import broken_links
from inventory.measures.kinds import Agent, Construction, Shell, Task
from inventory.register.models import Placement, Unit
from schedules.due.models import Obligation
from schedules.visits.closing import Closing, close_visit
from schedules.visits.models import Visit, VisitEntry
from schedules.visits.recording import EntryInput, add_entry, tally
from tests.factories import NOW, TODAY, make_model, make_record, make_site, make_unit, make_user, make_visit

pytestmark = pytest.mark.django_db

GAUGE = (
    {"quantity": "gauge_pressure", "value": "195", "unit": "psi"},
    {"quantity": "ambient_temperature", "value": "70", "unit": "°F"},
)


def entry(unit, result="serviced", **fields):
    fields.setdefault("client_ref", uuid.uuid4())
    if result == "serviced":
        fields.setdefault("tasks", ("maintenance",))
        fields.setdefault("readings", GAUGE)
    if result in ("failed", "no_access"):
        fields.setdefault("remarks", "Seen and written down")
    return EntryInput(unit=unit, result=result, **fields)


@pytest.fixture
def technician():
    return make_user("technician")


@pytest.fixture
def site():
    return make_site()


def closing(visit, **changes):
    counts = tally(VisitEntry.objects.filter(visit=visit))
    return Closing(counts={**counts, **changes}, contact_name="R. Example")


def test_closing_writes_records_and_moves_the_dates(site, technician):
    unit = make_unit(site)
    make_record(unit, Task.MAINTENANCE)
    before = Obligation.objects.get(unit=unit, task=Task.MAINTENANCE).latest_on
    visit = make_visit(site, [unit], technician=technician)
    add_entry(visit, entry(unit), by=technician, now=NOW)
    closed = close_visit(visit, closing(visit), by=technician, now=NOW)
    assert closed.state == Visit.State.CLOSED
    assert closed.done_on == TODAY
    record = ServiceRecord.objects.get(unit=unit, visit_ref=visit.public_id)
    assert (record.task, record.outcome, record.done_first) == ("maintenance", "passed", TODAY)
    reading = record.readings.get(quantity="gauge_pressure")
    assert (reading.entered_value, reading.entered_unit, reading.verdict) == ("195", "psi", "inside")
    after = Obligation.objects.get(unit=unit, task=Task.MAINTENANCE).latest_on
    assert after > before
    assert after >= date(2027, 11, 25)
    assert visit.jobs.get().record == record
    assert broken_links(unit) == []


@pytest.mark.parametrize(
    ("result", "moved_to"), [("not_found", None), ("no_access", None), ("failed", TODAY)]
)
def test_a_unit_that_was_not_passed_stays_due(site, technician, result, moved_to):
    unit = make_unit(site)
    make_record(unit, Task.MAINTENANCE)
    before = Obligation.objects.get(unit=unit, task=Task.MAINTENANCE).latest_on
    visit = make_visit(site, [unit], technician=technician)
    add_entry(visit, entry(unit, result), by=technician, now=NOW)
    close_visit(visit, closing(visit), by=technician, now=NOW)
    # A failed unit is due again on the day it failed; one that nobody saw stays as it was.
    assert Obligation.objects.get(unit=unit, task=Task.MAINTENANCE).latest_on == (moved_to or before)
    assert ServiceRecord.objects.get(visit_ref=visit.public_id).outcome == result


def test_counts_that_differ_close_nothing(site, technician):
    units = [make_unit(site) for _ in range(2)]
    visit = make_visit(site, units, technician=technician)
    add_entry(visit, entry(units[0]), by=technician, now=NOW)
    add_entry(visit, entry(units[1], "not_found"), by=technician, now=NOW)
    with pytest.raises(Conflict) as refused:
        close_visit(visit, closing(visit, serviced=2, not_found=0), by=technician, now=NOW)
    assert refused.value.code == "counts_do_not_reconcile"
    assert refused.value.extra["counts"] == {
        "serviced": {"stated": 2, "recorded": 1},
        "not_found": {"stated": 0, "recorded": 1},
    }
    visit.refresh_from_db()
    assert visit.state == Visit.State.UNDER_WAY
    assert not ServiceRecord.objects.filter(visit_ref=visit.public_id).exists()


def test_a_unit_without_a_result_keeps_the_visit_open(site, technician):
    units = [make_unit(site) for _ in range(2)]
    visit = make_visit(site, units, technician=technician)
    add_entry(visit, entry(units[0]), by=technician, now=NOW)
    with pytest.raises(Conflict) as refused:
        close_visit(visit, closing(visit), by=technician, now=NOW)
    assert refused.value.code == "units_without_result"
    assert refused.value.extra["units"] == [units[1].number]
    visit.refresh_from_db()
    assert visit.state == Visit.State.UNDER_WAY


def test_a_closed_visit_is_not_closed_again(site, technician):
    unit = make_unit(site)
    visit = make_visit(site, [unit], technician=technician)
    add_entry(visit, entry(unit), by=technician, now=NOW)
    close_visit(visit, closing(visit), by=technician, now=NOW)
    with pytest.raises(Conflict, match="already closed"):
        close_visit(visit, closing(visit), by=technician, now=NOW)
    with pytest.raises(Conflict, match="nothing more can be recorded"):
        add_entry(visit, entry(unit), by=technician, now=NOW)
    assert ServiceRecord.objects.filter(visit_ref=visit.public_id).count() == 1


def test_a_resent_entry_is_stored_once(site, technician):
    unit = make_unit(site)
    visit = make_visit(site, [unit], technician=technician)
    sent = entry(unit)
    first, is_new = add_entry(visit, sent, by=technician, now=NOW)
    again, is_new_again = add_entry(visit, sent, by=technician, now=NOW + timedelta(minutes=5))
    assert (is_new, is_new_again) == (True, False)
    assert first == again
    assert VisitEntry.objects.count() == 1


def test_a_reference_with_other_content_is_a_conflict(site, technician):
    unit = make_unit(site)
    visit = make_visit(site, [unit], technician=technician)
    sent = entry(unit)
    add_entry(visit, sent, by=technician, now=NOW)
    with pytest.raises(Conflict, match="already used"):
        add_entry(visit, entry(unit, "not_found", client_ref=sent.client_ref), by=technician, now=NOW)
    assert VisitEntry.objects.get().result == "serviced"


def test_the_last_entry_of_a_unit_counts(site, technician):
    unit = make_unit(site)
    visit = make_visit(site, [unit], technician=technician)
    add_entry(visit, entry(unit, "not_found"), by=technician, now=NOW)
    add_entry(visit, entry(unit), by=technician, now=NOW)
    close_visit(visit, Closing(counts={"serviced": 1}, contact_name="R. Example"), by=technician, now=NOW)
    assert ServiceRecord.objects.get(visit_ref=visit.public_id).outcome == "passed"


def test_a_pass_needs_the_measured_value(site, technician):
    unit = make_unit(site)
    visit = make_visit(site, [unit], technician=technician)
    with pytest.raises(ValidationError, match="gauge pressure"):
        add_entry(visit, entry(unit, readings=()), by=technician, now=NOW)
    assert not VisitEntry.objects.exists()


def test_carbon_dioxide_is_passed_on_its_mass(site, technician):
    model = make_model(
        agent=Agent.CARBON_DIOXIDE.value,
        construction=Construction.SELF_EXPELLING.value,
        shell=Shell.ALUMINIUM.value,
        charge_mass_g=5000,
        full_mass_g=14200,
    )
    unit = make_unit(site, model=model)
    visit = make_visit(site, [unit], technician=technician)
    # 10.2 % of the charge gone (46 CFR 91.25-20 says over 10 %: recharge), 3.6 % of the gross mass
    light = ({"quantity": "gross_mass", "value": "13.69", "unit": "kg"},)
    with pytest.raises(ValidationError, match="Record the unit as failed"):
        add_entry(visit, entry(unit, readings=light), by=technician, now=NOW)
    exact = ({"quantity": "gross_mass", "value": "13.70", "unit": "kg"},)
    row, _ = add_entry(visit, entry(unit, readings=exact), by=technician, now=NOW)
    assert row.result == "serviced"


def test_an_impossible_reading_is_refused(site, technician):
    unit = make_unit(site)
    visit = make_visit(site, [unit], technician=technician)
    high = ({"quantity": "gauge_pressure", "value": "1950", "unit": "bar"},)
    with pytest.raises(ValidationError, match="wrong unit"):
        add_entry(visit, entry(unit, readings=high), by=technician, now=NOW)


def test_a_unit_of_another_site_is_refused(site, technician):
    elsewhere = make_unit(make_site())
    visit = make_visit(site, [make_unit(site)], technician=technician)
    with pytest.raises(ValidationError, match="does not belong to"):
        add_entry(visit, entry(elsewhere), by=technician, now=NOW)


def test_a_replaced_unit_leaves_and_its_successor_hangs_in_its_place(site, technician):
    unit = make_unit(site)
    location, model = unit.location, make_model()
    visit = make_visit(site, [unit], technician=technician)
    new = {"model": str(model.public_id), "serial": "N-1", "made": "2026-05"}
    add_entry(visit, entry(unit, "replaced", replacement=new), by=technician, now=NOW)
    close_visit(visit, closing(visit), by=technician, now=NOW)
    unit.refresh_from_db()
    assert (unit.state, unit.site, unit.location) == (Unit.State.WITHDRAWN, None, None)
    assert not Obligation.objects.filter(unit=unit).exists()
    successor = Placement.objects.get(location=location, is_open=True).unit
    assert (successor.serial, str(successor.made), successor.state) == ("N-1", "2026-05", "in_service")
    assert Obligation.objects.filter(unit=successor).exists()


def test_a_replaced_unit_leaves_the_other_visits_it_was_planned_on(site, technician):
    unit, other = make_unit(site), make_unit(site)
    first = make_visit(site, [unit], technician=technician)
    second = make_visit(site, [unit, other], technician=technician, tasks=(Task.HYDROSTATIC_TEST,))
    new = {"model": str(make_model().public_id), "serial": "N-1", "made": "2026-05"}
    add_entry(first, entry(unit, "replaced", replacement=new), by=technician, now=NOW)
    close_visit(first, closing(first), by=technician, now=NOW)
    add_entry(second, entry(other, "not_found"), by=technician, now=NOW)
    close_visit(second, closing(second), by=technician, now=NOW)
    second.refresh_from_db()
    assert second.state == Visit.State.CLOSED
    assert list(first.jobs.values_list("unit", flat=True)) == [unit.pk]


def test_a_removed_unit_is_in_the_workshop_and_still_due(site, technician):
    unit = make_unit(site)
    visit = make_visit(site, [unit], technician=technician)
    add_entry(visit, entry(unit, "removed"), by=technician, now=NOW)
    close_visit(visit, closing(visit), by=technician, now=NOW)
    unit.refresh_from_db()
    assert (unit.state, unit.site_id, unit.location) == (Unit.State.IN_WORKSHOP, site.pk, None)
    assert Obligation.objects.filter(unit=unit, task=Task.MAINTENANCE).exists()


@pytest.mark.parametrize(
    ("done_on", "says"),
    [
        (TODAY + timedelta(days=1), "lies in the future"),
        (TODAY - timedelta(days=61), "more than 60 days ago"),
    ],
)
def test_a_day_that_cannot_be_is_refused(site, technician, done_on, says):
    unit = make_unit(site)
    visit = make_visit(site, [unit], technician=technician)
    add_entry(visit, entry(unit), by=technician, now=NOW)
    with pytest.raises(ValidationError, match=says):
        close_visit(
            visit,
            Closing(counts={"serviced": 1}, done_on=done_on, contact_name="R. E."),
            by=technician,
            now=NOW,
        )
    visit.refresh_from_db()
    assert visit.state == Visit.State.UNDER_WAY


def test_closing_costs_no_query_per_unit(site, technician, django_assert_max_num_queries):
    def one_visit(count):
        units = [make_unit(site) for _ in range(count)]
        visit = make_visit(site, units, technician=technician)
        for unit in units:
            add_entry(visit, entry(unit), by=technician, now=NOW)
        return visit

    small, large = one_visit(1), one_visit(6)
    with django_assert_max_num_queries(60) as captured:
        close_visit(small, closing(small), by=technician, now=NOW)
    few = len(captured)
    with django_assert_max_num_queries(few):
        close_visit(large, closing(large), by=technician, now=NOW)
