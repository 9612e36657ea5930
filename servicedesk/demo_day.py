"""One past day of the demo, worked by technicians over the REST API and nothing else.

Every call goes over HTTP to the running server, as another client's would. The figures a
technician would read are made up from the nameplate that the API hands out.
"""

from __future__ import annotations

import json
import urllib.error
import urllib.request
import uuid
from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from inventory.measures.kinds import Task
from inventory.measures.units import Measure, UnitOfMeasure

# Work that is done in the workshop: the unit goes along and a receipt says so.
WORKSHOP_TASKS = frozenset(
    {
        Task.HYDROSTATIC_TEST,
        Task.REQUALIFICATION,
        Task.RECHARGE,
        Task.INTERNAL_EXAMINATION,
        Task.EXTENDED_SERVICE,
        Task.DISCHARGE_TEST,
        Task.HOSE_TEST,
    }
)
_DAY_NAMESPACE = uuid.UUID("b0c2a3f6-8f0f-5c3e-9d43-6f2f0a8f7a10")


class CallRefused(RuntimeError):
    """The server answered with a problem."""


@dataclass
class Client:
    """A client of the REST API: JSON in and out, a token, an idempotency key per unsafe call."""

    base_url: str
    token: str = ""

    def sign_in(self, username: str, password: str) -> None:
        """Get a token and use it from now on."""
        answer = self.post("/api/v1/token/", {"username": username, "password": password})
        self.token = answer["token"]

    def get(self, path: str) -> Any:
        return json.loads(self.call("GET", path))

    def post(self, path: str, body: Any, *, key: str = "") -> Any:
        return json.loads(self.call("POST", path, body, key=key))

    def call(self, method: str, path: str, body: Any = None, *, key: str = "") -> bytes:
        """Send one request; raise ``CallRefused`` with the problem's own words on a 4xx or 5xx."""
        headers = {"Accept": "application/json"}
        if self.token:
            headers["Authorization"] = f"Bearer {self.token}"
        if key:
            headers["Idempotency-Key"] = key
        data = None
        if body is not None:
            data = json.dumps(body).encode()
            headers["Content-Type"] = "application/json"
        url = path if path.startswith("http") else f"{self.base_url}{path}"
        request = urllib.request.Request(url, data=data, headers=headers, method=method)  # noqa: S310
        try:
            with urllib.request.urlopen(request, timeout=120) as answer:  # noqa: S310
                return bytes(answer.read())
        except urllib.error.HTTPError as error:
            raise CallRefused(f"{method} {path}: {error.code} {error.read().decode()[:600]}") from error


@dataclass
class DayDone:
    """What was closed on the past day."""

    visits: list[str] = field(default_factory=list)
    certificates: list[dict[str, Any]] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    was_replayed_alike: bool = True


def work_visits(client: Client, visit_ids: Iterable[str], *, done: DayDone) -> None:
    """Record and close these visits over the API; add what came of it to ``done``."""
    for number, visit_id in enumerate(visit_ids):
        visit = client.get(f"/api/v1/visits/{visit_id}/")
        entries = [
            _entry(visit, unit, position, is_first_visit=number == 0)
            for position, unit in enumerate(visit["units"])
        ]
        answer = client.post(f"/api/v1/visits/{visit_id}/entries/", entries)
        refused = [item for item in answer["results"] if item["status"] >= 400]
        for item in refused:
            # A reading outside its limit cannot be passed: the technician records what is true.
            entry = entries[item["index"]]
            again = {
                "client_ref": str(uuid.uuid5(_DAY_NAMESPACE, entry["client_ref"])),
                "unit": entry["unit"],
                "result": "failed",
                "remarks": "Reading outside its limit; taken out of use and reported to the contact.",
            }
            client.post(f"/api/v1/visits/{visit_id}/entries/", again)
            entry["result"] = "failed"
        counts = dict.fromkeys(("serviced", "failed", "replaced", "removed", "not_found", "no_access"), 0)
        for entry in entries:
            counts[entry["result"]] += 1
        closing = {
            "counts": counts,
            "done_on": visit["planned_on"],
            "contact_name": "Robin Example",
        }
        key = str(uuid.uuid5(_DAY_NAMESPACE, f"close {visit_id}"))
        closed = client.post(f"/api/v1/visits/{visit_id}/close/", closing, key=key)
        repeated = client.post(f"/api/v1/visits/{visit_id}/close/", closing, key=key)
        done.was_replayed_alike = done.was_replayed_alike and closed == repeated
        done.visits.append(visit["number"])
        done.certificates.append(closed["certificate"])
        for result, count in counts.items():
            done.counts[result] = done.counts.get(result, 0) + count


