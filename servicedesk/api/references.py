"""The small shapes that many answers share: what stands for a thing where it is only mentioned."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rest_framework import serializers

from inventory.register.models import PRECISION_CHOICES
from schedules.rulebook.models import Confirmation
from schedules.rulebook.queries import table_state, table_version
from servicedesk.api.base import PageSerializer

Standing = Mapping[tuple[str, str], Confirmation]


class StampSerializer(serializers.Serializer[Any]):
    """A date as precisely as it is known; unknown is a value of its own."""

    text = serializers.CharField(
        source="*", help_text="The date in words: a day, a month, a year or `unknown`."
    )
    first_on = serializers.DateField(source="first", allow_null=True, help_text="First day that it can mean.")
    last_on = serializers.DateField(source="last", allow_null=True, help_text="Last day that it can mean.")
    precision = serializers.ChoiceField(choices=PRECISION_CHOICES)
    raw = serializers.CharField(help_text="As it was read or typed.")


class OwnerBriefSerializer(serializers.Serializer[Any]):
    """An owner, mentioned."""

    id = serializers.UUIDField(source="public_id")
    name = serializers.CharField()


class SiteBriefSerializer(serializers.Serializer[Any]):
    """A site, mentioned."""

    id = serializers.UUIDField(source="public_id")
    code = serializers.CharField()
    name = serializers.CharField()
    time_zone = serializers.CharField(help_text="IANA name; dates at the site are civil dates of this zone.")


class LocationBriefSerializer(serializers.Serializer[Any]):
    """A location, mentioned."""

    id = serializers.UUIDField(source="public_id")
    number = serializers.CharField()
    place = serializers.CharField(help_text="Building, floor and description.")


class UnitBriefSerializer(serializers.Serializer[Any]):
    """A unit, mentioned."""

    id = serializers.UUIDField(source="public_id")
    number = serializers.CharField(help_text="Our own number, on the identity label.")
    kind = serializers.CharField(
        source="model.kind_text", help_text="Charge, agent and construction in words."
    )


class PersonBriefSerializer(PageSerializer):
    """A person of the firm, mentioned. An owner gets the name only."""

    id = serializers.UUIDField(source="public_id")
    name = serializers.CharField(source="display_name")

    class Meta:
        internal = ("id",)


class TableBriefSerializer(serializers.Serializer[Any]):
    """An interval table, mentioned together with whether anybody has confirmed it."""

    id = serializers.CharField(help_text="Key and version, joined by `@`.")
    key = serializers.CharField()
    version = serializers.CharField()
    title = serializers.CharField()
    is_confirmed = serializers.BooleanField(
        help_text="Whether a manager has confirmed this version against local code. "
        "Unconfirmed tables are shipped defaults."
    )
    confirmation = serializers.CharField(help_text="The state of confirmation in one sentence, to be shown.")


def table_id(key: str, version: str) -> str:
    """The name of a table version in addresses."""
    return f"{key}@{version}"


def table_brief(key: str, version: str, standing: Standing) -> dict[str, Any]:
    """A table version as it is mentioned beside a date."""
    table = table_version(key, version)
    found: dict[str, Any] = {"id": table_id(key, version), "key": key, "version": version}
    if table is None:
        return found | {
            "title": key,
            "is_confirmed": False,
            "confirmation": "Unconfirmed: this version is no longer shipped.",
        }
    state = table_state(table, standing)
    return found | {"title": table.title, "is_confirmed": state.is_confirmed, "confirmation": state.sentence}
