"""Visits: the list, proposing for all sites, the dispatcher's hand on one and on many, and the result."""

from __future__ import annotations

import uuid
from datetime import date, timedelta
from typing import Any

import pytest
from pytest_django.fixtures import DjangoAssertNumQueries

from schedules.certificates.services import close_with_certificate
from schedules.visits.closing import Closing
from schedules.visits.models import Visit
from schedules.visits.recording import EntryInput, add_entry
from servicedesk.access import scope_of
from servicedesk.pages import STANDING_LINE
from tests.factories import NOW, TODAY, make_site, make_user, make_visit
from tests.servicedesk.page_cast import Cast, make_overdue_unit, make_serviced_unit, text_of

pytestmark = pytest.mark.django_db


def numbers(answer: Any) -> set[str]:
    return {line["visit"].number for line in answer.context["lines"]}


def follow(cast: Cast, role: str, address: str, **data: Any) -> Any:
    """Send a form and go where it leads, in one browser, so that what was said is seen."""
    return cast.client(role).post(address, data, follow=True)


def address(visit: Visit) -> str:
    return f"/desk/visits/{visit.public_id}/"


# --- the list --------------------------------------------------------------------------------------


@pytest.fixture
def many(cast: Cast) -> Cast:
    """Beside the visit of today: a draft, one of next week, one left open, one closed, one cancelled."""
    ines = make_user("technician", first_name="Ines", last_name="Farrow")
    cast.people["ines"] = ines
    make_visit(
        cast.other_site, state=Visit.State.PROPOSED, number="V-DRAFT", planned_on=TODAY + timedelta(days=2)
    )
    make_visit(cast.other_site, technician=ines, number="V-NEXT", planned_on=TODAY + timedelta(days=7))
    make_visit(cast.site, technician=ines, number="V-LATE", planned_on=TODAY - timedelta(days=1))
    make_visit(
        cast.site,
        technician=ines,
        state=Visit.State.CLOSED,
        number="V-CLOSED",
        planned_on=TODAY - timedelta(days=2),
        closed_at=NOW,
        closed_by=ines,
        done_on=TODAY,
    )
    make_visit(cast.site, technician=ines, state=Visit.State.CANCELLED, number="V-CANCELLED")
    return cast


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ({}, {"V-100001", "V-DRAFT", "V-NEXT", "V-LATE"}),
        ({"state": "proposed"}, {"V-DRAFT"}),
        ({"state": "closed"}, {"V-CLOSED"}),
        ({"state": "all"}, {"V-100001", "V-DRAFT", "V-NEXT", "V-LATE", "V-CLOSED", "V-CANCELLED"}),
        ({"days": "today"}, {"V-100001"}),
        ({"days": "week"}, {"V-100001"}),
        ({"days": "week", "state": "proposed"}, {"V-DRAFT"}),
        ({"days": "late"}, {"V-LATE"}),
        ({"days": "late", "state": "all"}, {"V-LATE"}),
        ({"technician": "nobody"}, {"V-DRAFT"}),
        ({"day_from": "2026-11-26", "day_to": "2026-12-02"}, {"V-DRAFT", "V-NEXT"}),
        ({"q": "pike"}, {"V-DRAFT", "V-NEXT"}),
        ({"q": "late mill"}, {"V-LATE"}),
    ],
)
def test_visits_are_searched_and_filtered(many: Cast, query: dict[str, str], found: set[str]) -> None:
    assert numbers(many.get("dispatcher", "desk:visits", **query)) == found


def test_technician_and_site_narrow_the_list(many: Cast) -> None:
    ines = many.people["ines"]
    assert numbers(many.get("dispatcher", "desk:visits", technician=ines.public_id)) == {"V-NEXT", "V-LATE"}
    answer = many.get("dispatcher", "desk:visits", site=many.other_site.public_id)
    assert numbers(answer) == {"V-DRAFT", "V-NEXT"}
    assert "At <a" in text_of(answer)


@pytest.mark.parametrize(
    "query", [{"state": "lost"}, {"technician": "x"}, {"day_from": "30/02/2026"}, {"site": "mill"}]
)
def test_a_filter_that_cannot_be_shows_nothing_and_says_why(many: Cast, query: dict[str, str]) -> None:
    answer = many.get("dispatcher", "desk:visits", **query)
    assert (answer.status_code, numbers(answer)) == (400, set())
    assert "This list cannot be shown as asked." in text_of(answer)


