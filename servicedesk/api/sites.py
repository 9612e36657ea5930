"""Owners, their sites and the numbered locations on them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import django_filters
from django.db.models import QuerySet
from django_filters.rest_framework import DjangoFilterBackend
from drf_spectacular.utils import extend_schema, extend_schema_field, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.filters import SearchFilter
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.register.models import ENVIRONMENT_CHOICES, Location, Owner, Site
from schedules.rulebook.books import NO_BOOK, rulebooks
from schedules.rulebook.queries import confirmations, tables_of
from servicedesk.access import Act
from servicedesk.api.base import PageSerializer, Shown
from servicedesk.api.corrections import (
    LocationFactsSerializer,
    OwnerFactsSerializer,
    SiteFactsSerializer,
    correct,
)
from servicedesk.api.references import (
    OwnerBriefSerializer,
    SiteBriefSerializer,
    TableBriefSerializer,
    table_brief,
)


class OwnerSerializer(serializers.Serializer[Owner]):
    """An organisation that owns or occupies premises."""

    id = serializers.UUIDField(source="public_id")
    name = serializers.CharField()
    contact_name = serializers.CharField()
    contact_email = serializers.CharField()
    contact_phone = serializers.CharField()


@extend_schema(tags=["Register"])
@extend_schema_view(
    list=extend_schema(summary="List owners"), retrieve=extend_schema(summary="Show an owner")
)
class OwnerViewSet(Shown):
    """Organisations that own or occupy premises."""

    queryset = Owner.objects.all()
    serializer_class = OwnerSerializer
    filter_backends = [SearchFilter]
    search_fields = ("name",)
    page_order = ("name",)
    acts = {
        "list": (Act.SEE_REGISTER,),
        "retrieve": (Act.SEE_REGISTER,),
        "correct": (Act.CHANGE_REGISTER,),
    }

    @extend_schema(
        summary="Correct an owner's facts",
        description="Writes down each fact that differs, old and new, moves the dates at once and flags "
        "certificates that state what was wrong.",
        request=OwnerFactsSerializer,
        filters=False,
    )
    @action(detail=True, methods=["post"])
    def correct(self, request: Request, public_id: str) -> Response:
        """Correct or change facts."""
        row = self.get_object()
        correct(self, row, self.input(OwnerFactsSerializer))
        return self.after_write(row)


@extend_schema_field({"type": "string", "pattern": r"^\d\d:\d\d$"})
class WallTimeField(serializers.TimeField):
    """Hours and minutes on a clock at the site; they belong to no instant and carry no offset."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(format="%H:%M", **kwargs)


class AccessWindowSerializer(serializers.Serializer[Any]):
    """Hours of one weekday in which the premises let a technician in, local time."""

    weekday = serializers.IntegerField(min_value=0, max_value=6, help_text="0 is Monday, 6 is Sunday.")
    opens_at = WallTimeField()
    closes_at = WallTimeField()


class SiteTableSerializer(TableBriefSerializer):
    """A table that applies at a site, and what the local authority had varied in it there."""

    varied = serializers.ListField(
        child=serializers.CharField(),
        help_text="A sentence for each rule that differs here: what, why, which authority, by whom and when.",
    )


class SiteSerializer(PageSerializer):
    """Premises, with the interval tables that apply there and whether they are confirmed."""

    id = serializers.UUIDField(source="public_id")
    code = serializers.CharField()
    name = serializers.CharField()
    owner = OwnerBriefSerializer()
    address_line = serializers.CharField()
    city = serializers.CharField()
    region = serializers.CharField()
    postcode = serializers.CharField()
    country = serializers.CharField(help_text="ISO 3166-1 alpha-2 code.")
    latitude_deg = serializers.FloatField(source="latitude", allow_null=True)
    longitude_deg = serializers.FloatField(source="longitude", allow_null=True)
    time_zone = serializers.CharField(help_text="IANA name; dates at the site are civil dates of this zone.")
    today_on = serializers.SerializerMethodField(help_text="The civil date at the site at this moment.")
    monthly_checks_by = serializers.ChoiceField(choices=Site.MonthlyChecks.choices)
    access_notes = serializers.CharField()
    access_windows = AccessWindowSerializer(many=True)
    tables = serializers.SerializerMethodField(
        help_text="Tables adopted for the site, its owner or the whole firm. "
        "Unconfirmed ones are shipped defaults to confirm against local code."
    )

    class Meta:
        internal = ("access_notes",)

    @extend_schema_field({"type": "string", "format": "date"})
    def get_today_on(self, site: Site) -> str:
        """The civil date at ``site``."""
        return str(self.context["view"].today_in(site.time_zone).isoformat())

    @extend_schema_field(SiteTableSerializer(many=True))
    def get_tables(self, site: Site) -> list[dict[str, Any]]:
        """The tables that apply at ``site``."""
        book = self.context["books"].get(site.pk, NO_BOOK)
        return [
            table_brief(table.key, table.version, self.context["standing"])
            | {"varied": list(book.varied_sentences(table))}
            for table in tables_of(book.keys)
        ]


