"""Acts from phones: late, repeated, out of order, two at a time; the database is the same in the end."""

from __future__ import annotations

import itertools
import random
import uuid
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from inventory.logbook.models import Defect, ServiceRecord
from inventory.register.models import Unit, local_today
from schedules.certificates.content import recount
from schedules.certificates.models import Certificate
from schedules.surveys.models import Survey
from schedules.surveys.queries import walk_of
from schedules.surveys.services import settle
from schedules.visits.models import Doubt, FieldAct, HeldVisit, Visit, VisitEntry, WaitingAct
from schedules.visits.recording import last_entries
from tests.factories import NOW, make_location, make_model, make_site, make_unit, make_user, make_visit
from tests.schedules.surveys.cast import POWDER, make_day, place_of, read
from tests.servicedesk.api.cast import COUNTS, GAUGE, client_of

pytestmark = pytest.mark.django_db
URL = "/api/v1/field/acts/"


class Phone:
    """A phone with a clock of its own and a counter."""

    def __init__(self, person: Any, visit: Visit, *, behind_s: float = 0) -> None:
        self.client, self.visit = client_of(person), visit
        self.device = str(uuid.uuid4())
        self.behind = timedelta(seconds=behind_s)
        self.numbers = itertools.count(1)
        self.now = NOW - timedelta(hours=3)

    def act(self, kind: str, unit: Unit | None = None, /, **fields: Any) -> dict[str, Any]:
        """An act, a minute after the one before."""
        self.now += timedelta(minutes=1)
        content = fields.pop("content", {})
        found: dict[str, Any] = {
            "id": str(uuid.uuid4()),
            "visit": str(self.visit.public_id),
            "kind": kind,
            "seq": next(self.numbers),
            "device_at": (self.now - self.behind).isoformat(),
            "content": content,
            **fields,
        }
        if unit is not None:
            found["unit"] = str(unit.public_id)
        return found

    def serviced(self, unit: Unit, **content: Any) -> dict[str, Any]:
        """A unit serviced with a good gauge."""
        return self.act(
            "result",
            unit,
            content={"outcome": "serviced", "tasks": ["maintenance"], "readings": [GAUGE], **content},
        )

    def closed(self, acts_before: int, **counts: int) -> dict[str, Any]:
        """The act that closes the visit."""
        return self.act(
            "close",
            content={
                "counts": COUNTS | counts,
                "acts_before": acts_before,
                "contact_name": "R. Okafor",
                "signature": {"width": 300, "height": 100, "strokes": [[[1, 1], [20, 30.5]]]},
            },
        )

    def send(self, *acts: dict[str, Any], status: int = 200) -> list[dict[str, Any]]:
        """Send a batch and return the answers."""
        answer = self.client.post(
            URL,
            {
                "device": {"id": self.device, "app_version": "t"},
                "sent_at": (NOW - self.behind).isoformat(),
                "acts": list(acts),
            },
        )
        assert answer.status_code == status, answer.content
        found: list[dict[str, Any]] = answer.json()["results"]
        return found


@pytest.fixture(autouse=True)
def _clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(timezone, "now", lambda: NOW)


@pytest.fixture
def technician():
    return make_user("technician")


@pytest.fixture
def site():
    return make_site(latitude="41.5", longitude="-87.5")


@pytest.fixture
def units(site):
    model = make_model()
    return [make_unit(site, model=model, refresh=False) for _ in range(4)]


@pytest.fixture
def phone(technician, site, units):
    return Phone(technician, make_visit(site, units, technician=technician))


def states(results: list[dict[str, Any]]) -> list[str]:
    return [one["status"] for one in results]


def snapshot() -> dict[str, Any]:
    """What is in the database, without the instants and numbers that arrival decides."""
    return {
        "acts": sorted(str(ref) for ref in FieldAct.objects.values_list("act_id", flat=True)),
        "entries": sorted(VisitEntry.objects.values_list("client_ref", "unit__number", "result")),
        "records": sorted(
            ServiceRecord.objects.values_list("client_ref", "unit__number", "task", "outcome", "done_first")
        ),
        "units": sorted(Unit.objects.values_list("number", "state", "location__number", "site__code")),
        "defects": sorted(Defect.objects.values_list("public_id", "code", "is_void", "settled_how")),
        "visits": sorted(Visit.objects.values_list("number", "state", "contact_name")),
        "certificates": Certificate.objects.count(),
        "waiting": WaitingAct.objects.count(),
    }


