"""Server time of pages, with the plans of their slowest queries."""

from __future__ import annotations

import time
from collections.abc import Mapping
from statistics import median

from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from schedules.management.benches import Report

REPEATS = 5
PATIENCE_S = 3.0


def measure_pages(report: Report, client: Client, addresses: Mapping[str, str], *, target: float) -> None:
    """Report the median server time of each address, asked again until patience ends.

    ``target`` is in milliseconds. Raises ``RuntimeError`` for an answer that is no page.
    """
    for figure, address in addresses.items():
        client.get(address)
        times: list[float] = []
        while len(times) < REPEATS and sum(times) < PATIENCE_S:
            started = time.perf_counter()
            answer = client.get(address)
            times.append(time.perf_counter() - started)
        if answer.status_code != 200:
            raise RuntimeError(f"{address} answered {answer.status_code}")
        with CaptureQueriesContext(connection) as captured:
            client.get(address)
        slow = sorted(captured.captured_queries, key=lambda query: -float(query["time"]))[:2]
        report.figure(
            figure, median(times) * 1000, "ms of server time", target=target, queries=len(captured),
            slowest=[
                {"ms": round(float(q["time"]) * 1000, 1), "sql": q["sql"][:1500], "plan": _plan(q["sql"])}
                for q in slow
            ],
        )  # fmt: skip


def _plan(sql: str) -> list[str]:
    if not sql.lstrip().upper().startswith(("SELECT", "WITH")):
        return []
    explain = "EXPLAIN" if connection.vendor == "postgresql" else "EXPLAIN QUERY PLAN"
    with connection.cursor() as cursor:
        cursor.execute(f"{explain} {sql}".replace("%", "%%"), [])
        return [str(row[-1]) for row in cursor.fetchall()]
