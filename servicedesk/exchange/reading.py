"""A register file read into plain rows, with every doubt told by row, column and remedy.

Nothing here touches a database. ``read_register`` takes the bytes of a CSV file and returns the
rows it could read as ``RegisterRow`` and everything it doubts as ``Finding``. A finding either
refuses its row or doubts a value: a doubted value is taken in as unknown, or as the reading the
sentence states. What makes the whole file unreadable raises ``RegisterFileError``.

Guarantees: every row that is not blank is either in ``rows`` or named in a refusing finding, and
``to_import()`` returns nothing while a row is refused unless the caller accepts the rest.

>>> from datetime import UTC, datetime
>>> text = "owner;site code;site;time zone;point;type;made\\nOwl Mill;M1;Mill;Etc/UTC;1;CO2;06/2021\\n"
>>> reading = read_register(text.encode(), now=datetime(2026, 11, 25, tzinfo=UTC))
>>> reading.rows[0].agent, str(reading.rows[0].made)
(<Agent.CARBON_DIOXIDE: 'carbon_dioxide'>, '2021-06')
"""

from __future__ import annotations

import dataclasses
import hashlib
import re
from collections import Counter
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal
from functools import lru_cache, partial
from itertools import groupby
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from inventory.measures.kinds import (
    AGENT_LABELS,
    CONSTRUCTION_LABELS,
    ENVIRONMENT_LABELS,
    SHELL_LABELS,
    Agent,
    Construction,
    Environment,
    Shell,
    TestMethod,
)
from inventory.measures.stamps import Precision, Stamp, StampError, read_stamp
from inventory.measures.units import Dimension, Measure, MeasureError, read_measure, read_number
from servicedesk.exchange.book import Book, Table, column_letter, open_book
from servicedesk.exchange.evidence import order_of
from servicedesk.exchange.findings import Finding, RegisterFileError, Severity, clip, split_remedy
from servicedesk.exchange.headings import Columns, propose_columns, settle_columns, spoken
from servicedesk.exchange.hours import AccessWindow, HoursError, read_hours
from servicedesk.exchange.mixed import Mixed, is_agent, split_mixed
from servicedesk.exchange.places import only_zones, zone_names
from servicedesk.exchange.rows import RegisterReading, RegisterRow
from servicedesk.exchange.words import (
    UNKNOWN_WORDS,
    ambiguous_agents,
    is_unknown,
    kinds,
    plain,
    unit_words,
    words_of,
)
from servicedesk.exchange.workbook import Figure

__all__ = ["Finding", "RegisterFileError", "RegisterReading", "RegisterRow", "Severity", "read_register"]


def read_register(
    data: bytes | Book,
    *,
    now: datetime,
    known_tables: Collection[str] | None = None,
    day_first: bool | None = None,
    decimal_comma: bool | None = None,
    file_name: str = "",
    sheet: str = "",
    heading_row: int | None = None,
    encoding: str = "",
    delimiter: str = "",
    columns: Mapping[int, str] | None = None,
    defaults: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    meanings: Mapping[str, Mapping[str, str]] | None = None,
    ignore: Collection[int] = (),
    split_quantities: bool | None = None,
    heard: Callable[[int, int], None] | None = None,
) -> RegisterReading:
    """Return the rows and findings of the register file ``data``.

    ``now`` is an aware instant; today is its civil date at each row's own site. ``known_tables``
    are the keys of the interval tables that can be adopted; without it any key is taken.
    ``day_first`` and ``decimal_comma`` are a person's word on how the file writes dates and
    numbers; left out, the file is asked for evidence, dates country by country.

    What else a person can tell: ``sheet`` and ``heading_row`` say where the register stands,
    ``encoding`` and ``delimiter`` how its text is to be taken, ``columns`` which field stands at
    which position (all of them; an empty field leaves a column unread), ``defaults`` what an empty
    cell of a field means in every row, ``units`` the unit of a measure that is written in bare
    figures, ``meanings`` what a text in a field stands for, ``ignore`` rows to leave out, and
    ``split_quantities`` whether a row for several units becomes several. ``heard`` is called now
    and then with the rows done and all rows, 0 while their number is not known; what it raises
    ends the reading.

    Raises ``RegisterFileError`` when the file is empty, no table, in no known encoding, broken,
    locked, too large, or lacks a column that a register cannot do without.
    """
    if now.tzinfo is None:
        raise ValueError("now must be an aware instant, so that today is known at every site.")
    book = (
        data if isinstance(data, Book) else open_book(data, file_name, encoding=encoding, delimiter=delimiter)
    )
    table = book.table(sheet, heading_row, heard)
    told = Told(
        day_first=day_first,
        decimal_comma=decimal_comma,
        defaults={name: text for name, text in (defaults or {}).items() if text},
        units=units or {},
        meanings=meanings or {},
        ignore=frozenset(ignore),
        split_quantities=split_quantities,
    )
    proposal = propose_columns(table, defaults=told.defaults)
    places, column_findings = settle_columns(table, proposal, columns, told.defaults)
    last = max([len(table.headings), *(column.position + 1 for column in proposal.columns)])
    reader = _Reader(table, places, last, now, known_tables, told)
    rows = reader.read(heard)
    findings = [*book.findings, *table.findings, *column_findings, *reader.findings]
    return RegisterReading(
        rows=tuple(rows),
        findings=tuple(sorted(findings, key=lambda finding: finding.row)),
        refused_rows=tuple(sorted(reader.refused)),
        encoding=book.encoding,
        delimiter=book.delimiter,
        columns=dict(places.headings),
        skipped_rows=tuple(sorted({*table.skipped, *reader.skipped})),
        kind=book.kind,
        sheet=table.sheet,
        heading_row=table.heading_row,
        proposal=proposal,
        day_first=reader.order.get("", day_first),
        decimal_comma=reader.decimal_comma,
    )


# The longest text each field may hold; the tables of the register allow no more.
_LONGEST = {
    "owner_name": 200, "owner_email": 254, "site_code": 30, "site_name": 200, "address_line": 200,
    "city": 100, "region": 100, "postcode": 20, "building": 80, "floor": 40, "location_number": 30,
    "location_description": 200, "hazard": 80, "unit_number": 30, "serial": 60, "maker": 100, "model": 120,
    "cylinder_spec": 20, "charge": 30,
}  # fmt: skip

# Units that one row may become; more in one row is a slip.
MOST_COPIES = 200
_HEARD_EVERY = 500

# Told once per site; an empty cell takes the value of the site's first row that has one.
_OF_SITE = (
    "owner_name", "owner_email", "site_name", "address_line", "city", "region", "postcode", "country",
    "latitude", "longitude", "time_zone", "access_hours", "tables",
)  # fmt: skip
# A row without any of these tells of a place, not of a unit.
_OF_UNIT = frozenset(
    {
        *("unit_number", "serial", "maker", "model", "agent", "construction", "shell", "cylinder_spec"),
        *("charge", "water_capacity", "working_pressure", "test_pressure", "full_mass", "made", "installed"),
        *("last_maintenance", "last_recharge", "last_internal_examination", "last_hydrostatic_test"),
        *("last_visual_inspection", "last_weighing", "last_conductivity_test", "quantity", "unit_state"),
    }
)
# Two rows of one site that disagree here describe two sites; a person must say which is meant.
_SITE_MUST_AGREE = frozenset({"owner_name", "country", "time_zone"})

_DATES = (
    "made", "installed", "last_maintenance", "last_recharge", "last_internal_examination",
    "last_hydrostatic_test", "last_visual_inspection", "last_weighing", "last_conductivity_test",
)  # fmt: skip
# Where a whole day is usual, a coarser date is worth a note; shells and test marks tell months.
_DAY_EXPECTED = frozenset(
    {"installed", "last_maintenance", "last_recharge", "last_visual_inspection", "last_weighing"}
)

