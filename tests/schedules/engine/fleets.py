"""Random units, histories and tables for holding the twin against the scalar engine."""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from inventory.measures.kinds import Agent, Construction, Environment, Shell, Task, TestMethod
from inventory.measures.stamps import Precision, Stamp
from schedules.engine import Done, UnitFacts, obligations
from schedules.engine.fleet import Row, fleet_of, judge
from schedules.rules import IntervalTable, TableError, load_tables
from schedules.rules.loader import build_table

SPECS = (
    "",
    "4BW195",
    "DOT 3AL1800",
    "3AA1800",
    "4B240ET",
    "3HT1850",
    "4E",
    "8AL",
    "TC-3AAM",
    "SP 1234",
    "odd",
)
PERIODS = ("P1M", "P2M", "P6M", "P1Y", "P2Y", "P5Y", "P6Y", "P12Y", "P30D", "P90D", "P1M15D", "P18M")
COUNTED_TASKS = [task for task in Task if task is not Task.RETIREMENT]

Told = tuple[UnitFacts, tuple[Done, ...], int, date]


def random_day(chance: random.Random, first: int = 1985, last: int = 2032) -> date:
    """A day, often the last or first of a month or 29 February, where calendars trip."""
    year = chance.randint(first, last)
    match chance.randrange(6):
        case 0:
            return date(year, chance.randint(1, 12), 1)
        case 1:
            return date(year, chance.randint(2, 12), 1) - timedelta(days=1)
        case 2:
            return date(chance.choice([2000, 2012, 2016, 2020, 2024]), 2, 29)
        case _:
            return date(year, 1, 1) + timedelta(days=chance.randrange(365))


