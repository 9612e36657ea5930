"""Visits: proposed and planned by the desk, recorded and closed by their technician."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from uuid import UUID

import django_filters
from django.core.exceptions import ValidationError as DomainError
from django.db import transaction
from django.db.models import Prefetch, QuerySet
from django_filters.rest_framework import DjangoFilterBackend
from drf_spectacular.utils import (
    OpenApiResponse,
    PolymorphicProxySerializer,
    extend_schema,
    extend_schema_field,
    extend_schema_view,
)
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from inventory.errors import Conflict
from inventory.logbook.models import TASK_CHOICES
from inventory.measures import readings
from inventory.measures.kinds import Agent, Construction, Task
from inventory.register.models import Site, Unit
from schedules.certificates.services import close_with_certificate
from schedules.due.models import Obligation
from schedules.due.queries import attach_why
from schedules.rulebook.queries import confirmations
from schedules.visits.closing import Closing
from schedules.visits.models import Job, Visit, VisitEntry
from schedules.visits.proposing import propose_visit
from schedules.visits.queries import Load, loads
from schedules.visits.recording import EntryInput, add_entry, demands_of, last_entries
from schedules.visits.services import assign_visit, cancel_visit, confirm_visit
from servicedesk.access import Act
from servicedesk.api import examples
from servicedesk.api.base import PageSerializer, Shown
from servicedesk.api.certificates import CertificateBriefSerializer
from servicedesk.api.days import CLOCK, LAST_DAY
from servicedesk.api.errors import item_problem
from servicedesk.api.people import TechnicianViewSet
from servicedesk.api.records import METHOD_CHOICES, QUANTITY_CHOICES
from servicedesk.api.references import (
    LocationBriefSerializer,
    OwnerBriefSerializer,
    PersonBriefSerializer,
    SiteBriefSerializer,
    TableBriefSerializer,
    table_brief,
)
from servicedesk.api.units import UnitModelSerializer

MAX_BATCH = 500
MAX_HORIZON_DAYS = 731

_SERVING = (Act.SEE_DESK, Act.RECORD_VISITS, Act.SEE_PORTAL)


# --- what is read ----------------------------------------------------------------------------------


class VisitSiteSerializer(SiteBriefSerializer):
    """The site of a visit and how to get there."""

    owner = OwnerBriefSerializer()
    address = serializers.CharField(help_text="Street, postcode and town, region, country in one line.")
    latitude_deg = serializers.FloatField(source="latitude", allow_null=True)
    longitude_deg = serializers.FloatField(source="longitude", allow_null=True)


class CountsSerializer(serializers.Serializer[Any]):
    """How many units ended each way; closing demands that they agree with the entries."""

    serviced = serializers.IntegerField(min_value=0)
    failed = serializers.IntegerField(min_value=0)
    replaced = serializers.IntegerField(min_value=0)
    removed = serializers.IntegerField(min_value=0)
    not_found = serializers.IntegerField(min_value=0)
    no_access = serializers.IntegerField(min_value=0)


class VisitSerializer(PageSerializer):
    """One trip to one site by one technician on one day."""

    id = serializers.UUIDField(source="public_id")
    number = serializers.CharField()
    site = VisitSiteSerializer()
    state = serializers.ChoiceField(choices=Visit.State.choices)
    state_text = serializers.CharField(source="get_state_display")
    planned_on = serializers.DateField(help_text="Civil date at the site.")
    latest_on = serializers.DateField(
        allow_null=True, help_text="First latest date among its jobs when proposed."
    )
    technician = PersonBriefSerializer(allow_null=True)
    unit_count = serializers.SerializerMethodField()
    job_count = serializers.SerializerMethodField()
    done_on = serializers.DateField(
        allow_null=True, help_text="Civil date at the site on which it was closed."
    )
    closed_at = serializers.DateTimeField(allow_null=True)
    counts = serializers.SerializerMethodField(
        help_text="Reconciled counts of the closed visit; null before."
    )
    contact_name = serializers.CharField(help_text="Who was told, printed name.")
    no_signature_reason = serializers.CharField()
    cancelled_reason = serializers.CharField()
    version = serializers.IntegerField(help_text="To be sent back with a change at the desk.")

    class Meta:
        internal = ("cancelled_reason", "version")

    def get_unit_count(self, visit: Visit) -> int:
        """Units on the visit's list."""
        found: Load = self.context["loads"].get(visit.pk, Load())
        return found.units

    def get_job_count(self, visit: Visit) -> int:
        """Tasks on the visit's list."""
        found: Load = self.context["loads"].get(visit.pk, Load())
        return found.jobs

    @extend_schema_field(CountsSerializer(allow_null=True))
    def get_counts(self, visit: Visit) -> dict[str, int] | None:
        """The counts of a closed visit."""
        if visit.state != Visit.State.CLOSED:
            return None
        return {result: int(visit.counts.get(result, 0)) for result in VisitEntry.Result.values}