class SiteFilter(django_filters.FilterSet):
    """What sites can be asked for by."""

    owner = django_filters.UUIDFilter(field_name="owner__public_id", label="Sites of this owner.")
    code = django_filters.CharFilter(label="The site with exactly this code.")


@extend_schema(tags=["Register"])
@extend_schema_view(list=extend_schema(summary="List sites"), retrieve=extend_schema(summary="Show a site"))
class SiteViewSet(Shown):
    """Premises and the interval tables that apply there."""

    queryset = Site.objects.select_related("owner").prefetch_related("access_windows")
    serializer_class = SiteSerializer
    filter_backends = [DjangoFilterBackend, SearchFilter]
    filterset_class = SiteFilter
    search_fields = ("name", "code", "city")
    page_order = ("name", "code")
    acts = {
        "list": (Act.SEE_REGISTER,),
        "retrieve": (Act.SEE_REGISTER,),
        "correct": (Act.CHANGE_REGISTER,),
    }

    @extend_schema(
        summary="Correct a site's facts",
        description="Writes down each fact that differs, old and new, moves the dates at once and flags "
        "certificates that state what was wrong.",
        request=SiteFactsSerializer,
        filters=False,
    )
    @action(detail=True, methods=["post"])
    def correct(self, request: Request, public_id: str) -> Response:
        """Correct or change facts."""
        row = self.get_object()
        correct(self, row, self.input(SiteFactsSerializer))
        return self.after_write(row)

    def facts_about(self, rows: Sequence[Site]) -> dict[str, Any]:
        """The rulebooks of all ``rows`` and the standing confirmations."""
        return {"books": rulebooks([site.pk for site in rows]), "standing": confirmations()}


class LocationSerializer(serializers.Serializer[Location]):
    """A numbered place where a unit must hang."""

    id = serializers.UUIDField(source="public_id")
    site = SiteBriefSerializer()
    number = serializers.CharField()
    building = serializers.CharField()
    floor = serializers.CharField()
    description = serializers.CharField()
    hazard = serializers.CharField()
    environment = serializers.ChoiceField(choices=ENVIRONMENT_CHOICES)
    walking_order = serializers.IntegerField()


class LocationFilter(django_filters.FilterSet):
    """What locations can be asked for by."""

    site = django_filters.UUIDFilter(field_name="site__public_id", label="Locations of this site.")
    number = django_filters.CharFilter(label="Locations with exactly this number.")


@extend_schema(tags=["Register"])
@extend_schema_view(
    list=extend_schema(summary="List locations"), retrieve=extend_schema(summary="Show a location")
)
class LocationViewSet(Shown):
    """Numbered places on sites, in walking order."""

    queryset = Location.objects.select_related("site")
    serializer_class = LocationSerializer
    filter_backends = [DjangoFilterBackend]
    filterset_class = LocationFilter
    page_order = ("site__code", "walking_order", "number")
    acts = {
        "list": (Act.SEE_REGISTER,),
        "retrieve": (Act.SEE_REGISTER,),
        "correct": (Act.CHANGE_REGISTER,),
    }

    @extend_schema(
        summary="Correct a location's facts",
        description="Writes down each fact that differs, old and new, moves the dates at once and flags "
        "certificates that state what was wrong.",
        request=LocationFactsSerializer,
        filters=False,
    )
    @action(detail=True, methods=["post"])
    def correct(self, request: Request, public_id: str) -> Response:
        """Correct or change facts."""
        row = self.get_object()
        correct(self, row, self.input(LocationFactsSerializer))
        return self.after_write(row)

    def visible(self, queryset: Any) -> QuerySet[Any]:
        """Locations of the sites in scope."""
        if self.scope.everything:
            return queryset
        return queryset.filter(site__in=super().visible(Site.objects.all()))
