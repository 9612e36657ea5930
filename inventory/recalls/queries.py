"""Which units a recall concerns, for certain or possibly, and how far it is followed up."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from django.db.models import Case, CharField, Count, Exists, F, OuterRef, Q, QuerySet, Value, When
from django.db.models.functions import Replace, Upper

from inventory.logbook.models import Defect, ServiceRecord
from inventory.measures.serials import SerialRange, Where
from inventory.measures.stamps import Stamp
from inventory.recalls.models import Recall, RecallUnit
from inventory.register.models import Unit
from inventory.stock.models import Lot
from inventory.stock.queries import units_of_lot

Certainty = RecallUnit.Certainty
State = RecallUnit.State


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a recall looks for; an empty value narrows nothing."""

    maker: str = ""
    model_name: str = ""
    agent: str = ""
    made_from: date | None = None
    made_to: date | None = None
    serial_from: str = ""
    serial_to: str = ""
    lot: Lot | None = None

    @property
    def is_enough(self) -> bool:
        """Whether it looks for something: without maker, lot or serials it would be every unit."""
        return bool(self.maker.strip() or self.lot or self.serial_from.strip() or self.serial_to.strip())


@dataclass(slots=True)
class Match:
    """One unit that a recall concerns, and why."""

    unit_id: int
    certainty: str
    why: str
    site_id: int | None = None
    state: str = ""


def _letters(name: str) -> Any:
    found: Any = Upper(name)
    for mark in " -./_&":
        found = Replace(found, Value(mark), Value(""), output_field=CharField())
    return found


def _plain(text: str) -> str:
    for mark in " -./_&":
        text = text.replace(mark, "")
    return text.upper()


def matches(wanted: Wanted) -> Iterator[Match]:
    """Units that ``wanted`` concerns, by number; three queries whatever their number.

    What is not known of a unit, or cannot be read, never rules it out: it is concerned possibly, and
    ``why`` says what was not known. A unit merged into another speaks for that one. Raises
    ``ValueError`` for serials that make no range.
    """
    serials = (
        SerialRange.of(wanted.serial_from, wanted.serial_to)
        if wanted.serial_from.strip() or wanted.serial_to.strip()
        else None
    )
    rows = Unit.objects.annotate(
        make=_letters("model__maker"),
        called=_letters("model__name"),
        counts_for=Case(When(merged_into__isnull=False, then=F("merged_into")), default=F("pk")),
    )
    if wanted.maker.strip():
        rows = rows.filter(Q(make=_plain(wanted.maker)) | Q(make=""))
    if wanted.model_name.strip():
        rows = rows.filter(Q(called=_plain(wanted.model_name)) | Q(called=""))
    if wanted.agent:
        rows = rows.filter(model__agent__in=(wanted.agent, "unknown"))
    refilled: dict[int, bool] = {}
    if wanted.lot is not None:
        refilled = dict(units_of_lot(wanted.lot).order_by().values_list("pk", "is_refilled"))
        rows = rows.filter(pk__in=[pk for pk, is_refilled in refilled.items() if not is_refilled])
    if wanted.made_from is not None:
        rows = rows.filter(Q(made_last__gte=wanted.made_from) | Q(made_last__isnull=True))
    if wanted.made_to is not None:
        rows = rows.filter(Q(made_first__lte=wanted.made_to) | Q(made_first__isnull=True))
    found: dict[int, Match] = {}
    for pk, maker, name, agent, serial, first, last, precision, raw in (
        rows.order_by("number", "pk")
        .values_list(
            "counts_for", "make", "called", "model__agent", "serial",
            "made_first", "made_last", "made_precision", "made_raw",
        )
        .iterator(2000)
    ):  # fmt: skip
        doubts: list[str] = []
        if wanted.maker.strip() and not maker:
            doubts.append("the maker is not known")
        if wanted.model_name.strip() and not name:
            doubts.append("the model is not known")
        if wanted.agent and agent != wanted.agent:
            doubts.append("the agent is not known")
        if serials is not None:
            where = serials.judge(serial)
            if where is Where.OUTSIDE:
                continue
            if where is Where.UNKNOWN:
                doubts.append(f"serial {serial} cannot be told apart" if serial else "no serial is readable")
        made = Stamp.from_stored(first, last, precision, raw)
        doubt = _made_doubt(made, wanted.made_from, wanted.made_to)
        if doubt:
            doubts.append(doubt)
        here = Match(
            pk,
            (Certainty.POSSIBLE if doubts else Certainty.CERTAIN).value,
            _said(doubts),
        )
        stored = found.get(pk)
        if stored is None or (stored.certainty == Certainty.POSSIBLE and not doubts):
            found[pk] = here
    places = Unit.objects.filter(pk__in=found).order_by().values_list("pk", "site_id", "state")
    for pk, site_id, state in places:
        found[pk].site_id, found[pk].state = site_id, state
    yield from found.values()


