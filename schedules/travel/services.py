"""Driving times between the places of a plan: cached, repaired, and estimated when the network is down."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from zlib import crc32

import numpy as np
from django.conf import settings
from django.core.cache import cache
from django.utils import timezone

from schedules.planning.travel import Floats, Ints, Place, estimate, repaired
from schedules.travel.models import TravelLeg
from schedules.travel.providers import (
    Provider,
    ProviderDown,
    TableService,
    ValhallaHttp,
    ValhallaTiles,
)

log = logging.getLogger(__name__)

BLOCK = 40
"""Places asked about at once on either side: servers refuse larger questions."""
DOWN_S = 60
"""After a failure the network is left alone for so long, so that nobody waits for it again and again."""
ESTIMATED = "Estimated from straight-line distances; no road network is set up."
_QUERY_PLACES = 300


def provider_in_use() -> Provider | None:
    """Return the road network that the settings name; None for estimates. Raises ``ProviderDown``."""
    name, url, timeout_s = settings.TRAVEL_PROVIDER, settings.TRAVEL_URL, settings.TRAVEL_TIMEOUT_S
    if name == "valhalla":
        return ValhallaHttp(url, timeout_s)
    if name == "table":
        return TableService(url, timeout_s)
    if name == "valhalla-tiles":
        return ValhallaTiles(str(settings.TRAVEL_TILES))
    return None


def matrix(places: Sequence[Place]) -> tuple[Ints, Ints, str]:
    """Return seconds and metres from row to column, and where they come from, in words.

    Never fails: what the road network does not know, or all when it is down, is estimated, and the
    words say so.
    """
    try:
        provider = provider_in_use()
    except ProviderDown as down:
        return (*estimate(places), _fallen_back("the road network on this machine", str(down)))
    if provider is None or not places:
        return (*estimate(places), ESTIMATED)
    spots = [_key(place) for place in places]
    unique = list(dict.fromkeys(spots))
    seconds, metres, why_down = _times(provider, unique)
    if why_down and np.isnan(seconds).all():
        return (*estimate(places), _fallen_back(provider.label, why_down))
    at = [unique.index(spot) for spot in spots]
    pick = np.ix_(at, at)
    whole_s, whole_m, lacking = repaired(seconds[pick], metres[pick], [_place(spot) for spot in spots])
    said = f"From {provider.label}."
    if why_down:
        said += f" It stopped answering: {why_down}."
    if lacking:
        said += f" {lacking} of {whole_s.size - len(places)} times are not known to it and are estimated."
    return whole_s, whole_m, said


def _fallen_back(label: str, why: str) -> str:
    return f"Estimated from straight-line distances, because {label} gave {_article(why)}."


def _article(why: str) -> str:
    return why if why.startswith(("no ", "an ")) else f"no times: {why}"


def _key(place: Place) -> str:
    return f"{place[0]:.4f},{place[1]:.4f}"


def _place(key: str) -> Place:
    latitude, _, longitude = key.partition(",")
    return float(latitude), float(longitude)


def _times(provider: Provider, spots: Sequence[str]) -> tuple[Floats, Floats, str]:
    """Return what is known of all pairs, from the cache and by asking, and why it is not all."""
    number = {spot: place for place, spot in enumerate(spots)}
    seconds = np.full((len(spots), len(spots)), np.nan)
    metres = np.full((len(spots), len(spots)), np.nan)
    np.fill_diagonal(seconds, 0.0)
    np.fill_diagonal(metres, 0.0)
    known = np.eye(len(spots), dtype=np.bool_)
    for first in range(0, len(spots), _QUERY_PLACES):
        for start, goal, drive_s, drive_m in TravelLeg.objects.filter(
            source=provider.source, start__in=spots[first : first + _QUERY_PLACES]
        ).values_list("start", "goal", "drive_s", "drive_m"):
            if goal in number:
                cell = number[start], number[goal]
                seconds[cell], metres[cell], known[cell] = drive_s, drive_m, True
    if known.all():
        return seconds, metres, ""
    down_key = f"travel-down-{crc32(provider.source.encode())}"
    why = str(cache.get(down_key) or "")
    if why:
        return _untold(seconds, known), metres, why
    for top in range(0, len(spots), BLOCK):
        rows = [row for row in range(top, min(top + BLOCK, len(spots))) if not known[row].all()]
        for left in range(0, len(spots) if rows else 0, BLOCK):
            columns = [
                column
                for column in range(left, min(left + BLOCK, len(spots)))
                if not known[rows, column].all()
            ]
            if not columns:
                continue
            try:
                told_s, told_m = provider.times(
                    [_place(spots[row]) for row in rows], [_place(spots[column]) for column in columns]
                )
            except ProviderDown as down:
                log.warning("%s: %s", provider.label, down)
                cache.set(down_key, str(down), DOWN_S)
                return _untold(seconds, known), metres, str(down)
            block = np.ix_(rows, columns)
            seconds[block], metres[block] = told_s, told_m
            known[block] = True
            _keep(
                provider, [spots[row] for row in rows], [spots[column] for column in columns], told_s, told_m
            )
    return seconds, metres, ""


def _untold(seconds: Floats, known: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> Floats:
    """Return the times, all of them unknown where nothing beside the way to itself was told."""
    if (known & ~np.eye(len(known), dtype=np.bool_)).any():
        return seconds
    return np.full_like(seconds, np.nan)


def _keep(
    provider: Provider, starts: Sequence[str], goals: Sequence[str], seconds: Floats, metres: Floats
) -> None:
    now = timezone.now()
    TravelLeg.objects.bulk_create(
        [
            TravelLeg(
                source=provider.source,
                start=start,
                goal=goal,
                drive_s=round(float(seconds[row, column])),
                drive_m=round(float(np.nan_to_num(metres[row, column]))),
                stored_at=now,
            )
            for row, start in enumerate(starts)
            for column, goal in enumerate(goals)
            if start != goal and not np.isnan(seconds[row, column])
        ],
        # A cache and no record: a leg that another worker has just kept is as good.
        ignore_conflicts=True,
        batch_size=500,
    )


def forget_legs(source: str = "") -> int:
    """Drop cached legs, of one source or of all: tiles were renewed. Returns how many went."""
    rows = TravelLeg.objects.filter(source=source) if source else TravelLeg.objects.all()
    gone, _ = rows.delete()
    return gone
