"""A register file read into plain rows, with every doubt told by row, column and remedy.

Nothing here touches a database. ``read_register`` takes the bytes of a text file or workbook and
returns the rows it could read as ``RegisterRow`` and everything it doubts as ``Finding``. A finding
refuses its row, doubts a value, or says that a row holds no unit: a doubted value is taken in as
unknown, or as the reading the sentence states. What makes the whole file unreadable raises
``RegisterFileError``.

Guarantees: every row that is not blank is in ``rows``, or is the heading, or is named in a finding
that refuses or passes over it; and ``to_import()`` returns nothing while a row is refused unless the
caller accepts the rest.

The parts: ``unit_rows`` looks over the table, ``place_cells`` and ``unit_cells`` read cells,
``several`` takes cells and rows apart that tell several things, ``saying`` keeps what is said.

>>> from datetime import UTC, datetime
>>> text = "owner;site code;site;time zone;point;type;made\\nOwl Mill;M1;Mill;Etc/UTC;1;CO2;06/2021\\n"
>>> reading = read_register(text.encode(), now=datetime(2026, 11, 25, tzinfo=UTC))
>>> reading.rows[0].agent, str(reading.rows[0].made)
(<Agent.CARBON_DIOXIDE: 'carbon_dioxide'>, '2021-06')
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from datetime import datetime

from servicedesk.exchange.book import Book, Table, column_letter, open_book
from servicedesk.exchange.findings import Finding, RegisterFileError, Severity
from servicedesk.exchange.headings import Columns, propose_columns, settle_columns, spoken
from servicedesk.exchange.place_cells import PlaceCells
from servicedesk.exchange.rows import RegisterReading, RegisterRow
from servicedesk.exchange.saying import LONGEST, Told
from servicedesk.exchange.several import SeveralThings
from servicedesk.exchange.unit_cells import UnitCells
from servicedesk.exchange.unit_rows import UnitRows
from servicedesk.exchange.words import plain

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
    if not isinstance(data, Book):
        # Nobody reads this book again: each row is let go as it is read.
        table.rows = []
        book.forget(table.sheet)
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
        refused_keys=frozenset(reader.refused_keys),
        kind=book.kind,
        sheet=table.sheet,
        heading_row=table.heading_row,
        proposal=proposal,
        day_first=reader.order.get("", day_first),
        decimal_comma=reader.decimal_comma,
    )


_HEARD_EVERY = 500
_DONE: tuple[int, list[str]] = (0, [])

_CONTROL_SIGN = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff]")


class _Refused(Exception):
    """Leaves a row whose further cells would only repeat the same fault."""


class _Reader(UnitRows, PlaceCells, UnitCells, SeveralThings):
    """Reads the rows of one table."""

    def __init__(
        self,
        table: Table,
        columns: Columns,
        last: int,
        now: datetime,
        known_tables: Collection[str] | None,
        told: Told,
    ) -> None:
        super().__init__(table, columns, now, known_tables, told)
        # Columns without a heading that most rows fill are columns; beyond them values have slipped.
        self.last = last
        # Some programs end every row with a delimiter; a cell too many in every row is no shift.
        self.width = max(last, min((len(cells) for _, cells in table.rows), default=0))
        self.rows = self._rows_of_units()
        self.decimal_comma = self._comma_evidence() if told.decimal_comma is None else told.decimal_comma
        self.order = self._order_evidence(told.day_first)
        self._look_for_exchanged_days()

    def read(self, heard: Callable[[int, int], None] | None = None) -> list[RegisterRow]:
        rows: list[RegisterRow] = []
        for done, (number, cells) in enumerate(self.rows):
            if heard is not None and done % _HEARD_EVERY == 0:
                heard(done, len(self.rows))
            self.row = number
            self.raw = self._named(cells)
            self.cells = dict(self.raw)
            self.rows[done] = _DONE
            key = self._import_key()
            if number in self.told.ignore:
                found = " | ".join(cell for cell in cells if cell)
                self._skip(found, "ignored", "The row was left out, as someone told.")
                self.refused_keys.add(key)
                continue
            try:
                read = self._read_row(cells, key)
            except _Refused:
                read = []
            if number in self.refused or number in self.skipped:
                self.refused_keys.add(key)
            else:
                rows.extend(read)
        if heard is not None:
            heard(len(self.rows), len(self.rows))
        return self._compare(rows)

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
            if len(text) > 20 and len(text) > (longest := LONGEST.get(field, len(text))):
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
        working, test = self._pressures()
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

    def _extras(self, cells: list[str]) -> tuple[tuple[str, str], ...]:
        found = []
        for position in self.columns.unread:
            if position < len(cells) and cells[position]:
                heading = self.table.headings[position] if position < len(self.table.headings) else ""
                found.append((heading or f"column {column_letter(position)}", cells[position]))
        return tuple(found)

    def _compare(self, rows: list[RegisterRow]) -> list[RegisterRow]:
        numbers: dict[str, RegisterRow] = {}
        serials: dict[tuple[str, ...], int] = {}
        at_place: dict[tuple[str, ...], RegisterRow] = {}
        places: dict[tuple[str, str], int] = {}
        kept = []
        for row in rows:
            self.row = row.row
            self.raw = self.cells = {
                "unit_number": row.unit_number,
                "serial": row.serial,
                "location_number": row.location_number,
            }
            if row.unit_number:
                first = numbers.setdefault(plain(row.unit_number), row)
                if first is not row:
                    self._refuse(
                        "unit_number",
                        "duplicate_unit_number",
                        f'The number "{row.unit_number}" already stands in row {first.row}.',
                        "Every unit has a number of its own; correct one of the two, or leave it empty.",
                    )
                    continue
            if row.serial:
                build = (plain(row.maker), plain(row.model), plain(row.serial))
                here = (row.site_code, row.location_number, *build)
                if not row.unit_number:
                    earlier = at_place.setdefault(here, row)
                    if earlier is not row:
                        self._refuse(
                            "serial",
                            "repeated_row",
                            f'The unit with serial "{row.serial}" at {row.location_number} already '
                            f"stands in row {earlier.row}.",
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
        self.refused_keys.update(row.import_key for row in rows if row.row in self.refused)
        return [row for row in kept if row.row not in self.refused]
