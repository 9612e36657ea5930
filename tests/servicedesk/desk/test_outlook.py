"""The months ahead at the desk: worked out, shown, taken, set; and the numbers that come back."""

from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp
from inventory.register.models import BlackoutPeriod
from inventory.register.terms import TermsVersion
from schedules.bundles.models import BundlingFigures
from schedules.outlook import services
from schedules.outlook.models import Outlook
from schedules.planning.figures import FIGURES
from schedules.routes.models import PlanDay, PlanStop, RoutePlan
from schedules.visits.models import Visit
from servicedesk.desk import numbers
from servicedesk.desk.outlook_charts import weeks_chart
from tests.factories import NOW, TODAY, make_record, make_site, make_unit, make_visit
from tests.servicedesk.page_cast import Cast, make_serviced_unit, text_of


def work_out() -> Outlook:
    outlook = Outlook.objects.first()
    if outlook is None or outlook.state not in Outlook.OPEN:
        outlook = services.start_outlook(by=None, now=NOW)
    while services.work_on(outlook.pk, clock=lambda: NOW):
        pass
    outlook.refresh_from_db()
    return outlook


def due_soon(cast: Cast) -> Any:
    """A site of the other owner whose maintenance is due in six weeks."""
    site = make_site(cast.other_owner, name="Weir House", code="WH-01")
    unit = make_unit(site, made=Stamp.of(2026, 1), refresh=False)
    make_record(unit, Task.MAINTENANCE, Stamp.of(2026, 1, 12))
    return site


# --- who ----------------------------------------------------------------------------------------------

PAGES = ("desk:outlook", "desk:outlook-settings", "desk:blackouts", "desk:figures")


@pytest.mark.parametrize("name", PAGES)
def test_the_desk_plans_and_nobody_else(cast: Cast, name: str) -> None:
    answers = {role: cast.get(role, name).status_code for role in cast.people}
    assert answers == {
        "manager": 200,
        "dispatcher": 200,
        "technician": 403,
        "workshop": 403,
        "owner": 403,
        "other_owner": 403,
    }


def test_a_sites_months_are_the_desks_too(cast: Cast) -> None:
    for role, status in (("manager", 200), ("dispatcher", 200), ("technician", 403), ("owner", 403)):
        assert cast.get(role, "desk:site-outlook", cast.site.public_id).status_code == status


def test_only_a_manager_sets_figures(cast: Cast) -> None:
    values = {figure.name: figure.default for figure in FIGURES}
    assert cast.post("dispatcher", "desk:outlook-settings", **values).status_code == 403
    assert cast.post("owner", "desk:outlook", do="start").status_code == 403
    assert not BundlingFigures.objects.exists()


# --- the firm -----------------------------------------------------------------------------------------


def test_without_an_outlook_the_page_says_what_to_do(cast: Cast) -> None:
    page = text_of(cast.get("dispatcher", "desk:outlook"))
    assert "No outlook yet" in page
    assert "Work it out" in page


def test_it_is_started_watched_stopped_and_shown(cast: Cast) -> None:
    cast.post("dispatcher", "desk:outlook", do="start")
    page = text_of(cast.get("dispatcher", "desk:outlook"))
    assert "0 of 2 sites" in page
    assert "come_so_far" in page
    assert "already being worked out" in text_of(
        cast.client("dispatcher").post("/desk/outlook/", {"do": "start"}, follow=True)
    )
    cast.post("dispatcher", "desk:outlook", do="stop")
    assert Outlook.objects.get().state == Outlook.State.STOPPED
    work_out()
    answer = cast.get("dispatcher", "desk:outlook")
    page = text_of(answer)
    assert "Load by week" in page
    assert "Before:" in page
    assert answer.context["chart"]["bars"]
    assert "Mill Lane works" in page
    assert "It has no coordinates" in page
    bench = cast.get("dispatcher", "desk:outlook", of="workshop")
    assert bench.context["chosen"]["label"] == "Workshop"


def test_trips_become_visits_and_are_taken_back(cast: Cast) -> None:
    site = due_soon(cast)
    outlook = work_out()
    sent = {"outlook": str(outlook.public_id), "until": "2027-01-31"}
    cast.post("dispatcher", "desk:outlook", do="take", **sent)
    visit = Visit.objects.get(site=site)
    assert visit.state == Visit.State.PROPOSED
    assert visit.proposed_by == cast.people["dispatcher"]
    page = cast.get("dispatcher", "desk:outlook")
    (line,) = page.context["taken"]
    assert "Take back 1 trip" in text_of(page)
    cast.post("dispatcher", "desk:outlook", do="undo", act=line["taken"], outlook=sent["outlook"])
    visit.refresh_from_db()
    assert visit.state == Visit.State.CANCELLED
    told = cast.client("dispatcher").post(
        "/desk/outlook/", {"do": "undo", "act": line["taken"], "outlook": sent["outlook"]}, follow=True
    )
    assert "taken back already" in text_of(told)


