"""Dates from calendar rules: repeating tasks, steps by age, fixed days.

Every date is anchor plus n intervals, because stepping from one result to the next
drifts: 31 January plus one month plus one month is 28 March, plus two months is 31 March.
"""

from __future__ import annotations

from calendar import monthrange
from dataclasses import replace
from datetime import date

from dateutil.relativedelta import relativedelta

from inventory.measures.kinds import Task
from inventory.measures.stamps import Precision, Stamp
from schedules.engine.clocks import Clocks
from schedules.engine.draft import Draft, done_basis, done_words, due_on, either, task_word
from schedules.engine.facts import Done
from schedules.engine.result import NO_BASIS, Basis, Knowledge
from schedules.rules.period import Period
from schedules.rules.table import ANCHOR_WORDS, Counts, Effect, Rule, Window, Within


class Calendar:
    """Calendar rules of one table applied to one unit.

    ``due_now`` is the day that stands for "now" where a date cannot be known. Rules that look at
    other tasks are handed what was worked out for those.
    """

    def __init__(self, clocks: Clocks, due_now: date) -> None:
        self.clocks = clocks
        self.past = clocks.past
        self.due_now = due_now

    def draft(self, rule: Rule, settled: dict[Task, Draft]) -> Draft:
        """Return what ``rule`` gives; ``settled`` holds the tasks worked out before."""
        match rule.effect:
            case Effect.REPEAT:
                found = self._repeat(rule)
            case Effect.AGES:
                found = self._ages(rule)
            case Effect.FIXED:
                found = self._fixed(rule)
            case Effect.NEXT_OF:
                found = self._next_of(rule, settled)
            case _:
                return Draft(
                    rule, Knowledge.EXEMPT, ("The table does not demand this task of this kind of unit.",)
                )
        if rule.align_to is not None:
            found = self._aligned(rule, found, settled.get(rule.align_to))
        if rule.at_filling:
            found = self._at_filling(found)
        return self._graced(rule, found)

    # -- repeating

    def _repeat(self, rule: Rule) -> Draft:
        if rule.only_after and not any(self.past.passes.get(task) for task in rule.only_after):
            names = either([task_word(task) for task in rule.only_after])
            return Draft(
                rule, Knowledge.ON_EVENT, (f"Starts only after the first {names}; none is on record.",)
            )
        if rule.counts is Counts.GRID:
            return self._grid(rule)
        last = self.clocks.last_restart(rule)
        if last is None:
            anchor = self.clocks.anchor(rule.anchors)
            if anchor is None or rule.first is None:
                return self._unknown(rule)
            basis, said = anchor
            return self._dated(rule, basis, rule.first, said)
        period = self.clocks.interval_after(rule, last)
        if period is None:
            return Draft(
                rule,
                Knowledge.ENDED,
                (f"Done: {done_words(last)}. The table demands it once.",),
                done_basis(last),
            )
        return self._dated(rule, done_basis(last), period, _method_lines(rule, last, period))

    def _grid(self, rule: Rule) -> Draft:
        """Return the next date of a fixed rhythm, which early or late work does not move.

        Work done on or after the day a date's window opens settles that date and all before it;
        so does a heavier task that includes this one, and it moves the rhythm as little. A start
        known no better than to the quarter or year cannot carry a rhythm: once there is a record
        that can, the rhythm runs from that.
        """
        every = rule.every
        if every is None:
            raise AssertionError("the loader gives a fixed rhythm an interval")
        done = [*self.clocks.own_passes(rule.task), *self.clocks.other_restarts(rule.task)]
        done.sort(key=lambda one: (self.clocks.counted(one.stamp), one.task, one.ref))
        anchor = self.clocks.anchor(rule.anchors)
        exact = next((one for one in done if _carries_rhythm(one.stamp)), None)
        lead = every
        said: tuple[str, ...] = ()
        if anchor is not None and (not done or _carries_rhythm(anchor[0].stamp)):
            start, said = anchor
            lead = rule.first or every
        elif exact is not None:
            start = done_basis(exact)
            said = ("The start of the rhythm is not known well enough; it is taken from the first record.",)
        elif done:
            start = done_basis(done[-1])
        else:
            return self._unknown(rule)
        lines = [*said, "The rhythm is fixed: early or late work does not move it."]
        steps = 0
        if done:
            # A step is settled only if the work lies in its window wherever in their periods the
            # start and the work really lie: hence the last day of the one, the first of the other.
            from_last = start.stamp.last or _known(start.stamp)
            done_on = max(_known(one.stamp) for one in done)
            steps = _steps_surely_past(from_last, lead, every, done_on)
            while opens(rule.window, _step(lead, every, steps).after(from_last)) <= done_on:
                steps += 1
            lines.append(f"Last done: {done_words(done[-1])}, which settles the dates before.")
        return self._dated(rule, start, _step(lead, every, steps), tuple(lines))

    # -- once

    def _ages(self, rule: Rule) -> Draft:
        """Return the first step by age that has not been done."""
        anchor = self.clocks.anchor(rule.anchors)
        if anchor is None:
            return self._unknown(rule)
        basis, said = anchor
        # Counted from the last day of the manufacture mark, as in a fixed rhythm: a step is settled
        # only if the work lies late enough whenever in that period the unit was made.
        made_last = basis.stamp.last or _known(basis.stamp)
        last = self.clocks.last_restart(rule)
        done_on = _known(last.stamp) if last else date.min
        for age in rule.ages:
            opens = rule.early.before(age.after(made_last))
            if done_on < opens:
                done = f"Last done: {done_words(last)}." if last else "Not on record yet."
                line = f"Demanded {rule.interval_words} of age; this is the step at {age}. {done}"
                draft = self._dated(rule, basis, age, (*said, line))
                return replace(draft, earliest=min(opens, draft.target or opens))
        return Draft(rule, Knowledge.ENDED, (f"The last step, at {rule.ages[-1]}, is done.",), basis)

    def _fixed(self, rule: Rule) -> Draft:
        if rule.on is None:
            raise AssertionError("the loader gives a fixed rule its day")
        last = self.clocks.last_restart(rule)
        if last is not None and _known(last.stamp) >= rule.on:
            return Draft(rule, Knowledge.ENDED, (f"Done: {done_words(last)}.",), done_basis(last))
        basis = Basis("fixed", Stamp.on(rule.on), f"the day {rule.on} named by the table")
        return due_on(rule, basis, rule.on, f"The table names the day itself: {rule.on}.")

    def _next_of(self, rule: Rule, settled: dict[Task, Draft]) -> Draft:
        """Return the day on which the first of other tasks falls due."""
        dated = [(settled[task], task) for task in rule.next_of if task in settled and settled[task].is_dated]
        if not dated:
            line = f"Comes {rule.interval_words}; none of these has a date."
            return Draft(rule, Knowledge.ON_EVENT, (line,))
        first, task = min(dated, key=lambda item: item[0].rank)
        line = f"Comes instead of the next {task_word(task)}, which falls due on {first.latest}."
        return replace(first, rule=rule, lines=(line, *first.lines), deferred_until="")

    def _unknown(self, rule: Rule) -> Draft:
        """Return the task as due now, because what it counts from is not known."""
        line = f"Nothing to count from: no {either(self.clocks.restarting_tasks(rule.task))} on record"
        wanted = [ANCHOR_WORDS[anchor.kind] for anchor in rule.anchors]
        line += f", and the date of {either(wanted)} is not known." if wanted else "."
        day = self.due_now
        return Draft(
            rule,
            Knowledge.UNKNOWN_BASIS,
            (line, f"What is not known is never taken as fine: due now, that is since {day}."),
            NO_BASIS,
            day,
            day,
            day,
        )

    # -- arithmetic and conventions

    def _dated(self, rule: Rule, basis: Basis, period: Period, lines: tuple[str, ...] = ()) -> Draft:
        """Return the dates of ``basis`` plus ``period``, by the conventions of the table."""
        stamp = basis.stamp
        first = _known(stamp)
        target = latest = period.after(first)
        knowledge = Knowledge.KNOWN
        said = [f"Counted from {basis.text}."]
        if stamp.precision is Precision.MONTH and self.clocks.reads_month_end and not period.days:
            latest = month_end(target)
            said += [
                f"{stamp} + {period} = {target:%Y-%m}.",
                f"The mark has only a month: the work is in time until the end of the due month, {latest}.",
            ]
        else:
            if stamp.precision is not Precision.DAY:
                knowledge = Knowledge.ASSUMED_SAFE_SIDE
                said.append(
                    f"Only the {stamp.precision.value} is known; counted from its first day, {first}, "
                    "so that the date is never later than the truth."
                )
            said.append(f"{first} + {period} = {target}.")
        earliest = min(self.clocks.counted(stamp), target)
        if rule.window is not None:
            earliest, latest = opens(rule.window, target), closes(rule.window, latest)
            said.append(f"The table leaves room from {earliest} to {latest}.")
        return Draft(rule, knowledge, (*lines, *said), basis, earliest, target, latest)

    def _aligned(self, rule: Rule, draft: Draft, other: Draft | None) -> Draft:
        """Pull the date forward to the visit of another task in the same calendar year."""
        if other is None or other.latest is None or draft.latest is None or draft.target is None:
            return draft
        name = task_word(rule.align_to or rule.task)
        year = draft.latest.year
        if other.latest.year > year:
            line = f"The {name} of {year} is already done, so the date is not pulled forward."
            return replace(draft, lines=(*draft.lines, line))
        ahead = relativedelta(years=year - other.latest.year)
        visit = other.latest + ahead
        if visit >= draft.latest:
            return draft
        line = f"Falls due in {year}: done with that year's {name}, by {visit} instead of {draft.latest}."
        sure = draft.knowledge is not Knowledge.KNOWN or other.knowledge is Knowledge.KNOWN
        target = min(draft.target, (other.target or other.latest) + ahead)
        return replace(
            draft,
            target=target,
            latest=visit,
            earliest=min(draft.earliest or target, target),
            knowledge=draft.knowledge if sure else Knowledge.ASSUMED_SAFE_SIDE,
            lines=(*draft.lines, line),
        )

    def _at_filling(self, draft: Draft) -> Draft:
        """Say that a unit filled in time may stay full, and that one filled late is late."""
        fillings = [done.stamp for done in self.past.passes.get(Task.RECHARGE, ())]
        filled = max(fillings, key=self.clocks.counted, default=draft.basis.stamp)
        if draft.latest is None or filled.first is None or draft.knowledge is Knowledge.UNKNOWN_BASIS:
            return draft
        if (filled.last or filled.first) > draft.latest:
            line = f"Filled {filled}, not surely before the date, and without the work: late."
            return replace(draft, lines=(*draft.lines, line))
        line = (
            f"Filled {filled}, before the date: it may stay full past it, but must not be filled again "
            "before the work."
        )
        return replace(draft, deferred_until="next filling", lines=(*draft.lines, line))

    def _graced(self, rule: Rule, draft: Draft) -> Draft:
        if (
            rule.grace_until is None
            or draft.latest is None
            or draft.latest >= rule.grace_until
            or draft.knowledge is Knowledge.UNKNOWN_BASIS
        ):
            return draft
        line = f"The table gives stock in place until {rule.grace_until}; {draft.latest} lies before."
        return replace(draft, target=rule.grace_until, latest=rule.grace_until, lines=(*draft.lines, line))


