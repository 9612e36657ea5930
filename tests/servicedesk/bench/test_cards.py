"""Job cards on the workshop's pages: who may open them, and a card from receipt to return."""

from __future__ import annotations

from typing import Any

import pytest
from django.urls import reverse

from inventory.register.models import Unit
from inventory.workshop.models import CardEntry, Instrument, JobCard
from inventory.workshop.queries import current_values
from tests.factories import TODAY
from tests.inventory.workshop.figures import (
    POWDER,
    board,
    make_away,
    make_instruments,
    receive,
    step,
    work_until,
)
from tests.servicedesk.page_cast import Cast, text_of

pytestmark = pytest.mark.django_db

ROLES = ("manager", "dispatcher", "workshop", "technician", "owner")


@pytest.fixture(autouse=True)
def _instruments(db: None) -> None:
    make_instruments()


@pytest.fixture
def card(cast: Cast) -> JobCard:
    """A card of a unit of the first owner's site."""
    unit = make_away(site=cast.site, number="U-300001")
    return receive(unit, cast.people["workshop"])


def posted(code: str, card: JobCard, **changes: Any) -> dict[str, Any]:
    """The form of a step as a browser sends it."""
    data: dict[str, Any] = {"step": code, "version": card.version, "client_ref": str(CardEntry().client_ref)}
    for name, value in {**POWDER[code], **changes}.items():
        if isinstance(value, dict):
            data[name], data[f"{name}__unit"] = value["value"], value.get("unit", "")
        elif value is True:
            data[name] = "on"
        else:
            data[name] = value
    return data


def pages(card: JobCard) -> list[str]:
    return [
        reverse("bench:home"),
        reverse("bench:waiting"),
        reverse("bench:card", args=[card.public_id]),
        reverse("bench:card-pdf", args=[card.public_id]),
        reverse("bench:claims"),
        reverse("bench:tests"),
        reverse("bench:tests-csv"),
        reverse("bench:instruments"),
        reverse("bench:values"),
    ]


def work_pages(card: JobCard) -> list[str]:
    return [
        reverse("bench:receive"),
        reverse("bench:receive-unit", args=[card.unit.public_id]),
        reverse("bench:change-card", args=[card.public_id]),
        reverse("bench:withdraw-card", args=[card.public_id]),
        reverse("bench:send", args=[card.public_id]),
        reverse("bench:take-back", args=[card.public_id]),
        reverse("bench:back", args=[card.public_id]),
        reverse("bench:instrument", args=[Instrument.objects.get(code="SC-1").public_id]),
    ]


def test_each_page_opens_for_its_roles_only(cast: Cast, card: JobCard) -> None:
    entry = step(card, "triage", cast.people["workshop"])
    correct = reverse("bench:correct-entry", args=[card.public_id, entry.client_ref])
    for role in ROLES:
        client = cast.client(role)
        may_see, may_work = role in ROLES[:3], role in ("manager", "workshop")
        for path in pages(card):
            assert client.get(path).status_code == (200 if may_see else 403), (role, path)
        for path in work_pages(card):
            assert (client.get(path).status_code != 403) is may_work, (role, path)
            assert (client.post(path).status_code != 403) is may_work, (role, path)
        posts = {
            reverse("bench:card", args=[card.public_id]): may_work,
            reverse("bench:instruments"): may_work,
            reverse("bench:values"): role == "manager",
            correct: role == "manager",
        }
        for path, may in posts.items():
            assert (client.post(path).status_code != 403) is may, (role, path)
    assert CardEntry.objects.count() == 1


def test_a_unit_is_received_by_scanning_its_number(cast: Cast) -> None:
    unit = make_away(site=cast.site, number="U-300009")
    client = cast.client("workshop")
    found = client.get(reverse("bench:receive"), {"find": "u-300009"})
    assert found.url == reverse("bench:receive-unit", args=[unit.public_id])
    answer = client.post(found.url, {"reason": "used", "works": ["recharge"], "accessories": "bracket"})
    card = JobCard.objects.get(unit=unit)
    assert answer.url == reverse("bench:card", args=[card.public_id])
    # A label of ours carries an address; its number stands last.
    label = client.get(reverse("bench:receive"), {"find": "HTTP://DESK.EXAMPLE/U/U-300009"})
    assert label.url == answer.url
    # Scanned again, it leads to the card.
    assert client.get(reverse("bench:receive"), {"find": "U-300009"}).url == answer.url
    assert "Nothing found" in text_of(client.get(reverse("bench:receive"), {"find": "U-999999"}))


def test_the_queue_is_by_promise_and_costs_the_same_for_more_cards(
    cast: Cast, card: JobCard, django_assert_max_num_queries: Any
) -> None:
    client = cast.client("workshop")
    client.get(reverse("bench:home"))
    for number in (2, 3):
        receive(
            make_away(site=cast.site, number=f"U-30000{number}"), cast.people["workshop"], promised_on=TODAY
        )
    # session, user, count, cards, counts by state, stays, calibrations, unread notices of the frame
    with django_assert_max_num_queries(9):
        answer = client.get(reverse("bench:home"))
    lines = [line.card.unit.number for line in answer.context["lines"]]
    assert lines == ["U-300002", "U-300003", "U-300001"]
    assert "Soon" in text_of(answer)
    empty = client.get(reverse("bench:home"), {"q": "nowhere"})
    assert "No card matches" in text_of(empty)


