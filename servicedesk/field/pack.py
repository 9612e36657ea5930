"""Everything a phone needs for some days without signal, as one JSON value.

Set-based: the number of queries does not grow with sites, visits or units. Only what the technician may
see goes in: own and shared visits that are settled, and the sites they lead to.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import Max, Q
from django.db.models.functions import Coalesce

from inventory.access import Scope
from inventory.logbook.defects import open_defects
from inventory.logbook.models import Reading, ServiceRecord
from inventory.measures.checks import SEVERITY_LABELS, checks, defect_kinds, kinds_of
from inventory.measures.judging import judging_form
from inventory.measures.kinds import (
    AGENT_LABELS,
    CONSTRUCTION_LABELS,
    ENVIRONMENT_LABELS,
    SHELL_LABELS,
    TASK_LABELS,
    Agent,
    Construction,
    Task,
)
from inventory.measures.plates import FACTS, SAID_LABELS
from inventory.people import Person
from inventory.register.agreed import agreed_for
from inventory.register.aliases import known_as, old_place_numbers, old_unit_numbers
from inventory.register.models import AccessWindow, Location, Site, Unit, UnitModel, local_today
from schedules.due.models import Obligation
from schedules.due.queries import STATUS_LABELS, status_on
from schedules.routes.models import PlanStop, RoutePlan
from schedules.rulebook.queries import confirmations, table_state, table_version
from schedules.surveys.models import Survey
from schedules.surveys.queries import asked_of
from schedules.visits.acts import NO_ACCESS_REASONS
from schedules.visits.models import FieldAct, HeldVisit, Job, Visit, VisitEntry
from schedules.visits.recording import OPEN_TO_RECORDING
from servicedesk.accounts.models import User
from servicedesk.field.cautions import CAUTIONS, cautions_for
from servicedesk.field.van import AWAY, PARTS, Load, van_list

VERSION = 1
_READINGS_KEPT_DAYS = 3 * 366
NO_SIGNATURE_REASONS = ("Nobody there", "Would not sign", "Not allowed to sign", "Told by telephone")


def visits_between(scope: Scope, now: datetime, *, first_on: date | None, days: int) -> list[Visit]:
    """Open visits of the technician in ``scope`` on these days, in the order in which they are driven.

    Without ``first_on`` from each site's own today on, together with what was left open before.
    """
    rows = (
        Visit.objects.visible_to(scope)
        .filter(state__in=OPEN_TO_RECORDING)
        .select_related("site__owner", "technician")
        .prefetch_related("companions")
        .order_by("planned_on", "planned_start", "window_from", "number")
    )
    if first_on is not None:
        return list(rows.filter(planned_on__gte=first_on, planned_on__lt=first_on + timedelta(days=days)))
    last = now.date() + timedelta(days=days + 1)
    return [
        visit
        for visit in rows.filter(planned_on__lte=last)
        if visit.planned_on < local_today(visit.site, now) + timedelta(days=days)
    ]


def hold(visits: Iterable[Visit], person: Person, *, now: datetime) -> None:
    """Note that ``person`` carries these visits on a phone."""
    HeldVisit.objects.bulk_create(
        [HeldVisit(visit=visit, person_id=person.pk, fetched_at=now) for visit in visits],
        update_conflicts=True,
        unique_fields=["visit", "person"],
        update_fields=["fetched_at"],
    )


def build(scope: Scope, person: User, visits: Sequence[Visit], now: datetime) -> dict[str, Any]:
    """Everything for ``visits``, without the instant at which it was made."""
    return _Pack(scope, person, visits, now).content()


class _Pack:
    """The rows behind one pack, read once."""

    def __init__(self, scope: Scope, person: User, visits: Sequence[Visit], now: datetime) -> None:
        self.scope, self.person, self.visits, self.now = scope, person, visits, now
        self.sites: dict[int, Site] = {visit.site_id: visit.site for visit in visits}
        ids = list(self.sites)
        self.locations = list(Location.objects.filter(site__in=ids))
        self.place = {place.pk: place for place in self.locations}
        self.units = list(Unit.objects.on_duty().filter(site__in=ids))
        self.models = {model.pk: model for model in UnitModel.objects.all()}
        self.jobs: dict[int, list[Job]] = defaultdict(list)
        for job in Job.objects.filter(visit__in=[visit.pk for visit in visits]).order_by("pk"):
            self.jobs[job.visit_id].append(job)
        listed = {job.unit_id for jobs in self.jobs.values() for job in jobs}
        missing = listed - {unit.pk for unit in self.units}
        if missing:
            # Taken down since the visit was planned: still to be answered for.
            self.units += Unit.objects.filter(pk__in=missing)
        self.unit = {unit.pk: unit for unit in self.units}
        self.owed: dict[int, list[Obligation]] = defaultdict(list)
        for row in (
            Obligation.objects.ours().filter(site__in=ids, is_binding=True).order_by("latest_on", "pk")
        ):
            self.owed[row.unit_id].append(row)
        self.defects = list(open_defects(scope).filter(site__in=ids))
        self.hours: dict[int, list[dict[str, Any]]] = defaultdict(list)
        for window in AccessWindow.objects.filter(site__in=ids):
            times = {"opens_at": _clock(window.opens_at), "closes_at": _clock(window.closes_at)}
            self.hours[window.site_id].append({"weekday": window.weekday, **times})
        self.standing = confirmations()
        self.once_unit = old_unit_numbers(self.unit)
        self.once_place = old_place_numbers(self.place)
        self.today = {site.pk: local_today(site, now) for site in self.sites.values()}
        self.agreed = agreed_for(list(self.sites.values()), now)

    def content(self) -> dict[str, Any]:
        person = self.person
        return {
            "pack_version": VERSION,
            "person": {
                "id": str(person.public_id),
                "name": person.display_name,
                "role": person.role,
                "licence_number": person.licence_number,
                "licence_expires_on": _iso(person.licence_expires_on),
            },
            "visits": self._visits(),
            "sites": [self._site(site) for site in self.sites.values()],
            "locations": [self._location(place) for place in sorted(self.locations, key=_walk)],
            "units": self._units(),
            "models": [_model(model) for model in self.models.values()],
            "defects": [self._defect(one) for one in self.defects],
            "tables": self._tables(),
            "tasks": [
                {"code": task.value, "text": TASK_LABELS[task], "is_heavy": task in AWAY} for task in Task
            ],
            "kinds_of_model": {str(model.public_id): sorted(_kinds(model)) for model in self.models.values()},
            "judging": self._judging(),
            "van": self._van(),
            "people": self._people(),
            **SHIPPED,
        }

    # --- visits and sites -------------------------------------------------------------------------

    def _visits(self) -> list[dict[str, Any]]:
        ids = [visit.pk for visit in self.visits]
        last_seq: dict[int, dict[str, int]] = defaultdict(dict)
        for visit_id, device, last in (
            FieldAct.objects.filter(visit__in=ids, device_ref__isnull=False)
            .order_by()
            .values_list("visit_id", "device_ref")
            .annotate(last=Max("sequence"))
        ):
            last_seq[visit_id][str(device)] = last
        drives = dict(
            PlanStop.objects.filter(visit__in=ids, plan__state=RoutePlan.State.TAKEN)
            .order_by("plan_id")
            .values_list("visit_id", "drive_s")
        )
        positions: dict[date, int] = defaultdict(int)
        surveys = self._surveys()
        found = []
        for visit in self.visits:
            positions[visit.planned_on] += 1
            found.append(
                {
                    "id": str(visit.public_id),
                    "number": visit.number,
                    "site": str(visit.site.public_id),
                    "kind": visit.kind,
                    "survey": surveys.get(visit.pk),
                    "state": visit.state,
                    "planned_on": visit.planned_on.isoformat(),
                    "position": positions[visit.planned_on],
                    "starts_at": _clock(visit.planned_start),
                    "window_from": _clock(visit.window_from),
                    "window_until": _clock(visit.window_until),
                    "drive_min": round(drives[visit.pk] / 60) if visit.pk in drives else None,
                    "technician": str(visit.technician.public_id) if visit.technician else None,
                    "companions": [str(one.public_id) for one in visit.companions.all()],
                    "is_late": visit.latest_on is not None and visit.latest_on < self.today[visit.site_id],
                    "is_urgent": visit.is_urgent,
                    "call_reason": visit.call_reason,
                    "version": visit.version,
                    "jobs": [
                        {
                            "unit": str(self.unit[job.unit_id].public_id),
                            "task": job.task,
                            "table": job.table_key,
                            "rule": job.rule_id,
                            "target_on": _iso(job.target_on),
                            "latest_on": _iso(job.latest_on),
                        }
                        for job in self.jobs[visit.pk]
                    ],
                    "last_seq": last_seq[visit.pk],
                }
            )
        return found

    def _surveys(self) -> dict[int, dict[str, Any]]:
        """What a survey carries beside its visit, by visit id."""
        wanted = [visit.pk for visit in self.visits if visit.kind == Visit.Kind.SURVEY]
        if not wanted:
            return {}
        rows = list(Survey.objects.filter(visit__in=wanted).select_related("visit__site"))
        asked = asked_of(rows, now=self.now)
        return {
            row.visit_id: {
                "note": row.note,
                "expected_units": row.expected_units,
                "asked": asked.get(row.visit_id, []),
            }
            for row in rows
        }

    def _site(self, site: Site) -> dict[str, Any]:
        places = sorted((place for place in self.locations if place.site_id == site.pk), key=_walk)
        units = [unit for unit in self.units if unit.site_id == site.pk]
        units.sort(key=self._unit_walk)
        models = {self.models[unit.model_id].pk: self.models[unit.model_id] for unit in units}
        return {
            "id": str(site.public_id),
            "code": site.code,
            "name": site.name,
            "owner": {
                "id": str(site.owner.public_id),
                "name": site.owner.name,
                "phone": site.owner.contact_phone,
            },
            "address": site.address,
            "latitude_deg": None if site.latitude is None else float(site.latitude),
            "longitude_deg": None if site.longitude is None else float(site.longitude),
            "time_zone": site.time_zone,
            "access_notes": site.access_notes,
            "terms": [
                {"code": term.code, "label": term.label, "text": text}
                for term, text, _ in self.agreed[site.pk].lines(phone=True)
            ],
            "exchange_allowed": self.agreed[site.pk].get("return_of_units") != "same",
            "loaner_compulsory": self.agreed[site.pk].get("loaners_compulsory") is True,
            "hours": self.hours[site.pk],
            "contact": {"name": site.owner.contact_name, "phone": site.owner.contact_phone},
            "cautions": cautions_for(models.values()),
            "tables": sorted({row.table_key for unit in units for row in self.owed[unit.pk]}),
            "problems": [
                str(one.public_id) for one in self.defects if one.site_id == site.pk and one.unit_id is None
            ],
            "locations": [str(place.public_id) for place in places],
            "units": [str(unit.public_id) for unit in units],
        }

    def _location(self, place: Location) -> dict[str, Any]:
        return {
            "id": str(place.public_id),
            "site": str(self.sites[place.site_id].public_id),
            "number": place.number,
            "building": place.building,
            "floor": place.floor,
            "description": place.description,
            "hazard": place.hazard,
            "environment": place.environment,
            "walking_order": place.walking_order,
            "once": self.once_place.get(place.pk, []),
        }

    # --- units ------------------------------------------------------------------------------------

    def _units(self) -> list[dict[str, Any]]:
        ids = [unit.pk for unit in self.units]
        last, readings, entries = self._last(ids), self._readings(ids), self._entries()
        listed = {(job.unit_id, job.task) for jobs in self.jobs.values() for job in jobs}
        whys: dict[tuple[str, str, str], str] = {}
        defects: dict[int, list[str]] = defaultdict(list)
        for one in self.defects:
            if one.unit_id is not None:
                defects[one.unit_id].append(str(one.public_id))
        found = []
        for unit in sorted(self.units, key=self._unit_walk):
            place = self.place.get(unit.location_id or 0)
            site = self.sites.get(unit.site_id or 0)
            made = unit.made
            found.append(
                {
                    "id": str(unit.public_id),
                    "site": str(site.public_id) if site else None,
                    "location": str(place.public_id) if place else None,
                    "number": unit.number,
                    "label": unit.number,
                    "once": self.once_unit.get(unit.pk, []),
                    "serial": unit.serial,
                    "model": str(self.models[unit.model_id].public_id),
                    "state": unit.state,
                    "state_text": unit.get_state_display(),
                    "is_loaner": unit.is_loaner,
                    "made": {
                        "text": str(made),
                        "precision": made.precision.value,
                        "first": _iso(made.first),
                        "last": _iso(made.last),
                    },
                    "doubts": [_doubt_text(one) for one in unit.doubts],
                    "due": [self._due(row, listed, whys) for row in self.owed[unit.pk]],
                    "last": last.get(unit.pk, []),
                    "readings": readings.get(unit.pk, []),
                    "defects": defects[unit.pk],
                    "entry": entries.get(unit.pk),
                }
            )
        return found

    def _due(
        self, row: Obligation, listed: set[tuple[int, str]], whys: dict[tuple[str, str, str], str]
    ) -> dict[str, Any]:
        today = self.today.get(row.site_id or 0, self.now.date())
        status = status_on(
            knowledge=row.knowledge,
            latest_on=row.latest_on,
            target_on=row.target_on,
            is_deferred=row.is_deferred,
            today=today,
        )
        key = (row.table_key, row.table_version, row.rule_id)
        if key not in whys:
            whys[key] = _why(*key)
        return {
            "task": row.task,
            "table": row.table_key,
            "rule": row.rule_id,
            "target_on": _iso(row.target_on),
            "latest_on": _iso(row.latest_on),
            "status": status.value,
            "listed": (row.unit_id, row.task) in listed,
            "why": f"{STATUS_LABELS[status]}. {whys[key]}",
        }

    def _last(self, ids: Sequence[int]) -> dict[int, list[dict[str, Any]]]:
        """The last standing record of each task of each unit."""
        found: dict[int, dict[str, dict[str, Any]]] = defaultdict(dict)
        rows = (
            ServiceRecord.objects.standing()
            .of_units(ids)
            .order_by("received_at", "sequence")
            .values_list("counts_for", "task", "outcome", "done_last", "performed_by_name")
        )
        newest: dict[tuple[int, str], date] = {}
        for unit_id, task, outcome, done, by in rows.iterator(5000):
            if (done or date.min) >= newest.get((unit_id, task), date.min):
                newest[unit_id, task] = done or date.min
                found[unit_id][task] = {"task": task, "outcome": outcome, "done_on": _iso(done), "by": by}
        return {unit_id: list(rows.values()) for unit_id, rows in found.items()}

    def _readings(self, ids: Sequence[int]) -> dict[int, list[dict[str, Any]]]:
        """The last value of each quantity of each unit, of the last three years."""
        since = self.now.date() - timedelta(days=_READINGS_KEPT_DAYS)
        rows = (
            Reading.objects.filter(
                record__unit__in=known_as(ids),
                record__done_last__gte=since,
                record__corrected_by__isnull=True,
            )
            .annotate(counts_for=Coalesce("record__unit__merged_into_id", "record__unit_id"))
            .order_by("record__done_last", "pk")
            .values_list(
                "counts_for", "quantity", "entered_value", "entered_unit", "base_value",
                "record__done_last",
            )
        )  # fmt: skip
        found: dict[int, dict[str, dict[str, Any]]] = defaultdict(dict)
        for unit_id, quantity, value, unit, base, done in rows.iterator(5000):
            found[unit_id][quantity] = {
                "quantity": quantity,
                "value": value,
                "unit": unit,
                "base_value": base,
                "done_on": _iso(done),
            }
        return {unit_id: list(rows.values()) for unit_id, rows in found.items()}

    def _entries(self) -> dict[int, dict[str, Any]]:
        """What was stated last about each unit on these visits, by anybody."""
        rows = (
            VisitEntry.objects.filter(visit__in=[visit.pk for visit in self.visits])
            .effective()
            .select_related("made_by", "act")
            .order_by("act__counts_at", "pk")
        )
        return {
            row.unit_id: {
                "act": str(row.client_ref),
                "result": row.result,
                "tasks": row.tasks,
                "readings": row.readings,
                "by": row.made_by.display_name,
                "device_at": row.device_at.isoformat() if row.device_at else None,
            }
            for row in rows
        }

    def _unit_walk(self, unit: Unit) -> tuple[Any, ...]:
        place = self.place.get(unit.location_id or 0)
        return (place is None, *(_walk(place) if place else ()), unit.number)

    # --- the rest ---------------------------------------------------------------------------------

    def _defect(self, one: Any) -> dict[str, Any]:
        return {
            "id": str(one.public_id),
            "unit": str(one.unit.public_id) if one.unit else None,
            "location": str(one.location.public_id) if one.location else None,
            "code": one.code,
            "severity": one.severity,
            "action": one.action,
            "remarks": one.remarks,
            "photos": one.photo_refs,
            "opened_on": one.opened_on.isoformat(),
        }

    def _tables(self) -> list[dict[str, Any]]:
        used = {(row.table_key, row.table_version) for rows in self.owed.values() for row in rows}
        used |= {(job.table_key, job.table_version) for jobs in self.jobs.values() for job in jobs}
        found = []
        for key, version in sorted(used):
            table = table_version(key, version)
            state = table_state(table, self.standing) if table is not None else None
            found.append(
                {
                    "key": key,
                    "version": version,
                    "title": table.title if table is not None else key,
                    "is_confirmed": state.is_confirmed if state is not None else False,
                    "confirmed_text": state.sentence if state is not None else "No longer at hand.",
                    "warning": ""
                    if state is not None and state.is_confirmed
                    else "Unconfirmed: a shipped default, to be confirmed against local code.",
                }
            )
        return found

    def _judging(self) -> dict[str, Any]:
        builds = {(model.agent, model.construction) for model in self.models.values()}
        return judging_form(
            (task, Agent(agent), Construction(construction))
            for task in Task
            for agent, construction in builds
        )

    def _van(self) -> dict[str, Any]:
        tasks: dict[int, set[str]] = defaultdict(set)
        for jobs in self.jobs.values():
            for job in jobs:
                tasks[job.unit_id].add(job.task)
        loads = []
        for unit_id, wanted in tasks.items():
            model = self.models[self.unit[unit_id].model_id]
            loads.append(
                Load(
                    model=str(model.public_id),
                    text=model.kind_text,
                    agent=model.agent,
                    construction=model.construction,
                    charge_mass_g=model.charge_mass_g,
                    tasks=frozenset(wanted),
                )
            )
        carried = Unit.objects.filter(
            Q(store__keeper=self.person.pk) | Q(state=Unit.State.READY_TO_RETURN, site__in=list(self.sites))
        ).order_by("number")
        rows = list(carried.select_related("site"))
        return {
            **van_list(loads),
            "units_in_van": [
                {
                    "id": str(unit.public_id),
                    "number": unit.number,
                    "model": str(self.models[unit.model_id].public_id),
                    "state": unit.state,
                    "is_loaner": unit.is_loaner,
                }
                for unit in rows
            ],
            "carry_back": [
                {
                    "unit": str(unit.public_id),
                    "number": unit.number,
                    "site": str(unit.site.public_id) if unit.site else None,
                }
                for unit in rows
                if unit.state == Unit.State.READY_TO_RETURN
            ],
        }

    def _people(self) -> list[dict[str, str]]:
        people = {self.person.pk: self.person}
        for visit in self.visits:
            for one in (visit.technician, *visit.companions.all()):
                if one is not None:
                    people[one.pk] = one
        return [{"id": str(one.public_id), "name": one.display_name} for one in people.values()]


def _why(key: str, version: str, rule_id: str) -> str:
    table = table_version(key, version)
    if table is None:
        return key
    try:
        rule = table.rule(rule_id)
    except (KeyError, ValueError, LookupError):
        return table.title
    return f"{table.title} {rule.clause}: {rule.interval_words}"


def _kinds(model: UnitModel) -> frozenset[str]:
    return kinds_of(
        Agent(model.agent),
        Construction(model.construction),
        is_wheeled=model.is_wheeled,
        is_refillable=model.is_refillable,
    )


def _model(model: UnitModel) -> dict[str, Any]:
    plain = (
        "maker", "name", "agent", "construction", "shell", "charge_mass_g", "charge_volume_ml", "charge_text",
        "full_mass_g", "working_pressure_kpa", "test_pressure_kpa", "is_wheeled", "is_refillable",
        "has_shutoff_hose",
    )  # fmt: skip
    return {
        "id": str(model.public_id),
        "text": model.kind_text,
        **{name: getattr(model, name) for name in plain},
    }


def _walk(place: Location) -> tuple[Any, ...]:
    return (place.walking_order, place.building, place.floor, place.number)


def _iso(day: date | None) -> str | None:
    return day.isoformat() if day is not None else None


def _clock(at: Any) -> str | None:
    return f"{at:%H:%M}" if at is not None else None


def _doubt_text(doubt: Any) -> str:
    return str(doubt.get("sentence", doubt)) if isinstance(doubt, Mapping) else str(doubt)


def _labels(labels: Mapping[Any, str]) -> dict[str, str]:
    return {str(code): text for code, text in labels.items()}


# The same in every pack.
SHIPPED: Mapping[str, Any] = {
    "checks": [
        {
            "code": check.code,
            "task": check.task.value,
            "kinds": sorted(check.kinds),
            "seq": check.seq,
            "text": check.text,
            "answer": check.answer.value,
            "quantity": check.quantity.value if check.quantity else None,
            "pass_when": check.pass_when,
            "source": check.source,
        }
        for check in checks()
    ],
    "defect_codes": [
        {
            "code": kind.code,
            "about": kind.about.value,
            "text": kind.text,
            "meaning": kind.meaning,
            "also": list(kind.also),
            "kinds": sorted(kind.kinds),
            "severity": kind.severity.value,
            "action": kind.action,
            "leads_to": kind.leads_to.value,
            "source": kind.source,
        }
        for kind in defect_kinds().values()
    ],
    "cautions": [
        {
            "text": caution.text,
            "moment": "arrive" if caution.is_general else "handle",
            "kinds": sorted(caution.agents | caution.constructions)
            or (["wheeled"] if caution.is_wheeled else ["all"]),
        }
        for caution in CAUTIONS
    ],
    "reasons": {
        "no_access": [{"code": code, "text": text} for code, text in NO_ACCESS_REASONS.items()],
        "no_signature": list(NO_SIGNATURE_REASONS),
    },
    "survey_facts": [
        {
            "code": fact.code,
            "label": fact.label,
            "form": fact.form.value,
            "belongs": fact.belongs.value,
            "is_asked": fact.is_asked,
            "choices": [list(choice) for choice in fact.choices],
            "hint": fact.hint,
        }
        for fact in FACTS.values()
    ],
    "survey_said": _labels(SAID_LABELS),
    "parts": [{"code": code, "text": text} for code, text in PARTS.items()],
    "labels": {
        "agent": _labels(AGENT_LABELS),
        "construction": _labels(CONSTRUCTION_LABELS),
        "shell": _labels(SHELL_LABELS),
        "environment": _labels(ENVIRONMENT_LABELS),
        "task": _labels(TASK_LABELS),
        "result": {value: str(label) for value, label in VisitEntry.Result.choices},
        "state": {value: str(label) for value, label in Unit.State.choices},
        "severity": _labels(SEVERITY_LABELS),
        "status": _labels(STATUS_LABELS),
    },
}
