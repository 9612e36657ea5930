"""The register reader: rows, doubts and refusals, and nothing lost unseen."""

from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inventory.measures.kinds import Agent, Construction, Environment, Shell, Task, TestMethod
from inventory.measures.stamps import Stamp, StampError, read_stamp
from servicedesk.exchange.reading import (
    Finding,
    RegisterFileError,
    RegisterReading,
    RegisterRow,
    Severity,
    read_register,
)
from servicedesk.exchange.unit_cells import _holds_after

NOW = datetime(2026, 11, 25, 15, 0, tzinfo=UTC)
SAMPLES = Path(__file__).parents[3] / "fixtures" / "samples"

PLAIN = {
    "Owner": "Owl Mill",
    "Site code": "OM-1",
    "Site name": "Owl Mill",
    "Country": "US",
    "Time zone": "America/Chicago",
    "Point": "1",
    "Serial": "",
    "Maker": "Calder Works",
    "Model": "A10",
    "Agent": "ABC",
    "Construction": "stored pressure",
    "Shell": "mild steel",
    "Charge": "10 lb",
    "Full mass": "17.6 lb",
    "Made": "2019-06",
    "Installed": "",
    "Last service": "2026-03-14",
    "Last hydro": "",
    "Test method": "",
}


def file_of(*rows: dict[str, str], delimiter: str = ",") -> bytes:
    """Return a register file whose rows are a plain row, number, serial and the given changes."""
    headings = list(dict.fromkeys([*PLAIN, *(heading for row in rows for heading in row)]))
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, headings, delimiter=delimiter)
    writer.writeheader()
    for number, row in enumerate(rows, 1):
        writer.writerow(PLAIN | {"Point": str(number), "Serial": f"CW{number}"} | row)
    return out.getvalue().encode()


def read(*rows: dict[str, str]) -> RegisterReading:
    return read_register(file_of(*rows), now=NOW)


def told(reading: RegisterReading) -> list[tuple[int, str, str, Severity]]:
    return [(finding.row, finding.column, finding.code, finding.severity) for finding in reading.findings]


def only(reading: RegisterReading) -> RegisterRow:
    (row,) = reading.rows
    return row


def test_a_plain_row_becomes_values() -> None:
    reading = read(
        {
            "Owner contact email": "office@owlmill.example",
            "Address": "4 Race Lane",
            "City": "Marlow Bend",
            "Latitude": "38.6150001",
            "Longitude": "-99.7",
            "Access hours": "Mo 08:00-17:00",
            "Tables": "us-osha-1910-157; us-nfpa-10",
            "Building": "Main",
            "Floor": "1",
            "Where": "hall",
            "Environment": "outdoor",
            "Hazard": "A",
            "Unit number": "TA-1",
            "Cylinder spec": "4BW",
            "Working pressure": "195 psi",
            "Test pressure": "585 psi",
            "Wheeled": "no",
            "Refillable": "yes",
            "Hose shutoff": "no",
            "Last hydro": "2021-06",
            "Test method": "proof",
            "Last monthly": "2026-11-02",
        }
    )
    assert reading.findings == ()
    row = only(reading)
    assert (row.owner_name, row.owner_email, row.site_code) == ("Owl Mill", "office@owlmill.example", "OM-1")
    assert (row.latitude, row.longitude) == (Decimal("38.615000"), Decimal("-99.700000"))
    assert ([str(window) for window in row.access_windows], row.tables) == (
        ["Mo 08:00-17:00"],
        ("us-osha-1910-157", "us-nfpa-10"),
    )
    assert (row.agent, row.construction, row.shell) == (
        Agent.DRY_CHEMICAL_ABC,
        Construction.STORED_PRESSURE,
        Shell.MILD_STEEL,
    )
    assert (row.environment, row.location_number, row.location_description) == (
        Environment.OUTDOOR,
        "1",
        "hall",
    )
    assert (row.charge_mass_g, row.charge_volume_ml, row.charge_text) == (4536, None, "10 lb")
    assert (row.working_pressure_kpa, row.test_pressure_kpa, row.full_mass_g) == (1344, 4033, 7983)
    assert (row.is_wheeled, row.is_refillable, row.has_shutoff_hose) == (False, True, False)
    assert (row.made, row.last_hydrostatic_test) == (Stamp.of(2019, 6), Stamp.of(2021, 6))
    assert row.hydrostatic_test_method is TestMethod.PROOF_PRESSURE
    assert row.history == (
        (Task.HYDROSTATIC_TEST, Stamp.of(2021, 6)),
        (Task.MAINTENANCE, Stamp.of(2026, 3, 14)),
        (Task.VISUAL_INSPECTION, Stamp.of(2026, 11, 2)),
    )


