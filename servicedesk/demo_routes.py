"""The demo's depots, homes, vans, skills and shifts, and one planned week.

Everything goes through the services that the pages use. Places are invented, like the register's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError

from inventory.measures.kinds import Agent, Task
from inventory.register.models import Depot
from schedules.crew.models import CrewMember, Skill, SkillNeed, Van, VanStock
from schedules.crew.services import (
    HeldInput,
    change_member,
    change_van,
    crew_member,
    set_shifts,
    set_skills,
)
from schedules.routes.models import RoutePlan
from schedules.routes.services import make_plan, take
from servicedesk.accounts.models import User

Home = CrewMember.Base.HOME
Base = CrewMember.Base.DEPOT


@dataclass(frozen=True, slots=True)
class DemoDepot:
    """An invented depot."""

    name: str
    address: str
    city: str
    country: str
    latitude: str
    longitude: str
    time_zone: str


DEPOTS = (
    DemoDepot(
        "Marlow Bend depot", "4 Millrace Yard", "Marlow Bend", "US", "38.6395", "-99.7012", "America/Chicago"
    ),
    DemoDepot(
        "Dry Fork store", "Lot 9, Elevator Road", "Dry Fork", "US", "38.9361", "-102.7704", "America/Denver"
    ),
    DemoDepot("Velanpur depot", "Shed 2, Mill Gate", "Velanpur", "IN", "19.3021", "75.9004", "Asia/Kolkata"),
)


@dataclass(frozen=True, slots=True)
class DemoMember:
    """How one demo technician works; homes are invented points."""

    username: str
    depot: str
    starts_from: str
    home: tuple[str, str, str] | None
    hours: tuple[int, int]
    weekdays: tuple[int, ...]
    skills: tuple[str, ...]
    van: str


CARBON = "CO2 and stainless shells"
PRESSURE = "Pressure test hand-over"
WEEK = (0, 1, 2, 3, 4)
CREW = (
    DemoMember("technician", "Marlow Bend depot", Base, None, (7, 16), WEEK, (CARBON, PRESSURE), "Van 1"),
    DemoMember(
        "technician2",
        "Marlow Bend depot",
        Home,
        ("Alder Flats", "38.7201", "-99.6104"),
        (8, 17),
        WEEK,
        (CARBON, PRESSURE),
        "Van 2",
    ),
    DemoMember(
        "technician3",
        "Dry Fork store",
        Home,
        ("Dry Fork", "38.9402", "-102.7511"),
        (8, 16),
        (0, 1, 2, 3),
        (CARBON, PRESSURE),
        "Van 3",
    ),
    DemoMember("technician4", "Velanpur depot", Base, None, (9, 18), (*WEEK, 5), (CARBON, PRESSURE), "Van 4"),
    DemoMember(
        "technician5", "Velanpur depot", Home, ("Palgaon", "19.2304", "75.8402"), (9, 18), WEEK, (), "Van 5"
    ),
)
STOCK = tuple(
    (VanStock.Kind.LOANER.value, agent.value, pieces)
    for agent, pieces in (
        (Agent.DRY_CHEMICAL_ABC, 24),
        (Agent.DRY_CHEMICAL_BC, 8),
        (Agent.CARBON_DIOXIDE, 8),
        (Agent.WATER, 6),
        (Agent.AFFF, 6),
        (Agent.WET_CHEMICAL, 4),
        (Agent.DRY_POWDER_D, 2),
    )
)


def set_up_crew(people: Mapping[str, User]) -> int:
    """Enter depots, skills, crew and vans that are missing; return how many technicians were set up."""
    depots = {}
    for item in DEPOTS:
        depots[item.name], _ = Depot.objects.get_or_create(
            name=item.name,
            defaults={
                "address_line": item.address,
                "city": item.city,
                "country": item.country,
                "latitude": Decimal(item.latitude),
                "longitude": Decimal(item.longitude),
                "time_zone": item.time_zone,
            },
        )
    skills = {name: Skill.objects.get_or_create(name=name)[0] for name in (CARBON, PRESSURE)}
    if not SkillNeed.objects.exists():
        for task in (Task.HYDROSTATIC_TEST, Task.REQUALIFICATION):
            SkillNeed.objects.create(skill=skills[PRESSURE], task=task.value)
        SkillNeed.objects.create(
            skill=skills[CARBON], task=Task.INTERNAL_EXAMINATION.value, agent=Agent.CARBON_DIOXIDE.value
        )
    made = 0
    for who in CREW:
        person = people[who.username]
        if CrewMember.objects.filter(technician=person).exists():
            continue
        member = crew_member(person)
        member = change_member(
            member,
            version=member.version,
            depot=depots[who.depot],
            starts_from=who.starts_from,
            ends_at=who.starts_from,
            home_place=who.home[0] if who.home else "",
            home_latitude=Decimal(who.home[1]) if who.home else None,
            home_longitude=Decimal(who.home[2]) if who.home else None,
        )
        shift = (time(who.hours[0]), time(who.hours[1]))
        member = set_shifts(member, dict.fromkeys(who.weekdays, shift), version=member.version)
        set_skills(member, [HeldInput(skills[name]) for name in who.skills], version=member.version)
        change_van(Van(name=who.van), STOCK, depot=depots[who.depot], driver=member, unit_places=60)
        made += 1
    return made


def plan_week(people: Mapping[str, User], now: datetime) -> list[RoutePlan]:
    """Plan the coming week for each depot, and take the first: drafts and a taken plan to look at."""
    if RoutePlan.objects.exists():
        return []
    made = []
    for position, item in enumerate(DEPOTS):
        depot = Depot.objects.get(name=item.name)
        monday = _monday_after(now.astimezone(ZoneInfo(depot.time_zone)).date())
        try:
            done = make_plan(
                [depot], first_on=monday, days=7, by=people["dispatcher"], now=now, propose=False
            )
        except ValidationError:
            # Nothing falls due there in that week: a plan of nothing would show nothing.
            continue
        made.append(done.plan)
        if position == 0 and not done.plan.problems:
            take(done.plan, confirm=True, version=done.plan.version, by=people["dispatcher"], now=now)
    return made


def _monday_after(today: date) -> date:
    return today + timedelta(days=7 - today.weekday())
