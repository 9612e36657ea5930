"""The steps of a job card: read from ``steps.toml``, narrowed to one unit, and filled in field by field.

The file says what is asked; this module refuses a file that it does not fully understand and
turns what somebody typed into plain values. Whether a value is inside its limit is decided in
``inventory.workshop.judging``.
"""

from __future__ import annotations

import tomllib
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

from inventory.measures.charge import LIQUIDS, POWDERS
from inventory.measures.kinds import Agent, Construction, Shell
from inventory.measures.readings import VAPOUR_AGENTS
from inventory.measures.units import Dimension, Measure, MeasureError, UnitOfMeasure, read_number, units_of

GROUPS: Mapping[str, frozenset[Agent]] = {
    "powder": POWDERS,
    "liquid": LIQUIDS,
    "co2": frozenset({Agent.CARBON_DIOXIDE}),
    "halogen": VAPOUR_AGENTS,
    "caustic": frozenset({Agent.WET_CHEMICAL, Agent.LOADED_STREAM}),
}
HIGH_PRESSURE_SHELLS = frozenset({Shell.ALLOY_STEEL_SEAMLESS})
PLAIN_NUMBERS = {"count": "", "hours": "h", "rate": "mbar·L/s"}
KINDS = (
    *("check", "number", "text", "choice", "many", "all", "date"),
    *("instrument", "lot", "drum", "goods", "photos"),
)
MOST_PHOTOS = 6


@dataclass(frozen=True, slots=True)
class Kind:
    """What the choice of steps asks of a unit."""

    agent: Agent
    construction: Construction
    shell: Shell
    cylinder_spec: str = ""

    @property
    def is_high_pressure(self) -> bool:
        """Whether its shell is tested in a water jacket."""
        seamless = self.cylinder_spec.upper().startswith(("3A", "3E", "3H", "3T"))
        return self.agent is Agent.CARBON_DIOXIDE or self.shell in HIGH_PRESSURE_SHELLS or seamless


@dataclass(frozen=True, slots=True)
class FieldSpec:
    """One thing that a step asks for."""

    code: str
    label: str
    kind: str
    required: bool = False
    help: str = ""
    dimension: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    instrument: str = ""
    lot_of: str = ""
    by_volume: bool = False
    only: tuple[str, ...] = ()
    needed_for: tuple[str, ...] = ()

    @property
    def units(self) -> tuple[str, ...]:
        """Units of measure in which the number may be given, the base unit first; empty for a bare number."""
        if self.kind != "number" or self.dimension in PLAIN_NUMBERS:
            return ()
        found = units_of(Dimension(self.dimension))
        return tuple(u.value for u in (*found, *(units_of(Dimension.VOLUME) if self.by_volume else ())))