def whole_visit(phone: Phone, units: list[Unit]) -> list[dict[str, Any]]:
    """A visit with most of what happens on site."""
    place = make_location(phone.visit.site, number="900")
    extra, problem, mistaken = str(uuid.uuid4()), str(uuid.uuid4()), str(uuid.uuid4())
    wrong = phone.serviced(units[1], defects=[{"id": mistaken, "code": "rust_light"}])
    acts = [
        phone.act("start"),
        phone.serviced(units[0], checks=[{"code": "care.shell", "answer": "pass"}]),
        wrong,
        phone.act("undo", content={"act": wrong["id"]}),
        phone.act("no_access", units[1], content={"reason": "locked", "said_by": "Porter"}),
        phone.act("used", units[2], content={"stays": False, "remarks": "Seal gone, gauge at zero."}),
        phone.act(
            "location_problem",
            location=str(place.public_id),
            content={"id": problem, "code": "blocked", "remarks": "Pallets."},
        ),
        phone.act("settle_defect", content={"defect": problem, "how": "Cleared with the porter."}),
        phone.act("not_found", units[3]),
        phone.serviced(units[3]),
        phone.act(
            "add_unit",
            unit=extra,
            location=str(place.public_id),
            content={"model": str(units[0].model.public_id), "made": "06/2021", "serial": "X1"},
        ),
        phone.act("move_unit", units[0], location=str(place.public_id)),
        phone.act(
            "result",
            unit=extra,
            content={"outcome": "serviced", "tasks": ["maintenance"], "readings": [GAUGE]},
        ),
    ]
    return [*acts, phone.closed(len(acts), serviced=3, no_access=1, removed=1)]


def test_a_whole_visit_is_taken_in_and_closed(phone, units):
    acts = whole_visit(phone, units)
    results = phone.send(*acts)
    assert states(results) == ["accepted"] * len(acts), results
    assert results[-1]["certificate"]["number"]
    assert results[-1]["visit_state"] == "closed"
    phone.visit.refresh_from_db()
    assert phone.visit.signature["width"] == 300
    assert phone.visit.counts["serviced"] == 3
    units[0].refresh_from_db()
    assert units[0].location.number == "900"
    units[2].refresh_from_db()
    assert (units[2].state, units[2].location) == (Unit.State.AWAITING_RECHARGE, None)
    blocked, void = Defect.objects.get(code="blocked"), Defect.objects.get(code="rust_light")
    assert blocked.settled_how == "Cleared with the porter."
    assert void.is_void
    assert Unit.objects.get(serial="X1").doubts


@pytest.mark.parametrize("seed", range(3))
def test_any_order_any_repetition_gives_the_same_database(phone, units, seed):
    acts = whole_visit(phone, units)
    dice = random.Random(seed)
    pieces: list[dict[str, Any]] = acts * 2
    dice.shuffle(pieces)
    while pieces:
        size = dice.randint(1, 6)
        phone.send(*{one["id"]: one for one in pieces[:size]}.values())
        pieces = pieces[size:]
    shuffled = snapshot()
    assert shuffled["waiting"] == 0
    assert states(phone.send(*acts)) == ["repeated"] * len(acts)
    assert snapshot() == shuffled
    assert [row[1:] for row in shuffled["visits"]] == [("closed", "R. Okafor")]
    assert len(shuffled["acts"]) == len(acts)
    results = {unit.number: entry.result for unit, entry in _counting(phone.visit)}
    assert results[units[1].number] == "no_access"
    assert results[units[3].number] == "serviced"


def _counting(visit: Visit) -> list[tuple[Unit, VisitEntry]]:
    return [(entry.unit, entry) for entry in last_entries(visit).values()]


def test_a_close_waits_for_what_came_before_it(phone, units):
    acts = [phone.serviced(unit) for unit in units]
    closing = phone.closed(4, serviced=4)
    (answer,) = phone.send(closing)
    assert answer["status"] == "waiting"
    assert answer["problem"]["code"] == "earlier_acts_missing"
    phone.send(*acts[2:])
    assert phone.send(closing)[0]["problem"]["missing"] == 2
    phone.send(*acts[:2])
    phone.visit.refresh_from_db()
    assert phone.visit.state == Visit.State.CLOSED
    assert phone.send(closing)[0]["status"] == "repeated"


def test_a_unit_that_has_not_arrived_is_waited_for(phone, units):
    extra = str(uuid.uuid4())
    added = phone.act(
        "add_unit",
        unit=extra,
        content={
            "kind": {"agent": "afff", "construction": "stored_pressure", "charge_text": "9 L"},
            "new_location": {"id": str(uuid.uuid4()), "number": "77", "floor": "Roof"},
        },
    )
    missing = phone.act("not_found", unit=extra)
    assert states(phone.send(missing)) == ["waiting"]
    assert not VisitEntry.objects.exists()
    assert states(phone.send(added)) == ["accepted"]
    assert VisitEntry.objects.get().unit.location.floor == "Roof"
    assert states(phone.send(missing)) == ["repeated"]