class DemandSerializer(serializers.Serializer[readings.Demand]):
    """Measured values of which a passed task needs at least one."""

    any_of = serializers.ListField(child=serializers.ChoiceField(choices=QUANTITY_CHOICES))
    why = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]


class JobSerializer(serializers.Serializer[Job]):
    """One task on one unit: why it is due, and what has to be measured for a pass."""

    task = serializers.ChoiceField(choices=TASK_CHOICES)
    task_text = serializers.CharField(source="get_task_display")
    table = serializers.SerializerMethodField()
    rule = serializers.CharField(source="rule_id")
    target_on = serializers.DateField(allow_null=True)
    latest_on = serializers.DateField(allow_null=True)
    why = serializers.SerializerMethodField(
        help_text="Why it is due, line by line, as the tables say today; empty once the visit has met it."
    )
    demands = serializers.SerializerMethodField(
        help_text="Measured values that a pass needs; all demands count."
    )
    record = serializers.UUIDField(
        source="record.client_ref",
        default=None,
        allow_null=True,
        help_text="The record that closing made of it.",
    )

    @extend_schema_field(TableBriefSerializer)
    def get_table(self, job: Job) -> dict[str, Any]:
        """The table that demands it and its state of confirmation."""
        return table_brief(job.table_key, job.table_version, self.context["standing"])

    @extend_schema_field(serializers.ListField(child=serializers.CharField()))
    def get_why(self, job: Job) -> list[str]:
        """The explanation of the obligation that the job answers."""
        if job.record_id is not None:
            return []
        return list(self.context["why"].get((job.unit_id, job.table_key, job.task), ()))

    @extend_schema_field(DemandSerializer(many=True))
    def get_demands(self, job: Job) -> list[dict[str, Any]]:
        """What has to be measured for a pass."""
        wanted = demands_of(job.unit.model, job.task)
        return [{"any_of": [q.value for q in d.any_of], "why": d.why, "source": d.source} for d in wanted]


class GivenReadingSerializer(serializers.Serializer[Any]):
    """One measured value as the technician typed it."""

    quantity = serializers.ChoiceField(choices=QUANTITY_CHOICES)
    value = serializers.CharField(
        max_length=24, help_text="The figures as typed, e.g. `195`. They are kept so."
    )
    unit = serializers.CharField(max_length=12, help_text="Unit of measure, e.g. `psi`, `bar`, `kg`.")


class ReplacementSerializer(serializers.Serializer[Any]):
    """The unit that now hangs there: one of our stock by number, or a new one by model, serial and mark."""

    unit_number = serializers.CharField(max_length=30, required=False)
    model = serializers.UUIDField(required=False, help_text="A unit model.")
    serial = serializers.CharField(max_length=60, required=False, allow_blank=True)
    made = serializers.CharField(
        max_length=60, required=False, allow_blank=True, help_text="The manufacture mark as read."
    )


class EntrySerializer(serializers.Serializer[Any]):
    """What a technician states about one unit of a visit. Sent again, it is answered alike."""

    client_ref = serializers.UUIDField(help_text="Made by the client; the same one on every repeat.")
    unit = serializers.UUIDField(help_text="The unit, by its id.")
    result = serializers.ChoiceField(choices=VisitEntry.Result.choices)
    tasks = serializers.ListField(
        child=serializers.ChoiceField(choices=TASK_CHOICES),
        required=False,
        max_length=len(TASK_CHOICES),
        help_text="What was done, for a serviced or failed unit.",
    )
    readings = GivenReadingSerializer(many=True, required=False)
    method = serializers.ChoiceField(
        choices=METHOD_CHOICES, required=False, allow_blank=True, help_text="How a pressure test was made."
    )
    replacement = ReplacementSerializer(required=False, allow_null=True)
    remarks = serializers.CharField(required=False, allow_blank=True, max_length=2000)
    device_at = serializers.DateTimeField(
        required=False, allow_null=True, validators=CLOCK, help_text="The device's clock."
    )