_MEASURES: dict[str, tuple[tuple[Dimension, ...], Decimal, Decimal]] = {
    # dimensions, lowest and highest believable value in the base unit. Common practice, no source.
    "charge": ((Dimension.MASS, Dimension.VOLUME), Decimal(50), Decimal(300_000)),
    "water_capacity": ((Dimension.VOLUME, Dimension.MASS), Decimal(100), Decimal(500_000)),
    "working_pressure": ((Dimension.PRESSURE,), Decimal(100), Decimal(30_000)),
    "test_pressure": ((Dimension.PRESSURE,), Decimal(500), Decimal(70_000)),
    "full_mass": ((Dimension.MASS,), Decimal(200), Decimal(600_000)),
}

# ISO 7165:2017 calls a unit portable up to 20 kg, 25 kg where accepted; a larger charge stands on wheels.
_LARGEST_PORTABLE_CHARGE = 25_000

_EMAIL = re.compile(r"[^@\s,;<>\"]+@[^@\s,;<>\"]+\.[^@\s,;<>\"]+")
_CONTROL_SIGN = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff]")
_NUMBER_ALONE = re.compile(r"\d[\d.,]*(?:\s*[¼½¾]|\s+\d/\d)?", re.ASCII)
_BARE_SIZE = re.compile(r"[\d.,¼½¾/ ]+\s*[a-zA-Z.#]*", re.ASCII)
# What spreadsheets write where a formula failed, in English and in the other languages of the registers.
_ERRORS = frozenset(
    {
        *("#REF!", "#N/A", "#VALUE!", "#DIV/0!", "#NAME?", "#NULL!", "#NUM!", "#SPILL!", "#CALC!"),
        *("#GETTING_DATA", "#BEZUG!", "#NV", "#WERT!", "#ZAHL!", "#NOM?", "#N/D", "#VALEUR!", "#NOMBRE?"),
        *("#¡REF!", "#¡VALOR!", "#¡DIV/0!", "#RIF!", "#VALORE!", "#NOME?", "#VERW!", "#WAARDE!", "#N/B"),
    }
)
_TABLE_KEY = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")


def is_broken_cell(text: str) -> bool:
    """Return whether a cell holds the error of a spreadsheet, or a formula that was never computed."""
    return text in _ERRORS or (text[0] == "=" and len(text) > 1)


_NO_DATE = Stamp.unknown()
# Doubts that already say that a date is coarser than a day.
_COARSE_SAID = frozenset({"day_month_order", "week", "span", "part_of_year"})
# Day 1950 to day 2100 of a spreadsheet: a year that was shown as a date.
_YEAR_AS_DAY = re.compile(r"1905-0(?:5-(?:0[3-9]|[12]\d|3[01])|[67]-\d\d|8-(?:[01]\d|2\d|30))")


@lru_cache(maxsize=5_000)
def _base(measure: Measure) -> Decimal:
    return measure.canonical


def _same_agent(one: str, other: str) -> bool:
    agents = words_of("agents")
    first, second = plain(one), plain(other)
    return first == second or (first in agents and agents[first] == agents.get(second))


class _Refused(Exception):
    """Leaves a row whose further cells would only repeat the same fault."""


@dataclass(frozen=True, slots=True)
class Told:
    """What a person told about a file, as ``read_register`` takes it."""

    day_first: bool | None = None
    decimal_comma: bool | None = None
    defaults: Mapping[str, str] = dataclasses.field(default_factory=dict)
    units: Mapping[str, str] = dataclasses.field(default_factory=dict)
    meanings: Mapping[str, Mapping[str, str]] = dataclasses.field(default_factory=dict)
    ignore: Collection[int] = ()
    split_quantities: bool | None = None


_Said = tuple[Severity, str, str, str, str, str, str]
_T = TypeVar("_T")


