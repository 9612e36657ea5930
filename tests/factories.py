"""Dull objects for tests: everything valid, nothing interesting unless asked for."""

from __future__ import annotations

import itertools
import uuid
from datetime import UTC, date, datetime
from typing import Any

from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import NewRecord, add_records
from inventory.measures.kinds import Agent, Construction, Shell, Task
from inventory.measures.stamps import Stamp
from inventory.register.models import Location, Owner, Placement, Site, Unit, UnitModel
from schedules.due.services import refresh_units
from schedules.rulebook.services import adopt_table
from schedules.visits.models import Job, Visit
from servicedesk.accounts.models import OwnerMembership, User

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
TODAY = date(2026, 11, 25)
PASSWORD = "correct horse battery"

_count = itertools.count(1)


def make_user(role: str = "dispatcher", *, owner: Owner | None = None, **fields: Any) -> User:
    """A person who can sign in with ``PASSWORD``; ``owner`` makes a member of that owner."""
    n = next(_count)
    fields.setdefault("username", f"{role}{n}")
    fields.setdefault("first_name", role.capitalize())
    fields.setdefault("last_name", f"Person {n}")
    user = User.objects.create_user(password=PASSWORD, role=role, **fields)
    if owner is not None:
        OwnerMembership.objects.create(user=user, owner=owner)
    return user


def make_owner(**fields: Any) -> Owner:
    n = next(_count)
    fields.setdefault("name", f"Owner {n}")
    fields.setdefault("contact_email", f"owner{n}@example.com")
    return Owner.objects.create(**fields)


def make_site(
    owner: Owner | None = None, *, tables: tuple[str, ...] = ("us-osha-1910-157",), **fields: Any
) -> Site:
    """A site that uses ``tables``."""
    n = next(_count)
    fields.setdefault("code", f"S{n:04d}")
    fields.setdefault("name", f"Site {n}")
    fields.setdefault("time_zone", "America/Chicago")
    fields.setdefault("city", "Port Calder")
    fields.setdefault("country", "US")
    site = Site.objects.create(owner=owner or make_owner(), **fields)
    for key in tables:
        adopt_table(key, site=site, at=NOW)
    return site


def make_location(site: Site, **fields: Any) -> Location:
    n = next(_count)
    fields.setdefault("number", f"{n:03d}")
    fields.setdefault("walking_order", n)
    fields.setdefault("building", "Main")
    fields.setdefault("floor", "Ground")
    return Location.objects.create(site=site, **fields)


def make_model(**fields: Any) -> UnitModel:
    """A 10 lb stored-pressure ABC unit in mild steel unless told otherwise."""
    n = next(_count)
    fields.setdefault("maker", "Calder Works")
    fields.setdefault("name", f"Model {n}")
    fields.setdefault("agent", Agent.DRY_CHEMICAL_ABC.value)
    fields.setdefault("construction", Construction.STORED_PRESSURE.value)
    fields.setdefault("shell", Shell.MILD_STEEL.value)
    fields.setdefault("charge_mass_g", 4536)
    fields.setdefault("charge_text", "10 lb")
    fields.setdefault("working_pressure_kpa", 1344)
    fields.setdefault("is_refillable", True)
    fields.setdefault("build_key", uuid.uuid4().hex)
    return UnitModel.objects.create(**fields)


def make_unit(
    site: Site | None = None,
    *,
    model: UnitModel | None = None,
    location: Location | None = None,
    made: Stamp | None = None,
    refresh: bool = True,
    **fields: Any,
) -> Unit:
    """A unit hanging at ``site``, with its obligations computed unless ``refresh`` is off."""
    n = next(_count)
    site = site or (location.site if location else make_site())
    location = location or make_location(site)
    fields.setdefault("number", f"U-{n:06d}")
    fields.setdefault("serial", f"SN{n}")
    unit = Unit(model=model or make_model(), site=site, location=location, **fields)
    unit.made = made or Stamp.of(2022, 3)
    unit.save()
    Placement.objects.create(unit=unit, location=location, from_on=date(2022, 6, 1))
    if refresh:
        refresh_units([unit.pk], now=NOW)
    return unit


def make_record(
    unit: Unit,
    task: str = Task.MAINTENANCE,
    done: Stamp | None = None,
    *,
    outcome: str = ServiceRecord.Outcome.PASSED,
    refresh: bool = True,
    **fields: Any,
) -> ServiceRecord:
    """A record on ``unit``; its obligations are recomputed unless ``refresh`` is off."""
    fields.setdefault("received_at", NOW)
    record = add_records(
        [
            NewRecord(
                unit_id=unit.pk,
                task=str(task),
                outcome=str(outcome),
                done=done or Stamp.of(2025, 12, 1),
                site_id=unit.site_id,
                location_id=unit.location_id,
                **fields,
            )
        ]
    )[0]
    if refresh:
        refresh_units([unit.pk], now=NOW)
    return record


def make_visit(
    site: Site,
    units: list[Unit] | None = None,
    *,
    technician: User | None = None,
    state: str = Visit.State.CONFIRMED,
    planned_on: date = TODAY,
    tasks: tuple[str, ...] = (Task.MAINTENANCE,),
    **fields: Any,
) -> Visit:
    """A visit to ``site`` with ``tasks`` on ``units``; confirmed for a technician unless told otherwise."""
    n = next(_count)
    if technician is None and state != Visit.State.PROPOSED:
        technician = make_user("technician")
    fields.setdefault("number", f"V-{n:06d}")
    visit = Visit.objects.create(
        site=site, technician=technician, state=state, planned_on=planned_on, **fields
    )
    for unit in units or []:
        for task in tasks:
            Job.objects.create(
                visit=visit,
                unit=unit,
                location=unit.location,
                task=task,
                table_key="us-osha-1910-157",
                table_version="2026-1",
                rule_id="maintenance",
                latest_on=date(2026, 12, 1),
            )
    return visit