class StoredEntrySerializer(serializers.Serializer[VisitEntry]):
    """An entry as it is kept."""

    client_ref = serializers.UUIDField()
    unit = serializers.UUIDField(source="unit.public_id")
    unit_number = serializers.CharField(source="unit.number")
    result = serializers.ChoiceField(choices=VisitEntry.Result.choices)
    result_text = serializers.CharField(source="get_result_display")
    tasks = serializers.ListField(child=serializers.ChoiceField(choices=TASK_CHOICES))
    readings = GivenReadingSerializer(many=True)
    method = serializers.CharField()
    replacement = ReplacementSerializer(allow_null=True)
    remarks = serializers.CharField()
    device_at = serializers.DateTimeField(allow_null=True)
    received_at = serializers.DateTimeField()


class VisitUnitSerializer(PageSerializer):
    """One unit of a visit: where it hangs, what is to be done, what was last stated about it."""

    id = serializers.UUIDField(source="unit.public_id")
    number = serializers.CharField(source="unit.number")
    serial = serializers.CharField(source="unit.serial")
    state = serializers.ChoiceField(source="unit.state", choices=Unit.State.choices)
    model = UnitModelSerializer(source="unit.model")
    location = LocationBriefSerializer(allow_null=True)
    jobs = JobSerializer(many=True)
    offered = serializers.ListField(
        child=serializers.ChoiceField(choices=QUANTITY_CHOICES),
        help_text="Measured values worth asking for: those demanded, then those that help to judge them.",
    )
    entry = StoredEntrySerializer(allow_null=True, help_text="The entry that counts: the last one received.")

    class Meta:
        # The state is that of today, and today the unit may hang at somebody else's.
        internal = ("state", "entry", "offered")


class MeasurableSerializer(serializers.Serializer[Any]):
    """A measured value that can be entered, and the units of measure that it can be entered in."""

    quantity = serializers.ChoiceField(choices=QUANTITY_CHOICES)
    text = serializers.CharField()
    units = serializers.ListField(child=serializers.CharField())


class VisitDetailSerializer(VisitSerializer):
    """A visit with everything that its technician needs on site."""

    units = serializers.SerializerMethodField(help_text="In walking order; with units found beside the list.")
    quantities = serializers.SerializerMethodField()

    class Meta:
        internal = (*VisitSerializer.Meta.internal, "quantities")

    @extend_schema_field(VisitUnitSerializer(many=True))
    def get_units(self, visit: Visit) -> Any:
        """The units of the visit."""
        return VisitUnitSerializer(self.context["units"][visit.pk], many=True, context=self.context).data

    @extend_schema_field(MeasurableSerializer(many=True))
    def get_quantities(self, visit: Visit) -> list[dict[str, Any]]:
        """Every measured value and its units of measure."""
        return [
            {"quantity": q.value, "text": text, "units": [u.value for u in readings.entry_units(q)]}
            for q, text in readings.QUANTITY_LABELS.items()
        ]


# --- what is sent ----------------------------------------------------------------------------------


class ProposeSerializer(serializers.Serializer[Any]):
    """For which site a visit is proposed."""

    site = serializers.UUIDField()
    horizon_days = serializers.IntegerField(
        min_value=1, max_value=MAX_HORIZON_DAYS, default=92, help_text="How far ahead work is looked for."
    )
    planned_on = serializers.DateField(
        required=False,
        allow_null=True,
        validators=[LAST_DAY],
        help_text="Civil date at the site; chosen from the due dates if left out.",
    )


class AssignSerializer(serializers.Serializer[Any]):
    """Who goes, and when."""

    technician = serializers.UUIDField(
        allow_null=True, help_text="A technician, or null to take the visit back."
    )
    planned_on = serializers.DateField(validators=[LAST_DAY])
    version = serializers.IntegerField(min_value=1, help_text="The version of the visit that you looked at.")


class VersionSerializer(serializers.Serializer[Any]):
    """Which state of the visit the sender looked at."""

    version = serializers.IntegerField(min_value=1, help_text="The version of the visit that you looked at.")


class CancelSerializer(VersionSerializer):
    """Why a visit is cancelled."""

    reason = serializers.CharField(max_length=200)


class CloseSerializer(serializers.Serializer[Any]):
    """What the technician states when closing."""

    counts = CountsSerializer()
    done_on = serializers.DateField(
        required=False,
        allow_null=True,
        help_text="Civil date at the site on which the work was done; today if left out.",
    )
    contact_name = serializers.CharField(
        required=False, allow_blank=True, max_length=120, help_text="Who was told, printed name."
    )
    no_signature_reason = serializers.CharField(
        required=False, allow_blank=True, max_length=200, help_text="Why nobody could be told, if nobody was."
    )


