"""Counting and closing: everything or nothing, once."""

from __future__ import annotations

import io
import re
from datetime import date
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from pypdf import PdfReader

from inventory.logbook.models import ServiceRecord
from inventory.register.models import Unit
from schedules.certificates.models import Certificate
from schedules.due.models import Obligation
from schedules.visits.models import Visit, VisitEntry
from servicedesk.pages import STANDING_LINE
from tests.factories import make_unit, make_user
from tests.servicedesk.field.cast import Field, text_of
from tests.servicedesk.field.test_field_recording import errors_of

pytestmark = pytest.mark.django_db


def record_all(crew: Field) -> None:
    """Two serviced, one failed."""
    crew.save(crew.units[0])
    crew.save(crew.units[1])
    crew.save(crew.units[2], "failed", remarks="Gauge below the zone")


def nothing_happened(crew: Field) -> bool:
    crew.visit.refresh_from_db()
    made = ServiceRecord.objects.filter(visit_ref=crew.visit.public_id).exists()
    return crew.visit.state in Visit.OPEN and not made and not Certificate.objects.exists()


def test_units_without_a_result_stand_in_the_way(crew: Field) -> None:
    crew.save(crew.units[0])
    page = text_of(crew.client.get(crew.at("close")))
    assert "2 of 3 units have no result yet" in page
    assert "Close the visit" not in page
    assert crew.at("unit", crew.units[1]) in page
    response = crew.close(count_serviced="1")
    assert response.status_code == 409
    assert f"2 of 3 units on visit {crew.visit.number} have no result yet: " in text_of(response)
    assert nothing_happened(crew)


def test_the_page_shows_what_was_recorded_and_what_to_read_out(crew: Field) -> None:
    record_all(crew)
    page = text_of(crew.client.get(crew.at("close")))
    recorded = re.findall(r'<label for="id_count_\w+">(.*?)</label>\s*<span[^>]*>recorded (\d+)</span>', page)
    assert recorded == [
        ("Serviced", "2"),
        ("Failed", "1"),
        ("Replaced", "0"),
        ("Removed", "0"),
        ("Not found", "0"),
        ("No access", "0"),
    ]
    # Nobody's count is filled in for them.
    assert re.findall(r'name="count_\w+" id="\w+" value="(.*?)"', page) == [""] * 6
    read_out = page.split("Read these out before you leave")[1].split("Your own count")[0]
    assert "Gauge below the zone" in read_out
    assert crew.units[2].number in read_out
    assert crew.units[0].number not in read_out


@pytest.mark.parametrize(
    "counts", [{}, {"count_serviced": "2"}, {"count_serviced": "two", "count_failed": "1"}]
)
def test_an_own_count_is_asked_for_every_result_that_was_recorded(
    crew: Field, counts: dict[str, str]
) -> None:
    record_all(crew)
    response = crew.close(**counts)
    assert response.status_code == 400
    page = text_of(response)
    wrong = {name for name in ("serviced", "failed", "removed") if errors_of(page, f"count_{name}")}
    assert wrong == {"serviced", "failed"} - {
        name.removeprefix("count_") for name in counts if counts[name] != "two"
    }
    assert nothing_happened(crew)


def test_a_count_that_differs_is_said_beside_it_and_closes_nothing(crew: Field) -> None:
    record_all(crew)
    response = crew.close(count_serviced="3", count_failed="1", count_not_found="1")
    assert response.status_code == 409
    page = text_of(response)
    assert errors_of(page, "count_serviced") == ["You counted 3, recorded are 2. Look through the list."]
    assert errors_of(page, "count_not_found") == ["You counted 1, recorded are 0. Look through the list."]
    assert errors_of(page, "count_failed") == []
    assert "do not add up" in page
    assert nothing_happened(crew)


@pytest.mark.parametrize(
    ("fields", "field", "sentence"),
    [
        (
            {"contact_name": "  "},
            "contact_name",
            "Print the name of the person you reported to, or say why there was none.",
        ),
        (
            {"done_on": "2026-11-26"},
            "done_on",
            "2026-11-26 lies in the future. Enter the day on which the work was done.",
        ),
        (
            {"done_on": "2026-08-01"},
            "done_on",
            "2026-08-01 is more than 60 days ago. Ask a manager to enter it as a correction.",
        ),
        ({"done_on": "31.02.2026"}, "done_on", "Enter a valid date."),
        ({"done_on": ""}, "done_on", "Enter the day on which the work was done."),
    ],
)
def test_what_cannot_be_is_said_beside_its_field(
    crew: Field, fields: dict[str, str], field: str, sentence: str
) -> None:
    record_all(crew)
    response = crew.close(count_serviced="2", count_failed="1", **fields)
    assert response.status_code == 400
    assert errors_of(text_of(response), field) == [sentence]
    assert nothing_happened(crew)


def test_closing_writes_records_moves_dates_and_issues_the_certificate(crew: Field) -> None:
    record_all(crew)
    response = crew.close(count_serviced="2", count_failed="1")
    assert response.status_code == 302
    assert response["Location"] == crew.at("closed")
    crew.visit.refresh_from_db()
    assert (crew.visit.state, crew.visit.contact_name) == ("closed", "R. Okafor")
    outcomes = ServiceRecord.objects.filter(visit_ref=crew.visit.public_id).values_list(
        "unit__number", "outcome"
    )
    assert sorted(outcomes) == sorted(
        [
            (crew.units[0].number, "passed"),
            (crew.units[1].number, "passed"),
            (crew.units[2].number, "failed"),
        ]
    )
    moved = Obligation.objects.get(unit=crew.units[0], task="maintenance")
    assert moved.latest_on == date(2027, 11, 25)
    certificate = Certificate.objects.get()
    page = text_of(crew.client.get(crew.at("closed")))
    assert f"Certificate {certificate.number}" in page
    assert reverse("field:certificate", args=[certificate.public_id]) in page
    assert "Reported to <bdi>R. Okafor</bdi>." in page
    assert STANDING_LINE in page


