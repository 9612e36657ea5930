"""The cells of a row that tell about its owner, its site and the place where the unit hangs."""

from __future__ import annotations

import re
from decimal import ROUND_HALF_UP, Decimal
from typing import Any
from zoneinfo import ZoneInfo

from inventory.measures.units import MeasureError, read_number
from servicedesk.exchange.findings import split_remedy
from servicedesk.exchange.hours import AccessWindow, HoursError, read_hours
from servicedesk.exchange.places import only_zones, zone_names
from servicedesk.exchange.saying import OF_SITE, Teller
from servicedesk.exchange.words import is_unknown, plain, words_of

# Two rows of one site that disagree here describe two sites; a person must say which is meant.
_SITE_MUST_AGREE = frozenset({"owner_name", "country", "time_zone"})

_EMAIL = re.compile(r"[^@\s,;<>\"]+@[^@\s,;<>\"]+\.[^@\s,;<>\"]+")

_TABLE_KEY = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")


class PlaceCells(Teller):
    """Reads what a row says of its site, and holds it against earlier rows of the site."""

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

    def _site(self) -> tuple[Any, ...]:
        """Return zone, coordinates, mail, country, hours and tables; read once while nothing is amiss."""
        key = (self.cells.get("site_code", ""), *(self.cells.get(name, "") for name in OF_SITE))
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
        told = tuple(self.cells.get(name, "") for name in OF_SITE)
        if self.settled_sites.get(code) == told:
            return
        said = len(self.findings)
        self._compare_site(code)
        if len(self.findings) == said and told == tuple(self.cells.get(name, "") for name in OF_SITE):
            self.settled_sites[code] = told

    def _compare_site(self, code: str) -> None:
        self.cells["site_code"] = self._one_spelling(self.site_codes, "site_code", code)
        if self.cells.get("owner_name"):
            self.cells["owner_name"] = self._one_spelling(
                self.owner_names, "owner_name", self.cells["owner_name"]
            )
        known = self.sites.setdefault(plain(code), {})
        for field in OF_SITE:
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
