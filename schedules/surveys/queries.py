"""Reading surveys: the list, and how one stands."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime

from django.db.models import QuerySet

from inventory.access import Scope
from inventory.logbook.models import ServiceRecord
from inventory.measures.kinds import Task
from inventory.measures.plates import FACTS, charge_of, plain, shown
from inventory.measures.stamps import Stamp
from inventory.measures.units import Dimension
from inventory.register.models import Location, Unit, local_today
from schedules.surveys.findings import Decided, Listed, Place, Stated, Walk, evaluate
from schedules.surveys.models import Survey, SurveyDecision
from schedules.visits.models import SURVEY_KINDS, FieldAct, WaitingAct
from schedules.visits.order import in_order

# A pressure test under either name is evidence of the other (49 CFR 180.209 calls it requalification).
_AS_TASK: Mapping[str, str] = {Task.REQUALIFICATION.value: Task.HYDROSTATIC_TEST.value}
_DATED = sorted({fact.task.value for fact in FACTS.values() if fact.task} | set(_AS_TASK))


def surveys_for(scope: Scope) -> QuerySet[Survey]:
    """Surveys that ``scope`` may see, with what a list shows of each, the newest first."""
    return (
        Survey.objects.visible_to(scope)
        .select_related("visit__site__owner", "visit__technician", "planned_by", "finished_by")
        .order_by("-visit__planned_on", "-pk")
    )


def expected_of(sites: Iterable[int]) -> QuerySet[Unit]:
    """Units that somebody walking through these sites should meet."""
    return Unit.objects.on_duty().filter(site__in=list(sites)).exclude(state__in=Unit.AWAY)


def walk_of(survey: Survey, *, now: datetime) -> Walk:
    """How ``survey`` stands, worked out from its acts; six queries whatever its size."""
    return walks_of([survey], now=now)[survey.pk]


def walks_of(surveys: Sequence[Survey], *, now: datetime) -> dict[int, Walk]:
    """How each of ``surveys`` (visit and site fetched) stands; six queries whatever their number."""
    sites = {survey.visit.site_id: survey.visit.site for survey in surveys}
    listed, places = _register(list(sites))
    acts: dict[int, list[FieldAct]] = defaultdict(list)
    visits = [survey.visit_id for survey in surveys]
    for act in (
        FieldAct.objects.filter(visit__in=visits, kind__in=SURVEY_KINDS)
        .effective()
        .select_related("made_by")
        .order_by("pk")
    ):
        acts[act.visit_id].append(act)
    decided: dict[int, dict[str, Decided]] = defaultdict(dict)
    for row in (
        SurveyDecision.objects.filter(survey__in=[survey.pk for survey in surveys])
        .select_related("made_by")
        .order_by("pk")
    ):
        decided[row.survey_id][row.key] = Decided(
            row.choice, row.seen_digest, row.reason, row.made_by.display_name
        )
    waiting: dict[int, int] = defaultdict(int)
    for visit_id in WaitingAct.objects.filter(act__visit__in=visits).values_list("act__visit_id", flat=True):
        waiting[visit_id] += 1
    found: dict[int, Walk] = {}
    for survey in surveys:
        site = survey.visit.site
        walk = evaluate(
            listed[site.pk],
            places[site.pk],
            [_stated(act) for act in in_order(acts[survey.visit_id])],
            decided[survey.pk],
            today=local_today(site, now),
        )
        if count := waiting[survey.visit_id]:
            walk.lacking.append(
                f"{count} act{'s' if count != 1 else ''} of a phone wait for others to arrive."
            )
        found[survey.pk] = walk
    return found


def _stated(act: FieldAct) -> Stated:
    return Stated(
        act.act_id,
        act.kind,
        act.unit_ref,
        act.location_ref,
        act.content,
        act.made_by.display_name,
        act.counts_at,
    )


def _register(sites: Sequence[int]) -> tuple[dict[int, list[Listed]], dict[int, list[Place]]]:
    """Units and places of the register, by site id."""
    places: dict[int, list[Place]] = defaultdict(list)
    for row in Location.objects.filter(site__in=sites).order_by("walking_order", "number", "pk"):
        places[row.site_id].append(
            Place(
                row.public_id,
                row.number,
                row.building,
                row.floor,
                row.description,
                row.environment,
                order=len(places[row.site_id]) + 1,
            )
        )
    units = list(expected_of(sites).select_related("model", "location").order_by("number", "pk"))
    dated = _dated([unit.pk for unit in units])
    listed: dict[int, list[Listed]] = defaultdict(list)
    for unit in units:
        assert unit.site_id is not None
        values, words = registered_facts(unit)
        listed[unit.site_id].append(
            Listed(
                unit.public_id,
                unit.number,
                unit.model.kind_text,
                unit.location.public_id if unit.location is not None else None,
                values,
                words,
                dated.get(unit.pk, {}),
            )
        )
    return listed, places


def registered_facts(unit: Unit) -> tuple[dict[str, object], dict[str, str]]:
    """What the register knows of ``unit`` by code of the fact: to compare, and in words."""
    model = unit.model
    texts: dict[str, str] = {
        "agent": model.agent,
        "construction": model.construction,
        "shell": model.shell,
        "maker": model.maker,
        "serial": unit.serial,
        "wheeled": "yes" if model.is_wheeled else "no",
        "refillable": {True: "yes", False: "no"}.get(model.is_refillable, ""),  # type: ignore[arg-type]
    }
    values: dict[str, object] = {}
    words: dict[str, str] = {}
    for code, text in texts.items():
        if text and text != "unknown":
            is_text = code in ("maker", "serial")
            values[code], words[code] = plain(text) if is_text else text, shown(code, text)
    charge = model.charge_text
    if model.charge_mass_g is not None:
        values["charge"] = charge_of(f"{model.charge_mass_g} g")
        words["charge"] = charge or f"{model.charge_mass_g} g"
    elif model.charge_volume_ml is not None:
        values["charge"] = charge_of(f"{model.charge_volume_ml} mL")
        words["charge"] = charge or f"{model.charge_volume_ml} mL"
    elif charge:
        values["charge"], words["charge"] = charge_of(charge) or plain(charge), charge
    for code, dimension, amount, unit_word in (
        ("working_pressure", Dimension.PRESSURE, model.working_pressure_kpa, "kPa"),
        ("test_pressure", Dimension.PRESSURE, model.test_pressure_kpa, "kPa"),
        ("full_mass", Dimension.MASS, model.full_mass_g, "g"),
    ):
        if amount is not None:
            values[code], words[code] = (dimension, amount), f"{amount} {unit_word}"
    if unit.made.is_known:
        values["made"], words["made"] = unit.made, str(unit.made)
    return values, words


def _dated(unit_ids: Sequence[int]) -> dict[int, dict[str, tuple[Stamp, bool]]]:
    """The last standing pass of each dated task of each unit, and whether it was our own work."""
    rows = (
        ServiceRecord.objects.standing()
        .filter(
            unit__in=unit_ids,
            task__in=_DATED,
            outcome=ServiceRecord.Outcome.PASSED,
            done_last__isnull=False,
        )
        .order_by("sequence")
        .values_list("unit_id", "task", "done_first", "done_last", "done_precision", "done_raw", "evidence")
    )
    found: dict[int, dict[str, tuple[Stamp, bool]]] = defaultdict(dict)
    for unit_id, task, first, last, precision, raw, evidence in rows.iterator(5000):
        stamp = Stamp.from_stored(first, last, precision, raw)
        name = _AS_TASK.get(task, task)
        held = found[unit_id].get(name)
        if held is None or (stamp.last or date.min) >= (held[0].last or date.min):
            found[unit_id][name] = stamp, evidence == ServiceRecord.Evidence.OWN_WORK
    return found


def asked_of(surveys: Sequence[Survey], *, now: datetime) -> dict[int, list[dict[str, str]]]:
    """What the desk asks of those who walk, by visit id: which unit or place, and the question."""
    found: dict[int, list[dict[str, str]]] = defaultdict(list)
    asked = SurveyDecision.objects.filter(survey__in=surveys, choice=SurveyDecision.Choice.ASK)
    with_questions = set(asked.values_list("survey_id", flat=True))
    wanted = [survey for survey in surveys if survey.pk in with_questions]
    for survey_id, walk in walks_of(wanted, now=now).items() if wanted else ():
        survey = next(one for one in wanted if one.pk == survey_id)
        for one in walk.differences:
            if one.choice == SurveyDecision.Choice.ASK:
                found[survey.visit_id].append(
                    {
                        "unit": str(one.unit_ref) if one.unit_ref else "",
                        "place": str(one.place_ref) if one.place_ref else "",
                        "subject": one.subject,
                        "title": one.title,
                        "question": one.reason,
                    }
                )
    return found