class ClosedSerializer(serializers.Serializer[Any]):
    """The closed visit and the certificate that was issued for it."""

    visit = VisitDetailSerializer()
    certificate = CertificateBriefSerializer()


class BatchItemSerializer(serializers.Serializer[Any]):
    """The answer to one entry of a batch: its own status, and the entry or the problem."""

    index = serializers.IntegerField(help_text="Position in the batch, from 0.")
    client_ref = serializers.CharField(allow_null=True)
    status = serializers.IntegerField(help_text="201 stored, 200 was stored before, 400 or 409 refused.")
    entry = StoredEntrySerializer(required=False)
    problem = serializers.DictField(required=False)


class BatchAnswerSerializer(serializers.Serializer[Any]):
    """The answers to a batch, in its order."""

    results = BatchItemSerializer(many=True)


class VisitFilter(django_filters.FilterSet):
    """What visits can be asked for by."""

    site = django_filters.UUIDFilter(field_name="site__public_id", label="Visits to this site.")
    owner = django_filters.UUIDFilter(
        field_name="site__owner__public_id", label="Visits to this owner's sites."
    )
    technician = django_filters.UUIDFilter(
        field_name="technician__public_id", label="Visits of this technician."
    )
    state = django_filters.ChoiceFilter(choices=Visit.State.choices, label="Visits in this state.")
    planned_on = django_filters.DateFilter(label="Planned for this day.")
    planned_on_before = django_filters.DateFilter(
        field_name="planned_on", lookup_expr="lte", label="Planned for this day or earlier."
    )
    planned_on_after = django_filters.DateFilter(
        field_name="planned_on", lookup_expr="gte", label="Planned for this day or later."
    )
    number = django_filters.CharFilter(label="The visit with exactly this number.")


