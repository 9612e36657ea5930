"""An owner with a site, as the tests of the owner's pages look at it."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import Any

from django.test import Client
from django.urls import reverse

from inventory.measures.stamps import Stamp
from inventory.register.models import Owner, Site, Unit
from schedules.certificates.models import Certificate
from schedules.certificates.services import close_with_certificate
from schedules.visits.closing import Closing
from schedules.visits.recording import EntryInput, add_entry, last_entries, tally
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


@dataclass
class Premises:
    """One owner's site with a unit, and a client signed in as the owner's person."""

    owner: Owner
    site: Site
    unit: Unit
    client: Client

    def serve(self, *units: Unit, result: str = "serviced", remarks: str = "") -> Certificate:
        """Close a visit to these units with one result, and return its certificate."""
        technician = make_user("technician", first_name="Ines", last_name="Rowntree")
        visit = make_visit(self.site, list(units), technician=technician)
        for unit in units:
            work: dict[str, Any] = (
                {"tasks": ("maintenance",), "readings": (GAUGE,)} if result == "serviced" else {}
            )
            given = EntryInput(uuid.uuid4(), unit, result, remarks=remarks, **work)
            add_entry(visit, given, by=technician, now=NOW)
        closing = Closing(counts=tally(last_entries(visit).values()), contact_name="R. Okafor")
        return close_with_certificate(visit, closing, by=technician, now=NOW)[1]

    def get(self, name: str, *args: Any, **query: Any) -> Any:
        """A page of the portal."""
        return self.client.get(reverse(f"portal:{name}", args=args), query)


def make_premises(name: str, *, site: str) -> Premises:
    """An owner with one site and one unit that was maintained in December 2025."""
    owner = make_owner(name=name)
    place = make_site(owner, name=site)
    unit = make_unit(
        location=make_location(place, number="001", walking_order=1), made=Stamp.of(2025, 3), refresh=False
    )
    make_record(unit, done=Stamp.of(2025, 12, 1))
    client = Client()
    client.force_login(make_user("owner", owner=owner))
    return Premises(owner, place, unit, client)


def text_of(response: Any) -> str:
    """The page as text."""
    return str(response.content.decode())
