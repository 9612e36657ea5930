"""The demo scenario: an invented firm, its register, one past day of work and the weeks ahead.

Everything goes through the same doors as real work: the register through the importer, visits
through the planner's services, the day's results through the REST API over HTTP. Running it again
finds what is there and adds only what is missing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db.models import Min

from inventory.register.models import Owner, Site, Unit, local_today
from schedules.due.models import Obligation
from schedules.rulebook.models import Adoption
from schedules.rulebook.queries import all_table_states
from schedules.visits.models import Visit
from schedules.visits.proposing import propose_visits
from schedules.visits.services import assign_visit, confirm_visit
from servicedesk.accounts.models import OwnerMembership, User
from servicedesk.exchange.importing import import_register

REGISTER = Path(settings.BASE_DIR) / "fixtures" / "demo" / "register.csv"
# Known to everyone who reads this file: `manage.py demo` refuses to run on a server home.
PASSWORD = "tarn-and-alder"  # noqa: S105

HORIZON_DAYS = 60
VISITS_A_DAY = 3
PAST_DAY_VISITS = 4


@dataclass(frozen=True, slots=True)
class Person:
    """A demo sign-in. Countries say where a technician works."""

    username: str
    role: str
    first_name: str
    last_name: str
    licence: str = ""
    countries: tuple[str, ...] = ()


PEOPLE = (
    Person("manager", "manager", "Maren", "Holt"),
    Person("dispatcher", "dispatcher", "Dara", "Quill"),
    Person("technician", "technician", "Tomas", "Rill", "TA-2041", ("US",)),
    Person("technician2", "technician", "Ines", "Farrow", "TA-2042", ("US",)),
    Person("technician3", "technician", "Kofi", "Lund", "TA-2043", ("US",)),
    Person("technician4", "technician", "Asha", "Varne", "TA-3011", ("IN",)),
    Person("technician5", "technician", "Ravi", "Colm", "TA-3012", ("IN",)),
    Person("workshop", "workshop", "Wilma", "Stead"),
)


def make_people() -> dict[str, User]:
    """Create the demo sign-ins that are missing and return all by user name."""
    found: dict[str, User] = {user.username: user for user in User.objects.all()}
    for person in PEOPLE:
        if person.username not in found:
            found[person.username] = User.objects.create_user(
                username=person.username,
                password=PASSWORD,
                role=person.role,
                first_name=person.first_name,
                last_name=person.last_name,
                licence_number=person.licence,
                email=f"{person.username}@tarn-alder.example",
            )
    return found


def make_owner_people() -> list[tuple[str, str]]:
    """Give two owners who have been visited a sign-in; return (user name, owner name) pairs."""
    pairs = [
        (member.user.username, member.owner.name)
        for member in OwnerMembership.objects.select_related("user", "owner").order_by("pk")
    ]
    if pairs:
        return pairs
    first_visit = Min("sites__visits__pk")
    owners = Owner.objects.annotate(first=first_visit).filter(first__isnull=False).order_by("first", "pk")[:2]
    for position, owner in enumerate(owners, start=1):
        username = "owner" if position == 1 else f"owner{position}"
        user = User.objects.filter(username=username).first()
        if user is None:
            user = User.objects.create_user(
                username=username,
                password=PASSWORD,
                role="owner",
                first_name=owner.contact_name.partition(" ")[0] or "Owner",
                last_name=owner.contact_name.partition(" ")[2],
                email=owner.contact_email,
            )
        OwnerMembership.objects.get_or_create(user=user, owner=owner)
        pairs.append((username, owner.name))
    return pairs


def take_over_register(by: User, now: datetime) -> Any:
    """Import the demo register; rows that no reader can take are left out and listed."""
    return import_register(
        REGISTER.read_bytes(), by=by, now=now, accept_rest=True, refresh=False, file_name=REGISTER.name
    )


def unconfirmed_in_use() -> list[str]:
    """Keys of adopted tables of which no standing confirmation exists."""
    used = set(Adoption.objects.standing().values_list("table_key", flat=True))
    confirmed = {state.table.key for state in all_table_states() if state.is_confirmed}
    return sorted(used - confirmed)


def plan_past_day(people: Mapping[str, User], now: datetime) -> list[Visit]:
    """Plan visits on the last working day before today, as a dispatcher would have three days earlier.

    Returns those still open; none when the demo's past day has already been worked.
    """
    if Visit.objects.filter(state=Visit.State.CLOSED).exists():
        return []
    ready = list(
        Visit.objects.filter(
            state__in=(Visit.State.CONFIRMED, Visit.State.UNDER_WAY), planned_on__lt=now.date()
        )
    )
    if ready:
        return ready
    day = _last_working_day(now)
    then = now - timedelta(days=(now.date() - day).days + 3)
    wanted = _sites_with_work(then, exclude_open=True)[:PAST_DAY_VISITS]
    visits = propose_visits(wanted, by=people["dispatcher"], now=then, horizon_days=120, planned_on=day)
    return [_settle(visit, people, day, then) for visit in visits]


def plan_ahead(people: Mapping[str, User], now: datetime) -> tuple[int, int]:
    """Propose visits for all sites with work due, confirm those of the coming fortnight.

    Returns how many were proposed and how many confirmed in this run.
    """
    sites = _sites_with_work(now, exclude_open=True)
    visits = propose_visits(sites, by=people["dispatcher"], now=now, horizon_days=HORIZON_DAYS)
    load: dict[tuple[int, date], int] = defaultdict(int)
    for technician, day in Visit.objects.filter(
        state=Visit.State.CONFIRMED, technician__isnull=False
    ).values_list("technician_id", "planned_on"):
        load[(technician, day)] += 1
    confirmed = 0
    for visit in sorted(visits, key=lambda v: (v.planned_on, v.number)):
        today = local_today(visit.site, now)
        if visit.planned_on > today + timedelta(days=14):
            continue
        day = visit.planned_on
        chosen = None
        for _ in range(10):
            free = [t for t in _technicians(people, visit.site.country) if load[(t.pk, day)] < VISITS_A_DAY]
            if free and day.weekday() < 5:
                chosen = min(free, key=lambda t: (load[(t.pk, day)], t.pk))
                break
            day += timedelta(days=1)
        if chosen is None:
            continue
        load[(chosen.pk, day)] += 1
        visit = assign_visit(visit, technician=chosen, planned_on=day, version=visit.version, now=now)
        confirm_visit(visit, version=visit.version, now=now)
        confirmed += 1
    return len(visits), confirmed


def _last_working_day(now: datetime) -> date:
    day = now.date() - timedelta(days=1)
    while day.weekday() > 4:
        day -= timedelta(days=1)
    return day


def _technicians(people: Mapping[str, User], country: str) -> list[User]:
    fitting = [p.username for p in PEOPLE if p.role == "technician" and country in p.countries]
    return [people[name] for name in fitting] or [people["technician"]]


def _settle(visit: Visit, people: Mapping[str, User], day: date, then: datetime) -> Visit:
    technician = _technicians(people, visit.site.country)[0]
    visit = assign_visit(visit, technician=technician, planned_on=day, version=visit.version, now=then)
    return confirm_visit(visit, version=visit.version, now=then)


def _sites_with_work(now: datetime, *, exclude_open: bool) -> list[Site]:
    """Sites with binding work of ours due within the horizon, most urgent first."""
    horizon = now.date() + timedelta(days=HORIZON_DAYS)
    order: dict[int, date] = {}
    rows = (
        Obligation.objects.ours()
        .filter(is_binding=True, latest_on__lte=horizon, unit__state=Unit.State.IN_SERVICE)
        .order_by("latest_on", "pk")
        .values_list("site_id", "latest_on")
    )
    for site_id, latest in rows:
        if site_id is not None and latest is not None:
            order.setdefault(site_id, latest)
    if exclude_open:
        open_services = Visit.objects.filter(state__in=Visit.OPEN, kind=Visit.Kind.SERVICE)
        for site_id in open_services.values_list("site_id", flat=True):
            order.pop(site_id, None)
    sites = Site.objects.in_bulk(order)
    return [sites[pk] for pk in order]
