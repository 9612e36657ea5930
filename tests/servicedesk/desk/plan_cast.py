"""A depot with technicians at work, sites around it with visits, and a plan of them."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any

from inventory.register.models import AccessWindow, Depot, Site
from schedules.crew.models import CrewMember, ShiftHours
from schedules.routes.models import RoutePlan
from schedules.routes.services import make_plan
from schedules.visits.models import Visit
from servicedesk.accounts.models import User
from tests.factories import NOW, make_site, make_unit, make_user, make_visit

MONDAY = date(2026, 11, 30)
ZONE = "America/Chicago"


def make_depot(**fields: Any) -> Depot:
    """A depot in the middle of nowhere."""
    fields.setdefault("name", "Port Calder depot")
    fields.setdefault("latitude", Decimal("38.640000"))
    fields.setdefault("longitude", Decimal("-99.700000"))
    fields.setdefault("time_zone", ZONE)
    return Depot.objects.create(**fields)


def make_member(depot: Depot | None, user: User | None = None, **fields: Any) -> CrewMember:
    """A technician at work from 8 to 17, Monday to Friday."""
    member = CrewMember.objects.create(technician=user or make_user("technician"), depot=depot, **fields)
    ShiftHours.objects.bulk_create(
        ShiftHours(member=member, weekday=day, starts_at=time(8), ends_at=time(17)) for day in range(5)
    )
    return member


def make_planned_site(number: int, **fields: Any) -> Site:
    """The ``number``-th site east and north of the depot, open from 8 to 17."""
    fields.setdefault("latitude", Decimal("38.640000") + Decimal(number % 5) / 50)
    fields.setdefault("longitude", Decimal("-99.700000") + Decimal(number) / 100)
    site = make_site(tables=(), **fields)
    AccessWindow.objects.bulk_create(
        AccessWindow(site=site, weekday=day, opens_at=time(8), closes_at=time(17)) for day in range(5)
    )
    return site


def make_open_visit(site: Site, **fields: Any) -> Visit:
    """A proposed visit with one unit."""
    fields.setdefault("state", Visit.State.PROPOSED)
    fields.setdefault("planned_on", MONDAY)
    fields.setdefault("latest_on", date(2026, 12, 11))
    return make_visit(site, [make_unit(site, refresh=False)], **fields)


def make_small_plan(
    sites: int = 3, technicians: int = 2, *, days: int = 5, by: User | None = None, now: datetime = NOW
) -> RoutePlan:
    """A plan of one visit to each of ``sites`` for ``technicians``, quick to make."""
    depot = make_depot()
    for _ in range(technicians):
        make_member(depot)
    for number in range(1, sites + 1):
        make_open_visit(make_planned_site(number))
    by = by or make_user("dispatcher")
    done = make_plan([depot], first_on=MONDAY, days=days, by=by, now=now, propose=False, seconds=0.1)
    return done.plan


def sites_of(visits: Iterable[Visit]) -> list[str]:
    """Names of the sites of ``visits``."""
    return [visit.site.name for visit in visits]