@pytest.mark.parametrize(
    ("changes", "column", "code"),
    [
        pytest.param({"Last service": "31/02/2019"}, "Last service", "impossible", id="31 February"),
        pytest.param({"Made": "2027-03"}, "Made", "future", id="future manufacture"),
        pytest.param({"Made": "new"}, "Made", "unreadable", id="no date"),
        pytest.param({"Made": "1896"}, "Made", "too_early", id="slip of the pen"),
        pytest.param({"Agent": "Snow powder"}, "Agent", "unknown_agent", id="unknown agent"),
        pytest.param(
            {"Construction": "clockwork"}, "Construction", "unknown_construction", id="unknown construction"
        ),
        pytest.param({"Shell": "wood"}, "Shell", "unknown_shell", id="unknown shell"),
        pytest.param(
            {"Last hydro": "2018-05"}, "Last hydro", "before_manufacture", id="test before manufacture"
        ),
        pytest.param(
            {"Site code": "OM-9", "Latitude": "north", "Longitude": "7"},
            "Latitude",
            "bad_coordinates",
            id="no number",
        ),
        pytest.param(
            {"Site code": "OM-9", "Latitude": "97.5", "Longitude": "7"},
            "Latitude",
            "bad_coordinates",
            id="off the globe",
        ),
        pytest.param(
            {"Site code": "OM-9", "Latitude": "7.5", "Longitude": ""},
            "Longitude",
            "bad_coordinates",
            id="half a place",
        ),
        pytest.param(
            {"Site code": "OM-9", "Time zone": "Central"},
            "Time zone",
            "unknown_time_zone",
            id="unknown time zone",
        ),
        pytest.param(
            {"Site code": "OM-9", "Time zone": "America"},
            "Time zone",
            "unknown_time_zone",
            id="a part of a name",
        ),
        pytest.param({"Point": ""}, "Point", "missing_value", id="no location number"),
        pytest.param(
            {"Site code": "OM-9", "Tables": "no table"}, "Tables", "unknown_table", id="unknown table"
        ),
        pytest.param({"Serial": "9" * 61}, "Serial", "too_long", id="too long"),
        pytest.param({"Maker": "Calder\x07Works"}, "Maker", "control_sign", id="control sign"),
    ],
)
def test_a_refused_row_keeps_everything_out(changes: dict[str, str], column: str, code: str) -> None:
    data = file_of({}, changes, {})
    reading = read_register(data, now=NOW, known_tables={"us-osha-1910-157"})
    assert [(f.row, f.column, f.code) for f in reading.refusals][:1] == [(3, column, code)]
    assert reading.refused_rows == (3,)
    assert reading.to_import() == ()
    assert [row.row for row in reading.to_import(accept_rest=True)] == [2, 4]
    (finding, *_) = reading.refusals
    assert finding.text.startswith(f'Row 3, column "{column}": ')
    assert finding.remedy


