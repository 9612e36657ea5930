"""Reading who can be sent, when, and what visits ask for."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, time, timedelta

from django.db.models import Q, QuerySet

from inventory.register.models import Depot
from schedules.crew.models import Absence, CrewMember, PlanningRules, ShiftHours, SkillNeed
from schedules.crew.rules import DEFAULTS, Rules


def rules_now() -> Rules:
    """The prices and times that stand."""
    last = PlanningRules.objects.order_by("-pk").first()
    return Rules.of(last.values) if last is not None else DEFAULTS


def crew() -> QuerySet[CrewMember]:
    """Active technicians with what planning knows of them, by name."""
    return (
        CrewMember.objects.filter(technician__is_active=True, technician__role="technician")
        .select_related("technician", "depot", "van")
        .order_by("technician__first_name", "technician__last_name", "technician__username", "pk")
    )


def crew_of(depots: Iterable[Depot]) -> list[CrewMember]:
    """Those of ``depots`` who take part in plans, with shifts, absences, skills and vans: five queries."""
    return list(
        crew()
        .filter(depot__in=list(depots), is_planned=True)
        .prefetch_related("shifts", "absences", "skills", "van__stock")
    )


@dataclass(frozen=True, slots=True)
class WorkingDay:
    """When a technician works on one day, wall seconds; ``why_short`` says what cut it."""

    member: CrewMember
    on: date
    starts_s: int
    ends_s: int
    why_short: str = ""


def seconds_of(clock: time) -> int:
    """Seconds since midnight of a wall time."""
    return clock.hour * 3600 + clock.minute * 60 + clock.second


def working_day(
    member: CrewMember, on: date, shifts: Sequence[ShiftHours], absences: Sequence[Absence]
) -> WorkingDay | None:
    """The hours of ``member`` on that day; None on a day off, away, or after the licence ran out."""
    hours = next((shift for shift in shifts if shift.weekday == on.weekday()), None)
    if hours is None:
        return None
    expires_on = member.technician.licence_expires_on
    if expires_on is not None and expires_on < on:
        return None
    starts_s, ends_s, why = seconds_of(hours.starts_at), seconds_of(hours.ends_at), ""
    for absence in absences:
        if absence.is_void or not absence.first_on <= on <= absence.last_on:
            continue
        if absence.first_on == on and absence.from_time is not None:
            ends_s = min(ends_s, seconds_of(absence.from_time))
            why = f"{absence.get_kind_display()} from {absence.from_time:%H:%M}"
        else:
            return None
    if ends_s <= starts_s:
        return None
    return WorkingDay(member, on, starts_s, ends_s, why)


def working_days(members: Iterable[CrewMember], first_on: date, days: int) -> list[WorkingDay]:
    """Every day on which one of ``members`` (from ``crew_of``) works, by technician and day."""
    found = []
    for member in members:
        shifts, absences = list(member.shifts.all()), list(member.absences.all())
        for offset in range(days):
            day = working_day(member, first_on + timedelta(days=offset), shifts, absences)
            if day is not None:
                found.append(day)
    return found


@dataclass(frozen=True, slots=True)
class Need:
    """When a skill is needed; empty parts ask for nothing."""

    skill_id: int
    task: str
    agent: str
    country: str
    region: str
    site_id: int | None

    def fits(self, work: Iterable[tuple[str, str]], *, country: str, region: str, site_id: int) -> bool:
        """Whether a visit there, with (task, agent) pairs ``work``, needs the skill."""
        if self.site_id is not None and self.site_id != site_id:
            return False
        if self.country and self.country != country:
            return False
        if self.region and self.region != region:
            return False
        if not self.task and not self.agent:
            return True
        return any(
            (not self.task or self.task == task) and (not self.agent or self.agent == agent)
            for task, agent in work
        )


def skill_needs() -> list[Need]:
    """Every rule of when a skill is needed."""
    rows = SkillNeed.objects.order_by("pk").values_list(
        "skill_id", "task", "agent", "country", "region", "site_id"
    )
    return [Need(*row) for row in rows]


def holds(member: CrewMember, skill_id: int, *, country: str, region: str, on: date) -> bool:
    """Whether ``member`` (with skills fetched) holds the skill at that place on that day."""
    return any(
        held.skill_id == skill_id
        and (not held.country or held.country == country)
        and (not held.region or held.region == region)
        and (held.expires_on is None or held.expires_on >= on)
        for held in member.skills.all()
    )


def gaps_of(members: Iterable[CrewMember]) -> dict[int, list[str]]:
    """What each of ``members`` (with shifts fetched) still lacks before planning can use it, by id."""
    found: dict[int, list[str]] = defaultdict(list)
    for member in members:
        if member.depot is None:
            found[member.pk].append("no depot")
        elif member.depot.latitude is None:
            found[member.pk].append("the depot has no coordinates")
        if not member.shifts.all():
            found[member.pk].append("no shifts")
        ends = {member.starts_from, member.ends_at}
        if CrewMember.Base.HOME in ends and member.home_latitude is None:
            found[member.pk].append("no coordinates of the home")
    return dict(found)


def expiring(on: date, *, within_days: int = 60) -> list[tuple[CrewMember, str, date]]:
    """Licences and skills that end soon or have ended: member, what, last day."""
    limit = on + timedelta(days=within_days)
    found: list[tuple[CrewMember, str, date]] = []
    rows = crew().prefetch_related("skills__skill")
    ending = Q(skills__expires_on__lte=limit) | Q(technician__licence_expires_on__lte=limit)
    for member in rows.filter(ending).distinct():
        licence = member.technician.licence_expires_on
        if licence is not None and licence <= limit:
            found.append((member, "Licence", licence))
        found += [
            (member, held.skill.name, held.expires_on)
            for held in member.skills.all()
            if held.expires_on is not None and held.expires_on <= limit
        ]
    return sorted(found, key=lambda item: (item[2], item[0].pk))
