"""Bringing in a register through the pages: settle, look, choose, store, take back; who may."""

from __future__ import annotations

import csv
import io
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from openpyxl import Workbook, load_workbook

from inventory.logbook.models import ServiceRecord
from inventory.register.claims import Claim
from inventory.register.models import FactRank, Site, Unit
from schedules.due.models import Obligation
from servicedesk.desk import imports
from servicedesk.exchange import runs
from servicedesk.exchange.models import ImportLine, RegisterImport, RegisterSource
from tests.factories import NOW, make_record
from tests.servicedesk.page_cast import Cast, text_of

pytestmark = pytest.mark.django_db
SAMPLES = Path(settings.BASE_DIR) / "fixtures" / "samples"
State = RegisterImport.State

HEAD = ("client", "site code", "site name", "time zone", "place no", "serial no", "maker", "agent", "made",
        "last maintenance", "tables", "bracket")  # fmt: skip


def cells(**changed: str) -> tuple[str, ...]:
    row = {
        "client": "Tarn Fabrics", "site code": "TF1", "site name": "Weaving shed",
        "time zone": "America/Chicago", "place no": "1", "serial no": "A1", "maker": "Calder Works",
        "agent": "ABC powder", "made": "2021-06", "last maintenance": "2026-02-03",
        "tables": "us-osha-1910-157", "bracket": "red",
    }  # fmt: skip
    return tuple({**row, **changed}.values())


def table(*rows: tuple[str, ...], head: tuple[str, ...] = HEAD) -> bytes:
    out = io.StringIO()
    csv.writer(out).writerows([head, *rows])
    return out.getvalue().encode()


@pytest.fixture(autouse=True)
def _own_store(tmp_path: Path, settings: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    settings.MEDIA_ROOT = tmp_path
    monkeypatch.setattr(runs, "clock", lambda: NOW)


@pytest.fixture
def client(cast: Cast) -> Client:
    return cast.client("dispatcher")


def upload(client: Client, data: bytes, name: str = "register.csv", **more: str) -> RegisterImport:
    answer = client.post("/desk/import/", {"file": SimpleUploadedFile(name, data), **more})
    assert answer.status_code == 302, text_of(answer)
    return RegisterImport.objects.latest("pk")


def address(run: RegisterImport) -> str:
    return f"/desk/import/{run.public_id}/"


def form_of(client: Client, run: RegisterImport, **changed: str) -> dict[str, str]:
    """What the browser would send from the page of columns."""
    form = client.get(address(run)).context["form"]
    sent = {name: form[name].value() for name in form.fields}
    return {name: "" if value is None else str(value) for name, value in sent.items()} | changed


def settle(client: Client, run: RegisterImport, **changed: str) -> Any:
    taken = {} if "column_4" in changed or run.columns.get("4") else {"column_4": "location_number"}
    client.post(address(run), {"do": "settle", **form_of(client, run, **taken, **changed)})
    run.refresh_from_db()
    return client.get(address(run))


def store(client: Client, run: RegisterImport) -> RegisterImport:
    run.refresh_from_db()
    client.post(address(run), {"do": "store", "version": run.version})
    run.refresh_from_db()
    return run


def bring_in(client: Client, *rows: tuple[str, ...], **more: str) -> RegisterImport:
    run = upload(client, table(*rows), **more)
    settle(client, run)
    return store(client, run)


def waiting() -> list[str]:
    try:
        return default_storage.listdir("imports")[1]
    except FileNotFoundError:
        return []


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("heads.csv", table(), "a row for each unit under its headings"),
        ("a.exe", b"MZ\x01\x00\x02\x00\x03\x00\x04\x00A\x00" * 20, "bytes that no text has"),
    ],
)
def test_a_file_without_a_row_is_refused_before_its_columns(
    client: Client, name: str, data: bytes, said: str
) -> None:
    answer = client.post("/desk/import/", {"file": SimpleUploadedFile(name, data)})
    assert answer.status_code == 400
    assert said in text_of(answer)
    assert not RegisterImport.objects.exists()
    assert waiting() == []


