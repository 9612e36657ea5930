"""A survey from acts to register: counts that add up, two phones, replays, settling, one transaction."""

from __future__ import annotations

import random
import uuid
from datetime import date, timedelta
from typing import Any

import pytest
from django.core.exceptions import ValidationError

from inventory.errors import Conflict
from inventory.logbook.models import Defect, ServiceRecord
from inventory.measures.stamps import Stamp
from inventory.register.changes import FactChange
from inventory.register.models import Location, Unit
from schedules.certificates.models import Certificate
from schedules.due.models import Obligation
from schedules.surveys.findings import Walk
from schedules.surveys.models import Survey, SurveyDecision
from schedules.surveys.queries import asked_of, walk_of
from schedules.surveys.report import proposed_month
from schedules.surveys.services import finish, plan_survey, settle
from schedules.visits.models import FieldAct, Visit
from tests.factories import NOW, TODAY, make_record, make_site, make_user, make_visit
from tests.schedules.surveys.cast import LINE, POWDER, Day, Phone, make_day, place_of, read

pytestmark = pytest.mark.django_db

LATER = NOW + timedelta(hours=9)


def walk(day: Day) -> Walk:
    return walk_of(Survey.objects.select_related("visit__site").get(pk=day.survey.pk), now=LATER)


def decide(day: Day, choice: str, *titles: str, reason: str = "Seen on the photo") -> int:
    """Settle all open differences with these titles, as the page does."""
    wanted = [one for one in walk(day).open_differences if one.title in titles]
    assert {one.title for one in wanted} == set(titles)
    survey = Survey.objects.select_related("visit__site").get(pk=day.survey.pk)
    seen = {one.key: one.digest("") for one in wanted}
    return settle(survey, seen, choice, reason=reason, by=day.desk, now=LATER)


def mixed(day: Day) -> uuid.UUID:
    """First as registered, second differs, third missing, fourth moved; an extra one with two defects."""
    phone, units = day.phone, day.units
    phone.act("start")
    phone.unit(units[0].public_id, place_of(units[0]), POWDER | read(serial="sn 800001", made="03/2021"))
    phone.unit(
        units[1].public_id,
        place_of(units[1]),
        POWDER
        | read(serial="SN800002", made="06/2019", shell="mild_steel", last_service="11/2025")
        | {"tests": {"said": "read", "marks": [{"mark": "05/2024", "tester": "K7"}]}},
    )
    phone.act("survey_missing", units[2].public_id, state="not_found", remarks="Bracket empty")
    new_place, extra = uuid.uuid4(), uuid.uuid4()
    phone.act(
        "survey_place", place=new_place, number="005", building="Main", floor="First", description="Stair"
    )
    phone.unit(units[3].public_id, new_place, POWDER | read(serial="SN800004", made="2021"))
    cellar = uuid.uuid4()
    phone.act(
        "survey_place", place=cellar, number="006", building="Main", floor="Cellar", environment="corrosive"
    )
    phone.unit(
        extra,
        cellar,
        {
            **read(agent="soda_acid", construction="inverting", shell="soldered_brass", condition="bad"),
            "charge": {"said": "estimated", "value": "9 L"},
            "serial": {"said": "not_readable"},
            "made": {"said": "estimated", "value": "about 1960"},
        },
        label="",
        defects=[{"id": str(uuid.uuid4()), "code": "inverting"}],
    )
    phone.act(
        "survey_remark",
        place=place_of(units[2]),
        id=str(uuid.uuid4()),
        code="other_place",
        remarks="30 m to the next unit",
    )
    return extra


COUNTS = {"on_list": 4, "found": 1, "differs": 2, "missing": 1, "not_reached": 0, "open": 0, "extra": 1}


def everything() -> dict[str, list[Any]]:
    """All that a survey can have written."""
    return {
        "acts": sorted(map(str, FieldAct.objects.values_list("act_id", "kind", "content"))),
        "units": sorted(
            map(str, Unit.objects.values_list("public_id", "number", "state", "location", "serial"))
        ),
        "places": sorted(map(str, Location.objects.values_list("public_id", "number", "floor"))),
        "visit": sorted(map(str, Visit.objects.values_list("state", "contact_name"))),
    }


