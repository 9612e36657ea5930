"""A technician and a visit, as the tests of the technician's pages drive them."""

from __future__ import annotations

import uuid
from dataclasses import dataclass, field
from typing import Any

from django.test import Client
from django.urls import reverse

from inventory.register.models import Site, Unit
from schedules.visits.models import Visit, VisitEntry
from servicedesk.accounts.models import User


@dataclass
class Field:
    """A technician with one visit."""

    technician: User
    site: Site
    visit: Visit
    units: list[Unit]
    client: Client = field(default_factory=Client)

    def at(self, name: str, unit: Unit | None = None) -> str:
        """The address of a page of the visit."""
        args: list[Any] = [self.visit.public_id]
        if unit is not None:
            args.append(unit.public_id)
        return reverse(f"field:{name}", args=args)

    def save(self, unit: Unit, result: str = "serviced", **fields: Any) -> Any:
        """Send the form of ``unit``; a serviced one states maintenance and a good gauge."""
        data: dict[str, Any] = {"client_ref": str(uuid.uuid4()), "result": result}
        if result == "serviced":
            data |= {"tasks": ["maintenance"], "value_gauge_pressure": "195", "unit_gauge_pressure": "psi"}
        if result in ("failed", "no_access"):
            data["remarks"] = "Seen as it is."
        return self.client.post(self.at("unit", unit), data | fields)

    def entries(self) -> list[tuple[str, str]]:
        """What was stored: unit number and result, in order."""
        rows = VisitEntry.objects.filter(visit=self.visit).order_by("pk")
        return list(rows.values_list("unit__number", "result"))

    def close(self, **fields: Any) -> Any:
        """Send the closing form with the counts and names given."""
        data = {"done_on": "2026-11-25", "contact_name": "R. Okafor"} | fields
        return self.client.post(self.at("close"), data)


def text_of(response: Any) -> str:
    """The page as text."""
    return str(response.content.decode())
