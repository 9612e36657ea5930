"""Registers as people keep them, of our own invention: what is read, doubted, passed over and asked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from servicedesk.exchange.book import open_book
from servicedesk.exchange.findings import RegisterFileError, Severity
from servicedesk.exchange.headings import FIELDS, propose_columns
from servicedesk.exchange.reading import RegisterReading, RegisterRow, read_register
from servicedesk.exchange.words import doubtful_columns, plain, word_file, words_of
from servicedesk.exchange.writing import csv_lines

NOW = datetime(2026, 11, 25, 15, tzinfo=UTC)
DIRTY = Path(__file__).parents[3] / "fixtures" / "samples" / "dirty"
IBERIA = {"spanish.txt": {"time_zone": "Europe/Madrid"}, "portuguese.txt": {"time_zone": "Europe/Lisbon"}}
# Every unit of these files lacks the same three; they are told elsewhere.
USUAL = {"no_serial", "missing_shell", "missing_construction"}


def read(name: str, **told: Any) -> RegisterReading:
    told.setdefault("defaults", IBERIA.get(name, {}))
    return read_register((DIRTY / name).read_bytes(), now=NOW, file_name=name, **told)


def codes(reading: RegisterReading) -> dict[str, int]:
    return dict(Counter(f.code for f in reading.findings if f.code not in USUAL))


def units(reading: RegisterReading) -> list[tuple[str, ...]]:
    return [_short(row) for row in reading.rows]


def _short(row: RegisterRow) -> tuple[str, ...]:
    return (
        row.location_number,
        row.agent.value,
        row.charge_text,
        str(row.made),
        str(row.last_maintenance),
        str(row.last_hydrostatic_test),
    )


@pytest.mark.parametrize(
    ("name", "encoding", "delimiter", "expected"),
    [
        pytest.param(
            "german.csv",
            "cp1252",
            ";",
            [
                ("1", "dry_chemical_abc", "6 kg", "2015", "2026-03-14", "2021-06"),
                ("2", "wet_chemical", "6,0 l", "2018-03", "2026-03-15", "unknown"),
                ("3", "carbon_dioxide", "5 kg", "2019-06", "2026-03-07", "unknown"),
            ],
            id="German: titles, sum, Windows letters, day first by evidence",
        ),
        pytest.param(
            "french.txt",
            "mac_roman",
            "\t",
            [
                ("A1", "water", "6 L", "2019", "2026-03-15", "unknown"),
                ("A2", "dry_chemical_abc", "9 kg", "2017-08", "2026-03-15", "Q2 2022"),
                ("A3", "carbon_dioxide", "2 kg", "2020-12", "2026-03-16", "unknown"),
            ],
            id="French: tabs, letters of an old Mac, names of months",
        ),
        pytest.param(
            "spanish.txt",
            "utf-8-sig",
            "|",
            [
                ("1", "dry_chemical_abc", "6 kg", "2021-06-15", "2026-02-03", "unknown"),
                ("2", "unknown", "6 kg", "2020-06", "2026-02-25", "unknown"),
                ("3", "carbon_dioxide", "5 kg", "2016", "2026-02-25", "2021"),
            ],
            id="Spanish: bars, mark of UTF-8, powder of two kinds",
        ),
        pytest.param(
            "italian.txt",
            "cp850",
            "^",
            [
                ("1", "dry_chemical_abc", "6 kg", "2018", "2026-01-14", "unknown"),
                ("2", "carbon_dioxide", "5 kg", "2018", "2026-01-14", "unknown"),
                ("3", "foam", "9 litri", "2020-01", "2026-01", "unknown"),
            ],
            id="Italian: carets, letters of DOS",
        ),
        pytest.param(
            "portuguese.txt",
            "utf-16",
            "~",
            [
                ("1", "dry_chemical_abc", "6 kg", "2019-03", "2025-10-02", "unknown"),
                ("2", "wet_chemical", "6 L", "2021-10", "2025-10-15", "unknown"),
            ],
            id="Portuguese: tildes, UTF-16",
        ),
        pytest.param(
            "dutch.csv",
            "utf-8",
            ":",
            [
                ("1", "dry_chemical_abc", "6 kg", "2019", "2025-05-03", "unknown"),
                ("2", "wet_chemical", "6 liter", "2020", "2025-05", "unknown"),
            ],
            id="Dutch: colons, no code of the site",
        ),
        pytest.param(
            "ratings.csv",
            "utf-8",
            ",",
            [
                ("1", "dry_chemical_abc", "", "2018-06", "2026-03-14", "unknown"),
                ("2", "dry_chemical_abc", "5 lb", "2017-06", "2026-03-04", "unknown"),
                ("3", "carbon_dioxide", "10 lb", "2009", "2026-03-14", "2020-03"),
                ("4", "dry_chemical_abc", "20 lb", "Q2 2019", "2026-03-14", "unknown"),
            ],
            id="American: ratings, sizes beside agents, tester marks, month first by evidence",
        ),
    ],
)
def test_registers_of_many_hands(
    name: str, encoding: str, delimiter: str, expected: list[tuple[str, ...]]
) -> None:
    reading = read(name)
    assert (reading.encoding, reading.delimiter) == (encoding, delimiter)
    assert units(reading) == expected


@pytest.mark.parametrize(
    ("name", "expected", "refused", "skipped"),
    [
        (
            "german.csv",
            {
                "encoding_guess": 1, "date_order": 1, "title_row": 2, "zone_of_country": 1, "year_only": 1,
                "week": 1, "two_digit_year": 1, "mixed_cell": 1, "ambiguous_agent": 1, "unreadable": 1,
                "unknown_date": 1, "total_row": 1,
            },
            (8,),
            (1, 2, 9),
        ),
        (
            "ratings.csv",
            {
                "date_order": 1, "rating_no_size": 1, "two_digit_year": 5, "mixed_cell": 3, "year_only": 2,
                "quarter_only": 1, "ambiguous_agent": 1, "impossible": 1,
            },
            (6,),
            (),
        ),
        (
            "dates.csv",
            {
                "zone_of_country": 1, "year_only": 3, "time_dropped": 1, "week": 2, "two_digit_year": 3,
                "spreadsheet_serial": 1, "unknown_date": 1, "zero_day": 1, "impossible": 1, "span": 1,
                "future": 1, "part_of_year": 1, "promise": 1,
            },
            (6, 7, 8),
            (),
        ),
        ("trailing.csv", {"zone_of_country": 1, "place_without_unit": 1}, (), (4,)),
        (
            "two_headings.csv",
            {"zone_of_country": 1, "heading_again": 1, "total_row": 1, "one_cell_row": 1},
            (),
            (6, 8, 9),
        ),
        ("blocks.csv", {"made_code": 2, "zone_of_country": 2, "taken_from_above": 2}, (), ()),
        (
            "quantities.csv",
            {"zone_of_country": 1, "year_only": 4, "mixed_cell": 1, "several_units": 2, "no_units": 1},
            (3, 4),
            (5,),
        ),
    ],
)  # fmt: skip
def test_nothing_is_passed_over_unsaid(
    name: str, expected: dict[str, int], refused: tuple[int, ...], skipped: tuple[int, ...]
) -> None:
    reading = read(name)
    assert codes(reading) == expected
    assert (reading.refused_rows, reading.skipped_rows) == (refused, skipped)
    grid = open_book((DIRTY / name).read_bytes()).table()
    heading = set(grid.heading_rows)
    there = {number for number, _ in grid.rows} | set(grid.skipped)
    assert {row.row for row in reading.rows} | set(refused) | set(skipped) == there - heading
    for finding in reading.findings:
        assert finding.sentence
        assert finding.remedy
        if finding.severity is Severity.DOUBT and finding.row:
            assert finding.becomes, finding


def test_a_doubt_shows_where_it_stands_and_what_comes_of_it() -> None:
    (finding,) = [f for f in read("ratings.csv").findings if f.code == "rating_no_size"]
    assert (finding.row, finding.column, finding.letter, finding.field) == (2, "Size", "I", "charge")
    assert (finding.found, finding.becomes) == ("2A:10B:C", "rating 2A:10B:C, which is no size")
    assert read("ratings.csv").rows[0].hazard == "2A:10B:C"


def test_two_rows_of_headings_are_one_heading() -> None:
    reading = read("two_headings.csv")
    assert reading.heading_row == 1
    assert reading.columns["site_code"] == "Site code"
    assert reading.columns["location_number"] == "Point number"
    assert [row.row for row in reading.rows] == [3, 4, 7]


def test_a_block_takes_the_site_of_its_first_row() -> None:
    rows = read("blocks.csv").rows
    assert [row.site_name for row in rows] == ["Oven house"] * 3 + ["Flour store"] * 2
    assert {row.owner_name for row in rows} == {"Finch Bakers"}
    assert len({row.site_code for row in rows}) == 2
    assert [row.site_code for row in read("blocks.csv").rows] == [row.site_code for row in rows]


def test_rows_of_several_units_wait_for_a_word() -> None:
    split = read("quantities.csv", split_quantities=True)
    assert [(row.row, row.copy, row.serial) for row in split.rows] == [
        (2, 1, "A1"), (3, 1, "B1"), (3, 2, "B2"), (3, 3, "B3"), (4, 1, ""), (4, 2, ""),
    ]  # fmt: skip
    assert len({row.import_key for row in split.rows}) == 6
    assert "one_for_several" in codes(split)
    assert split.row_count == 4
    asked = read("quantities.csv")
    taken = {row.import_key for row in split.rows} - {row.import_key for row in asked.rows}
    assert taken <= asked.refused_keys
    single = read("quantities.csv", split_quantities=False)
    assert [(row.row, row.copy) for row in single.rows] == [(2, 1), (3, 1), (4, 1)]


def test_a_state_is_read_and_said() -> None:
    reading = read("spanish.txt")
    assert [row.state for row in reading.rows] == ["in_service", "", "withdrawn"]
    assert codes(reading)["not_in_service"] == 1


def test_a_persons_word_goes_before_the_file() -> None:
    reading = read(
        "ratings.csv",
        meanings={"agent": {"Dry chem": "BC"}, "last_maintenance": {"2/31/2026": "2026-02-28"}},
        ignore=[2],
    )
    assert (reading.refused_rows, reading.skipped_rows) == ((), (2,))
    last = reading.rows[-1]
    assert (last.agent.value, str(last.last_maintenance)) == ("dry_chemical_bc", "2026-02-28")
    told = {0: "owner_name", 1: "site_name", 2: "country", 3: "location_number", 5: "agent", 7: "made"}
    mapped = read("dutch.csv", columns=told)
    assert mapped.rows[0].extras == (
        ("Ruimte", "Gang"), ("Inhoud", "6 kg"), ("Laatste onderhoud", "3 mei 2025"),
    )  # fmt: skip
    with pytest.raises(RegisterFileError) as refused:
        read("spanish.txt", defaults={})
    assert [f.field for f in refused.value.findings] == ["time_zone"]


def test_a_bare_figure_takes_the_unit_of_its_heading_or_of_a_person() -> None:
    head = "Owner,Site code,Site name,Country,Point,Agent,Made,"
    row = "Owl Mill,OM,Mill,DE,1,ABC,2019-06,"
    for heading, told in (("Size (kg)", {}), ("Size", {"charge": "kg"})):
        data = f"{head}{heading}\n{row}6\n".encode()
        reading = read_register(data, now=NOW, units=told)
        assert (reading.rows[0].charge_mass_g, reading.rows[0].charge_text) == (6000, "6 kg")
    unknown = read_register(f"{head}Size\n{row}6\n".encode(), now=NOW)
    assert unknown.rows[0].charge is None
    assert codes(unknown) == {"zone_of_country": 1, "no_unit": 1}


def test_progress_is_told_and_can_end_the_reading() -> None:
    class Ended(Exception):
        pass

    heard: list[tuple[int, int]] = []
    read("german.csv", heard=lambda done, total: heard.append((done, total)))
    assert heard[-1] == (4, 4)

    def end(done: int, total: int) -> None:
        raise Ended

    with pytest.raises(Ended):
        read("german.csv", heard=end)


def proposed(text: str, defaults: Mapping[str, str] | None = None) -> dict[str, tuple[str, float]]:
    proposal = propose_columns(open_book(text.encode()).table(), defaults=defaults or {})
    return {column.heading: (column.field, column.confidence) for column in proposal.columns}


def test_columns_are_proposed_by_name_and_values() -> None:
    text = (
        "Owner;Seriel number;Date of last hydro test;Test date;Next service;What;Contact;Type;Spec. kind;Nr\n"
        "Owl Mill;A1;06/2021;2026-03-14;2027-03-14;ABC;a@b.example;Otter;stored pressure;1\n"
        "Owl Mill;A2;06/2021;2026-03-14;2027-03-14;CO2;c@b.example;Otter;cartridge;2\n"
    )
    found = proposed(text)
    assert {heading: field for heading, (field, _) in found.items()} == {
        "Owner": "owner_name",
        "Seriel number": "serial",
        "Date of last hydro test": "last_hydrostatic_test",
        "Test date": "",  # can mean two things: nobody may guess which
        "Next service": "",  # a promise is no history
        "What": "agent",  # its values are agents
        "Contact": "owner_email",
        "Type": "",  # a name of the agent, but its values are not
        "Spec. kind": "construction",
        "Nr": "",
    }
    assert found["Owner"][1] > found["Date of last hydro test"][1] > found["What"][1] > 0.5


def test_an_open_order_of_dates_is_a_question() -> None:
    head = "Owner,Made,Last service\n"
    table = open_book(f"{head}A,2019,03/04/2026\nB,2019,05/04/2026\n".encode()).table()
    proposal = propose_columns(table)
    assert (proposal.day_first, "03/04/2026" in proposal.date_question) == (None, True)
    settled = propose_columns(open_book(f"{head}A,2019,03/04/2026\nB,2019,25/04/2026\n".encode()).table())
    assert (settled.day_first, settled.date_question) == (True, "")


def test_every_word_leads_to_a_field_or_a_state() -> None:
    from inventory.register.models import Unit

    assert set(words_of("columns").values()) == set(FIELDS)
    assert {field for fields in doubtful_columns().values() for field in fields} <= set(FIELDS)
    assert not set(doubtful_columns()) & set(words_of("columns"))
    assert set(words_of("unit_states").values()) <= set(Unit.State.values)
    for section in ("columns", "agents", "unit_states"):
        for words in word_file()[section].values():
            assert all(plain(word) for word in words)


def test_a_book_can_be_read_again_and_tells_the_same() -> None:
    for name in ("blocks.csv", "two_headings.csv", "quantities.csv"):
        book = open_book((DIRTY / name).read_bytes(), name)
        first = read_register(book, now=NOW)
        again = read_register(book, now=NOW)
        assert again.rows == first.rows
        assert again.findings == first.findings == read(name).findings


def test_numbers_that_went_through_another_program() -> None:
    data = (
        b"Owner,Site code,Site name,Country,Point,Serial,Agent,Made,Last service\n"
        b"Owl Mill,OM,Mill,DE,1.0,4711.0,ABC,2019.0,2026-03-14\n"
        b"Owl Mill,OM,Mill,DE,2.0,4712.0,ABC,2018.0,2026-03-14\n"
    )
    reading = read_register(data, now=NOW)
    assert [(row.location_number, row.serial, str(row.made)) for row in reading.rows] == [
        ("1", "4711", "2019"),
        ("2", "4712", "2018"),
    ]
    assert codes(reading) == {
        "like_a_fraction": 2, "zone_of_country": 1, "number_as_date": 2, "year_only": 2,
    }  # fmt: skip


def test_what_was_handed_out_comes_back() -> None:
    """A cell that a spreadsheet would run gets an apostrophe on its way out and loses it on its way in."""
    head = ("Owner", "Site code", "Site name", "Country", "Point", "Serial", "Agent", "Made")
    lines = csv_lines(head, [("Owl Mill", "OM", "Mill", "DE", "1", "-17", "ABC", "2019-06")])
    (row,) = read_register("".join(lines).encode(), now=NOW).rows
    assert row.serial == "-17"
