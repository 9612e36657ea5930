"""Choosing the rules of a table for a kind of unit.

The choice depends on the unit only through its ``Signature``, in which measures and dates are
reduced to what the table can tell apart. Units of one signature share one ``Selection``, so a
sweep chooses once per kind and table, not once per unit.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache
from typing import NamedTuple

from inventory.measures.kinds import Agent, Construction, Environment, Shell, Task
from schedules.engine.facts import UnitFacts
from schedules.rules.specs import spec_family
from schedules.rules.table import NO, UNKNOWN, YES, Effect, IntervalTable, Range, Rule, Selector


class Signature(NamedTuple):
    """A kind of unit as far as one table can tell it from others."""

    agent: Agent
    construction: Construction
    shell: Shell
    spec: str
    environment: Environment
    wheeled: str
    refillable: str
    shutoff_hose: str
    water_capacity_ml: int | None
    charge_mass_g: int | None
    charge_volume_ml: int | None
    made: date | None
    on: date


@dataclass(frozen=True, slots=True)
class TaskRules:
    """The rules of one task that apply to a kind: ``calendar`` first settles, the rest come beside it."""

    calendar: tuple[Rule, ...]
    events: tuple[Rule, ...]
    bars: tuple[Rule, ...]


@dataclass(frozen=True, slots=True)
class Selection:
    """What a table has for a kind of unit; ``uncovered`` are tasks it must answer for and cannot."""

    tasks: dict[Task, TaskRules]
    uncovered: tuple[Task, ...]
    clashes: tuple[tuple[Task, str, str], ...]


@dataclass(frozen=True, slots=True)
class Thresholds:
    """The numbers and days at which a table changes its mind, sorted."""

    water_capacity_ml: tuple[int, ...]
    charge_mass_g: tuple[int, ...]
    charge_volume_ml: tuple[int, ...]
    made: tuple[date, ...]
    days: tuple[date, ...]


@lru_cache(maxsize=512)
def thresholds(table: IntervalTable) -> Thresholds:
    """Return where the rules of ``table`` draw lines."""
    selectors = [rule.select for rule in table.rules]

    def limits(ranges: Iterable[Range]) -> tuple[int, ...]:
        return tuple(sorted({limit for r in ranges for limit in (r.over, r.up_to) if limit is not None}))

    return Thresholds(
        water_capacity_ml=limits(s.water_capacity_ml for s in selectors),
        charge_mass_g=limits(s.charge_mass_g for s in selectors),
        charge_volume_ml=limits(s.charge_volume_ml for s in selectors),
        made=tuple(
            sorted({day for s in selectors for day in (s.made.start, s.made.before) if day is not None})
        ),
        days=tuple(sorted(set(rule_switches(table)))),
    )


def rule_switches(table: IntervalTable) -> Iterable[date]:
    """Yield the days from which another set of rows is valid."""
    for rule in table.rules:
        if rule.valid_from is not None:
            yield rule.valid_from
        if rule.valid_until is not None and rule.valid_until < date.max:
            yield date.fromordinal(rule.valid_until.toordinal() + 1)


def signature(
    table: IntervalTable, facts: UnitFacts, made: date | None, environment: Environment, on: date
) -> Signature:
    """Return the kind of the unit for ``table``. ``made`` is the earliest day it can have been made."""
    lines = thresholds(table)
    return Signature(
        facts.agent,
        facts.construction,
        facts.shell,
        spec_family(facts.cylinder_spec),
        environment,
        YES if facts.is_wheeled else NO,
        _answer(facts.is_refillable),
        _answer(facts.has_shutoff_hose),
        _up(facts.water_capacity_ml, lines.water_capacity_ml),
        _up(facts.charge_mass_g, lines.charge_mass_g),
        _up(facts.charge_volume_ml, lines.charge_volume_ml),
        None if made is None else _down(made, lines.made),
        _down(on, lines.days),
    )


def _answer(value: bool | None) -> str:
    return UNKNOWN if value is None else YES if value else NO


def _up(value: int | None, limits: tuple[int, ...]) -> int | None:
    """Return one number for all that ``limits`` cannot tell from ``value``."""
    if value is None:
        return None
    place = bisect_left(limits, value)
    return limits[place] if place < len(limits) else (limits[-1] + 1 if limits else 0)


def _down(day: date, limits: tuple[date, ...]) -> date:
    place = bisect_right(limits, day)
    return limits[place - 1] if place else date.min


def holds(select: Selector, kind: Signature) -> bool:
    """Return whether the kind meets every condition of the selector."""
    return (
        (select.agents is None or kind.agent in select.agents)
        and (select.constructions is None or kind.construction in select.constructions)
        and (select.shells is None or kind.shell in select.shells)
        and (select.specs is None or kind.spec in select.specs)
        and (select.environments is None or kind.environment in select.environments)
        and (select.wheeled is None or kind.wheeled in select.wheeled)
        and (select.refillable is None or kind.refillable in select.refillable)
        and (select.shutoff_hose is None or kind.shutoff_hose in select.shutoff_hose)
        and select.water_capacity_ml.holds(kind.water_capacity_ml)
        and select.charge_mass_g.holds(kind.charge_mass_g)
        and select.charge_volume_ml.holds(kind.charge_volume_ml)
        and select.made.holds(kind.made)
    )


@lru_cache(maxsize=65536)
def select_rules(table: IntervalTable, kind: Signature) -> Selection:
    """Return the rules of ``table`` for a kind of unit."""
    tasks: dict[Task, TaskRules] = {}
    clashes: list[tuple[Task, str, str]] = []
    applicable = {
        task: [
            rule
            for rule in rules
            if (rule.valid_from is None or rule.valid_from <= kind.on)
            and (rule.valid_until is None or kind.on <= rule.valid_until)
            and holds(rule.select, kind)
        ]
        for task, rules in table.by_task.items()
    }

    def settle(task: Task, allowed: Callable[[Rule], bool]) -> tuple[Rule, ...]:
        found = [rule for rule in applicable.get(task, ()) if rule.is_calendar and allowed(rule)]
        main = sorted((rule for rule in found if not rule.also), key=lambda rule: -rule.priority)
        if len(main) > 1 and main[0].priority == main[1].priority:
            clashes.append((task, main[0].id, main[1].id))
        return (*main[:1], *(rule for rule in found if rule.also))

    # Rules that look at another task's interval come second, once that one is settled.
    def is_free(rule: Rule) -> bool:
        return rule.only_if_interval is None and rule.interval_of is None

    free = {task: settle(task, is_free) for task in applicable}
    clashes.clear()

    def interval(task: Task) -> Rule | None:
        return next((rule for rule in free.get(task, ()) if rule.effect is Effect.REPEAT), None)

    def fits(rule: Rule) -> bool:
        if rule.only_if_interval is not None:
            task, period = rule.only_if_interval
            other = interval(task)
            if other is None or other.every != period:
                return False
        return rule.interval_of is None or interval(rule.interval_of) is not None

    for task, rules in applicable.items():
        calendar = tuple(_borrowed(rule, interval) for rule in settle(task, fits))
        events = tuple(rule for rule in rules if rule.effect is Effect.EVENT)
        bars = tuple(rule for rule in rules if rule.effect is Effect.BAR)
        if calendar or events or bars:
            tasks[task] = TaskRules(calendar, events, bars)
    uncovered = tuple(task for task in table.covers if not _answers(table, task, tasks.get(task)))
    return Selection(tasks, uncovered, tuple(clashes))


def _borrowed(rule: Rule, interval: Callable[[Task], Rule | None]) -> Rule:
    """Return ``rule`` with the interval it takes from another task filled in."""
    other = interval(rule.interval_of) if rule.interval_of is not None else None
    if other is None:
        return rule
    return replace(
        rule,
        first=other.first,
        every=other.every,
        every_by_method=other.every_by_method,
        anchors=rule.anchors or other.anchors,
        assumed=rule.assumed or other.assumed,
    )


def _answers(table: IntervalTable, task: Task, rules: TaskRules | None) -> bool:
    """Return whether the table settles when the task comes, if only that it must not.

    An event rule beside calendar rules does not settle it: corrosion may call for a test at any
    time, which does not say when the next one falls due.
    """
    if rules is None:
        return False
    if rules.calendar or any(not bar.events for bar in rules.bars):
        return True
    return bool(rules.events) and not any(rule.is_calendar for rule in table.by_task[task])