class _Reader:
    """Reads the rows of one table; ``findings``, ``refused`` and ``skipped`` fill as it goes."""

    def __init__(
        self,
        table: Table,
        columns: Columns,
        last: int,
        now: datetime,
        known_tables: Collection[str] | None,
        told: Told,
    ) -> None:
        self.table = table
        self.columns = columns
        self.now = now
        self.known_tables = known_tables
        self.told = told
        self.letters = {name: column_letter(at) for name, at in columns.positions.items()}
        self.findings: list[Finding] = []
        self.refused: set[int] = set()
        self.skipped: set[int] = set()
        self.sites: dict[str, dict[str, tuple[int, str]]] = {}
        self.site_codes: dict[str, str] = {}
        self.owner_names: dict[str, str] = {}
        self.said: set[tuple[str, str, str]] = set()
        self.memo: dict[Any, tuple[Any, tuple[_Said, ...]]] = {}
        self.captured: list[_Said] | None = None
        self.owner_of_site: dict[str, str] = {}
        self.made_codes: dict[tuple[str, str], str] = {}
        self.places = tuple(columns.positions.items())
        self.meanings = {
            name: {plain(found): text for found, text in texts.items()}
            for name, texts in told.meanings.items()
        }
        # Columns without a heading that most rows fill are columns; beyond them values have slipped.
        self.last = last
        # Some programs end every row with a delimiter; a cell too many in every row is no shift.
        self.width = max(last, min((len(cells) for _, cells in table.rows), default=0))
        self.row = 0
        self.raw: dict[str, str] = {}
        self.cells: dict[str, str] = {}
        self.todays: dict[str, date] = {}
        self.times: Counter[str] = Counter()
        self.settled_sites: dict[str, tuple[str, ...]] = {}
        self.site_values: dict[tuple[str, ...], tuple[Any, ...]] = {}
        self.is_broken = False
        self.hours: dict[str, tuple[AccessWindow, ...]] = {}
        self.open_dates = 0
        self.rows = self._rows_of_units()
        self.decimal_comma = self._comma_evidence() if told.decimal_comma is None else told.decimal_comma
        self.order = self._order_evidence(told.day_first)

    def read(self, heard: Callable[[int, int], None] | None = None) -> list[RegisterRow]:
        rows: list[RegisterRow] = []
        for done, (number, cells) in enumerate(self.rows):
            if heard is not None and done % _HEARD_EVERY == 0:
                heard(done, len(self.rows))
            self.row = number
            self.raw = self._named(cells)
            self.cells = dict(self.raw)
            key = self._import_key()
            try:
                read = self._read_row(cells, key)
            except _Refused:
                continue
            if number not in self.refused and number not in self.skipped:
                rows.extend(read)
        if heard is not None:
            heard(len(self.rows), len(self.rows))
        return self._compare(rows)

    # -- saying

    def _say(
        self,
        severity: Severity,
        field: str,
        code: str,
        sentence: str,
        remedy: str,
        found: str | None = None,
        becomes: str = "",
    ) -> None:
        told = clip((self.raw.get(field) or self.cells.get(field, "")) if found is None else found)
        if self.captured is not None:
            self.captured.append((severity, field, code, sentence, remedy, told, becomes))
        else:
            self._emit(severity, field, code, sentence, remedy, told, becomes)

    def _emit(
        self,
        severity: Severity,
        field: str,
        code: str,
        sentence: str,
        remedy: str,
        found: str,
        becomes: str,
    ) -> None:
        heading = self.columns.headings.get(field) or field.replace("_", " ")
        letter = self.letters.get(field, "")
        self.findings.append(
            Finding(self.row, heading, code, severity, found, sentence, remedy, becomes, letter, field)
        )
        if severity is Severity.REFUSED:
            self.refused.add(self.row)
        elif severity is Severity.SKIPPED:
            self.skipped.add(self.row)

    def _once(self, key: object, read: Callable[[], _T], show: Callable[[_T], str] | None = None) -> _T:
        """Return what ``read`` gave for ``key``, and say again what it said.

        Registers repeat their texts: a hundred thousand rows have some hundred dates, sizes and agents.
        """
        known = self.memo.get(key)
        if known is None:
            self.captured = []
            try:
                value = read()
                said = self.captured
            finally:
                self.captured = None
            if show is not None and said:
                shown = show(value)
                said = [one if one[6] or one[0] is not Severity.DOUBT else (*one[:6], shown) for one in said]
            if len(self.memo) > 200_000:
                self.memo.clear()
            known = self.memo[key] = (value, tuple(said))
        for one in known[1]:
            self._emit(*one)
        found: _T = known[0]
        return found

    def _refuse(self, field: str, code: str, sentence: str, remedy: str) -> None:
        self._say(Severity.REFUSED, field, code, sentence, remedy)

    def _doubt(self, field: str, code: str, sentence: str, remedy: str, becomes: str = "") -> None:
        if field in _OF_SITE:  # the same doubt on every row of a site would bury the others
            key = (self.cells.get("site_code", ""), f"{field} {code}", self.cells.get(field, ""))
            if key in self.said:
                return
            self.said.add(key)
        self._say(Severity.DOUBT, field, code, sentence, remedy, becomes=becomes)

    # -- looking over the whole file

    def _named(self, cells: list[str]) -> dict[str, str]:
        """Return the cells of a row by field, with what a person told put in."""
        count = len(cells)
        named = {field: cells[position] if position < count else "" for field, position in self.places}
        for field, texts in self.meanings.items():
            text = named.get(field, "")
            if text:
                named[field] = texts.get(plain(text), text)
        for field, text in self.told.defaults.items():
            if not named.get(field):
                named[field] = text
        self.is_broken = False
        for field, text in named.items():
            if text and text[0] in "#=" and is_broken_cell(text):
                named[field] = self.told.defaults.get(field, "")
                self.is_broken = True
        if not named.get("site_code") and named.get("site_name"):
            owner = self.owner_of_site.setdefault(plain(named["site_name"]), named.get("owner_name", ""))
            named["owner_name"] = named.get("owner_name") or owner
            named["site_code"] = self._code_of(named["site_name"], named["owner_name"])
        elif not named.get("site_name") and "site_name" not in self.columns.positions:
            named["site_name"] = named.get("site_code", "")
        if "location_number" not in self.columns.positions and not named.get("location_number"):
            named["location_number"] = self._number_of_place(named)
        return named

    def _code_of(self, name: str, owner: str) -> str:
        """Return a code for a site that has none, the same one at each reading."""
        key = (plain(name), plain(owner))
        code = self.made_codes.get(key)
        if code is None:
            letters = re.sub(r"[^A-Z0-9]+", "-", key[0].upper())[:24].strip("-") or "SITE"
            digest = hashlib.sha256("\x1f".join(key).encode()).hexdigest()[:4].upper()
            code = self.made_codes[key] = f"{letters}-{digest}"
        return code

    def _number_of_place(self, named: dict[str, str]) -> str:
        for field in ("location_description", "unit_number", "serial"):
            text = named.get(field, "")
            if text and not is_unknown(text) and len(text) <= _LONGEST["location_number"]:
                return text
        return ""

    def _rows_of_units(self) -> list[tuple[int, list[str]]]:
        """Return the rows that hold units, with a site told once for a block filled in; say what is not."""
        rows = [row for row in self.table.rows if not self._is_ignored(*row)]
        self._fill_down(rows)
        kept = []
        wide = len(self.columns.positions) >= 5
        for number, cells in rows:
            filled = [at for at, cell in enumerate(cells) if cell and (number, at) not in self.table.filled]
            self.row = number
            if wide and len(filled) == 1 and self._field_at(filled[0]) not in ("serial", "unit_number"):
                self._skip(
                    cells[filled[0]],
                    "one_cell_row",
                    "The row holds one cell alone and no unit; it was left out.",
                )
            elif not any(cells):
                self._skip("", "one_cell_row", "The row holds no unit; it was left out.")
            elif self._tells_no_unit(cells):
                self._skip(
                    " | ".join(cell for cell in cells if cell),
                    "place_without_unit",
                    "The row names a place and tells nothing of a unit; it was left out.",
                )
            else:
                kept.append((number, cells))
        return kept

    def _is_ignored(self, number: int, cells: list[str]) -> bool:
        if number not in self.told.ignore:
            return False
        self.row = number
        self._skip(
            " | ".join(cell for cell in cells if cell), "ignored", "The row was left out, as someone told."
        )
        return True

    def _skip(self, found: str, code: str, sentence: str) -> None:
        remedy = "Nothing to do, unless it is a unit; then give it the cells of one."
        self._say(Severity.SKIPPED, "", code, sentence, remedy, found=found)

    def _field_at(self, position: int) -> str:
        return next((name for name, at in self.places if at == position), "")

    def _tells_no_unit(self, cells: list[str]) -> bool:
        count = len(cells)
        facts = [at for name, at in self.places if name in _OF_UNIT]
        if not facts or any(at < count and cells[at] for at in facts):
            return False
        # A cell beyond the columns or in one nobody reads may be a unit gone out of place.
        known = {at for _, at in self.places}
        return not any(cell for at, cell in enumerate(cells) if at not in known)

    def _fill_down(self, rows: list[tuple[int, list[str]]]) -> None:
        """Let blank cells take the site of the row above when the file tells a site once for a block."""
        name = "site_code" if "site_code" in self.columns.positions else "site_name"
        position = self.columns.positions.get(name)
        if position is None or name in self.told.defaults or len(rows) < 2:
            return
        texts = [cells[position] if position < len(cells) else "" for _, cells in rows]
        blank = texts.count("")
        heads = [name for name, _ in groupby(plain(text) for text in texts if text)]
        if not texts[0] or not blank or blank * 10 < len(texts) * 3 or len(set(heads)) < len(heads):
            return
        source: list[str] = []
        begun = 0
        taken: list[int] = []
        others = [at for field, at in self.places if field in _OF_SITE or field == "site_code"]
        for (row, cells), text in [*zip(rows, texts, strict=True), ((0, []), "end")]:
            if text:
                if taken:
                    self.row = taken[0]
                    rows_said = (
                        f"Rows {taken[0]} to {taken[-1]} leave" if len(taken) > 1 else "The row leaves"
                    )
                    self._say(
                        Severity.DOUBT,
                        name,
                        "taken_from_above",
                        f'{rows_said} the site empty and took "{source[position]}" of row {begun}.',
                        "Fill in the cells if they belong to another site.",
                        found="",
                        becomes=source[position],
                    )
                source, begun, taken = cells, row, []
            elif any(cells):
                cells.extend([""] * (max(others) + 1 - len(cells)))
                for at in others:
                    if not cells[at] and at < len(source):
                        cells[at] = source[at]
                        self.table.filled.add((row, at))
                taken.append(row)

    def _column(self, field: str) -> list[str]:
        position = self.columns.positions.get(field)
        if position is None:
            return []
        return [cells[position] for _, cells in self.rows if position < len(cells)]

    def _comma_evidence(self) -> bool | None:
        """Return whether numbers use a decimal comma: only when some do and none uses a point."""
        texts = {text for field in (*_MEASURES, "latitude", "longitude") for text in self._column(field)}
        comma = any(re.search(r"\d,(?:\d{1,2}|\d{4,})(?!\d|[.,]\d)", text, re.ASCII) for text in texts)
        point = any(re.search(r"\d\.\d", text, re.ASCII) for text in texts if not isinstance(text, Figure))
        return True if comma and not point else None

    def _order_evidence(self, told: bool | None) -> dict[str, bool | None]:
        """Return per country whether the day comes first, from dates that can only be read one way.

        A country whose own dates agree decides for itself; one without evidence follows the file
        when the whole file agrees. The entry "" is the file.
        """
        seen: dict[str, Counter[bool]] = {"": Counter()}
        open_dates: Counter[str] = Counter()
        country_of_site: dict[str, str] = {}
        dates = [self.columns.positions[name] for name in _DATES if name in self.columns.positions]
        kinds_of: dict[str, str] = {}
        countries = words_of("countries")
        site_at = self.columns.positions.get("site_code", self.columns.positions.get("site_name", -1))
        country_at = self.columns.positions.get("country", -1)
        usual = countries.get(plain(self.told.defaults.get("country", "")), "")
        for _, cells in self.rows:
            count = len(cells)
            country = ""
            for at in dates:
                text = cells[at] if at < count else ""
                if not text:
                    continue
                kind = kinds_of.get(text)
                if kind is None:
                    kind = kinds_of[text] = order_of(text)
                if not kind:
                    continue
                if not country:
                    site = plain(cells[site_at]) if 0 <= site_at < count else ""
                    named = cells[country_at] if 0 <= country_at < count else ""
                    country = countries.get(plain(named), "") or usual
                    country = country_of_site.setdefault(site, country) or country
                if kind == "open":
                    seen.setdefault(country, Counter())
                    open_dates[country] += 1
                else:
                    for group in {"", country}:
                        seen.setdefault(group, Counter())[kind == "day"] += 1
        self.open_dates = sum(open_dates.values())
        order: dict[str, bool | None] = {}
        for group, counts in seen.items():
            source = counts or seen[""]
            order[group] = told if told is not None else next(iter(source)) if len(source) == 1 else None
            if group in open_dates and told is None and order[group] is not None:
                where = f" of {group}" if counts and group else ""
                way = "the day before the month" if order[group] else "the month before the day"
                self.findings.append(
                    Finding(
                        0,
                        "",
                        "date_order",
                        Severity.DOUBT,
                        "",
                        f"{open_dates[group]} dates{where} such as 03/04/2021 can be read two ways. "
                        f"{sum(source.values())} others{where} can only have {way}, so all were read so.",
                        "Check that the file writes its dates one way throughout.",
                        becomes="day first" if order[group] else "month first",
                    )
                )
        return order

    def _import_key(self) -> str:
        """Return a digest of the row that a repeat of the import meets again.

        Our own number identifies a unit; else maker, model and serial within the site; else the
        place. Rows that share all of it are told apart by their order.
        """
        named = self.raw
        unit_number = plain(named.get("unit_number", ""))
        serial = plain(named.get("serial", ""))
        site = plain(named.get("site_code", ""))
        if unit_number:
            identity: tuple[str, ...] = ("number", unit_number)
        elif serial not in UNKNOWN_WORDS:
            identity = ("serial", site, plain(named.get("maker", "")), plain(named.get("model", "")), serial)
        else:
            identity = ("place", site, plain(named.get("location_number", "")))
        told = "\x1f".join(identity)
        self.times[told] += 1
        return hashlib.sha256(f"{told}\x1f{self.times[told]}".encode()).hexdigest()

    # -- one row

    def _read_row(self, cells: list[str], key: str) -> list[RegisterRow]:
        headings = len(self.table.headings)
        if len(cells) > self.width or any(cells[self.last :]):
            self._say(
                Severity.REFUSED,
                "",
                "too_many_cells",
                f"The row has {len(cells)} cells under {headings} headings, so its values may stand in the "
                "wrong columns.",
                "Put a cell that holds the delimiter into quotation marks.",
                found=cells[-1],
            )
            raise _Refused
        if self.table.is_text and len(cells) < headings:
            self._say(
                Severity.DOUBT,
                "",
                "short_row",
                f"The row has {len(cells)} cells under {headings} headings; the others were read as empty.",
                "Check that no line break split the row.",
                found=cells[-1],
            )
        if self.is_broken:
            self._say_broken_cells(cells)
        if not "".join(cells).isprintable():
            for field, text in self.cells.items():
                if _CONTROL_SIGN.search(text):
                    self._refuse(
                        field,
                        "control_sign",
                        "The cell holds a sign that no text has.",
                        "Type the cell again.",
                    )
        self._say_made_values(cells)
        self._take_site()
        self._unmix()
        for field, text in self.cells.items():
            if len(text) > 20 and len(text) > (longest := _LONGEST.get(field, len(text))):
                self._refuse(
                    field,
                    "too_long",
                    f"The text has {len(text)} characters; {longest} are possible.",
                    "Shorten it.",
                )
        for field in ("owner_name", "site_code", "site_name", "location_number"):
            if not self.cells.get(field):
                self._refuse(field, "missing_value", f"The {spoken(field)} is missing.", "Fill in the cell.")
        zone, (latitude, longitude), email, country, hours, tables = self._site()
        agent, implied = self._agent()
        construction = self._construction(agent, implied)
        charge = self._measure("charge")
        working, test = self._measure("working_pressure"), self._measure("test_pressure")
        if working is not None and test is not None and _base(test) < _base(working):
            self._doubt(
                "test_pressure",
                "test_below_working",
                f"A test pressure of {test} lies below the working pressure of {working}; it was not taken.",
                "Read both from the nameplate.",
                becomes="left out",
            )
            test = None
        dates = self._dates(self._today(zone))
        row = RegisterRow(
            row=self.row,
            import_key=key,
            owner_name=self.cells.get("owner_name", ""),
            owner_email=email,
            site_code=self.cells.get("site_code", ""),
            site_name=self.cells.get("site_name", ""),
            address_line=self.cells.get("address_line", ""),
            city=self.cells.get("city", ""),
            region=self.cells.get("region", ""),
            postcode=self.cells.get("postcode", ""),
            country=country,
            latitude=latitude,
            longitude=longitude,
            time_zone=zone.key,
            access_windows=hours,
            tables=tables,
            building=self.cells.get("building", ""),
            floor=self.cells.get("floor", ""),
            location_number=self.cells.get("location_number", ""),
            location_description=self.cells.get("location_description", ""),
            environment=self._environment(),
            hazard=self.cells.get("hazard", ""),
            unit_number=self.cells.get("unit_number", ""),
            serial=self._serial(),
            maker=self._name("maker"),
            model=self._name("model"),
            agent=agent,
            construction=construction,
            shell=self._shell(),
            cylinder_spec=self._name("cylinder_spec"),
            charge=charge,
            charge_text=self._with_unit("charge") if charge is not None else "",
            water_capacity=self._measure("water_capacity"),
            working_pressure=working,
            test_pressure=test,
            full_mass=self._full_mass(charge),
            is_wheeled=self._is_wheeled(charge),
            is_refillable=self._yes_no("refillable"),
            has_shutoff_hose=self._yes_no("shutoff_hose"),
            made=dates["made"],
            installed=dates["installed"],
            last_maintenance=dates["last_maintenance"],
            last_recharge=dates["last_recharge"],
            last_internal_examination=dates["last_internal_examination"],
            last_hydrostatic_test=dates["last_hydrostatic_test"],
            hydrostatic_test_method=self._test_method(dates["last_hydrostatic_test"]),
            last_visual_inspection=dates["last_visual_inspection"],
            last_weighing=dates["last_weighing"],
            last_conductivity_test=dates["last_conductivity_test"],
            state=self._state(),
            remarks=self.cells.get("remarks", ""),
            extras=self._extras(cells),
        )
        return self._copies(row)

    def _say_broken_cells(self, cells: list[str]) -> None:
        count = len(cells)
        for field, position in self.places:
            text = cells[position] if position < count else ""
            if text and text[0] in "#=" and is_broken_cell(text):
                why = (
                    f'The cell holds the error "{text}" of a spreadsheet'
                    if text[0] == "#"
                    else f'The cell holds the formula "{clip(text, 40)}", which was never computed'
                )
                self._say(
                    Severity.DOUBT,
                    field,
                    "broken_cell",
                    f"{why}; it was read as empty.",
                    "Open the file in a spreadsheet program, mend the cell and save the file.",
                    found=text,
                    becomes=self.cells.get(field, "") or "empty",
                )

    def _say_made_values(self, cells: list[str]) -> None:
        """Say which values of the site and the place were made up from others."""

        def is_blank(name: str) -> bool:
            position = self.columns.positions.get(name, len(cells))
            return position >= len(cells) or not cells[position]

        code = self.cells.get("site_code", "")
        is_made = code and is_blank("site_code") and "site_code" not in self.told.defaults
        if is_made and ("", "made_code", code) not in self.said:
            self.said.add(("", "made_code", code))
            self._doubt(
                "site_code",
                "made_code",
                f'The site "{self.cells.get("site_name", "")}" has no code; it was given {code}.',
                "Give the site a code of your own if it has one.",
                becomes=code,
            )
        number = self.cells.get("location_number", "")
        told = "location_number" in self.columns.positions or "location_number" in self.told.defaults
        if number and not told:
            self._doubt(
                "location_number",
                "made_number",
                f'The place has no number; it is called "{number}".',
                "Number the places, so that a unit and its place can be told apart.",
                becomes=number,
            )

    def _today(self, zone: ZoneInfo) -> date:
        known = self.todays.get(zone.key)
        if known is None:
            known = self.todays[zone.key] = self.now.astimezone(zone).date()
        return known

    # -- cells that tell several things, rows that stand for several units

    def _unmix(self) -> None:
        """Take size, agent, construction and number of units out of a cell that tells several."""
        agent, charge = self.cells.get("agent", ""), self.cells.get("charge", "")
        changes = self._once(("mixed", agent, charge), lambda: self._unmixed(agent, charge))
        for field, text in changes.items():
            if field in ("agent", "charge") or not self.cells.get(field):
                self.cells[field] = text
                self.raw.setdefault(field, "")

    def _unmixed(self, agent: str, charge: str) -> dict[str, str]:
        changes: dict[str, str] = {}
        words = plain(agent)
        if agent and not is_unknown(agent) and not is_agent(words):
            mixed = split_mixed(agent)
            if mixed is not None:
                changes |= self._taken("agent", agent, mixed, charge)
        if charge and not is_unknown(charge) and not _BARE_SIZE.fullmatch(charge):
            mixed = split_mixed(charge)
            if mixed is not None and (mixed.agent or mixed.rating or mixed.count or mixed.construction):
                changes |= self._taken("charge", charge, mixed, changes.get("agent", agent))
        return changes

    def _taken(self, field: str, text: str, mixed: Mixed, other: str) -> dict[str, str]:
        changes = {field: mixed.agent if field == "agent" else mixed.measure}
        told = []
        if mixed.agent:
            told.append(f'agent "{mixed.agent}"')
            if field == "charge":
                if not other or is_unknown(other):
                    changes["agent"] = mixed.agent
                elif not _same_agent(other, mixed.agent):
                    self._doubt(
                        field,
                        "agent_conflict",
                        f'"{text}" says {mixed.agent}, the cell of the agent says "{other}"; that was kept.',
                        "Read it from the nameplate.",
                        becomes=other,
                    )
        if mixed.measure:
            told.append(f"size {mixed.measure}")
            if field == "agent":
                if not other or is_unknown(other):
                    changes["charge"] = mixed.measure
                elif plain(other) != plain(mixed.measure) and mixed.measure.split()[0] not in other:
                    self._doubt(
                        field,
                        "size_conflict",
                        f'"{text}" says {mixed.measure}, the cell of the size says "{other}"; that was kept.',
                        "Read it from the nameplate.",
                        becomes=other,
                    )
        if mixed.construction:
            told.append(CONSTRUCTION_LABELS[Construction(mixed.construction)].lower())
            changes["construction"] = mixed.construction
        if mixed.is_wheeled:
            told.append("wheeled")
            changes["wheeled"] = "yes"
        if mixed.count is not None:
            told.append(f"{mixed.count} units")
            changes["quantity"] = str(mixed.count)
        if mixed.rating:
            told.append(f"rating {mixed.rating}, which is no size")
            if not self.cells.get("hazard"):
                changes["hazard"] = mixed.rating
        reads = "; ".join(told)
        self._doubt(
            field,
            "rating_no_size" if mixed.rating and not mixed.measure and field == "charge" else "mixed_cell",
            f'"{text}" tells several things; it was read as {reads}.'
            if len(told) > 1
            else f'"{text}" was read as {reads}.',
            "Give each its own column.",
            becomes=reads,
        )
        return changes

    def _quantity(self) -> int:
        text = self.cells.get("quantity", "")
        if not text or is_unknown(text):
            return 1
        match = re.fullmatch(
            r"(\d{1,6})(?:[.,]0+)?\s*(?:x|pcs?|units?|stk\.?|st\.?|stück)?", text, re.IGNORECASE
        )
        if match is None:
            self._doubt(
                "quantity",
                "no_quantity",
                f'"{text}" is not a number of units; the row was read as one unit.',
                "Write the number, or a row for each unit.",
                becomes="1",
            )
            return 1
        return int(match[1])

    def _copies(self, row: RegisterRow) -> list[RegisterRow]:
        """Return a row for each unit that the row stands for."""
        count = self._quantity()
        if count == 1:
            return [row]
        if count == 0:
            self._skip(self.cells.get("quantity", ""), "no_units", "The row counts no unit; it was left out.")
            return []
        if self.told.split_quantities is None or count > MOST_COPIES:
            self._refuse(
                "quantity",
                "several_units",
                f"The row stands for {count} units, each of which needs a record of its own.",
                "Write a row for each unit, or say that such rows become as many units."
                if count <= MOST_COPIES
                else f"Write a row for each unit; no more than {MOST_COPIES} are made from one row.",
            )
            return []
        if not self.told.split_quantities:
            self._doubt(
                "quantity",
                "several_units",
                f"The row stands for {count} units and was read as one, as someone told.",
                "Write a row for each unit.",
                becomes="1 unit",
            )
            return [row]
        serials = self._shared_out("serial", row.serial, count)
        numbers = self._shared_out("unit_number", row.unit_number, count)
        self._doubt(
            "quantity",
            "several_units",
            f"The row stands for {count} units and became {count} units that are told apart by their labels.",
            "Read the serial of each at the next visit.",
            becomes=f"{count} units",
        )
        copies = []
        for copy in range(1, count + 1):
            key = row.import_key
            if copy > 1:
                key = hashlib.sha256(f"{row.import_key}\x1f{copy}".encode()).hexdigest()
            copies.append(
                replace(
                    row,
                    import_key=key,
                    copy=copy,
                    serial=serials[copy - 1],
                    unit_number=numbers[copy - 1],
                )
            )
        return copies

    def _shared_out(self, field: str, text: str, count: int) -> list[str]:
        """Return the text of each of ``count`` units: one each when so many are listed, else none."""
        if not text:
            return [""] * count
        parts = [part.strip() for part in re.split(r"[,;/&\n]", text) if part.strip()]
        if len(parts) == count:
            return parts
        self._doubt(
            field,
            "one_for_several",
            f'"{text}" cannot be the {spoken(field)} of {count} units; it was given to none.',
            "List one for each unit, or write a row for each.",
            becomes="left out",
        )
        return [""] * count

    def _extras(self, cells: list[str]) -> tuple[tuple[str, str], ...]:
        found = []
        for position in self.columns.unread:
            if position < len(cells) and cells[position]:
                heading = self.table.headings[position] if position < len(self.table.headings) else ""
                found.append((heading or f"column {column_letter(position)}", cells[position]))
        return tuple(found)

    def _state(self) -> str:
        text = self.cells.get("unit_state", "")
        return self._once(("state", text), lambda: self._read_state(text)) if text else ""

    def _read_state(self, text: str) -> str:
        if is_unknown(text) and plain(text) not in words_of("unit_states"):
            return ""
        known = words_of("unit_states").get(plain(text))
        if known is None:
            self._doubt(
                "unit_state",
                "unknown_state",
                f'"{text}" is no state of a unit known here; the unit is taken as in service.',
                'Write "in service", "in stock", "withdrawn" or another state.',
                becomes="in service",
            )
            return ""
        if known != "in_service":
            self._doubt(
                "unit_state",
                "not_in_service",
                f'"{text}" says that the unit is not in service ({known.replace("_", " ")}).',
                "Look whether it still hangs.",
                becomes=known.replace("_", " "),
            )
        return known

    # -- the site

    def _site(self) -> tuple[Any, ...]:
        """Return zone, coordinates, mail, country, hours and tables; read once while nothing is amiss."""
        key = (self.cells.get("site_code", ""), *(self.cells.get(name, "") for name in _OF_SITE))
        known = self.site_values.get(key)
        if known is None:
            said = len(self.findings)
            known = (
                self._time_zone(),
                self._coordinates(),
                self._email(),
                self._country(),
                self._hours(),
                self._tables(),
            )
            if len(self.findings) == said:
                self.site_values[key] = known
        return known

    def _take_site(self) -> None:
        """Fill empty cells of the site from its earlier rows and compare the others with them."""
        code = self.cells.get("site_code", "")
        if not code:
            return
        told = tuple(self.cells.get(name, "") for name in _OF_SITE)
        if self.settled_sites.get(code) == told:
            return
        said = len(self.findings)
        self._compare_site(code)
        if len(self.findings) == said and told == tuple(self.cells.get(name, "") for name in _OF_SITE):
            self.settled_sites[code] = told

    def _compare_site(self, code: str) -> None:
        self.cells["site_code"] = self._one_spelling(self.site_codes, "site_code", code)
        if self.cells.get("owner_name"):
            self.cells["owner_name"] = self._one_spelling(
                self.owner_names, "owner_name", self.cells["owner_name"]
            )
        known = self.sites.setdefault(plain(code), {})
        for field in _OF_SITE:
            text = self.cells.get(field, "")
            if not text:
                self.cells[field] = known.get(field, (0, ""))[1]
                continue
            row, first = known.setdefault(field, (self.row, text))
            if text == first or row == self.row:
                continue
            if field in _SITE_MUST_AGREE:
                self._refuse(
                    field,
                    "site_conflict",
                    f'Site {code} has "{text}" here and "{first}" in row {row}.',
                    "Give the second site a code of its own, or correct the cell.",
                )
            elif field == "tables":
                self._doubt(
                    field,
                    "site_conflict",
                    f'Site {code} names the tables "{text}" here and "{first}" in row {row}; all are taken.',
                    "Name the same tables in every row of the site.",
                )
            else:
                self._doubt(
                    field,
                    "site_conflict",
                    f'Site {code} has "{text}" here and "{first}" in row {row}; that of row {row} was kept.',
                    "Correct one of the two cells.",
                    becomes=first,
                )
                self.cells[field] = first

    def _one_spelling(self, known: dict[str, str], field: str, text: str) -> str:
        first = known.setdefault(plain(text) or text, text)
        if first != text:
            self._doubt(
                field,
                "spelling",
                f'"{text}" was taken for "{first}", which stands in an earlier row.',
                "Write the two alike, or give the second another name.",
                becomes=first,
            )
        return first

    def _time_zone(self) -> ZoneInfo:
        name = self.cells.get("time_zone", "")
        if name in zone_names():
            return ZoneInfo(name)
        if name:
            self._refuse(
                "time_zone",
                "unknown_time_zone",
                f'"{name}" is not the name of a time zone.',
                'Write the IANA name of the place, for instance "America/Chicago" or "Asia/Kolkata".',
            )
            return ZoneInfo("UTC")
        country = words_of("countries").get(plain(self.cells.get("country", "")), "")
        only = only_zones().get(country)
        if only is None:
            self._refuse("time_zone", "missing_value", "The time zone is missing.", "Fill in the cell.")
            return ZoneInfo("UTC")
        self._doubt(
            "time_zone",
            "zone_of_country",
            f"The time zone is missing; {only} was taken, the one of {country}.",
            "Fill in the cell if the site keeps another time.",
            becomes=only,
        )
        return ZoneInfo(only)

    def _coordinates(self) -> tuple[Decimal | None, Decimal | None]:
        given = {field: self.cells.get(field, "") for field in ("latitude", "longitude")}
        if all(is_unknown(text) for text in given.values()):
            return None, None
        numbers: list[Decimal] = []
        for field, reach in (("latitude", 90), ("longitude", 180)):
            try:
                number, _ = read_number(given[field], decimal_comma=self.decimal_comma)
            except MeasureError:
                self._refuse(
                    field,
                    "bad_coordinates",
                    f'The {field} "{given[field]}" is not a number of degrees.',
                    "Write both coordinates as decimal degrees, such as 41.8781 and -87.6298, or neither.",
                )
                return None, None
            if abs(number) > reach:
                swapped = field == "latitude" and abs(number) <= 180
                self._refuse(
                    field,
                    "bad_coordinates",
                    f"The {field} {given[field]} lies outside -{reach} to {reach} degrees.",
                    "Latitude and longitude may be exchanged; correct both cells."
                    if swapped
                    else "Correct the cell.",
                )
                return None, None
            numbers.append(number.quantize(Decimal("0.000001"), ROUND_HALF_UP))
        if not any(numbers):
            self._doubt(
                "latitude",
                "zero_coordinates",
                "Both coordinates are 0, which lies in the open sea; they were left out.",
                "Look the place up, or leave both empty.",
                becomes="left out",
            )
            return None, None
        return numbers[0], numbers[1]

    def _email(self) -> str:
        text = self.cells.get("owner_email", "")
        if not text or _EMAIL.fullmatch(text):
            return text
        if not is_unknown(text):
            self._doubt(
                "owner_email",
                "bad_email",
                f'"{text}" is not one e-mail address; it was left out.',
                "Correct the cell.",
                becomes="left out",
            )
        return ""

    def _country(self) -> str:
        text = self.cells.get("country", "")
        code = words_of("countries").get(plain(text), "")
        if not code and re.fullmatch(r"[A-Z]{2}", text, re.ASCII):
            return text
        if text and not code:
            self._doubt(
                "country",
                "unknown_country",
                f'"{text}" is not a country known here; it was left out.',
                'Write the two letters of ISO 3166, for instance "US" or "IN".',
                becomes="left out",
            )
        return code

    def _hours(self) -> tuple[AccessWindow, ...]:
        text = self.cells.get("access_hours", "")
        if is_unknown(text):
            return ()
        known = self.hours.get(text)
        if known is None:
            try:
                known = read_hours(text)
            except HoursError as error:
                sentence, remedy = split_remedy(error.sentence)
                self._doubt(
                    "access_hours",
                    "bad_hours",
                    f"{sentence} No hours were taken.",
                    remedy,
                    becomes="no hours",
                )
                return ()
            self.hours[text] = known
        return known

    def _tables(self) -> tuple[str, ...]:
        text = self.cells.get("tables", "")
        keys = list(dict.fromkeys(re.split(r"[;,|\s]+", text.strip("; ,|").lower())) if text else [])
        for key in keys:
            if not _TABLE_KEY.fullmatch(key) or (
                self.known_tables is not None and key not in self.known_tables
            ):
                known = ", ".join(sorted(self.known_tables or ()))
                self._refuse(
                    "tables",
                    "unknown_table",
                    f'"{key}" is not an interval table known here.',
                    f"Write one of {known}, or leave the cell empty."
                    if known
                    else "Write the key of the table.",
                )
        return tuple(keys)

    # -- the unit

    def _name(self, field: str) -> str:
        text = self.cells.get(field, "")
        return "" if is_unknown(text) else text

    def _serial(self) -> str:
        text = self.cells.get("serial", "")
        if is_unknown(text):
            self._doubt(
                "serial",
                "no_serial",
                "No serial can be read; the unit is known by its label alone."
                if text
                else "There is no serial; the unit is known by its label alone.",
                "Read it from the shell at the next visit.",
                becomes="no serial",
            )
            return ""
        if "E+" in text.upper() and re.fullmatch(r"\d(?:[.,]\d+)?E\+\d+", text, re.ASCII | re.IGNORECASE):
            self._doubt(
                "serial",
                "mangled_serial",
                f'The serial "{text}" was rounded by a spreadsheet; its last figures are lost.',
                "Format the column as text and enter the serial again.",
                becomes=text,
            )
        return text

    def _coded(self, field: str, section: str, labels: Mapping[Any, str], code: str) -> str:
        """Return the code of a word, "" when the cell does not say; refuse a word nobody knows."""
        text = self.cells.get(field, "")
        if is_unknown(text):
            return ""
        known = words_of(section).get(plain(text))
        if known is None:
            choices = ", ".join(label for key, label in labels.items() if key.value != "unknown")
            self._refuse(
                field,
                code,
                f'"{text}" is no {spoken(field)} known here.',
                f'Write one of {choices}, or "unknown".',
            )
            return ""
        return known

    def _agent(self) -> tuple[Agent, Construction | None]:
        """Return the agent, and the construction when the same words name it."""
        text = self.cells.get("agent", "")
        return self._once(
            ("agent", text, self.raw.get("agent", "")),
            lambda: self._read_agent(text),
            lambda both: AGENT_LABELS[both[0]],
        )

    def _read_agent(self, text: str) -> tuple[Agent, Construction | None]:
        words = plain(text)
        if is_unknown(text):
            self._doubt(
                "agent",
                "missing_agent",
                "The agent is not known; no rule that asks for it can be met.",
                "Read it from the nameplate.",
            )
            return Agent.UNKNOWN, None
        if words in kinds():
            return kinds()[words]
        if words in ambiguous_agents():
            choices = " or ".join(AGENT_LABELS[agent] for agent in ambiguous_agents()[words])
            self._doubt(
                "agent",
                "ambiguous_agent",
                f'"{text}" can be {choices}; the agent stays unknown until someone says which.',
                "Read it from the nameplate and write the full name.",
            )
            return Agent.UNKNOWN, None
        known = self._coded("agent", "agents", AGENT_LABELS, "unknown_agent")
        return Agent(known) if known else Agent.UNKNOWN, None

    def _construction(self, agent: Agent, implied: Construction | None) -> Construction:
        key = (
            "construction",
            self.cells.get("construction", ""),
            agent,
            implied,
            self.cells.get("agent", ""),
        )
        return self._once(
            key,
            lambda: self._read_construction(agent, implied),
            lambda found: CONSTRUCTION_LABELS[found],
        )

    def _read_construction(self, agent: Agent, implied: Construction | None) -> Construction:
        known = self._coded("construction", "constructions", CONSTRUCTION_LABELS, "unknown_construction")
        if known:
            if implied is not None and implied.value != known:
                self._doubt(
                    "construction",
                    "construction_conflict",
                    f'"{self.cells["agent"]}" says {CONSTRUCTION_LABELS[implied].lower()}, this cell says '
                    f"{CONSTRUCTION_LABELS[Construction(known)].lower()}; this cell was taken.",
                    "Read it from the nameplate.",
                )
            return Construction(known)
        if implied is not None:
            return implied
        if agent is Agent.CARBON_DIOXIDE:
            return Construction.SELF_EXPELLING  # its own pressure drives it out; there is no other way
        if is_unknown(self.cells.get("construction", "")):
            self._doubt(
                "construction",
                "missing_construction",
                "It is not known how the agent is driven out.",
                'Write "stored pressure", "cartridge" or another construction.',
            )
        return Construction.UNKNOWN

    def _shell(self) -> Shell:
        key = ("shell", self.cells.get("shell", ""))
        return self._once(key, self._read_shell, lambda shell: SHELL_LABELS[shell])

    def _read_shell(self) -> Shell:
        known = self._coded("shell", "shells", SHELL_LABELS, "unknown_shell")
        if not known:
            text = self.cells.get("shell", "")
            if is_unknown(text):
                self._doubt(
                    "shell",
                    "missing_shell",
                    "It is not known what the shell is made of; the shortest interval may apply.",
                    "Read it from the nameplate, or try a magnet.",
                )
            return Shell.UNKNOWN
        return Shell(known)

    def _environment(self) -> Environment:
        text = self.cells.get("environment", "")
        if not text:
            return Environment.NORMAL
        return self._once(
            ("environment", text),
            lambda: self._read_environment(text),
            lambda found: ENVIRONMENT_LABELS[found],
        )

    def _read_environment(self, text: str) -> Environment:
        known = words_of("environments").get(plain(text))
        if known is None:
            choices = ", ".join(ENVIRONMENT_LABELS[code] for code in Environment if code.value != "unknown")
            self._doubt(
                "environment",
                "unknown_environment",
                f'"{text}" is no surroundings known here; they stay unknown.',
                f"Write one of {choices}.",
            )
            return Environment.UNKNOWN
        return Environment(known)

    def _with_unit(self, field: str) -> str:
        """Return the cell with the unit that its heading or a person told, when it has none."""
        text = self.cells.get(field, "")
        unit = self.told.units.get(field) or self.columns.units.get(field, "")
        if unit and _NUMBER_ALONE.fullmatch(text):
            return f"{text} {unit}"
        return text

    def _measure(self, field: str) -> Measure | None:
        if not self.cells.get(field):
            return None
        text = self._with_unit(field)
        comma = False if isinstance(self.cells[field], Figure) else self.decimal_comma
        return self._once(
            (field, text, comma, self.raw.get(field, "")),
            lambda: self._read_measure(field, text, comma),
            lambda measure: "left out" if measure is None else str(measure),
        )

    def _read_measure(self, field: str, text: str, comma: bool | None) -> Measure | None:
        if is_unknown(text):
            return None
        dimensions, lowest, highest = _MEASURES[field]
        try:
            figure, _, unit = text.rpartition(" ")
            known = unit_words().get(unit.lower())
            read = f"{figure} {known}" if known else text
            reading = read_measure(read, dimensions=dimensions, decimal_comma=comma)
        except MeasureError as error:
            sentence, remedy = split_remedy(error.sentence)
            self._doubt(field, error.code, f"{sentence} It was left out.", remedy)
            return None
        for code, doubt in zip(reading.codes, reading.doubts, strict=True):
            self._doubt(field, code, *split_remedy(doubt))
        if not lowest <= reading.measure.canonical <= highest:
            self._doubt(
                field,
                "implausible",
                f'"{text}" is no {spoken(field)} that an extinguisher has; it was left out.',
                "Check the figure and its unit.",
            )
            return None
        return reading.measure

    def _full_mass(self, charge: Measure | None) -> Measure | None:
        full = self._measure("full_mass")
        if full is None or charge is None or charge.dimension is not Dimension.MASS:
            return full
        if _base(full) <= _base(charge):
            self._doubt(
                "full_mass",
                "full_below_charge",
                f"A full mass of {full} is no more than the charge of {charge}; it was left out.",
                "Read the gross mass from the nameplate, with its unit.",
                becomes="left out",
            )
            return None
        return full

    def _yes_no(self, field: str) -> bool | None:
        text = self.cells.get(field, "")
        known = words_of("yes_no").get(plain(text)) if text else None
        if known is None and not is_unknown(text):
            self._doubt(
                field,
                "not_yes_or_no",
                f'"{text}" is neither yes nor no; it stays unknown.',
                'Write "yes" or "no".',
                becomes="unknown",
            )
        return None if known is None else known == "yes"

    def _is_wheeled(self, charge: Measure | None) -> bool:
        told = self._yes_no("wheeled")
        if told is None and charge is not None and _base(charge) > _LARGEST_PORTABLE_CHARGE:
            self._doubt(
                "wheeled",
                "read_as_wheeled",
                f"A charge of {charge} is no hand unit; it was read as wheeled.",
                'Write "yes" or "no".',
                becomes="wheeled",
            )
            return True
        return told is True

    def _dates(self, today: date) -> dict[str, Stamp]:
        country = words_of("countries").get(plain(self.cells.get("country", "")), "")
        order = self.order.get(country, self.order.get(""))
        found: dict[str, Stamp] = {}
        made = _NO_DATE
        for field in _DATES:
            text = self.cells.get(field, "")
            if not text and field != "made":
                found[field] = _NO_DATE
                continue
            found[field] = self._once(
                (field, text, today, made, order),
                partial(self._date, field, text, today, made, order),
                str,
            )
            if field == "made":
                made = found[field]
        return found

    def _date(self, field: str, text: str, today: date, made: Stamp, order: bool | None) -> Stamp:
        text = self._mended(field, text, today)
        if _YEAR_AS_DAY.fullmatch(text):
            number = (date.fromisoformat(text) - date(1899, 12, 30)).days
            self._doubt(
                field,
                "year_as_day",
                f'"{text}" is what a spreadsheet makes of the number {number} shown as a date; it stays '
                "unknown.",
                f"Write {number} as a year if that was meant.",
            )
            return Stamp.unknown(text)
        try:
            reading = read_stamp(text, today=today, not_before=made.first, day_first=order)
        except StampError as error:
            sentence, remedy = split_remedy(error.sentence)
            code = error.code
            if code == "before_bound":
                code = "before_manufacture"
                sentence = f'"{text}" lies before the manufacture of the unit ({made}).'
            self._refuse(field, code, sentence, remedy)
            return Stamp.unknown(text)
        for code, doubt in zip(reading.codes, reading.doubts, strict=True):
            self._doubt(field, code, *split_remedy(doubt))
        stamp = reading.stamp
        if not stamp.is_known:
            if field == "made" and not reading.codes:
                self._doubt(
                    field,
                    "missing_date",
                    "The manufacture date is not known, so what counts from it is due now.",
                    "Read it from the shell, the nameplate or an old test mark.",
                )
            elif text and not reading.codes:
                self._doubt(
                    field,
                    "unknown_date",
                    f'"{text}" tells no date, so what counts from it is due now.',
                    "Look for a label, a collar or the owner's papers.",
                )
        elif stamp.precision is not Precision.DAY and not _COARSE_SAID.intersection(reading.codes):
            coarse = stamp.precision is not Precision.MONTH
            if coarse or field in _DAY_EXPECTED:
                told = stamp.precision.value
                self._doubt(
                    field,
                    f"{told}_only",
                    f'"{text}" tells the {told} only; it is kept so, and its first day counts.',
                    "Give the day if it is known." if not coarse else "Give the month if it is known.",
                )
        return stamp

    def _mended(self, field: str, text: str, today: date) -> str:
        """Return a date that a spreadsheet took for a number as it was typed."""
        if isinstance(text, Figure) and re.fullmatch(r"(?:0?[1-9]|1[0-2])\.(?:20\d|\d)", text, re.ASCII):
            mended = f"{text}0"
            self._doubt(
                field,
                "number_as_date",
                f'"{text}" is a number that lost its last zero; it was read as {mended}.',
                f"Write {mended} as text.",
            )
            return mended
        if self.table.is_1904 and re.fullmatch(r"\d{5}(?:\.\d+)?", text, re.ASCII):
            day = date(1904, 1, 1) + timedelta(days=int(text[:5]))
            if date(1950, 1, 1) <= day <= today:
                self._doubt(
                    field,
                    "spreadsheet_serial",
                    f'"{text}" was read as a day number of the calendar of 1904 that this workbook keeps, '
                    f"that is {day.isoformat()}.",
                    "Format the column as a date and check it.",
                )
                return day.isoformat()
        return text

    def _test_method(self, tested: Stamp) -> TestMethod:
        text = self.cells.get("hydrostatic_test_method", "")
        known = words_of("test_methods").get(plain(text)) if text else None
        if known is None and not is_unknown(text):
            self._doubt(
                "hydrostatic_test_method",
                "unknown_method",
                f'"{text}" is no method of test known here; it stays unknown.',
                "Write one of proof pressure, water jacket, direct expansion or ultrasonic.",
                becomes="unknown",
            )
        if known and not (tested.is_known or tested.raw):
            self._doubt(
                "hydrostatic_test_method",
                "method_without_test",
                "A method of test is given but no date of a test; it was left out.",
                "Give the date of the test.",
                becomes="left out",
            )
            return TestMethod.UNKNOWN
        return TestMethod(known) if known else TestMethod.UNKNOWN

    # -- rows against each other

    def _compare(self, rows: list[RegisterRow]) -> list[RegisterRow]:
        numbers: dict[str, int] = {}
        serials: dict[tuple[str, ...], int] = {}
        at_place: dict[tuple[str, ...], int] = {}
        places: dict[tuple[str, str], int] = {}
        kept = []
        for row in rows:
            self.row = row.row
            self.cells = {
                "unit_number": row.unit_number,
                "serial": row.serial,
                "location_number": row.location_number,
            }
            if row.unit_number:
                first = numbers.setdefault(plain(row.unit_number), row.row)
                if first != row.row:
                    self._refuse(
                        "unit_number",
                        "duplicate_unit_number",
                        f'The number "{row.unit_number}" already stands in row {first}.',
                        "Every unit has a number of its own; correct one of the two, or leave it empty.",
                    )
                    continue
            if row.serial:
                build = (plain(row.maker), plain(row.model), plain(row.serial))
                here = (row.site_code, row.location_number, *build)
                if not row.unit_number:
                    earlier = at_place.setdefault(here, row.row)
                    if earlier != row.row:
                        self._refuse(
                            "serial",
                            "repeated_row",
                            f'The unit with serial "{row.serial}" at {row.location_number} already '
                            f"stands in row {earlier}.",
                            "Delete one of the two rows, or correct its serial.",
                        )
                        continue
                twin = serials.setdefault(build, row.row)
                if twin != row.row:
                    self._doubt(
                        "serial",
                        "duplicate_serial",
                        f'The serial "{row.serial}" of this maker and model stands in row {twin} too.',
                        "Compare both shells; a batch number may have been read as the serial.",
                    )
            place = (row.site_code, row.location_number)
            neighbour = places.setdefault(place, row.row)
            if neighbour != row.row:
                self._doubt(
                    "location_number",
                    "location_shared",
                    f'"{row.location_number}" of {row.site_code} already has the unit of row {neighbour}.',
                    "Give each place its own number if two units hang apart.",
                )
            kept.append(row)
        return kept