@pytest.mark.parametrize(
    ("changes", "codes", "field", "value"),
    [
        pytest.param({"Agent": ""}, ["missing_agent"], "agent", Agent.UNKNOWN, id="blank agent"),
        pytest.param({"Agent": "?"}, ["missing_agent"], "agent", Agent.UNKNOWN, id="agent ?"),
        pytest.param({"Agent": "Dry chemical"}, ["ambiguous_agent"], "agent", Agent.UNKNOWN, id="BC or ABC"),
        pytest.param({"Agent": "dry powder"}, ["ambiguous_agent"], "agent", Agent.UNKNOWN, id="false friend"),
        pytest.param(
            {"Construction": ""},
            ["missing_construction"],
            "construction",
            Construction.UNKNOWN,
            id="construction",
        ),
        pytest.param(
            {"Agent": "Water CO2", "Construction": ""},
            [],
            "construction",
            Construction.CARTRIDGE,
            id="both in one",
        ),
        pytest.param(
            {"Agent": "Water CO2"},
            ["construction_conflict"],
            "construction",
            Construction.STORED_PRESSURE,
            id="agent and construction disagree",
        ),
        pytest.param(
            {"Agent": "CO\u2082", "Construction": ""},
            [],
            "construction",
            Construction.SELF_EXPELLING,
            id="CO2",
        ),
        pytest.param({"Shell": "?"}, ["missing_shell"], "shell", Shell.UNKNOWN, id="shell"),
        pytest.param({"Made": ""}, ["missing_date"], "made", Stamp.unknown(), id="blank manufacture date"),
        pytest.param(
            {"Made": "not readable"}, ["missing_date"], "made", Stamp.unknown(), id="unreadable date"
        ),
        pytest.param({"Made": "06/19"}, ["two_digit_year"], "made", Stamp.of(2019, 6), id="two-digit year"),
        pytest.param({"Made": "2019"}, ["year_only"], "made", Stamp.of(2019), id="year only"),
        pytest.param({"Made": "Q2 2019"}, ["quarter_only"], "made", Stamp.quarter(2019, 2), id="quarter"),
        pytest.param(
            {"Made": "43617"}, ["spreadsheet_serial"], "made", Stamp.of(2019, 6, 1), id="serial date"
        ),
        pytest.param(
            {"Last service": "2026-03"},
            ["month_only"],
            "last_maintenance",
            Stamp.of(2026, 3),
            id="month of service",
        ),
        pytest.param(
            {"Last service": "03/04/2026"},
            ["day_month_order"],
            "last_maintenance",
            Stamp.of(2026, 3),
            id="3/4 or 4/3",
        ),
        pytest.param(
            {"Last hydro": "?"},
            ["unknown_date"],
            "last_hydrostatic_test",
            Stamp.unknown(),
            id="tested, who knows",
        ),
        pytest.param({"Serial": "n/a"}, ["no_serial"], "serial", "", id="no serial"),
        pytest.param({"Serial": "1.23E+11"}, ["mangled_serial"], "serial", "1.23E+11", id="rounded serial"),
        pytest.param({"Charge": "10"}, ["no_unit"], "charge", None, id="size without unit"),
        pytest.param({"Charge": "9000 kg"}, ["implausible"], "charge", None, id="size of a tank"),
        pytest.param({"Full mass": "4 kg"}, ["full_below_charge"], "full_mass", None, id="lb typed as kg"),
        pytest.param(
            {"Working pressure": "40 bar", "Test pressure": "35 bar"},
            ["test_below_working"],
            "test_pressure",
            None,
            id="test below working pressure",
        ),
        pytest.param(
            {"Charge": "125 lb", "Full mass": ""}, ["read_as_wheeled"], "is_wheeled", True, id="wheeled"
        ),
        pytest.param({"Refillable": "perhaps"}, ["not_yes_or_no"], "is_refillable", None, id="perhaps"),
        pytest.param(
            {"Environment": "mars"}, ["unknown_environment"], "environment", Environment.UNKNOWN, id="mars"
        ),
        pytest.param({"Country": "Atlantis"}, ["unknown_country"], "country", "", id="unknown country"),
        pytest.param({"Email": "ring us"}, ["bad_email"], "owner_email", "", id="no address"),
        pytest.param({"Access hours": "ring"}, ["bad_hours"], "access_windows", (), id="hours"),
        pytest.param({"Latitude": "0", "Longitude": "0"}, ["zero_coordinates"], "latitude", None, id="0, 0"),
        pytest.param(
            {"Test method": "proof"},
            ["method_without_test"],
            "hydrostatic_test_method",
            TestMethod.UNKNOWN,
            id="method without a test",
        ),
        pytest.param(
            {"Last hydro": "2021-06", "Test method": "song"},
            ["unknown_method"],
            "hydrostatic_test_method",
            TestMethod.UNKNOWN,
            id="unknown method",
        ),
    ],
)
def test_a_doubted_value_is_marked_and_taken_in(
    changes: dict[str, str], codes: list[str], field: str, value: object
) -> None:
    reading = read(changes)
    assert [finding.code for finding in reading.findings] == codes
    assert all(finding.severity is Severity.DOUBT and finding.remedy for finding in reading.findings)
    assert getattr(only(reading), field) == value
    assert reading.to_import() == reading.rows


