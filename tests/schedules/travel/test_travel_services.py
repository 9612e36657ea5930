"""Road networks over HTTP: asked once, repaired, and estimated when they are down."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pytest
from django.core.cache import cache

from schedules.planning.travel import estimate
from schedules.travel import services
from schedules.travel.models import TravelLeg

pytestmark = pytest.mark.django_db

PLACES = [(60.17, 24.94), (60.20, 24.90), (60.25, 25.00)]


class Network:
    """A road network on this machine: each way takes as many seconds as the sum of both latitudes' cents."""

    def __init__(self) -> None:
        self.asked: list[tuple[int, int]] = []
        self.broken: Callable[[], bytes] | None = None
        self.unknown: set[tuple[int, int]] = set()
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def log_message(self, *args: Any) -> None:
                pass

            def answer(self, content: bytes, status: int = 200) -> None:
                self.send_response(status)
                self.send_header("Content-Length", str(len(content)))
                self.end_headers()
                self.wfile.write(content)

            def do_POST(self) -> None:
                body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                assert self.path == "/sources_to_targets"
                starts = [(at["lat"], at["lon"]) for at in body["sources"]]
                goals = [(at["lat"], at["lon"]) for at in body["targets"]]
                rows = outer.rows(starts, goals)
                cells = [
                    [{"time": t, "distance": None if t is None else t / 100} for t in row] for row in rows
                ]
                self.answer(
                    outer.broken() if outer.broken else json.dumps({"sources_to_targets": cells}).encode()
                )

            def do_GET(self) -> None:
                parts = urlsplit(self.path)
                at = [
                    tuple(map(float, spot.split(",")))[::-1] for spot in parts.path.split("/")[-1].split(";")
                ]
                asked = parse_qs(parts.query)
                starts = [at[int(n)] for n in asked["sources"][0].split(";")]
                goals = [at[int(n)] for n in asked["destinations"][0].split(";")]
                rows = outer.rows(starts, goals)
                distances = [[None if t is None else t * 10 for t in row] for row in rows]
                self.answer(json.dumps({"code": "Ok", "durations": rows, "distances": distances}).encode())

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        threading.Thread(target=self.server.serve_forever, daemon=True).start()
        self.url = f"http://127.0.0.1:{self.server.server_port}"

    def rows(self, starts: list[Any], goals: list[Any]) -> list[list[float | None]]:
        self.asked.append((len(starts), len(goals)))
        return [
            [
                None
                if (n, m) in self.unknown
                else 0
                if start == goal
                else round(100 * (start[0] - 60) + 1000 * (goal[0] - 60))
                for m, goal in enumerate(goals)
            ]
            for n, start in enumerate(starts)
        ]

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()


@pytest.fixture
def network(settings: Any) -> Iterator[Network]:
    cache.clear()
    found = Network()
    settings.TRAVEL_URL = found.url
    settings.TRAVEL_TIMEOUT_S = 5
    yield found
    found.close()
    cache.clear()


@pytest.mark.parametrize("provider", ["valhalla", "table"])
def test_the_network_is_asked_once_and_its_answer_kept(network: Network, settings: Any, provider: str):
    settings.TRAVEL_PROVIDER = provider
    seconds, metres, said = services.matrix(PLACES)
    assert seconds.tolist() == [[0, 217, 267], [190, 0, 270], [195, 225, 0]]
    assert (metres == seconds * 10).all()
    assert said == "From the road network at 127.0.0.1."
    assert TravelLeg.objects.count() == 6
    again = services.matrix([PLACES[2], PLACES[0]])
    assert again[0].tolist() == [[0, 195], [267, 0]]
    assert network.asked == [(3, 3)]


def test_only_what_is_new_is_asked_in_blocks(
    network: Network, settings: Any, monkeypatch: pytest.MonkeyPatch
):
    settings.TRAVEL_PROVIDER = "valhalla"
    monkeypatch.setattr(services, "BLOCK", 2)
    services.matrix(PLACES[:2])
    services.matrix(PLACES)
    assert network.asked == [(2, 2), (2, 1), (1, 2)]


def test_ways_that_the_network_does_not_know_are_estimated_and_told(network: Network, settings: Any):
    settings.TRAVEL_PROVIDER = "table"
    network.unknown = {(0, 1)}
    seconds, _, said = services.matrix(PLACES)
    assert seconds[0, 1] == estimate(PLACES)[0][0, 1]
    assert seconds[1, 0] == 190
    assert said.endswith("1 of 6 times are not known to it and are estimated.")
    assert TravelLeg.objects.count() == 5


def test_a_network_that_is_down_is_told_and_left_alone_for_a_while(network: Network, settings: Any):
    settings.TRAVEL_PROVIDER = "valhalla"
    network.close()
    seconds, metres, said = services.matrix(PLACES)
    assert (seconds == estimate(PLACES)[0]).all()
    assert (metres == estimate(PLACES)[1]).all()
    assert said.startswith(
        "Estimated from straight-line distances, because the road network at 127.0.0.1 gave no"
    )
    settings.TRAVEL_TIMEOUT_S = 0.000001
    assert "no connection" in services.matrix(PLACES)[2]


@pytest.mark.parametrize(
    "content", [b"<html>", b"[]", b'{"sources_to_targets": [[{"time": 1}]]}', b'{"sources_to_targets": [[]]}']
)
def test_an_answer_that_is_none_is_not_believed(network: Network, settings: Any, content: bytes):
    settings.TRAVEL_PROVIDER = "valhalla"
    network.broken = lambda: content
    seconds, _, said = services.matrix(PLACES)
    assert (seconds == estimate(PLACES)[0]).all()
    assert said.startswith("Estimated")
    assert not TravelLeg.objects.exists()


def test_without_a_network_times_are_estimated_and_nothing_is_stored():
    seconds, _, said = services.matrix(PLACES)
    assert (seconds == estimate(PLACES)[0]).all()
    assert said == services.ESTIMATED
    assert not TravelLeg.objects.exists()
    assert services.matrix([])[0].shape == (0, 0)


def test_tiles_that_cannot_be_opened_are_told(settings: Any):
    settings.TRAVEL_PROVIDER = "valhalla-tiles"
    assert "package or tiles cannot be opened" in services.matrix(PLACES)[2]


def test_legs_can_be_forgotten(network: Network, settings: Any):
    settings.TRAVEL_PROVIDER = "valhalla"
    services.matrix(PLACES)
    assert services.forget_legs() == 6
    services.matrix(PLACES)
    assert len(network.asked) == 2
    assert np.array(network.asked).shape == (2, 2)