@extend_schema(tags=["Visits"])
@extend_schema_view(
    list=extend_schema(
        summary="List visits",
        description="By planned day. A technician gets own visits, an owner confirmed visits to own sites.",
        responses=VisitSerializer(many=True),
    ),
    retrieve=extend_schema(
        summary="Show a visit",
        description="With its units in walking order, what is due on each and why, and the measured values "
        "that a pass demands.",
        responses=VisitDetailSerializer,
    ),
)
class VisitViewSet(Shown):
    """Trips to sites."""

    queryset = Visit.objects.select_related("site__owner", "technician")
    serializer_class = VisitDetailSerializer
    filter_backends = [DjangoFilterBackend]
    filterset_class = VisitFilter
    page_order = ("planned_on", "number")
    key_required = frozenset({"close"})
    acts = {
        "list": _SERVING,
        "retrieve": _SERVING,
        "create": (Act.PLAN_VISITS,),
        "assign": (Act.PLAN_VISITS,),
        "confirm": (Act.PLAN_VISITS,),
        "cancel": (Act.PLAN_VISITS,),
        "entries": (Act.RECORD_VISITS,),
        "close": (Act.RECORD_VISITS,),
    }

    def get_queryset(self) -> QuerySet[Any]:
        """Visits in scope, with their jobs where one visit is shown."""
        found = super().get_queryset()
        if self.action == "list":
            return found
        jobs = Job.objects.select_related("unit__model", "unit__location", "location", "record")
        return found.prefetch_related(Prefetch("jobs", jobs.order_by("pk")))

    def get_serializer_class(self) -> type[serializers.BaseSerializer[Any]]:
        """The short form in lists."""
        return VisitSerializer if self.action == "list" else VisitDetailSerializer

    def facts_about(self, rows: Sequence[Visit]) -> dict[str, Any]:
        """Sizes of all ``rows``; where one is shown, its units with entries and explanations too."""
        if self.action == "list":
            return {"loads": loads(visit.pk for visit in rows)}
        jobs = [job for visit in rows for job in visit.jobs.all()]
        # At the site of the visit only: a unit that has moved on is judged by another site's tables.
        owed = list(
            Obligation.objects.filter(
                unit__in={job.unit_id for job in jobs}, site__in={visit.site_id for visit in rows}
            )
        )
        attach_why(owed, self.now)
        return {
            "loads": {v.pk: Load(len({j.unit_id for j in v.jobs.all()}), len(v.jobs.all())) for v in rows},
            "standing": confirmations(),
            "why": {(row.unit_id, row.table_key, row.task): row.why for row in owed},
            "units": {visit.pk: list(_units_of(visit)) for visit in rows},
        }

    # --- at the desk ------------------------------------------------------------------------------

    @extend_schema(
        summary="Propose a visit",
        description="Bundles what falls due at a site, and what may be pulled forward to the same trip. "
        "Answers 409 `nothing_due` where there is nothing to go for.",
        request=ProposeSerializer,
        responses={201: VisitDetailSerializer},
        examples=examples.PROPOSE,
    )
    def create(self, request: Request) -> Response:
        """Propose a visit to a site."""
        given = self.input(ProposeSerializer)
        site = self.found(
            Site.objects.all(),
            given["site"],
            "site",
            "There is no such site. Choose one from the list of sites.",
        )
        visit = propose_visit(
            site,
            by=self.person,
            now=self.now,
            horizon_days=given["horizon_days"],
            planned_on=given.get("planned_on"),
        )
        if visit is None:
            raise Conflict(
                "nothing_due",
                f"Nothing falls due at {site.name} within {given['horizon_days']} days that is not on an "
                "open visit already.",
            )
        return self.after_write(visit, status=201)

    @extend_schema(
        summary="Assign technician and day",
        request=AssignSerializer,
        examples=examples.ASSIGN,
        responses=VisitDetailSerializer,
    )
    @action(detail=True, methods=["post"])
    def assign(self, request: Request, public_id: str) -> Response:
        """Give the visit a technician and a day."""
        visit = self.get_object()
        given = self.input(AssignSerializer)
        technician = None
        if given["technician"] is not None:
            technician = TechnicianViewSet.queryset.filter(public_id=given["technician"]).first()
            if technician is None:
                raise ValidationError(
                    {"technician": "There is no such active technician. Choose one from the list."}
                )
        visit = assign_visit(
            visit,
            technician=technician,
            planned_on=given["planned_on"],
            version=given["version"],
            now=self.now,
        )
        return self.after_write(visit)

    @extend_schema(
        summary="Confirm a visit",
        request=VersionSerializer,
        examples=examples.CONFIRM,
        responses=VisitDetailSerializer,
    )
    @action(detail=True, methods=["post"])
    def confirm(self, request: Request, public_id: str) -> Response:
        """Confirm the visit, so that its technician and the owner see it."""
        visit = self.get_object()
        given = self.input(VersionSerializer)
        return self.after_write(confirm_visit(visit, version=given["version"], now=self.now))

    @extend_schema(summary="Cancel a visit", request=CancelSerializer, responses=VisitDetailSerializer)
    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, public_id: str) -> Response:
        """Cancel the visit; its work becomes free to be proposed again."""
        visit = self.get_object()
        given = self.input(CancelSerializer)
        return self.after_write(cancel_visit(visit, reason=given["reason"], version=given["version"]))

    # --- on site ----------------------------------------------------------------------------------

    @extend_schema(
        summary="Record units",
        description="One entry, or a list of up to 500 that is answered item by item: each has its own "
        "status, and a refused one stops no other. The last entry for a unit counts; closing turns entries "
        "into records.",
        request=PolymorphicProxySerializer(
            component_name="EntryOrEntries",
            serializers=[EntrySerializer, EntrySerializer(many=True)],
            resource_type_field_name=None,
            many=False,
        ),
        responses={
            201: OpenApiResponse(StoredEntrySerializer, description="The one entry was stored."),
            200: OpenApiResponse(
                PolymorphicProxySerializer(
                    component_name="EntryOrBatchAnswer",
                    serializers=[StoredEntrySerializer, BatchAnswerSerializer],
                    resource_type_field_name=None,
                    many=False,
                ),
                description="The one entry had been stored before, or the answers to a batch.",
            ),
        },
        examples=examples.ENTRIES,
    )
    @action(detail=True, methods=["post"])
    def entries(self, request: Request, public_id: str) -> Response:
        """State what was found and done on one unit, or on several."""
        visit = self.get_object()
        if isinstance(request.data, list):
            return Response({"results": self._batch(visit, request.data)})
        entry, is_new = self._record(visit, request.data, None)
        return Response(StoredEntrySerializer(entry).data, status=201 if is_new else 200)

    @extend_schema(
        summary="Close a visit",
        description="Needs an `Idempotency-Key`. The counts must agree with the entries and every unit on "
        "the list must have one; then records are written, due dates move and the certificate is issued, "
        "all or nothing.",
        request=CloseSerializer,
        responses=ClosedSerializer,
        examples=examples.CLOSE,
    )
    @action(detail=True, methods=["post"])
    def close(self, request: Request, public_id: str) -> Response:
        """Close the visit and issue its certificate."""
        visit = self.get_object()
        given = self.input(CloseSerializer)
        closing = Closing(
            counts=dict(given["counts"]),
            done_on=given.get("done_on"),
            contact_name=given.get("contact_name", ""),
            no_signature_reason=given.get("no_signature_reason", ""),
        )
        visit, certificate = close_with_certificate(visit, closing, by=self.person, now=self.now)
        context = self.get_serializer_context()
        return Response(
            {
                "visit": self.read_again(visit),
                "certificate": CertificateBriefSerializer(certificate, context=context).data,
            }
        )

    def _batch(self, visit: Visit, items: Sequence[Any]) -> list[dict[str, Any]]:
        if len(items) > MAX_BATCH:
            raise ValidationError(f"Send at most {MAX_BATCH} entries at once; this batch has {len(items)}.")
        units = self._units(item.get("unit") for item in items if isinstance(item, Mapping))
        answers = []
        for index, item in enumerate(items):
            ref = item.get("client_ref") if isinstance(item, Mapping) else None
            answer: dict[str, Any] = {"index": index, "client_ref": ref if isinstance(ref, str) else None}
            try:
                # A savepoint of its own: a refused item takes nothing of another with it.
                with transaction.atomic():
                    entry, is_new = self._record(visit, item, units)
            except (Conflict, DomainError, ValidationError) as refusal:
                problem = item_problem(refusal)
                answer |= {"status": problem["status"], "problem": problem}
            else:
                answer |= {"status": 201 if is_new else 200, "entry": StoredEntrySerializer(entry).data}
            answers.append(answer)
        return answers

    def _record(self, visit: Visit, item: Any, units: Mapping[UUID, Unit] | None) -> tuple[VisitEntry, bool]:
        serializer = EntrySerializer(data=item)
        serializer.is_valid(raise_exception=True)
        given = serializer.validated_data
        known = self._units([given["unit"]]) if units is None else units
        unit = known.get(given["unit"])
        if unit is None:
            raise ValidationError(
                {"unit": "There is no such unit on this site. Check the number on its label."}
            )
        replacement = given.get("replacement")
        return add_entry(
            visit,
            EntryInput(
                client_ref=given["client_ref"],
                unit=unit,
                result=given["result"],
                tasks=tuple(given.get("tasks", ())),
                readings=tuple(given.get("readings", ())),
                method=given.get("method", ""),
                replacement={k: str(v) for k, v in replacement.items()} if replacement else None,
                remarks=given.get("remarks", ""),
                device_at=given.get("device_at"),
            ),
            by=self.person,
            now=self.now,
        )

    def _units(self, ids: Iterable[Any]) -> dict[UUID, Unit]:
        wanted = {found for found in map(_uuid, ids) if found is not None}
        rows = self.visible(Unit.objects.select_related("model", "site", "location")).filter(
            public_id__in=wanted
        )
        return {unit.public_id: unit for unit in rows}


