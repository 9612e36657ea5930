"""Reading interval tables from their files, and refusing what does not fit together.

A refusal is a ``TableError`` that names file, rule, field and remedy. Among the refusals: a field
nobody knows, a task or kind outside the closed vocabularies, and two rules that both apply to the
same unit and task without an order between them.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime
from enum import StrEnum
from fractions import Fraction
from functools import cache
from importlib import resources
from itertools import combinations
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

from inventory.measures.kinds import Agent, Construction, Environment, EventKind, Shell, Task, TestMethod
from schedules.rules.period import Period
from schedules.rules.specs import SPEC_FAMILIES
from schedules.rules.table import (
    NO,
    UNKNOWN,
    YES,
    Anchor,
    AnchorKind,
    Conventions,
    Counts,
    DayRange,
    Effect,
    IntervalTable,
    MonthMark,
    Quota,
    Range,
    Reset,
    Rule,
    Selector,
    SourceStatus,
    Window,
    Within,
)

_Code = TypeVar("_Code", bound=StrEnum)

# A rule may name a group instead of spelling out its kinds. Groups follow the wording of the
# documents: 29 CFR 1910.157 says "dry chemical", IS 2190 "BC and ABC powder".
AGENT_GROUPS: Mapping[str, frozenset[Agent]] = MappingProxyType(
    {
        "@dry_chemical": frozenset({Agent.DRY_CHEMICAL_ABC, Agent.DRY_CHEMICAL_BC}),
        "@powder": frozenset({Agent.DRY_CHEMICAL_ABC, Agent.DRY_CHEMICAL_BC, Agent.DRY_POWDER_D}),
        "@foam": frozenset({Agent.FOAM, Agent.AFFF, Agent.FFFP}),
        "@halogenated": frozenset({Agent.HALON_1211, Agent.HALON_1301, Agent.CLEAN_AGENT}),
        "@halon": frozenset({Agent.HALON_1211, Agent.HALON_1301}),
        "@water": frozenset(
            {Agent.WATER, Agent.WATER_ANTIFREEZE, Agent.WETTING_AGENT, Agent.WATER_MIST, Agent.LOADED_STREAM}
        ),
        "@water_based": frozenset(
            {
                Agent.WATER,
                Agent.WATER_ANTIFREEZE,
                Agent.WETTING_AGENT,
                Agent.WATER_MIST,
                Agent.LOADED_STREAM,
                Agent.FOAM,
                Agent.AFFF,
                Agent.FFFP,
                Agent.WET_CHEMICAL,
            }
        ),
        # 49 CFR 180.209(j) is for agents allowed by 172.102 special provision 18; that units rich in
        # carbon dioxide do not qualify is from memory.
        "@special_provision_18": frozenset(Agent) - {Agent.UNKNOWN, Agent.CARBON_DIOXIDE},
    }
)


class TableError(ValueError):
    """A table file that cannot be used: which file, which rule, which field, and what to do."""

    def __init__(self, file: str, rule: str, field: str, remedy: str) -> None:
        place = f'{file}, rule "{rule}"' if rule else file
        super().__init__(f'{place}, field "{field}": {remedy}')
        self.file = file
        self.rule = rule
        self.field = field
        self.remedy = remedy


class _Fields:
    """The fields of one part of a table file; every one must be asked for before ``close``."""

    def __init__(self, raw: Mapping[str, Any], file: str, rule: str = "", prefix: str = "") -> None:
        self.raw = dict(raw)
        self.file = file
        self.rule = rule
        self.prefix = prefix
        self.asked: set[str] = set()

    def error(self, name: str, remedy: str) -> TableError:
        return TableError(self.file, self.rule, f"{self.prefix}{name}", remedy)

    def has(self, name: str) -> bool:
        return name in self.raw

    def text(self, name: str, default: str | None = None) -> str:
        value = self._take(name, default)
        if not isinstance(value, str) or (default is None and not value.strip()):
            raise self.error(name, "write a text in quotes, not empty.")
        return value

    def texts(self, name: str) -> tuple[str, ...]:
        value = self._take(name, [])
        if not isinstance(value, list) or not all(isinstance(item, str) and item for item in value):
            raise self.error(name, "write a list of texts, as in ['one', 'two'].")
        return tuple(value)

    def whole(self, name: str) -> int | None:
        value = self._take(name, None, optional=True)
        if value is not None and (isinstance(value, bool) or not isinstance(value, int)):
            raise self.error(name, "write a whole number without quotes.")
        return value

    def flag(self, name: str) -> bool:
        value = self._take(name, False)
        if not isinstance(value, bool):
            raise self.error(name, "write true or false.")
        return value

    def day(self, name: str, *, required: bool = False) -> date | None:
        value = self._take(name, None, optional=not required)
        if value is not None and (isinstance(value, datetime) or not isinstance(value, date)):
            raise self.error(name, "write a day without quotes, as in 2024-07-25.")
        return value

    def period(self, name: str) -> Period | None:
        value = self._take(name, None, optional=True)
        return None if value is None else self.as_period(name, value)

    def period_or_zero(self, name: str) -> Period:
        return self.period(name) or Period(0, 0)

    def as_period(self, name: str, value: object) -> Period:
        if not isinstance(value, str):
            raise self.error(name, 'write a period in quotes, as in "P6Y" or "P30D".')
        try:
            return Period.parse(value)
        except ValueError as wrong:
            raise self.error(name, f"{wrong}.") from wrong

    def code(self, name: str, kind: type[_Code], default: _Code | None = None) -> _Code:
        value = self._take(name, default.value if default is not None else None)
        return self.as_code(name, kind, value)

    def as_code(self, name: str, kind: type[_Code], value: str) -> _Code:
        try:
            return kind(value)
        except ValueError as wrong:
            raise self.error(name, f"{value!r} is not known here; use one of {_listed(kind)}.") from wrong

    def codes(self, name: str, kind: type[_Code]) -> tuple[_Code, ...]:
        return tuple(self.as_code(name, kind, value) for value in self.texts(name))

    def part(self, name: str) -> _Fields | None:
        value = self._take(name, None, optional=True)
        if value is None:
            return None
        if not isinstance(value, dict):
            raise self.error(name, "write a table, as in { before = 'P2M' }.")
        return _Fields(value, self.file, self.rule, f"{self.prefix}{name}.")

    def parts(self, name: str) -> list[dict[str, Any]]:
        value = self._take(name, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.error(name, f"write [[{name}]] blocks.")
        return value

    def anything(self, name: str) -> Any:
        return self._take(name, None, optional=True)

    def close(self) -> None:
        left = sorted(set(self.raw) - self.asked)
        if left:
            raise self.error(left[0], f"no such field; use one of {', '.join(sorted(self.asked))}.")

    def _take(self, name: str, default: Any, *, optional: bool = False) -> Any:
        self.asked.add(name)
        if name in self.raw:
            return self.raw[name]
        if default is None and not optional:
            raise self.error(name, "this field is missing; add it.")
        return default


def load_table_file(path: Path) -> IntervalTable:
    """Return the interval table in the file ``path``; raise ``TableError`` when it cannot be used."""
    return read_table(path.read_bytes(), path.name)


def read_table(content: bytes, file: str) -> IntervalTable:
    """Return the interval table written in ``content``, a TOML text; ``file`` is named in errors."""
    try:
        raw = tomllib.loads(content.decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as wrong:
        raise TableError(file, "", "whole file", f"cannot be read as TOML in UTF-8: {wrong}.") from wrong
    return build_table(raw, file)


def build_table(raw: Mapping[str, Any], file: str) -> IntervalTable:
    """Return the table whose content is ``raw``; raise ``TableError`` when it cannot be used."""
    fields = _Fields(raw, file)
    rules = tuple(_rule(part, file) for part in fields.parts("rule"))
    table = IntervalTable(
        key=fields.text("key"),
        version=fields.text("version"),
        title=fields.text("title"),
        jurisdiction=fields.text("jurisdiction"),
        document=fields.text("document"),
        edition=fields.text("edition", ""),
        regime=fields.text("regime"),
        valid_from=_required(fields.day("valid_from", required=True)),
        valid_until=fields.day("valid_until"),
        rules=rules,
        conventions=_conventions(fields.part("conventions")),
        resets=tuple(_reset(part, file, place) for place, part in enumerate(fields.parts("reset"), 1)),
        covers=fields.codes("covers", Task),
        failure_ends_life=fields.codes("failure_ends_life", Task),
        quotas=tuple(_quota(part, file) for part in fields.parts("quota")),
        notes=fields.texts("notes"),
        digest=digest_of(raw),
        raw=raw,
    )
    fields.close()
    check_table(table, file)
    return table


def digest_of(raw: Mapping[str, Any]) -> str:
    """Return the SHA-256 of a table's content; spacing, comments and order of fields do not count."""
    text = json.dumps(raw, sort_keys=True, default=str, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


@cache
def load_tables() -> Mapping[str, tuple[IntervalTable, ...]]:
    """Return the shipped tables by key, editions and versions in order of validity.

    Raises ``TableError`` when a shipped file cannot be used, which the test suite rules out.
    """
    return gather(
        read_table(file.read_bytes(), file.name)
        for file in sorted(resources.files(__package__).joinpath("tables").iterdir(), key=lambda f: f.name)
        if file.name.endswith(".toml")
    )


def gather(tables: Iterable[IntervalTable]) -> Mapping[str, tuple[IntervalTable, ...]]:
    """Return ``tables`` by key, editions in order of validity; refuse a version told twice."""
    found: dict[str, list[IntervalTable]] = {}
    for table in tables:
        found.setdefault(table.key, []).append(table)
    for key, versions in found.items():
        versions.sort(key=lambda table: (table.valid_from, version_order(table.version)))
        numbers = [table.version for table in versions]
        for number in numbers:
            if numbers.count(number) > 1:
                raise TableError(key, "", "version", f"{number} comes twice; give each file its own version.")
    return MappingProxyType({key: tuple(versions) for key, versions in sorted(found.items())})


def version_order(version: str) -> tuple[tuple[int, str], ...]:
    """Return a key that sorts ``2026-10`` after ``2026-9``."""
    return tuple((int(part) if part.isdigit() else -1, part) for part in version.split("-"))


def check_table(table: IntervalTable, file: str) -> None:
    """Raise ``TableError`` when the parts of ``table`` contradict each other."""
    if not table.rules:
        raise TableError(file, "", "rule", "a table needs at least one rule.")
    if not table.covers:
        raise TableError(file, "", "covers", "name the tasks that every unit must find a rule for.")
    if table.valid_until is not None and table.valid_until < table.valid_from:
        raise TableError(file, "", "valid_until", "lies before valid_from; correct one of the two.")
    seen: set[str] = set()
    for rule_id in (*(rule.id for rule in table.rules), *(quota.id for quota in table.quotas)):
        if rule_id in seen:
            raise TableError(file, rule_id, "id", "comes twice; give each rule its own id.")
        seen.add(rule_id)
    for rule in table.rules:
        _check_rule(table, rule, file)
    for task in table.covers:
        if task not in table.by_task:
            raise TableError(file, "", "covers", f"no rule speaks of {task.value}; add one or take it out.")
    for rules in table.by_task.values():
        for one, other in combinations((rule for rule in rules if rule.is_calendar), 2):
            if not (one.also or other.also) and one.priority == other.priority and _both_apply(one, other):
                raise TableError(
                    file,
                    other.id,
                    "select",
                    f'some units meet this rule and rule "{one.id}" for the same task; give one of them a '
                    "higher priority, narrow select, or set also = true if the earlier date of both counts.",
                )


def _both_apply(one: Rule, other: Rule) -> bool:
    starts = max(one.valid_from or date.min, other.valid_from or date.min)
    ends = min(one.valid_until or date.max, other.valid_until or date.max)
    return starts <= ends and one.select.meets(other.select)


def _check_rule(table: IntervalTable, rule: Rule, file: str) -> None:
    for field_name, tasks in (
        ("align_to", (rule.align_to,) if rule.align_to else ()),
        ("interval_of", (rule.interval_of,) if rule.interval_of else ()),
        ("only_if_interval", (rule.only_if_interval[0],) if rule.only_if_interval else ()),
        ("next_of", rule.next_of),
    ):
        for task in tasks:
            if task is rule.task:
                raise TableError(file, rule.id, field_name, "names the rule's own task; name another one.")
            others = table.by_task.get(task, ())
            if not any(other.is_calendar for other in others):
                raise TableError(
                    file, rule.id, field_name, f"no calendar rule speaks of {task.value}; add one."
                )
            if field_name == "next_of" and any(other.effect is Effect.NEXT_OF for other in others):
                raise TableError(
                    file, rule.id, field_name, f"{task.value} itself waits for another task; name that."
                )
            if field_name == "align_to" and any(other.align_to for other in others):
                raise TableError(
                    file, rule.id, field_name, f"{task.value} is itself aligned; name a free task."
                )
            if field_name in ("interval_of", "only_if_interval") and any(
                other.interval_of or other.only_if_interval for other in others
            ):
                raise TableError(file, rule.id, field_name, f"{task.value} itself looks at another interval.")
    if rule.counts is Counts.GRID and (
        rule.window is None or not (rule.window.within or not rule.window.before.is_zero)
    ):
        raise TableError(
            file,
            rule.id,
            "window",
            "a fixed rhythm must say how early the work counts; give window.before or within.",
        )
    if rule.valid_until and rule.valid_from and rule.valid_until < rule.valid_from:
        raise TableError(file, rule.id, "valid_until", "lies before valid_from; correct one of the two.")


def _conventions(fields: _Fields | None) -> Conventions:
    if fields is None:
        return Conventions()
    found = Conventions(
        month_mark=fields.code("month_mark", MonthMark, MonthMark.FIRST_DAY), notes=fields.texts("notes")
    )
    fields.close()
    return found


def _reset(raw: dict[str, Any], file: str, place: int) -> Reset:
    fields = _Fields(raw, file, f"reset {place}")
    found = Reset(
        done=fields.code("done", Task),
        restarts=fields.codes("restarts", Task),
        methods=frozenset(fields.as_code("methods", TestMethod, m).value for m in fields.texts("methods")),
        clause=fields.text("clause", ""),
    )
    fields.close()
    if not found.restarts:
        raise fields.error("restarts", "name at least one task.")
    return found


def _quota(raw: dict[str, Any], file: str) -> Quota:
    fields = _Fields(raw, file, str(raw.get("id", "")))
    share = fields.text("share", "0")
    try:
        part = Fraction(share)
    except (ValueError, ZeroDivisionError) as wrong:
        raise fields.error("share", 'write a fraction in quotes, as in "1/3" or "3/100".') from wrong
    found = Quota(
        id=fields.text("id"),
        task=fields.code("task", Task),
        clause=fields.text("clause"),
        source=fields.text("source"),
        source_status=fields.code("source_status", SourceStatus),
        source_note=fields.text("source_note", ""),
        called=fields.text("called", ""),
        notes=fields.texts("notes"),
        group_by=fields.texts("group_by"),
        per=fields.period_or_zero("per"),
        share=part,
        at_least=fields.whole("at_least") or 0,
        failure_takes_all=fields.flag("failure_takes_all"),
        select=_selector(fields.part("select")),
    )
    fields.close()
    if not 0 <= found.share <= 1:
        raise fields.error("share", "lies outside 0 to 1; correct it.")
    if found.share == 0 and found.at_least < 1:
        raise fields.error("share", "give a share above 0 or at_least of 1 or more.")
    if found.per.is_zero:
        raise fields.error("per", 'write a period longer than nothing, as in "P1Y".')
    unknown = [name for name in found.group_by if name not in ("site", "type", "made_year")]
    if unknown:
        raise fields.error("group_by", f"{unknown[0]!r} is not known; use site, type, made_year.")
    return found


def _rule(raw: dict[str, Any], file: str) -> Rule:
    fields = _Fields(raw, file, str(raw.get("id", "")))
    rule_id = fields.text("id")
    effect, own = _effect(fields)
    rule = Rule(
        id=rule_id,
        task=fields.code("task", Task),
        effect=effect,
        clause=fields.text("clause"),
        source=fields.text("source"),
        source_status=fields.code("source_status", SourceStatus),
        source_note=fields.text("source_note", ""),
        called=fields.text("called", ""),
        notes=fields.texts("notes"),
        assumed=fields.text("assumed", ""),
        select=_selector(fields.part("select")),
        priority=fields.whole("priority") or 0,
        also=fields.flag("also"),
        only_if_interval=_only_if(fields.part("only_if_interval")),
        grace_until=fields.day("grace_until"),
        valid_from=fields.day("valid_from"),
        valid_until=fields.day("valid_until"),
        **own,
    )
    fields.close()
    return rule


def _effect(fields: _Fields) -> tuple[Effect, dict[str, Any]]:
    """Return what the rule does and the fields that belong to that; refuse a mixture."""
    signs: tuple[tuple[str, Effect, Callable[[_Fields], dict[str, Any]]], ...] = (
        ("exempt", Effect.EXEMPT, _exempt),
        ("bars_on", Effect.BAR, _bar),
        ("on_events", Effect.EVENT, _event),
        ("at_ages", Effect.AGES, _ages),
        ("on", Effect.FIXED, _fixed),
        ("with_next", Effect.NEXT_OF, _next_of),
        ("interval_of", Effect.REPEAT, _repeat),
        ("every", Effect.REPEAT, _repeat),
        ("first", Effect.REPEAT, _repeat),
    )
    present = [(name, effect, read) for name, effect, read in signs if fields.has(name)]
    if not present:
        names = ", ".join(name for name, _, _ in signs)
        raise fields.error("every", f"the rule says nothing; give it one of {names}.")
    effects = {effect for _, effect, _ in present}
    if len(effects) > 1:
        raise fields.error(present[1][0], f"does not go with {present[0][0]}; split the rule in two.")
    return present[0][1], present[0][2](fields)


def _exempt(fields: _Fields) -> dict[str, Any]:
    if not fields.flag("exempt"):
        raise fields.error("exempt", "write true, or take the field out.")
    return {}


def _bar(fields: _Fields) -> dict[str, Any]:
    return {"events": _events(fields, "bars_on", may_be_empty=True), "retires": fields.flag("retires")}


def _event(fields: _Fields) -> dict[str, Any]:
    return {
        "events": _events(fields, "on_events"),
        "within": fields.period_or_zero("due_within"),
        "covered_before": fields.period_or_zero("covered_before"),
    }


def _events(fields: _Fields, name: str, *, may_be_empty: bool = False) -> tuple[str, ...]:
    events = fields.texts(name)
    if not events and not may_be_empty:
        raise fields.error(name, "name at least one event.")
    for event in events:
        kind, _, task = event.partition(":")
        if task:
            if kind not in ("done", "failed"):
                raise fields.error(name, f"{event!r}: before the colon stands done or failed.")
            fields.as_code(name, Task, task)
        else:
            fields.as_code(name, EventKind, event)
    return events


def _ages(fields: _Fields) -> dict[str, Any]:
    ages = tuple(fields.as_period("at_ages", value) for value in fields.texts("at_ages"))
    if not ages or list(ages) != sorted(ages, key=lambda age: (age.months, age.days)):
        raise fields.error("at_ages", 'write rising ages, as in ["P5Y", "P15Y"].')
    return {
        "ages": ages,
        "anchors": _anchors(fields, required=True),
        "early": _early(fields),
        "window": _window(fields.part("window")),
    }


def _early(fields: _Fields) -> Period:
    """Return how early a step by age counts; a table that does not say would never be settled."""
    period = fields.period("early")
    if period is None or period.is_zero:
        raise fields.error("early", 'say how long before the age the work counts, as in "P1Y".')
    return period


def _fixed(fields: _Fields) -> dict[str, Any]:
    return {"on": fields.day("on", required=True)}


def _next_of(fields: _Fields) -> dict[str, Any]:
    tasks = fields.codes("with_next", Task)
    if not tasks:
        raise fields.error("with_next", "name at least one task.")
    return {"next_of": tasks}


def _repeat(fields: _Fields) -> dict[str, Any]:
    every = fields.period("every")
    first = fields.period("first")
    interval_of = fields.code("interval_of", Task) if fields.has("interval_of") else None
    if interval_of and (every or first):
        raise fields.error("interval_of", "does not go with every or first; keep one of them.")
    for name, period in (("every", every), ("first", first)):
        if period is not None and period.is_zero:
            raise fields.error(name, "a period of nothing makes no date; write one longer than that.")
    method_part = fields.part("every_by_method")
    by_method: list[tuple[str, Period]] = []
    if method_part is not None:
        for name in list(method_part.raw):
            code = name if name == UNKNOWN else method_part.as_code(name, TestMethod, name).value
            period = method_part.period(name)
            if period is not None:
                by_method.append((code, period))
        if every is None:
            raise fields.error("every_by_method", "needs every for the methods it does not name.")
    found = {
        "every": every,
        "first": first or every,
        "interval_of": interval_of,
        "every_by_method": tuple(by_method),
        "anchors": _anchors(fields, required=False),
        "counts": fields.code("counts", Counts, Counts.DONE),
        "window": _window(fields.part("window")),
        "align_to": fields.code("align_to", Task) if fields.has("align_to") else None,
        "only_after": fields.codes("only_after", Task),
        "at_most": fields.whole("at_most"),
        "at_filling": fields.flag("at_filling"),
    }
    # "align_to" and "interval_of" are optional: asked for even when absent.
    fields.asked |= {"align_to", "interval_of"}
    return found


def _anchors(fields: _Fields, *, required: bool) -> tuple[Anchor, ...]:
    raw = fields.anything("anchors")
    if raw is None:
        if required:
            raise fields.error("anchors", 'name what the ages count from, as in ["made"].')
        return ()
    if not isinstance(raw, list):
        raise fields.error("anchors", 'write a list, as in ["first_test", "made"].')
    found = []
    for item in raw:
        part = _Fields(
            item if isinstance(item, dict) else {"from": item}, fields.file, fields.rule, "anchors."
        )
        found.append(Anchor(part.code("from", AnchorKind), part.period("within")))
        part.close()
    return tuple(found)


def _window(fields: _Fields | None) -> Window | None:
    if fields is None:
        return None
    found = Window(
        before=fields.period_or_zero("before"),
        after=fields.period_or_zero("after"),
        within=fields.code("within", Within) if fields.has("within") else None,
    )
    fields.asked.add("within")
    fields.close()
    return found


def _only_if(fields: _Fields | None) -> tuple[Task, Period] | None:
    if fields is None:
        return None
    task = fields.code("task", Task)
    period = fields.period("is")
    fields.close()
    if period is None:
        raise fields.error("is", 'give the interval, as in "P12Y".')
    return task, period


def _selector(fields: _Fields | None) -> Selector:
    if fields is None:
        return Selector()
    found = Selector(
        agents=_agents(fields),
        constructions=_code_set(fields, "constructions", Construction),
        shells=_code_set(fields, "shells", Shell),
        specs=_spec_set(fields),
        environments=_code_set(fields, "environments", Environment),
        wheeled=_answers(fields, "wheeled"),
        refillable=_answers(fields, "refillable"),
        shutoff_hose=_answers(fields, "shutoff_hose"),
        water_capacity_ml=_range(fields, "water_capacity_ml"),
        charge_mass_g=_range(fields, "charge_mass_g"),
        charge_volume_ml=_range(fields, "charge_volume_ml"),
        made=_day_range(fields),
    )
    fields.close()
    return found


def _agents(fields: _Fields) -> frozenset[Agent] | None:
    names = fields.texts("agents")
    if not names:
        return None
    found: set[Agent] = set()
    for name in names:
        if name.startswith("@"):
            if name not in AGENT_GROUPS:
                raise fields.error(
                    "agents", f"{name!r} is no group; use one of {', '.join(sorted(AGENT_GROUPS))}."
                )
            found |= AGENT_GROUPS[name]
        else:
            found.add(fields.as_code("agents", Agent, name))
    return frozenset(found)


def _code_set(fields: _Fields, name: str, kind: type[_Code]) -> frozenset[_Code] | None:
    return frozenset(fields.codes(name, kind)) or None


def _spec_set(fields: _Fields) -> frozenset[str] | None:
    names = fields.texts("specs")
    for name in names:
        if name not in SPEC_FAMILIES:
            raise fields.error("specs", f"{name!r} is not known; use one of {', '.join(SPEC_FAMILIES)}.")
    return frozenset(names) or None


def _answers(fields: _Fields, name: str) -> frozenset[str] | None:
    answers = fields.texts(name)
    for answer in answers:
        if answer not in (YES, NO, UNKNOWN):
            raise fields.error(name, f"{answer!r} is no answer; use yes, no, unknown.")
    return frozenset(answers) or None


def _range(fields: _Fields, name: str) -> Range:
    part = fields.part(name)
    if part is None:
        return Range(or_unknown=True)
    found = Range(part.whole("over"), part.whole("up_to"), part.flag("or_unknown"))
    part.close()
    if found.over is not None and found.up_to is not None and found.over >= found.up_to:
        raise fields.error(name, "nothing lies above over and not above up_to; correct one of the two.")
    return found


def _day_range(fields: _Fields) -> DayRange:
    part = fields.part("made")
    if part is None:
        return DayRange(or_unknown=True)
    found = DayRange(part.day("from"), part.day("before"), part.flag("or_unknown"))
    part.close()
    if found.start is not None and found.before is not None and found.start >= found.before:
        raise fields.error("made", "no day lies from and before those; correct one of the two.")
    return found


def _required(value: date | None) -> date:
    if value is None:
        raise AssertionError("a required field was read")
    return value


def _listed(kind: type[StrEnum]) -> str:
    return ", ".join(code.value for code in kind if code.value)


__all__: Sequence[str] = (
    "AGENT_GROUPS",
    "TableError",
    "build_table",
    "check_table",
    "digest_of",
    "gather",
    "load_table_file",
    "load_tables",
    "read_table",
    "version_order",
)