def test_spaces_around_a_value_mean_nothing() -> None:
    row = only(read({"Serial": "  CW 77\u00a0 ", "Where": "hall\n by the door", "Owner": "\ufeffOwl Mill"}))
    assert (row.serial, row.location_description, row.owner_name) == ("CW 77", "hall by the door", "Owl Mill")


def test_a_country_decides_how_its_dates_are_read() -> None:
    india = {"Site code": "IN-1", "Country": "India", "Time zone": "Asia/Kolkata"}
    reading = read(
        {"Last service": "03/04/2026"},
        {"Last service": "03/14/2026"},
        india | {"Last service": "03/04/2026"},
        india | {"Last service": "14/03/2026"},
    )
    assert [str(row.last_maintenance) for row in reading.rows] == [
        "2026-03-04",
        "2026-03-14",
        "2026-04-03",
        "2026-03-14",
    ]
    assert told(reading) == [(0, "", "date_order", Severity.DOUBT)] * 2
    assert reading.findings[0].sentence.startswith(
        "1 date of US such as 03/04/2021 can be read two ways. 1 other date of US can only have"
    )


def test_a_country_whose_dates_disagree_decides_nothing() -> None:
    rows = ({"Last service": "03/04/2026"}, {"Last service": "03/14/2026"}, {"Last service": "15/03/2026"})
    reading = read(*rows)
    assert [finding.code for finding in reading.findings] == ["day_month_order"]
    assert str(reading.rows[0].last_maintenance) == "2026-03"
    settled = read_register(file_of(*rows), now=NOW, day_first=True)
    assert [str(row.last_maintenance) for row in settled.rows] == ["2026-04-03", "2026-03-14", "2026-03-15"]
    assert [(finding.row, finding.code) for finding in settled.findings] == [(3, "order_contradicts")]


def test_an_impossible_date_is_no_evidence_of_an_order() -> None:
    reading = read(
        {"Last service": "31/02/2019"}, {"Last service": "03/04/2026"}, {"Last service": "03/14/2026"}
    )
    assert [str(row.last_maintenance) for row in reading.rows] == ["2026-03-04", "2026-03-14"]


def test_today_is_the_civil_date_at_the_site() -> None:
    late = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)  # already the 26th in India
    data = file_of({"Last service": "2026-11-26", "Time zone": "Asia/Kolkata"}, {"Site code": "OM-2"})
    assert read_register(data, now=late).refused_rows == ()
    data = file_of({"Last service": "2026-11-26"})
    assert read_register(data, now=late).refused_rows == (2,)
    with pytest.raises(ValueError, match="aware"):
        read_register(data, now=datetime(2026, 11, 25, 20, 0))  # noqa: DTZ001 - naive on purpose


def test_an_empty_cell_takes_the_value_of_its_site() -> None:
    empty = dict.fromkeys(("Owner", "Site name", "Country", "Time zone"), "")
    reading = read({"Tables": "in-is-2190", "Access hours": "Mo 08:00-17:00"}, empty)
    assert told(reading) == []
    first, second = reading.rows
    assert (second.owner_name, second.site_name, second.time_zone, second.country) == (
        "Owl Mill",
        "Owl Mill",
        "America/Chicago",
        "US",
    )
    assert (second.tables, second.access_windows) == (first.tables, first.access_windows)


