"""What the tables demand of one unit: calendar, events, bars and the end of life put together."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, timedelta

from inventory.measures.kinds import (
    AGENT_LABELS,
    CONSTRUCTION_LABELS,
    EVENT_LABELS,
    SHELL_LABELS,
    TASK_LABELS,
    EventKind,
    Task,
)
from schedules.engine.calendar import Calendar
from schedules.engine.clocks import Clocks
from schedules.engine.draft import (
    Draft,
    done_basis,
    done_words,
    due_on,
    event_basis,
    failed_basis,
    table_line,
    task_word,
)
from schedules.engine.facts import Done, Event, UnitFacts
from schedules.engine.past import AHEAD, Past, read_past
from schedules.engine.result import NO_BASIS, Basis, Finding, Knowledge, Obligation
from schedules.engine.select import TaskRules, rule_switches, select_rules, signature
from schedules.rules.loader import version_order
from schedules.rules.table import ANCHOR_WORDS, STATUS_WORDS, AnchorKind, Effect, IntervalTable, Rule
from schedules.rules.vary import Variation, vary

_TASK_ORDER = {task: place for place, task in enumerate(Task)}
_DATED = (Knowledge.KNOWN, Knowledge.ASSUMED_SAFE_SIDE, Knowledge.UNKNOWN_BASIS)
_NO_RULES = TaskRules((), (), ())


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

    Raises ``TableError`` when a variation does not fit its table.
    """
    past = read_past(facts, history, events, as_of)
    found: list[Obligation] = []
    for table, switch_on in editions(tables, as_of):
        found += _Judge(facts, past, vary(table, variations), as_of, switch_on).judge()
    return tuple(found)


def findings(
    facts: UnitFacts, history: Iterable[Done], as_of: date, events: Iterable[Event] = ()
) -> tuple[Finding, ...]:
    """Return what is wrong or doubtful in the facts and records, whatever table applies."""
    return read_past(facts, history, events, as_of).findings


def doubt_until(
    facts: UnitFacts, history: Iterable[Done], as_of: date, events: Iterable[Event] = ()
) -> date | None:
    """Return the last day on which there are ``findings`` if nothing is corrected; None without any.

    What lies ahead of the day comes of itself; anything else stays, and the answer is ``date.max``.
    """
    past = read_past(facts, history, events, as_of)
    if any(finding.code not in AHEAD for finding in past.findings):
        return date.max
    return past.last_known_day - timedelta(days=1) if past.last_known_day is not None else None