def month_end(day: date) -> date:
    """Return the last day of the month of ``day``."""
    return day.replace(day=monthrange(day.year, day.month)[1])


def _known(stamp: Stamp) -> date:
    if stamp.first is None:
        raise AssertionError("a basis has a first day")
    return stamp.first


def _carries_rhythm(stamp: Stamp) -> bool:
    return stamp.precision in (Precision.DAY, Precision.MONTH)


def _step(lead: Period, every: Period, steps: int) -> Period:
    return Period(lead.months + steps * every.months, lead.days + steps * every.days)


def _steps_surely_past(start: date, lead: Period, every: Period, day: date) -> int:
    """Return a number of steps that does not lead past ``day``, so that the search starts near it."""
    if every.months and not every.days:
        passed = (day.year - start.year) * 12 + day.month - start.month - lead.months
        return max(0, passed // every.months - 1)
    if every.days and not every.months:
        return max(0, ((day - start).days - lead.days - 31 * lead.months) // every.days - 1)
    return 0


def opens(window: Window | None, target: date) -> date:
    """Return the first day on which work counts for ``target``."""
    if window is None:
        return target
    if window.within is Within.CALENDAR_MONTH:
        return target.replace(day=1)
    if window.within is Within.CALENDAR_YEAR:
        return target.replace(month=1, day=1)
    return window.before.before(target)


def closes(window: Window, latest: date) -> date:
    """Return the last day on which work is in time for ``latest``."""
    if window.within is Within.CALENDAR_MONTH:
        return month_end(latest)
    if window.within is Within.CALENDAR_YEAR:
        return latest.replace(month=12, day=31)
    return window.after.after(latest)


def _method_lines(rule: Rule, last: Done, period: Period) -> tuple[str, ...]:
    if not rule.every_by_method:
        return ()
    if last.method:
        return (f"The last test was by {last.method.replace('_', ' ')}: the interval after it is {period}.",)
    return (f"The method of the last test is not recorded: the interval after it is taken as {period}.",)
