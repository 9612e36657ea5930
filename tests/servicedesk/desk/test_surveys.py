"""Surveys at the desk: planned, settled as they come in, finished; the report for desk and owner."""

from __future__ import annotations

import io
import uuid
from datetime import timedelta
from typing import Any

import pypdf
import pytest
from django.test import Client

from inventory.errors import Conflict
from inventory.register.models import Unit
from schedules.surveys.models import Survey, SurveyDecision
from schedules.surveys.queries import walk_of
from schedules.visits.closing import Closing, close_visit
from schedules.visits.models import Visit
from schedules.visits.recording import EntryInput, add_entry
from servicedesk.accounts.models import OwnerMembership
from servicedesk.desk.surveys import set_digest
from tests.factories import NOW, TODAY, make_site
from tests.schedules.surveys.cast import POWDER, Day, make_day, place_of, read
from tests.servicedesk.page_cast import Cast, text_of

pytestmark = pytest.mark.django_db


def words(data: bytes) -> str:
    pages = pypdf.PdfReader(io.BytesIO(data)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def walked(first: int = 1) -> Day:
    """One unit differs in its month, one is missing, one is extra and obsolete; signed."""
    day = make_day(2, first=first)
    phone, units = day.phone, day.units
    phone.unit(units[0].public_id, place_of(units[0]), POWDER | read(made="06/2019"))
    phone.act("survey_missing", units[1].public_id, state="not_found", remarks="Bracket empty")
    cellar = uuid.uuid4()
    phone.act("survey_place", place=cellar, number="C1", floor="Cellar")
    phone.act("survey_remark", place=cellar, id=str(uuid.uuid4()), code="other_place", remarks="Sign hidden")
    phone.unit(
        uuid.uuid4(),
        cellar,
        read(agent="soda_acid", construction="inverting", shell="soldered_brass", condition="bad")
        | {"serial": {"said": "not_readable"}, "made": {"said": "not_present"}},
    )
    phone.close(on_list=2, found=0, differs=1, missing=1, not_reached=0, open=0, extra=1)
    phone.send()
    return day


def picks(day: Day) -> list[str]:
    survey = Survey.objects.select_related("visit__site").get(pk=day.survey.pk)
    return [f"{one.digest('')}~{one.key}" for one in walk_of(survey, now=NOW).differences]


def test_from_plan_to_finish(cast: Cast) -> None:
    """Planned for a site without units; what another phone sends meanwhile is never settled unseen."""
    empty = make_site(cast.owner, name="New hall")
    page = text_of(cast.get("dispatcher", "desk:survey-new", empty.public_id))
    assert "The register of New hall is empty" in page
    technician = cast.people["technician"]
    given = {"planned_on": str(TODAY), "technician": str(technician.public_id), "expected_units": "30"}
    answer = cast.post("dispatcher", "desk:survey-new", empty.public_id, **given)
    assert answer.status_code == 302
    planned = Survey.objects.get(visit__site=empty)
    assert (planned.visit.technician, planned.visit.planned_minutes) == (technician, 180)
    again = cast.post("dispatcher", "desk:survey-new", empty.public_id, **given)
    assert again.status_code == 400
    assert "open already" in text_of(again)
    assert "What was found" in text_of(cast.get("dispatcher", "desk:visit", planned.visit.public_id))

    day = walked()
    name, ref = "desk:survey", day.survey.public_id
    assert "3 differences are not settled" in text_of(cast.get("dispatcher", name, ref))
    seen = picks(day)
    assert "Tick at least one" in text_of(cast.post("dispatcher", name, ref, do="take"))
    assert "Say why the register stands" in text_of(cast.post("dispatcher", name, ref, do="keep", pick=seen))
    assert "nobody is on site" in text_of(cast.post("dispatcher", name, ref, do="ask", reason="x", pick=seen))
    day.other.unit(day.units[0].public_id, place_of(day.units[0]), read(made="07/2019"))
    day.other.send()
    stale = cast.post("dispatcher", name, ref, do="take", pick=seen)
    assert stale.status_code == 409
    assert "changed since you looked" in text_of(stale)
    assert not SurveyDecision.objects.exists()
    page = text_of(cast.get("dispatcher", name, ref))
    assert "Read differently by two people" in page
    assert cast.post("dispatcher", name, ref, do="finish").status_code == 409
    assert cast.post("dispatcher", name, ref, do="take", pick=picks(day)).status_code == 302
    assert "As found" not in text_of(cast.get("dispatcher", name, ref))
    assert "Everything is settled" in text_of(cast.get("dispatcher", name, ref))
    for show, said in (("settled", "Take what was found"), ("units", "Missing"), ("remarks", "Sign hidden")):
        assert said in text_of(cast.get("dispatcher", name, ref, show=show))
    assert cast.post("dispatcher", name, ref, do="finish").status_code == 302
    finished = text_of(cast.get("dispatcher", name, ref))
    assert "Finished" in finished
    assert "manufacture mark 2021-03 to 2019-07" in finished
    assert Unit.objects.get(pk=day.units[1].pk).state == Unit.State.NOT_FOUND
    day.phone.act("undo", act=str(day.phone.acts[0].act_id))
    day.phone.unit(day.units[1].public_id, place_of(day.units[1]), POWDER)
    day.phone.send()
    Survey.objects.filter(pk=day.survey.pk).update(finished_at=NOW + timedelta(hours=1))
    assert "sent from site after this was finished" in text_of(cast.get("dispatcher", name, ref))
    assert day.survey.visit.number in text_of(cast.get("dispatcher", "desk:surveys", show="finished"))
    assert cast.post("technician", name, ref, do="finish").status_code == 403


def test_all_of_one_sort_are_settled_as_they_were_shown(cast: Cast) -> None:
    day = walked()
    name, ref = "desk:survey", day.survey.public_id
    survey = Survey.objects.select_related("visit__site").get(pk=day.survey.pk)
    rows = [one for one in walk_of(survey, now=NOW).differences if one.what == "extra"]
    address = f"/desk/surveys/{ref}/?what=extra"
    client = cast.client("dispatcher")
    wrong = client.post(address, {"do": "take", "whole": "0" * 64})
    assert wrong.status_code == 409
    assert client.post(address, {"do": "take", "whole": set_digest(rows)}).status_code == 302
    assert list(SurveyDecision.objects.values_list("key", "choice")) == [(rows[0].key, "take")]
    assert text_of(cast.get("dispatcher", name, ref)).count("not yet") == 2


def test_the_report_says_what_was_found_and_stays_the_owners(cast: Cast) -> None:
    day = walked()
    OwnerMembership.objects.create(user=cast.people["owner"], owner=day.site.owner)
    ref = day.survey.public_id
    draft = words(cast.get("dispatcher", "paper-takeover", ref).content)
    assert "Draft." in draft
    assert "Not settled" in draft
    assert cast.get("owner", "paper-takeover", ref).status_code == 404
    cast.post("dispatcher", "desk:survey", ref, do="take", pick=picks(day))
    cast.post("dispatcher", "desk:survey", ref, do="finish")
    answer = cast.get("owner", "paper-takeover", ref)
    assert answer["Content-Type"] == "application/pdf"
    told = words(answer.content)
    for said in (
        "Takeover report",
        "On the list 2",
        "Extra, not on the list 1",
        "Made differs",
        "Take what was found",
        "29 CFR 1910.157(c)(5)",
        "Sign hidden",
        "Serial: not readable; Made: not present",
        "Proposed month of the yearly service",
        "Signed on site on 25 Nov 2026 by Robin Example",
        "Interval tables are defaults to confirm against local code.",
    ):
        assert said in told, said
    assert "Draft" not in told
    assert pypdf.PdfReader(io.BytesIO(answer.content)).get_fields()  # the firm's signature field
    assert cast.get("other_owner", "paper-takeover", ref).status_code == 404
    assert cast.get("other_owner", "desk:survey", ref).status_code == 403
    number = day.survey.visit.number
    assert number in text_of(cast.get("owner", "portal:papers"))
    assert number not in text_of(cast.get("other_owner", "portal:papers"))
    assert "Takeover report" in text_of(cast.get("dispatcher", "desk:site-papers", day.site.public_id))


def test_a_survey_is_closed_in_the_app_alone() -> None:
    """Neither the API nor the plain pages issue a certificate for a walk."""
    day = make_day(1)
    visit = Visit.objects.select_related("site").get(pk=day.survey.visit_id)
    with pytest.raises(Conflict, match="is a survey"):
        close_visit(visit, Closing({}, contact_name="Robin"), by=day.phone.person, now=NOW)
    entry = EntryInput(client_ref=uuid.uuid4(), unit=day.units[0], result="not_found")
    with pytest.raises(Conflict, match="is a survey"):
        add_entry(visit, entry, by=day.phone.person, now=NOW)


@pytest.mark.parametrize("count", [1, 3])
def test_pages_ask_as_much_for_one_as_for_three(
    cast: Cast, count: int, django_assert_num_queries: Any
) -> None:
    """As many statements for one survey of one unit as for three of three."""
    client = cast.client("dispatcher")
    for n in range(count):
        day = make_day(1, first=10 * n + 1)
        for k in range(count):
            place = uuid.uuid4()
            day.phone.act("survey_place", place=place, number=f"N{k}")
            photo = str(uuid.uuid4())
            day.phone.unit(uuid.uuid4(), place, POWDER | read(serial=f"Q{n}{k}"), photos=[photo])
        day.phone.send()

    client.get("/desk/surveys/")
    # session, user, count, surveys; places, units, records, acts, decisions, waiting acts
    with django_assert_num_queries(10):
        assert client.get("/desk/surveys/").status_code == 200
    # session, user, survey, companions; the six of a walk; photos
    with django_assert_num_queries(11):
        assert client.get(f"/desk/surveys/{day.survey.public_id}/").status_code == 200


def test_a_phone_carries_what_is_asked(cast: Cast) -> None:
    """The pack names a survey, its note and what the desk asks; a service visit has none."""
    day = make_day(1)
    unit = day.units[0]
    day.phone.unit(unit.public_id, place_of(unit), POWDER | read(made="06/2019"))
    day.phone.send()
    pick = picks(day)
    cast.post("dispatcher", "desk:survey", day.survey.public_id, do="ask", pick=pick, reason="Which month?")
    client = Client()
    client.force_login(day.phone.person)
    pack: dict[str, Any] = client.get("/api/v1/field/pack/?date=2026-11-25").json()
    (visit,) = pack["visits"]
    assert (visit["kind"], visit["survey"]["note"], visit["jobs"]) == ("survey", "Ask at the gate.", [])
    assert [one["question"] for one in visit["survey"]["asked"]] == ["Which month?"]
    assert {fact["code"] for fact in pack["survey_facts"]} >= {"agent", "serial", "made", "tests"}