def test_acts_change_nothing_before_the_end_and_come_in_any_order() -> None:
    """Replayed and shuffled, the same acts come to the same survey; the register stands as it was."""
    day = make_day()
    before = {name: rows for name, rows in everything().items() if name in ("units", "places")}
    mixed(day)
    day.phone.close(**COUNTS)
    shuffled = random.Random(7).sample(day.phone.acts, len(day.phone.acts))
    for at in range(0, len(shuffled), 4):
        day.phone.send(shuffled[at : at + 4])
        day.phone.send(random.Random(at).sample(shuffled[: at + 4], min(3, at + 4)))
    assert {one.status for one in day.phone.send()} == {"repeated"}
    once = walk(day)
    assert once.counts == COUNTS
    assert [(one.title, one.register, one.found) for one in once.differences] == [
        ("Made differs", "2021-03", "06/2019"),
        (
            "Not found",
            "10 lb Dry chemical ABC, stored pressure, at 003, Main, Ground, Bay 3",
            "not there: Bracket empty",
        ),
        ("Hangs elsewhere", "004, Main, Ground, Bay 4", "005, Main, First, Stair"),
        (
            "Extra unit",
            "not on the register",
            "Soda acid, inverting, serial not readable, made estimated about 1960, at 006, Main, Cellar",
        ),
    ]
    assert {name: rows for name, rows in everything().items() if name in ("units", "places")} == before
    visit = Visit.objects.get(pk=day.survey.visit_id)
    assert (visit.state, visit.contact_name, visit.signature) == ("closed", "Robin Example", LINE)
    assert not Certificate.objects.exists()
    assert not ServiceRecord.objects.exists()


def test_finishing_writes_all_at_once_with_reason_and_source() -> None:
    day = make_day()
    make_record(day.units[1], "hydrostatic_test", Stamp.of(2025, 7), evidence="owner_paper")
    extra = mixed(day)
    day.phone.close(**COUNTS)
    day.phone.send()
    survey = Survey.objects.select_related("visit__site").get(pk=day.survey.pk)
    with pytest.raises(Conflict, match="5 differences are not settled"):
        finish(survey, by=day.desk, now=LATER)
    decide(day, "take", "Made differs", "Extra unit", "Hangs elsewhere", "Stamped tests differs")
    decide(day, "take", "Not found")
    survey = finish(Survey.objects.select_related("visit__site").get(pk=survey.pk), by=day.desk, now=LATER)

    first, second, third, fourth = (Unit.objects.get(pk=unit.pk) for unit in day.units)
    assert (str(first.made), first.serial, first.state) == ("2021-03", "SN800001", "in_service")
    assert str(second.made) == "2019-06"
    change = FactChange.objects.get(unit=second, field="made")
    assert (change.old_words, change.new_words, change.source) == (
        "2021-03",
        "2019-06 (read as “06/2019”)",
        "shell_stamp",
    )
    assert change.reason == f"As found on survey {survey.visit.number}. Seen on the photo"
    assert (third.state, third.location_id) == ("not_found", day.units[2].location_id)
    assert fourth.location is not None
    assert fourth.location.number == "005"
    assert str(fourth.made) == "2021-03"  # A year that holds the month tells nothing new.
    new = Unit.objects.select_related("model", "location").get(public_id=extra)
    assert (new.model.agent, new.model.charge_text, new.serial, str(new.made)) == (
        "soda_acid",
        "",
        "",
        "unknown",
    )
    assert new.doubts == [
        f"Charge: estimated 9 L on survey {survey.visit.number}.",
        f"Serial: not readable on survey {survey.visit.number}.",
        f"Made: estimated about 1960 on survey {survey.visit.number}.",
    ]
    assert new.location is not None
    assert (new.location.number, new.location.environment) == (
        "006",
        "corrosive",
    )
    records = ServiceRecord.objects.standing().filter(unit=second).order_by("task", "done_last")
    assert [(r.task, str(r.done), r.outcome, r.evidence, r.performed_by_name) for r in records] == [
        ("hydrostatic_test", "2024-05", "passed", "shell_stamp", "K7"),
        ("hydrostatic_test", "2025-07", "void", "owner_paper", ""),
        ("maintenance", "2025-11", "passed", "tag", ""),
    ]
    assert sorted(Defect.objects.values_list("code", "unit__public_id", "location__number")) == [
        ("inverting", extra, None),
        ("other_place", None, "003"),
    ]
    # An undated inverting unit and what was moved count in the due dates at once.
    assert Obligation.objects.filter(unit=new).exists()
    assert Location.objects.get(number="006").walking_order > Location.objects.get(number="005").walking_order
    content = survey.outcome
    assert content is not None
    assert content["counts"] == COUNTS
    assert [line["source"] for line in content["removals"]] == ["29 CFR 1910.157(c)(5)"]
    assert content["coverage"][0]["remarks"] == "30 m to the next unit"
    assert content["month"]["month"] is not None
    with pytest.raises(Conflict, match="finished"):
        finish(survey, by=day.desk, now=LATER)
    # What comes later is kept and changes nothing.
    day.other.unit(day.units[0].public_id, place_of(day.units[0]), read(made="01/2010"))
    assert [one.status for one in day.other.send()] == ["accepted"]
    assert str(Unit.objects.get(pk=first.pk).made) == "2021-03"


