"""A visit with every kind of result and every kind of exception, and large contents without a database."""

from __future__ import annotations

import uuid
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from inventory.measures.kinds import Agent, Construction, Shell, Task
from inventory.measures.stamps import Precision, Stamp
from inventory.register.models import Site, Unit
from schedules.visits.closing import Closing
from schedules.visits.models import Job, Visit, VisitEntry
from schedules.visits.recording import EntryInput, add_entry, tally
from servicedesk.accounts.models import User
from tests.factories import (
    NOW,
    make_location,
    make_model,
    make_owner,
    make_record,
    make_site,
    make_unit,
    make_user,
    make_visit,
)

GAUGE = (
    {"quantity": "gauge_pressure", "value": "195", "unit": "psi"},
    {"quantity": "ambient_temperature", "value": "70", "unit": "°F"},
)
LAST_YEAR = Stamp.of(2025, 12, 1)


@dataclass
class Day:
    """A visit under way, its people and its units by what happens to them."""

    site: Site
    technician: User
    visit: Visit
    units: dict[str, Unit] = field(default_factory=dict)

    def closing(self, **changes: Any) -> Closing:
        counts = tally(self.entries().values())
        return Closing(counts={**counts, **changes}, contact_name="R. Example, porter")

    def entries(self) -> dict[int, VisitEntry]:
        rows = VisitEntry.objects.filter(visit=self.visit).order_by("pk")
        return {row.unit_id: row for row in rows}

    def record(self, name: str, result: str = "serviced", now: datetime = NOW, **fields: Any) -> None:
        if result == "serviced":
            fields.setdefault("tasks", ("maintenance",))
            fields.setdefault("readings", GAUGE)
        if result in ("failed", "no_access"):
            fields.setdefault("remarks", "Seen and written down")
        entry = EntryInput(client_ref=uuid.uuid4(), unit=self.units[name], result=result, **fields)
        add_entry(self.visit, entry, by=self.technician, now=now)


def small_day(count: int = 2, **site_fields: Any) -> Day:
    """A visit to a site of ``count`` ordinary units, all recorded as passed."""
    site = make_site(**site_fields)
    technician = make_user("technician", licence_number="EX-20931")
    units = [make_unit(site, refresh=False) for _ in range(count)]
    for unit in units:
        make_record(unit, Task.MAINTENANCE, LAST_YEAR)
    visit = make_visit(site, units, technician=technician)
    day = Day(site, technician, visit, {f"unit{i}": unit for i, unit in enumerate(units)})
    for name in day.units:
        day.record(name)
    return day


def full_day() -> Day:
    """A visit on which everything happens that a certificate must tell."""
    owner = make_owner(name="Calder Valley Hospitals")
    site = make_site(
        owner,
        name="Nordwall Clinic",
        address_line="12 Quay Street",
        postcode="40021",
    )
    technician = make_user("technician", first_name="Ines", last_name="Okoro", licence_number="EX-20931")
    day = Day(site, technician, visit=None)  # type: ignore[arg-type]

    def unit(name: str, done: Stamp | None = LAST_YEAR, **fields: Any) -> Unit:
        made = make_unit(site, location=make_location(site), refresh=False, **fields)
        if done is not None:
            make_record(made, Task.MAINTENANCE, done, refresh=False)
        day.units[name] = made
        return made

    listed = [
        unit("passed"),
        unit("failed"),
        unit("not_found"),
        unit("no_access", serial=""),
        unit("removed"),
        unit("replaced"),
        unit("half_done", made=Stamp.of(2013, 3)),
    ]
    unit("beyond")
    unit("unseen")
    unit("overdue", done=Stamp.of(2020, 5, 4))
    unit("undated", done=None, made=Stamp(None, None, Precision.UNKNOWN))
    unit("away", state=Unit.State.IN_WORKSHOP)
    unit(
        "uncovered",
        model=make_model(
            agent=Agent.UNKNOWN.value,
            construction=Construction.UNKNOWN.value,
            shell=Shell.UNKNOWN.value,
            charge_text="",
        ),
    )
    day.units["spare"] = make_unit(
        make_site(), number="U-900001", serial="SPARE1", state=Unit.State.IN_STOCK, refresh=False
    )
    day.visit = make_visit(site, listed, technician=technician)
    Job.objects.create(
        visit=day.visit,
        unit=day.units["half_done"],
        location=day.units["half_done"].location,
        task=Task.HYDROSTATIC_TEST,
        table_key="us-osha-1910-157",
        table_version="2026-1",
        rule_id="test.dry_chemical.stored_pressure",
        latest_on=date(2027, 3, 31),
    )
    day.record("passed", remarks="Seal and tag renewed.")
    day.record("failed", "failed", remarks="Dent at the foot ring, gauge at zero")
    day.record("not_found", "not_found")
    day.record("no_access", "no_access", remarks="Room locked")
    day.record("removed", "removed")
    day.record("replaced", "replaced", replacement={"unit_number": "U-900001"})
    day.record("half_done")
    day.record("beyond")
    return day


