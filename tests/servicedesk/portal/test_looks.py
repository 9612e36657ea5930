"""Monthly looks by the owner's own people, and reports of used or damaged units."""

from __future__ import annotations

import io
import uuid
from datetime import timedelta
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from PIL import Image

from inventory.logbook.models import Defect, Photo, ServiceRecord
from inventory.logbook.services import broken_links
from inventory.register.models import Unit
from schedules.due.models import Obligation
from servicedesk.notices.exceptions import day_list
from tests.factories import NOW, TODAY, make_location, make_record, make_unit, make_user
from tests.servicedesk.portal.cast import Premises, text_of

pytestmark = pytest.mark.django_db

WELL = {"in_place": "yes", "reachable": "yes", "seal": "yes", "gauge": "ok", "damage": "no"}


def look(own: Premises, unit: Unit | None = None, ref: uuid.UUID | None = None, **answers: str) -> Any:
    """Send the five answers about a unit."""
    address = reverse("portal:look", args=[(unit or own.unit).public_id])
    return own.client.post(address, {**WELL, "client_ref": str(ref or uuid.uuid4()), **answers})


def picture(kind: str = "JPEG", size: tuple[int, int] = (3000, 1500)) -> bytes:
    """A picture that tells where it was taken."""
    out = io.BytesIO()
    exif = Image.Exif()
    exif[0x010E] = "PLACE-AND-CAMERA"
    Image.new("RGB", size, "red").save(out, kind, exif=exif)
    return out.getvalue()


def report(own: Premises, what: str = "used", photo: bytes | None = None, **more: str) -> Any:
    """Send a report of the unit."""
    data: dict[str, Any] = {"client_ref": str(uuid.uuid4()), "what": what, **more}
    if photo is not None:
        data["photo"] = SimpleUploadedFile("photo.jpg", photo, "image/jpeg")
    return own.client.post(reverse("portal:report", args=[own.unit.public_id]), data)


def test_a_look_is_a_record_of_the_owners_people_and_moves_the_date(own: Premises) -> None:
    def latest() -> Any:
        row = Obligation.objects.get(unit=own.unit, task="visual_inspection")
        return row.latest_on

    before = latest()
    ref = uuid.uuid4()
    assert look(own, ref=ref).status_code == 302
    assert look(own, ref=ref).status_code == 302
    record = ServiceRecord.objects.get(task="visual_inspection")
    assert (record.outcome, record.evidence, record.done_first) == ("passed", "owner_check", TODAY)
    assert record.client_ref == ref
    assert "Are the pin and its seal whole? Yes." in record.remarks
    assert latest() > before
    assert latest() > TODAY
    assert broken_links(own.unit) == []
    assert not Defect.objects.exists()


def test_a_wrong_answer_fails_the_look_and_opens_each_defect_once(own: Premises) -> None:
    look(own, reachable="no", gauge="low")
    assert ServiceRecord.objects.get(task="visual_inspection").outcome == "failed"
    found = {d.code: (d.unit_id, d.location_id) for d in Defect.objects.all()}
    assert found == {"blocked": (None, own.unit.location_id), "pressure_low": (own.unit.pk, None)}
    look(own, reachable="no", gauge="low")
    assert Defect.objects.count() == 2
    assert ServiceRecord.objects.filter(task="visual_inspection").count() == 2


def test_a_unit_that_is_not_there_is_asked_nothing_more(own: Premises) -> None:
    address = reverse("portal:look", args=[own.unit.public_id])
    own.client.post(address, {"client_ref": str(uuid.uuid4()), "in_place": "no"})
    defect = Defect.objects.get()
    assert (defect.code, defect.severity) == ("missing", "critical")


@pytest.mark.parametrize(
    ("answers", "said"),
    [({"seal": ""}, "Are the pin and its seal whole?"), ({"damage": "yes"}, "Say what is damaged")],
)
def test_an_answer_that_is_missing_is_asked_for_and_nothing_is_kept(
    own: Premises, answers: dict[str, str], said: str
) -> None:
    response = look(own, **answers)
    assert response.status_code == 400
    assert said in text_of(response)
    assert not ServiceRecord.objects.filter(task="visual_inspection").exists()


def test_a_reference_is_not_taken_for_another_unit(own: Premises) -> None:
    other, ref = make_unit(own.site), uuid.uuid4()
    look(own, ref=ref)
    assert look(own, unit=other, ref=ref).status_code == 409


