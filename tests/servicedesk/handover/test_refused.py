"""Files that are not taken: each says table, row, field and remedy, and leaves everything as it was."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Callable
from typing import Any

import pytest

from inventory.logbook.models import ServiceRecord
from inventory.register.models import Location, Owner, Site, Unit
from servicedesk.handover.models import HandedRow, TakeOver
from servicedesk.handover.reading import HandedFileRefused
from servicedesk.handover.rows import canonical
from servicedesk.handover.tables import TABLES
from servicedesk.handover.taking import take_over
from tests.factories import NOW, make_owner, make_site, make_unit, make_user
from tests.servicedesk.handover.cast import build, made_elsewhere, opened, register_of

Change = Callable[[dict[str, Any]], Any]


@pytest.fixture(scope="module")
def handed(django_db_setup: None, django_db_blocker: Any) -> bytes:
    """A file of another house."""
    with django_db_blocker.unblock():
        return made_elsewhere(lambda: build(with_paper=False))[0]


def packed(
    register: dict[str, Any], *, resealed: bool = True, names: dict[str, bytes] | None = None
) -> bytes:
    """``register`` as a ZIP whose digests are right, as somebody who alters one would make them."""
    if resealed:
        digest = hashlib.sha256()
        for table in TABLES:
            digest.update(f"{table.name}\n".encode())
            for row in register["tables"].get(table.name, ()):
                digest.update(f"{canonical(row)}\n".encode())
        register["content_sha256"] = digest.hexdigest()
    text = json.dumps(register).encode()
    files = {"register.json": text, **(names or {})}
    listed = [{"file": n, "bytes": len(d), "sha256": hashlib.sha256(d).hexdigest()} for n, d in files.items()]
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)
        archive.writestr("manifest.json", json.dumps({"files": listed}))
    return out.getvalue()


def counts() -> list[int]:
    return [
        model._default_manager.count()
        for model in (Owner, Site, Location, Unit, ServiceRecord, HandedRow, TakeOver)
    ]


def put(table: str, row: int, field: str, value: Any) -> Change:
    def change(register: dict[str, Any]) -> None:
        register["tables"][table][row][field] = value

    return change


def drop_middle_record(register: dict[str, Any]) -> None:
    rows = register["tables"]["records"]
    gone = rows.pop(1)["client_ref"]
    register["tables"]["readings"] = [r for r in register["tables"]["readings"] if r["record"] != gone]


BAD: dict[str, tuple[Change, str, str]] = {
    "a word altered": (put("records", 0, "remarks", "never said"), "records", "digest"),
    "a reading altered": (put("readings", 0, "base_value", 1.0), "records", "digest"),
    "a certificate altered": (put("certificates", 0, "content", {}), "certificates", "content"),
    "no such day": (put("records", 0, "done_first", "2026-02-31"), "records", "done_first"),
    "text for a figure": (put("readings", 0, "base_value", "1"), "readings", "base_value"),
    "too long": (put("sites", 0, "code", "x" * 31), "sites", "code"),
    "NUL": (put("sites", 0, "name", "a\0b"), "sites", "name"),
    "no such code": (put("units", 0, "state", "lost"), "units", "state"),
    "no such zone": (put("sites", 0, "time_zone", "Mars/Base"), "sites", "time_zone"),
    "no such table": (put("adoptions", 0, "table_key", "never-heard"), "adoptions", "table_key"),
    "a stranger's unit": (
        put("records", 0, "unit", "11111111-1111-4111-8111-111111111111"),
        "records",
        "unit",
    ),
    "an unknown field": (put("units", 0, "is_superuser", True), "units", "is_superuser"),
    "an id twice": (
        lambda r: r["tables"]["units"][1].update(public_id=r["tables"]["units"][0]["public_id"]),
        "units",
        "public_id",
    ),
    "latitude past the pole": (put("sites", 0, "latitude", "98.610000"), "sites", ""),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_row_is_named(name: str, handed: bytes, db: None) -> None:
    change, table, field = BAD[name]
    register = register_of(handed)
    change(register)
    before = counts()
    with pytest.raises(HandedFileRefused) as caught:
        take_over(opened(packed(register)), by=make_user("manager"), now=NOW)
    problem = caught.value.problems[0]
    assert (problem.table, problem.field) == (table, field)
    assert problem.row > 0
    assert problem.remedy
    assert counts() == before


def test_a_dropped_record_is_told_as_a_gap_and_an_altered_file_without_new_digests_is_refused(
    handed: bytes, db: None
) -> None:
    register = register_of(handed)
    drop_middle_record(register)
    with pytest.raises(HandedFileRefused, match="digest"):
        opened(packed(register, resealed=False))
    found = opened(packed(register))
    assert [proof.gaps for proof in found.proofs.values() if proof.gaps]


@pytest.mark.parametrize(
    "name", ["../../etc/passwd", "/etc/passwd", "papers\\..\\..\\x", "C:evil", "papers/../../x.pdf"]
)
def test_a_name_that_leads_out_is_refused(name: str, handed: bytes, db: None) -> None:
    with pytest.raises(HandedFileRefused, match="leads out"):
        opened(packed(register_of(handed), names={name: b"x"}))


def test_files_that_are_none_are_refused(handed: bytes, db: None) -> None:
    for data, said in (
        (b"", "no JSON"),
        (b"PK\x03\x04 nonsense", "cannot be read"),
        (b"[" * 100_000, "no JSON"),
        (b'{"format": "something else"}', "does not say that it is"),
        (b'{"format": NaN}', "no JSON"),
    ):
        with pytest.raises(HandedFileRefused, match=said):
            opened(data)
    with pytest.raises(HandedFileRefused, match="version 99"):
        opened(packed(register_of(handed) | {"version": 99}))
    paper = b"%PDF-1.7 another"
    wrong = "papers/" + "0" * 64 + ".pdf"
    with pytest.raises(HandedFileRefused, match="another digest"):
        opened(packed(register_of(handed), names={wrong: paper}))


def test_nothing_is_added_below_what_stands_here(handed: bytes, db: None) -> None:
    """A file that names an owner, site or unit of ours cannot hang records on them."""
    register = register_of(handed)
    owner = make_owner(name=register["tables"]["owners"][0]["name"])
    Owner.objects.filter(pk=owner.pk).update(public_id=register["tables"]["owners"][0]["public_id"])
    before = counts()
    with pytest.raises(HandedFileRefused) as caught:
        take_over(opened(packed(register)), by=make_user("manager"), now=NOW)
    assert caught.value.problems[0].table == "owners"
    assert counts() == before

    Owner.objects.filter(pk=owner.pk).update(name="Another", public_id="11111111-1111-4111-8111-111111111111")
    site = make_site(owner, tables=())
    unit = make_unit(site, refresh=False)
    register["tables"]["units"][0]["public_id"], old = (
        str(unit.public_id),
        register["tables"]["units"][0]["public_id"],
    )
    for rows in register["tables"].values():
        for row in rows:
            if row.get("unit") == old:
                row["unit"] = str(unit.public_id)
    before = counts()
    with pytest.raises(HandedFileRefused):
        take_over(opened(packed(register)), by=make_user("manager"), now=NOW)
    assert counts() == before
    assert not unit.records.exists()


def test_a_number_that_is_taken_is_given_anew_and_told(handed: bytes, db: None) -> None:
    number = register_of(handed)["tables"]["units"][0]["number"]
    make_unit(number=number, refresh=False)
    taken = take_over(opened(handed), by=make_user("manager"), now=NOW)
    assert any(number in note and "number was taken" in note for note in taken.notes)
    assert Unit.objects.filter(number=number).count() == 1
    assert Unit.objects.count() == 3


def test_a_trial_keeps_nothing(handed: bytes, db: None) -> None:
    before = counts()
    taken = take_over(opened(handed), by=make_user("manager"), now=NOW, is_trial=True)
    assert taken.added["units"] == 2
    assert counts() == before
