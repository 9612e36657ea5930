"""Which rows of a table hold units, and what the whole table tells about each of its cells."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from itertools import groupby

from servicedesk.exchange.evidence import order_of
from servicedesk.exchange.findings import Finding, Severity, clip
from servicedesk.exchange.saying import DATES, LONGEST, MEASURES, OF_SITE, Teller
from servicedesk.exchange.words import UNKNOWN_WORDS, is_unknown, plain, words_of
from servicedesk.exchange.workbook import Figure

# A row without any of these tells of a place, not of a unit.
_OF_UNIT = frozenset(
    {
        *("unit_number", "serial", "maker", "model", "agent", "construction", "shell", "cylinder_spec"),
        *("charge", "water_capacity", "working_pressure", "test_pressure", "full_mass", "made", "installed"),
        *("last_maintenance", "last_recharge", "last_internal_examination", "last_hydrostatic_test"),
        *("last_visual_inspection", "last_weighing", "last_conductivity_test", "quantity", "unit_state"),
    }
)

# What spreadsheets write where a formula failed, in English and in the other languages of the registers.
_ERRORS = frozenset(
    {
        *("#REF!", "#N/A", "#VALUE!", "#DIV/0!", "#NAME?", "#NULL!", "#NUM!", "#SPILL!", "#CALC!"),
        *("#GETTING_DATA", "#BEZUG!", "#NV", "#WERT!", "#ZAHL!", "#NOM?", "#N/D", "#VALEUR!", "#NOMBRE?"),
        *("#¡REF!", "#¡VALOR!", "#¡DIV/0!", "#RIF!", "#VALORE!", "#NOME?", "#VERW!", "#WAARDE!", "#N/B"),
    }
)


# Numbers that name something, which a program may have taken for quantities.
_NAMES = ("unit_number", "serial", "location_number", "site_code", "postcode", "floor")
_ISO_DAY = re.compile(r"\d{4}-\d{2}-(\d{2})", re.ASCII)
_SHIELDED = frozenset("=+-@")
_LIKE_A_FRACTION = re.compile(r"\d{1,15}\.0", re.ASCII)


def _dates(count: int, which: str = "") -> str:
    return f"{count} {which}date{'' if count == 1 else 's'}"


def is_broken_cell(text: str) -> bool:
    """Return whether a cell holds the error of a spreadsheet, or a formula that was never computed."""
    return text in _ERRORS or (text[0] == "=" and len(text) > 1)


class UnitRows(Teller):
    """Looks over the whole table before its rows are read."""

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
            if not text or text[0] not in "#='":
                continue
            if text[0] == "'":
                # What this program hands out puts it before a sign that a spreadsheet would run.
                named[field] = text[1:] if text[1:2] in _SHIELDED else text
            elif is_broken_cell(text):
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
            if text and not is_unknown(text) and len(text) <= LONGEST["location_number"]:
                return text
        return ""

    def _rows_of_units(self) -> list[tuple[int, list[str]]]:
        """Return the rows that hold units, with a site told once for a block filled in; say what is not."""
        rows = list(self.table.rows)
        self._fill_down(rows)
        self._drop_fractions(rows)
        kept = []
        wide = len(self.columns.positions) >= 5
        for number, cells in rows:
            if number in self.told.ignore:
                kept.append((number, cells))  # left out when its turn comes, so that no key shifts
                continue
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
        others = [at for field, at in self.places if field in OF_SITE or field == "site_code"]
        for index, text in enumerate([*texts, "end"]):
            row, cells = rows[index] if index < len(rows) else (0, [])
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
                copy = [*cells, *[""] * (max(others) + 1 - len(cells))]
                for at in others:
                    if not copy[at] and at < len(source):
                        copy[at] = source[at]
                        self.table.filled.add((row, at))
                rows[index] = (row, copy)
                taken.append(row)

    def _drop_fractions(self, rows: list[tuple[int, list[str]]]) -> None:
        """Take ``.0`` from numbers that name something, in columns where all of them have it."""
        for field in _NAMES:
            at = self.columns.positions.get(field)
            texts = [] if at is None else [cells[at] for _, cells in rows if at < len(cells) and cells[at]]
            if at is None or not texts or not all(map(_LIKE_A_FRACTION.fullmatch, texts)):
                continue
            for index, (row, cells) in enumerate(rows):
                if at < len(cells) and cells[at]:
                    rows[index] = (row, [*cells[:at], cells[at][:-2], *cells[at + 1 :]])
            self.row = 0
            self._say(
                Severity.DOUBT,
                field,
                "like_a_fraction",
                f'{len(texts)} numbers were written with ".0", the first as "{texts[0]}"; it was taken off.',
                "Check that zeros before the numbers were not lost too.",
                found=texts[0],
                becomes=texts[0][:-2],
            )

    def _column(self, field: str) -> list[str]:
        position = self.columns.positions.get(field)
        if position is None:
            return []
        return [cells[position] for _, cells in self.rows if position < len(cells)]

    def _comma_evidence(self) -> bool | None:
        """Return whether numbers use a decimal comma: only when some do and none uses a point."""
        texts = {text for field in (*MEASURES, "latitude", "longitude") for text in self._column(field)}
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
        dates = [self.columns.positions[name] for name in DATES if name in self.columns.positions]
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
                settled = sum(source.values())
                way = "the day before the month" if order[group] else "the month before the day"
                self.findings.append(
                    Finding(
                        0,
                        "",
                        "date_order",
                        Severity.DOUBT,
                        "",
                        f"{_dates(open_dates[group])}{where} such as 03/04/2021 can be read two ways. "
                        f"{_dates(settled, 'other ')}{where} can only have {way}, so all were read so.",
                        "Check that the file writes its dates one way throughout.",
                        becomes="day first" if order[group] else "month first",
                    )
                )
        return order

    def _look_for_exchanged_days(self) -> None:
        """Mark the columns in which a spreadsheet may have taken days for months.

        Typed with the day first into a program that puts the month first, 03/04/2024 becomes 4 March
        while 25/04/2024 stays text: dates with days up to 12 beside texts with days above 12.
        """
        if self.table.is_text:
            return
        for field in DATES:
            texts = self._column(field)
            kinds = Counter(order_of(text) for text in set(texts))
            days = [int(match[1]) for text in texts if (match := _ISO_DAY.fullmatch(text))]
            kind = "day" if kinds["day"] else "month"
            if min(kinds["day"], kinds["month"]) or kinds[kind] < 2 or len(days) < 5 or max(days) > 12:
                continue
            self.exchanged[field] = kind
            self.row = 0
            self._say(
                Severity.DOUBT,
                field,
                "days_as_months",
                f"{len(days)} dates have days up to 12 alone, while {kinds[kind]} others stayed text: the "
                "spreadsheet may have exchanged day and month.",
                "Say whether the day or the month comes first in this file, or correct the column.",
                found=next(text for text in texts if _ISO_DAY.fullmatch(text)),
                becomes="both ways are kept open",
            )

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