def test_two_phones_at_one_site_merge() -> None:
    """Facts merge one by one; what contradicts, and what may be one unit twice, a person decides."""
    day = make_day(2)
    one, other = day.phone, day.other
    unit = day.units[0]
    one.unit(unit.public_id, place_of(unit), POWDER | read(serial="SN800001", made="03/2021"))
    other.unit(unit.public_id, place_of(unit), read(made="08/2021") | {"serial": {"said": "not_readable"}})
    # Both fix a new place under one number, and read the same new unit there.
    mine, yours = uuid.uuid4(), uuid.uuid4()
    extra, twin, third = uuid.uuid4(), uuid.uuid4(), uuid.uuid4()
    one.act("survey_place", place=mine, number="020", floor="First")
    one.unit(extra, mine, POWDER | read(serial="X-77", made="2023"))
    other.act("survey_place", place=yours, number="020", floor="1st")
    other.unit(twin, yours, POWDER | read(serial="x 77", made="2023"))
    other.unit(third, yours, POWDER | read(serial="X-78", made="2023"), label=day.units[1].number)
    other.close(on_list=2, found=0, differs=1, missing=0, not_reached=0, open=0, extra=2)
    other.send()
    one.close(on_list=2, found=2, differs=0, missing=0, not_reached=0, open=0, extra=1)
    assert [answer.status for answer in one.send()] == ["accepted"] * 4
    here = walk(day)
    # Our own label names its unit: no extra one, but the register's second with another serial.
    assert [(u.number, u.status.value) for u in here.units if u.listed] == [
        ("U-800001", "differs"),
        ("U-800002", "differs"),
    ]
    titles = sorted(d.title for d in here.differences)
    assert titles == [
        "Extra unit", "Extra unit", "Hangs elsewhere", "Made differs", "Made differs",
        "Perhaps the same unit", "Serial differs", "Two places with one number",
    ]  # fmt: skip
    made = next(d for d in here.differences if d.title == "Made differs" and d.unit_ref == unit.public_id)
    assert "Ines Rowntree read 03/2021" in made.note
    decide(day, "take", "Perhaps the same unit", "Two places with one number")
    here = walk(day)
    assert here.counts["extra"] == 1
    assert sum(d.title == "Extra unit" for d in here.differences) == 1
    assert Visit.objects.get(pk=day.survey.visit_id).state == "closed"
    decide(day, "keep", "Made differs", "Serial differs", "Hangs elsewhere", reason="Looked at the photos")
    decide(day, "take", "Extra unit")
    survey = finish(
        Survey.objects.select_related("visit__site").get(pk=day.survey.pk), by=day.desk, now=LATER
    )
    assert Location.objects.filter(site=day.site, number="020").count() == 1
    assert Unit.objects.filter(site=day.site).count() == 3
    assert str(Unit.objects.get(pk=unit.pk).made) == "2021-03"
    assert survey.outcome is not None
    assert survey.outcome["stated"] == {
        "on_list": 2, "found": 0, "differs": 1, "missing": 0, "not_reached": 0, "open": 0, "extra": 2,
    }  # fmt: skip


