"""The list of units, one unit with its reasons and history, and correcting a record."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from pytest_django.fixtures import DjangoAssertNumQueries

from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import NewReading, NewRecord, add_records
from inventory.measures.kinds import Agent, Task
from inventory.measures.stamps import Stamp
from inventory.register.models import Unit
from inventory.register.services import facts_changed, hang_unit, set_state
from schedules.certificates.services import close_with_certificate
from schedules.due.models import Obligation
from schedules.due.services import refresh_units
from schedules.rulebook.services import adopt_table
from schedules.visits.closing import Closing
from schedules.visits.models import Visit
from schedules.visits.recording import EntryInput, add_entry
from servicedesk.pages import STANDING_LINE
from tests.factories import NOW, make_location, make_model, make_record, make_site, make_unit
from tests.servicedesk.page_cast import Cast, make_overdue_unit, make_serviced_unit, text_of

pytestmark = pytest.mark.django_db


def numbers(answer: Any) -> list[str]:
    return [line["unit"].number for line in answer.context["lines"]]


# --- the list --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ({}, ["U-100001", "U-200001"]),
        ({"q": "sn-quay"}, ["U-200001"]),
        ({"q": "quay street"}, ["U-200001"]),
        ({"q": "U-1"}, ["U-100001"]),
        ({"q": "no such"}, []),
        ({"state": "not_found"}, ["U-300001"]),
        ({"state": "gone"}, ["U-300002"]),
        ({"state": "all"}, ["U-100001", "U-200001", "U-300001", "U-300002"]),
        ({"agent": "carbon_dioxide", "state": "all"}, ["U-300001"]),
    ],
)
def test_units_are_searched_and_filtered(cast: Cast, query: dict[str, str], found: list[str]) -> None:
    co2 = make_model(agent=Agent.CARBON_DIOXIDE.value)
    set_state(make_unit(cast.site, model=co2, number="U-300001", serial="A"), Unit.State.NOT_FOUND)
    set_state(make_unit(cast.site, number="U-300002", serial="B"), Unit.State.CONDEMNED)
    if not query:
        found = [*found, "U-300001"]
    assert numbers(cast.get("dispatcher", "desk:units", **query)) == found


def test_a_whole_number_goes_straight_to_the_unit(cast: Cast) -> None:
    answer = cast.get("dispatcher", "desk:units", q="u-100001")
    assert answer.headers["Location"] == f"/desk/units/{cast.unit.public_id}/"


@pytest.mark.parametrize("text", ["\0", "a\0b", "U-100001\0"])
def test_what_no_text_can_hold_is_no_fault_of_the_server(cast: Cast, text: str) -> None:
    for name in ("desk:units", "desk:sites", "desk:visits", "find-everything"):
        assert cast.get("dispatcher", name, q=text).status_code in (200, 302, 400), name


def test_no_form_stores_what_a_text_cannot_hold(cast: Cast) -> None:
    """Also a form that reads its words by itself, as the acts on many units do."""
    answer = cast.post(
        "dispatcher", "desk:units", do="withdraw", reason="gone\0", pick=str(cast.unit.public_id)
    )
    assert answer.status_code == 400
    assert "Nothing was changed." in text_of(answer)


def test_the_site_narrows_the_list(cast: Cast) -> None:
    assert numbers(cast.get("dispatcher", "desk:units", site=cast.site.public_id)) == ["U-100001"]
    assert cast.get("dispatcher", "desk:units", site="mill").status_code == 400


@pytest.mark.parametrize("count", [1, 3])
def test_the_list_costs_the_same_queries_however_long(
    cast: Cast, count: int, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    site = make_site(name="Zinc Yard")
    for _ in range(count):
        make_serviced_unit(site)
    client = cast.client("workshop")
    # session, user; the typed number; sites; whether the typed word is common, its units; number of units,
    # units; time zones, standings; saved filters, last act
    with django_assert_num_queries(12):
        answer = client.get("/desk/units/", {"q": "zinc", "site": str(site.public_id)})
    assert len(numbers(answer)) == count


def test_the_workshop_gets_no_link_that_it_may_not_follow(cast: Cast) -> None:
    assert "/desk/sites/" not in text_of(cast.get("workshop", "desk:units"))
    assert "/desk/sites/" not in text_of(cast.get("workshop", "desk:unit", cast.unit.public_id))
    assert "/desk/sites/" in text_of(cast.get("dispatcher", "desk:units"))


# --- one unit --------------------------------------------------------------------------------------


def test_a_unit_tells_its_dates_and_why(cast: Cast) -> None:
    answer = cast.get("dispatcher", "desk:unit", cast.unit.public_id)
    page = text_of(answer)
    # 29 CFR 1910.157(e)(3): a year after the maintenance of 1 March 2026.
    assert "1 Mar 2027" in page
    assert "(e)(3)" in page
    assert "Counted from maintenance of 2026-03-01." in page
    assert STANDING_LINE in page
    assert "unconfirmed" in page
    tasks = {line.owed.task: line.status.value for _, lines in answer.context["tables"] for line in lines}
    assert tasks == {
        "visual_inspection": "overdue",
        "maintenance": "in_date",
        "internal_examination": "in_date",
        "hydrostatic_test": "in_date",
        "recharge": "no_date",
    }
    # The look is the owner's own; the unit stands as our work does.
    assert answer.context["standing"]["tone"] == "ok"
    assert "The owner&#x27;s own people do this." in page or "The owner's own people do this." in page


def test_each_table_has_its_own_dates_and_the_binding_one_is_named(cast: Cast) -> None:
    adopt_table("in-is-2190", site=cast.site, at=NOW)
    refresh_units([cast.unit.pk], now=NOW)
    answer = cast.get("dispatcher", "desk:unit", cast.unit.public_id)
    page = text_of(answer)
    assert [table.title for table, _ in answer.context["tables"]] == ["India", "United States workplaces"]
    assert "This date binds." in page
    assert "India asks for it sooner and binds." in page


def test_two_tables_that_ask_for_the_same_day_say_so(cast: Cast) -> None:
    adopt_table("us-nfpa-10", site=cast.site, at=NOW)
    refresh_units([cast.unit.pk], now=NOW)
    page = text_of(cast.get("dispatcher", "desk:unit", cast.unit.public_id))
    assert "The same day as by United States, consensus intervals." in page


def test_an_unknown_manufacture_date_is_due_now_and_says_why(cast: Cast) -> None:
    unit = make_unit(
        location=make_location(cast.site), made=Stamp.unknown("??"), doubts=["Row 7: no manufacture date."]
    )
    answer = cast.get("dispatcher", "desk:unit", unit.public_id)
    page = text_of(answer)
    assert answer.context["standing"] == {"tone": "unknown", "word": "Date unknown, due now", "on": None}
    assert "What it counts from is not known, so it is due now." in page
    assert "Row 7: no manufacture date." in page
    assert "(as read: ??)" in page


def test_dates_that_have_not_followed_a_changed_fact_say_so(cast: Cast) -> None:
    said = "A fact of this unit changed after these dates were worked out."
    assert said not in text_of(cast.get("dispatcher", "desk:unit", cast.unit.public_id))
    facts_changed([cast.unit.pk])
    assert said in text_of(cast.get("dispatcher", "desk:unit", cast.unit.public_id))


def test_the_history_shows_readings_and_planned_work(cast: Cast) -> None:
    add_records(
        [
            NewRecord(
                unit_id=cast.unit.pk,
                task="hydrostatic_test",
                outcome="failed",
                done=Stamp.of(2026, 5, raw="MAY 26"),
                method="water_jacket",
                received_at=NOW,
                site_id=cast.site.pk,
                performed_by_name="T. Rill",
                remarks="Dent at the foot",
                readings=(
                    NewReading("test_pressure", "400", "psi", 2758.0, "outside", "Below the test pressure."),
                ),
            )
        ]
    )
    answer = cast.get("dispatcher", "desk:unit", cast.unit.public_id)
    page = text_of(answer)
    for expected in (
        "May 2026",
        "Hydrostatic test: failed",
        "Method: water jacket, volumetric",
        "Test pressure reached: 400 psi",
        "outside the limit",
        "Below the test pressure.",
        "Dent at the foot",
        "T. Rill",
        "V-100001",
    ):
        assert expected in page, expected
    assert [event.record.sequence for event in answer.context["events"]] == [2, 1]


@pytest.mark.parametrize("count", [1, 3])
def test_a_unit_costs_the_same_queries_however_long_its_history(
    cast: Cast, count: int, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    for day in range(count):
        make_record(cast.unit, task=Task.VISUAL_INSPECTION, done=Stamp.of(2026, 6, 1 + day), refresh=False)
    refresh_units([cast.unit.pk], now=NOW)
    client = cast.client("dispatcher")
    # session, user; unit; confirmations; obligations; for their reasons records, unit, adoptions, variations,
    # site; for findings records and unit; history and its readings; placements; planned jobs; defects;
    # numbers it had, recalls, corrected facts; what registers claim otherwise
    with django_assert_num_queries(25):
        answer = client.get(f"/desk/units/{cast.unit.public_id}/")
    assert len(answer.context["events"]) == count + 1


def test_a_technician_sees_of_a_unit_only_what_happened_on_own_sites(cast: Cast) -> None:
    make_record(cast.unit, done=Stamp.of(2026, 9, 1), remarks="Seen elsewhere", refresh=False)
    elsewhere = cast.other_unit
    make_record(elsewhere, done=Stamp.of(2026, 8, 1), remarks="Happened at the quay", refresh=False)
    # The unit of the quay now hangs at the mill.
    hang_unit(elsewhere, make_location(cast.site), on=date(2026, 10, 1), by=None)
    page = text_of(cast.get("technician", "desk:unit", elsewhere.public_id))
    assert "Happened at the quay" not in page
    assert "Quay Street foundry" not in page
    assert "Happened at the quay" in text_of(cast.get("manager", "desk:unit", elsewhere.public_id))


# --- correcting ------------------------------------------------------------------------------------


@pytest.fixture
def record(cast: Cast) -> ServiceRecord:
    return ServiceRecord.objects.get(unit=cast.unit)


def correct(cast: Cast, record: ServiceRecord, **changes: str) -> Any:
    data = {
        "outcome": record.outcome,
        "task": record.task,
        "done": str(record.done),
        "method": record.method,
        "remarks": record.remarks,
        "reason": "Misread",
        **changes,
    }
    return cast.post("manager", "desk:correct", record.unit.public_id, record.client_ref, **data)


def test_a_correction_takes_the_records_place_and_moves_the_dates(cast: Cast, record: ServiceRecord) -> None:
    answer = correct(cast, record, done="2026-02")
    assert answer.headers["Location"] == f"/desk/units/{cast.unit.public_id}/"
    new = ServiceRecord.objects.get(corrects=record)
    assert str(new.done) == "2026-02"
    assert new.correction_reason == f"Misread ({cast.people['manager'].display_name})"
    # 29 CFR 1910.157(e)(3), with a month mark read to the end of the due month.
    due = Obligation.objects.get(unit=cast.unit, task="maintenance")
    assert due.latest_on == date(2027, 2, 28)
    page = text_of(cast.get("manager", "desk:unit", cast.unit.public_id))
    assert "Corrected by record 2; no longer counts." in page
    assert "Takes the place of record 1:" in page


def test_a_void_record_no_longer_counts(cast: Cast, record: ServiceRecord) -> None:
    correct(cast, record, outcome="void")
    due = Obligation.objects.get(unit=cast.unit, task="maintenance")
    assert due.latest_on == date(2026, 3, 31)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "Nothing is different from the record as it stands."),
        ({"done": "2026-02", "reason": " "}, "Say why the earlier record is corrected."),
        ({"done": "31/02/2026"}, "does not exist"),
        ({"done": "2027-01-01"}, "2027"),
        ({"done": "2024-06-01"}, "2024"),
        ({"done": "03/04/2026"}, "Write it like 2026-03-14 or 2026-03."),
        ({"outcome": "fine"}, "Select a valid choice."),
        ({"task": "polish"}, "Select a valid choice."),
    ],
)
def test_a_correction_that_cannot_be_says_why_and_adds_nothing(
    cast: Cast, record: ServiceRecord, changes: dict[str, str], said: str
) -> None:
    answer = correct(cast, record, **changes)
    assert answer.status_code == 400
    assert said in text_of(answer)
    assert ServiceRecord.objects.count() == 2
    assert Obligation.objects.get(unit=cast.unit, task="maintenance").latest_on == date(2027, 3, 1)


def test_a_corrected_record_is_not_corrected_twice(cast: Cast, record: ServiceRecord) -> None:
    correct(cast, record, done="2026-02")
    again = correct(cast, record, done="2026-01")
    assert again.status_code == 400
    assert "has already been corrected" in text_of(again)
    shown = cast.get("manager", "desk:correct", cast.unit.public_id, record.client_ref)
    assert "has already been corrected" in text_of(shown)
    assert "<textarea" not in text_of(shown)


def test_only_who_may_correct_sees_the_way_to_it(cast: Cast) -> None:
    assert "/records/" in text_of(cast.get("manager", "desk:unit", cast.unit.public_id))
    assert "/records/" not in text_of(cast.get("dispatcher", "desk:unit", cast.unit.public_id))


def test_a_correction_names_the_certificate_that_still_tells_the_earlier_record(
    cast: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    unit = make_overdue_unit(cast.site)
    visit = Visit.objects.get(number="V-100001")
    visit.jobs.all().update(unit=unit)
    technician = cast.people["technician"]
    entry = EntryInput(
        client_ref=unit.public_id, unit=unit, result="failed", tasks=("maintenance",), remarks="Seal broken"
    )
    add_entry(visit, entry, by=technician, now=NOW)
    visit.refresh_from_db()
    _, paper = close_with_certificate(
        visit, Closing(counts={"failed": 1}, contact_name="R. Okafor"), by=technician, now=NOW
    )
    monkeypatch.setattr("servicedesk.pages.clock", lambda: NOW + timedelta(hours=1))
    record = ServiceRecord.objects.get(unit=unit)
    client = cast.client("manager")
    page = text_of(
        client.post(
            f"/desk/units/{unit.public_id}/records/{record.client_ref}/",
            {
                "outcome": "failed",
                "task": "maintenance",
                "done": "2026-11-25",
                "remarks": "Seal missing",
                "reason": "Typo",
            },
            follow=True,
        )
    )
    assert f"Certificate {paper.number} still states the earlier record." in page
    assert "Seal missing" in page
    shown = text_of(client.get(f"/desk/certificates/{paper.public_id}/"))
    assert "Records behind it were corrected since." in shown
    assert unit.number in shown
