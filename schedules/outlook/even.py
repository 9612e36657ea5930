"""Levelling an outlook: which of the ways of each site makes the weeks even, and whom to ask."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from datetime import date
from typing import Any

from schedules.outlook.models import Outlook, OutlookSite, OutlookTrip
from schedules.outlook.rows import LEVEL_WEEKS, monday_of, week_of
from schedules.planning.figures import Figures
from schedules.planning.levelling import Levelled, Movable, Way, level

WORKSHOP, AGENT = "workshop", "agent"
ASK_ABOVE = 1.15
"""A promised visit is asked about when its week is so much above the mean after levelling."""


def technicians_of(depot_id: int | None) -> str:
    """Return the name of the resource: technicians of one depot, or of none."""
    return f"technicians {depot_id or 0}"


def level_outlook(outlook: Outlook, figures: Figures) -> dict[str, Any]:
    """Set ``level_on`` and ``ask_on`` of the trips; return what the chart shows and what is proved."""
    first_week = week_of(outlook.first_on)
    trips: dict[int, list[OutlookTrip]] = defaultdict(list)
    rows = OutlookTrip.objects.filter(outlook=outlook).select_related("site").order_by("site_id", "on", "pk")
    for trip in rows:
        trips[trip.site_id].append(trip)
    base: dict[str, list[float]] = defaultdict(lambda: [0.0] * LEVEL_WEEKS)
    movables: list[Movable] = []
    days_of: list[list[list[date]]] = []
    asks: dict[int, list[date]] = {}
    for row in OutlookSite.objects.filter(outlook=outlook).order_by("site_id"):
        own = trips.get(row.site_id, [])
        # Trips of the bundle stand in order of their day, as in the ways; what nothing joins stands apart.
        moving = [trip for trip in own if trip.pairs]
        for trip in own:
            if not trip.pairs:
                for week, name, amount in _loads(trip, trip.on, first_week, figures):
                    if 0 <= week < LEVEL_WEEKS:
                        base[name][week] += amount
        asks.update(
            {ask["visit"]: [date.fromisoformat(d) for d in ask["days"]] for ask in row.ways if "visit" in ask}
        )
        if not moving:
            continue
        given = [way for way in row.ways if "visit" not in way]
        choices = [
            [trip.on for trip in moving],
            *([date.fromisoformat(day) for day in way["days"]] for way in given),
        ]
        prices = [0.0, *(float(way["price"]) for way in given)]
        movables.append(
            Movable(
                row.site_id,
                tuple(
                    Way(
                        tuple(
                            load
                            for trip, day in zip(moving, days, strict=True)
                            for load in _loads(trip, day, first_week, figures)
                        ),
                        price,
                    )
                    for days, price in zip(choices, prices, strict=True)
                ),
            )
        )
        days_of.append(choices)
    found = level(movables, weeks=LEVEL_WEEKS, base=base)
    changed: list[OutlookTrip] = []
    for movable, choices, way in zip(movables, days_of, found.chosen, strict=True):
        if way:
            moving = [trip for trip in trips[int(str(movable.key))] if trip.pairs]
            for trip, day in zip(moving, choices[way], strict=True):
                if trip.level_on != day:
                    trip.level_on = day
                    changed.append(trip)
    asked = _ask(trips, asks, found, first_week, figures)
    OutlookTrip.objects.bulk_update(changed, ["level_on"], batch_size=200)
    OutlookTrip.objects.bulk_update(asked, ["ask_on"], batch_size=200)
    return {
        "weeks": [str(monday_of(first_week + n)) for n in range(LEVEL_WEEKS)],
        "before": {name: [round(x) for x in amounts] for name, amounts in found.before.items()},
        "after": {name: [round(x) for x in amounts] for name, amounts in found.after.items()},
        "cost_before": round(found.cost_before, 1),
        "cost": round(found.cost, 1),
        "bound": round(found.bound, 1),
        "gap": round(found.gap, 5),
        "moves": len(changed),
        "asks": len(asked),
    }


def _loads(trip: OutlookTrip, day: date, first_week: int, figures: Figures) -> list[tuple[int, str, float]]:
    """Return week, resource and amount of a trip on ``day``: minutes, minutes, grams."""
    week = week_of(day) - first_week
    return [
        (week, technicians_of(trip.site.depot_id), trip.work_minutes + figures["drive_minutes"]),
        (week, WORKSHOP, float(trip.workshop_minutes)),
        (week, AGENT, float(trip.agent_mass_g)),
    ]


def _ask(
    trips: Mapping[int, list[OutlookTrip]],
    asks: Mapping[int, list[date]],
    found: Levelled,
    first_week: int,
    figures: Figures,
) -> list[OutlookTrip]:
    """Return promised trips of crowded weeks, each with the emptiest week to ask the owner about."""
    loads = {name: list(amounts) for name, amounts in found.after.items()}
    asked: list[OutlookTrip] = []
    for trip in sorted(
        (t for own in trips.values() for t in own if t.booked_visit_id), key=lambda t: (t.on, t.pk)
    ):
        name = technicians_of(trip.site.depot_id)
        weeks = loads.get(name)
        here = week_of(trip.on) - first_week
        days = asks.get(trip.booked_visit_id or 0, [])
        if weeks is None or not days or not 0 <= here < LEVEL_WEEKS:
            continue
        mean = sum(weeks) / len(weeks)
        minutes = trip.work_minutes + figures["drive_minutes"]
        if weeks[here] <= ASK_ABOVE * mean:
            continue
        better = min(
            days, key=lambda day: (weeks[max(0, min(LEVEL_WEEKS - 1, week_of(day) - first_week))], day)
        )
        there = week_of(better) - first_week
        if 0 <= there < LEVEL_WEEKS and weeks[there] + minutes < weeks[here]:
            trip.ask_on = better
            asked.append(trip)
            weeks[here] -= minutes
            weeks[there] += minutes
    return asked
