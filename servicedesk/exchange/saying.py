"""What a reader says about the row before it, and what a person told it.

``Teller`` is the ground that the readers of cells stand on: it knows the row in hand, collects what is
said about it, and says again for a text what was said when it was read first.
"""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any, TypeVar

from inventory.measures.units import Dimension
from servicedesk.exchange.book import Table, column_letter
from servicedesk.exchange.findings import Finding, Severity, clip
from servicedesk.exchange.headings import Columns
from servicedesk.exchange.hours import AccessWindow
from servicedesk.exchange.words import plain

# Told once per site; an empty cell takes the value of the site's first row that has one.
OF_SITE = (
    "owner_name", "owner_email", "site_name", "address_line", "city", "region", "postcode", "country",
    "latitude", "longitude", "time_zone", "access_hours", "tables",
)  # fmt: skip

# The longest text each field may hold; the tables of the register allow no more.
LONGEST = {
    "owner_name": 200, "owner_email": 254, "site_code": 30, "site_name": 200, "address_line": 200,
    "city": 100, "region": 100, "postcode": 20, "building": 80, "floor": 40, "location_number": 30,
    "location_description": 200, "hazard": 80, "unit_number": 30, "serial": 60, "maker": 100, "model": 120,
    "cylinder_spec": 20, "charge": 30,
}  # fmt: skip

DATES = (
    "made", "installed", "last_maintenance", "last_recharge", "last_internal_examination",
    "last_hydrostatic_test", "last_visual_inspection", "last_weighing", "last_conductivity_test",
)  # fmt: skip

MEASURES: dict[str, tuple[tuple[Dimension, ...], Decimal, Decimal]] = {
    # dimensions, lowest and highest believable value in the base unit. Common practice, no source.
    "charge": ((Dimension.MASS, Dimension.VOLUME), Decimal(50), Decimal(300_000)),
    "water_capacity": ((Dimension.VOLUME, Dimension.MASS), Decimal(100), Decimal(500_000)),
    "working_pressure": ((Dimension.PRESSURE,), Decimal(100), Decimal(30_000)),
    "test_pressure": ((Dimension.PRESSURE,), Decimal(500), Decimal(70_000)),
    "full_mass": ((Dimension.MASS,), Decimal(200), Decimal(600_000)),
}


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


# Severity, field, code, sentence, remedy, what was found, what it becomes.
Said = tuple[Severity, str, str, str, str, str, str]

_T = TypeVar("_T")


class Teller:
    """Collects ``findings``, ``refused`` and ``skipped`` rows while cells are read.

    ``raw`` are the cells of the row in hand by field, as told; ``cells`` what the reading makes of them
    on its way. ``order`` tells by country whether dates have the day first, "" for the whole file.
    """

    def __init__(
        self,
        table: Table,
        columns: Columns,
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
        self.refused_keys: set[str] = set()
        self.sites: dict[str, dict[str, tuple[int, str]]] = {}
        self.site_codes: dict[str, str] = {}
        self.owner_names: dict[str, str] = {}
        self.said: set[tuple[str, str, str]] = set()
        self.memo: dict[Any, tuple[Any, tuple[Said, ...]]] = {}
        self.captured: list[Said] | None = None
        self.owner_of_site: dict[str, str] = {}
        self.made_codes: dict[tuple[str, str], str] = {}
        self.places = tuple(columns.positions.items())
        self.meanings = {
            name: {plain(found): text for found, text in texts.items()}
            for name, texts in told.meanings.items()
        }
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
        self.exchanged: dict[str, str] = {}
        self.rows: list[tuple[int, list[str]]] = []
        self.decimal_comma = told.decimal_comma
        self.order: dict[str, bool | None] = {}

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
        """Return what ``read`` gave for ``key``, and say again what it said."""
        value, said = self._looked_up(key, read, show)
        self._say_again(said)
        return value

    def _looked_up(
        self, key: object, read: Callable[[], _T], show: Callable[[_T], str] | None = None
    ) -> tuple[_T, tuple[Said, ...]]:
        """Return what ``read`` gave for ``key`` and what it said, without saying it.

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
        return known

    def _say_again(self, said: tuple[Said, ...]) -> None:
        for one in said:
            self._emit(*one)

    def _refuse(self, field: str, code: str, sentence: str, remedy: str) -> None:
        self._say(Severity.REFUSED, field, code, sentence, remedy)

    def _doubt(self, field: str, code: str, sentence: str, remedy: str, becomes: str = "") -> None:
        if field in OF_SITE:  # the same doubt on every row of a site would bury the others
            key = (self.cells.get("site_code", ""), f"{field} {code}", self.cells.get(field, ""))
            if key in self.said:
                return
            self.said.add(key)
        self._say(Severity.DOUBT, field, code, sentence, remedy, becomes=becomes)

    def _skip(self, found: str, code: str, sentence: str) -> None:
        remedy = "Nothing to do, unless it is a unit; then give it the cells of one."
        self._say(Severity.SKIPPED, "", code, sentence, remedy, found=found)