def test_two_owners_cannot_share_a_site_code() -> None:
    reading = read({}, {"Owner": "Heron Mill"}, {"Time zone": "America/Denver"})
    assert told(reading) == [
        (3, "Owner", "site_conflict", Severity.REFUSED),
        (4, "Time zone", "site_conflict", Severity.REFUSED),
    ]


def test_a_second_address_of_a_site_is_doubted_and_the_first_kept() -> None:
    reading = read({"City": "Marlow Bend"}, {"City": "Dry Fork"}, {"City": "Dry Fork"})
    assert told(reading) == [(3, "City", "site_conflict", Severity.DOUBT)]
    assert [row.city for row in reading.rows] == ["Marlow Bend"] * 3


def test_two_spellings_of_an_owner_are_one() -> None:
    reading = read({}, {"Site code": "OM-2", "Owner": "OWL MILL"})
    assert told(reading) == [(3, "Owner", "spelling", Severity.DOUBT)]
    assert {row.owner_name for row in reading.rows} == {"Owl Mill"}


def test_rows_are_held_against_each_other() -> None:
    same = {"Serial": "CW 5", "Point": "9"}
    reading = read(
        {"Serial": "CW 5"},
        {"Serial": "cw-5"},
        {"Serial": "CW 5", "Model": "A20"},
        {"Point": "7", "Unit number": "TA-1"},
        {"Point": "7", "Unit number": "ta 1"},
        {"Point": "7"},
        same,
        same,
    )
    assert told(reading) == [
        (3, "Serial", "duplicate_serial", Severity.DOUBT),
        (6, "Unit number", "duplicate_unit_number", Severity.REFUSED),
        (7, "Point", "location_shared", Severity.DOUBT),
        (8, "Serial", "duplicate_serial", Severity.DOUBT),
        (9, "Serial", "repeated_row", Severity.REFUSED),
    ]
    assert "row 2" in reading.findings_of(3)[0].sentence
    assert [finding.found for finding in reading.findings] == ["cw-5", "ta 1", "7", "CW 5", "CW 5"]
    assert len(reading.refused_keys) == 2
    assert not reading.refused_keys & {row.import_key for row in reading.rows}
    assert [row.row for row in reading.rows] == [2, 3, 4, 5, 7, 8]


def test_a_row_keeps_its_key_when_the_file_grows() -> None:
    rows: list[dict[str, str]] = [
        {},
        {"Serial": "", "Point": "7"},
        {"Serial": "", "Point": "7"},
        {"Unit number": "TA-1"},
    ]
    before = [row.import_key for row in read(*rows).rows]
    assert len(set(before)) == 4
    grown = read(*rows, {"Point": "99", "Serial": "CW99"}, {"Serial": "", "Point": "98"})
    assert [row.import_key for row in grown.rows][:4] == before
    # A place renumbered does not make another unit while its serial can be read.
    moved = read({"Point": "55"}, *rows[1:])
    assert moved.rows[0].import_key == before[0]


def test_a_refused_row_does_not_shift_the_keys_of_others() -> None:
    twins = [{"Serial": "", "Point": "7"}, {"Serial": "", "Point": "7"}]
    whole = read(*twins).rows
    spoiled = read(twins[0] | {"Made": "2031"}, twins[1])
    assert spoiled.rows[0].import_key == whole[1].import_key
    assert spoiled.refused_keys == {whole[0].import_key}
    ignored = read_register(file_of(*twins), now=NOW, ignore=[2])
    assert (ignored.rows[0].import_key, ignored.refused_keys) == (whole[1].import_key, {whole[0].import_key})


def test_a_row_with_shifted_cells_is_refused_and_a_short_one_doubted() -> None:
    lines = file_of({}, {}, {}).decode().splitlines()
    lines[2] += ",,more"
    lines[3] = ",".join(lines[3].split(",")[:15])
    reading = read_register("\n".join(lines).encode(), now=NOW)
    assert told(reading) == [
        (3, "", "too_many_cells", Severity.REFUSED),
        (4, "", "short_row", Severity.DOUBT),
    ]