def _uuid(text: Any) -> UUID | None:
    if isinstance(text, UUID):
        return text
    try:
        return UUID(text) if isinstance(text, str) else None
    except ValueError:
        return None


def _units_of(visit: Visit) -> Iterable[dict[str, Any]]:
    """The units of ``visit`` in walking order: those with jobs and those with an entry only."""
    entries = last_entries(visit)
    jobs: dict[int, list[Job]] = defaultdict(list)
    for job in visit.jobs.all():
        jobs[job.unit_id].append(job)
    found = []
    for unit_id in [*jobs, *(pk for pk in entries if pk not in jobs)]:
        own = jobs.get(unit_id, [])
        unit = own[0].unit if own else entries[unit_id].unit
        location = own[0].location if own else None
        if location is None and unit.site_id == visit.site_id:
            location = unit.location
        kind = Agent(unit.model.agent), Construction(unit.model.construction)
        asked = [q.value for job in own for q in readings.offered(Task(job.task), *kind)]
        found.append(
            {
                "unit": unit,
                "location": location,
                "jobs": own,
                "offered": list(dict.fromkeys(asked)),
                "entry": entries.get(unit_id),
            }
        )
    return sorted(found, key=_walk)


def _walk(item: Mapping[str, Any]) -> tuple[Any, ...]:
    location, unit = item["location"], item["unit"]
    if location is None:
        return (1, 0, "", unit.number)
    return (0, location.walking_order, location.number, unit.number)