def test_what_is_asked_comes_back_and_opens_again() -> None:
    day = make_day(2)
    unit = day.units[0]
    day.phone.unit(unit.public_id, place_of(unit), POWDER | read(made="06/2019"))
    day.phone.send()
    with pytest.raises(ValidationError, match="Say what is to be asked"):
        decide(day, "ask", "Made differs", reason=" ")
    decide(day, "ask", "Made differs", reason="Is it 2019 or 2021?")
    survey = Survey.objects.select_related("visit__site").get(pk=day.survey.pk)
    asked = asked_of([survey], now=LATER)[survey.visit_id]
    assert [(one["unit"], one["question"]) for one in asked] == [(str(unit.public_id), "Is it 2019 or 2021?")]
    stale = {one.key: one.digest("") for one in walk(day).differences}
    # Read again with the same words: answered, and to be settled.
    day.phone.unit(unit.public_id, place_of(unit), POWDER | read(made="06/2019"))
    day.phone.send()
    assert [(d.choice, d.was) for d in walk(day).differences] == [("", "ask")]
    # Read as something else: a decision on what was seen before is refused whole.
    day.phone.unit(unit.public_id, place_of(unit), POWDER | read(made="07/2019"))
    day.phone.send()
    with pytest.raises(Conflict, match="changed since you looked"):
        settle(survey, stale, "take", reason="", by=day.desk, now=LATER)
    assert SurveyDecision.objects.count() == 1
    # Taken back on the phone: nothing is left to settle, and the unit is open again.
    for act in [a.act_id for a in day.phone.acts if a.kind == "survey_unit"]:
        day.phone.act("undo", act=str(act))
    day.phone.send()
    assert walk(day).counts["open"] == 2


def test_an_empty_register_is_opened() -> None:
    """Equal units in a row, found where nothing was registered; all taken at once."""
    site = make_site(name="New hall", time_zone="UTC")
    desk, technician = make_user("dispatcher"), make_user("technician")
    survey = plan_survey(site, planned_on=TODAY, technician=technician, expected_units=12, by=desk, now=NOW)
    assert (survey.visit.state, survey.visit.planned_minutes) == ("confirmed", 72)
    phone = Phone(survey, technician)
    day = Day(site, [], survey, desk, phone, phone)
    for n in range(1, 6):
        place = uuid.uuid4()
        phone.act("survey_place", place=place, number=f"{n:02d}", building="Hall", floor="Ground")
        phone.unit(uuid.uuid4(), place, POWDER | read(serial=f"A{n}", made="04/2025"))
    phone.close(on_list=0, found=0, differs=0, missing=0, not_reached=0, open=0, extra=5)
    phone.send()
    assert decide(day, "take", "Extra unit", reason="") == 5
    finish(Survey.objects.select_related("visit__site").get(pk=survey.pk), by=desk, now=LATER)
    units = (
        Unit.objects.filter(site=site).select_related("location", "model").order_by("location__walking_order")
    )
    assert [(u.serial, str(u.made), u.location.number if u.location else "") for u in units] == [
        (f"A{n}", "2025-04", f"{n:02d}") for n in range(1, 6)
    ]
    assert len({u.model_id for u in units}) == 1
    assert units[0].model.charge_mass_g == 4536
    with pytest.raises(ValidationError, match="has passed"):
        plan_survey(site, planned_on=date(2026, 1, 1), technician=None, by=desk, now=NOW)


def test_a_survey_takes_no_work_and_a_service_no_readings() -> None:
    day = make_day(1)
    unit = day.units[0]
    day.phone.act("not_found", unit.public_id)
    day.phone.unit(unit.public_id, place_of(unit), {"made": {"said": "read", "value": "13/2019"}})
    day.phone.unit(unit.public_id, place_of(unit), {"serial": {"said": "read", "value": ""}})
    answers = day.phone.send()
    assert [one.status for one in answers] == ["refused"] * 3
    assert "is a survey" in str(answers[0].refusal)
    assert "does not exist" in str(answers[1].refusal)
    assert "nothing was given" in str(answers[2].refusal)
    assert not FieldAct.objects.exists()
    service = make_visit(day.site, [unit], technician=day.phone.person)
    day.phone.acts = []
    day.phone.survey = Survey(visit=service)
    day.phone.unit(unit.public_id, place_of(unit), POWDER)
    assert [one.status for one in day.phone.send()] == ["refused"]
    elsewhere = make_day(1, first=9)
    elsewhere.phone.unit(unit.public_id, place_of(elsewhere.units[0]), POWDER)
    assert [one.status for one in elsewhere.phone.send()] == ["refused"]


@pytest.mark.parametrize(
    ("last_days", "unknown", "text"),
    [
        pytest.param([date(2027, 3, 31), date(2027, 5, 31)], 0, "March 2027", id="the first bounds"),
        pytest.param([date(2026, 10, 31), date(2027, 5, 31)], 0, "November 2026", id="late: now"),
        pytest.param([date(2027, 5, 31)], 1, "November 2026", id="unknown is never fine"),
        pytest.param([], 0, "none", id="nothing demanded"),
    ],
)
def test_proposed_month(last_days: list[date], unknown: int, text: str) -> None:
    assert proposed_month(last_days, unknown=unknown, today=TODAY)["text"] == text