def test_a_delimiter_at_the_end_of_every_row_is_no_shift() -> None:
    data = file_of({}, {}).replace(b"\r\n", b",\r\n").replace(b"Test method,", b"Test method")
    reading = read_register(data, now=NOW)
    assert (told(reading), len(reading.rows)) == ([], 2)


def test_an_unknown_column_is_named() -> None:
    reading = read({"Colour": "red", "Empty column": ""})
    assert told(reading) == [(1, "Colour", "unknown_column", Severity.DOUBT)]


def test_blank_rows_keep_their_numbers() -> None:
    lines = file_of({}, {"Made": "2031"}).decode().splitlines()
    lines.insert(2, "," * lines[0].count(","))
    lines.insert(3, "")
    reading = read_register("\r\n".join(lines).encode(), now=NOW)
    assert ([row.row for row in reading.rows], reading.refused_rows) == ([2], (5,))


def test_quoted_cells() -> None:
    """RFC 4180, section 2: rules 5 to 7, quotes, line breaks and doubled quotes inside a cell."""
    lines = file_of({"Where": "WHERE"}, {"Made": "2031"}).decode()
    lines = lines.replace("WHERE", '"hall, by the\r\n""north"" door"').replace(
        "Owl Mill,OM-1", '"Owl Mill",OM-1'
    )
    reading = read_register(lines.encode(), now=NOW)
    assert (only(reading).location_description, reading.refused_rows) == ('hall, by the "north" door', (3,))
    without_end = read_register(lines.encode().removesuffix(b"\r\n"), now=NOW)
    assert without_end.refused_rows == (3,)


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_delimiters(delimiter: str) -> None:
    reading = read_register(file_of({"Where": "hall"}, delimiter=delimiter), now=NOW)
    assert (reading.delimiter, reading.findings, only(reading).location_description) == (
        delimiter,
        (),
        "hall",
    )


def test_a_first_line_may_name_the_delimiter() -> None:
    data = b"sep=;\r\n" + file_of({"Made": "2031"}, delimiter=";")
    assert read_register(data, now=NOW).refused_rows == (2,)


def test_headings_in_other_languages() -> None:
    reading = read_register(
        "Kunde;Objekt Nr;Objekt;Zeitzone;Standort Nr;Standort;"
        "Löschmittel;Bauart;Behälter;Füllmenge;Baujahr;Seriennummer\n"
        "Eulenmühle;E1;Mühle;Europe/Berlin;1;Halle;ABC Pulver;Dauerdruck;Stahl;6 kg;06/2021;7\n".encode(),
        now=NOW,
    )
    assert reading.findings == ()
    row = only(reading)
    assert (row.owner_name, row.agent, row.charge_mass_g, row.made) == (
        "Eulenmühle",
        Agent.DRY_CHEMICAL_ABC,
        6000,
        Stamp.of(2021, 6),
    )


# -- sample files


def sample(name: str) -> RegisterReading:
    return read_register((SAMPLES / name).read_bytes(), now=NOW)


@pytest.mark.parametrize(
    ("name", "encoding", "where"),
    [
        ("good.csv", "utf-8", "hall"),
        ("utf8_bom.csv", "utf-8-sig", "café"),
        ("utf16.csv", "utf-16", "Café"),
    ],
)
def test_encodings_that_say_what_they_are(name: str, encoding: str, where: str) -> None:
    reading = sample(name)
    assert (reading.encoding, reading.findings) == (encoding, ())
    assert reading.rows[0].location_description == where


def test_an_encoding_that_was_guessed_is_doubted() -> None:
    reading = sample("latin1.csv")
    assert (reading.encoding, told(reading)) == ("cp1252", [(0, "", "encoding_guess", Severity.DOUBT)])
    assert reading.rows[0].location_description == "Café à côté"
    bare = (SAMPLES / "utf16.csv").read_bytes()[2:]
    assert read_register(bare, now=NOW).encoding == "utf-16-le"