# --- the way of a file -----------------------------------------------------------------------------


def test_a_file_is_settled_looked_at_stored_and_met_again(client: Client) -> None:
    before = Unit.objects.count()
    rows = [cells(), cells(**{"serial no": "B2", "place no": "2", "made": "31/02/2019"})]
    rows += [cells(**{"serial no": "C3", "place no": "3", "made": "06/19"})]
    run = upload(client, table(*rows), source="Tarn Fabrics", rank=str(FactRank.OWNER_LIST))
    page = client.get(address(run))
    columns = {line["column"]["heading"]: line for line in page.context["columns"]}
    assert columns["serial no"]["column"]["samples"] == ["A1", "B2", "C3"]
    assert run.columns["11"] == ""  # the colour of a bracket is no field of a register
    assert Unit.objects.count() == before

    report = settle(client, run)
    assert run.state == State.READ, run.error
    assert {key: run.counts[key] for key in ("rows", "added", "refused")} == {
        "rows": 3, "added": 2, "refused": 1,
    }  # fmt: skip
    text = text_of(report)
    assert "Nothing is stored yet: 2 new, 0 changed, 0 unchanged." in text
    assert "31/02/2019" in text
    assert Unit.objects.count() == before

    run = store(client, run)
    assert (run.state, run.stored_by_id, run.counts["records"]) == (State.STORED, run.asked_by_id, 2)
    assert Unit.objects.count() == before + 2
    assert Obligation.objects.filter(unit__serial="A1", task="maintenance").exists()

    # Columns and answers are kept for the source; the same file changes nothing.
    again = upload(client, table(*rows), source="tarn fabrics")
    assert again.columns == run.columns
    shown = text_of(client.get(address(again)))
    assert "settled for the last file of this source" in shown
    assert "This very file was brought in before" in shown
    settle(client, again)
    assert (again.counts["added"], again.counts["unchanged"]) == (0, 2)
    store(client, again)
    assert Unit.objects.count() == before + 2
    assert RegisterSource.objects.count() == 1


def test_a_newer_file_changes_moves_and_names_what_it_lacks(client: Client) -> None:
    bring_in(
        client,
        cells(),
        cells(**{"serial no": "B2", "place no": "2"}),
        cells(**{"serial no": "C3", "place no": "3"}),
        cells(**{"serial no": "D4", "place no": "4"}),
    )
    newer = [cells(**{"place no": "9", "agent": "CO2"}), cells(**{"serial no": "B2", "place no": "2"})]
    # Refused, but there: the unit is not missing from the file.
    newer.append(cells(**{"serial no": "D4", "place no": "4", "made": "31/02/2019"}))
    run = upload(client, table(*newer))
    settle(client, run)
    assert {key: run.counts[key] for key in ("added", "changed", "unchanged", "missing")} == {
        "added": 0, "changed": 1, "unchanged": 1, "missing": 1,
    }  # fmt: skip
    changed = client.get(address(run), {"show": "changed"}).context["page_obj"].object_list[0]
    assert ["Agent", "Dry chemical ABC", "Carbon dioxide"] in changed.changes
    assert ["Place", "1", "TF1 · 9"] in changed.changes
    missing = text_of(client.get(address(run), {"show": "missing"}))
    assert Unit.objects.get(serial="C3").number in missing
    store(client, run)
    assert str(Unit.objects.get(serial="A1").location) == "9"
    assert Unit.objects.get(serial="C3").state == Unit.State.IN_SERVICE


def test_a_file_that_learnt_numbers_or_mended_a_maker_doubles_nothing(client: Client) -> None:
    bring_in(client, cells(), cells(**{"serial no": "", "place no": "2"}))
    count = Unit.objects.count()
    first = Unit.objects.get(serial="A1")
    head = (*HEAD, "unit number")
    rows = [
        (*cells(maker="Calder Works Ltd"), first.number),
        (*cells(**{"serial no": "Z9", "place no": "2"}), ""),
    ]
    run = upload(client, table(*rows, head=head))
    settle(client, run)
    assert (run.counts["added"], run.counts["changed"]) == (0, 2)
    store(client, run)
    assert Unit.objects.count() == count
    first.refresh_from_db()
    assert first.model.maker == "Calder Works Ltd"
    assert Unit.objects.filter(serial="Z9", location__number="2").count() == 1


