"""Doubts and defects at the desk: seen, settled by name and note, thresholds changed by a manager."""

from __future__ import annotations

import uuid

import pytest

from inventory.logbook.models import Defect
from schedules.visits.doubts import current_thresholds, look_over
from schedules.visits.models import Doubt, FieldAct
from schedules.visits.recording import EntryInput, add_entry
from tests.factories import NOW, TODAY, make_location, make_unit
from tests.servicedesk.page_cast import Cast, text_of

pytestmark = pytest.mark.django_db


def doubt_on(cast: Cast) -> Doubt:
    visit = cast.site.visits.first()
    return Doubt.objects.create(
        visit=visit,
        kind="hurried",
        subject="U-1",
        sentence="10 units were serviced within 2 min.",
        evidence=["from U-1 at 09:00:00 UTC"],
        found_at=NOW,
    )


def test_a_doubt_is_shown_settled_and_shown_as_settled(cast: Cast) -> None:
    doubt = doubt_on(cast)
    assert "10 units were serviced" in text_of(cast.get("dispatcher", "desk:doubts"))
    assert "10 units were serviced" in text_of(cast.get("dispatcher", "desk:visit", doubt.visit.public_id))
    cast.post("dispatcher", "desk:doubt", doubt.public_id, note=" ")
    assert Doubt.objects.open().exists()
    cast.post("dispatcher", "desk:doubt", doubt.public_id, note="Small lobby, ten in a row.")
    assert "Nothing to look at" in text_of(cast.get("dispatcher", "desk:doubts"))
    settled = text_of(cast.get("dispatcher", "desk:doubts", show="settled"))
    assert "Small lobby, ten in a row." in settled
    doubt.refresh_from_db()
    assert doubt.settled_by == cast.people["dispatcher"]
    assert cast.post("technician", "desk:doubt", doubt.public_id, note="x").status_code == 403


def test_a_manager_changes_thresholds(cast: Cast) -> None:
    shipped = current_thresholds()
    given = {name: getattr(shipped, name) for name in type(shipped).__slots__} | {"far_m": 300}
    assert cast.post("manager", "desk:doubt-limits", **given).status_code == 302
    assert current_thresholds().far_m == 300
    assert cast.post("manager", "desk:doubt-limits", **(given | {"far_m": 0})).status_code == 400
    assert cast.post("dispatcher", "desk:doubt-limits", **given).status_code == 403


def test_defects_are_listed_where_they_belong_and_settled(cast: Cast) -> None:
    place = make_location(cast.site)
    common = {"opened_on": TODAY, "opened_at": NOW, "site": cast.site}
    critical = Defect.objects.create(unit=cast.unit, code="pin", severity="critical", **common)
    Defect.objects.create(location=place, code="blocked", severity="non_critical", **common)
    Defect.objects.create(unit=cast.unit, code="dent", severity="critical", is_void=True, **common)
    listed = text_of(cast.get("dispatcher", "desk:defects"))
    assert listed.index("Pin missing") < listed.index("Blocked")
    assert "Dent" not in listed
    assert "Pin missing" in text_of(cast.get("dispatcher", "desk:unit", cast.unit.public_id))
    assert "Blocked" in text_of(cast.get("dispatcher", "desk:site", cast.site.public_id))
    cast.post("dispatcher", "desk:defect", critical.public_id, how="New pin fitted.")
    critical.refresh_from_db()
    assert (critical.settled_how, critical.settled_by) == ("New pin fitted.", cast.people["dispatcher"])
    assert "Pin missing" not in text_of(cast.get("dispatcher", "desk:defects"))


def test_a_second_look_finds_nothing_new_and_keeps_what_was_settled(cast: Cast) -> None:
    visit = cast.site.visits.first()
    units = [make_unit(cast.site, refresh=False) for _ in range(10)]
    device = uuid.uuid4()
    for position, unit in enumerate(units):
        ref = uuid.uuid4()
        entry = EntryInput(
            ref, unit, "serviced", ("maintenance",),
            ({"quantity": "gauge_pressure", "value": "195", "unit": "psi"},),
        )  # fmt: skip
        act = FieldAct(
            act_id=ref, content_digest="-", visit=visit, kind="result", unit_ref=unit.public_id,
            device_ref=device, sequence=position + 1, counts_at=NOW, received_at=NOW,
            made_by=cast.people["technician"],
        )  # fmt: skip
        add_entry(visit, entry, by=cast.people["technician"], now=NOW, act=act)
    assert [doubt.kind for doubt in look_over(visit, now=NOW)] == ["hurried"]
    assert look_over(visit, now=NOW) == []
