"""Closed days of sites: agreed blackouts, and public holidays of the place.

Public holidays come from the library ``holidays``: defaults to check against the local calendar.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from functools import lru_cache

import holidays
from django.db.models import Q

from inventory.register.models import BlackoutPeriod, Site
from schedules.planning.daysoff import Closed, closed_days


@lru_cache(maxsize=512)
def public_holidays(country: str, region: str, year: int) -> Mapping[date, str] | None:
    """Return the public holidays of a year by day, or None where the library does not know the country.

    A region that it does not know gets those of the whole country.
    """
    for subdivision in (region, None) if region else (None,):
        try:
            found = holidays.country_holidays(country, subdiv=subdivision, years=year)
        except NotImplementedError:
            continue
        return dict(found.items())
    return None


def blackouts_of(sites: Sequence[Site]) -> dict[int, list[BlackoutPeriod]]:
    """Return the blackout periods that hold for each site, by site id; one query."""
    owners = {site.owner_id for site in sites}
    countries = {site.country for site in sites}
    rows = BlackoutPeriod.objects.filter(
        Q(site__in=[site.pk for site in sites])
        | Q(owner__in=owners)
        | Q(site__isnull=True, owner__isnull=True, country__in={*countries, ""})
    ).order_by("first_on", "pk")
    found: dict[int, list[BlackoutPeriod]] = defaultdict(list)
    everywhere: list[BlackoutPeriod] = []
    by_site: dict[int, list[BlackoutPeriod]] = defaultdict(list)
    by_owner: dict[int, list[BlackoutPeriod]] = defaultdict(list)
    for row in rows:
        if row.site_id is not None:
            by_site[row.site_id].append(row)
        elif row.owner_id is not None:
            by_owner[row.owner_id].append(row)
        else:
            everywhere.append(row)
    for site in sites:
        found[site.pk] = [
            *by_site[site.pk],
            *by_owner[site.owner_id],
            *(
                row
                for row in everywhere
                if (not row.country or row.country == site.country)
                and (not row.region or row.region.casefold() == site.region.casefold())
            ),
        ]
    return dict(found)


def closed_for(site: Site, periods: Iterable[BlackoutPeriod], start: date, end: date) -> frozenset[date]:
    """Return the days from ``start`` to ``end`` on which nobody is sent to ``site``."""
    own = closed_days(
        (Closed(row.first_on, row.last_on, row.label, row.is_yearly) for row in periods), start, end
    )
    public = {
        day
        for year in range(start.year, end.year + 1)
        for day in public_holidays(site.country, site.region, year) or ()
    }
    return own | {day for day in public if start <= day <= end}
