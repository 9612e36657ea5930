"""For which units a rule is, in the words of the trade."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum
from typing import TypeVar

from inventory.measures.kinds import (
    AGENT_LABELS,
    CONSTRUCTION_LABELS,
    ENVIRONMENT_LABELS,
    SHELL_LABELS,
    Agent,
)
from schedules.rules import AGENT_GROUPS, DayRange, Range, Selector

_Code = TypeVar("_Code", bound=StrEnum)

# Broad groups first, so that the fewest words name the most agents.
_GROUP_WORDS: Mapping[str, str] = {
    "@special_provision_18": "every agent but carbon dioxide",
    "@water_based": "water based",
    "@water": "water",
    "@foam": "foam",
    "@powder": "powder",
    "@dry_chemical": "dry chemical",
    "@halogenated": "halogenated and clean agents",
    "@halon": "halon",
}
_SPEC_WORDS = {"none": "without a specification", "foreign": "foreign", "special_permit": "by special permit"}


def kind_words(select: Selector) -> str:
    """The units that ``select`` takes, e.g. ``Dry chemical, stored pressure, mild steel``."""
    parts = [
        _agents(select.agents),
        _codes(select.constructions, CONSTRUCTION_LABELS),
        _codes(select.shells, SHELL_LABELS),
        _specs(select.specs),
        _codes(select.environments, ENVIRONMENT_LABELS),
        _answer(select.wheeled, "wheeled", "not wheeled"),
        _answer(select.refillable, "refillable", "not refillable"),
        _answer(select.shutoff_hose, "hose with shut-off", "no shut-off on the hose"),
        _amount(select.water_capacity_ml, "water capacity", "l"),
        _amount(select.charge_mass_g, "charge", "kg"),
        _amount(select.charge_volume_ml, "charge", "l"),
        _made(select.made),
    ]
    words = ", ".join(part for part in parts if part)
    return words[:1].upper() + words[1:] if words else "All units"


def _agents(agents: frozenset[Agent] | None) -> str:
    if agents is None:
        return ""
    left = set(agents)
    words: list[str] = []
    for group, word in _GROUP_WORDS.items():
        members = AGENT_GROUPS[group]
        if members <= left:
            words.append(word)
            left -= members
    words += [_lower(AGENT_LABELS[agent]) for agent in Agent if agent in left]
    return _or(words)


def _codes(codes: frozenset[_Code] | None, labels: Mapping[_Code, str]) -> str:
    return _or(_lower(label) for code, label in labels.items() if code in codes) if codes is not None else ""


def _specs(specs: frozenset[str] | None) -> str:
    if specs is None:
        return ""
    stamped = sorted(spec for spec in specs if spec not in _SPEC_WORDS)
    words = [f"stamped {_or(stamped)}"] if stamped else []
    return _or([*words, *(word for spec, word in _SPEC_WORDS.items() if spec in specs)])


def _answer(answers: frozenset[str] | None, yes: str, no: str) -> str:
    if answers is None:
        return ""
    words = [
        word for code, word in (("yes", yes), ("no", no), ("unknown", "not known whether")) if code in answers
    ]
    return _or(words) if words != [yes, no, "not known whether"] else ""


def _amount(limits: Range, what: str, unit: str) -> str:
    if limits.over is None and limits.up_to is None:
        return ""
    parts = [
        f"{word} {limit / 1000:g} {unit}"
        for word, limit in (("over", limits.over), ("up to", limits.up_to))
        if limit is not None
    ]
    return f"{what} {' and '.join(parts)}{' or not known' if limits.or_unknown else ''}"


def _made(days: DayRange) -> str:
    parts = [
        f"{word} {day}" for word, day in (("from", days.start), ("before", days.before)) if day is not None
    ]
    if not parts:
        return ""
    return f"made {' and '.join(parts)}{' or on an unknown day' if days.or_unknown else ''}"


def _lower(label: str) -> str:
    """``label`` inside a sentence; names written in capitals stay so."""
    return label if label[:2].isupper() else label[:1].lower() + label[1:]


def _or(words: Iterable[str]) -> str:
    found = list(words)
    return found[0] if len(found) == 1 else ", ".join(found[:-1]) + " or " + found[-1] if found else ""
