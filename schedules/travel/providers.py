"""Asking a road network for driving times: over HTTP, or through bindings with tiles on this machine.

Two open interfaces are spoken: the matrix of Valhalla (``/sources_to_targets``) and the table service
that OSRM and others offer (``/table/v1/driving``). A cell that the network cannot reach is ``nan``.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from importlib import import_module
from typing import Any, Protocol
from urllib.error import URLError
from urllib.parse import urlsplit
from urllib.request import Request, urlopen

import numpy as np

from schedules.planning.travel import Floats, Place


class ProviderDown(RuntimeError):
    """The road network gave no usable answer; the message says why, for people."""


class Provider(Protocol):
    """Something that knows driving times."""

    source: str
    """What tells its answers from those of any other, for the cache."""
    label: str
    """What people call it."""

    def times(self, starts: Sequence[Place], goals: Sequence[Place]) -> tuple[Floats, Floats]:
        """Return seconds and metres from each start to each goal. Raises ``ProviderDown``."""


class ValhallaHttp:
    """The matrix of a Valhalla server."""

    def __init__(self, url: str, timeout_s: float) -> None:
        self.url = url.rstrip("/")
        self.timeout_s = timeout_s
        self.source = f"valhalla auto {self.url}"[:120]
        self.label = f"the road network at {urlsplit(url).hostname}"

    def times(self, starts: Sequence[Place], goals: Sequence[Place]) -> tuple[Floats, Floats]:
        """Return seconds and metres from each start to each goal."""
        request = Request(  # noqa: S310  (the scheme is looked at before it is opened)
            f"{self.url}/sources_to_targets",
            data=json.dumps(_valhalla_question(starts, goals)).encode(),
            headers={"Content-Type": "application/json"},
        )
        return _valhalla_answer(_asked(request, self.timeout_s), len(starts), len(goals))


class ValhallaTiles:
    """Valhalla's Python package with tiles on this machine; ``config`` is its JSON file."""

    def __init__(self, config: str) -> None:
        self.source = f"valhalla auto {config}"[:120]
        self.label = "the road network on this machine"
        try:
            self.actor = import_module("valhalla").Actor(config)
        except Exception as error:
            raise ProviderDown(f"its package or tiles cannot be opened ({error})") from error

    def times(self, starts: Sequence[Place], goals: Sequence[Place]) -> tuple[Floats, Floats]:
        """Return seconds and metres from each start to each goal."""
        try:
            answer = self.actor.matrix(json.dumps(_valhalla_question(starts, goals)))
        except Exception as error:
            raise ProviderDown(f"it refused the question ({error})") from error
        answer = json.loads(answer) if isinstance(answer, str) else answer
        return _valhalla_answer(answer, len(starts), len(goals))


class TableService:
    """A table service such as OSRM's."""

    def __init__(self, url: str, timeout_s: float) -> None:
        self.url = url.rstrip("/")
        self.timeout_s = timeout_s
        self.source = f"table driving {self.url}"[:120]
        self.label = f"the road network at {urlsplit(url).hostname}"

    def times(self, starts: Sequence[Place], goals: Sequence[Place]) -> tuple[Floats, Floats]:
        """Return seconds and metres from each start to each goal."""
        # Longitude first: the order of GeoJSON, RFC 7946 section 3.1.1.
        at = ";".join(f"{longitude:.6f},{latitude:.6f}" for latitude, longitude in (*starts, *goals))
        first = ";".join(str(n) for n in range(len(starts)))
        last = ";".join(str(n + len(starts)) for n in range(len(goals)))
        request = Request(  # noqa: S310  (the scheme is looked at before it is opened)
            f"{self.url}/table/v1/driving/{at}?sources={first}&destinations={last}"
            "&annotations=duration,distance"
        )
        answer = _asked(request, self.timeout_s)
        if answer.get("code") != "Ok":
            raise ProviderDown(f'it answered "{answer.get("code")}"')
        shape = len(starts), len(goals)
        return _matrix(answer.get("durations"), shape), _matrix(
            answer.get("distances") or [[None] * len(goals)] * len(starts), shape
        )


def _asked(request: Request, timeout_s: float) -> dict[str, Any]:
    if urlsplit(request.full_url).scheme not in ("http", "https"):
        raise ProviderDown("its address is not one of the web")
    try:
        with urlopen(request, timeout=timeout_s) as reply:  # noqa: S310  (the scheme is looked at above)
            found = json.load(reply)
    except TimeoutError as error:
        raise ProviderDown(f"no answer within {timeout_s:g} s") from error
    except URLError as error:
        raise ProviderDown(f"no connection ({getattr(error, 'reason', error)})") from error
    except (OSError, ValueError) as error:
        raise ProviderDown(f"an answer that cannot be read ({type(error).__name__})") from error
    if not isinstance(found, dict):
        raise ProviderDown("an answer of another kind")
    return found


def _valhalla_question(starts: Sequence[Place], goals: Sequence[Place]) -> dict[str, Any]:
    def spot(place: Place) -> dict[str, float]:
        return {"lat": place[0], "lon": place[1]}

    return {
        "sources": [spot(place) for place in starts],
        "targets": [spot(place) for place in goals],
        "costing": "auto",
        "units": "kilometers",
    }


def _valhalla_answer(answer: dict[str, Any], starts: int, goals: int) -> tuple[Floats, Floats]:
    """Read rows of cells, or the concise form with a matrix each for times and distances."""
    cells = answer.get("sources_to_targets")
    shape = starts, goals
    if isinstance(cells, dict):
        return _matrix(cells.get("durations"), shape), _matrix(cells.get("distances"), shape) * 1000
    try:
        times = [[cell["time"] for cell in row] for row in cells or ()]
        distances = [[cell["distance"] for cell in row] for row in cells or ()]
    except (TypeError, KeyError) as error:
        raise ProviderDown("an answer of another form") from error
    return _matrix(times, shape), _matrix(distances, shape) * 1000


def _matrix(rows: object, shape: tuple[int, int]) -> Floats:
    try:
        found = np.array(rows, np.float64)
    except (TypeError, ValueError) as error:
        raise ProviderDown("figures that are none") from error
    if found.shape != shape:
        raise ProviderDown(f"{found.shape} figures instead of {shape}")
    return found