def test_rows_are_left_out_by_tick_and_by_kind_of_doubt(client: Client) -> None:
    before = Unit.objects.count()
    rows = [cells(**{"serial no": f"R{n}", "place no": str(n), "made": "2021" if n > 2 else "2021-06"})
            for n in range(1, 6)]  # fmt: skip
    run = upload(client, table(*rows))
    settle(client, run)
    client.post(address(run), {"do": "leave", "row": ["2"]})
    client.post(address(run), {"do": "leave", "code": "year_only"})
    assert ImportLine.objects.filter(run=run, is_left_out=True).count() == 4
    stale = run.version
    client.post(address(run), {"do": "take", "row": ["4"]})
    refused = client.post(address(run), {"do": "store", "version": stale}, follow=True)
    assert "Somebody went on with this file a moment ago" in text_of(refused)
    run = store(client, run)
    assert (run.counts["added"], run.counts["left_out"]) == (2, 3)
    assert set(Unit.objects.filter(site__code="TF1").values_list("serial", flat=True)) == {"R2", "R3"}
    assert Unit.objects.count() == before + 2


def test_doubts_are_grouped_filtered_searched_and_taken_along(client: Client) -> None:
    rows = [cells(**{"serial no": f"R{n}", "place no": str(n), "made": "06/19"}) for n in range(60)]
    run = upload(client, table(*rows, cells(**{"serial no": "x1", "place no": "x", "made": "30/02/2020"})))
    page = settle(client, run)
    groups = {group["code"]: group["count"] for group in page.context["groups"]}
    assert groups["two_digit_year"] == 60
    first = page.context["findings"][0]["finding"]
    assert first.severity in ("refused", "skipped")
    filtered = client.get(address(run), {"show": "doubts", "code": "two_digit_year", "page": "2"})
    assert (filtered.context["page_obj"].paginator.count, filtered.context["page_obj"].number) == (60, 2)
    searched = client.get(address(run), {"show": "doubts", "q": "62"})
    assert {line["finding"].row for line in searched.context["findings"]} == {62}
    csv_answer = client.get(address(run), {"as": "csv"})
    lines = list(csv.DictReader(io.StringIO(text_of(csv_answer).removeprefix("\ufeff"))))
    assert ("62", "refused", "30/02/2020") in {(x["row"], x["severity"], x["found"]) for x in lines}
    assert {line["becomes"] for line in lines if line["code"] == "two_digit_year"} == {"2019-06"}
    answer: Any = client.get(address(run), {"as": "xlsx"})
    book = load_workbook(io.BytesIO(b"".join(answer.streaming_content)))
    assert [sheet.max_row for sheet in book] == [len(lines) + 1, 62]


def test_a_workbook_with_several_sheets_is_opened_where_the_person_says(client: Client) -> None:
    book = Workbook()
    notes = book.create_sheet("Notes", 0)
    notes.append(["Our register", "of 2026"])
    sheet = book.create_sheet("Units")
    sheet.append(["Weaving shed"])
    sheet.append(HEAD)
    sheet.append(cells())
    other = book.create_sheet("Old")
    other.append(HEAD)
    for place in "123":
        other.append(cells(**{"place no": place, "serial no": f"O{place}"}))
    out = io.BytesIO()
    book.save(out)
    run = upload(client, out.getvalue(), "register.xlsx")
    client.post(address(run), {"do": "look", **form_of(client, run, sheet="Units", heading_row="2")})
    run.refresh_from_db()
    assert (run.counts["looked"]["sheet"], run.counts["looked"]["rows"]) == ("Units", 1)
    settle(client, run)
    assert (run.counts["added"], run.state) == (1, State.READ)


