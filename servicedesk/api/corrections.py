"""Correcting facts of the register over the API: what the desk's pages do, field by field."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rest_framework import serializers
from rest_framework.exceptions import ValidationError

from inventory.measures.stamps import Stamp, StampError, read_stamp
from inventory.register.changes import FactSource
from inventory.register.facts import Because, correct_row, correct_units
from inventory.register.models import (
    AGENT_CHOICES,
    CONSTRUCTION_CHOICES,
    ENVIRONMENT_CHOICES,
    LANGUAGE_CHOICES,
    SHELL_CHOICES,
    Location,
    Owner,
    Site,
    Unit,
)
from schedules.certificates.corrections import save_correction
from servicedesk.api.base import ScopedViewSet


class FactsSerializer(serializers.Serializer[Any]):
    """What is different; what is not named stays. The old facts stay on record beside the reason."""

    reason = serializers.CharField(max_length=300, help_text="Why it is changed; stays beside the change.")
    was_wrong = serializers.BooleanField(
        default=True,
        help_text="True: it was wrong before, and certificates that state it are flagged. "
        "False: it has changed since.",
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """At least one change beside the reason."""
        if not set(attrs) - {"reason", "was_wrong", "known_from"}:
            raise ValidationError("Name at least one fact that is different.")
        return attrs


class UnitFactsSerializer(FactsSerializer):
    """Facts of one unit that are different."""

    known_from = serializers.ChoiceField(
        choices=FactSource.choices, help_text="Where the right fact was read."
    )
    serial = serializers.CharField(max_length=60, required=False, allow_blank=True)
    made = serializers.CharField(
        max_length=60, required=False, help_text="The manufacture mark as it is on the shell, or `unknown`."
    )
    commissioned_on = serializers.DateField(required=False, allow_null=True)
    maker = serializers.CharField(max_length=100, required=False, allow_blank=True)
    name = serializers.CharField(max_length=120, required=False, allow_blank=True)
    agent = serializers.ChoiceField(choices=AGENT_CHOICES, required=False)
    construction = serializers.ChoiceField(choices=CONSTRUCTION_CHOICES, required=False)
    shell = serializers.ChoiceField(choices=SHELL_CHOICES, required=False)
    cylinder_spec = serializers.CharField(max_length=20, required=False, allow_blank=True)
    charge_text = serializers.CharField(max_length=30, required=False, allow_blank=True)
    charge_mass_g = serializers.IntegerField(min_value=1, required=False, allow_null=True)
    charge_volume_ml = serializers.IntegerField(min_value=1, required=False, allow_null=True)
    water_capacity_ml = serializers.IntegerField(min_value=1, required=False, allow_null=True)
    working_pressure_kpa = serializers.IntegerField(min_value=1, required=False, allow_null=True)
    test_pressure_kpa = serializers.IntegerField(min_value=1, required=False, allow_null=True)
    full_mass_g = serializers.IntegerField(min_value=1, required=False, allow_null=True)
    is_wheeled = serializers.BooleanField(required=False)
    is_refillable = serializers.BooleanField(required=False, allow_null=True)
    has_shutoff_hose = serializers.BooleanField(required=False, allow_null=True)


class OwnerFactsSerializer(FactsSerializer):
    """Facts of one owner that are different."""

    name = serializers.CharField(max_length=200, required=False)
    contact_name = serializers.CharField(max_length=120, required=False, allow_blank=True)
    contact_email = serializers.EmailField(required=False, allow_blank=True)
    contact_phone = serializers.CharField(max_length=40, required=False, allow_blank=True)


class SiteFactsSerializer(FactsSerializer):
    """Facts of one site that are different."""

    name = serializers.CharField(max_length=200, required=False)
    code = serializers.CharField(max_length=30, required=False)
    address_line = serializers.CharField(max_length=200, required=False, allow_blank=True)
    city = serializers.CharField(max_length=100, required=False, allow_blank=True)
    region = serializers.CharField(max_length=100, required=False, allow_blank=True)
    postcode = serializers.CharField(max_length=20, required=False, allow_blank=True)
    country = serializers.CharField(max_length=2, required=False, allow_blank=True)
    latitude = serializers.DecimalField(max_digits=9, decimal_places=6, required=False, allow_null=True)
    longitude = serializers.DecimalField(max_digits=9, decimal_places=6, required=False, allow_null=True)
    time_zone = serializers.CharField(max_length=64, required=False)
    language = serializers.ChoiceField(choices=LANGUAGE_CHOICES, required=False)
    monthly_checks_by = serializers.ChoiceField(choices=Site.MonthlyChecks.choices, required=False)
    access_notes = serializers.CharField(required=False, allow_blank=True)


class LocationFactsSerializer(FactsSerializer):
    """Facts of one location that are different; an old number still leads to it."""

    number = serializers.CharField(max_length=30, required=False)
    building = serializers.CharField(max_length=80, required=False, allow_blank=True)
    floor = serializers.CharField(max_length=40, required=False, allow_blank=True)
    description = serializers.CharField(max_length=200, required=False, allow_blank=True)
    hazard = serializers.CharField(max_length=80, required=False, allow_blank=True)
    environment = serializers.ChoiceField(choices=ENVIRONMENT_CHOICES, required=False)
    walking_order = serializers.IntegerField(min_value=0, required=False)


def _parted(given: Mapping[str, Any]) -> tuple[dict[str, Any], Because]:
    changes = {name: v for name, v in given.items() if name not in ("reason", "was_wrong", "known_from")}
    return changes, Because(given["reason"], given.get("known_from", ""), given["was_wrong"])


def correct_unit(view: ScopedViewSet, unit: Unit, given: Mapping[str, Any]) -> None:
    """Correct facts of ``unit`` and move its dates; raises ``ValidationError`` or ``Conflict``."""
    changes, because = _parted(given)
    if unit.merged_into_id is not None:
        raise ValidationError({"unit": "It was merged into another unit. Correct that one."})
    if "made" in changes:
        changes["made"] = _mark(view, unit, changes["made"])
    save_correction(
        lambda: correct_units([unit], changes, because, by=view.person, at=view.now), now=view.now
    )


def _mark(view: ScopedViewSet, unit: Unit, text: str) -> Stamp:
    today = view.today_in(unit.site.time_zone if unit.site else "UTC")
    try:
        reading = read_stamp(text, today=today)
    except StampError as error:
        raise ValidationError({"made": error.sentence}) from error
    if reading.doubts:
        raise ValidationError({"made": f"{reading.doubts[0]} Write it like 2026-03-14 or 2026-03."})
    return reading.stamp


def correct(view: ScopedViewSet, row: Site | Owner | Location, given: Mapping[str, Any]) -> None:
    """Correct facts of a site, an owner or a location; raises ``ValidationError`` or ``Conflict``."""
    changes, because = _parted(given)
    save_correction(lambda: correct_row(row, changes, because, by=view.person, at=view.now), now=view.now)
