"""Benchmarks: each module here is one, run by ``manage.py bench NAME``.

A module has ``HELP``, ``add_arguments(parser)`` and ``run(report, options)``. It reports figures
through ``Report``, one JSON object a line, so that runs can be compared by machine.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

Better = Literal["at most", "at least"]


@dataclass(slots=True)
class Report:
    """Writes figures of one run, all with the same seed, size and database."""

    bench: str
    seed: int
    size: int
    database: str
    write: Callable[[str], None]

    def figure(
        self,
        figure: str,
        value: float,
        unit: str,
        *,
        rival: str = "",
        ratio: float | None = None,
        target: float | None = None,
        better: Better = "at most",
        **more: Any,
    ) -> None:
        """Write one figure. ``target`` judges ``ratio`` if there is one, else ``value``."""
        judged = value if ratio is None else ratio
        met = None
        if target is not None:
            met = judged <= target if better == "at most" else judged >= target
        line = {
            "bench": self.bench,
            "figure": figure,
            "value": round(value, 4),
            "unit": unit,
            "rival": rival or None,
            "ratio": None if ratio is None else round(ratio, 4),
            "target": None if target is None else f"{better} {target:g}",
            "met": met,
            "seed": self.seed,
            "size": self.size,
            "database": self.database,
            **more,
        }
        self.write(json.dumps(line, ensure_ascii=False))
