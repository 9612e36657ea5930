"""From the bundle of a site to the rows of an outlook: its trips, and the ways in which they could lie."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from inventory.measures.kinds import Task
from schedules.bundles.calendar import public_holidays
from schedules.bundles.queries import Fixed, SiteBundle, load_of
from schedules.outlook.models import Outlook, OutlookSite, OutlookTrip
from schedules.planning.bundling import Trip, moved
from schedules.planning.daysoff import off_month_days
from schedules.planning.figures import Figures
from schedules.visits.proposing import pairs_of

LEVEL_WEEKS = 52
"""Weeks that are levelled: what lies further ahead is bundled again before it comes near."""
REACH_WEEKS = 13


def week_of(day: date) -> int:
    """Return the number of the week that begins on a Monday."""
    return (day.toordinal() - 1) // 7


def monday_of(week: int) -> date:
    """Return the Monday of a week that ``week_of`` numbered."""
    return date.fromordinal(week * 7 + 1)


def rows_of(
    outlook: Outlook, found: SiteBundle, figures: Figures, *, service_month: int | None, tolerance_days: int
) -> tuple[OutlookSite, list[OutlookTrip]]:
    """Return what is kept of one site."""
    fixed_on = {visit.on: visit for visit in found.fixed}
    bundled = found.bundle
    ways = _ways(found, figures, service_month=service_month, tolerance_days=tolerance_days)
    trips = [
        _trip(outlook, found, figures, trip, fixed_on.get(trip.on), number, ways)
        for number, trip in enumerate(bundled.trips)
    ]
    joined = {trip.on for trip in bundled.trips}
    trips += [
        _booked(outlook, found, figures, visit)
        for visit in found.fixed
        if visit.on not in joined and outlook.first_on <= visit.on <= outlook.last_on
    ]
    site = OutlookSite(
        outlook=outlook,
        site=found.site,
        trips=len(trips),
        habit_trips=bundled.habit.trips + sum(visit.on not in joined for visit in found.fixed),
        lost_permille=round(1000 * bundled.lost_share),
        margin_days=bundled.margin_days,
        proof=bundled.proof.value,
        problems=[*found.problems, *_doubts(found)],
        ways=[*ways, *_asks(found, figures)],
    )
    return site, trips


def _doubts(found: SiteBundle) -> list[str]:
    site, said = found.site, []
    if site.latitude is None or site.longitude is None:
        said.append("It has no coordinates, so no route can reach it until they are entered.")
    if public_holidays(site.country, site.region, found.today.year) is None:
        where = f'of "{site.country}"' if site.country else "without a country"
        said.append(f"Public holidays {where} are not known; none are kept free.")
    return said


def _trip(
    outlook: Outlook,
    found: SiteBundle,
    figures: Figures,
    trip: Trip,
    booked: Fixed | None,
    number: int,
    ways: Sequence[dict[str, Any]],
) -> OutlookTrip:
    pairs = pairs_of(found, trip)
    days = [date.fromisoformat(way["days"][number]) for way in ways]
    both = pairs | booked.pairs if booked else pairs
    load = load_of(((unit, Task(task)) for unit, task in both), found.served, figures)
    return OutlookTrip(
        outlook=outlook,
        site=found.site,
        on=trip.on,
        level_on=trip.on,
        first_on=min([trip.on, *days]),
        last_on=max([trip.on, *days]),
        latest_on=min(work.span.latest for work in trip.works),
        units=len({unit for unit, _ in both}),
        works=Counter(task for _, task in sorted(both)),
        pairs=sorted(pairs),
        work_minutes=round(load.work_minutes),
        workshop_minutes=round(load.workshop_minutes),
        workshop_units=load.workshop_units,
        agent_mass_g=load.agent_mass_g,
        booked_visit_id=booked.visit_id if booked else None,
    )


def _booked(outlook: Outlook, found: SiteBundle, figures: Figures, visit: Fixed) -> OutlookTrip:
    """Return the trip of a visit on the books that nothing joins."""
    load = load_of(((unit, Task(task)) for unit, task in visit.pairs), found.served, figures)
    return OutlookTrip(
        outlook=outlook,
        site=found.site,
        on=visit.on,
        level_on=visit.on,
        first_on=visit.on,
        last_on=visit.on,
        latest_on=visit.on,
        units=len({unit for unit, _ in visit.pairs}),
        works=Counter(task for _, task in sorted(visit.pairs)),
        pairs=[],
        work_minutes=round(load.work_minutes),
        workshop_minutes=round(load.workshop_minutes),
        workshop_units=load.workshop_units,
        agent_mass_g=load.agent_mass_g,
        booked_visit_id=visit.visit_id,
    )


def _ways(
    found: SiteBundle, figures: Figures, *, service_month: int | None, tolerance_days: int
) -> list[dict[str, Any]]:
    """Return other days on which the trips could lie: one alone, or one and all after it.

    Trips that join a visit on the books keep their day.
    """
    trips, days = found.bundle.trips, found.days
    on = [trip.on for trip in trips]
    fixed = {visit.on for visit in found.fixed}
    off = dict(zip(days, off_month_days(days, service_month, tolerance_days), strict=True))
    by_week: dict[int, date] = {}
    for day in days:
        if day not in fixed:
            by_week.setdefault(week_of(day), day)
    last_week = week_of(found.today) + LEVEL_WEEKS
    ways: list[dict[str, Any]] = []
    for number, trip in enumerate(trips):
        if trip.on in fixed or week_of(trip.on) > last_week:
            continue
        for weeks in (n for n in range(-REACH_WEEKS, REACH_WEEKS + 1) if n):
            new = by_week.get(week_of(trip.on) + weeks)
            if new is None or new in fixed:
                continue
            alone = [*on[:number], new, *on[number + 1 :]]
            following = [
                day if day in fixed else by_week.get(week_of(day) + weeks, day) for day in on[number + 1 :]
            ]
            for shifted in (alone, [*on[:number], new, *following]):
                lost = moved(trips, shifted, life_weight=figures["life_weight"])
                if lost is None:
                    continue
                price = (
                    lost
                    - found.bundle.lost_minutes
                    + figures["move_minutes"] * abs(weeks)
                    + figures["out_of_month_minutes"]
                    * (sum(off.get(day, False) for day in shifted) - sum(off[day] for day in on))
                )
                ways.append({"days": [str(day) for day in shifted], "price": round(price, 1)})
                break
    return ways


def _asks(found: SiteBundle, figures: Figures) -> list[dict[str, Any]]:
    """Return for each promised visit the days that would do as well, should the owner agree.

    They lie no later than the promised one less its margin would allow: a promise is never moved here.
    """
    found_asks = []
    for visit in found.fixed:
        if not visit.is_promised:
            continue
        reach = timedelta(weeks=REACH_WEEKS)
        days = [day for day in found.days if day < visit.on and visit.on - day <= reach]
        if days:
            found_asks.append({"visit": visit.visit_id, "days": [str(day) for day in days]})
    return found_asks