def _made_doubt(made: Stamp, first: date | None, last: date | None) -> str:
    if first is None and last is None:
        return ""
    if made.first is None or made.last is None:
        return "the build date is not known"
    inside = (first is None or made.first >= first) and (last is None or made.last <= last)
    return "" if inside else f"built {made}, which is not precise enough to tell"


def _said(doubts: list[str]) -> str:
    if not doubts:
        return "All that the recall names is known of it and fits."
    return f"Possibly: {'; '.join(doubts)}."[:300]


@dataclass(slots=True)
class Counts:
    """How many units are concerned, by certainty, at sites and in states."""

    certain: int = 0
    possible: int = 0
    gone: int = 0
    by_site: dict[int | None, Counter[str]] = field(default_factory=dict)

    @property
    def total(self) -> int:
        """All of them."""
        return self.certain + self.possible


def counted(found: Iterator[Match] | list[Match]) -> Counts:
    """Count what ``matches`` found."""
    counts = Counts()
    for match in found:
        if match.certainty == Certainty.CERTAIN:
            counts.certain += 1
        else:
            counts.possible += 1
        counts.gone += match.state in Unit.GONE
        counts.by_site.setdefault(match.site_id, Counter())[match.certainty] += 1
    return counts


# --- following up ------------------------------------------------------------------------------------


def lines_of(recall: Recall) -> QuerySet[Any]:
    """The units of ``recall`` with ``stands``: what a person said, else what the register shows since.

    Gone for good is gone, a settled defect of the recall is done, not found is not found, and what was
    worked on since the recall was opened is found.
    """
    settled = Defect.objects.filter(
        unit=OuterRef("unit"),
        remarks__startswith=f"{recall.number}:",
        settled_at__isnull=False,
        is_void=False,
    )
    seen = ServiceRecord.objects.filter(
        unit=OuterRef("unit"),
        received_at__gt=recall.opened_at,
        outcome__in=(ServiceRecord.Outcome.PASSED, ServiceRecord.Outcome.FAILED),
    )
    return (
        RecallUnit.objects.filter(recall=recall)
        .annotate(
            stands=Case(
                When(~Q(state=State.OPEN), then=F("state")),
                When(unit__state__in=Unit.GONE, then=Value(State.GONE.value)),
                When(Exists(settled), then=Value(State.DONE.value)),
                When(unit__state=Unit.State.NOT_FOUND, then=Value(State.NOT_FOUND.value)),
                When(Exists(seen), then=Value(State.FOUND.value)),
                default=Value(State.OPEN.value),
                output_field=CharField(),
            )
        )
        .select_related("unit__model", "unit__site__owner", "unit__location", "recall")
        .order_by("unit__site__name", "unit__location__walking_order", "unit__number", "pk")
    )


def progress(recall: Recall) -> dict[str, int]:
    """How many units of ``recall`` stand how, every state named; one query."""
    rows = lines_of(recall).order_by().values_list("stands").annotate(n=Count("pk"))
    found = dict(rows)
    return {state: found.get(state, 0) for state in State.values}


def recalls_of(unit: Unit) -> list[RecallUnit]:
    """Open recalls that concern ``unit``."""
    rows = RecallUnit.objects.filter(unit=unit, recall__state=Recall.State.OPEN).exclude(
        state__in=RecallUnit.SETTLED
    )
    return list(rows.select_related("recall").order_by("pk"))