@pytest.mark.parametrize(
    "sent", [{"do": "fly"}, {"do": "undo", "act": "x"}, {"do": "take", "until": "2027-01-01"}]
)
def test_what_is_not_there_is_not_found(cast: Cast, sent: dict[str, str]) -> None:
    assert cast.post("manager", "desk:outlook", **sent).status_code == 404


def test_a_day_that_is_none_is_refused(cast: Cast) -> None:
    outlook = work_out()
    answer = cast.post("manager", "desk:outlook", do="take", until="31.2.", outlook=str(outlook.public_id))
    assert answer.status_code == 400
    assert "Nothing was proposed." in text_of(answer)


def test_the_firms_page_costs_the_same_for_any_number_of_sites(cast: Cast) -> None:
    client = cast.client("dispatcher")
    counted = []
    for _ in range(2):
        work_out()
        with CaptureQueriesContext(connection) as queries:
            assert client.get("/desk/outlook/").status_code == 200
        counted.append(len(queries))
        for _ in range(3):
            make_serviced_unit(make_site(cast.owner))
    assert counted[0] == counted[1] <= 16


# --- one site -----------------------------------------------------------------------------------------


def test_a_sites_trips_stand_beside_the_habit(cast: Cast) -> None:
    answer = cast.get("dispatcher", "desk:site-outlook", cast.other_site.public_id)
    trips = answer.context["trips"]
    assert [trip["works"] for trip in trips] == [["Maintenance 1"], ["Maintenance 1"]]
    assert all(trip["margin"] >= 14 for trip in trips)
    page = text_of(answer)
    assert "with each task on its own date" in page
    assert "No cheaper choice of days exists (dynamic programme)." in page


def test_an_agreed_month_moves_the_trips_and_two_at_once_are_told(cast: Cast) -> None:
    site = cast.other_site
    sent = {"service_month": "1", "tolerance_days": "0", "version": "0"}
    cast.post("dispatcher", "desk:site-outlook", site.public_id, **sent)
    assert TermsVersion.objects.get().values["service_month"] == "1"
    trips = cast.get("dispatcher", "desk:site-outlook", site.public_id).context["trips"]
    assert {trip["on"].month for trip in trips} == {1}
    late = cast.client("dispatcher").post(f"/desk/sites/{site.public_id}/outlook/", sent, follow=True)
    assert "Somebody else changed what was agreed" in text_of(late)
    bad = cast.post("dispatcher", "desk:site-outlook", site.public_id, **(sent | {"tolerance_days": "900"}))
    assert bad.status_code == 400


def test_the_first_trip_is_proposed_from_the_page(cast: Cast) -> None:
    site = due_soon(cast)
    page = cast.get("dispatcher", "desk:site-outlook", site.public_id)
    assert page.context["can_propose"]
    cast.post("dispatcher", "desk:site-outlook", site.public_id, do="propose")
    assert Visit.objects.get(site=site).planned_on == page.context["trips"][0]["on"]
    again = cast.get("dispatcher", "desk:site-outlook", site.public_id)
    assert not again.context["can_propose"]
    assert [visit["number"] for visit in again.context["fixed"]] == [Visit.objects.get(site=site).number]


# --- what it goes by ----------------------------------------------------------------------------------


def test_figures_are_set_kept_and_set_back(cast: Cast) -> None:
    values = {figure.name: figure.default for figure in FIGURES} | {"cap.maintenance": 60}
    cast.post("manager", "desk:outlook-settings", do="keep", **values)
    row = BundlingFigures.objects.get()
    assert (row.values, row.made_by) == ({"cap.maintenance": 60.0}, cast.people["manager"])
    page = text_of(cast.get("dispatcher", "desk:outlook-settings"))
    assert "common practice, no source" in page
    assert "A manager changes these." in page
    stale = cast.client("manager").post("/desk/outlook/settings/", values, follow=True)
    assert "Somebody else changed these figures" in text_of(stale)
    cast.post("manager", "desk:outlook-settings", do="defaults", seen=row.pk)
    assert BundlingFigures.objects.order_by("pk").last().values == {}


def test_a_figure_out_of_bounds_is_refused_beside_its_field(cast: Cast) -> None:
    values = {figure.name: figure.default for figure in FIGURES} | {"months": 99}
    answer = cast.post("manager", "desk:outlook-settings", do="keep", **values)
    assert answer.status_code == 400
    assert "Enter 3 to 36 months." in text_of(answer)
    assert not BundlingFigures.objects.exists()


PERIOD = {"label": "Harvest", "kind": "harvest", "first_on": "2027-07-01", "last_on": "2027-08-15"}