def _entry(
    visit: dict[str, Any], unit: dict[str, Any], position: int, *, is_first_visit: bool
) -> dict[str, Any]:
    tasks = [job["task"] for job in unit["jobs"]]
    entry: dict[str, Any] = {
        "client_ref": str(uuid.uuid5(_DAY_NAMESPACE, f"{visit['id']} {unit['id']}")),
        "unit": unit["id"],
    }
    if is_first_visit and position == 1:
        return {**entry, "result": "not_found", "remarks": "Empty bracket; the contact will ask around."}
    if is_first_visit and position == 2:
        return {**entry, "result": "no_access", "remarks": "Room locked, key holder away until Monday."}
    if is_first_visit and position == 3:
        return {**entry, "result": "failed", "remarks": "Seal broken and needle in the recharge zone."}
    if Task.RETIREMENT in tasks:
        year_month = visit["planned_on"][:7]
        return {
            **entry,
            "result": "replaced",
            "replacement": {"model": unit["model"]["id"], "serial": f"N{position:04d}", "made": year_month},
            "remarks": "At the end of its life; replaced by a new unit of the same kind.",
        }
    if WORKSHOP_TASKS & set(tasks):
        return {
            **entry,
            "result": "removed",
            "remarks": "Taken to the workshop for the work that is due.",
        }
    return {**entry, "result": "serviced", "tasks": tasks, "readings": _readings(visit, unit)}


def _readings(visit: dict[str, Any], unit: dict[str, Any]) -> list[dict[str, str]]:
    """One figure for each demanded value, in the units the country uses."""
    metric = not visit["site"]["address"].endswith("US")
    model = unit["model"]
    wanted = {demand["any_of"][0]: None for job in unit["jobs"] for demand in job["demands"]}
    found = []
    for quantity in wanted:
        if quantity in ("gauge_pressure", "propellant_pressure", "test_pressure"):
            kpa = {
                "gauge_pressure": model.get("working_pressure_kpa") or 1344,
                "propellant_pressure": 12_000,
                "test_pressure": model.get("test_pressure_kpa")
                or 2 * (model.get("working_pressure_kpa") or 1344),
            }[quantity]
            to = UnitOfMeasure.BAR if metric else UnitOfMeasure.PSI
            value = Measure(Decimal(kpa), UnitOfMeasure.KILOPASCAL).rounded(to, 1 if metric else 0)
            found.append({"quantity": quantity, "value": str(value), "unit": to.value})
        elif quantity == "charge_volume":
            found.append(
                {"quantity": quantity, "value": str(model.get("charge_volume_ml") or 6000), "unit": "mL"}
            )
        else:
            grams = {
                "gross_mass": model.get("full_mass_g") or 2 * (model.get("charge_mass_g") or 4000),
                "charge_mass": model.get("charge_mass_g") or 4000,
                "cartridge_mass": 620,
            }[quantity]
            to = UnitOfMeasure.KILOGRAM if metric else UnitOfMeasure.POUND
            value = Measure(Decimal(grams), UnitOfMeasure.GRAM).rounded(to, 2)
            found.append({"quantity": quantity, "value": str(value), "unit": to.value})
    if "gauge_pressure" in wanted:
        warmth, degree = ("20", "°C") if metric else ("68", "°F")
        found.append({"quantity": "ambient_temperature", "value": warmth, "unit": degree})
    return found
