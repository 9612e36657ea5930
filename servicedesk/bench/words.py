"""What was stated on a card, in words, for pages and papers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from inventory.measures.kinds import TASK_LABELS, Task
from inventory.workshop.models import CardEntry, JobCard
from inventory.workshop.queries import plate
from inventory.workshop.steps import FieldSpec, step_book

VERDICT_TONES: Mapping[str, str] = {
    CardEntry.Verdict.INSIDE: "ok",
    CardEntry.Verdict.DONE: "ok",
    CardEntry.Verdict.OUTSIDE: "overdue",
    CardEntry.Verdict.UNJUDGED: "unknown",
}
STATE_TONES: Mapping[str, str] = {
    JobCard.State.WAITING: "soon",
    JobCard.State.IN_WORK: "away",
    JobCard.State.AT_TEST_HOUSE: "away",
    JobCard.State.TO_RELEASE: "soon",
    JobCard.State.TO_CONDEMN: "soon",
    JobCard.State.RELEASED: "ok",
    JobCard.State.RETURNED: "none",
    JobCard.State.TAKEN_BACK: "none",
    JobCard.State.CONDEMNED: "overdue",
    JobCard.State.DISPOSED: "none",
    JobCard.State.WITHDRAWN: "none",
}
_HOUSE_LABELS = {
    "house": "Test house",
    "done_on": "Day of the test",
    "method": "Method",
    "test_pressure": "Test pressure",
    "certificate": "Certificate",
    "mark": "Mark as read",
}


@dataclass(frozen=True, slots=True)
class SaidLine:
    """One thing stated: its label and what was stated."""

    label: str
    text: str


def work_words(works: list[str]) -> str:
    """The works of a card in one line, e.g. "Recharge, internal examination"."""
    words = [TASK_LABELS[Task(code)] for code in works]
    return ", ".join([*words[:1], *(word.lower() for word in words[1:])])


def said_of(entry: CardEntry) -> list[SaidLine]:
    """What ``entry`` states, line by line, in the order of the step's fields."""
    if "house" in entry.values:
        return [SaidLine(label, _plain(entry.values.get(code))) for code, label in _HOUSE_LABELS.items()]
    specs = step_book().step(entry.step).asked(plate(entry.card.unit).kind)
    return [
        SaidLine(spec.label, _text(spec, entry.values[spec.code]))
        for spec in specs
        if spec.code in entry.values
    ]


def photos_of(entry: CardEntry) -> list[str]:
    """Ids of the photos that came with ``entry``."""
    return [ref for code in photo_fields(entry) for ref in entry.values.get(code, [])]


def photo_fields(entry: CardEntry) -> list[str]:
    """Codes of the fields of ``entry`` that hold photos."""
    if "house" in entry.values:
        return []
    return [spec.code for spec in step_book().step(entry.step).fields if spec.kind == "photos"]


def _text(spec: FieldSpec, value: Any) -> str:
    labels = dict(spec.choices)
    if spec.kind == "photos":
        return f"{len(value)} photo{'s' if len(value) != 1 else ''}"
    if isinstance(value, list):
        return ", ".join(str(labels.get(code, code)) for code in value)
    if value is True:
        return "yes"
    if spec.kind == "choice":
        return str(labels.get(value, value))
    return _plain(value)


def _plain(value: Any) -> str:
    if isinstance(value, dict):
        return f"{value.get('value', '')} {value.get('unit', '')}".strip()
    return str(value or "")


def step_title(code: str) -> str:
    """The title of a step."""
    return step_book().step(code).title
