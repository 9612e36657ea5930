"""What the place of a site tells about its clock."""

from __future__ import annotations

from functools import cache
from importlib import resources
from zoneinfo import available_timezones


@cache
def zone_names() -> frozenset[str]:
    """Return the names of all time zones known here."""
    return frozenset(available_timezones())


@cache
def only_zones() -> dict[str, str]:
    """Return for each country that has kept one time since 1970 the name of its zone.

    A zone is the own one of the country that holds its city, which the table names first; the corner
    of Germany that once kept the time of Zurich so does not make two of it.
    Source: zone1970.tab for the number of zones and zone.tab for their names, both of the IANA time
    zone database.
    """
    own: dict[str, int] = {}
    shared: dict[str, int] = {}
    for countries, _, _ in _lines("zone1970.tab"):
        first, *others = countries.split(",")
        own[first] = own.get(first, 0) + 1
        for country in others:
            shared[country] = shared.get(country, 0) + 1
    names: dict[str, str] = {}
    for country, _, zone in _lines("zone.tab"):
        names.setdefault(country, zone)
    return {country: zone for country, zone in names.items() if own.get(country, shared.get(country)) == 1}


def _lines(name: str) -> list[tuple[str, str, str]]:
    text = resources.files("tzdata").joinpath("zoneinfo", name).read_text(encoding="utf-8")
    rows = [line.split("\t") for line in text.splitlines() if line and not line.startswith("#")]
    return [(row[0], row[1], row[2]) for row in rows]
