"""Working out what the tables demand of one unit."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from dateutil.relativedelta import relativedelta

from inventory.measures.kinds import (
    AGENT_LABELS,
    CONSTRUCTION_LABELS,
    EVENT_LABELS,
    SHELL_LABELS,
    TASK_LABELS,
    EventKind,
    Task,
)
from inventory.measures.stamps import Precision, Stamp
from schedules.engine.facts import Done, Event, UnitFacts
from schedules.engine.past import Past, read_past
from schedules.engine.result import NO_BASIS, Basis, Finding, Knowledge, Obligation
from schedules.engine.select import Selection, TaskRules, rule_switches, select_rules, signature
from schedules.rules.loader import version_order
from schedules.rules.period import Period
from schedules.rules.table import (
    ANCHOR_WORDS,
    STATUS_WORDS,
    Anchor,
    AnchorKind,
    Counts,
    Effect,
    IntervalTable,
    MonthMark,
    Rule,
    SourceStatus,
    Window,
    Within,
)
from schedules.rules.vary import Variation, vary

_TASK_ORDER = {task: place for place, task in enumerate(Task)}
_DATED = (Knowledge.KNOWN, Knowledge.ASSUMED_SAFE_SIDE, Knowledge.UNKNOWN_BASIS)


def obligations(
    facts: UnitFacts,
    history: Iterable[Done],
    tables: Sequence[IntervalTable],
    as_of: date,
    events: Iterable[Event] = (),
    variations: Sequence[Variation] = (),
) -> tuple[Obligation, ...]:
    """Return what each of ``tables`` demands of the unit on the day ``as_of``, one entry per task.

    ``history`` and ``events`` come in any order. Of several editions of one table the one in force
    on ``as_of`` counts; a single edition counts even outside its validity, because somebody chose
    it. The result is ordered by table key and task. Wrong records never raise: they come back in
    ``conflicts``. Every shipped table is a default to confirm against local code.
    """
    past = read_past(facts, history, events, as_of)
    found: list[Obligation] = []
    for table, switch_on in editions(tables, as_of):
        varied = vary(table, variations)
        found.extend(_Judge(facts, past, varied, as_of, switch_on).judge())
    return tuple(found)


def findings(
    facts: UnitFacts, history: Iterable[Done], as_of: date, events: Iterable[Event] = ()
) -> tuple[Finding, ...]:
    """Return what is wrong or doubtful in the facts and records, whatever table applies."""
    return read_past(facts, history, events, as_of).findings


def editions(tables: Sequence[IntervalTable], as_of: date) -> list[tuple[IntervalTable, date | None]]:
    """Return the edition in force per key, with the next day on which another one or none is.

    Of several in force the one valid from the latest day counts, then the highest version.
    """
    by_key: dict[str, list[IntervalTable]] = {}
    for table in tables:
        by_key.setdefault(table.key, []).append(table)
    found = []
    for _, versions in sorted(by_key.items()):
        in_force = [table for table in versions if table.in_force(as_of)] or versions
        chosen = max(in_force, key=lambda table: (table.valid_from, version_order(table.version)))
        switches = [table.valid_from for table in versions if table.valid_from > as_of]
        if len(versions) > 1:
            switches += [
                table.valid_until + timedelta(days=1)
                for table in versions
                if table.valid_until is not None and as_of <= table.valid_until < date.max
            ]
        found.append((chosen, min(switches, default=None) if len(versions) > 1 else None))
    return found


@dataclass(frozen=True, slots=True)
class _Draft:
    """An obligation being worked out: ``lines`` are the reasons so far."""

    rule: Rule
    knowledge: Knowledge
    lines: tuple[str, ...]
    basis: Basis = NO_BASIS
    earliest: date | None = None
    target: date | None = None
    latest: date | None = None
    deferred_until: str = ""
    task: Task | None = None
    clause: str = ""

    @property
    def rank(self) -> date:
        return self.latest or date.max


class _Judge:
    """One unit before one table on one day."""

    def __init__(
        self, facts: UnitFacts, past: Past, table: IntervalTable, as_of: date, switch_on: date | None
    ) -> None:
        self.facts = facts
        self.past = past
        self.table = table
        self.as_of = as_of
        self.switch_on = switch_on
        self.reads_month_end = table.conventions.month_mark is MonthMark.LAST_DAY
        self.kind = signature(table, facts, past.made_day, past.environment, as_of)
        self.selection: Selection = select_rules(table, self.kind)
        self.due_now = as_of if facts.registered is None else min(facts.registered, as_of)
        self.drafts: dict[Task, _Draft] = {}
        self.endings: list[_Draft] = []

    # -- the order of judging

    def judge(self) -> list[Obligation]:
        gone = self.past.passes.get(Task.RETIREMENT)
        if gone:
            return [self._retired(gone[-1])]
        waiting: list[tuple[Task, TaskRules]] = []
        for task, rules in self.selection.tasks.items():
            if any(rule.align_to or rule.next_of for rule in rules.calendar):
                waiting.append((task, rules))
            elif task is not Task.RETIREMENT:
                self._judge_task(task, rules)
        waiting.sort(key=lambda item: any(rule.next_of for rule in item[1].calendar))
        for task, rules in waiting:
            if task is not Task.RETIREMENT:
                self._judge_task(task, rules)
        self._judge_end()
        return self._finish()

    def _judge_task(self, task: Task, rules: TaskRules) -> None:
        drafts = self._calendar(task, rules)
        drafts += [draft for rule in rules.events if (draft := self._event(rule, task)) is not None]
        if not drafts and rules.events:
            drafts = [self._waiting_for_event(rules.events)]
        main = self._earliest(drafts) if drafts else None
        barred = self._barred(rules.bars, task)
        if barred is not None:
            self.drafts[task] = barred
        elif main is not None:
            self.drafts[task] = self._exhausted(main, task)

    def _judge_end(self) -> None:
        rules = self.selection.tasks.get(Task.RETIREMENT, TaskRules((), (), ()))
        drafts = self._calendar(Task.RETIREMENT, rules)
        drafts += [
            draft for rule in rules.events if (draft := self._event(rule, Task.RETIREMENT)) is not None
        ]
        drafts += self.endings
        if not drafts and rules.events:
            drafts = [self._waiting_for_event(rules.events)]
        if drafts:
            self.drafts[Task.RETIREMENT] = self._earliest(drafts)

    def _calendar(self, task: Task, rules: TaskRules) -> list[_Draft]:
        drafts = [draft for rule in rules.calendar if (draft := self._one(rule)) is not None]
        if drafts and any(draft.knowledge in _DATED for draft in drafts):
            failed = self._failed(rules.calendar[0], task)
            if failed is not None:
                drafts.append(failed)
        return drafts

    def _one(self, rule: Rule) -> _Draft | None:
        match rule.effect:
            case Effect.REPEAT:
                draft = self._repeat(rule)
            case Effect.AGES:
                draft = self._ages(rule)
            case Effect.FIXED:
                draft = self._fixed(rule)
            case Effect.NEXT_OF:
                draft = self._next_of(rule)
            case Effect.EXEMPT:
                return _Draft(
                    rule, Knowledge.EXEMPT, ("The table does not demand this task of this kind of unit.",)
                )
            case _:
                return None
        return self._graced(rule, draft)

    def _earliest(self, drafts: list[_Draft]) -> _Draft:
        """Return the draft that comes first; say what the others would have given."""
        dated = [draft for draft in drafts if draft.latest is not None]
        if not dated:
            return drafts[0]
        first = min(dated, key=lambda draft: (draft.rank, drafts.index(draft)))
        others = tuple(
            f"Comes first here; {_rule_name(draft)} alone would give {draft.latest}."
            for draft in dated
            if draft is not first
        )
        return replace(first, lines=(*first.lines, *others))

    # -- calendar rules

    def _repeat(self, rule: Rule) -> _Draft:
        if rule.only_after and not any(self.past.passes.get(task) for task in rule.only_after):
            names = " or ".join(TASK_LABELS[task].lower() for task in rule.only_after)
            return _Draft(
                rule,
                Knowledge.ON_EVENT,
                (f"Starts only after the first {names}, and none is on record.",),
            )
        if rule.counts is Counts.GRID:
            return self._grid(rule)
        last = self._last_restart(rule.task, rule)
        if last is not None:
            period = rule.every_after(last.method)
            if period is None:
                return _Draft(
                    rule,
                    Knowledge.ENDED,
                    (f"Done: {_done_words(last)}. It is demanded once.",),
                    self._done_basis(last),
                )
            lines = []
            if rule.every_by_method:
                lines.append(self._method_line(rule, last, period))
            return self._dated(rule, self._done_basis(last), period, lines=tuple(lines))
        anchor = self._anchor(rule.anchors)
        if anchor is None or rule.first is None:
            return self._unknown(rule)
        basis, said = anchor
        return self._dated(rule, basis, rule.first, lines=said)

    def _grid(self, rule: Rule) -> _Draft:
        """Work out the next date of a fixed rhythm, which early or late work does not move."""
        own = self._own_passes(rule.task)
        others = self._other_restarts(rule.task)
        every = rule.every or rule.first
        if every is None:
            raise AssertionError("a repeating rule has an interval")
        start: Basis | None = None
        lead = every
        said: tuple[str, ...] = ()
        if others:
            start = self._done_basis(others[-1])
        else:
            anchor = self._anchor(rule.anchors)
            if anchor is not None:
                start, said = anchor
                lead = rule.first or every
        if start is None and own:
            start = self._done_basis(own[0])
            said = ("The start of the rhythm is not known; it is taken from the first record.",)
        if start is None or start.stamp.first is None:
            return self._unknown(rule)
        last = own[-1] if own else None
        done_on = self._counted(last.stamp) if last else None
        steps = 0
        if done_on is not None:
            steps = self._steps_behind(start.stamp.first, lead, every, done_on)
            while self._opens(rule, self._nth(start.stamp.first, lead, every, steps)) <= done_on:
                steps += 1
        whole = Period(lead.months + steps * every.months, lead.days + steps * every.days)
        lines = [*said, "The rhythm is fixed: early or late work within the window does not move it."]
        if last is not None:
            lines.append(
                f"Last done {last.stamp}, which settles every date up to the one it was in the window of."
            )
        return self._dated(rule, start, whole, lines=tuple(lines))

    @staticmethod
    def _nth(start: date, lead: Period, every: Period, steps: int) -> date:
        return Period(lead.months + steps * every.months, lead.days + steps * every.days).after(start)

    @staticmethod
    def _steps_behind(start: date, lead: Period, every: Period, day: date) -> int:
        """Return a number of steps that surely does not pass ``day``."""
        if every.months:
            passed = (day.year - start.year) * 12 + day.month - start.month - lead.months
            return max(0, passed // every.months - 1) if not every.days else 0
        return max(0, ((day - start).days - lead.days - 31 * lead.months) // every.days - 1)

    def _opens(self, rule: Rule, target: date) -> date:
        return _window_start(rule.window, target) if rule.window else target

    def _ages(self, rule: Rule) -> _Draft:
        anchor = self._anchor(rule.anchors)
        if anchor is None:
            return self._unknown(rule)
        basis, said = anchor
        start = basis.stamp.first
        if start is None:
            raise AssertionError("an anchor has a first day")
        last = self._last_restart(rule.task, rule)
        done_on = self._counted(last.stamp) if last else None
        for age in rule.ages:
            opens = (
                rule.early.before(age.after(start))
                if not rule.early.is_zero
                else self._opens(rule, age.after(start))
            )
            if done_on is None or done_on < opens:
                done = f"Last done {last.stamp}." if last else "Not on record yet."
                lines = (
                    *said,
                    f"Demanded once at {rule.interval_words.removeprefix('once at ')}; this is the step at {age}. {done}",
                )
                draft = self._dated(rule, basis, age, lines=lines)
                return replace(draft, earliest=opens)
        return _Draft(
            rule,
            Knowledge.ENDED,
            (f"The last step, at {rule.ages[-1]}, was done: {_done_words(last) if last else ''}.",),
            basis,
        )

    def _fixed(self, rule: Rule) -> _Draft:
        if rule.on is None:
            raise AssertionError("a fixed rule has a day")
        basis = Basis("fixed", Stamp.on(rule.on), f"the fixed day {rule.on}")
        last = self._last_restart(rule.task, rule)
        if last is not None and self._counted(last.stamp) >= rule.on:
            return _Draft(rule, Knowledge.ENDED, (f"Done: {_done_words(last)}.",), self._done_basis(last))
        return _Draft(
            rule,
            Knowledge.KNOWN,
            (f"The table names the day itself: {rule.on}.",),
            basis,
            rule.on,
            rule.on,
            rule.on,
        )

    def _next_of(self, rule: Rule) -> _Draft:
        awaited = [self.drafts[task] for task in rule.next_of if task in self.drafts]
        dated = [draft for draft in awaited if draft.latest is not None]
        if not dated:
            return _Draft(
                rule, Knowledge.ON_EVENT, (f"Comes {rule.interval_words}, and none of these has a date.",)
            )
        first = min(dated, key=lambda draft: draft.rank)
        name = TASK_LABELS[first.task or first.rule.task].lower()
        return replace(
            first,
            rule=rule,
            task=rule.task,
            clause=rule.clause,
            lines=(f"Comes instead of the next {name}, which falls due on {first.latest}.", *first.lines),
        )

    def _unknown(self, rule: Rule) -> _Draft:
        wanted = [ANCHOR_WORDS[anchor.kind] for anchor in rule.anchors]
        tasks = self._restart_names(rule.task)
        if wanted:
            line = f"Nothing to count from: no {' or '.join(tasks)} on record, and the date of {' and of '.join(wanted)} is not known."
        else:
            line = f"Nothing to count from: no {' or '.join(tasks)} on record."
        return _Draft(
            rule,
            Knowledge.UNKNOWN_BASIS,
            (line, f"What is not known is never taken as fine: due now, that is since {self.due_now}."),
            NO_BASIS,
            self.due_now,
            self.due_now,
            self.due_now,
        )

    # -- dates

    def _dated(self, rule: Rule, basis: Basis, period: Period, lines: tuple[str, ...] = ()) -> _Draft:
        """Return the dates of ``basis`` plus ``period``, by the conventions of the table."""
        stamp = basis.stamp
        if stamp.first is None:
            raise AssertionError("a basis has a first day")
        knowledge = Knowledge.KNOWN if stamp.precision is Precision.DAY else Knowledge.ASSUMED_SAFE_SIDE
        target = period.after(stamp.first)
        latest = target
        said = [f"Counted from {basis.text}."]
        if stamp.precision is Precision.MONTH and self.reads_month_end and not period.days:
            knowledge = Knowledge.KNOWN
            latest = _month_end(target)
            said.append(f"{stamp} + {period} = {target:%Y-%m}.")
            said.append(
                f"The mark has only a month, so the work is in time until the last day of the due month, {latest}."
            )
        else:
            if stamp.precision is not Precision.DAY:
                said.append(
                    f"Only the {stamp.precision.value} is known; counted from its first day, {stamp.first}, "
                    "so that the date is never later than the truth."
                )
            said.append(f"{stamp.first} + {period} = {target}.")
        earliest = self._counted(stamp)
        if rule.window is not None:
            earliest = _window_start(rule.window, target)
            ends = _window_end(rule.window, latest)
            said.append(f"The table leaves room from {earliest} to {ends}.")
            latest = ends
        draft = _Draft(rule, knowledge, (*lines, *said), basis, min(earliest, target), target, latest)
        if rule.align_to is not None:
            draft = self._aligned(rule, draft)
        if rule.at_filling:
            draft = self._at_filling(draft)
        return draft

    def _aligned(self, rule: Rule, draft: _Draft) -> _Draft:
        """Pull the date forward to the visit of another task in the same calendar year."""
        other = self.drafts.get(rule.align_to) if rule.align_to else None
        if other is None or other.latest is None or draft.latest is None or draft.target is None:
            return draft
        name = TASK_LABELS[rule.align_to or rule.task].lower()
        year = draft.latest.year
        if other.latest.year > year:
            line = f"The {name} of {year} is already done, so the date is not pulled forward."
            return replace(draft, lines=(*draft.lines, line))
        visit = other.latest + relativedelta(year=year)
        if visit >= draft.latest:
            return draft
        line = f"Falls due in {year}, so it is done with the {name} of that year, by {visit} instead of {draft.latest}."
        knowledge = (
            Knowledge.ASSUMED_SAFE_SIDE
            if draft.knowledge is Knowledge.KNOWN and other.knowledge is not Knowledge.KNOWN
            else draft.knowledge
        )
        target = min(draft.target, visit)
        return replace(
            draft,
            target=target,
            latest=visit,
            earliest=min(draft.earliest or target, target),
            knowledge=knowledge,
            lines=(*draft.lines, line),
        )

    def _at_filling(self, draft: _Draft) -> _Draft:
        """Say that a unit filled in time may stay full, and that one filled late is late."""
        fillings = [done.stamp for done in self.past.passes.get(Task.RECHARGE, ())]
        filled = max(fillings, key=self._counted, default=draft.basis.stamp)
        if draft.latest is None or filled.first is None:
            return draft
        if filled.first <= draft.latest:
            return replace(
                draft,
                deferred_until="next filling",
                lines=(
                    *draft.lines,
                    f"Filled {filled}, before the date: it may stay full past it, but must not be filled again before the work.",
                ),
            )
        line = f"Filled {filled}, after the date and without the work: late."
        return replace(draft, lines=(*draft.lines, line))

    def _graced(self, rule: Rule, draft: _Draft) -> _Draft:
        if rule.grace_until is None or draft.latest is None or draft.latest >= rule.grace_until:
            return draft
        if draft.knowledge is Knowledge.UNKNOWN_BASIS:
            return draft
        line = f"The table gives stock in place until {rule.grace_until}; {draft.latest} lies before."
        return replace(draft, target=rule.grace_until, latest=rule.grace_until, lines=(*draft.lines, line))

    def _counted(self, stamp: Stamp) -> date:
        """Return the day a stamp ranks as: a month counts to its end where the table reads it so."""
        if stamp.first is None or stamp.last is None:
            raise AssertionError("only known stamps are counted")
        return stamp.last if stamp.precision is Precision.MONTH and self.reads_month_end else stamp.first

    # -- what restarts a clock

    def _own_passes(self, task: Task) -> list[Done]:
        return sorted(self.past.passes.get(task, ()), key=lambda done: self._counted(done.stamp))

    def _other_restarts(self, task: Task) -> list[Done]:
        found = [
            done
            for reset in self.table.restarted_by[task]
            if reset.done is not task
            for done in self.past.passes.get(reset.done, ())
            if not reset.methods or done.method in reset.methods
        ]
        return sorted(found, key=lambda done: self._counted(done.stamp))

    def _last_restart(self, task: Task, rule: Rule) -> Done | None:
        """Return the completion the clock of ``task`` runs from; on one day the one that binds sooner."""
        found = [*self._own_passes(task), *self._other_restarts(task)]
        if not found:
            return None

        def rank(done: Done) -> tuple[date, int, bool]:
            period = rule.every_after(done.method)
            length = (period.months * 31 + period.days) if period else 0
            return self._counted(done.stamp), -length, done.task is task

        return max(found, key=rank)

    def _restart_names(self, task: Task) -> list[str]:
        return list(dict.fromkeys(TASK_LABELS[reset.done].lower() for reset in self.table.restarted_by[task]))

    def _anchor(self, anchors: tuple[Anchor, ...]) -> tuple[Basis, tuple[str, ...]] | None:
        """Return the first known fact among ``anchors``, with what to say about those passed over."""
        said: list[str] = []
        made = self.past.anchors[AnchorKind.MADE]
        for anchor in anchors:
            stamp = self.past.anchors[anchor.kind]
            words = ANCHOR_WORDS[anchor.kind]
            if stamp.first is None:
                continue
            if anchor.within is not None:
                if made.first is None:
                    said.append(
                        f"The date of {words} ({stamp}) is not used: without a manufacture date its age is unknown."
                    )
                    continue
                if stamp.first > anchor.within.after(made.first):
                    said.append(
                        f"The date of {words} ({stamp}) lies more than {anchor.within} after manufacture ({made}) and is not used."
                    )
                    continue
            return Basis(anchor.kind, stamp, f"{words}, {stamp}"), tuple(said)
        return None

    def _done_basis(self, done: Done) -> Basis:
        return Basis(f"done:{done.task}", done.stamp, _done_words(done), done.ref, done.evidence)

    def _method_line(self, rule: Rule, last: Done, period: Period) -> str:
        if last.method:
            return f"The last test was made by {last.method.replace('_', ' ')}, after which the interval is {period}."
        return f"The method of the last test is not recorded; the interval after it is taken as {period}."

    # -- failures, events, bars

    def _failed(self, rule: Rule, task: Task) -> _Draft | None:
        """Return the task as due again because it was tried and failed since it last passed."""
        standing = self._standing_failure(task)
        if standing is None:
            return None
        day = standing.stamp.first or self.due_now
        basis = Basis(
            f"failed:{task}",
            standing.stamp,
            f"the failed {_done_words(standing)}",
            standing.ref,
            standing.evidence,
        )
        line = f"{TASK_LABELS[task]} failed ({standing.stamp}) and has not passed since: due again from that day."
        return _Draft(rule, Knowledge.KNOWN, (line,), basis, day, day, day)

    def _standing_failure(self, task: Task) -> Done | None:
        """Return the last failure of ``task`` that no later pass has answered."""
        passes = [*self.past.passes.get(task, ()), *self._other_restarts(task)]
        standing = [
            failure
            for failure in self.past.failures.get(task, ())
            if failure.stamp.last is None
            or not any(
                done.stamp.first is not None and done.stamp.first > failure.stamp.last for done in passes
            )
        ]
        return max(standing, key=lambda done: done.stamp.first or date.min, default=None)

    def _event(self, rule: Rule, task: Task) -> _Draft | None:
        """Return the task as due because of the first event that it has not answered yet."""
        passes = [*self.past.passes.get(task, ()), *self._other_restarts(task)]

        def answered(day: date) -> bool:
            since = rule.covered_before.before(day)
            return any(done.stamp.first is not None and done.stamp.first >= since for done in passes)

        happened = sorted(
            (day, words, ref, kind) for day, words, ref, kind in self._happenings(rule.events, task)
        )
        open_ones = [item for item in happened if not answered(item[0])]
        if not open_ones:
            return None
        day, words, ref, kind = open_ones[0]
        by = rule.within.after(day)
        basis = Basis(kind, Stamp.on(day), f"{words} on {day}", ref)
        lines = [f"{words} on {day}, and the task has not been done since."]
        if not rule.within.is_zero:
            lines.append(f"{day} + {rule.within} = {by}.")
        return _Draft(rule, Knowledge.KNOWN, tuple(lines), basis, day, by, by)

    def _happenings(self, names: tuple[str, ...], task: Task) -> Iterable[tuple[date, str, str, str]]:
        for name in names:
            kind, _, other = name.partition(":")
            if other:
                source = self.past.passes if kind == "done" else self.past.failures
                for done in source.get(Task(other), ()):
                    if done.stamp.first is not None:
                        words = (
                            TASK_LABELS[done.task] if kind == "done" else f"{TASK_LABELS[done.task]} failed"
                        )
                        yield done.stamp.first, words, done.ref, name
            else:
                for event in self.past.events:
                    if event.kind == name:
                        yield event.on, EVENT_LABELS[EventKind(name)], event.ref, f"event:{name}"

    def _waiting_for_event(self, rules: tuple[Rule, ...]) -> _Draft:
        names = [name for rule in rules for name in rule.events]
        words = ", ".join(
            EVENT_LABELS[EventKind(name)].lower()
            if ":" not in name
            else name.replace(":", " ").replace("_", " ")
            for name in names
        )
        return _Draft(rules[0], Knowledge.ON_EVENT, (f"No date of its own: due when this happens: {words}.",))

    def _barred(self, bars: tuple[Rule, ...], task: Task) -> _Draft | None:
        """Return the task as not allowed, and remember the end of the unit where the table says so."""
        for rule in bars:
            if not rule.events:
                return _Draft(
                    rule, Knowledge.BARRED, (f"{TASK_LABELS[task]} is not allowed on this kind of unit.",)
                )
            happened = sorted(self._happenings(rule.events, task))
            if happened:
                day, words, ref, kind = happened[0]
                line = f"{words} on {day}: {TASK_LABELS[task].lower()} is not allowed any more."
                basis = Basis(kind, Stamp.on(day), f"{words} on {day}", ref)
                if rule.retires:
                    self._end(rule, basis, day, f"{line} The unit leaves service instead.")
                return _Draft(rule, Knowledge.BARRED, (line,), basis)
        return None

    def _exhausted(self, draft: _Draft, task: Task) -> _Draft:
        """Turn a task that may not be done again into the end of the unit."""
        if task in self.table.failure_ends_life:
            failure = self._standing_failure(task)
            if failure is not None:
                day = failure.stamp.first or self.due_now
                line = f"{TASK_LABELS[task]} failed ({failure.stamp}); in this table a failure ends the unit's life."
                basis = Basis(
                    f"failed:{task}", failure.stamp, f"the failed {_done_words(failure)}", failure.ref
                )
                self._end(draft.rule, basis, day, line)
                return _Draft(draft.rule, Knowledge.BARRED, (line,), basis)
        at_most = draft.rule.at_most
        if at_most is not None and draft.latest is not None:
            count = len({self._counted(done.stamp) for done in self.past.passes.get(task, ())})
            if count >= at_most:
                line = f"Done {count} times, and the table allows {at_most}: instead of the next one the unit leaves service."
                self.endings.append(replace(draft, task=Task.RETIREMENT, lines=(*draft.lines, line)))
                return _Draft(draft.rule, Knowledge.BARRED, (line,), draft.basis)
        return draft

    def _end(self, rule: Rule, basis: Basis, day: date, line: str) -> None:
        self.endings.append(
            _Draft(rule, Knowledge.KNOWN, (line,), basis, day, day, day, task=Task.RETIREMENT)
        )

    # -- putting it together

    def _finish(self) -> list[Obligation]:
        end = self.drafts.get(Task.RETIREMENT)
        ends_on = (
            end.latest
            if end is not None and end.knowledge in (Knowledge.KNOWN, Knowledge.ASSUMED_SAFE_SIDE)
            else None
        )
        for task, draft in self.drafts.items():
            if (
                task is not Task.RETIREMENT
                and ends_on is not None
                and draft.latest is not None
                and draft.latest >= ends_on
            ):
                line = f"Would fall due on {draft.latest}, but the unit's life ends on {ends_on}: the end comes first."
                self.drafts[task] = _Draft(draft.rule, Knowledge.ENDED, (*draft.lines, line), draft.basis)
        found = [self._obligation(task, draft) for task, draft in self.drafts.items()]
        found += [self._uncovered(task) for task in self.selection.uncovered if task not in self.drafts]
        found = [self._clashed(item) for item in found]
        return sorted(found, key=lambda item: _TASK_ORDER[item.task])

    def _obligation(self, task: Task, draft: _Draft) -> Obligation:
        rule = draft.rule
        knowledge = draft.knowledge
        lines = draft.lines
        if rule.assumed and draft.latest is not None and knowledge is Knowledge.KNOWN:
            knowledge = Knowledge.ASSUMED_SAFE_SIDE
        name = rule.called if rule.called and task is rule.task else TASK_LABELS[task]
        head = (
            f"{self.table.label} (table {self.table.key}, version {self.table.version}): "
            f"{self.table.statement[:1].lower()}{self.table.statement[1:]}",
            f"{rule.clause}: {name}, {rule.interval_words}. Source {STATUS_WORDS[rule.source_status]}.",
        )
        tail = [rule.assumed] if rule.assumed else []
        tail += rule.varied
        tail += self.table.conventions.varied
        tail += rule.notes
        if not self.table.in_force(self.as_of):
            tail.append(
                f"This edition is valid {_validity(self.table)}; it is used on {self.as_of} because no other was given."
            )
        tail.append(self._would_change(rule, draft))
        return Obligation(
            table_key=self.table.key,
            table_version=self.table.version,
            task=task,
            rule_id=rule.id,
            earliest=draft.earliest,
            target=draft.target,
            latest=draft.latest,
            knowledge=knowledge,
            interval=rule.interval_words,
            basis=draft.basis,
            clause=rule.clause,
            source=rule.source,
            source_status=rule.source_status.value,
            why=tuple(line for line in (*head, *lines, *tail) if line),
            recheck_on=self._recheck(knowledge),
            called=name,
            conflicts=self._conflicts(task),
            deferred_until=draft.deferred_until,
            covered_by=self._covered_by(task, draft),
        )

    def _would_change(self, rule: Rule, draft: _Draft) -> str:
        if draft.knowledge is Knowledge.UNKNOWN_BASIS:
            names = [ANCHOR_WORDS[anchor.kind] for anchor in rule.anchors]
            facts = f" Or evidence of {' or '.join(names)}." if names else ""
            return f"It changes with a record of {' or '.join(self._restart_names(rule.task))}.{facts}"
        if rule.effect is Effect.REPEAT and draft.latest is not None and rule.task is not Task.RETIREMENT:
            if rule.every is None:
                return f"It ends with a record of {' or '.join(self._restart_names(rule.task))}."
            return f"It starts again with: {', '.join(self._restart_names(rule.task))}."
        if rule.effect is Effect.EVENT and draft.latest is not None:
            return f"It is settled by: {', '.join(self._restart_names(rule.task))}."
        if draft.latest is not None and draft.basis.kind in ANCHOR_WORDS:
            return (
                f"It changes only if the date of {ANCHOR_WORDS[AnchorKind(draft.basis.kind)]} is corrected."
            )
        return ""

    def _covered_by(self, task: Task, draft: _Draft) -> str:
        """Return the heavier task that is due no later and restarts this one."""
        if draft.latest is None or task is Task.RETIREMENT:
            return ""
        for reset in self.table.restarted_by[task]:
            other = self.drafts.get(reset.done)
            if reset.done is task or other is None or other.latest is None or reset.methods:
                continue
            if other.latest <= draft.latest and other.knowledge in _DATED:
                return reset.done.value
        return ""

    def _conflicts(self, task: Task) -> tuple[Finding, ...]:
        names = {"", task.value, *(reset.done.value for reset in self.table.restarted_by[task])}
        return tuple(finding for finding in self.past.findings if finding.task in names)

    def _recheck(self, knowledge: Knowledge) -> date | None:
        days = [day for day in (self.switch_on, self.past.next_known_day) if day is not None]
        days += [day for day in rule_switches(self.table) if day > self.as_of]
        if knowledge is Knowledge.UNKNOWN_BASIS and self.facts.registered is None and self.as_of < date.max:
            days.append(self.as_of + timedelta(days=1))
        return min(days, default=None)

    def _uncovered(self, task: Task) -> Obligation:
        kind = f"{AGENT_LABELS[self.facts.agent]}, {CONSTRUCTION_LABELS[self.facts.construction].lower()}, {SHELL_LABELS[self.facts.shell].lower()}"
        if self.facts.cylinder_spec:
            kind += f", specification {self.facts.cylinder_spec}"
        return Obligation(
            table_key=self.table.key,
            table_version=self.table.version,
            task=task,
            rule_id="",
            earliest=None,
            target=None,
            latest=None,
            knowledge=Knowledge.UNCOVERED,
            interval="",
            basis=NO_BASIS,
            clause="",
            source="",
            source_status="",
            why=(
                f"{self.table.label} (table {self.table.key}, version {self.table.version}): "
                f"{self.table.statement[:1].lower()}{self.table.statement[1:]}",
                f"No rule of this table says when {TASK_LABELS[task].lower()} falls due for: {kind}.",
                "This is a finding, not a pass. Complete the unit's kind, or choose a table that covers it.",
            ),
            recheck_on=self._recheck(Knowledge.UNCOVERED),
            called=TASK_LABELS[task],
            conflicts=self._conflicts(task),
        )

    def _clashed(self, item: Obligation) -> Obligation:
        """Turn an obligation that two rules claim without an order into a finding."""
        clash = next((clash for clash in self.selection.clashes if clash[0] is item.task), None)
        if clash is None:
            return item
        line = f'Rules "{clash[1]}" and "{clash[2]}" both apply and the table gives no order between them. Correct the table.'
        return replace(
            item,
            earliest=None,
            target=None,
            latest=None,
            knowledge=Knowledge.UNCOVERED,
            why=(item.why[0], line),
        )

    def _retired(self, gone: Done) -> Obligation:
        rules = self.selection.tasks.get(Task.RETIREMENT, TaskRules((), (), ()))
        rule = next(iter((*rules.calendar, *rules.events)), None)
        return Obligation(
            table_key=self.table.key,
            table_version=self.table.version,
            task=Task.RETIREMENT,
            rule_id=rule.id if rule else "",
            earliest=None,
            target=None,
            latest=None,
            knowledge=Knowledge.ENDED,
            interval=rule.interval_words if rule else "",
            basis=self._done_basis(gone),
            clause=rule.clause if rule else "",
            source=rule.source if rule else "",
            source_status=rule.source_status.value if rule else "",
            why=(f"Retired: {_done_words(gone)}. Nothing more falls due.",),
            called=TASK_LABELS[Task.RETIREMENT],
            conflicts=self._conflicts(Task.RETIREMENT),
        )


def _month_end(day: date) -> date:
    return day.replace(day=monthrange(day.year, day.month)[1])


def _window_start(window: Window, target: date) -> date:
    if window.within is Within.CALENDAR_MONTH:
        return target.replace(day=1)
    if window.within is Within.CALENDAR_YEAR:
        return target.replace(month=1, day=1)
    return window.before.before(target)


def _window_end(window: Window, latest: date) -> date:
    if window.within is Within.CALENDAR_MONTH:
        return _month_end(latest)
    if window.within is Within.CALENDAR_YEAR:
        return latest.replace(month=12, day=31)
    return window.after.after(latest)


def _done_words(done: Done) -> str:
    return f"{TASK_LABELS[done.task].lower()}, {done.stamp}"


def _rule_name(draft: _Draft) -> str:
    return f"{draft.rule.clause} ({draft.rule.interval_words})"


def _validity(table: IntervalTable) -> str:
    until = f" to {table.valid_until}" if table.valid_until else ""
    return f"from {table.valid_from}{until}"


__all__ = ["SourceStatus", "editions", "findings", "obligations"]