def test_the_page_after_closing_says_what_remains_due(crew: Field) -> None:
    late = make_unit(crew.site, number="U-777777")
    record_all(crew)
    crew.close(count_serviced="2", count_failed="1")
    page = text_of(crew.client.get(crew.at("closed")))
    remains = page.split("What remains due at this site")[1]
    assert "U-777777" in remains
    assert "Maintenance:" in remains
    assert f"{crew.units[2].number}: used or failed, awaiting recharge" in remains
    assert late.site == crew.site


def test_closing_without_anybody_on_site_names_the_reason(crew: Field) -> None:
    record_all(crew)
    crew.close(count_serviced="2", count_failed="1", contact_name="", no_signature_reason="Gate unmanned")
    assert "Nobody signed: <bdi>Gate unmanned</bdi>" in text_of(crew.client.get(crew.at("closed")))


def test_closing_twice_is_said_plainly_and_adds_nothing(crew: Field) -> None:
    record_all(crew)
    counts = {"count_serviced": "2", "count_failed": "1"}
    crew.close(**counts)
    before = (ServiceRecord.objects.count(), Certificate.objects.count())
    response = crew.close(**counts)
    assert response["Location"] == crew.at("closed")
    assert f"Visit {crew.visit.number} was already closed. Its records stand; nothing was added." in text_of(
        crew.client.get(response["Location"])
    )
    assert (ServiceRecord.objects.count(), Certificate.objects.count()) == before
    assert crew.client.get(crew.at("close"))["Location"] == crew.at("closed")


def test_somebody_faster_is_said_plainly(crew: Field, monkeypatch: pytest.MonkeyPatch) -> None:
    """The visit is closed between the look and the write."""
    from inventory.errors import Conflict

    record_all(crew)

    def beaten(visit: Visit, *args: Any, **kwargs: Any) -> Any:
        Visit.objects.filter(pk=visit.pk).update(
            state="cancelled", confirmed_at=crew.visit.created_at, cancelled_reason="Site shut"
        )
        raise Conflict("visit_not_open", f"Visit {visit.number} is cancelled and cannot be closed.")

    monkeypatch.setattr("servicedesk.field.views.close_with_certificate", beaten)
    response = crew.close(count_serviced="2", count_failed="1")
    assert response.status_code == 409
    assert "is cancelled and cannot be closed." in text_of(response)


def test_a_cancelled_visit_says_so(crew: Field) -> None:
    Visit.objects.filter(pk=crew.visit.pk).update(
        state="cancelled", confirmed_at=crew.visit.created_at, cancelled_reason="Site shut for the week"
    )
    page = text_of(crew.client.get(crew.at("round")))
    assert "The office cancelled this visit." in page
    assert "Site shut for the week" in page
    assert "so it cannot be closed" in text_of(crew.client.get(crew.at("close")))
    assert crew.close(count_serviced="0").status_code == 409


def test_the_closed_page_waits_until_there_is_something_to_show(crew: Field) -> None:
    assert crew.client.get(crew.at("closed"))["Location"] == crew.at("round")


def test_the_certificate_comes_as_a_file_named_by_its_number(crew: Field) -> None:
    record_all(crew)
    crew.close(count_serviced="2", count_failed="1")
    certificate = Certificate.objects.get()
    url = reverse("field:certificate", args=[certificate.public_id])
    response = crew.client.get(url)
    assert response["Content-Type"] == "application/pdf"
    assert response["Content-Disposition"] == f'attachment; filename="{certificate.number}.pdf"'
    assert "no-store" in response["Cache-Control"]
    text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(response.content)).pages)
    assert certificate.number in text
    other = Client()
    other.force_login(make_user("technician"))
    assert other.get(url).status_code == 404
    assert Client().get(url)["Location"] == f"{reverse('sign-in')}?next={url}"


def test_an_expired_session_closes_nothing(crew: Field) -> None:
    record_all(crew)
    crew.client.logout()
    response = crew.close(count_serviced="2", count_failed="1")
    assert response["Location"] == f"{reverse('sign-in')}?next={crew.at('close')}"
    assert nothing_happened(crew)


def test_a_replacement_hangs_and_the_old_unit_is_gone(crew: Field) -> None:
    fresh = Unit(number="U-900001", model=crew.units[0].model, state=Unit.State.IN_STOCK)
    fresh.save()
    crew.save(crew.units[0], "replaced", spare_number="U-900001")
    crew.save(crew.units[1])
    crew.save(crew.units[2])
    crew.close(count_serviced="2", count_replaced="1")
    fresh.refresh_from_db()
    assert fresh.location == crew.units[0].location
    assert VisitEntry.objects.filter(visit=crew.visit, result="replaced").count() == 1
    # The round of the closed visit still shows the old unit where it hung.
    assert f"010 · {crew.units[0].number}" in text_of(crew.client.get(crew.at("round")))


CLOSED_QUERIES = 7


@pytest.mark.parametrize("more", [0, 2])
def test_the_closed_page_asks_the_same_for_any_number_of_units(
    crew: Field, django_assert_num_queries: Any, more: int
) -> None:
    for _ in range(more):
        make_unit(crew.site)
    record_all(crew)
    crew.close(count_serviced="2", count_failed="1")
    # Session, user, scope, visit; certificate; obligations with units; units not in service
    with django_assert_num_queries(CLOSED_QUERIES):
        crew.client.get(crew.at("closed"))
