"""People of the firm, as far as planning needs them, and the person who is signed in."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from servicedesk.access import Act
from servicedesk.accounts.models import User
from servicedesk.api.base import ScopedViewSet, Shown
from servicedesk.api.references import OwnerBriefSerializer


class TechnicianSerializer(serializers.Serializer[User]):
    """A technician to whom a visit can be given."""

    id = serializers.UUIDField(source="public_id")
    name = serializers.CharField(source="display_name")
    phone = serializers.CharField()
    licence_number = serializers.CharField()
    licence_expires_on = serializers.DateField(allow_null=True)


@extend_schema(tags=["People"])
@extend_schema_view(
    list=extend_schema(summary="List technicians"), retrieve=extend_schema(summary="Show a technician")
)
class TechnicianViewSet(Shown):
    """Active technicians, for those who plan."""

    queryset = User.objects.filter(role=User.Role.TECHNICIAN, is_active=True)
    serializer_class = TechnicianSerializer
    filter_backends: list[Any] = []
    page_order = ("last_name", "first_name", "username")
    acts = {"list": (Act.PLAN_VISITS,), "retrieve": (Act.PLAN_VISITS,)}

    def visible(self, queryset: Any) -> QuerySet[Any]:
        """All of them for those who see the whole firm, none for anybody else."""
        return queryset if self.scope.everything else queryset.none()


class MeSerializer(serializers.Serializer[User]):
    """The signed-in person."""

    id = serializers.UUIDField(source="public_id")
    username = serializers.CharField()
    name = serializers.CharField(source="display_name")
    role = serializers.ChoiceField(choices=User.Role.choices)
    role_text = serializers.CharField(source="get_role_display")
    owners = OwnerBriefSerializer(
        many=True, help_text="The owners whose premises the person sees; empty for the firm."
    )


@extend_schema(tags=["Signing in"])
class MeView(ScopedViewSet):
    """Who is signed in."""

    queryset = User.objects.all()
    serializer_class = MeSerializer
    filter_backends: list[Any] = []
    pagination_class = None  # type: ignore[assignment]
    acts = {"show": tuple(Act)}

    def visible(self, queryset: Any) -> QuerySet[Any]:
        """The person alone."""
        return queryset.filter(pk=self.request.user.pk)

    @extend_schema(summary="Show who is signed in", responses=MeSerializer)
    def show(self, request: Request) -> Response:
        """The signed-in person, the role, and the owners that it reaches."""
        person = self.get_queryset().get()
        person.owners = [m.owner for m in person.memberships.select_related("owner").order_by("owner__name")]
        return Response(self.get_serializer(person).data)