def test_semicolons_with_a_decimal_comma() -> None:
    reading = sample("semicolon_decimal_comma.csv")
    assert (reading.delimiter, reading.findings) == (";", ())
    row = reading.rows[0]
    assert (row.charge_mass_g, row.full_mass_g, row.latitude) == (4500, 8200, Decimal("38.610000"))
    assert row.last_maintenance == Stamp.of(2026, 3, 14)


@pytest.mark.parametrize(
    ("name", "row", "codes", "says"),
    [
        ("empty.csv", 0, ["empty"], "The file is empty."),
        ("headings_only.csv", 0, ["no_rows"], "no rows"),
        ("binary.csv", 0, ["not_text"], "bytes that no text has"),
        ("workbook.csv", 0, ["broken_workbook"], "begins like a workbook but is broken"),
        ("undecodable.csv", 3, ["encoding"], "Byte 592 of the file (hexadecimal 81, in line 3)"),
        ("missing_column.csv", 1, ["missing_column"], "no column for the time zone"),
        ("open_quote.csv", 2, ["broken_csv"], "quotation mark"),
    ],
)
def test_files_that_are_no_register(name: str, row: int, codes: list[str], says: str) -> None:
    with pytest.raises(RegisterFileError) as refused:
        sample(name)
    assert [finding.code for finding in refused.value.findings] == codes
    assert (refused.value.findings[0].row, says in str(refused.value)) == (row, True)
    assert str(refused.value).endswith("Nothing was imported.")


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("impossible_date.csv", [(3, "Last service", "impossible")]),
        ("future_manufacture.csv", [(3, "Made", "future")]),
        ("unknown_agent.csv", [(3, "Agent", "unknown_agent")]),
        ("history_before_manufacture.csv", [(2, "Last service", "before_manufacture")]),
        ("shifted_cells.csv", [(2, "", "too_many_cells")]),
        ("bad_place.csv", [(2, "Latitude", "bad_coordinates"), (3, "Time zone", "unknown_time_zone")]),
    ],
)
def test_files_with_rows_that_cannot_be_true(name: str, expected: list[tuple[int, str, str]]) -> None:
    reading = sample(name)
    assert [(f.row, f.column, f.code) for f in reading.findings] == expected
    assert reading.to_import() == ()


def test_a_column_twice_is_refused() -> None:
    with pytest.raises(RegisterFileError) as refused:
        read({"Serial number": "1"})
    assert [finding.code for finding in refused.value.findings] == ["column_twice"]
    assert '"Serial" and "Serial number" both name the serial' in str(refused.value)


def test_every_missing_column_is_named_at_once() -> None:
    with pytest.raises(RegisterFileError) as refused:
        read_register(b"Owner,Serial\nOwl Mill,1\n", now=NOW)
    assert [finding.code for finding in refused.value.findings] == ["missing_column"] * 5


def test_a_finding_reads_as_one_line() -> None:
    finding = Finding(14, "hydro", "x", Severity.REFUSED, "31.02.2024", "It does not exist.", "Correct it.")
    assert finding.text == 'Row 14, column "hydro": It does not exist. Correct it.'


# -- fuzz: no crash, no silent row