def test_what_the_file_does_not_say_is_answered_for_all_rows(client: Client) -> None:
    head = HEAD[4:]
    run = upload(client, table(cells()[4:], head=head))
    answer = client.post(address(run), {"do": "settle", **form_of(client, run, column_0="location_number")})
    assert answer.status_code == 400
    assert "Time zone: no column holds it." in text_of(answer)
    told = {"all_owner_name": "Tarn Fabrics", "all_site_code": "TF1", "all_site_name": "Weaving shed"}
    told |= {"column_0": "location_number", "all_time_zone": "Mars/Base"}
    wrong = client.post(address(run), {"do": "settle", **form_of(client, run, **told)})
    assert "no time zone of the IANA list" in text_of(wrong)
    client.post(
        address(run), {"do": "settle", **form_of(client, run, **told | {"all_time_zone": "Europe/London"})}
    )
    run = store(client, run)
    assert run.counts["added"] == 1
    assert Site.objects.get(code="TF1").time_zone == "Europe/London"


def test_one_field_cannot_come_from_two_columns(client: Client) -> None:
    run = upload(client, table(cells()))
    answer = client.post(address(run), {"do": "settle", **form_of(client, run, column_11="serial")})
    assert answer.status_code == 400
    assert "is taken from column" in text_of(answer)


@pytest.mark.parametrize("name", ["binary.csv", "empty.csv", "undecodable.csv"])
def test_a_file_that_cannot_be_opened_is_refused_whole(client: Client, name: str) -> None:
    data = (SAMPLES / name).read_bytes() if name != "empty.csv" else b" "
    answer = client.post("/desk/import/", {"file": SimpleUploadedFile(name, data)})
    assert answer.status_code == 400
    assert "nothing was imported" in text_of(answer).lower()
    assert (waiting(), RegisterImport.objects.count()) == ([], 0)