def editions(tables: Sequence[IntervalTable], as_of: date) -> list[tuple[IntervalTable, date | None]]:
    """Return the edition in force per key, with the next day on which that changes.

    Of several in force the one valid from the latest day counts, then the highest version.
    """
    by_key: dict[str, list[IntervalTable]] = {}
    for table in tables:
        by_key.setdefault(table.key, []).append(table)
    found: list[tuple[IntervalTable, date | None]] = []
    for _, versions in sorted(by_key.items()):
        in_force = [table for table in versions if table.in_force(as_of)] or versions
        chosen = max(in_force, key=lambda table: (table.valid_from, version_order(table.version)))
        switches = [table.valid_from for table in versions if table.valid_from > as_of]
        switches += [
            table.valid_until + timedelta(days=1)
            for table in versions
            if table.valid_until is not None and as_of <= table.valid_until < date.max
        ]
        found.append((chosen, min(switches, default=None) if len(versions) > 1 else None))
    return found


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
        kind = signature(table, facts, past.made_day, past.environment, as_of)
        self.selection = select_rules(table, kind)
        self.clocks = Clocks(past, table)
        due_now = as_of if facts.registered is None else min(facts.registered, as_of)
        self.due_now = due_now
        self.calendar = Calendar(self.clocks, due_now)
        self.drafts: dict[Task, Draft] = {}
        self.endings: list[Draft] = []

    def judge(self) -> list[Obligation]:
        gone = self.past.passes.get(Task.RETIREMENT)
        if gone:
            return [self._retired(gone[-1])]
        tasks = sorted(
            (item for item in self.selection.tasks.items() if item[0] is not Task.RETIREMENT),
            key=lambda item: _waits(item[1]),
        )
        for task, rules in tasks:
            self._judge_task(task, rules)
        self._judge_end(self.selection.tasks.get(Task.RETIREMENT, _NO_RULES))
        self._let_the_end_come_first()
        uncovered = [task for task in self.selection.uncovered if self._is_open(task)]
        found = [
            self._obligation(task, draft) for task, draft in self.drafts.items() if task not in uncovered
        ]
        found += [self._uncovered(task) for task in uncovered]
        return sorted(map(self._unless_clashing, found), key=lambda item: _TASK_ORDER[item.task])

    def _is_open(self, task: Task) -> bool:
        """Return whether nothing but a waiting event speaks of a task the table must answer for."""
        draft = self.drafts.get(task)
        return draft is None or draft.knowledge is Knowledge.ON_EVENT

    # -- one task

    def _judge_task(self, task: Task, rules: TaskRules) -> None:
        drafts = self._drafts(task, rules)
        barred = self._barred(rules.bars, task)
        if barred is not None:
            self.drafts[task] = barred
        elif drafts:
            self.drafts[task] = self._unless_spent(_first_of(drafts), task)

    def _judge_end(self, rules: TaskRules) -> None:
        drafts = [*self._drafts(Task.RETIREMENT, rules), *self.endings]
        if drafts:
            self.drafts[Task.RETIREMENT] = _first_of(drafts)

    def _drafts(self, task: Task, rules: TaskRules) -> list[Draft]:
        """Return what calendar, failures and events give for a task."""
        drafts = [self.calendar.draft(rule, self.drafts) for rule in rules.calendar]
        failure = self.clocks.standing_failure(task)
        if failure is not None and any(draft.is_dated for draft in drafts):
            day = failure.stamp.first or self.due_now
            line = f"{TASK_LABELS[task]} failed ({failure.stamp}) and has not passed since: due from then on."
            again = due_on(rules.calendar[0], failed_basis(failure), day, line)
            drafts.append(
                again if failure.stamp.is_known else replace(again, knowledge=Knowledge.UNKNOWN_BASIS)
            )
        for rule in rules.events:
            happening = self.clocks.first_open(rule)
            if happening is None:
                continue
            by = rule.within.after(happening.day)
            lines = [f"{happening.words} on {happening.day}, and the task has not been done since."]
            if not rule.within.is_zero:
                lines.append(f"{happening.day} + {rule.within} = {by}.")
            basis = event_basis(happening.kind, happening.words, happening.day, happening.ref)
            drafts.append(due_on(rule, basis, by, *lines, since=happening.day))
        if not drafts and rules.events:
            words = ", ".join(_event_words(name) for rule in rules.events for name in rule.events)
            line = f"No date of its own: due when this happens: {words}."
            drafts.append(Draft(rules.events[0], Knowledge.ON_EVENT, (line,)))
        return drafts

    def _barred(self, bars: tuple[Rule, ...], task: Task) -> Draft | None:
        """Return the task as not allowed, and note the end of the unit where the table says so."""
        for rule in bars:
            if not rule.events:
                line = f"{TASK_LABELS[task]} is not allowed on this kind of unit."
                return Draft(rule, Knowledge.BARRED, (line,))
            happening = min(self.clocks.happenings(rule.events), default=None)
            if happening is None:
                continue
            basis = event_basis(happening.kind, happening.words, happening.day, happening.ref)
            line = f"{happening.words} on {happening.day}: {task_word(task)} is not allowed any more."
            if rule.retires:
                end = f"{line} The unit leaves service instead."
                self.endings.append(due_on(rule, basis, happening.day, end))
            return Draft(rule, Knowledge.BARRED, (line,), basis)
        return None

    def _unless_spent(self, draft: Draft, task: Task) -> Draft:
        """Turn a task that may not be done again into the end of the unit."""
        rule = draft.rule
        failure = self.clocks.standing_failure(task) if task in self.table.failure_ends_life else None
        if failure is not None:
            line = f"{TASK_LABELS[task]} failed ({failure.stamp}); by this table that ends the unit's life."
            basis = failed_basis(failure)
            end = due_on(rule, basis, failure.stamp.first or self.due_now, line)
            self.endings.append(
                end if failure.stamp.is_known else replace(end, knowledge=Knowledge.UNKNOWN_BASIS)
            )
            return Draft(rule, Knowledge.BARRED, (line,), basis)
        if rule.at_most is None or not draft.is_dated:
            return draft
        count = len({self.clocks.counted(done.stamp) for done in self.past.passes.get(task, ())})
        if count < rule.at_most:
            return draft
        line = f"Done {count} times; the table allows {rule.at_most}, then the unit leaves service."
        self.endings.append(replace(draft, lines=(*draft.lines, line)))
        return Draft(rule, Knowledge.BARRED, (line,), draft.basis)

    def _let_the_end_come_first(self) -> None:
        """Drop tasks that fall due on or after a known end of life.

        An end that is due only because the manufacture date is unknown ends nothing: the unit
        still hangs there and is looked after until somebody decides.
        """
        end = self.drafts.get(Task.RETIREMENT)
        if end is None or end.latest is None or end.knowledge is Knowledge.UNKNOWN_BASIS:
            return
        for task, draft in self.drafts.items():
            if task is Task.RETIREMENT or draft.latest is None or draft.latest < end.latest:
                continue
            line = (
                f"Would fall due on {draft.latest}; the unit's life ends on {end.latest}, which comes first."
            )
            self.drafts[task] = Draft(draft.rule, Knowledge.ENDED, (*draft.lines, line), draft.basis)

    # -- the answer

    def _obligation(self, task: Task, draft: Draft) -> Obligation:
        rule = draft.rule
        knowledge = draft.knowledge
        if rule.assumed and knowledge is Knowledge.KNOWN:
            knowledge = Knowledge.ASSUMED_SAFE_SIDE
        called = rule.called if rule.called and task is rule.task else TASK_LABELS[task]
        source = STATUS_WORDS[rule.source_status]
        why = [
            table_line(self.table),
            f"{rule.clause}: {called}, {rule.interval_words}. Source {source}.",
            *draft.lines,
            rule.assumed,
            "Apart from this, no rule of this table says when the task falls due: a finding."
            if task in self.selection.uncovered
            else "",
            *rule.varied,
            *self.table.conventions.varied,
            *rule.notes,
            self._validity(),
            self._would_change(task, draft),
        ]
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
            why=tuple(line for line in why if line),
            recheck_on=self._recheck(knowledge),
            called=called,
            conflicts=self._conflicts(task),
            deferred_until=draft.deferred_until,
            covered_by=self._covered_by(task, draft),
        )

    def _without_date(
        self, task: Task, knowledge: Knowledge, why: tuple[str, ...], basis: Basis = NO_BASIS
    ) -> Obligation:
        """Return an obligation that no rule stands behind."""
        return Obligation(
            table_key=self.table.key,
            table_version=self.table.version,
            task=task,
            rule_id="",
            earliest=None,
            target=None,
            latest=None,
            knowledge=knowledge,
            interval="",
            basis=basis,
            clause="",
            source="",
            source_status="",
            why=why,
            recheck_on=self._recheck(knowledge),
            called=TASK_LABELS[task],
            conflicts=self._conflicts(task),
        )

    def _uncovered(self, task: Task) -> Obligation:
        facts = self.facts
        kind = [
            AGENT_LABELS[facts.agent],
            CONSTRUCTION_LABELS[facts.construction].lower(),
            SHELL_LABELS[facts.shell].lower(),
            *([f"specification {facts.cylinder_spec}"] if facts.cylinder_spec else []),
        ]
        return self._without_date(
            task,
            Knowledge.UNCOVERED,
            (
                table_line(self.table),
                f"No rule of this table says when {task_word(task)} falls due for: {', '.join(kind)}.",
                "This is a finding, not a pass. Complete the unit's kind, or choose a table that covers it.",
            ),
        )

    def _unless_clashing(self, item: Obligation) -> Obligation:
        """Turn an obligation that two rules claim without an order into a finding."""
        for task, one, other in self.selection.clashes:
            if task is item.task:
                line = f'Rules "{one}" and "{other}" both apply, without an order. Correct the table.'
                return self._without_date(task, Knowledge.UNCOVERED, (table_line(self.table), line))
        return item

    def _retired(self, gone: Done) -> Obligation:
        why = (table_line(self.table), f"Retired: {done_words(gone)}. Nothing more falls due.")
        return self._without_date(Task.RETIREMENT, Knowledge.ENDED, why, done_basis(gone))

    def _validity(self) -> str:
        if self.table.in_force(self.as_of):
            return ""
        until = f" to {self.table.valid_until}" if self.table.valid_until else ""
        return (
            f"This edition is valid from {self.table.valid_from}{until}; it is used on {self.as_of} "
            "because no other was chosen."
        )

    def _would_change(self, task: Task, draft: Draft) -> str:
        """Return what would give another date."""
        rule = draft.rule
        if not draft.is_dated:
            return ""
        restarts = self.clocks.restarting_tasks(task)
        if draft.knowledge is Knowledge.UNKNOWN_BASIS:
            names = [ANCHOR_WORDS[anchor.kind] for anchor in rule.anchors]
            return f"It changes with a record or evidence of: {', '.join([*restarts, *names])}."
        if task is Task.RETIREMENT:
            if draft.basis.kind in ANCHOR_WORDS:
                anchor = ANCHOR_WORDS[AnchorKind(draft.basis.kind)]
                return f"It changes only if the date of {anchor} is corrected."
            return ""
        if rule.effect is Effect.REPEAT and draft.basis.kind.partition(":")[0] != "failed":
            return f"It starts again with: {', '.join(restarts)}."
        return f"It is settled by: {', '.join(restarts)}."

    def _covered_by(self, task: Task, draft: Draft) -> str:
        """Return the heavier task that is due no later and restarts this one."""
        if draft.latest is None or task is Task.RETIREMENT:
            return ""
        for reset in self.table.restarted_by[task]:
            other = self.drafts.get(reset.done)
            if (
                reset.done is not task
                and not reset.methods
                and other is not None
                and other.latest is not None
                and other.latest <= draft.latest
                and other.knowledge in _DATED
            ):
                return reset.done.value
        return ""

    def _conflicts(self, task: Task) -> tuple[Finding, ...]:
        names = {"", task.value, *(reset.done.value for reset in self.table.restarted_by[task])}
        return tuple(finding for finding in self.past.findings if finding.task in names)

    def _recheck(self, knowledge: Knowledge) -> date | None:
        """Return the first later day on which the answer can change without a new fact."""
        days = [day for day in (self.switch_on, self.past.next_known_day) if day is not None]
        days += [day for day in rule_switches(self.table) if day > self.as_of]
        if knowledge is Knowledge.UNKNOWN_BASIS and self.due_now == self.as_of != self.facts.registered:
            days.append(self.as_of + timedelta(days=1))
        return min(days, default=None)


def _waits(rules: TaskRules) -> int:
    """Return when a task can be judged: first those that look at no other task's date."""
    if any(rule.next_of for rule in rules.calendar):
        return 2
    return 1 if any(rule.align_to for rule in rules.calendar) else 0


def _first_of(drafts: list[Draft]) -> Draft:
    """Return the draft that comes first, and say what the others would have given."""
    dated = [draft for draft in drafts if draft.is_dated]
    if not dated:
        return drafts[0]
    first = min(dated, key=lambda draft: draft.rank)
    others = [
        f"Comes first here: {draft.rule.clause} ({draft.basis.text}) alone would give {draft.latest}."
        for draft in dated
        if draft is not first
    ]
    return replace(first, lines=(*first.lines, *others)) if others else first


def _event_words(name: str) -> str:
    kind, _, task = name.partition(":")
    return f"{task_word(Task(task))} {kind}" if task else EVENT_LABELS[EventKind(name)].lower()
