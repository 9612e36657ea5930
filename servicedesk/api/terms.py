"""Terms of contracts as other programs read them: versions as they were written, and what holds at a site."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import django_filters
from django_filters.rest_framework import DjangoFilterBackend
from drf_spectacular.utils import extend_schema, extend_schema_field, extend_schema_view
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.measures.terms import TERM, TERMS
from inventory.register.agreed import agree, agreed_for, waiting_tasks
from inventory.register.models import Owner, Site
from inventory.register.terms import TermsVersion
from servicedesk.access import Act
from servicedesk.api.base import PageSerializer, Shown
from servicedesk.api.references import OwnerBriefSerializer, SiteBriefSerializer

_CODES = ", ".join(term.code for term in TERMS if not term.is_internal)
TERMS_HELP = (
    f"By code: {_CODES}. Days as ISO 8601, yes and no as booleans, money as amount (text) and currency. "
    "What is absent is not agreed; of a site: as with the owner, and null is not agreed there, whatever the "
    "owner has."
)


class _TermsOf(PageSerializer):
    def for_reader(self, values: dict[str, Any]) -> dict[str, Any]:
        """The terms without what is the firm's alone, for an owner."""
        if self.context["view"].is_firm:
            return dict(values)
        return {code: value for code, value in values.items() if code in TERM and not TERM[code].is_internal}


class TermsVersionSerializer(_TermsOf):
    """One version of the terms of an owner, or of one of its sites."""

    id = serializers.UUIDField(source="public_id")
    owner = OwnerBriefSerializer()
    site = SiteBriefSerializer(allow_null=True)
    number = serializers.IntegerField(help_text="The newest of an owner or site has the highest.")
    from_on = serializers.DateField(help_text="First day on which it holds; the last such day so far counts.")
    terms = serializers.SerializerMethodField(help_text=TERMS_HELP)
    reason = serializers.CharField()
    made_by = serializers.CharField(source="made_name")
    made_at = serializers.DateTimeField()

    class Meta:
        internal = ("reason", "made_by", "made_at")

    @extend_schema_field(serializers.DictField())
    def get_terms(self, row: TermsVersion) -> dict[str, Any]:
        """The terms of this version."""
        return self.for_reader(row.values)


class NewTermsSerializer(serializers.Serializer[Any]):
    """A new version. ``terms`` is the whole set: what is left out is not agreed any more."""

    owner = serializers.UUIDField()
    site = serializers.UUIDField(required=False, allow_null=True, default=None)
    from_on = serializers.DateField()
    terms = serializers.DictField(help_text=TERMS_HELP)
    reason = serializers.CharField(max_length=200)
    seen = serializers.IntegerField(min_value=0, help_text="Number of the newest version; 0 for none.")


class TermsFilter(django_filters.FilterSet):
    """What versions can be asked for by."""

    owner = django_filters.UUIDFilter(field_name="owner__public_id", label="Versions of this owner.")
    site = django_filters.UUIDFilter(field_name="site__public_id", label="Versions of this site alone.")


@extend_schema(tags=["Contracts"])
@extend_schema_view(
    list=extend_schema(summary="List versions of terms"),
    retrieve=extend_schema(summary="Show a version of terms"),
)
class TermsViewSet(Shown):
    """Versions of terms, never changed once written."""

    queryset = TermsVersion.objects.select_related("owner", "site")
    serializer_class = TermsVersionSerializer
    filter_backends = [DjangoFilterBackend]
    filterset_class = TermsFilter
    page_order = ("from_on", "public_id")
    acts = {"list": (Act.SEE_TERMS,), "retrieve": (Act.SEE_TERMS,), "create": (Act.SET_TERMS,)}

    @extend_schema(
        summary="Write a new version of terms",
        request=NewTermsSerializer,
        responses={201: TermsVersionSerializer},
    )
    def create(self, request: Request) -> Response:
        """Write a version that holds from a day on; the older ones stay."""
        given = self.input(NewTermsSerializer)
        owner = self.found(Owner.objects.all(), given["owner"], "owner", "There is no such owner.")
        site = None
        if given["site"] is not None:
            site = self.found(Site.objects.all(), given["site"], "site", "There is no such site.")
        row = agree(
            owner,
            site,
            given["terms"],
            from_on=given["from_on"],
            reason=given["reason"],
            seen=given["seen"],
            by=self.person,
            now=self.now,
        )
        return self.after_write(row, status=201)


class AgreedSerializer(_TermsOf):
    """What holds at a site today: the owner's terms with those of the site in their place."""

    site = SiteBriefSerializer(source="*")
    owner = OwnerBriefSerializer()
    terms = serializers.SerializerMethodField(help_text=TERMS_HELP)
    of_site = serializers.SerializerMethodField(help_text="Codes of the terms that the site has of its own.")
    not_agreed = serializers.SerializerMethodField(help_text="Codes of the terms that nobody agreed yet.")
    waiting_tasks = serializers.SerializerMethodField(
        help_text="Tasks that must be called off before they go on a visit; they stay on the due list."
    )

    @extend_schema_field(serializers.DictField())
    def get_terms(self, site: Site) -> dict[str, Any]:
        """The terms in force."""
        return self.for_reader(dict(self.context["agreed"][site.pk].values))

    @extend_schema_field(serializers.ListField(child=serializers.CharField()))
    def get_of_site(self, site: Site) -> list[str]:
        """In the order of the catalogue."""
        return list(self.for_reader({c: 1 for c in TERM if c in self.context["agreed"][site.pk].from_site}))

    @extend_schema_field(serializers.ListField(child=serializers.CharField()))
    def get_not_agreed(self, site: Site) -> list[str]:
        """In the order of the catalogue."""
        values = self.context["agreed"][site.pk].values
        return [term.code for term in TERMS if term.code not in values and not term.is_internal]

    @extend_schema_field(serializers.ListField(child=serializers.CharField()))
    def get_waiting_tasks(self, site: Site) -> list[str]:
        """Codes of tasks."""
        return waiting_tasks(self.context["agreed"][site.pk])


class AgreedFilter(django_filters.FilterSet):
    """What sites can be asked for by."""

    owner = django_filters.UUIDFilter(field_name="owner__public_id", label="Sites of this owner.")


@extend_schema(tags=["Contracts"])
@extend_schema_view(
    list=extend_schema(summary="List what holds at each site"),
    retrieve=extend_schema(summary="Show what holds at a site"),
)
class AgreedTermsViewSet(Shown):
    """The terms in force, by site; the id is that of the site."""

    queryset = Site.objects.select_related("owner")
    serializer_class = AgreedSerializer
    filter_backends = [DjangoFilterBackend]
    filterset_class = AgreedFilter
    page_order = ("name", "code")
    acts = {"list": (Act.SEE_TERMS,), "retrieve": (Act.SEE_TERMS,)}

    def facts_about(self, rows: Sequence[Site]) -> dict[str, Any]:
        """What is agreed for all ``rows``: at most two queries."""
        return {"agreed": agreed_for(rows, self.now)}
