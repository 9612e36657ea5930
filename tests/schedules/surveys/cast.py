"""A site with four units on the register, and phones that walk it."""

from __future__ import annotations

import itertools
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any
from uuid import UUID

from inventory.measures.stamps import Stamp
from inventory.register.models import Site, Unit
from schedules.surveys.models import Survey
from schedules.surveys.services import close_any, plan_survey
from schedules.visits.acts import NewAct, Sender, Taken, take_acts
from servicedesk.accounts.models import User
from tests.factories import NOW, TODAY, make_location, make_model, make_site, make_unit, make_user

LINE = {"width": 300, "height": 120, "strokes": [[[10, 10], [200, 90]]]}


def read(**facts: str) -> dict[str, Any]:
    """Facts that were read."""
    return {code: {"said": "read", "value": value} for code, value in facts.items()}


POWDER = read(agent="dry_chemical_abc", construction="stored_pressure", charge="10 lb", condition="good")


@dataclass
class Phone:
    """The acts of one phone; nothing is sent before ``send``."""

    survey: Survey
    person: User
    device: UUID = field(default_factory=uuid.uuid4)
    acts: list[NewAct] = field(default_factory=list)
    at: Any = NOW
    count: Any = field(default_factory=lambda: itertools.count(1))

    def act(self, kind: str, unit: UUID | None = None, place: UUID | None = None, **content: Any) -> UUID:
        """One act more; returns its id."""
        self.at += timedelta(seconds=20)
        new = NewAct(
            uuid.uuid4(), self.survey.visit.public_id, kind, next(self.count), self.at, content, unit, place
        )
        self.acts.append(new)
        return new.act_id

    def unit(self, unit: UUID, place: UUID, facts: dict[str, Any], **more: Any) -> UUID:
        """A unit that was read."""
        return self.act("survey_unit", unit, place, facts=facts, **more)

    def close(self, **counts: int) -> UUID:
        """Signed on the phone."""
        return self.act(
            "close",
            survey_counts=counts,
            acts_before=len(self.acts),
            contact_name="Robin Example",
            signature=LINE,
        )

    def send(self, acts: Sequence[NewAct] | None = None) -> list[Taken]:
        """Send all acts, or these."""
        visit = type(self.survey.visit).objects.select_related("site").get(pk=self.survey.visit_id)
        return take_acts(
            self.acts if acts is None else acts,
            sender=Sender(self.device),
            by=self.person,
            now=NOW + timedelta(hours=8),
            visits={visit.public_id: visit},
            close=close_any,
        )


@dataclass
class Day:
    """A planned survey with a technician and a companion."""

    site: Site
    units: list[Unit]
    survey: Survey
    desk: User
    phone: Phone
    other: Phone


def make_day(count: int = 4, first: int = 1) -> Day:
    """Stored-pressure powder units, known by maker, serial and month; planned for today."""
    site = make_site(name="Mill Lane works", time_zone="UTC")
    model = make_model()
    units = [
        make_unit(
            location=make_location(site, number=f"{n:03d}", walking_order=10 * n, description=f"Bay {n}"),
            model=model,
            number=f"U-80{n:04d}",
            serial=f"SN80{n:04d}",
            made=Stamp.of(2021, 3),
            refresh=False,
        )
        for n in range(first, first + count)
    ]
    desk = make_user("dispatcher")
    ines = make_user("technician", first_name="Ines", last_name="Rowntree")
    tom = make_user("technician", first_name="Tom", last_name="Weir")
    survey = plan_survey(
        site, planned_on=TODAY, technician=ines, companions=[tom], note="Ask at the gate.", by=desk, now=NOW
    )
    return Day(
        site, units, survey, desk, Phone(survey, ines), Phone(survey, tom, at=NOW + timedelta(seconds=5))
    )


def place_of(unit: Unit) -> UUID:
    """The place of a unit on the register."""
    assert unit.location is not None
    return unit.location.public_id