def large_content(
    count: int, *, exceptions: int = 60, paper: str = "A4", code: str = "7K3MQ2ZD9XWA40TF"
) -> dict[str, Any]:
    """Content of a certificate for ``count`` units, as ``visit_content`` gives it."""
    from schedules.certificates.content import group_code, verify_url

    units, found = [], []
    for i in range(count):
        place = {
            "number": f"{i + 1:04d}",
            "text": f"Building {'ABC'[i % 3]}, Floor {i % 7}, corridor by stair {i % 4}",
        }
        units.append(
            {
                "place": place,
                "number": f"U-{i + 1:06d}",
                "serial": "none readable" if i % 17 == 0 else f"TX{7919 * i % 10**7:07d}",
                "kind": "10 lb Dry chemical ABC, stored pressure",
                "on_list": True,
                "tasks": [{"task": "maintenance", "label": "Maintenance", "method": "", "outcome": "passed"}],
                "readings": [
                    {
                        "quantity": "gauge_pressure",
                        "label": "Gauge pressure",
                        "value": "195",
                        "unit": "psi",
                        "verdict": "inside",
                        "verdict_label": "inside",
                        "reason": "",
                    }
                ],
                "remarks": [],
                "instruments": [],
                "result": "serviced",
                "result_label": "Passed",
                "next_due": {
                    "state": "dated",
                    "text": "3 Nov 2027",
                    "latest_on": "2027-11-03",
                    "month": "2027-11",
                    "knowledge": "known",
                    "task": "maintenance",
                    "label": "Maintenance",
                    "table": "A",
                    "table_key": "us-osha-1910-157",
                    "clause": "(e)(3)",
                },
            }
        )
        if i < exceptions:
            found.append(
                {
                    "kind": "overdue",
                    "label": "Overdue",
                    "number": f"U-{i + 1:06d}",
                    "place": place,
                    "text": "Hydrostatic test overdue since 3 Mar 2025 (table A, Table L-1).",
                }
            )
    return {
        "schema": 1,
        "kind": "service_certificate",
        "language": "en",
        "paper": paper,
        "number": "C-2026-000123",
        "issued_on": "2026-11-25",
        "issued_at": "2026-11-25T14:03:22Z",
        "issued_by": "Ines Okoro",
        "replaces": None,
        "firm": {
            "name": "Tarn & Alder Extinguisher Service",
            "address": "Unit 4, Millrace Yard",
            "phone": "+00 555 0142",
            "email": "desk@tarn-alder.example",
            "licence": "TA-0001",
        },
        "owner": {"name": "Calder Valley Hospitals"},
        "site": {
            "name": "Nordwall Clinic, भवन मुंबई",
            "code": "CVH-004",
            "address": "12 Quay Street, 40021 Port Calder, US",
            "time_zone": "America/Chicago",
        },
        "technicians": [{"name": "Ines Okoro", "licence": "EX-20931"}],
        "visit": {
            "number": "V-000412",
            "done_on": "2026-11-25",
            "closed_at": "2026-11-25T14:03:22Z",
            "closed_by": "Ines Okoro",
            "reported_to": "",
            "no_signature_reason": "Nobody was on the premises.",
        },
        "tables": [
            {
                "ref": "A",
                "key": "us-osha-1910-157",
                "version": "2026-1",
                "title": "US workplaces",
                "document": "29 CFR 1910.157",
                "edition": "as amended",
                "jurisdiction": "US",
                "digest": "0" * 64,
                "is_confirmed": False,
                "state": "Unconfirmed: shipped defaults that nobody has yet checked against local code.",
            }
        ],
        "is_confirmed": False,
        "warning": "Interval table A is unconfirmed.",
        "counts": {
            "on_list": count,
            "beyond_list": 0,
            "recorded": count,
            "serviced": count,
            "failed": 0,
            "replaced": 0,
            "removed": 0,
            "not_found": 0,
            "no_access": 0,
            "on_site": count,
            "on_site_not_on_list": 0,
        },
        "units": units,
        "exceptions": found,
        "statement": ["What was done."],
        "not_covered": ["What is not told."],
        "standing_line": "Interval tables are defaults to confirm against local code.",
        "verify": {"code": group_code(code), "url": verify_url(code)},
    }
