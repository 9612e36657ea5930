"""Correcting what the register says of units, places, sites and owners, with a row per fact.

Every function here writes the new facts and their history in one transaction and raises
``facts_revision`` where dates may follow. The dates themselves, and papers that stated the old facts,
are seen to by the caller (``schedules.certificates.corrections``).
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from zoneinfo import available_timezones

from django.core.exceptions import FieldDoesNotExist, ValidationError
from django.db import IntegrityError, models, transaction
from django.db.models import F

from inventory.errors import Conflict
from inventory.measures.stamps import Stamp
from inventory.people import Person
from inventory.register.changes import FactChange, FactSource, LocationAlias
from inventory.register.models import Location, Owner, Site, Unit, UnitModel, local_today
from inventory.register.services import hang_unit, unit_numbers

BUILD_FACTS: Mapping[str, str] = {
    "maker": "Maker",
    "name": "Model",
    "agent": "Agent",
    "construction": "Construction",
    "shell": "Shell",
    "cylinder_spec": "Cylinder specification",
    "charge_text": "Charge as printed",
    "charge_mass_g": "Charge, grams",
    "charge_volume_ml": "Charge, millilitres",
    "water_capacity_ml": "Water capacity, millilitres",
    "working_pressure_kpa": "Working pressure, kPa gauge at 20 °C",
    "test_pressure_kpa": "Test pressure, kPa",
    "full_mass_g": "Gross mass when full, grams",
    "is_wheeled": "Wheeled",
    "is_refillable": "Refillable",
    "has_shutoff_hose": "Hose with shut-off",
}
OWN_FACTS: Mapping[str, str] = {
    "serial": "Serial",
    "made": "Manufacture mark",
    "commissioned_on": "Placed in service",
}
UNIT_FACTS: Mapping[str, str] = {**OWN_FACTS, **BUILD_FACTS}
SITE_FACTS: Mapping[str, str] = {
    "name": "Name",
    "code": "Code",
    "address_line": "Street and number",
    "city": "Town",
    "region": "Region",
    "postcode": "Postcode",
    "country": "Country",
    "latitude": "Latitude",
    "longitude": "Longitude",
    "time_zone": "Time zone",
    "language": "Language of notices",
    "access_notes": "Notes on access",
    "monthly_checks_by": "Monthly looks are made by",
}
OWNER_FACTS: Mapping[str, str] = {
    "name": "Name",
    "contact_name": "Contact",
    "contact_email": "Contact's e-mail",
    "contact_phone": "Contact's telephone",
    "notes": "Notes",
}
LOCATION_FACTS: Mapping[str, str] = {
    "number": "Number",
    "building": "Building",
    "floor": "Floor",
    "description": "Description",
    "hazard": "Hazard",
    "environment": "Surroundings",
    "walking_order": "Walking order",
}
LABELS: Mapping[str, Mapping[str, str]] = {
    "unit": {**UNIT_FACTS, "merged_into": "The same as"},
    "site": {**SITE_FACTS, "owner": "Owner", "merged_into": "Now part of", "hours": "Hours of access"},
    "owner": {**OWNER_FACTS, "merged_into": "The same as"},
    "location": {**LOCATION_FACTS, "site": "Site"},
}
MANY = 500


@dataclass(frozen=True, slots=True)
class Because:
    """Why facts are corrected, where the right ones were read, and whether they were wrong before."""

    reason: str
    source: str = ""
    is_correction: bool = True

    def checked(self) -> Because:
        """The same with the reason trimmed; raises ``ValidationError`` without one."""
        reason = " ".join(self.reason.split())
        if not reason:
            raise ValidationError({"reason": "Say why it is changed: it stays beside the change."})
        if len(reason) > 300:
            raise ValidationError({"reason": "Say it in at most 300 characters."})
        if self.source and self.source not in FactSource.values:
            raise ValidationError({"source": f"Choose one of {', '.join(FactSource.values)}."})
        return Because(reason, self.source, self.is_correction)


@dataclass(frozen=True, slots=True)
class Corrected:
    """What was saved as one: its id, the rows of history, and units whose dates may follow."""

    together: uuid.UUID
    changes: tuple[FactChange, ...]
    unit_ids: frozenset[int]


# --- values as text ----------------------------------------------------------------------------------


def as_text(value: Any) -> str:
    """A fact as it is kept in the history, so that two equal facts have one text."""
    if value is None:
        return ""
    if isinstance(value, Stamp):
        days = [day.isoformat() if day else None for day in (value.first, value.last)]
        return json.dumps([*days, value.precision.value, value.raw])
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Decimal):
        return f"{value.normalize():f}"
    if isinstance(value, date):
        return value.isoformat()
    return str(value)


def in_words(model: type[models.Model], field: str, value: Any) -> str:
    """A fact as people read it; an empty text for nothing."""
    if isinstance(value, Stamp):
        said = str(value) if value.is_known else "not known"
        return f"{said} (read as “{value.raw}”)" if value.raw else said
    if value is None or value == "":
        return ""
    if isinstance(value, bool):
        return "Yes" if value else "No"
    if isinstance(value, models.Model):
        return str(value)
    try:
        choices = dict(model._meta.get_field(field).flatchoices)  # type: ignore[union-attr]
    except FieldDoesNotExist:
        choices = {}
    return str(choices.get(value, as_text(value)))


def facts_of(unit: Unit) -> dict[str, Any]:
    """Every fact of ``unit`` that can be corrected, by field."""
    own: dict[str, Any] = {
        "serial": unit.serial,
        "made": unit.made,
        "commissioned_on": unit.commissioned_on,
    }
    return own | {name: getattr(unit.model, name) for name in BUILD_FACTS}


def as_seen(facts: Mapping[str, Any]) -> str:
    """A short text that changes when any of ``facts`` does: what a form was filled in against."""
    whole = json.dumps({name: as_text(value) for name, value in facts.items()}, sort_keys=True)
    return hashlib.sha256(whole.encode()).hexdigest()[:24]


def _changed_meanwhile(what: str) -> Conflict:
    return Conflict(
        "changed_meanwhile",
        f"{what} was changed by somebody else a moment ago. Nothing was saved; look at it again.",
    )


# --- units -------------------------------------------------------------------------------------------


def model_like(base: UnitModel | None, changes: Mapping[str, Any]) -> UnitModel:
    """The model with the build data of ``base`` and ``changes``, made if there is none yet.

    Raises ``ValidationError`` for values that are none of the trade.
    """
    values = {name: getattr(base, name) if base is not None else None for name in BUILD_FACTS}
    values |= {name: value for name, value in changes.items() if name in BUILD_FACTS}
    if base is None:
        plain = ("maker", "name", "cylinder_spec", "charge_text")
        values |= {name: values[name] or "" for name in plain}
        values["is_wheeled"] = bool(values["is_wheeled"])
    found = UnitModel.objects.filter(**values).order_by("pk").first()
    if found is not None:
        return found
    key = hashlib.sha256(repr(sorted(values.items())).encode()).hexdigest()
    model = UnitModel(build_key=key, **values)
    unknown = [name for name in ("is_refillable", "has_shutoff_hose") if values[name] is None]
    model.full_clean(validate_unique=False, exclude=unknown)
    try:
        with transaction.atomic():
            model.save()
    except IntegrityError:
        return UnitModel.objects.get(build_key=key)
    return model


@transaction.atomic
def correct_units(
    units: Sequence[Unit],
    changes: Mapping[str, Any],
    because: Because,
    *,
    by: Person | None,
    at: datetime,
    seen: str = "",
) -> Corrected:
    """Give ``units`` (with their models) other facts and write down each that differs.

    ``changes`` names fields of ``UNIT_FACTS``; facts of the own shell (``OWN_FACTS``) only for one
    unit. ``seen`` is ``as_seen`` of the facts that the form showed. A dozen statements whatever the
    number. Raises ``ValidationError`` when nothing differs or a value cannot be, ``Conflict`` when
    somebody was faster.
    """
    because = because.checked()
    unknown = set(changes) - set(UNIT_FACTS)
    if unknown:
        raise ValidationError(f"{', '.join(sorted(unknown))} cannot be corrected here.")
    if len(units) > 1 and set(changes) & set(OWN_FACTS):
        raise ValidationError("Serial and dates belong to one unit each. Correct them unit by unit.")
    together, rows, unit_ids = uuid.uuid4(), [], set()
    by_model: dict[int, list[Unit]] = defaultdict(list)
    for unit in units:
        before = facts_of(unit)
        if seen and as_seen(before) != seen:
            raise _changed_meanwhile(f"Unit {unit.number}")
        differing = {n: v for n, v in changes.items() if as_text(before[n]) != as_text(v)}
        if not differing:
            continue
        # Build facts, which many units have together, ask for no day.
        is_dated = bool(set(changes) & set(OWN_FACTS))
        today = local_today(unit.site, at) if is_dated and unit.site is not None else at.date()
        wrong = impossible({**before, **changes}, today=today, said=differing)
        if wrong:
            raise ValidationError(wrong)
        unit_ids.add(unit.pk)
        if set(differing) & set(BUILD_FACTS):
            by_model[unit.model_id].append(unit)
        for name, value in differing.items():
            of = Unit if name in OWN_FACTS else UnitModel
            rows.append(
                _row(
                    together, because, by, at, name, before[name], value,
                    words=(in_words(of, name, before[name]), in_words(of, name, value)), unit_id=unit.pk,
                )
            )  # fmt: skip
    if not rows:
        raise ValidationError("Nothing is different from what the register says. Change what is wrong.")
    for model_id, here in by_model.items():
        model = model_like(here[0].model, changes)
        ids = [unit.pk for unit in here]
        moved = Unit.objects.filter(pk__in=ids, model=model_id).update(
            model=model, facts_revision=F("facts_revision") + 1
        )
        if moved != len(ids):
            raise _changed_meanwhile("One of these units")
    if set(changes) & set(OWN_FACTS) and unit_ids:
        _correct_own(units[0], changes)
    FactChange.objects.bulk_create(rows, batch_size=MANY)
    return Corrected(together, tuple(rows), frozenset(unit_ids))


def impossible(facts: Mapping[str, Any], *, today: date, said: Iterable[str]) -> dict[str, str]:
    """What of a unit's ``facts`` cannot be on the civil day ``today``: a sentence by field.

    Only what touches one of the facts ``said`` now: an old contradiction elsewhere is a finding, and
    must not keep anybody from putting right something else.
    """
    said = set(said)
    wrong: dict[str, str] = {}

    def refuse(field: str, sentence: str, *others: str) -> None:
        if said & {field, *others}:
            wrong.setdefault(field, sentence)

    made: Stamp = facts.get("made") or Stamp.unknown()
    placed: date | None = facts.get("commissioned_on")
    if made.first is not None and made.first > today:
        refuse("made", f"{made} lies ahead of us. Read the mark again.")
    if placed is not None and placed > today:
        refuse(
            "commissioned_on", f"{placed} lies ahead of us: enter the day on which it was placed in service."
        )
    if placed is not None and made.first is not None and placed < made.first:
        refuse(
            "commissioned_on",
            f"It was made in {made} and cannot have been placed in service before.",
            "made",
        )
    working, test = facts.get("working_pressure_kpa"), facts.get("test_pressure_kpa")
    if working and test and test < working:
        refuse(
            "test_pressure_kpa",
            f"A test pressure of {test} kPa is below the working pressure of {working} kPa. "
            "Read both on the plate again.",
            "working_pressure_kpa",
        )
    charge, full = facts.get("charge_mass_g"), facts.get("full_mass_g")
    if charge and full and full < charge:
        refuse(
            "full_mass_g",
            f"The full unit cannot weigh less ({full} g) than its charge ({charge} g).",
            "charge_mass_g",
        )
    printed: str = facts.get("charge_text") or ""
    if printed and not any(sign.isdigit() for sign in printed):
        refuse("charge_text", "Write the charge with its number and unit, e.g. 10 lb or 6 kg.")
    return wrong


def _correct_own(unit: Unit, changes: Mapping[str, Any]) -> None:
    """Facts of one shell; conditional on what was read, so that two people lose nothing."""
    was = {
        "serial": unit.serial,
        "made_first": unit.made_first,
        "made_last": unit.made_last,
        "made_precision": unit.made_precision,
        "made_raw": unit.made_raw,
        "commissioned_on": unit.commissioned_on,
    }
    where: dict[str, Any] = {}
    for name, value in was.items():
        where[f"{name}__isnull" if value is None else name] = True if value is None else value
    if "made" in changes:
        unit.made = changes["made"]
    for name in ("serial", "commissioned_on"):
        if name in changes:
            setattr(unit, name, changes[name])
    unit.clean_fields(exclude=["model", "site", "location", "store", "merged_into", "doubts"])
    unit.validate_constraints()
    done = Unit.objects.filter(pk=unit.pk, **where).update(
        **{name: getattr(unit, name) for name in was}, facts_revision=F("facts_revision") + 1
    )
    if not done:
        raise _changed_meanwhile(f"Unit {unit.number}")


def _row(
    together: uuid.UUID,
    because: Because,
    by: Person | None,
    at: datetime,
    field: str,
    old: Any,
    new: Any,
    *,
    words: tuple[str, str],
    **subject: int,
) -> FactChange:
    return FactChange(
        together=together,
        field=field,
        old_value=as_text(old.pk if isinstance(old, models.Model) else old),
        new_value=as_text(new.pk if isinstance(new, models.Model) else new),
        old_words=words[0],
        new_words=words[1],
        is_correction=because.is_correction,
        reason=because.reason,
        source=because.source,
        changed_by_id=by.pk if by is not None else None,
        made_at=at,
        **subject,
    )


def note_change(
    subject: Unit | Site | Owner | Location,
    field: str,
    old: Any,
    new: Any,
    because: Because,
    *,
    by: Person | None,
    at: datetime,
    together: uuid.UUID | None = None,
) -> FactChange:
    """Write down one change that another service makes in the same transaction."""
    kind = subject._meta.model_name or ""
    words = (in_words(type(subject), field, old), in_words(type(subject), field, new))
    row = _row(
        together or uuid.uuid4(), because.checked(), by, at, field, old, new,
        words=words, **{f"{kind}_id": subject.pk},
    )  # fmt: skip
    row.save()
    return row


# --- sites, owners, places -----------------------------------------------------------------------------


@transaction.atomic
def correct_row(
    row: Site | Owner | Location,
    changes: Mapping[str, Any],
    because: Because,
    *,
    by: Person | None,
    at: datetime,
    seen: str = "",
) -> Corrected:
    """Give a site, an owner or a place other facts and write down each that differs.

    A place whose number changes keeps the old one as an alias. Raises ``ValidationError`` when nothing
    differs or a value cannot be, ``Conflict`` when somebody was faster.
    """
    because = because.checked()
    kind = row._meta.model_name or ""
    allowed = {"site": SITE_FACTS, "owner": OWNER_FACTS, "location": LOCATION_FACTS}[kind]
    unknown = set(changes) - set(allowed)
    if unknown:
        raise ValidationError(f"{', '.join(sorted(unknown))} cannot be corrected here.")
    before = {name: getattr(row, name) for name in allowed}
    if seen and as_seen(before) != seen:
        raise _changed_meanwhile(str(row))
    differing = {n: v for n, v in changes.items() if as_text(before[n]) != as_text(v)}
    if not differing:
        raise ValidationError("Nothing is different from what the register says. Change what is wrong.")
    for name, value in differing.items():
        setattr(row, name, value)
    _check(row)
    if isinstance(row, Location) and "number" in differing:
        renumber(row, before["number"], differing["number"], by=by, at=at)
    where = {}
    for name in differing:
        value = before[name]
        where[f"{name}__isnull" if value is None else name] = True if value is None else value
    if not type(row)._default_manager.filter(pk=row.pk, **where).update(**differing):
        raise _changed_meanwhile(str(row))
    together = uuid.uuid4()
    rows = [
        _row(
            together, because, by, at, name, before[name], value,
            words=(in_words(type(row), name, before[name]), in_words(type(row), name, value)),
            **{f"{kind}_id": row.pk},
        )
        for name, value in differing.items()
    ]  # fmt: skip
    FactChange.objects.bulk_create(rows)
    touched = Unit.objects.none()
    if isinstance(row, Site) and set(differing) & {"time_zone", "monthly_checks_by"}:
        touched = Unit.objects.on_duty().filter(site=row)
    elif isinstance(row, Location) and "environment" in differing:
        touched = Unit.objects.on_duty().filter(location=row)
    ids = frozenset(touched.order_by().values_list("pk", flat=True))
    Unit.objects.filter(pk__in=ids).update(facts_revision=F("facts_revision") + 1)
    return Corrected(together, tuple(rows), ids)


def _check(row: Site | Owner | Location) -> None:
    if isinstance(row, Site) and row.time_zone not in available_timezones():
        raise ValidationError(
            {"time_zone": f"{row.time_zone!r} is no time zone. Write it like America/Chicago."}
        )
    if isinstance(row, Site) and (row.latitude is None) != (row.longitude is None):
        raise ValidationError({"latitude": "Enter both latitude and longitude, or neither."})
    row.full_clean()
    if isinstance(row, Location):
        taken = LocationAlias.objects.filter(site=row.site_id, number=row.number).exclude(location=row.pk)
        other = taken.select_related("location").first()
        if other is not None:
            raise ValidationError(
                {
                    "number": f"Place {other.location.number} had the number {row.number} before; old papers "
                    "and labels would lead to the wrong place. Choose another number."
                }
            )


def renumber(place: Location, old: str, new: str, *, by: Person | None, at: datetime) -> None:
    """Keep ``old`` as a number that leads to ``place``; its new number is no alias any more."""
    LocationAlias.objects.filter(location=place, number=new).delete()
    LocationAlias.objects.get_or_create(
        site_id=place.site_id,
        number=old,
        defaults={"location": place, "made_by_id": by.pk if by is not None else None, "made_at": at},
    )


@transaction.atomic
def add_owner(values: Mapping[str, Any]) -> Owner:
    """Take a new owner into the register. Raises ``ValidationError``, naming the field."""
    owner = Owner(**values)
    _check(owner)
    owner.save()
    return owner


@transaction.atomic
def add_site(owner: Owner, values: Mapping[str, Any]) -> Site:
    """Take a new site of ``owner`` into the register. Raises ``ValidationError``, naming the field."""
    site = Site(owner=owner, **values)
    _check(site)
    site.save()
    return site


@transaction.atomic
def add_place(site: Site, values: Mapping[str, Any]) -> Location:
    """Take a new place of ``site`` into the register. Raises ``ValidationError``, naming the field."""
    place = Location(site=site, **values)
    _check(place)
    place.save()
    return place


@transaction.atomic
def add_unit(
    place: Location,
    facts: Mapping[str, Any],
    *,
    from_on: date | None,
    by: Person | None,
    today: date,
    client_ref: uuid.UUID | None = None,
) -> Unit:
    """Take a unit that hangs at ``place`` into the register by hand and return it.

    ``today`` is the civil day at the site.

    ``client_ref`` becomes its id, so that a form sent twice makes one unit. Raises ``ValidationError``.
    """
    if client_ref is not None:
        stored = Unit.objects.filter(public_id=client_ref).first()
        if stored is not None:
            return stored
    wrong = impossible(facts, today=today, said=facts)
    if from_on is not None and from_on > today:
        wrong["from_on"] = f"{from_on} lies ahead of us: enter since when it hangs there."
    if wrong:
        raise ValidationError(wrong)
    unit = Unit(
        number=unit_numbers(1)[0],
        model=model_like(None, facts),
        site_id=place.site_id,
        serial=facts.get("serial", ""),
        commissioned_on=facts.get("commissioned_on"),
    )
    if client_ref is not None:
        unit.public_id = client_ref
    unit.made = facts.get("made") or Stamp.unknown()
    unit.full_clean()
    unit.save()
    hang_unit(unit, place, on=from_on, by=by, reason="Entered at the desk")
    return unit


def changes_of(subject: Unit | Site | Owner | Location) -> models.QuerySet[FactChange]:
    """Everything that was corrected or changed on ``subject``, newest first; of a unit also as alias."""
    rows = FactChange.objects.select_related("changed_by", "unit")
    if isinstance(subject, Unit):
        return rows.filter(models.Q(unit=subject.pk) | models.Q(unit__merged_into=subject.pk)).order_by("-pk")
    return rows.filter(**{subject._meta.model_name or "": subject.pk}).order_by("-pk")


def field_label(change: FactChange) -> str:
    """What the changed fact is called."""
    for kind in ("unit", "site", "owner", "location"):
        if getattr(change, f"{kind}_id") is not None:
            return LABELS[kind].get(change.field, change.field)
    return change.field


def subjects_of(changes: Iterable[FactChange]) -> dict[int, list[FactChange]]:
    """Changes of units by unit id."""
    found: dict[int, list[FactChange]] = defaultdict(list)
    for change in changes:
        if change.unit_id is not None:
            found[change.unit_id].append(change)
    return found
