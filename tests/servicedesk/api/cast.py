"""The cast of the API's tests: two owners, a site each with work due, and all who may ask about them."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from rest_framework.test import APIClient

from inventory.logbook.models import ServiceRecord
from inventory.register.models import Owner, Site, Unit
from schedules.certificates.models import Certificate
from schedules.certificates.services import close_with_certificate
from schedules.visits.closing import Closing
from schedules.visits.models import Visit
from schedules.visits.recording import EntryInput, add_entry
from servicedesk.accounts.models import User
from tests.factories import (
    NOW,
    make_location,
    make_owner,
    make_record,
    make_site,
    make_unit,
    make_user,
    make_visit,
)

GAUGE = {"quantity": "gauge_pressure", "value": "195", "unit": "psi"}
COUNTS = {"serviced": 0, "failed": 0, "replaced": 0, "removed": 0, "not_found": 0, "no_access": 0}


def client_of(user: User | None, **headers: Any) -> APIClient:
    """A client signed in as ``user``; a stranger without one."""
    client = APIClient(**headers)
    if user is not None:
        client.force_authenticate(user)
    return client


def entry(unit: Unit, result: str = "serviced", **fields: Any) -> dict[str, Any]:
    """What a phone sends about ``unit``."""
    body: dict[str, Any] = {"client_ref": str(uuid.uuid4()), "unit": str(unit.public_id), "result": result}
    if result == "serviced":
        body |= {"tasks": ["maintenance"], "readings": [GAUGE]}
    if result in ("failed", "no_access"):
        body["remarks"] = "Seen as it is."
    return body | fields


def service(visit: Visit, unit: Unit, *, by: User, now: datetime = NOW) -> None:
    """Record ``unit`` as serviced on ``visit``."""
    given = EntryInput(uuid.uuid4(), unit, "serviced", ("maintenance",), (GAUGE,))
    add_entry(visit, given, by=by, now=now)


@dataclass
class Premises:
    """An owner with one site and what happens there.

    Two units are on the open visit and on the proposed one; the first was serviced on the closed
    visit. The third is overdue and on no visit.
    """

    owner: Owner
    site: Site
    units: list[Unit]
    technician: User
    member: User
    proposed: Visit
    visit: Visit
    closed: Visit
    certificate: Certificate
    record: ServiceRecord


def make_premises(name: str) -> Premises:
    """Premises whose every name holds ``name``, so that a leak shows in the text of an answer."""
    owner = make_owner(name=f"{name} Mills")
    site = make_site(owner, name=f"{name} Yard", access_notes=f"{name} gate code")
    location = make_location(site, building=f"{name} hall")
    units = [make_unit(site, location=location), make_unit(site), make_unit(site)]
    technician = make_user("technician", first_name=f"{name}tech")
    member = make_user("owner", owner=owner, first_name=f"{name}member")
    closed = make_visit(site, units[:1], technician=technician)
    service(closed, units[0], by=technician)
    closing = Closing(counts={"serviced": 1}, contact_name=f"{name} contact")
    closed, certificate = close_with_certificate(closed, closing, by=technician, now=NOW)
    record = make_record(units[1], performed_by_name=f"{name} earlier")
    visit = make_visit(site, units[:2], technician=technician)
    proposed = make_visit(site, units[:1], technician=technician, state=Visit.State.PROPOSED)
    return Premises(owner, site, units, technician, member, proposed, visit, closed, certificate, record)
