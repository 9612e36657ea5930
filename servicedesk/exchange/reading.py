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

import hashlib
import re
from collections import Counter
from collections.abc import Callable, Collection, Mapping
from datetime import date, datetime
from decimal import ROUND_HALF_UP, Decimal
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

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
from servicedesk.exchange.findings import Finding, RegisterFileError, Severity, clip, split_remedy
from servicedesk.exchange.headings import Columns, Proposal, propose_columns, settle_columns, spoken
from servicedesk.exchange.hours import AccessWindow, HoursError, read_hours
from servicedesk.exchange.rows import RegisterReading, RegisterRow
from servicedesk.exchange.words import UNKNOWN_WORDS, ambiguous_agents, is_unknown, kinds, plain, words_of

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
    told = {field: text for field, text in (defaults or {}).items() if text}
    proposal = propose_columns(table, defaults=told)
    places, column_findings = settle_columns(table, proposal, columns, told)
    findings = [*book.findings, *table.findings, *column_findings]
    reader = _Reader(table, places, now, known_tables, day_first, decimal_comma, told, proposal)
    rows = reader.read(heard)
    findings += reader.findings
    return RegisterReading(
        rows=tuple(rows),
        findings=tuple(sorted(findings, key=lambda finding: finding.row)),
        refused_rows=tuple(sorted(reader.refused)),
        encoding=book.encoding,
        delimiter=book.delimiter,
        columns=dict(places.headings),
        skipped_rows=tuple(sorted(table.skipped)),
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

# Told once per site; an empty cell takes the value of the site's first row that has one.
_OF_SITE = (
    "owner_name", "owner_email", "site_name", "address_line", "city", "region", "postcode", "country",
    "latitude", "longitude", "time_zone", "access_hours", "tables",
)  # fmt: skip
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

_THREE_NUMBERS = re.compile(r"(\d{1,2})\s*[-/.\s]\s*(\d{1,2})\s*[-/.\s]\s*'?(\d{4}|\d{2})", re.ASCII)
_EMAIL = re.compile(r"[^@\s,;<>\"]+@[^@\s,;<>\"]+\.[^@\s,;<>\"]+")
_CONTROL_SIGN = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff]")
_TABLE_KEY = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")


class _Refused(Exception):
    """Leaves a row whose further cells would only repeat the same fault."""