def test_a_step_shows_its_cautions_with_the_standing_notice(cast: Cast, card: JobCard) -> None:
    step(card, "triage", cast.people["workshop"])
    page = text_of(cast.get("workshop", "bench:card", card.public_id))
    assert "Prove it empty twice" in page
    assert "A reminder, not an instruction." in page
    # Nothing of other steps, and nothing of other agents.
    assert "Liquid only" not in page
    assert "Halogenated" not in page


def test_a_step_is_stated_by_the_form_and_what_is_missing_stands_beside_its_field(
    cast: Cast, card: JobCard
) -> None:
    client, path = cast.client("workshop"), reverse("bench:card", args=[card.public_id])
    wrong = client.post(path, posted("triage", card, serial_read=""))
    assert wrong.status_code == 400
    assert wrong.context["form"].errors["serial_read"] == ["Fill it in."]
    # The label stands once, in the summary.
    assert "Serial as read on the shell</a>: Fill it in." in text_of(wrong)
    assert "Serial as read on the shell: " not in text_of(wrong)
    assert client.post(path, posted("triage", card)).status_code == 302
    assert board(card).next_line.step.code == "empty"
    # An older sight of the card changes nothing.
    stale = client.post(path, {**posted("empty", card), "version": 1}, follow=True)
    assert "Somebody else worked on card" in text_of(stale)
    assert CardEntry.objects.count() == 1


def test_unlikely_figures_are_asked_about_once(cast: Cast, card: JobCard) -> None:
    work_until(card, "decide", cast.people["workshop"])
    client, path = cast.client("workshop"), reverse("bench:card", args=[card.public_id])
    card.refresh_from_db()
    data = posted("fill", card, mass_in={"value": "10", "unit": "kg"})
    asked = client.post(path, data)
    assert asked.status_code == 400
    assert "Is this so?" in text_of(asked)
    assert not CardEntry.objects.filter(step="fill").exists()
    client.post(path, {**data, "confirmed": "on"})
    assert CardEntry.objects.get(step="fill").verdict == "outside"


def test_release_and_return_by_a_second_person(cast: Cast, card: JobCard) -> None:
    work_until(card, "finish", cast.people["workshop"])
    card.refresh_from_db()
    path = reverse("bench:card", args=[card.public_id])
    same = cast.client("workshop").post(path, posted("release", card), follow=True)
    assert "cannot release it" in text_of(same)
    manager = cast.client("manager")
    manager.post(path, posted("release", card))
    card.refresh_from_db()
    assert card.state == JobCard.State.RELEASED
    assert "Warranty" in text_of(manager.get(path))
    back = reverse("bench:take-back", args=[card.public_id])
    assert manager.post(back, {"version": card.version, "reason": "damaged"}).status_code == 400
    manager.post(path, posted("return", card))
    late = {"version": card.version, "reason": "damaged", "why": "Too late"}
    assert "Nothing of yours was stored" in text_of(manager.post(back, late, follow=True))
    unit = Unit.objects.get(pk=card.unit_id)
    assert unit.state == Unit.State.IN_SERVICE
    entry = CardEntry.objects.get(step="fill")
    correct = reverse("bench:correct-entry", args=[card.public_id, entry.client_ref])
    assert manager.get(correct).status_code == 200


def test_a_manager_changes_a_value_and_everybody_sees_why(cast: Cast) -> None:
    client, path = cast.client("manager"), reverse("bench:values")
    wrong = client.post(path, {"key": "hold_drop", "value": "400", "reason": "x"})
    assert wrong.status_code == 400
    assert "far from the shipped" in text_of(wrong)
    client.post(path, {"key": "hold_drop", "value": "3", "reason": "New gauges"})
    assert current_values()["hold_drop"].printed == "3 %"
    assert "set by a manager: New gauges" in text_of(cast.get("workshop", "bench:values"))
    client.post(path, {"key": "hold_drop", "value": "", "reason": "Back"})
    assert not current_values()["hold_drop"].is_changed


def test_a_calibration_is_entered_and_an_instrument_retired(cast: Cast) -> None:
    row = Instrument.objects.get(code="SC-1")
    client, path = cast.client("workshop"), reverse("bench:instrument", args=[row.public_id])
    given = {
        "version": row.version,
        "done_on": "2026-11-20",
        "due_on": "2027-11-20",
        "certificate_ref": "CAL-9",
    }
    assert client.post(path, {**given, "due_on": "2026-11-19"}).status_code == 400
    client.post(path, given)
    row.refresh_from_db()
    assert str(row.due_on) == "2027-11-20"
    stale = client.post(path, {"do": "retire", "version": 1}, follow=True)
    assert "changed by somebody else" in text_of(stale)
    client.post(path, {"do": "retire", "version": row.version})
    row.refresh_from_db()
    assert row.is_retired


def test_papers_of_a_test(cast: Cast) -> None:
    hand = cast.people["workshop"]
    card = receive(make_away(site=cast.site, serial="SN"), hand, "hydrostatic_test")
    work_until(card, "inside", hand)
    step(card, "decide", hand, {"decision": "test"})
    entry = step(card, "proof_test", hand)
    client = cast.client("workshop")
    register = client.get(reverse("bench:tests"))
    assert [line.cells["disposition"] for line in register.context["lines"]] == ["Passed"]
    text = client.get(reverse("bench:tests-csv")).content.decode("utf-8-sig")
    head, row = text.splitlines()
    assert head.startswith("date,card,unit,serial,specification,service_pressure")
    assert "Clean and sound" in row
    for name, args in (("bench:tests-pdf", []), ("bench:test-pdf", [entry.client_ref])):
        assert client.get(reverse(name, args=args)).content.startswith(b"%PDF")
    none = client.get(reverse("bench:tests"), {"until": "2020-01-01"})
    assert "No test in these days" in text_of(none)