def test_a_pass_without_its_value_is_refused_by_field_and_stored_nowhere(phone, units):
    bare = phone.serviced(units[0], readings=[])
    low = phone.serviced(units[1], readings=[{"quantity": "gauge_pressure", "value": "60", "unit": "psi"}])
    typo = phone.serviced(units[2], redings=[])
    good = phone.serviced(units[3])
    results = phone.send(bare, low, typo, good)
    assert states(results) == ["refused", "refused", "refused", "accepted"]
    fields = [one["problem"]["errors"][0]["field"] for one in results[:3]]
    assert fields == ["content.readings", "content.readings", "content.redings"]
    assert "Enter the gauge pressure" in results[0]["problem"]["errors"][0]["detail"]
    assert FieldAct.objects.count() == 1


def test_the_same_id_with_other_content_is_refused(phone, units):
    act = phone.serviced(units[0])
    phone.send(act)
    (answer,) = phone.send({**act, "content": {**act["content"], "remarks": "Other."}})
    assert (answer["status"], answer["problem"]["code"]) == ("refused", "reference_reused")


def test_a_wrong_clock_is_kept_beside_ours_and_told(technician, site, units):
    phone = Phone(technician, make_visit(site, units, technician=technician), behind_s=7200)
    (answer,) = phone.send(phone.serviced(units[0]))
    assert [one["code"] for one in answer["warnings"]] == ["clock"]
    act = FieldAct.objects.get()
    assert act.drift_s == pytest.approx(7200)
    assert act.counts_at - act.device_at == timedelta(seconds=7200)


@pytest.mark.parametrize(("days_ago", "asked"), [(0, 0), (2, 1)])
def test_a_day_on_which_nothing_was_recorded_is_asked_about(technician, site, units, days_ago, asked):
    visit = make_visit(site, units[:1], technician=technician)
    phone = Phone(technician, visit, behind_s=172_616)
    result, close = phone.serviced(units[0]), phone.closed(1, serviced=1)
    close["content"]["done_on"] = (local_today(site, NOW) - timedelta(days=days_ago)).isoformat()
    answer, _ = phone.send(result, close)
    assert "47 h 56 min off" in answer["warnings"][0]["detail"]
    visit.refresh_from_db()
    assert visit.state == "closed"
    assert Doubt.objects.filter(visit=visit, kind="other_day").count() == asked
    clock = Doubt.objects.get(visit=visit, kind="wrong_clock")
    assert clock.evidence == ["server less phone: +47 h 56 min"]


@pytest.mark.parametrize(
    ("device_at", "sent_at"),
    [
        ("9999-12-31T23:59:59Z", "2020-01-01T00:00:00Z"),
        ("0001-01-01T00:00:00Z", "2050-01-01T00:00:00Z"),
        ("9999-12-31T23:59:59-10:00", None),
    ],
)
def test_a_time_that_no_clock_shows_takes_nothing_of_another_act_with_it(phone, units, device_at, sent_at):
    odd = {**phone.serviced(units[0]), "device_at": device_at}
    batch = {"device": {"id": phone.device}, "sent_at": sent_at, "acts": [odd, phone.serviced(units[1])]}
    answer = phone.client.post(URL, batch)
    assert answer.status_code == 200, answer.content
    refused, taken = answer.json()["results"]
    assert (refused["status"], taken["status"]) == ("refused", "accepted")
    (error,) = refused["problem"]["errors"]
    assert error["field"] == "device_at"
    assert FieldAct.objects.count() == 1


def test_a_batch_sent_when_no_clock_can_stand_is_refused_with_what_to_do(phone, units):
    batch = {"device": {"id": phone.device}, "sent_at": "0001-01-01T00:00:00Z"}
    answer = phone.client.post(URL, {**batch, "acts": [phone.serviced(units[0])]})
    assert answer.status_code == 400
    (error,) = answer.json()["errors"]
    assert error["field"] == "sent_at"
    assert "Set the date and time of the device right" in error["detail"]


