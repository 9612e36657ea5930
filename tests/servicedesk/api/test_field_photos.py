"""Photos arrive in pieces, are checked when whole, and are shown to those who may see the site."""

from __future__ import annotations

import hashlib
import io
import uuid
from datetime import timedelta

import pytest
from PIL import Image, ImageFile

from inventory.logbook.models import Photo
from inventory.logbook.photos import forget_unfinished
from tests.factories import NOW, make_owner, make_site, make_unit, make_user, make_visit
from tests.servicedesk.api.cast import client_of

pytestmark = pytest.mark.django_db
URL = "/api/v1/field/photos/"


@pytest.fixture(autouse=True)
def _media(settings, tmp_path, monkeypatch):
    settings.MEDIA_ROOT = tmp_path
    # As it is in any process that has made a paper.
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)


@pytest.fixture
def technician():
    return make_user("technician")


@pytest.fixture
def visit(technician):
    site = make_site()
    return make_visit(site, [make_unit(site, refresh=False)], technician=technician)


def picture(size=(320, 240), kind="JPEG") -> bytes:
    file = io.BytesIO()
    Image.effect_noise(size, 60).convert("RGB").save(file, kind)
    return file.getvalue()


def announce(client, visit, data, **fields):
    body = {
        "id": str(uuid.uuid4()),
        "visit": str(visit.public_id),
        "media_type": "image/jpeg",
        "length": len(data),
        "sha256": hashlib.sha256(data).hexdigest(),
    } | fields
    return body["id"], client.post(URL, body)


def send(client, ref, data, offset, last=False):
    return client.generic(
        "PATCH",
        f"{URL}{ref}/",
        data,
        content_type="application/partial-upload",
        headers={"Upload-Offset": str(offset), "Upload-Complete": "?1" if last else "?0"},
    )


def test_a_photo_arrives_in_pieces_and_goes_on_where_it_stopped(technician, visit, tmp_path):
    client, data = client_of(technician), picture()
    ref, announced = announce(client, visit, data)
    assert (announced.status_code, announced["Upload-Offset"]) == (201, "0")
    assert send(client, ref, data[:4000], 0)["Upload-Offset"] == "4000"
    lost = send(client, ref, data[:4000], 0)
    assert (lost.status_code, lost.json()["code"], lost["Upload-Offset"]) == (409, "offset_differs", "4000")
    head = client.head(f"{URL}{ref}/")
    assert (head["Upload-Offset"], head["Upload-Complete"]) == ("4000", "?0")
    assert client.get(f"{URL}{ref}/").status_code == 404
    done = send(client, ref, data[4000:], 4000, last=True)
    assert (done.status_code, done["Upload-Complete"]) == (204, "?1")
    shown = client.get(f"{URL}{ref}/")
    assert (shown.content, shown["Content-Type"]) == (data, "image/jpeg")
    assert (Photo.objects.get().width_px, Photo.objects.get().height_px) == (320, 240)
    again, twin = announce(client, visit, data)
    assert twin.json() == {"id": again, "offset": len(data), "complete": True}
    assert len([file for file in (tmp_path / "photos").rglob("*") if file.is_file()]) == 1


@pytest.mark.parametrize(
    ("data", "fields", "code"),
    [
        (b"<script>alert(1)</script>" * 9, {}, "media_type"),
        (picture((5000, 8)), {}, "media_type"),
        (picture(kind="PNG"), {}, "media_type"),
        (picture()[:-2000], {}, "media_type"),
        (picture(), {"sha256": "0" * 64}, "sha256"),
    ],
    ids=["no picture", "too wide", "other kind", "cut off", "other bytes"],
)
def test_what_is_no_photo_is_refused_and_starts_again(technician, visit, tmp_path, data, fields, code):
    client = client_of(technician)
    ref, _ = announce(client, visit, data, **fields)
    refused = send(client, ref, data, 0, last=True)
    assert (refused.status_code, refused["Upload-Offset"]) == (400, "0")
    assert refused.json()["errors"][0]["field"] == code
    assert not [file for file in (tmp_path / "photos").rglob("*") if file.is_file()]


def test_limits_and_headers_are_named(technician, visit):
    client, data = client_of(technician), picture()
    assert announce(client, visit, data, length=5_000_000)[1].json()["errors"][0]["field"] == "length"
    ref, _ = announce(client, visit, data)
    bare = client.generic("PATCH", f"{URL}{ref}/", b"x", content_type="application/partial-upload")
    assert bare.json()["errors"][0]["field"] == "Upload-Offset"
    assert send(client, ref, data + b"more", 0).json()["errors"][0]["field"] == "length"


def test_only_those_who_may_see_the_site_see_it(technician, visit):
    data = picture()
    ref, _ = announce(client_of(technician), visit, data)
    send(client_of(technician), ref, data, 0, last=True)
    owner = make_user("owner", owner=visit.site.owner)
    stranger = make_user("owner", owner=make_owner())
    found = {
        who.role: client_of(who).get(f"{URL}{ref}/").status_code
        for who in (make_user("dispatcher"), make_user("technician"), owner)
    }
    assert found == {"dispatcher": 200, "technician": 404, "owner": 200}
    assert client_of(stranger).get(f"{URL}{ref}/").status_code == 404
    assert client_of(make_user("technician")).head(f"{URL}{ref}/").status_code == 404


def test_what_was_never_finished_is_dropped_after_a_while(technician, visit, tmp_path):
    client, data = client_of(technician), picture()
    ref, _ = announce(client, visit, data)
    send(client, ref, data[:1000], 0)
    Photo.objects.update(changed_at=NOW)
    assert forget_unfinished(now=NOW + timedelta(days=29)) == 0
    assert forget_unfinished(now=NOW + timedelta(days=31)) == 1
    assert not Photo.objects.exists()
    assert not (tmp_path / "photos" / "partial" / ref).exists()