CELL = st.one_of(
    st.sampled_from(
        ["", "?", "ABC", "CO2", "Water CO2", "powder", "2019-06", "31/02/2019", "03/04/2026", "06/21", "0",
         "'97", "10 lb", "1,250 g", "9 L", "psi", "US", "IN", "America/Chicago", "Asia/Kolkata", "yes", "no",
         "97.5", "-7,25", "Mo-Fr 08:00-17:00", "OM-1", "1", "a@b.example", "stored pressure", "1E+9",
         "us-osha-1910-157", "44362"]
    ),
    st.text(max_size=12),
)  # fmt: skip
HEADINGS = [
    "Owner", "Site code", "Site name", "Time zone", "Point", "Agent", "Made", "Country", "Serial", "Charge",
    "Full mass", "Working pressure", "Test pressure", "Latitude", "Longitude", "Access hours", "Tables",
    "Last service", "Last hydro", "Test method", "Wheeled", "Shell", "Construction", "Unit number", "Email",
    "Environment", "Colour",
]  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(rows=st.lists(st.lists(CELL, min_size=len(HEADINGS), max_size=len(HEADINGS)), max_size=6))
def test_every_row_is_either_read_or_refused(rows: list[list[str]]) -> None:
    out = io.StringIO(newline="")
    csv.writer(out, quoting=csv.QUOTE_ALL).writerows([HEADINGS, *rows])
    text = out.getvalue()
    try:
        reading = read_register(text.encode("utf-8", "surrogatepass"), now=NOW)
    except RegisterFileError:
        return
    not_blank = sum(
        any(cell.strip("\ufeff\u200b\u200c\u200d\u2060 ").split() for cell in row) for row in rows
    )
    assert reading.row_count == not_blank
    assert {finding.row for finding in reading.refusals} == set(reading.refused_rows)
    assert len({row.import_key for row in reading.rows}) == len(reading.rows)
    for finding in reading.findings:
        assert finding.sentence
        assert finding.remedy


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=300) | st.text(max_size=200).map(str.encode))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    good = (SAMPLES / "good.csv").read_bytes()
    for spoiled in (data, good + data, data + good):
        try:
            reading = read_register(spoiled, now=NOW)
        except RegisterFileError:
            continue
        assert reading.row_count == len(reading.rows) + len(reading.refused_rows) + len(reading.skipped_rows)
        skipped = {finding.row for finding in reading.findings if finding.severity is Severity.SKIPPED}
        assert skipped == set(reading.skipped_rows)


_DATE_TEXTS = st.one_of(
    st.dates(date(1930, 1, 1), date(2026, 12, 31)).flatmap(
        lambda day: st.sampled_from(
            ["%Y-%m-%d", "%d.%m.%Y", "%m/%d/%y", "%d/%m/%y", "%m/%y", "%m/%Y", "%Y-%m", "%Y", "%y", "%b %y"]
        ).map(day.strftime)
    ),
    st.sampled_from(
        ["", "?", "n/a", "before 2015", "03/04/21", "2019-06 to 2020-02", "06/2027", "~2019", "W12/23"]
    ),
)


@given(
    text=_DATE_TEXTS,
    bound=st.dates(date(1940, 1, 1), date(2026, 11, 25)),
    day_first=st.sampled_from([True, False, None]),
)
@settings(max_examples=400, deadline=None)
def test_a_date_that_no_bound_can_change_is_read_the_same_with_one(
    text: str, bound: date, day_first: bool | None
) -> None:
    """What is read once for all units of a file is what each of them would have been told."""
    today = NOW.date()
    try:
        free = read_stamp(text, today=today, day_first=day_first)
    except StampError:
        return
    codes = free.codes or (() if free.stamp.is_known else ("unknown_date",))
    if _holds_after(bound, free.stamp, tuple((Severity.DOUBT, "", code, "", "", "", "") for code in codes)):
        assert read_stamp(text, today=today, not_before=bound, day_first=day_first) == free


def test_a_bound_settles_or_refuses_a_date_though_other_units_were_told_otherwise() -> None:
    """The same text in two rows: only the unit that is younger than it gets a refusal, or another century."""
    rows = [
        {"Made": "2001-05", "Last hydro": "2009-04-01"},
        {"Made": "2015-05", "Last hydro": "2009-04-01"},
        {"Made": "2001-05", "Last hydro": "04/09"},
        {"Made": "1903-05", "Last hydro": "04/09"},
    ]
    found = read(*rows)
    assert [row.row for row in found.rows] == [2, 4, 5]
    assert [f.code for f in found.findings_of(3) if f.severity is Severity.REFUSED] == ["before_manufacture"]
    assert [str(row.last_hydrostatic_test) for row in found.rows] == ["2009-04-01", "2009-04", "unknown"]
    assert "two_digit_year_open" in {f.code for f in found.findings_of(5)}
