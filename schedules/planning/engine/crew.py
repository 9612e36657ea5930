"""Searches on other cores: processes of their own that send what they find and take what is better.

A helper is a fresh interpreter that reads its problem from its standard input, so it works the same from a
web worker, a background job (which may not have children of its own kind) and a command. If one dies the
others go on.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from typing import IO, Any

from schedules.planning.engine.form import Form
from schedules.planning.engine.search import Search, Settings
from schedules.planning.engine.split import search_part
from schedules.planning.model import Problem

TALK_EVERY_S = 0.5
Routes = Mapping[str, Sequence[str]]


@dataclass(frozen=True, slots=True)
class Errand:
    """What a helper is sent out with."""

    problem: Problem
    start: Routes | None
    seed: int
    settings: Settings


@dataclass(frozen=True, slots=True)
class PartErrand:
    """A part of a large problem to be planned again, from its routes."""

    part: Problem
    routes: dict[str, tuple[str, ...]]
    seed: int
    idle: int


@dataclass(frozen=True, slots=True)
class PartNews:
    """Better routes for a part, if there are any, and the steps taken."""

    routes: dict[str, tuple[str, ...]] | None
    steps: int


@dataclass(frozen=True, slots=True)
class News:
    """What a helper found since it last spoke: its best plan and routes for the pool."""

    cost: int
    routes: tuple[tuple[int, tuple[int, ...]], ...]
    pool: tuple[tuple[int, tuple[int, ...], int], ...]
    """Kind, clients and the price of the plan they come from."""


class Helper:
    """One search, or one part after the other, on another core."""

    def __init__(self, errand: Errand | PartErrand) -> None:
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
        self._process = subprocess.Popen(
            [sys.executable, "-m", "schedules.planning.engine"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=environment,
        )
        self._news: SimpleQueue[Any] = SimpleQueue()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        self._writer = threading.Thread(target=self._send, args=(errand,), daemon=True)
        self._writer.start()

    def _read(self) -> None:
        stream = self._process.stdout
        assert stream is not None
        while True:
            try:
                self._news.put(pickle.load(stream))  # noqa: S301 - from our own child
            except (EOFError, OSError, pickle.UnpicklingError, ValueError):
                return

    def _send(self, what: object) -> None:
        stream = self._process.stdin
        assert stream is not None
        try:
            pickle.dump(what, stream)
            stream.flush()
        except (OSError, ValueError):
            return

    def news(self) -> list[Any]:
        """All that came in since the last call."""
        found = []
        while True:
            try:
                found.append(self._news.get_nowait())
            except Empty:
                return found

    def tell(self, routes: Sequence[tuple[int, tuple[int, ...]]]) -> None:
        """Pass on a better plan."""
        if not self._writer.is_alive():
            self._send(tuple(routes))

    def send(self, errand: PartErrand) -> None:
        """Hand over the next part."""
        self._writer.join()
        self._send(errand)

    @property
    def alive(self) -> bool:
        """Whether the process still runs."""
        return self._process.poll() is None

    def close(self) -> None:
        """End the process."""
        self._process.kill()
        self._process.wait()
        self._reader.join()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                try:
                    stream.close()
                except OSError:
                    continue


def solution_rows(search: Search) -> tuple[tuple[int, tuple[int, ...]], ...]:
    """The best plan of ``search`` as kind and clients of every route."""
    if search.best is None:
        return ()
    return tuple(
        (route.vehicle_type(), tuple(it.idx for it in route if it.is_client()))
        for route in search.best.routes()
    )


def serve(source: IO[bytes], sink: IO[bytes]) -> None:
    """The life of a helper: search until the other side hangs up."""
    errand: Errand | PartErrand = pickle.load(source)  # noqa: S301 - from our own parent
    if isinstance(errand, PartErrand):
        _serve_parts(errand, source, sink)
        return
    form = Form(errand.problem)
    start = form.solution(errand.start) if errand.start else None
    search = Search(form, errand.seed, errand.settings, start)
    inbox: SimpleQueue[Any] = SimpleQueue()

    def listen() -> None:
        while True:
            try:
                inbox.put(pickle.load(source))  # noqa: S301
            except (EOFError, OSError, pickle.UnpicklingError):
                os._exit(0)

    threading.Thread(target=listen, daemon=True).start()
    told, sent = 2**62, {}  # type: ignore[var-annotated]
    speak = time.perf_counter()
    while True:
        search.run(16)
        while not inbox.empty():
            search.hear(inbox.get())
        if time.perf_counter() < speak:
            continue
        speak = time.perf_counter() + TALK_EVERY_S
        fresh = []
        for key, kept in search.pool.kept.items() if search.pool else ():
            if sent.get(key) != kept.cost:
                sent[key] = kept.cost
                fresh.append((kept.kind, kept.clients, kept.plan_cost))
        rows = solution_rows(search) if search.best_cost < told else ()
        told = min(told, search.best_cost)
        if rows or fresh:
            try:
                pickle.dump(News(search.best_cost, rows, tuple(fresh)), sink)
                sink.flush()
            except OSError:
                return


def _serve_parts(first: PartErrand, source: IO[bytes], sink: IO[bytes]) -> None:
    errand = first
    while True:
        routes, steps = search_part(errand.part, errand.routes, errand.seed, lambda: False, errand.idle)
        try:
            pickle.dump(PartNews(routes, steps), sink)
            sink.flush()
            errand = pickle.load(source)  # noqa: S301 - from our own parent
        except (EOFError, OSError, pickle.UnpicklingError):
            return