def test_a_day_that_passed_and_work_that_will_be_late_are_marked(many: Cast) -> None:
    Visit.objects.filter(number="V-NEXT").update(latest_on=TODAY + timedelta(days=3))
    Visit.objects.filter(number="V-DRAFT").update(latest_on=TODAY - timedelta(days=3))
    lines = {line["visit"].number: line for line in many.get("dispatcher", "desk:visits").context["lines"]}
    assert lines["V-LATE"]["is_late"]
    assert not lines["V-NEXT"]["is_late"]
    assert lines["V-NEXT"]["work_chip"]["word"] == "Late by then"
    assert lines["V-DRAFT"]["work_chip"]["word"] == "Overdue"
    assert lines["V-100001"]["work_chip"] is None


@pytest.mark.parametrize("count", [1, 3])
def test_the_list_costs_the_same_queries_however_long(
    cast: Cast, count: int, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    for _ in range(count):
        site = make_site(name="Zinc Yard")
        make_visit(site, [make_serviced_unit(site)], technician=cast.people["technician"])
    client = cast.client("dispatcher")
    # session, user; technicians; number of visits, visits; loads; saved filters
    with django_assert_num_queries(7):
        answer = client.get("/desk/visits/", {"q": "zinc"})
    assert len(numbers(answer)) == count


# --- proposing for all sites -----------------------------------------------------------------------


def test_visits_are_proposed_for_every_site_with_work_due(cast: Cast) -> None:
    make_overdue_unit(cast.site)
    make_overdue_unit(cast.other_site)
    page = follow(cast, "dispatcher", "/desk/visits/", do="propose", **{"all-horizon_days": "30"})
    assert page.redirect_chain == [("/desk/visits/?state=proposed", 302)]
    assert "2 visits proposed." in text_of(page)
    assert {line["visit"].site for line in page.context["lines"]} == {cast.site, cast.other_site}


def test_proposing_again_finds_nothing_new_and_says_so(cast: Cast) -> None:
    make_overdue_unit(cast.other_site)
    for said in ("1 visit proposed.", "No new visit: nothing falls due within 30 days"):
        page = follow(cast, "dispatcher", "/desk/visits/", do="propose", **{"all-horizon_days": "30"})
        assert said in text_of(page)
    assert Visit.objects.filter(state=Visit.State.PROPOSED).count() == 1


@pytest.mark.parametrize("days", ["-1", "732", "many", ""])
def test_a_horizon_that_cannot_be_proposes_nothing(cast: Cast, days: str) -> None:
    make_overdue_unit(cast.site)
    answer = cast.post("dispatcher", "desk:visits", do="propose", **{"all-horizon_days": days})
    assert answer.status_code == 400
    assert "No visit was proposed." in text_of(answer)
    assert not Visit.objects.filter(state=Visit.State.PROPOSED).exists()


# --- many at once ----------------------------------------------------------------------------------


@pytest.fixture
def drafts(cast: Cast) -> list[Visit]:
    return [
        make_visit(cast.site, state=Visit.State.PROPOSED, number=f"V-D{n}", planned_on=date(2026, 12, n))
        for n in (1, 2, 3)
    ]


def pick(*visits: Visit) -> list[str]:
    return [f"{visit.public_id}:{visit.version}" for visit in visits]


def test_ticked_drafts_go_to_a_technician_and_are_confirmed(cast: Cast, drafts: list[Visit]) -> None:
    person = cast.people["technician"]
    page = follow(
        cast,
        "dispatcher",
        "/desk/visits/?state=proposed",
        do="confirm",
        pick=pick(*drafts[:2]),
        technician=person.public_id,
    )
    assert "2 visits confirmed." in text_of(page)
    assert page.redirect_chain == [("/desk/visits/?state=proposed", 302)]
    assert list(
        Visit.objects.filter(number__startswith="V-D").order_by("number").values_list("state", "technician")
    ) == [
        ("confirmed", person.pk),
        ("confirmed", person.pk),
        ("proposed", None),
    ]


def test_one_that_cannot_be_confirmed_does_not_hold_up_the_others(cast: Cast, drafts: list[Visit]) -> None:
    person = cast.people["technician"]
    Visit.objects.filter(pk=drafts[0].pk).update(version=5)
    page = text_of(
        follow(
            cast, "dispatcher", "/desk/visits/", do="confirm", pick=pick(*drafts), technician=person.public_id
        )
    )
    assert "2 visits confirmed." in page
    assert "V-D1, Mill Lane works: Visit V-D1 was changed by somebody else" in page
    drafts[0].refresh_from_db()
    assert (drafts[0].state, drafts[0].technician) == (Visit.State.PROPOSED, None)


def test_a_draft_that_nobody_has_cannot_be_confirmed(cast: Cast, drafts: list[Visit]) -> None:
    page = text_of(
        follow(cast, "dispatcher", "/desk/visits/", do="confirm", pick=pick(drafts[0]), technician="")
    )
    assert "Choose a technician before you confirm the visit." in page
    drafts[0].refresh_from_db()
    assert drafts[0].version == 1


def test_ticked_drafts_are_cancelled(cast: Cast, drafts: list[Visit]) -> None:
    assert "3 visits cancelled." in text_of(
        follow(cast, "dispatcher", "/desk/visits/", do="cancel", pick=pick(*drafts))
    )
    assert Visit.objects.filter(state=Visit.State.CANCELLED).count() == 3


@pytest.mark.parametrize("picked", [[], ["nonsense"], [f"{uuid.uuid4()}:1"], [f"{uuid.uuid4()}:x"]])
def test_with_nothing_ticked_nothing_changes(cast: Cast, drafts: list[Visit], picked: list[str]) -> None:
    page = text_of(follow(cast, "dispatcher", "/desk/visits/", do="cancel", pick=picked))
    assert "No visit was ticked; nothing was changed." in page
    assert not Visit.objects.filter(state=Visit.State.CANCELLED).exists()


def test_a_button_that_does_not_exist_does_nothing(cast: Cast) -> None:
    assert cast.post("dispatcher", "desk:visits", do="burn").status_code == 400


# --- one visit -------------------------------------------------------------------------------------


@pytest.fixture
def draft(cast: Cast) -> Visit:
    return make_visit(
        cast.site, [cast.unit], state=Visit.State.PROPOSED, number="V-DRAFT", planned_on=date(2026, 12, 1)
    )


def test_a_visit_shows_its_jobs_by_unit(cast: Cast, draft: Visit) -> None:
    answer = cast.get("dispatcher", "desk:visit", draft.public_id)
    page = text_of(answer)
    for expected in (
        "Visit V-DRAFT",
        "Tuesday, 1 December 2026",
        "U-100001",
        "Maintenance",
        "1 Dec 2026",
        STANDING_LINE,
    ):
        assert expected in page
    assert [(line.unit, [job.task for job in line.jobs]) for line in answer.context["units"]] == [
        (cast.unit, ["maintenance"])
    ]


@pytest.mark.parametrize("count", [1, 3])
def test_a_visit_costs_the_same_queries_however_many_units(
    cast: Cast, count: int, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    site = make_site()
    visit = make_visit(
        site, [make_serviced_unit(site) for _ in range(count)], technician=cast.people["technician"]
    )
    client = cast.client("dispatcher")
    # session, user; visit; jobs; entries; confirmations; certificates; technicians; hours;
    # doubts; companions, and who else may go along
    with django_assert_num_queries(13):
        answer = client.get(address(visit))
    assert len(answer.context["units"]) == count


def plan(cast: Cast, visit: Visit, do: str, **changes: Any) -> Any:
    data = {
        "do": do,
        "technician": cast.people["technician"].public_id,
        "planned_on": visit.planned_on,
        "version": visit.version,
        **changes,
    }
    return cast.client("dispatcher").post(address(visit), data, follow=True)


def test_a_draft_is_saved_and_stays_a_draft(cast: Cast, draft: Visit) -> None:
    page = plan(cast, draft, "assign", planned_on="2026-12-03")
    assert "Visit V-DRAFT was changed." in text_of(page)
    draft.refresh_from_db()
    assert (draft.state, draft.planned_on, draft.technician, draft.version) == (
        Visit.State.PROPOSED,
        date(2026, 12, 3),
        cast.people["technician"],
        2,
    )


def test_a_draft_is_given_and_confirmed_at_once(cast: Cast, draft: Visit) -> None:
    page = plan(cast, draft, "confirm")
    assert "Visit V-DRAFT is confirmed." in text_of(page)
    draft.refresh_from_db()
    assert (draft.state, draft.technician) == (Visit.State.CONFIRMED, cast.people["technician"])


def test_a_confirmed_visit_can_be_moved(cast: Cast) -> None:
    visit = Visit.objects.get(number="V-100001")
    plan(cast, visit, "assign", planned_on="2026-12-04")
    visit.refresh_from_db()
    assert (visit.state, visit.planned_on) == (Visit.State.CONFIRMED, date(2026, 12, 4))


def test_a_far_day_on_which_work_is_late_is_asked_about_once(cast: Cast, draft: Visit) -> None:
    Visit.objects.filter(pk=draft.pk).update(latest_on=date(2026, 12, 10))
    far = {"planned_on": "2027-12-03"}
    answer = plan(cast, draft, "confirm", **far)
    assert answer.status_code == 400
    assert "358 days past its latest day, 10 Dec 2026" in text_of(answer)
    draft.refresh_from_db()
    assert draft.state == Visit.State.PROPOSED
    # The page carries what it has said; pressing again keeps the day, another day is asked about anew.
    again = dict(answer.context["assign_form"].data.items())
    other = plan(cast, draft, "confirm", late_on=again["late_on"], planned_on="2027-12-04")
    assert other.status_code == 400
    assert "is confirmed" in text_of(plan(cast, draft, "confirm", late_on=again["late_on"], **far))
    # A few days late, soon, is the daily trade and asks nobody.
    draft.refresh_from_db()
    plan(cast, draft, "assign", planned_on="2026-12-14")
    draft.refresh_from_db()
    assert draft.planned_on == date(2026, 12, 14)


def test_sending_what_is_there_already_changes_nothing(cast: Cast) -> None:
    visit = Visit.objects.get(number="V-100001")
    page = plan(cast, visit, "assign")
    assert "Nothing was different, so nothing was changed." in text_of(page)
    visit.refresh_from_db()
    assert visit.version == 1


@pytest.mark.parametrize(
    ("do", "changes", "said"),
    [
        (
            "assign",
            {"planned_on": "2026-11-24"},
            "2026-11-24 has passed at the site. Choose 2026-11-25 or later.",
        ),
        ("confirm", {"planned_on": "2126-01-01"}, "more than two years ahead. Check the year"),
        ("assign", {"planned_on": "9999-12-31"}, "more than two years ahead. Check the year"),
        ("assign", {"planned_on": ""}, "Choose a day."),
        ("assign", {"planned_on": "31/02/2026"}, "Enter a day like 2026-11-30."),
        ("assign", {"technician": str(uuid.uuid4())}, "This person is not an active technician."),
        ("assign", {"technician": "ines"}, "This person is not an active technician."),
        ("confirm", {"technician": ""}, "Choose a technician before you confirm the visit."),
        ("burn", {}, ""),
    ],
)
def test_a_plan_that_cannot_be_says_why_and_changes_nothing(
    cast: Cast, draft: Visit, do: str, changes: dict[str, str], said: str
) -> None:
    answer = plan(cast, draft, do, **changes)
    assert answer.status_code == 400
    assert said in text_of(answer)
    draft.refresh_from_db()
    assert (draft.state, draft.planned_on, draft.technician, draft.version) == (
        Visit.State.PROPOSED,
        date(2026, 12, 1),
        None,
        1,
    )


def test_a_licence_that_ends_before_the_day_is_named(cast: Cast, draft: Visit) -> None:
    late = make_user("technician", licence_expires_on=date(2026, 11, 30), first_name="Kofi", last_name="Lund")
    answer = plan(cast, draft, "confirm", technician=late.public_id)
    assert "The licence of Kofi Lund ends on 2026-11-30." in text_of(answer)
    draft.refresh_from_db()
    assert draft.state == Visit.State.PROPOSED


@pytest.mark.parametrize("do", ["assign", "confirm", "cancel"])
def test_somebody_who_was_faster_is_not_overwritten(cast: Cast, draft: Visit, do: str) -> None:
    seen = draft.version
    plan(cast, draft, "assign", planned_on="2026-12-08", technician="")
    answer = plan(cast, draft, do, version=seen, **{"cancel-reason": "Rain", "cancel-version": seen})
    assert answer.status_code == 409
    page = text_of(answer)
    assert "Visit V-DRAFT was changed by somebody else and is now proposed." in page
    # The form shows the visit as it is now, ready to be sent again.
    assert 'value="2026-12-08"' in page
    draft.refresh_from_db()
    assert (draft.state, draft.planned_on, draft.technician) == (
        Visit.State.PROPOSED,
        date(2026, 12, 8),
        None,
    )


def test_what_was_changed_and_changed_back_is_looked_at_again_before_it_is_confirmed(
    cast: Cast, draft: Visit
) -> None:
    seen = draft.version
    plan(cast, draft, "assign")
    answer = plan(cast, draft, "confirm", version=seen)
    assert answer.status_code == 409
    draft.refresh_from_db()
    assert draft.state == Visit.State.PROPOSED


def test_cancelling_needs_a_reason_and_frees_the_work(cast: Cast, draft: Visit) -> None:
    answer = cast.post(
        "dispatcher",
        "desk:visit",
        draft.public_id,
        do="cancel",
        **{"cancel-reason": " ", "cancel-version": "1"},
    )
    assert answer.status_code == 400
    assert "Say why the visit is cancelled." in text_of(answer)
    page = follow(
        cast, "dispatcher", address(draft), do="cancel", **{"cancel-reason": "Flooded", "cancel-version": "1"}
    )
    assert "What was on it is as due as before." in text_of(page)
    assert "Flooded" in text_of(page)
    draft.refresh_from_db()
    assert draft.state == Visit.State.CANCELLED
    # What is over cannot be planned any more.
    assert 'name="planned_on"' not in text_of(page)


def test_a_day_that_is_too_late_for_the_work_is_named(cast: Cast, draft: Visit) -> None:
    Visit.objects.filter(pk=draft.pk).update(latest_on=date(2026, 11, 28))
    assert "On that day some of this work will be late." in text_of(
        cast.get("dispatcher", "desk:visit", draft.public_id)
    )
    Visit.objects.filter(pk=draft.pk).update(latest_on=date(2026, 11, 1))
    assert "Some of this work is late already." in text_of(
        cast.get("dispatcher", "desk:visit", draft.public_id)
    )


def test_entries_counts_and_the_certificate_of_a_closed_visit_are_shown(cast: Cast) -> None:
    visit = Visit.objects.get(number="V-100001")
    technician = cast.people["technician"]
    extra = make_serviced_unit(cast.site, number="U-300001")
    gauge = {"quantity": "gauge_pressure", "value": "195", "unit": "psi"}
    done = EntryInput(uuid.uuid4(), cast.unit, "serviced", tasks=("maintenance",), readings=(gauge,))
    lost = EntryInput(uuid.uuid4(), extra, "not_found", remarks="Empty bracket")
    add_entry(visit, done, by=technician, now=NOW)
    visit.refresh_from_db()
    under_way = cast.get("dispatcher", "desk:visit", visit.public_id)
    assert under_way.context["recorded"] == 1
    assert "So far" in text_of(under_way)
    add_entry(visit, lost, by=technician, now=NOW)
    closing = Closing(counts={"serviced": 1, "not_found": 1}, contact_name="R. Okafor")
    visit.refresh_from_db()
    _, paper = close_with_certificate(visit, closing, by=technician, now=NOW)
    answer = cast.get("dispatcher", "desk:visit", visit.public_id)
    page = text_of(answer)
    for expected in (
        "Gauge pressure: 195 psi",
        "Empty bracket",
        "not on the list",
        "R. Okafor",
        paper.number,
        "25 Nov 2026",
    ):
        assert expected in page, expected
    assert {line["word"]: line["count"] for line in answer.context["tally"] if line["count"]} == {
        "Serviced": 1,
        "Not found": 1,
    }
    assert not answer.context["can_plan"]


def test_a_companion_is_added_and_sees_the_visit(cast: Cast) -> None:
    visit = Visit.objects.get(number="V-100001")
    mate = make_user("technician")
    data = {"do": "share", "share-companions": str(mate.public_id), "share-version": visit.version}
    assert cast.post("dispatcher", "desk:visit", visit.public_id, **data).status_code == 302
    assert list(visit.companions.all()) == [mate]
    assert mate.display_name in text_of(cast.get("dispatcher", "desk:visit", visit.public_id))
    assert Visit.objects.visible_to(scope_of(mate)).get() == visit
    # The version that the form carried is old by now: nothing is changed.
    cast.post("dispatcher", "desk:visit", visit.public_id, **(data | {"share-companions": []}))
    assert visit.companions.count() == 1
