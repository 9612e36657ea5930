"""The data files of labels and tags, checked when they are read."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from django.conf import settings

HERE = Path(__file__).parent
TAG_FIELDS = (
    "firm",
    "firm_licence",
    "unit",
    "serial",
    "kind",
    "place",
    "owner",
    "owner_person",
    "work",
    "work_punched",
    "done",
    "next_due",
    "person",
    "person_licence",
    "signature",
    "gross_mass",
    "charge",
    "months",
)
READ = ("PRIMARY", "SECONDARY", "MEMORY")


class DataError(ValueError):
    """A data file of papers cannot be used; the text names file, entry, field and remedy."""


@dataclass(frozen=True, slots=True)
class Stock:
    """A sheet of labels, or a single one. Lengths in millimetres, (across, down)."""

    code: str
    name: str
    page_mm: tuple[float, float]
    label_mm: tuple[float, float]
    columns: int
    rows: int
    first_mm: tuple[float, float]
    step_mm: tuple[float, float]

    @property
    def per_page(self) -> int:
        """Labels on one page."""
        return self.columns * self.rows

    def place_mm(self, position: int) -> tuple[float, float]:
        """Where the label at ``position`` (from 0, row by row) begins on its page."""
        row, column = divmod(position % self.per_page, self.columns)
        return (
            self.first_mm[0] + column * self.step_mm[0],
            self.first_mm[1] + row * self.step_mm[1],
        )


@dataclass(frozen=True, slots=True)
class Tag:
    """What a service tag carries at one place."""

    code: str
    country: str
    region: str
    title: str
    size_mm: tuple[float, float]
    wording: str
    fields: tuple[str, ...]
    rules: tuple[str, ...]
    source: str
    read: str


def stocks() -> dict[str, Stock]:
    """Shipped label stock and that of the firm's own file, by code."""
    found = dict(_stocks(HERE / "stocks.toml"))
    if settings.LABEL_STOCK_FILE:
        found |= _stocks(Path(settings.LABEL_STOCK_FILE))
    return found


@lru_cache(maxsize=4)
def _stocks(path: Path) -> dict[str, Stock]:
    return {stock.code: stock for stock in read_stocks(_content(path), path.name)}


def read_stocks(content: Mapping[str, Any], name: str) -> list[Stock]:
    """Check and return label stock; raises ``DataError``."""
    found = []
    for number, row in enumerate(content.get("stock", []), start=1):
        where = f"{name}, stock {row.get('code', number)}"
        _demand(where, row, ("code", "name", "page_mm", "label_mm", "columns", "rows", "first_mm", "step_mm"))
        stock = Stock(
            row["code"],
            row["name"],
            _pair(where, row, "page_mm"),
            _pair(where, row, "label_mm"),
            _count(where, row, "columns"),
            _count(where, row, "rows"),
            _pair(where, row, "first_mm"),
            _pair(where, row, "step_mm"),
        )
        for axis, word in ((0, "across"), (1, "down")):
            count = (stock.columns, stock.rows)[axis]
            end = stock.first_mm[axis] + (count - 1) * stock.step_mm[axis] + stock.label_mm[axis]
            if end > stock.page_mm[axis] + 0.5:
                raise DataError(
                    f"{where}: the labels reach {end:g} mm {word}, the page has {stock.page_mm[axis]:g} mm."
                )
        found.append(stock)
    return found


@lru_cache(maxsize=1)
def tags() -> tuple[Tag, ...]:
    """The shipped tags."""
    return tuple(read_tags(_content(HERE / "tags.toml"), "tags.toml"))


def read_tags(content: Mapping[str, Any], name: str) -> list[Tag]:
    """Check and return service tags; raises ``DataError``."""
    found = []
    for number, row in enumerate(content.get("tag", []), start=1):
        where = f"{name}, tag {row.get('code', number)}"
        _demand(where, row, ("code", "title", "size_mm", "fields", "source", "read"))
        for field in row["fields"]:
            if field not in TAG_FIELDS:
                raise DataError(f"{where}, fields: {field!r} is none of {', '.join(TAG_FIELDS)}.")
        if row["read"] not in READ:
            raise DataError(f"{where}, read: {row['read']!r} is none of {', '.join(READ)}.")
        found.append(
            Tag(
                row["code"],
                row.get("country", ""),
                row.get("region", ""),
                row["title"],
                _pair(where, row, "size_mm"),
                row.get("wording", ""),
                tuple(row["fields"]),
                tuple(row.get("rules", ())),
                row["source"],
                row["read"],
            )
        )
    return found


def tag_for(country: str, region: str) -> Tag:
    """The tag of a place: its own, that of its country, or the common one."""
    region = region.strip().casefold()
    for wanted in ((country, region), (country, ""), ("", "")):
        for tag in tags():
            if (tag.country, tag.region.casefold()) == wanted:
                return tag
    raise DataError("tags.toml: the common tag, without a country, is missing.")


def _content(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DataError(f"{path} cannot be read: {error}") from error


def _demand(where: str, row: Mapping[str, Any], fields: tuple[str, ...]) -> None:
    for field in fields:
        if field not in row:
            raise DataError(f"{where}: the field {field} is missing.")


def _pair(where: str, row: Mapping[str, Any], field: str) -> tuple[float, float]:
    value = row[field]
    if not (isinstance(value, list) and len(value) == 2 and all(isinstance(v, int | float) for v in value)):
        raise DataError(f"{where}, {field}: give two lengths in millimetres, across and down.")
    if min(value) < 0:
        raise DataError(f"{where}, {field}: a length is not below 0.")
    return float(value[0]), float(value[1])


def _count(where: str, row: Mapping[str, Any], field: str) -> int:
    value = row[field]
    if not isinstance(value, int) or value < 1:
        raise DataError(f"{where}, {field}: {value!r} is not a whole number from 1.")
    return value
