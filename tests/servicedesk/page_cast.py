"""The standing cast of page tests: two owners with a site each, and a person of every role."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from django.test import Client
from django.urls import reverse

from inventory.measures.stamps import Stamp
from inventory.register.models import Owner, Site, Unit
from servicedesk.accounts.models import User
from tests.factories import (
    make_location,
    make_owner,
    make_record,
    make_site,
    make_unit,
    make_user,
    make_visit,
)

ROLES = ("manager", "dispatcher", "technician", "workshop", "owner", "other_owner")


@dataclass
class Cast:
    """Who and what the tests look at. The technician has a confirmed visit to ``site`` today."""

    owner: Owner
    site: Site
    unit: Unit
    other_owner: Owner
    other_site: Site
    other_unit: Unit
    people: dict[str, User] = field(default_factory=dict)

    def client(self, role: str) -> Client:
        """A browser in which the person of this role has signed in."""
        client = Client()
        client.force_login(self.people[role])
        return client

    def get(self, role: str, name: str, *args: Any, **query: Any) -> Any:
        """A page by its name in the addresses, as this role."""
        return self.client(role).get(reverse(name, args=args), query)

    def post(self, role: str, name: str, *args: Any, **data: Any) -> Any:
        """A form sent to a page, as this role."""
        return self.client(role).post(reverse(name, args=args), data)


def make_cast() -> Cast:
    """One serviced unit at each of two sites of two owners, and everybody who may look."""
    owner, other = make_owner(name="Harrow Mills"), make_owner(name="Pike Foundry")
    site = make_site(owner, name="Mill Lane works", code="ML-01")
    other_site = make_site(other, name="Quay Street foundry", code="QS-01")
    unit = make_serviced_unit(site, number="U-100001", serial="SN-MILL")
    other_unit = make_serviced_unit(other_site, number="U-200001", serial="SN-QUAY")
    people = {role: make_user(role) for role in ("dispatcher", "technician", "workshop")}
    people["manager"] = make_user("manager", first_name="Maren", last_name="Holt")
    people["owner"] = make_user("owner", owner=owner)
    people["other_owner"] = make_user("owner", owner=other)
    make_visit(site, [unit], technician=people["technician"], number="V-100001")
    return Cast(owner, site, unit, other, other_site, other_unit, people)


def make_serviced_unit(site: Site, **fields: Any) -> Unit:
    """A unit made in March 2025 and maintained on 1 March 2026, so that nothing is overdue or due soon."""
    unit = make_unit(location=make_location(site), made=Stamp.of(2025, 3), refresh=False, **fields)
    make_record(unit, done=Stamp.of(2026, 3, 1))
    return unit


def make_overdue_unit(site: Site, **fields: Any) -> Unit:
    """A unit made in March 2022 and never serviced since: its yearly maintenance is overdue."""
    return make_unit(location=make_location(site), made=Stamp.of(2022, 3), **fields)


def text_of(response: Any) -> str:
    """The page as text."""
    content = b"".join(response.streaming_content) if response.streaming else response.content
    return str(content.decode())