def test_the_round_leads_from_unit_to_unit_and_ends_at_the_counts(own: Premises) -> None:
    second = make_unit(location=make_location(own.site, number="002", walking_order=2), refresh=False)
    third = make_unit(location=make_location(own.site, number="003", walking_order=3), refresh=False)
    assert look(own, unit=second)["Location"] == reverse("portal:look", args=[third.public_id])
    assert look(own, unit=third)["Location"] == reverse("portal:look", args=[own.unit.public_id])
    assert look(own)["Location"] == reverse("portal:site-looks", args=[own.site.public_id])
    text = text_of(own.get("site-looks", own.site.public_id))
    assert "3 of 3 units looked at this calendar month" in text
    assert "November 2026" in text


def test_looks_are_counted_by_calendar_month_each_unit_once(own: Premises) -> None:
    from inventory.measures.stamps import Stamp
    from schedules.due.looks import look_months

    make_record(own.unit, "visual_inspection", Stamp.of(2026, 10, 1), refresh=False)
    make_record(own.unit, "visual_inspection", Stamp.of(2026, 10, 31), outcome="failed", refresh=False)
    make_record(own.unit, "visual_inspection", Stamp.of(2026, 9, 30), refresh=False)
    months = {line.month.isoformat(): line for line in look_months(own.site, NOW)}
    assert [(m.looked_at, m.failed) for m in list(months.values())[:3]] == [(0, 0), (1, 1), (1, 0)]
    assert "0 of 1 units" in text_of(own.get("site-looks", own.site.public_id))


def test_the_list_asks_no_more_for_more_units(own: Premises, django_assert_num_queries: Any) -> None:
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    with CaptureQueriesContext(
        connection,
    ) as few:
        own.get("site-looks", own.site.public_id)
    for _ in range(3):
        make_unit(own.site, refresh=False)
    with django_assert_num_queries(len(few)):
        own.get("site-looks", own.site.public_id)


def test_a_report_opens_a_defect_with_its_photo_and_the_desk_sees_it(own: Premises) -> None:
    response = report(own, photo=picture(), remarks="In the kitchen, about five seconds.")
    assert response["Location"] == reverse("portal:unit", args=[own.unit.public_id])
    defect = Defect.objects.get()
    assert (defect.code, defect.severity, defect.opened_on) == ("used", "critical", TODAY)
    photo = Photo.objects.get()
    assert defect.photo_refs == [str(photo.public_id)]
    assert photo.completed_at is not None
    assert max(photo.width_px or 0, photo.height_px or 0) == 2000
    shown = own.client.get(reverse("v1:field-photo", args=[photo.public_id]))
    assert shown.status_code == 200
    assert b"PLACE-AND-CAMERA" not in shown.content
    section = next(s for s in day_list(NOW) if s.code == "reported")
    assert section.count == 1
    assert "In the kitchen" in section.lines[0].detail
    desk = make_user("dispatcher")
    own.client.force_login(desk)
    assert "In the kitchen" in text_of(own.client.get(reverse("desk:site", args=[own.site.public_id])))


def test_what_is_no_picture_is_refused_and_nothing_is_kept(own: Premises, monkeypatch: Any) -> None:
    # As the PDF engine leaves it.
    monkeypatch.setattr("PIL.ImageFile.LOAD_TRUNCATED_IMAGES", True)
    for wrong in (b"<svg onload=alert(1)>", picture()[:-300]):
        response = report(own, photo=wrong)
        assert response.status_code == 400
        assert "This is no whole" in text_of(response)
    assert report(own, what="damaged").status_code == 400
    assert not Defect.objects.exists()
    assert not Photo.objects.exists()


def test_a_report_sent_twice_counts_once(own: Premises) -> None:
    ref, photo = str(uuid.uuid4()), picture()
    for _ in range(2):
        assert report(own, photo=photo, client_ref=ref).status_code == 302
    assert (Defect.objects.count(), Photo.objects.count()) == (1, 1)


def test_another_owners_unit_is_not_found(own: Premises, strange: Premises) -> None:
    assert look(own, unit=strange.unit).status_code == 404
    address = reverse("portal:report", args=[strange.unit.public_id])
    assert own.client.post(address, {"client_ref": str(uuid.uuid4()), "what": "used"}).status_code == 404
    assert not Defect.objects.exists()


def test_a_look_of_last_month_does_not_count_for_this_one(own: Premises) -> None:
    from inventory.measures.stamps import Stamp
    from schedules.due.looks import to_look_at

    scope_all = __import__("inventory.access", fromlist=["EVERYTHING"]).EVERYTHING
    make_record(own.unit, "visual_inspection", Stamp.of(2026, 10, 31), refresh=False)
    assert [unit.pk for unit in to_look_at(scope_all, own.site, NOW)[0]] == [own.unit.pk]
    assert list(to_look_at(scope_all, own.site, NOW - timedelta(days=25))[0]) == []
