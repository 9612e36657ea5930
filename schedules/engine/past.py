"""Reading the history of a unit: what counts, what does not, and what is doubtful about it.

Nothing here raises: a wrong record becomes a finding and the reading that gives the earlier date
is used, so one bad row never stops a sweep.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from inventory.measures.kinds import TASK_LABELS, Environment, EventKind, Task
from inventory.measures.stamps import Precision, Stamp
from schedules.engine.facts import Done, Event, UnitFacts
from schedules.engine.result import Finding
from schedules.rules.table import ANCHOR_WORDS, AnchorKind

_SURROUNDINGS = {
    EventKind.MOVED_TO_VEHICLE: Environment.VEHICLE,
    EventKind.MOVED_ABOARD: Environment.MARINE,
    EventKind.MOVED_OUTDOORS: Environment.OUTDOOR,
    EventKind.MOVED_INDOORS: Environment.NORMAL,
}


AHEAD = frozenset({"future_fact", "future_record", "future_event"})
"""Codes of findings that are over once a day has come."""


@dataclass(frozen=True, slots=True)
class Past:
    """The usable past of one unit on a day."""

    passes: dict[Task, tuple[Done, ...]]
    failures: dict[Task, tuple[Done, ...]]
    events: tuple[Event, ...]
    anchors: dict[AnchorKind, Stamp]
    made_day: date | None
    environment: Environment
    findings: tuple[Finding, ...]
    next_known_day: date | None
    last_known_day: date | None
    """The last of the days that still lie ahead."""


def read_past(facts: UnitFacts, history: Iterable[Done], events: Iterable[Event], as_of: date) -> Past:
    """Return what of ``facts``, ``history`` and ``events`` can be counted on the day ``as_of``."""
    findings: list[Finding] = []
    later: list[date] = []
    anchors = {
        AnchorKind.MADE: facts.made,
        AnchorKind.FIRST_TEST: facts.first_test,
        AnchorKind.COMMISSIONED: facts.commissioned,
        AnchorKind.SOLD: facts.sold,
    }
    for kind, stamp in anchors.items():
        if stamp.first is not None and stamp.first > as_of:
            findings.append(
                Finding(
                    "future_fact",
                    f"The date of {ANCHOR_WORDS[kind]} ({stamp}) lies after {as_of} and is not used.",
                )
            )
            later.append(stamp.first)
            anchors[kind] = Stamp.unknown(stamp.raw)

    kept: list[Done] = []
    for done in sorted(history, key=_order):
        name = f"{TASK_LABELS[done.task]} of {done.stamp}"
        if done.stamp.first is None:
            findings.append(
                Finding(
                    "unreadable_record",
                    f"A {TASK_LABELS[done.task].lower()} has no readable date; it counts as not done.",
                    done.task,
                    done.ref,
                )
            )
            if not done.passed:
                kept.append(done)
        elif done.stamp.first > as_of:
            findings.append(
                Finding(
                    "future_record",
                    f"{name} lies after {as_of}; it does not count yet. Correct the record if it is wrong.",
                    done.task,
                    done.ref,
                )
            )
            later.append(done.stamp.first)
        else:
            kept.append(done)

    anchors[AnchorKind.MADE] = _settle_made(anchors, kept, findings)
    _look_for_pairs(kept, findings)
    happened = []
    for event in sorted(events, key=lambda event: (event.on, event.kind, event.ref)):
        if event.on > as_of:
            findings.append(
                Finding(
                    "future_event", f"The event {event.kind} of {event.on} lies after {as_of}.", "", event.ref
                )
            )
            later.append(event.on)
        else:
            happened.append(event)
    moves = [event for event in happened if event.kind in _SURROUNDINGS]
    made = anchors[AnchorKind.MADE]
    return Past(
        passes=_by_task(done for done in kept if done.passed and done.stamp.is_known),
        failures=_by_task(done for done in kept if not done.passed),
        events=tuple(happened),
        anchors=anchors,
        made_day=made.first,
        environment=_SURROUNDINGS[moves[-1].kind] if moves else facts.environment,
        findings=tuple(findings),
        next_known_day=min(later, default=None),
        last_known_day=max(later, default=None),
    )


def _settle_made(anchors: dict[AnchorKind, Stamp], kept: list[Done], findings: list[Finding]) -> Stamp:
    """Return the manufacture stamp to count from when records are older than the shell.

    One of the two stamps is wrong. Counting from the older one can only make dates earlier, and
    the finding asks for the correction.
    """
    made = anchors[AnchorKind.MADE]
    if made.first is None:
        return made
    older: list[Stamp] = []

    def doubt(stamp: Stamp, what: str, task: str = "", ref: str = "") -> None:
        older.append(stamp)
        text = (
            f"{what} ({stamp}) lies before manufacture ({made}); one of the two is wrong. "
            "Until it is corrected the older date is counted from."
        )
        findings.append(Finding("before_manufacture", text, task, ref))

    for done in kept:
        if done.stamp.last is not None and done.stamp.last < made.first:
            doubt(done.stamp, TASK_LABELS[done.task], done.task, done.ref)
    for kind in (AnchorKind.FIRST_TEST, AnchorKind.COMMISSIONED, AnchorKind.SOLD):
        stamp = anchors[kind]
        if stamp.last is not None and stamp.last < made.first:
            doubt(stamp, f"The date of {ANCHOR_WORDS[kind]}")
    return min(older, key=lambda stamp: stamp.first or date.max, default=made)


def _look_for_pairs(kept: list[Done], findings: list[Finding]) -> None:
    """Report records of one task on one day: said twice, or passed and failed at once."""
    seen: dict[tuple[Task, date], Done] = {}
    for done in kept:
        if done.stamp.first is None or done.stamp.precision is not Precision.DAY:
            continue
        other = seen.setdefault((done.task, done.stamp.first), done)
        if other is done:
            continue
        if other.passed != done.passed:
            text = (
                f"{TASK_LABELS[done.task]} both passed and failed on {done.stamp}; which came last is not "
                "recorded. It counts as failed until one of the records is corrected."
            )
            findings.append(Finding("passed_and_failed", text, done.task, done.ref))
        else:
            text = f"{TASK_LABELS[done.task]} is recorded twice on {done.stamp}; it counts once."
            findings.append(Finding("recorded_twice", text, done.task, done.ref))


def _by_task(dones: Iterable[Done]) -> dict[Task, tuple[Done, ...]]:
    found: dict[Task, list[Done]] = {}
    for done in dones:
        found.setdefault(done.task, []).append(done)
    return {task: tuple(items) for task, items in found.items()}


def _order(done: Done) -> tuple[date, date, str, bool, str, str, str]:
    return (
        done.stamp.first or date.min,
        done.stamp.last or date.min,
        done.task,
        done.passed,
        done.method,
        done.ref,
        done.evidence,
    )
