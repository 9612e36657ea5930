"""A survey of the demo, half walked: something found, something else, something missing, something extra."""

from __future__ import annotations

import itertools
import uuid
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Count, Q

from inventory.register.models import Site, Unit, local_today
from schedules.surveys.models import Survey
from schedules.surveys.queries import expected_of
from schedules.surveys.services import close_any, plan_survey
from schedules.visits.acts import NewAct, Sender, take_acts
from servicedesk.accounts.models import User
from servicedesk.demo import PEOPLE

FEWEST = 6


def walk_part(people: Mapping[str, User], now: datetime) -> Survey | None:
    """Plan a survey of a small site for today and walk part of it; once, and None without such a site."""
    stored = Survey.objects.select_related("visit__site").first()
    if stored is not None:
        return stored
    hanging = Q(units__state=Unit.State.IN_SERVICE, units__location__isnull=False)
    site = (
        Site.objects.annotate(held=Count("units", filter=hanging))
        .filter(held__gte=FEWEST)
        .order_by("held", "pk")
        .first()
    )
    if site is None:
        return None
    fitting = [p.username for p in PEOPLE if p.role == "technician" and site.country in p.countries]
    technician = people[fitting[0] if fitting else "technician"]
    survey = plan_survey(
        site,
        planned_on=local_today(site, now),
        technician=technician,
        note="The customer's list is of last year. Begin at the gate, ask for the keys of the store.",
        by=people["dispatcher"],
        now=now,
    )
    units = list(
        expected_of([site.pk])
        .filter(location__isnull=False)
        .select_related("model", "location")
        .order_by("location__walking_order", "location__number", "pk")[:4]
    )
    numbers = itertools.count(1)

    def act(kind: str, unit: uuid.UUID | None, place: uuid.UUID | None, **content: Any) -> NewAct:
        n = next(numbers)
        at = now - timedelta(minutes=20 - 3 * n)
        return NewAct(uuid.uuid4(), survey.visit.public_id, kind, n, at, content, unit, place)

    def seen(unit: Unit, **other: str) -> dict[str, Any]:
        values = {
            "agent": unit.model.agent,
            "construction": unit.model.construction,
            "charge": unit.model.charge_text,
            "serial": unit.serial,
            "condition": "good",
            **other,
        }
        return {
            code: {"said": "read", "value": value} if value else {"said": "not_readable"}
            for code, value in values.items()
        }

    found, differs, missing = units[:3]
    cellar = uuid.uuid4()
    assert found.location is not None
    assert differs.location is not None
    acts = [
        act("survey_unit", found.public_id, found.location.public_id, facts=seen(found)),
        act(
            "survey_unit",
            differs.public_id,
            differs.location.public_id,
            facts=seen(differs, serial=f"{differs.serial}A", made=f"{now.year - 1}"),
        ),
        act("survey_missing", missing.public_id, None, state="not_found", remarks="Empty bracket"),
        act("survey_place", None, cellar, number="X1", floor="Cellar", description="Behind the boiler"),
        act(
            "survey_unit",
            uuid.uuid4(),
            cellar,
            facts={
                "agent": {"said": "read", "value": "soda_acid"},
                "construction": {"said": "read", "value": "inverting"},
                "shell": {"said": "read", "value": "soldered_brass"},
                "charge": {"said": "estimated", "value": "9 L"},
                "serial": {"said": "not_readable"},
                "made": {"said": "not_present"},
                "condition": {"said": "read", "value": "bad"},
            },
        ),
    ]
    take_acts(
        acts,
        sender=Sender(uuid.uuid4(), "demo"),
        by=technician,
        now=now,
        visits={survey.visit.public_id: survey.visit},
        close=close_any,
    )
    return survey
