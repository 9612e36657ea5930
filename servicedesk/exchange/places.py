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
    """Return for each country that has but one zone of its own, or shares just one, its name.

    A zone is the own one of the country that holds its city, which the table names first; the corner
    of Germany that once kept the time of Zurich so does not make two of it.
    Source: zone1970.tab of the IANA time zone database.
    """
    text = resources.files("tzdata").joinpath("zoneinfo", "zone1970.tab").read_text(encoding="utf-8")
    own: dict[str, list[str]] = {}
    shared: dict[str, list[str]] = {}
    for line in text.splitlines():
        if line and not line.startswith("#"):
            countries, _, zone, *_ = line.split("\t")
            first, *others = countries.split(",")
            own.setdefault(first, []).append(zone)
            for country in others:
                shared.setdefault(country, []).append(zone)
    zones = {country: names for country, names in shared.items() if country not in own} | own
    return {country: names[0] for country, names in zones.items() if len(names) == 1}
