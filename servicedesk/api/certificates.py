"""Certificates: frozen statements for closed visits, and their PDF."""

from __future__ import annotations

from typing import Any

import django_filters
from django.db.models import QuerySet
from django.http import HttpResponse
from django_filters.rest_framework import DjangoFilterBackend
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiResponse, extend_schema, extend_schema_field, extend_schema_view
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.reverse import reverse

from inventory.errors import Conflict
from schedules.certificates.models import Certificate
from schedules.certificates.queries import Standing, StandingState, standing_of, with_flags
from schedules.certificates.services import (
    CertificateDamaged,
    pdf_bytes,
    reissue_certificate,
    withdraw_certificate,
)
from servicedesk.access import Act
from servicedesk.api.base import Shown
from servicedesk.api.references import OwnerBriefSerializer, SiteBriefSerializer

STANDING_CHOICES = [(standing.value, standing.value.capitalize()) for standing in Standing]


class CertificateBriefSerializer(serializers.Serializer[Certificate]):
    """A certificate, mentioned."""

    id = serializers.UUIDField(source="public_id")
    number = serializers.CharField()
    verify_code = serializers.CharField(help_text="Opens the public page that says whether it stands.")
    issued_at = serializers.DateTimeField()
    issued_on = serializers.DateField(help_text="Civil date at the site.")
    pdf_url = serializers.SerializerMethodField(
        help_text="Where the PDF is; for those who may see the certificate."
    )

    @extend_schema_field(OpenApiTypes.URI)
    def get_pdf_url(self, certificate: Certificate) -> str:
        """The address of the PDF."""
        return str(
            reverse("v1:certificate-pdf", args=[certificate.public_id], request=self.context.get("request"))
        )


class VisitBriefSerializer(serializers.Serializer[Any]):
    """A visit, mentioned."""

    id = serializers.UUIDField(source="public_id")
    number = serializers.CharField()
    done_on = serializers.DateField()


class CertificateSerializer(CertificateBriefSerializer):
    """What was stated in writing of a closed visit or of a period, and whether it stands."""

    kind = serializers.ChoiceField(choices=Certificate.Kind.choices)
    owner = OwnerBriefSerializer()
    site = SiteBriefSerializer()
    visit = VisitBriefSerializer(allow_null=True)
    first_on = serializers.DateField(allow_null=True, help_text="First day of the period.")
    last_on = serializers.DateField(allow_null=True, help_text="Last day of the period.")
    content_digest = serializers.CharField(help_text="SHA-256 of the frozen content.")
    standing = serializers.SerializerMethodField()
    standing_text = serializers.SerializerMethodField(help_text="How it stands, in one sentence to be shown.")
    flagged_on = serializers.DateField(
        default=None,
        allow_null=True,
        help_text="When a fact that it states was last corrected. The certificate stays as it was issued.",
    )
    withdrawn_at = serializers.SerializerMethodField()
    withdrawn_reason = serializers.SerializerMethodField()
    replaced_by = serializers.UUIDField(source="replaced_by.public_id", default=None, allow_null=True)
    replaces = serializers.UUIDField(source="replaces.public_id", default=None, allow_null=True)

    @extend_schema_field(serializers.ChoiceField(choices=STANDING_CHOICES))
    def get_standing(self, certificate: Certificate) -> str:
        """How it stands now."""
        return self._standing(certificate).standing.value

    def get_standing_text(self, certificate: Certificate) -> str:
        """How it stands, in words."""
        return self._standing(certificate).sentence

    @extend_schema_field(serializers.DateTimeField(allow_null=True))
    def get_withdrawn_at(self, certificate: Certificate) -> str | None:
        """When it was withdrawn."""
        at = self._standing(certificate).withdrawn_at
        return None if at is None else str(serializers.DateTimeField().to_representation(at))

    def get_withdrawn_reason(self, certificate: Certificate) -> str:
        """Why it was withdrawn."""
        return self._standing(certificate).reason

    def _standing(self, certificate: Certificate) -> StandingState:
        return standing_of(certificate)


class CertificateDetailSerializer(CertificateSerializer):
    """A certificate with everything that it prints."""

    content = serializers.JSONField(help_text="Everything printed, frozen when it was issued.")


