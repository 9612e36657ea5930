"""A register that is handed over and taken over says the same in the next house."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import uuid
import zipfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import jsonschema  # type: ignore[import-untyped]
import pytest

from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import broken_links
from inventory.measures.stamps import Stamp
from inventory.register.models import Owner, Unit
from inventory.register.places import Move, Store
from schedules.certificates.models import CertificateFile
from schedules.due.models import Obligation
from servicedesk.handover import made
from servicedesk.handover import schema as handover_schema
from servicedesk.handover.made import number_of
from servicedesk.handover.models import HandedRow, TakeOver
from servicedesk.handover.schema import schema, schema_text
from servicedesk.handover.tables import TABLES, Cover
from servicedesk.handover.taking import take_over
from servicedesk.portal import archive as papers
from tests.factories import NOW, make_location, make_record, make_unit, make_user
from tests.servicedesk.handover.cast import build, handed_bytes, made_elsewhere, opened, register_of

LATER = datetime(2026, 12, 3, 10, 0, tzinfo=UTC)
# Said by the house that writes the file; the tables themselves are equal byte for byte.
OF_THE_WRITER = ("handover", "house", "made_at")


def test_the_file_follows_its_schema_and_the_copy_of_the_schema_is_up_to_date(db: None) -> None:
    build(with_paper=False)
    found = register_of(handed_bytes())
    jsonschema.Draft202012Validator.check_schema(schema())
    jsonschema.Draft202012Validator(schema()).validate(found)
    copy = Path(handover_schema.__file__).with_name("schema.json")
    assert copy.read_text(encoding="utf-8") == schema_text(), (
        "run: python -m servicedesk.handover.write_schema"
    )
    assert {name for name, rows in found["tables"].items() if not rows} < {table.name for table in TABLES}


def test_what_is_taken_over_is_handed_on_byte_for_byte(db: None) -> None:
    data, built = made_elsewhere(build)
    assert not Owner.objects.exists()
    # Rows of another owner were here first, so that no row gets the number it had there.
    other = make_unit(serial="ours")
    make_record(other)
    assert other.site is not None
    Owner.objects.filter(pk=other.site.owner_id).update(name="Somebody else")

    taken = take_over(opened(data), by=make_user("manager"), now=LATER)
    assert taken.added["records"] == len(register_of(data)["tables"]["records"]) == 4
    owner = Owner.objects.get(public_id=built.owner.public_id)
    again = handed_bytes(Cover(owner=owner))
    before, after = register_of(data), register_of(again)
    for name in OF_THE_WRITER:
        assert before.pop(name) != after.pop(name) or name == "made_at"
    assert after.pop("covers")["owners"] == before.pop("covers")["owners"]
    assert json.dumps(after, sort_keys=True) == json.dumps(before, sort_keys=True)

    unit = Unit.objects.get(public_id=built.unit.public_id)
    assert unit.number == built.unit.number
    assert unit.pk != built.unit.pk
    assert broken_links(unit) == []
    # The chain goes on here with records of ours, and dates were worked out.
    make_record(unit, done=Stamp.of(2026, 11, 20))
    assert broken_links(unit) == []
    assert Obligation.objects.filter(unit=unit).exists()
    paper = HandedRow.objects.get(table_name="certificate_files")
    assert paper.sha256 == register_of(data)["tables"]["certificate_files"][0]["sha256"]
    assert opened(data).paper(paper.sha256)[:5] == b"%PDF-"  # type: ignore[index]


def test_a_repeat_adds_nothing_and_a_later_file_of_the_same_is_known(db: None) -> None:
    data, built = made_elsewhere(lambda: build(with_paper=False))
    manager = make_user("manager")
    take_over(opened(data), by=manager, now=LATER)
    counts = {table.label: table.model._default_manager.count() for table in TABLES}
    rows = HandedRow.objects.count()

    assert take_over(opened(data), by=manager, now=LATER).is_repeat
    # Handed on from here and taken in again: other words around it, the same rows.
    back = opened(handed_bytes())
    assert back.content_sha256 == TakeOver.objects.get().content_digest
    assert counts == {table.label: table.model._default_manager.count() for table in TABLES}
    assert HandedRow.objects.count() == rows

    # A record more here: the earlier file is still known, row by row.
    make_record(Unit.objects.get(public_id=built.unit.public_id), done=Stamp.of(2026, 11, 20))
    newer = opened(handed_bytes())
    taken = take_over(newer, by=manager, now=LATER)
    assert not taken.is_repeat
    assert sum(taken.added.values()) == 0
    assert ServiceRecord.objects.count() == counts["inventory.ServiceRecord"] + 1


@pytest.mark.parametrize("level", ["site", "owner"])
def test_a_handover_holds_nothing_of_another_owner(level: str, db: None) -> None:
    built = build("Harrow Mills", with_paper=False)
    build("Pike Foundry", with_paper=False)
    cover = Cover(site=built.site) if level == "site" else Cover(owner=built.owner)
    text = json.dumps(register_of(handed_bytes(cover)))
    assert "Harrow" in text
    assert "Pike" not in text


def test_counts_and_digests_of_every_file_are_listed(db: None) -> None:
    build()
    for form in ("json", "csv", "xlsx"):
        with zipfile.ZipFile(io.BytesIO(handed_bytes(form=form))) as archive:
            listed: dict[str, Any] = json.loads(archive.read("manifest.json"))
            names = {entry["file"]: entry for entry in listed["files"]}
            assert {*archive.namelist()} == {*names, "manifest.json"}
            for name, entry in names.items():
                data = archive.read(name)
                assert hashlib.sha256(data).hexdigest() == entry["sha256"], name
                assert len(data) == entry["bytes"]
            assert listed["counts"]["units"] == 2
            assert any(name.startswith("papers/") for name in names)


def test_papers_without_a_file_are_made_and_what_could_not_be_made_is_said(
    db: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A certificate waiting for its file comes along like every other; the rest lies beside the rows."""
    built = build(with_paper=False)
    # A loaner is left, so that the visit has a receipt; its own site only.
    visit = built.certificate.visit
    assert visit is not None
    loaner = make_unit(location=make_location(built.site, number="L1"), refresh=False)
    Move.objects.create(
        unit=loaner, site=built.site, from_store=Store.objects.create(name="Van"),
        to_location=loaner.location, from_state="loaner_free", to_state="loaner_out", ref=visit.public_id,
        on=NOW.date(), made_at=NOW, client_ref=uuid.uuid4(), transaction=uuid.uuid4(),
    )  # fmt: skip
    build("Pike Foundry", with_paper=False)
    cover = Cover(owner=built.owner)
    assert number_of(cover, NOW) == 3

    data = handed_bytes(cover, makes_papers=True)

    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        names = archive.namelist()
        listed = json.loads(archive.read("manifest.json"))
        lines = list(csv.DictReader(io.StringIO(archive.read("made/list.csv").decode("utf-8-sig"))))
        digests = {name: hashlib.sha256(archive.read(name)).hexdigest() for name in names}
        readme = archive.read("README.txt").decode()
    receipt, register = lines
    folder = f"made/{built.site.code}/"
    assert (receipt["paper"], receipt["number"]) == ("Receipt for units taken and left", visit.number)
    assert receipt["file"] == f"{folder}{visit.done_on}-{visit.number}-receipt.pdf"
    assert (register["paper"], register["site"]) == ("Site register with history", built.site.name)
    assert [digests[line["file"]] for line in lines] == [line["sha256"] for line in lines]
    assert {entry["file"] for entry in listed["files"]} == {*names} - {"manifest.json"}
    assert (listed["papers_not_made"], listed["papers_lost_here"]) == (0, [])
    assert "made/list.csv names each" in readme
    # The certificate of the site has its file now, and it is among the rows and papers.
    (stored,) = opened(data).tables["certificate_files"]
    assert stored["certificate"] == str(built.certificate.public_id)
    assert f"papers/{stored['paper']['sha256']}.pdf" in names
    assert CertificateFile.objects.get().certificate == built.certificate

    # One that fails, and what is more than one file takes: said, not passed over.
    monkeypatch.setattr(made, "site_register", lambda *args, **kwargs: 1 / 0)
    monkeypatch.setattr(papers, "removal_receipt", lambda *args, **kwargs: b"%PDF-")
    with zipfile.ZipFile(io.BytesIO(handed_bytes(cover, "csv", makes_papers=True))) as archive:
        lines = list(csv.DictReader(io.StringIO(archive.read("made/list.csv").decode("utf-8-sig"))))
        assert json.loads(archive.read("manifest.json"))["papers_not_made"] == 1
        assert "1 paper is not included" in archive.read("README.txt").decode()
    assert [(bool(line["file"]), line["left_out_because"]) for line in lines] == [
        (True, ""),
        (False, "could not be made; it can be asked for on its own page"),
    ]
    monkeypatch.setattr(made, "MOST_MADE", 0)
    none = handed_bytes(cover, makes_papers=True)
    with zipfile.ZipFile(io.BytesIO(none)) as archive:
        assert [name for name in archive.namelist() if name.startswith("made/")] == ["made/list.csv"]
    # The rows are the same with and without.
    first, second = register_of(data), register_of(none)
    assert first["tables"] == second["tables"]
    assert first["content_sha256"] == opened(data).content_sha256 == second["content_sha256"]
