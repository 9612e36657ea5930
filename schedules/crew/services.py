"""Changing who can be sent: facts of technicians, their shifts, skills, absences and vans."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F

from inventory.errors import Conflict
from inventory.people import Person
from schedules.crew.models import (
    Absence,
    CrewMember,
    HeldSkill,
    PlanningRules,
    ShiftHours,
    Skill,
    Van,
    VanStock,
)
from schedules.crew.queries import rules_now
from schedules.crew.rules import Rules


@dataclass(frozen=True, slots=True)
class HeldInput:
    """One skill as entered."""

    skill: Skill
    country: str = ""
    region: str = ""
    reference: str = ""
    expires_on: date | None = None


def crew_member(technician: Person) -> CrewMember:
    """What planning knows of ``technician``; a row with defaults where there is none yet."""
    member, _ = CrewMember.objects.get_or_create(technician_id=technician.pk)
    return member


@transaction.atomic
def change_member(member: CrewMember, *, version: int, **changes: Any) -> CrewMember:
    """Change facts of ``member``; ``Conflict`` when somebody else did meanwhile."""
    _claim(CrewMember, member.pk, version, str(member.technician.display_name))
    for name, value in changes.items():
        setattr(member, name, value)
    member.full_clean(exclude=["version"])
    member.save(update_fields=list(changes))
    member.refresh_from_db()
    return member


@transaction.atomic
def set_shifts(member: CrewMember, hours: Mapping[int, tuple[time, time]], *, version: int) -> CrewMember:
    """Make ``hours`` (weekday to start and end) the member's week."""
    _claim(CrewMember, member.pk, version, str(member.technician.display_name))
    rows = [ShiftHours(member=member, weekday=day, starts_at=a, ends_at=b) for day, (a, b) in hours.items()]
    for row in rows:
        row.full_clean(validate_unique=False, validate_constraints=False)
        if row.ends_at <= row.starts_at:
            raise ValidationError("A shift ends after it starts, on the same day.")
    ShiftHours.objects.filter(member=member).delete()
    ShiftHours.objects.bulk_create(rows)
    member.refresh_from_db()
    return member


@transaction.atomic
def set_skills(member: CrewMember, held: Iterable[HeldInput], *, version: int) -> CrewMember:
    """Make ``held`` the member's skills."""
    _claim(CrewMember, member.pk, version, str(member.technician.display_name))
    rows = [
        HeldSkill(
            member=member,
            skill=item.skill,
            country=item.country.strip().upper(),
            region=item.region.strip(),
            reference=item.reference.strip(),
            expires_on=item.expires_on,
        )
        for item in held
    ]
    keys = [(row.skill_id, row.country, row.region) for row in rows]
    if len(set(keys)) != len(keys):
        raise ValidationError("A skill is entered twice for the same place. Keep one line.")
    HeldSkill.objects.filter(member=member).delete()
    HeldSkill.objects.bulk_create(rows)
    member.refresh_from_db()
    return member


def add_absence(
    member: CrewMember,
    *,
    kind: str,
    first_on: date,
    last_on: date,
    from_time: time | None = None,
    note: str = "",
    by: Person | None,
) -> Absence:
    """Enter that ``member`` is away; raises ``ValidationError`` for days that run backwards."""
    absence = Absence(
        member=member,
        kind=kind,
        first_on=first_on,
        last_on=last_on,
        from_time=from_time,
        note=note.strip(),
        made_by_id=by.pk if by is not None else None,
    )
    absence.full_clean()
    absence.save()
    return absence


@transaction.atomic
def change_van(van: Van, stock: Iterable[tuple[str, str, int]], *, version: int = 0, **changes: Any) -> Van:
    """Create or change a van and what it carries: (kind, agent, amount) lines."""
    is_new = van._state.adding
    if not is_new:
        _claim(Van, van.pk, version, van.name)
    for name, value in changes.items():
        setattr(van, name, value)
    van.full_clean(exclude=["version"])
    if is_new:
        van.save()
    else:
        van.save(update_fields=list(changes))
    rows = [VanStock(van=van, kind=kind, agent=agent, amount=amount) for kind, agent, amount in stock]
    keys = [(row.kind, row.agent) for row in rows]
    if len(set(keys)) != len(keys):
        raise ValidationError("The van has two lines for the same thing. Keep one.")
    VanStock.objects.filter(van=van).delete()
    VanStock.objects.bulk_create(rows)
    van.refresh_from_db()
    return van


def set_rules(rules: Rules, *, by: Person, now: datetime) -> bool:
    """Let ``rules`` stand from now on; False when they already do."""
    if rules.differences() == rules_now().differences():
        return False
    PlanningRules.objects.create(values=rules.differences(), made_by_id=by.pk, made_at=now)
    return True


def _claim(model: type[CrewMember] | type[Van], pk: int, version: int, name: str) -> None:
    moved = model.objects.filter(pk=pk, version=version).update(version=F("version") + 1)
    if not moved:
        raise Conflict(
            "crew_changed",
            f"{name} was changed by somebody else meanwhile. Nothing was saved; "
            "look at the present entry and change it again.",
        )
