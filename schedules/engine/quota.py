"""Demands on groups of units: a third of the premises each year, one of each type in five years.

A pure function over a population. Which units are taken is settled by what is known about them
and by their references, never by chance: the one whose turn is longest past comes first, so that
repeating the choice year after year takes every unit in turn.

>>> number_required(10, Fraction(1, 3)), number_required(5, Fraction(1, 2))
(4, 3)
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from math import ceil

from inventory.measures.kinds import TASK_LABELS, Task
from inventory.measures.stamps import Stamp
from schedules.engine.clocks import Clocks
from schedules.engine.draft import table_line
from schedules.engine.facts import Done, UnitFacts
from schedules.engine.past import read_past
from schedules.engine.result import Basis, Knowledge, Obligation
from schedules.engine.select import holds, signature
from schedules.rules.table import STATUS_WORDS, IntervalTable, Quota

# Periods of several years are counted from here unless the caller knows better, as a ship does.
# Common practice, no source.
PERIODS_START = date(2000, 1, 1)


@dataclass(frozen=True, slots=True)
class Member:
    """One unit of a population: ``ref`` is its lasting reference, ``site`` where it belongs."""

    ref: str
    facts: UnitFacts
    history: tuple[Done, ...] = ()
    site: str = ""


@dataclass(frozen=True, slots=True)
class QuotaGroup:
    """What a quota demands of one group in one period.

    ``done`` are the members already done in the period, ``chosen`` those to do before ``ends_on``,
    in the order of their turn, each with an obligation. ``failed`` are members that failed in it.
    """

    quota_id: str
    key: tuple[str, ...]
    size: int
    required: int
    starts_on: date
    ends_on: date
    done: tuple[str, ...]
    failed: tuple[str, ...]
    chosen: tuple[tuple[str, Obligation], ...]
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Turn:
    """A member and what decides its turn."""

    ref: str
    last: date
    made: date
    tie: str
    stamp: Stamp
    passed: bool
    failed: bool


def number_required(size: int, share: Fraction, at_least: int = 0) -> int:
    """Return how many of ``size`` units a share takes: rounded up, never more than there are.

    Source of rounding up: 46 CFR 167.45-70(a), half of 1 to 5 is 1, 1, 2, 2, 3.
    """
    return min(size, max(at_least, ceil(share * size)))


def quota_groups(
    members: Iterable[Member],
    table: IntervalTable,
    quota: Quota,
    as_of: date,
    periods_start: date = PERIODS_START,
) -> tuple[QuotaGroup, ...]:
    """Return what ``quota`` demands of each group of ``members`` in the period that holds ``as_of``.

    Periods follow each other from ``periods_start``. Units that the quota is not for and retired
    ones are left out. Members whose turn is longest past come first, never-done and unknown dates
    before all others, then the oldest shells, then an order that looks random but depends only on
    the reference. When a member fails and the quota says so, the whole group is due.
    """
    starts_on, ends_on = _period(quota, as_of, periods_start)
    groups: dict[tuple[str, ...], list[_Turn]] = defaultdict(list)
    for member in members:
        past = read_past(member.facts, member.history, (), as_of)
        kind = signature(table, member.facts, past.made_day, past.environment, as_of)
        if past.passes.get(Task.RETIREMENT) or not holds(quota.select, kind):
            continue
        clocks = Clocks(past, table)
        own = [*clocks.own_passes(quota.task), *clocks.other_restarts(quota.task)]
        last = max(own, key=lambda done: clocks.counted(done.stamp), default=None)
        last_day = clocks.counted(last.stamp) if last else date.min
        failure = clocks.standing_failure(quota.task)
        turn = _Turn(
            ref=member.ref,
            last=last_day,
            made=past.made_day or date.min,
            tie=hashlib.sha256(f"{quota.id} {member.ref}".encode()).hexdigest(),
            stamp=last.stamp if last else Stamp.unknown(),
            passed=last_day >= starts_on,
            failed=failure is not None and (failure.stamp.last is None or failure.stamp.last >= starts_on),
        )
        groups[_group_key(quota, member, past.made_day)].append(turn)
    return tuple(
        _group(table, quota, key, sorted(turns, key=_order), starts_on, ends_on)
        for key, turns in sorted(groups.items())
    )


def _order(turn: _Turn) -> tuple[date, date, str, str]:
    return turn.last, turn.made, turn.tie, turn.ref


def _group(
    table: IntervalTable,
    quota: Quota,
    key: tuple[str, ...],
    turns: Sequence[_Turn],
    starts_on: date,
    ends_on: date,
) -> QuotaGroup:
    size = len(turns)
    required = number_required(size, quota.share, quota.at_least)
    failed = [turn.ref for turn in turns if turn.failed]
    demand = f"{quota.share} of {size}, rounded up" if quota.share else f"at least {quota.at_least} of {size}"
    lines = [f"{demand}: {required} between {starts_on} and {ends_on}."]
    if failed and quota.failure_takes_all:
        required = size
        lines.append(f"{len(failed)} failed in this period, so all {size} of the group are due.")
    done = [turn for turn in turns if turn.passed and not turn.failed]
    open_turns = [turn for turn in turns if not (turn.passed and not turn.failed)]
    chosen = open_turns[: max(0, required - len(done))]
    lines.append(f"Done in this period: {len(done)}. Still to do: {len(chosen)}.")
    return QuotaGroup(
        quota_id=quota.id,
        key=key,
        size=size,
        required=required,
        starts_on=starts_on,
        ends_on=ends_on,
        done=tuple(turn.ref for turn in done),
        failed=tuple(failed),
        chosen=tuple(
            (turn.ref, _obligation(table, quota, turn, place, starts_on, ends_on, lines))
            for place, turn in enumerate(chosen, 1)
        ),
        why=tuple(lines),
    )


def _obligation(
    table: IntervalTable,
    quota: Quota,
    turn: _Turn,
    place: int,
    starts_on: date,
    ends_on: date,
    lines: Sequence[str],
) -> Obligation:
    called = quota.called or TASK_LABELS[quota.task]
    last = f"last done {turn.stamp}" if turn.stamp.is_known else "not on record as done"
    return Obligation(
        table_key=table.key,
        table_version=table.version,
        task=quota.task,
        rule_id=quota.id,
        earliest=starts_on,
        target=ends_on,
        latest=ends_on,
        knowledge=Knowledge.KNOWN,
        interval=f"so many of the group every {quota.per}",
        basis=Basis("quota", Stamp.on(starts_on), f"the period from {starts_on}"),
        clause=quota.clause,
        source=quota.source,
        source_status=quota.source_status.value,
        why=(
            table_line(table),
            f"{quota.clause}: {called}. Source {STATUS_WORDS[quota.source_status]}.",
            *lines,
            f"Chosen as number {place}: {last}. The one whose turn is longest past comes first.",
            *quota.notes,
        ),
        recheck_on=ends_on + timedelta(days=1),
        called=called,
    )


def _group_key(quota: Quota, member: Member, made: date | None) -> tuple[str, ...]:
    facts = member.facts
    parts = {
        "site": member.site,
        "type": facts.group_key or f"{facts.agent} {facts.construction}",
        "made_year": str(made.year) if made else "unknown",
    }
    return tuple(parts[name] for name in quota.group_by)


def _period(quota: Quota, as_of: date, start: date) -> tuple[date, date]:
    """Return first and last day of the period that holds ``as_of``."""
    steps = 0
    step = 1 if as_of >= start else -1
    while quota.per.after(start, steps + 1) <= as_of or quota.per.after(start, steps) > as_of:
        steps += step
    return quota.per.after(start, steps), quota.per.after(start, steps + 1) - timedelta(days=1)