@dataclass(frozen=True, slots=True)
class Caution:
    """A reminder of what can hurt at a step; ``source`` is empty where it is common practice."""

    text: str
    source: str = ""
    agents: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a card."""

    code: str
    stage: str
    title: str
    ask: str
    fields: tuple[FieldSpec, ...]
    when: tuple[str, ...]
    agents: tuple[str, ...] = ()
    constructions: tuple[str, ...] = ()
    shells: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    source: str = "common practice, no source"
    restarts: bool = False
    charges: bool = False
    measured: bool = False

    def fits(self, kind: Kind, paths: Sequence[str]) -> bool:
        """Whether the step belongs to a unit of this kind whose work goes along ``paths``."""
        return (
            (not self.when or bool(set(self.when) & set(paths)))
            and (not self.agents or any(kind.agent in GROUPS[group] for group in self.agents))
            and (not self.constructions or kind.construction.value in self.constructions)
            and (not self.shells or ("high" if kind.is_high_pressure else "low") in self.shells)
        )

    def asked(self, kind: Kind) -> tuple[FieldSpec, ...]:
        """The fields that this kind of unit is asked for."""
        return tuple(spec for spec in self.fields if not spec.only or kind.construction.value in spec.only)


@dataclass(frozen=True, slots=True)
class Given:
    """What was filled in: typed values by field, and the same as plain data for storing."""

    measures: Mapping[str, Measure] = field(default_factory=dict)
    numbers: Mapping[str, Decimal] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)
    days: Mapping[str, date] = field(default_factory=dict)
    many: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    stored: Mapping[str, Any] = field(default_factory=dict)

    def has(self, code: str) -> bool:
        """Whether a number was given for the field."""
        return code in self.measures or code in self.numbers


class FieldsRefused(ValueError):
    """What was filled in cannot be: a sentence by field code; nothing was stored."""

    def __init__(self, errors: Mapping[str, str]) -> None:
        super().__init__("; ".join(errors.values()))
        self.errors = dict(errors)


@dataclass(frozen=True, slots=True)
class StepBook:
    """All steps in their order, and all cautions."""

    steps: tuple[Step, ...]
    cautions: Mapping[str, Caution]

    def step(self, code: str) -> Step:
        """The step of that code; ``KeyError`` when there is none."""
        return next_or_key_error(self.steps, code)

    def for_unit(self, kind: Kind, paths: Sequence[str]) -> tuple[Step, ...]:
        """The steps that a unit of this kind needs, in order."""
        return tuple(step for step in self.steps if step.fits(kind, paths))

    def cautions_at(self, step: Step, kind: Kind) -> list[str]:
        """What can hurt at ``step`` with a unit of this kind, each line with its source."""
        found = []
        for code in step.cautions:
            caution = self.cautions[code]
            if caution.agents and not any(kind.agent in GROUPS[group] for group in caution.agents):
                continue
            source = caution.source or "common practice, no source"
            found.append(f"{caution.text} ({source})")
        return found


def next_or_key_error(steps: Sequence[Step], code: str) -> Step:
    """The step of that code among ``steps``; ``KeyError`` when there is none."""
    for step in steps:
        if step.code == code:
            return step
    raise KeyError(code)


class StepsFileError(ValueError):
    """The file of steps says something that is not understood; names step and field."""


_STEP_KEYS = {"code", "stage", "title", "ask", "fields", "when", "agents", "constructions", "shells"}
_STEP_KEYS |= {"cautions", "source", "restarts", "charges", "measured"}
_FIELD_KEYS = {"code", "label", "kind", "required", "help", "dimension", "choices", "instrument"}
_FIELD_KEYS |= {"by_volume", "only", "needed_for", "lot_of"}


@cache
def step_book() -> StepBook:
    """The shipped steps."""
    return load_steps((Path(__file__).parent / "steps.toml").read_text(encoding="utf-8"))


def load_steps(text: str) -> StepBook:
    """Read a file of steps. Raises ``StepsFileError`` that names the step and what is wrong."""
    raw = tomllib.loads(text)
    cautions = {
        code: Caution(item["text"], item.get("source", ""), tuple(item.get("agents", ())))
        for code, item in raw.get("cautions", {}).items()
    }
    steps = [_step(item, cautions) for item in raw.get("step", [])]
    codes = [step.code for step in steps]
    if len(set(codes)) != len(codes):
        raise StepsFileError("Two steps carry the same code. Give each its own.")
    return StepBook(tuple(steps), cautions)


def _step(item: Mapping[str, Any], cautions: Mapping[str, Caution]) -> Step:
    code = item.get("code", "?")
    if unknown := set(item) - _STEP_KEYS:
        raise StepsFileError(f"Step {code}: {', '.join(sorted(unknown))} is not known. Remove it.")
    for name in item.get("cautions", ()):
        if name not in cautions:
            raise StepsFileError(f"Step {code}: there is no caution {name!r}. Add it or correct the code.")
    for name in item.get("agents", ()):
        if name not in GROUPS:
            raise StepsFileError(f"Step {code}: {name!r} is no group of agents: {', '.join(GROUPS)}.")
    for name in item.get("constructions", ()):
        if name not in {c.value for c in Construction}:
            raise StepsFileError(f"Step {code}: {name!r} is no construction.")
    specs = tuple(_field(code, given) for given in item["fields"])
    return Step(
        code=code,
        stage=item["stage"],
        title=item["title"],
        ask=item["ask"],
        fields=specs,
        when=tuple(item.get("when", ())),
        agents=tuple(item.get("agents", ())),
        constructions=tuple(item.get("constructions", ())),
        shells=tuple(item.get("shells", ())),
        cautions=tuple(item.get("cautions", ())),
        source=item.get("source", "common practice, no source"),
        restarts=item.get("restarts", False),
        charges=item.get("charges", False),
        measured=item.get("measured", False),
    )


def _field(step: str, given: Mapping[str, Any]) -> FieldSpec:
    where = f"Step {step}, field {given.get('code', '?')}"
    if unknown := set(given) - _FIELD_KEYS:
        raise StepsFileError(f"{where}: {', '.join(sorted(unknown))} is not known. Remove it.")
    if given.get("kind") not in KINDS:
        raise StepsFileError(f"{where}: kind must be one of {', '.join(KINDS)}.")
    if given["kind"] == "number" and given.get("dimension") not in {*Dimension, *PLAIN_NUMBERS}:
        raise StepsFileError(f"{where}: a number needs a dimension.")
    if given["kind"] in ("choice", "many", "all") and not given.get("choices"):
        raise StepsFileError(f"{where}: a choice needs choices.")
    choices = tuple((str(code), str(label)) for code, label in given.get("choices", ()))
    plain = {k: v for k, v in given.items() if k not in ("only", "needed_for", "choices")}
    return FieldSpec(
        **plain,
        choices=choices,
        only=tuple(given.get("only", ())),
        needed_for=tuple(given.get("needed_for", ())),
    )


# --- filling in -------------------------------------------------------------------------------------


def read_fields(step: Step, kind: Kind, raw: Mapping[str, Any]) -> Given:
    """Return what was filled in for ``step``.

    ``raw`` holds by field code: a text; for a number ``{"value": "...", "unit": "..."}``; for
    *many* a list; for a check a true value. Raises ``FieldsRefused`` naming every field that is
    missing or cannot be read; a code that the step does not ask for is refused too.
    """
    errors: dict[str, str] = {}
    measures: dict[str, Measure] = {}
    numbers: dict[str, Decimal] = {}
    texts: dict[str, str] = {}
    days: dict[str, date] = {}
    many: dict[str, tuple[str, ...]] = {}
    stored: dict[str, Any] = {}
    specs = {spec.code: spec for spec in step.asked(kind)}
    for code in raw:
        if code not in specs:
            errors[code] = f"{step.title} does not ask for {code!r} on this unit."
    for code, spec in specs.items():
        value = raw.get(code)
        required = spec.required or kind.construction.value in spec.needed_for
        try:
            if spec.kind == "number":
                number = _number(spec, value, required)
                if number is not None:
                    if isinstance(number, Measure):
                        measures[code] = number
                        stored[code] = {"value": str(number.entered), "unit": number.unit.value}
                    else:
                        numbers[code] = number
                        stored[code] = {"value": str(number), "unit": PLAIN_NUMBERS[spec.dimension]}
            elif spec.kind in ("many", "all"):
                chosen = _many(spec, value)
                if chosen:
                    many[code] = chosen
                    stored[code] = list(chosen)
            elif spec.kind == "photos":
                photos = _photos(spec, value)
                if photos:
                    many[code] = photos
                    stored[code] = list(photos)
            elif spec.kind == "check":
                if value not in (True, "true", "on", "yes", "1"):
                    if required:
                        raise ValueError(f"{spec.label}: tick it once it is done.")
                else:
                    texts[code] = "yes"
                    stored[code] = True
            else:
                text = str(value or "").strip()[:200]
                if not text:
                    if required:
                        raise ValueError(f"{spec.label}: {_demand(spec)}")
                    continue
                if spec.kind == "choice" and text not in {c for c, _ in spec.choices}:
                    raise ValueError(
                        f"{spec.label}: choose one of {', '.join(label for _, label in spec.choices)}."
                    )
                if spec.kind == "date":
                    days[code] = _day(spec, text)
                texts[code] = text
                stored[code] = text
        except ValueError as error:
            errors[code] = str(error)
    if errors:
        raise FieldsRefused(errors)
    return Given(measures, numbers, texts, days, many, stored)


def given_again(step: Step, kind: Kind, stored: Mapping[str, Any]) -> Given:
    """What was stored for ``step``, as typed values once more."""
    known = {spec.code for spec in step.asked(kind)}
    return read_fields(step, kind, {code: value for code, value in stored.items() if code in known})


def _demand(spec: FieldSpec) -> str:
    return {
        "choice": "choose one.",
        "date": "enter the day.",
        "instrument": "name the instrument; a figure without one proves nothing.",
        "lot": "name the lot; a fill without one cannot be traced.",
    }.get(spec.kind, "fill it in.")


def _number(spec: FieldSpec, value: Any, required: bool) -> Measure | Decimal | None:
    entered, unit = "", ""
    if isinstance(value, Mapping):
        entered, unit = str(value.get("value") or "").strip(), str(value.get("unit") or "").strip()
    elif value is not None:
        entered = str(value).strip()
    if not entered:
        if required:
            raise ValueError(f"{spec.label}: enter the figure; this step cannot be ticked without it.")
        return None
    try:
        number, doubt = read_number(entered)
    except MeasureError as error:
        raise ValueError(f"{spec.label}: {error.sentence}") from error
    if doubt is not None:
        raise ValueError(f'{spec.label}: "{entered}" can be read two ways. Write it without grouping.')
    if spec.dimension != "temperature" and number < 0:
        raise ValueError(f"{spec.label}: less than nothing cannot be. Check the figure.")
    if spec.dimension in PLAIN_NUMBERS:
        if spec.dimension == "count" and number != number.to_integral_value():
            raise ValueError(f"{spec.label}: enter a whole number.")
        return number
    if unit not in spec.units:
        raise ValueError(f"{spec.label}: choose a unit of measure: {', '.join(spec.units)}.")
    measure = Measure(number, UnitOfMeasure(unit))
    if spec.dimension == "temperature" and not Decimal(-60) <= measure.temperature_c <= Decimal(70):
        raise ValueError(f"{spec.label}: {measure} is outside -60 to 70 °C. Check the figure and its unit.")
    return measure


def _many(spec: FieldSpec, value: Any) -> tuple[str, ...]:
    given = [value] if isinstance(value, str) else list(value or ())
    known = dict(spec.choices)
    for code in given:
        if code not in known:
            raise ValueError(f"{spec.label}: {code!r} is not one of {', '.join(known.values())}.")
    if spec.kind == "all" and (missing := [label for code, label in spec.choices if code not in given]):
        raise ValueError(f"{spec.label}: still to account for: {', '.join(missing).lower()}.")
    return tuple(code for code in known if code in given)


def _photos(spec: FieldSpec, value: Any) -> tuple[str, ...]:
    """Ids of photos that were kept before the step was stated."""
    try:
        found = [str(uuid.UUID(str(one))) for one in value or ()]
    except ValueError as error:
        raise ValueError(f"{spec.label}: name each photo by the id it was kept under.") from error
    if len(found) > MOST_PHOTOS:
        raise ValueError(f"{spec.label}: at most {MOST_PHOTOS}. Keep those that show it best.")
    return tuple(dict.fromkeys(found))


def _day(spec: FieldSpec, text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise ValueError(f'{spec.label}: "{text}" is no day. Write it as 2026-03-14.') from error