class _Reader:
    """Reads the rows of one table; ``findings`` and ``refused`` fill as it goes."""

    def __init__(
        self,
        table: Table,
        columns: Columns,
        now: datetime,
        known_tables: Collection[str] | None,
        day_first: bool | None,
        decimal_comma: bool | None,
        defaults: Mapping[str, str],
        proposal: Proposal,
    ) -> None:
        self.defaults = defaults
        self.table = table
        self.columns = columns
        self.now = now
        self.known_tables = known_tables
        self.letters = {field: column_letter(at) for field, at in columns.positions.items()}
        self.findings: list[Finding] = []
        self.refused: set[int] = set()
        self.sites: dict[str, dict[str, tuple[int, str]]] = {}
        self.site_codes: dict[str, str] = {}
        self.owner_names: dict[str, str] = {}
        self.told: set[tuple[str, str, str]] = set()
        # Columns without a heading that most rows fill are columns; beyond them values have slipped.
        self.last = max([len(table.headings), *(column.position + 1 for column in proposal.columns)])
        # Some programs end every row with a delimiter; a cell too many in every row is no shift.
        self.width = max(self.last, min((len(cells) for _, cells in table.rows), default=0))
        self.row = 0
        self.cells: dict[str, str] = {}
        self.decimal_comma = self._comma_evidence() if decimal_comma is None else decimal_comma
        self.order = self._order_evidence(day_first)

    def read(self, heard: Callable[[int, int], None] | None = None) -> list[RegisterRow]:
        keys = self._import_keys()
        rows = []
        for done, ((number, cells), key) in enumerate(zip(self.table.rows, keys, strict=True)):
            if heard is not None and done % 500 == 0:
                heard(done, len(keys))
            self.row = number
            self.cells = self._cells_of(cells)
            try:
                row = self._read_row(cells, key)
            except _Refused:
                continue
            if number not in self.refused:
                rows.append(row)
        return self._compare(rows)

    # -- saying

    def _say(
        self, severity: Severity, field: str, code: str, sentence: str, remedy: str, found: str | None = None
    ) -> None:
        heading = self.columns.headings.get(field, field.replace("_", " "))
        self.findings.append(
            Finding(
                self.row,
                heading,
                code,
                severity,
                clip(self.cells.get(field, "") if found is None else found),
                sentence,
                remedy,
                letter=self.letters.get(field, ""),
                field=field if field in self.columns.positions else "",
            )
        )
        if severity is Severity.REFUSED:
            self.refused.add(self.row)

    def _refuse(self, field: str, code: str, sentence: str, remedy: str) -> None:
        self._say(Severity.REFUSED, field, code, sentence, remedy)

    def _doubt(self, field: str, code: str, sentence: str, remedy: str) -> None:
        if field in _OF_SITE:  # the same doubt on every row of a site would bury the others
            key = (self.cells.get("site_code", ""), field, self.cells.get(field, ""))
            if key in self.told:
                return
            self.told.add(key)
        self._say(Severity.DOUBT, field, code, sentence, remedy)

    # -- looking over the whole file

    def _cells_of(self, cells: list[str]) -> dict[str, str]:
        named = {
            field: cells[position] if position < len(cells) else ""
            for field, position in self.columns.positions.items()
        }
        for field, text in self.defaults.items():
            named[field] = named.get(field) or text
        return named

    def _column(self, field: str) -> list[str]:
        position = self.columns.positions.get(field)
        if position is None:
            return []
        return [cells[position] for _, cells in self.table.rows if position < len(cells)]

    def _comma_evidence(self) -> bool | None:
        """Return whether numbers use a decimal comma: only when some do and none uses a point."""
        texts = [text for field in (*_MEASURES, "latitude", "longitude") for text in self._column(field)]
        comma = any(re.search(r"\d,(?:\d{1,2}|\d{4,})(?!\d|[.,]\d)", text, re.ASCII) for text in texts)
        point = any(re.search(r"\d\.\d", text, re.ASCII) for text in texts)
        return True if comma and not point else None

    def _order_evidence(self, told: bool | None) -> dict[str, bool | None]:
        """Return per country whether the day comes first, from dates that can only be read one way.

        A country whose own dates agree decides for itself; one without evidence follows the file
        when the whole file agrees. The entry "" is the file.
        """
        seen: dict[str, Counter[bool]] = {"": Counter()}
        open_dates: Counter[str] = Counter()
        country_of_site: dict[str, str] = {}
        for _, cells in self.table.rows:
            named = self._cells_of(cells)
            site = plain(named.get("site_code", ""))
            country = words_of("countries").get(plain(named.get("country", "")), "")
            country = country_of_site.setdefault(site, country) or country
            for field in _DATES:
                match = _THREE_NUMBERS.fullmatch(named.get(field, ""))
                if match is None:
                    continue
                first, second = int(match[1]), int(match[2])
                if (first > 12) is not (second > 12):
                    if not _exists(max(first, second), min(first, second), match[3]):
                        continue  # 31/02 proves nothing but a slip
                    for group in {"", country}:
                        seen.setdefault(group, Counter())[first > 12] += 1
                elif first <= 12 and second <= 12 and first != second:
                    seen.setdefault(country, Counter())
                    open_dates[country] += 1
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
                    )
                )
        return order

    def _import_keys(self) -> list[str]:
        """Return for each row a digest that a repeat of the import meets again.

        Our own number identifies a unit; else maker, model and serial within the site; else the
        place. Rows that share all of it are told apart by their order.
        """
        times: Counter[tuple[str, ...]] = Counter()
        keys = []
        for _, cells in self.table.rows:
            named = {field: plain(text) for field, text in self._cells_of(cells).items()}
            if named.get("unit_number"):
                identity: tuple[str, ...] = ("number", named["unit_number"])
            elif named.get("serial", "") not in UNKNOWN_WORDS:
                build = (named.get("maker", ""), named.get("model", ""), named["serial"])
                identity = ("serial", named["site_code"], *build)
            else:
                identity = ("place", named["site_code"], named["location_number"])
            times[identity] += 1
            told = "\x1f".join((*identity, str(times[identity])))
            keys.append(hashlib.sha256(told.encode()).hexdigest())
        return keys

    # -- one row

    def _read_row(self, cells: list[str], key: str) -> RegisterRow:
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
        if len(cells) < headings:
            self._say(
                Severity.DOUBT,
                "",
                "short_row",
                f"The row has {len(cells)} cells under {headings} headings; the others were read as empty.",
                "Check that no line break split the row.",
                found=cells[-1],
            )
        for field, text in self.cells.items():
            if _CONTROL_SIGN.search(text):
                self._refuse(
                    field, "control_sign", "The cell holds a sign that no text has.", "Type the cell again."
                )
        self._take_site()
        for field, longest in _LONGEST.items():
            if len(self.cells.get(field, "")) > longest:
                self._refuse(
                    field,
                    "too_long",
                    f"The text has {len(self.cells[field])} characters; {longest} are possible.",
                    "Shorten it.",
                )
        for field in ("owner_name", "site_code", "site_name", "time_zone", "location_number"):
            if not self.cells.get(field):
                self._refuse(field, "missing_value", f"The {spoken(field)} is missing.", "Fill in the cell.")
        zone = self._time_zone()
        latitude, longitude = self._coordinates()
        agent, implied = self._agent()
        construction = self._construction(agent, implied)
        charge = self._measure("charge")
        working, test = self._measure("working_pressure"), self._measure("test_pressure")
        if working is not None and test is not None and test.canonical < working.canonical:
            self._doubt(
                "test_pressure",
                "test_below_working",
                f"A test pressure of {test} lies below the working pressure of {working}; it was not taken.",
                "Read both from the nameplate.",
            )
            test = None
        dates = self._dates(self.now.astimezone(zone).date())
        return RegisterRow(
            row=self.row,
            import_key=key,
            owner_name=self.cells.get("owner_name", ""),
            owner_email=self._email(),
            site_code=self.cells.get("site_code", ""),
            site_name=self.cells.get("site_name", ""),
            address_line=self.cells.get("address_line", ""),
            city=self.cells.get("city", ""),
            region=self.cells.get("region", ""),
            postcode=self.cells.get("postcode", ""),
            country=self._country(),
            latitude=latitude,
            longitude=longitude,
            time_zone=zone.key,
            access_windows=self._hours(),
            tables=self._tables(),
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
            charge_text=self.cells.get("charge", "") if charge is not None else "",
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
        )

    # -- the site

    def _take_site(self) -> None:
        """Fill empty cells of the site from its earlier rows and compare the others with them."""
        code = self.cells.get("site_code", "")
        if not code:
            return
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
            )
        return first

    def _time_zone(self) -> ZoneInfo:
        name = self.cells.get("time_zone", "")
        if name in _zone_names():
            return ZoneInfo(name)
        if name:
            self._refuse(
                "time_zone",
                "unknown_time_zone",
                f'"{name}" is not the name of a time zone.',
                'Write the IANA name of the place, for instance "America/Chicago" or "Asia/Kolkata".',
            )
        return ZoneInfo("UTC")

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
            )
        return code

    def _hours(self) -> tuple[AccessWindow, ...]:
        text = self.cells.get("access_hours", "")
        if is_unknown(text):
            return ()
        try:
            return read_hours(text)
        except HoursError as error:
            sentence, remedy = split_remedy(error.sentence)
            self._doubt("access_hours", "bad_hours", f"{sentence} No hours were taken.", remedy)
            return ()

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
            )
            return ""
        if re.fullmatch(r"\d(?:[.,]\d+)?E\+?\d+", text, re.ASCII | re.IGNORECASE):
            self._doubt(
                "serial",
                "mangled_serial",
                f'The serial "{text}" was rounded by a spreadsheet; its last figures are lost.',
                "Format the column as text and enter the serial again.",
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

    def _measure(self, field: str) -> Measure | None:
        text = self.cells.get(field, "")
        if is_unknown(text):
            return None
        dimensions, lowest, highest = _MEASURES[field]
        try:
            reading = read_measure(text, dimensions=dimensions, decimal_comma=self.decimal_comma)
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
        if full.mass_g <= charge.mass_g:
            self._doubt(
                "full_mass",
                "full_below_charge",
                f"A full mass of {full} is no more than the charge of {charge}; it was left out.",
                "Read the gross mass from the nameplate, with its unit.",
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
            )
        return None if known is None else known == "yes"

    def _is_wheeled(self, charge: Measure | None) -> bool:
        told = self._yes_no("wheeled")
        if told is None and charge is not None and charge.canonical > _LARGEST_PORTABLE_CHARGE:
            self._doubt(
                "wheeled",
                "read_as_wheeled",
                f"A charge of {charge} is no hand unit; it was read as wheeled.",
                'Write "yes" or "no".',
            )
            return True
        return told is True

    def _dates(self, today: date) -> dict[str, Stamp]:
        country = words_of("countries").get(plain(self.cells.get("country", "")), "")
        order = self.order.get(country, self.order.get(""))
        found: dict[str, Stamp] = {}
        for field in _DATES:
            text = self.cells.get(field, "")
            made = found.get("made", Stamp.unknown())
            found[field] = self._date(field, text, today, made, order)
        return found

    def _date(self, field: str, text: str, today: date, made: Stamp, order: bool | None) -> Stamp:
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
        elif stamp.precision is not Precision.DAY and "day_month_order" not in reading.codes:
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

    def _test_method(self, tested: Stamp) -> TestMethod:
        text = self.cells.get("hydrostatic_test_method", "")
        known = words_of("test_methods").get(plain(text)) if text else None
        if known is None and not is_unknown(text):
            self._doubt(
                "hydrostatic_test_method",
                "unknown_method",
                f'"{text}" is no method of test known here; it stays unknown.',
                "Write one of proof pressure, water jacket, direct expansion or ultrasonic.",
            )
        if known and not (tested.is_known or tested.raw):
            self._doubt(
                "hydrostatic_test_method",
                "method_without_test",
                "A method of test is given but no date of a test; it was left out.",
                "Give the date of the test.",
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


def _exists(day: int, month: int, year_text: str) -> bool:
    try:
        date(int(year_text) or 2000, month, day)
    except ValueError:
        return False
    return True


@cache
def _zone_names() -> frozenset[str]:
    return frozenset(available_timezones())