def test_two_technicians_see_and_keep_each_others_work(technician, site, units):
    mate = make_user("technician")
    visit = make_visit(site, units, technician=technician)
    visit.companions.add(mate)
    mine, theirs = Phone(technician, visit), Phone(mate, visit)
    mine.send(*[mine.serviced(unit) for unit in units[:3]])
    again = theirs.send(theirs.serviced(units[2]), theirs.serviced(units[3]))
    assert [[w["code"] for w in one["warnings"]] for one in again] == [["same_task_again"], []]
    seen = mine.client.get(URL).json()
    assert [act["by"]["name"] for act in seen["acts"]] == [technician.display_name] * 3 + [
        mate.display_name
    ] * 2
    # Young acts come again, so that none slips by; the client knows them by their ids.
    assert len(mine.client.get(URL, {"after": seen["cursor"]}).json()["acts"]) == 5
    assert states(mine.send(mine.closed(3, serviced=4))) == ["accepted"]
    assert ServiceRecord.objects.filter(unit=units[2]).count() == 2
    assert Doubt.objects.filter(kind="twice").count() == 1


def test_what_arrives_after_closing_is_kept_and_told(technician, site, units, monkeypatch):
    mate = make_user("technician")
    visit = make_visit(site, units[:2], technician=technician)
    visit.companions.add(mate)
    mine, theirs = Phone(technician, visit), Phone(mate, visit)
    late = theirs.serviced(units[1])
    mine.send(*[mine.serviced(unit) for unit in units[:2]], mine.closed(2, serviced=2))
    monkeypatch.setattr(timezone, "now", lambda: NOW + timedelta(minutes=20))
    (answer,) = theirs.send(late)
    assert answer["status"] == "accepted"
    assert {one["code"] for one in answer["warnings"]} >= {"same_task_again", "after_closing"}
    assert ServiceRecord.objects.filter(unit=units[1], performed_by=mate).count() == 1
    assert Doubt.objects.filter(kind="late").count() == 1
    visit.refresh_from_db()
    assert visit.counts["serviced"] == 2
    assert recount(visit)["serviced"] == 2


def test_a_visit_given_away_still_takes_what_was_done_on_it(phone, units, technician):
    HeldVisit.objects.create(visit=phone.visit, person=technician, fetched_at=NOW)
    Visit.objects.filter(pk=phone.visit.pk).update(technician=make_user("technician"))
    assert states(phone.send(phone.serviced(units[0]))) == ["accepted"]
    HeldVisit.objects.all().delete()
    (answer,) = phone.send(phone.serviced(units[1]))
    assert answer["problem"]["errors"][0]["field"] == "visit"


def test_another_owners_unit_is_not_recorded_on(phone):
    other = make_unit(make_site(), refresh=False)
    (answer,) = phone.send(phone.serviced(other))
    assert answer["problem"]["errors"][0]["field"] == "unit"
    assert other.number not in str(answer)


def test_what_the_office_asks_comes_with_the_acts_until_it_is_answered():
    day = make_day(2)
    unit = day.units[0]
    day.phone.unit(unit.public_id, place_of(unit), POWDER | read(made="06/2019"))
    day.phone.send()
    client, stranger = client_of(day.phone.person), client_of(make_user("technician"))
    visit = str(day.survey.visit.public_id)
    assert client.get(URL).json()["surveys"] == [{"visit": visit, "asked": []}]
    survey = Survey.objects.select_related("visit__site").get(pk=day.survey.pk)
    seen = {one.key: one.digest("") for one in walk_of(survey, now=NOW).differences if one.what == "made"}
    settle(survey, seen, "ask", reason="Is it 2019 or 2021?", by=day.desk, now=NOW)
    (told,) = client.get(URL).json()["surveys"]
    assert told["visit"] == visit
    assert [(one["unit"], one["question"]) for one in told["asked"]] == [
        (str(unit.public_id), "Is it 2019 or 2021?")
    ]
    assert stranger.get(URL).json()["surveys"] == []
    # More acts are still to come: the questions come with the last of them.
    day.phone.act("survey_missing", day.units[1].public_id, state="not_found")
    day.phone.send()
    assert "surveys" not in client.get(URL, {"limit": 1}).json()
    # Read anew, nothing is asked any more; the phone is told so.
    day.phone.unit(unit.public_id, place_of(unit), POWDER | read(made="03/2021"))
    day.phone.send()
    assert client.get(URL).json()["surveys"] == [{"visit": visit, "asked": []}]


def test_a_batch_costs_the_same_few_queries_per_act(phone, units, django_assert_max_num_queries):
    with django_assert_max_num_queries(40) as small:
        phone.send(phone.serviced(units[0]))
    with django_assert_max_num_queries(len(small) + 2 * 13):
        phone.send(*[phone.serviced(unit) for unit in units[1:]])


def test_a_batch_that_is_none_is_refused_whole(phone):
    assert phone.client.post(URL, {"acts": []}).status_code == 400
    answer = phone.client.post(URL, {"acts": [{"id": "x"}]})
    assert answer.json()["errors"][0]["field"] == "device"
