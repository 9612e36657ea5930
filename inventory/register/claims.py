"""What different sources say about the facts of a unit, where they do not agree.

A fact that every source gives alike, or that only one gave, has no claim: ``Unit.facts_rank`` says how
good its source is. Where two sources contradict each other both are kept here, with their rank. The one
that weighs more stands; the other waits until a person settles it. Order of weight: common practice, no
source.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.db.models import F

from inventory.access import Scope
from inventory.errors import Conflict
from inventory.measures.stamps import Stamp
from inventory.people import Person
from inventory.register.models import (
    AGENT_CHOICES,
    CONSTRUCTION_CHOICES,
    SHELL_CHOICES,
    FactRank,
    Unit,
    UnitModel,
)

FACT_LABELS: Mapping[str, str] = {
    "serial": "Serial",
    "made": "Made",
    "commissioned_on": "In service since",
    "maker": "Maker",
    "name": "Model",
    "agent": "Agent",
    "construction": "Construction",
    "shell": "Shell",
    "cylinder_spec": "Cylinder specification",
    "charge": "Charge",
    "water_capacity_ml": "Water capacity",
    "working_pressure_kpa": "Working pressure",
    "test_pressure_kpa": "Test pressure",
    "full_mass_g": "Gross mass when full",
    "is_wheeled": "Wheeled",
    "is_refillable": "Refillable",
    "has_shutoff_hose": "Hose with shut-off",
}
"""Facts that sources can disagree about; those after "In service since" are build data of the model."""

BUILD_FIELDS = (
    "maker", "name", "agent", "construction", "shell", "cylinder_spec", "charge_mass_g", "charge_volume_ml",
    "charge_text", "water_capacity_ml", "working_pressure_kpa", "test_pressure_kpa", "full_mass_g",
    "is_wheeled", "is_refillable", "has_shutoff_hose",
)  # fmt: skip


class ClaimQuerySet(models.QuerySet["Claim"]):
    def visible_to(self, scope: Scope) -> ClaimQuerySet:
        """Claims about units that ``scope`` may see."""
        if scope.everything:
            return self
        return self.filter(
            models.Q(unit__site__owner__in=scope.owner_ids) | models.Q(unit__site__in=scope.site_ids)
        )

    def open(self) -> ClaimQuerySet:
        """Claims that contradict what stands and that nobody has settled."""
        return self.filter(is_standing=False, settled_at__isnull=True)


class Claim(models.Model):
    """One source's word on one fact of one unit."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="claims")
    fact = models.CharField(max_length=24, choices=list(FACT_LABELS.items()))
    value = models.CharField(max_length=250, help_text="As JSON, in the form in which the register keeps it.")
    shown = models.CharField(max_length=200, help_text="As a person reads it.")
    rank = models.PositiveSmallIntegerField(choices=FactRank)
    source = models.CharField(max_length=120, blank=True, help_text="Whose file or word it was.")
    said_on = models.DateField(null=True, blank=True)
    import_ref = models.UUIDField(null=True, blank=True, db_index=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    is_standing = models.BooleanField(default=False, help_text="The register goes by this one.")
    settled_at = models.DateTimeField(null=True, blank=True)
    settled_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
    settled_how = models.CharField(max_length=200, blank=True)

    objects = ClaimQuerySet.as_manager()

    class Meta:
        ordering = ["unit_id", "fact", "rank", "id"]
        indexes = [
            models.Index(
                fields=["unit", "fact"],
                condition=models.Q(is_standing=False, settled_at__isnull=True),
                name="claim_open",
            )
        ]
        constraints = [
            models.UniqueConstraint(fields=["unit", "fact", "value", "rank", "source"], name="claim_once"),
            models.UniqueConstraint(
                fields=["unit", "fact"],
                condition=models.Q(is_standing=True),
                name="claim_one_stands",
                violation_error_message="Another claim on this fact stands already.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit}: {self.get_fact_display()} {self.shown}, {self.get_rank_display()}"

    @property
    def weight(self) -> int:
        """How much it weighs: what a person settled weighs most."""
        return FactRank.DECIDED.value if self.is_standing and self.settled_by_id else self.rank


def build_key(values: Mapping[str, Any]) -> str:
    """Digest of all build data, by which equal builds share a model."""
    return hashlib.sha256(repr(sorted(values.items())).encode()).hexdigest()


def build_values(model: UnitModel) -> dict[str, Any]:
    """All build data of ``model``."""
    return {name: getattr(model, name) for name in BUILD_FIELDS}


def fact_of(unit: Unit, fact: str) -> Any:
    """The value in force of ``fact``, in the form in which claims keep it."""
    if fact == "made":
        return list(stored_stamp(unit.made))
    if fact == "commissioned_on":
        return unit.commissioned_on.isoformat() if unit.commissioned_on else None
    if fact == "serial":
        return unit.serial
    if fact == "charge":
        model = unit.model
        return [model.charge_mass_g, model.charge_volume_ml, model.charge_text]
    return getattr(unit.model, fact)


def stored_stamp(stamp: Stamp) -> tuple[str | None, str | None, str, str]:
    """A stamp as plain values: first and last day, precision, as read."""
    first = stamp.first.isoformat() if stamp.first else None
    last = stamp.last.isoformat() if stamp.last else None
    return first, last, stamp.precision.value, stamp.raw


def open_claims(unit_ids: Iterable[int]) -> list[Claim]:
    """Claims on these units that wait for a person, with what stands against them being on the unit."""
    return list(
        Claim.objects.open()
        .filter(unit__in=list(unit_ids))
        .select_related("unit__model", "made_by")
        .order_by("unit_id", "fact", "pk")
    )


@transaction.atomic
def settle_claim(claim: Claim, *, takes: bool, reason: str, by: Person, now: datetime) -> Unit:
    """Take the value of ``claim`` into the register, or leave what stands; both stay on record.

    Returns the unit, whose dates the caller brings up to date. Raises ``ValidationError`` without a reason
    and ``Conflict`` when somebody settled it a moment ago.
    """
    if not reason.strip():
        raise ValidationError({"reason": "Say how you know, for whoever reads this later."})
    done = {"settled_at": now, "settled_by": by.pk, "settled_how": reason.strip()[:200]}
    if not Claim.objects.open().filter(pk=claim.pk).update(**done):
        raise Conflict("claim_settled", "Somebody settled this a moment ago. Load the page again.")
    unit = Unit.objects.select_related("model").get(pk=claim.unit_id)
    standing = Claim.objects.filter(unit=unit, fact=claim.fact, is_standing=True)
    if takes:
        standing.update(is_standing=False, **done)
        Claim.objects.filter(pk=claim.pk).update(is_standing=True)
        set_fact(unit, claim.fact, json.loads(claim.value))
    elif not standing.update(**done):
        # What stands gets a claim of its own, so that the next file meets a person's word.
        value = fact_of(unit, claim.fact)
        Claim.objects.update_or_create(
            unit=unit,
            fact=claim.fact,
            value=as_value(value),
            rank=FactRank.DECIDED,
            source="",
            defaults={
                "shown": shown_fact(claim.fact, value),
                "made_at": now,
                "made_by_id": by.pk,
                "is_standing": True,
                "settled_at": now,
                "settled_by_id": by.pk,
                "settled_how": reason.strip()[:200],
            },
        )
    return unit


def set_fact(unit: Unit, fact: str, value: Any) -> None:
    """Write ``value`` as ``fact`` of ``unit`` and mark that its dates may move."""
    if fact == "made":
        first, last, precision, raw = value
        unit.made_first = date.fromisoformat(first) if first else None
        unit.made_last = date.fromisoformat(last) if last else None
        unit.made_precision, unit.made_raw = precision, raw
    elif fact == "commissioned_on":
        unit.commissioned_on = date.fromisoformat(value) if value else None
    elif fact == "serial":
        unit.serial = value
    else:
        values = build_values(unit.model)
        if fact == "charge":
            values["charge_mass_g"], values["charge_volume_ml"], values["charge_text"] = value
        else:
            values[fact] = value
        unit.model, _ = UnitModel.objects.get_or_create(build_key=build_key(values), defaults=values)
    unit.save(
        update_fields=[
            "made_first", "made_last", "made_precision", "made_raw", "commissioned_on", "serial", "model",
        ]
    )  # fmt: skip
    Unit.objects.filter(pk=unit.pk).update(facts_revision=F("facts_revision") + 1)


def as_value(value: Any) -> str:
    """A fact as the text that a claim keeps."""
    return json.dumps(value, ensure_ascii=False)


_UNITS = {"_ml": "mL", "_kpa": "kPa", "_g": "g"}
_CHOICES = {
    "agent": dict(AGENT_CHOICES),
    "construction": dict(CONSTRUCTION_CHOICES),
    "shell": dict(SHELL_CHOICES),
}


def shown_fact(fact: str, value: Any) -> str:
    """A fact as a person reads it."""
    if value in (None, "", [None, None, ""]):
        return "not known"
    if fact == "made":
        first, last, precision, raw = value
        if first is None:
            return "not known"
        stamp = Stamp.from_stored(date.fromisoformat(first), date.fromisoformat(last), precision, raw)
        return str(stamp)
    if fact == "charge":
        mass, volume, text = value
        return str(text or (f"{mass} g" if mass is not None else f"{volume} mL"))[:200]
    if isinstance(value, bool):
        return "yes" if value else "no"
    if fact in _CHOICES:
        return str(_CHOICES[fact].get(value, value))
    for suffix, name in _UNITS.items():
        if fact.endswith(suffix):
            return f"{value} {name}"
    return str(value)[:200]