def test_without_a_file_or_with_one_too_large_the_form_says_so(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    answer = client.post("/desk/import/", {})
    assert (answer.status_code, "Choose the file first." in text_of(answer)) == (400, True)
    monkeypatch.setattr(imports, "MAX_BYTES", 10)
    answer = client.post("/desk/import/", {"file": SimpleUploadedFile("a.csv", table(cells()))})
    assert (answer.status_code, "This file is larger than 40 MB." in text_of(answer)) == (400, True)


def test_a_file_put_aside_leaves_a_line_of_the_history_only(client: Client) -> None:
    run = upload(client, table(cells()))
    settle(client, run)
    page = text_of(client.post(address(run), {"do": "drop"}, follow=True))
    assert "The file was put aside; nothing was imported." in page
    run.refresh_from_db()
    assert (run.state, waiting(), ImportLine.objects.count()) == (State.DROPPED, [], 0)
    assert client.get(address(run)).status_code == 200


# --- taking back -----------------------------------------------------------------------------------


def test_an_import_is_taken_back_as_far_as_nothing_stands_on_it(client: Client, cast: Cast) -> None:
    bring_in(client, cells(**{"serial no": "OLD", "place no": "8", "maker": "Calder Works"}))
    rows = [
        cells(), cells(**{"serial no": "B2", "place no": "2"}),
        cells(**{"serial no": "OLD", "place no": "9", "agent": "CO2"}),
    ]  # fmt: skip
    run = bring_in(client, *rows)
    assert (run.counts["added"], run.counts["changed"]) == (2, 1)
    make_record(Unit.objects.get(serial="B2"))
    answer = client.post(address(run), {"do": "undo"}, follow=True)
    run.refresh_from_db()
    assert run.state == State.UNDONE, run.error
    undone = run.counts["undone"]
    assert (undone["withdrawn"], undone["restored"], undone["voided"]) == (1, 1, 1)
    assert "1 unit withdrawn" in text_of(answer)
    gone = Unit.objects.get(serial="A1")
    assert (gone.state, gone.location, gone.placements.filter(is_open=True).count()) == (
        Unit.State.WITHDRAWN, None, 0,
    )  # fmt: skip
    assert not Obligation.objects.filter(unit=gone).exists()
    last = gone.records.order_by("sequence").last()
    assert last is not None
    assert last.corrects is not None
    assert (last.outcome, last.corrects.sequence) == (ServiceRecord.Outcome.VOID, 1)
    old = Unit.objects.get(serial="OLD")
    assert (old.model.agent, str(old.location)) == ("dry_chemical_abc", "8")
    stays = Unit.objects.get(serial="B2")
    assert stays.state == Unit.State.IN_SERVICE
    kept = text_of(client.get(address(run), {"show": "kept"}))
    assert f"{stays.number}</a>: has records made since" in kept
    # The same file brings the same units back, with records of their own.
    count = Unit.objects.count()
    again = bring_in(client, *rows)
    gone.refresh_from_db()
    assert (Unit.objects.count(), gone.state, str(gone.location)) == (count, Unit.State.IN_SERVICE, "1")
    assert again.counts["records"] == 1
    assert gone.records.filter(corrected_by=None).exclude(outcome="void").count() == 1
    assert Obligation.objects.filter(unit=gone).exists()


def test_what_was_changed_since_is_not_taken_back(client: Client) -> None:
    bring_in(client, cells())
    run = bring_in(client, cells(agent="CO2"))
    bring_in(client, cells(agent="Water"))
    client.post(address(run), {"do": "undo"})
    run.refresh_from_db()
    assert run.counts["undone"] == {
        "withdrawn": 0, "restored": 0, "voided": 0, "places_removed": 0, "kept": 1,
    }  # fmt: skip
    assert Unit.objects.get(serial="A1").model.agent == "water"


def test_a_doubt_that_quotes_a_cell_names_its_field_on_the_page_of_the_unit(client: Client) -> None:
    bring_in(client, cells(made="2021", **{"last maintenance": "?"}))
    doubts = Unit.objects.get(serial="A1").doubts
    assert 'Manufacture date: "2021" tells the year only; it is kept so, and its first day counts.' in doubts
    assert 'Last maintenance: "?" tells no date, so what counts from it is due now.' in doubts


# --- sources that disagree -------------------------------------------------------------------------


def test_a_weaker_source_does_not_overwrite_a_better_one(client: Client) -> None:
    bring_in(client, cells(), source="Our survey", rank=str(FactRank.NAMEPLATE))
    unit = Unit.objects.get(serial="A1")
    assert unit.facts_rank == FactRank.NAMEPLATE
    run = upload(
        client, table(cells(made="2019-03", **{"last maintenance": "2026-05-05"})), source="Tarn list"
    )
    page = settle(client, run)
    assert "outranked_fact" in {group["code"] for group in page.context["groups"]}
    assert (run.counts["changed"], run.counts["unchanged"]) == (0, 1)
    run = store(client, run)
    unit.refresh_from_db()
    assert (str(unit.made), run.counts["claims"], run.counts["records"]) == ("2021-06", 1, 1)
    assert not any('"2019-03"' in doubt for doubt in unit.doubts)
    claim = Claim.objects.open().get()
    assert (claim.shown, claim.rank, claim.source) == ("2019-03", FactRank.OWNER_LIST, "Tarn list")
    shown = text_of(client.get(f"/desk/units/{unit.public_id}/"))
    assert "the register says <strong>2021-06</strong>" in shown
    assert "says <strong>2019-03</strong>" in shown
    assert "2019-03" in text_of(client.get("/desk/claims/"))
    # Said once more it is no second doubt.
    again = upload(client, table(cells(made="2019-03")), source="Tarn list")
    page = settle(client, again)
    assert "outranked_fact" not in {group["code"] for group in page.context["groups"]}

    made_before = Obligation.objects.filter(unit=unit).values_list("pk", "latest_on")
    before = dict(made_before)
    assert client.post(f"/desk/claims/{claim.public_id}/", {"do": "take"}).status_code == 302
    assert Claim.objects.open().count() == 1  # without a reason nothing is settled
    client.post(f"/desk/claims/{claim.public_id}/", {"do": "take", "reason": "Read from the shell again."})
    unit.refresh_from_db()
    assert str(unit.made) == "2019-03"
    assert dict(made_before.all()) != before
    # What a person settled weighs more than the better source.
    third = upload(client, table(cells()), source="Our survey")
    settle(client, third)
    store(client, third)
    unit.refresh_from_db()
    assert str(unit.made) == "2019-03"


def test_a_better_source_overwrites_and_the_former_word_is_kept(client: Client) -> None:
    bring_in(client, cells())
    bring_in(client, cells(made="2020-02"), source="Our survey", rank=str(FactRank.SHELL_STAMP))
    unit = Unit.objects.get(serial="A1")
    assert str(unit.made) == "2020-02"
    words = {(c.shown, c.rank, c.is_standing) for c in unit.claims.all()}
    assert words == {("2020-02", FactRank.SHELL_STAMP, True), ("2021-06", FactRank.OWNER_LIST, False)}
    assert not Claim.objects.open().exists()
    bring_in(client, cells(made="2018-01"))
    unit.refresh_from_db()
    assert str(unit.made) == "2020-02"
    claim = Claim.objects.open().get()
    client.post(f"/desk/claims/{claim.public_id}/", {"do": "leave", "reason": "The stamp is clear."})
    assert not Claim.objects.open().exists()
    # Taking the survey back does not take back what a person settled.
    survey = RegisterImport.objects.get(source__name="Our survey")
    client.post(address(survey), {"do": "undo"})
    unit.refresh_from_db()
    assert str(unit.made) == "2020-02"
    assert "was settled by hand since" in text_of(client.get(address(survey), {"show": "kept"}))


# --- who, and what it costs ------------------------------------------------------------------------


def test_only_the_desk_brings_in_and_settles(cast: Cast, client: Client) -> None:
    bring_in(client, cells(), source="Our survey", rank=str(FactRank.NAMEPLATE))
    run = bring_in(client, cells(made="2019-03"))
    claim = Claim.objects.open().get()
    settled = f"/desk/claims/{claim.public_id}/"
    for role in ("technician", "workshop", "owner", "other_owner"):
        other = cast.client(role)
        assert other.get("/desk/import/").status_code == 403
        assert other.get(address(run)).status_code == 403
        assert other.get(address(run), {"as": "csv"}).status_code == 403
        assert other.post(address(run), {"do": "undo"}).status_code == 403
        assert other.post("/desk/import/", {"file": SimpleUploadedFile("a.csv", b"a")}).status_code == 403
        assert other.get("/desk/claims/").status_code == 403
        assert other.post(settled, {"do": "take", "reason": "x"}).status_code == 403
    assert Client().get(address(run)).status_code == 302
    assert cast.client("manager").get(address(run)).status_code == 200
    run.refresh_from_db()
    assert run.state == State.STORED


def test_pages_cost_the_same_for_one_row_and_for_many(client: Client, django_assert_num_queries: Any) -> None:
    runs_made = []
    for serials in (["Q1"], ["Q1", "Q2", "Q3", "Q4"]):
        rows = [cells(**{"serial no": s, "place no": s, "made": "06/19"}) for s in serials]
        run = upload(client, table(*rows), source="Tarn Fabrics")
        settle(client, run)
        runs_made.append(run)
    # Session, person, run; findings, number, groups, count, page, left out; lines left out.
    for run in runs_made:
        with django_assert_num_queries(9):
            client.get(address(run))
        with django_assert_num_queries(7):
            client.get(address(run), {"show": "added"})
    with django_assert_num_queries(5):  # session, person, sources, number, page
        client.get("/desk/import/")


def test_a_page_for_a_run_that_is_not_there_is_not_found(client: Client) -> None:
    assert client.get("/desk/import/00000000-0000-0000-0000-000000000000/").status_code == 404


def test_old_files_that_nobody_stored_are_forgotten(client: Client) -> None:
    run = upload(client, table(cells()))
    assert runs.waiting_runs(NOW + runs.KEPT + timedelta(days=1)) == []
    run.refresh_from_db()
    assert (run.state, waiting()) == (State.DROPPED, [])