@pytest.mark.parametrize(
    "where", [{}, {"site": "ML-01"}, {"owner": "harrow mills"}, {"country": "us", "region": "KS"}]
)
def test_days_are_kept_free_and_opened_again(cast: Cast, where: dict[str, str]) -> None:
    cast.post("dispatcher", "desk:blackouts", **PERIOD, **where)
    row = BlackoutPeriod.objects.get()
    assert (row.site == cast.site, row.owner == cast.owner) == ("site" in where, "owner" in where)
    assert "Harvest" in text_of(cast.get("dispatcher", "desk:blackouts"))
    cast.post("dispatcher", "desk:blackouts", do="remove", period=row.public_id)
    assert not BlackoutPeriod.objects.exists()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"last_on": "2027-06-01"}, "before the first"),
        ({"last_on": "2029-06-01"}, "at most 366 days"),
        ({"site": "none"}, "No site has the code"),
        ({"owner": "Nobody"}, "No owner is called"),
        ({"site": "ML-01", "country": "US"}, "one of them"),
        ({"region": "KS"}, "Name the country"),
    ],
)
def test_a_period_that_cannot_be_is_refused(cast: Cast, change: dict[str, str], words: str) -> None:
    answer = cast.post("dispatcher", "desk:blackouts", **(PERIOD | change))
    assert answer.status_code == 400
    assert words in text_of(answer)
    assert not BlackoutPeriod.objects.exists()


# --- numbers back -------------------------------------------------------------------------------------


def closed(cast: Cast, begins: int, ends: int, **fields: Any) -> Visit:
    """A visit of today, closed by the technician between two hours UTC."""
    return make_visit(
        cast.site,
        [cast.unit],
        technician=cast.people["technician"],
        state=Visit.State.CLOSED,
        **(
            {
                "planned_on": TODAY,
                "done_on": TODAY,
                "latest_on": TODAY + timedelta(days=3),
                "started_at": datetime(2026, 11, 25, begins, tzinfo=UTC),
                "closed_at": datetime(2026, 11, 25, ends, tzinfo=UTC),
                "closed_by": cast.people["technician"],
            }
            | fields
        ),
    )


def test_no_visit_gives_no_numbers(cast: Cast) -> None:
    Visit.objects.all().delete()
    assert "Nothing to count yet" in text_of(cast.get("manager", "desk:figures"))


def test_done_on_time_and_driving_are_counted(cast: Cast) -> None:
    first = closed(cast, 14, 15)
    closed(cast, 16, 18, latest_on=TODAY - timedelta(days=1), planned_on=TODAY - timedelta(days=1))
    plan = RoutePlan.objects.create(
        number="P-1", first_on=TODAY, days=1, state=RoutePlan.State.TAKEN, taken_at=NOW
    )
    person = cast.people["technician"]
    PlanDay.objects.create(
        plan=plan, technician=person, on=TODAY, shift_start_s=0, shift_end_s=1, drive_s=3600, work_s=10800
    )
    PlanStop.objects.create(plan=plan, visit=first, technician=person, on=TODAY, work_s=2400)
    total = cast.get("manager", "desk:figures").context["total"]
    # The cast's own visit of today is still open.
    assert (total.planned, total.done) == (3, 2)
    assert (total.on_time_share, total.on_its_day_share) == (0.5, 0.5)
    assert total.planned_drive_share == 0.25
    # One hour between two visits that took one and two hours.
    assert total.between_share == 0.25
    # One hour against 40 planned minutes.
    assert total.longer_share == pytest.approx(0.5)


def test_the_file_holds_what_the_page_shows(cast: Cast) -> None:
    closed(cast, 14, 15)
    answer = cast.get("manager", "desk:figures", **{"as": "csv"})
    rows = list(csv.DictReader(io.StringIO(text_of(answer).lstrip("\ufeff"))))
    assert tuple(rows[0]) == numbers.HEADINGS
    assert [(row["week_from"], row["visits_planned"], row["visits_done"]) for row in rows] == [
        ("2026-11-23", "2", "1")
    ]
    other = cast.people["workshop"].public_id
    assert cast.get("manager", "desk:figures", technician=other).status_code == 400
    assert cast.get("manager", "desk:figures", weeks="3").status_code == 400


def test_numbers_cost_the_same_for_any_number_of_visits(cast: Cast, django_assert_num_queries: Any) -> None:
    client = cast.client("manager")
    for _ in range(2):
        closed(cast, 14, 15)
        # session, person; visits, jobs, planned work, planned days; technicians named, to choose from
        with django_assert_num_queries(8):
            assert client.get("/desk/figures/").status_code == 200


def test_an_empty_chart_says_so() -> None:
    drawn = weeks_chart([date(2026, 11, 23)], [None], [None], unit="%", bar_word="a", line_word="b")
    assert (drawn["words"], drawn["bars"], drawn["path"]) == ("Nothing to draw.", [], "")