class CertificateFilter(django_filters.FilterSet):
    """What certificates can be asked for by."""

    owner = django_filters.UUIDFilter(field_name="owner__public_id", label="Certificates of this owner.")
    site = django_filters.UUIDFilter(field_name="site__public_id", label="Certificates of this site.")
    visit = django_filters.UUIDFilter(field_name="visit__public_id", label="Certificates of this visit.")
    number = django_filters.CharFilter(label="The certificate with exactly this number.")
    issued_on_before = django_filters.DateFilter(
        field_name="issued_on", lookup_expr="lte", label="Issued on this day or earlier."
    )
    issued_on_after = django_filters.DateFilter(
        field_name="issued_on", lookup_expr="gte", label="Issued on this day or later."
    )
    is_standing = django_filters.BooleanFilter(
        method="by_standing", label="true leaves out withdrawn and replaced ones."
    )

    def by_standing(self, queryset: QuerySet[Certificate], name: str, value: bool) -> QuerySet[Certificate]:
        """Certificates that stand, or those that do not."""
        standing = {"withdrawal__isnull": True, "replaced_by__isnull": True}
        return queryset.filter(**standing) if value else queryset.exclude(**standing)


class ReasonSerializer(serializers.Serializer[Any]):
    """Why a certificate no longer stands; whoever checks it reads this."""

    reason = serializers.CharField(max_length=300)


@extend_schema(tags=["Certificates"])
@extend_schema_view(
    list=extend_schema(
        summary="List certificates", description="Latest first.", responses=CertificateSerializer(many=True)
    ),
    retrieve=extend_schema(summary="Show a certificate", responses=CertificateDetailSerializer),
)
class CertificateViewSet(Shown):
    """Certificates of service."""

    queryset = with_flags(
        Certificate.objects.select_related("owner", "site", "visit", "withdrawal", "replaced_by", "replaces")
    ).defer("replaced_by__content", "replaces__content")
    serializer_class = CertificateDetailSerializer
    filter_backends = [DjangoFilterBackend]
    filterset_class = CertificateFilter
    page_order = ("-issued_at", "number")
    acts = {
        "list": (Act.SEE_CERTIFICATES,),
        "retrieve": (Act.SEE_CERTIFICATES,),
        "pdf": (Act.SEE_CERTIFICATES,),
        "withdraw": (Act.WITHDRAW_CERTIFICATES,),
        "reissue": (Act.WITHDRAW_CERTIFICATES,),
    }

    def get_queryset(self) -> QuerySet[Any]:
        """Certificates in scope; lists leave the long content in the database."""
        found = super().get_queryset()
        return (
            found.defer("content", "replaced_by__content", "replaces__content")
            if self.action == "list"
            else found
        )

    def get_serializer_class(self) -> type[serializers.BaseSerializer[Any]]:
        """The short form in lists."""
        return CertificateSerializer if self.action == "list" else CertificateDetailSerializer

    @extend_schema(
        summary="Download the PDF",
        responses={(200, "application/pdf"): OpenApiResponse(OpenApiTypes.BINARY, description="The paper.")},
    )
    @action(detail=True)
    def pdf(self, request: Request, public_id: str) -> HttpResponse:
        """The certificate on paper, byte for byte as it was first made."""
        certificate = self.get_object()
        try:
            paper = pdf_bytes(certificate)
        except CertificateDamaged as damage:
            raise Conflict("certificate_damaged", str(damage)) from damage
        answer = HttpResponse(paper, content_type="application/pdf")
        answer["Content-Disposition"] = f'attachment; filename="{certificate.number}.pdf"'
        return answer

    @extend_schema(
        summary="Withdraw a certificate",
        description="States that it no longer stands; paper and content stay as they were.",
        request=ReasonSerializer,
        responses=CertificateDetailSerializer,
    )
    @action(detail=True, methods=["post"])
    def withdraw(self, request: Request, public_id: str) -> Response:
        """State that the certificate no longer stands."""
        certificate = self.get_object()
        given = self.input(ReasonSerializer)
        withdraw_certificate(certificate, given["reason"], by=self.person, now=self.now)
        return self.after_write(certificate)

    @extend_schema(
        summary="Reissue a certificate",
        description="Issues a new certificate from the records as they stand now and withdraws this one; "
        "both stay.",
        request=ReasonSerializer,
        responses={201: CertificateDetailSerializer},
    )
    @action(detail=True, methods=["post"])
    def reissue(self, request: Request, public_id: str) -> Response:
        """Issue a new certificate in place of this one."""
        certificate = self.get_object()
        given = self.input(ReasonSerializer)
        new = reissue_certificate(certificate, given["reason"], by=self.person, now=self.now)
        return self.after_write(new, status=201)