def random_stamp(chance: random.Random, first: int = 1985, last: int = 2032) -> Stamp:
    day = random_day(chance, first, last)
    precision = chance.choices(list(Precision), weights=(6, 4, 1, 2, 1))[0]
    match precision:
        case Precision.DAY:
            return Stamp.on(day)
        case Precision.MONTH:
            return Stamp.of(day.year, day.month)
        case Precision.QUARTER:
            return Stamp.quarter(day.year, (day.month + 2) // 3)
        case Precision.YEAR:
            return Stamp.of(day.year)
    return Stamp.unknown()


def random_kind(chance: random.Random) -> dict[str, Any]:
    optional = [None, 0, 2000, 5000, 9072, 12_000, 20_000, 60_000]
    return {
        "agent": chance.choice(list(Agent)),
        "construction": chance.choice(list(Construction)),
        "shell": chance.choice(list(Shell)),
        "cylinder_spec": chance.choice(SPECS),
        "water_capacity_ml": chance.choice(optional),
        "charge_mass_g": chance.choice(optional),
        "charge_volume_ml": chance.choice(optional),
        "is_wheeled": chance.random() < 0.2,
        "is_refillable": chance.choice([None, True, False]),
        "environment": chance.choice(list(Environment)),
        "has_shutoff_hose": chance.choice([None, True, False]),
    }


def random_done(chance: random.Random, made: Stamp) -> Done:
    first = made.first.year if made.first and chance.random() < 0.9 else 1985
    task = Task.RETIREMENT if chance.random() < 0.01 else chance.choice(COUNTED_TASKS)
    return Done(
        task,
        random_stamp(chance, min(first, 2031), 2032 if chance.random() < 0.1 else max(first, 2026)),
        chance.choice(list(TestMethod)),
        chance.random() < 0.85,
        ref=str(chance.randrange(1000)),
    )


def random_unit(chance: random.Random, kind: dict[str, Any], rulebook: int, as_of: date) -> Told:
    made = random_stamp(chance, 1985, 2027)
    rare = chance.random() < 0.15
    facts = UnitFacts(
        **kind,
        made=made,
        first_test=random_stamp(chance) if rare else Stamp.unknown(),
        commissioned=Stamp.on(random_day(chance, 2000, 2026)) if chance.random() < 0.3 else Stamp.unknown(),
        sold=random_stamp(chance) if rare else Stamp.unknown(),
        registered=random_day(chance, 2010, 2027) if chance.random() < 0.7 else None,
    )
    history = tuple(random_done(chance, made) for _ in range(chance.choice([0, 1, 2, 3, 5, 9])))
    return facts, history, rulebook, as_of


def random_table(chance: random.Random, key: str) -> IntervalTable:
    """A table of nonsense that uses every part of the rule language."""
    while True:
        try:
            return build_table(_raw_table(chance, key), f"{key}.toml")
        except TableError:
            continue


def _raw_table(chance: random.Random, key: str) -> dict[str, Any]:
    tasks = chance.sample(COUNTED_TASKS, chance.randint(2, 7))
    rules: list[dict[str, Any]] = []
    for task in tasks:
        names = [t.value for t in tasks if t is not task]
        for number in range(chance.choice([1, 1, 2])):
            rule = _raw_rule(chance, names)
            rule |= {"id": f"{task.value}.{number}", "task": task.value, "priority": number}
            if number and chance.random() < 0.5:
                rule["also"] = True
            rules.append(rule)
        if chance.random() < 0.3:
            rules.append(_raw_event(chance, names) | {"id": f"{task.value}.event", "task": task.value})
        if chance.random() < 0.15:
            bars = (
                []
                if chance.random() < 0.3
                else [f"{chance.choice(['done', 'failed'])}:{chance.choice(names)}"]
            )
            bar = {
                "id": f"{task.value}.bar",
                "task": task.value,
                "bars_on": bars,
                "retires": chance.random() < 0.6,
            }
            rules.append(bar | _source(chance))
    if chance.random() < 0.6:
        end = _raw_rule(chance, [t.value for t in tasks])
        rules.append(end | {"id": "end", "task": Task.RETIREMENT.value})
    covers = [t.value for t in tasks] if chance.random() < 0.8 else [tasks[0].value]
    return {
        "key": key,
        "version": "1",
        "title": key,
        "jurisdiction": "nowhere",
        "document": "Invented for this test",
        "regime": "workplace",
        "valid_from": date(2000, 1, 1),
        "covers": covers,
        "failure_ends_life": [t.value for t in tasks if chance.random() < 0.2],
        "conventions": {"month_mark": chance.choice(["first_day", "last_day"])},
        "reset": [_raw_reset(chance, tasks) for _ in range(chance.randint(0, 3))],
        "rule": rules,
    }


def _source(chance: random.Random) -> dict[str, Any]:
    found: dict[str, Any] = {"clause": "1", "source": "invented", "source_status": "MEMORY"}
    if chance.random() < 0.2:
        found["assumed"] = "Assumed."
    if chance.random() < 0.2:
        found["valid_from"] = random_day(chance, 2001, 2030)
    if chance.random() < 0.5:
        found["select"] = _raw_select(chance)
    return found


def _raw_select(chance: random.Random) -> dict[str, Any]:
    parts: dict[str, Any] = {
        "agents": [a.value for a in chance.sample(list(Agent), 12)],
        "constructions": [c.value for c in chance.sample(list(Construction), 5)],
        "environments": [e.value for e in chance.sample(list(Environment), 4)],
        "wheeled": [chance.choice(["yes", "no"])],
        "charge_mass_g": {"over": 2000, "up_to": 20_000, "or_unknown": chance.random() < 0.5},
        "water_capacity_ml": {"up_to": 9072},
        "made": {"from": date(1999, 7, 2), "or_unknown": chance.random() < 0.5},
    }
    name = chance.choice(sorted(parts))
    return {name: parts[name]}


def _raw_reset(chance: random.Random, tasks: Sequence[Task]) -> dict[str, Any]:
    done = chance.choice(COUNTED_TASKS)
    found: dict[str, Any] = {"done": done.value, "restarts": [chance.choice(tasks).value]}
    if chance.random() < 0.3:
        found["methods"] = [m.value for m in chance.sample(list(TestMethod), 2)]
    return found


def _anchors(chance: random.Random) -> list[Any]:
    kinds = chance.sample(["made", "commissioned", "first_test", "sold"], chance.randint(1, 3))
    return [{"from": kind, "within": "P2Y"} if chance.random() < 0.3 else kind for kind in kinds]


def _window(chance: random.Random) -> dict[str, str]:
    if chance.random() < 0.4:
        return {"within": chance.choice(["calendar_month", "calendar_year"])}
    return {"before": chance.choice(["P1M", "P30D", "P2M"]), "after": chance.choice(["P1M", "P10D"])}


def _raw_event(chance: random.Random, names: list[str]) -> dict[str, Any]:
    events = chance.sample(
        ["discharged", *(f"done:{name}" for name in names), *(f"failed:{name}" for name in names)], 2
    )
    found: dict[str, Any] = {"on_events": events, "due_within": chance.choice(["P1M", "P7D"])}
    if chance.random() < 0.4:
        found["covered_before"] = "P1M"
    return found | _source(chance)


def _raw_rule(chance: random.Random, names: list[str]) -> dict[str, Any]:
    found: dict[str, Any]
    match chance.choices(["repeat", "grid", "ages", "on", "next", "exempt", "borrow"], (8, 2, 2, 1, 1, 1, 1))[
        0
    ]:
        case "repeat":
            found = {"every": chance.choice(PERIODS)}
            if chance.random() < 0.3:
                found["first"] = chance.choice(PERIODS)
            if chance.random() < 0.15:
                found = {"first": found["every"]}
            if chance.random() < 0.85:
                found["anchors"] = _anchors(chance)
            if chance.random() < 0.3:
                found["window"] = _window(chance)
            if chance.random() < 0.2:
                found["align_to"] = chance.choice(names)
            if chance.random() < 0.2:
                found["at_filling"] = True
            if chance.random() < 0.1:
                found["only_after"] = chance.sample(names, 1)
            if chance.random() < 0.15:
                found["at_most"] = chance.choice([1, 2, 3])
            if "every" in found and chance.random() < 0.25:
                found["every_by_method"] = {
                    chance.choice(["unknown", "water_jacket", "proof_pressure"]): chance.choice(PERIODS),
                    "ultrasonic": chance.choice(PERIODS),
                }
            if chance.random() < 0.1:
                found["only_if_interval"] = {"task": chance.choice(names), "is": chance.choice(PERIODS)}
        case "grid":
            found = {"every": chance.choice(PERIODS), "counts": "grid", "window": _window(chance)}
            if chance.random() < 0.4:
                found["first"] = chance.choice(PERIODS)
            if chance.random() < 0.8:
                found["anchors"] = _anchors(chance)
        case "ages":
            found = {
                "at_ages": chance.choice([["P5Y", "P15Y"], ["P10Y"]]),
                "early": "P1Y",
                "anchors": _anchors(chance),
            }
            if chance.random() < 0.3:
                found["window"] = _window(chance)
        case "on":
            found = {"on": random_day(chance, 2008, 2030)}
        case "next":
            found = {"with_next": chance.sample(names, min(2, len(names)))}
        case "borrow":
            found = {"interval_of": chance.choice(names)}
        case _:
            found = {"exempt": True}
    if chance.random() < 0.1:
        found["grace_until"] = random_day(chance, 2010, 2030)
    return found | _source(chance)


def random_run(seed: int, units: int) -> tuple[list[Told], list[tuple[IntervalTable, ...]]]:
    """Units with histories under rulebooks of shipped and invented tables."""
    chance = random.Random(seed)
    shipped = load_tables()
    books: list[tuple[IntervalTable, ...]] = []
    for place in range(6):
        keys = chance.sample(sorted(shipped), chance.randint(1, 3))
        tables = [table for key in keys for table in shipped[key]]
        tables += [random_table(chance, f"z-invented-{place}-{n}") for n in range(chance.randint(0, 2))]
        books.append(tuple(tables))
    kinds = [random_kind(chance) for _ in range(25)]
    days = [random_day(chance, 2015, 2030) for _ in range(2)]
    told = [
        random_unit(chance, chance.choice(kinds), chance.randrange(len(books)), chance.choice(days))
        for _ in range(units)
    ]
    return told, books


def scalar_rows(told: Sequence[Told], books: Sequence[tuple[IntervalTable, ...]]) -> set[Row]:
    """What the scalar engine says of each unit."""
    return {
        Row.of(place, item)
        for place, (facts, history, book, as_of) in enumerate(told)
        for item in obligations(facts, history, books[book], as_of)
    }


def twin_rows(told: Sequence[Told], books: Sequence[tuple[IntervalTable, ...]]) -> tuple[list[Row], int]:
    """What the twin says, and for how many units it asked the scalar engine."""

    def scalar(places: Sequence[int]) -> Any:
        for place in places:
            facts, history, book, as_of = told[place]
            yield place, obligations(facts, history, books[book], as_of)

    answers = judge(fleet_of(told), books, scalar)
    return list(answers.rows()), answers.fallen_back
