"""Set-based recomputing of obligations: columns out of the database, dates, differences back in.

``work_out`` reads facts and computes without holding a lock, so that a long sweep never keeps a
technician waiting; ``put_away`` then writes, in one short transaction, only what differs. A unit
whose facts moved in between is left out: it is still stale and the next sweep takes it.
"""

# ruff: noqa: S608 - the SQL here is put together from names of tables and closed vocabularies only

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from django.db import connection

from inventory.logbook.models import ServiceRecord
from inventory.measures.kinds import Agent, Construction, Environment, Shell, Task
from inventory.register.models import Location, Site, Unit, UnitModel
from schedules import engine
from schedules.due.models import Freshness, Obligation
from schedules.due.queries import unit_inputs
from schedules.due.tallies import Rows, hold_lock, settle
from schedules.engine import UnitFacts
from schedules.engine.fleet import (
    KNOWLEDGE_CODES,
    KNOWLEDGES,
    METHOD_CODES,
    NO_DAY,
    PRECISION_CODES,
    TASK_CODES,
    TASKS,
    Answers,
    Fleet,
    FleetPast,
    Ints,
    Marks,
    Records,
    day_of,
    earlier,
    judge,
    number,
)
from schedules.rulebook.books import NO_BOOK, Rulebook, rulebooks
from schedules.rules.table import AnchorKind, IntervalTable

# Below this many units the scalar engine answers: reading whole columns for a handful is slower.
SMALL = 100

# From so many units on a sweep is worth memory of its own.
MANY = 20_000

# Stands for "no day" in what the database gives back, because SQL has no column of NO_DAY.
_NULL_DAY = -1_000_000

_UNITS = Unit._meta.db_table
_MODELS = UnitModel._meta.db_table
_LOCATIONS = Location._meta.db_table
_RECORDS = ServiceRecord._meta.db_table
_OBLIGATIONS = Obligation._meta.db_table
_FRESHNESS = Freshness._meta.db_table
_GONE = "', '".join(state.value for state in Unit.GONE)

_ENVIRONMENTS = tuple(Environment)
_EXEMPT = KNOWLEDGE_CODES[engine.Knowledge.EXEMPT]


@dataclass(slots=True)
class Worked:
    """What a batch of units comes to, ready to be written.

    ``ids`` are all units asked for; ``serving`` those on duty on a site, with the revision of the
    facts that was read. ``answers.unit`` is a place in ``serving``.
    """

    ids: Ints
    serving: Ints
    revision: Ints
    site: Ints
    as_of: Ints
    digest: list[str]
    answers: Answers
    recheck: Ints
    doubt_until: Ints


def work_out(unit_ids: Sequence[int], *, now: datetime) -> Worked:
    """Read the facts of these units and work out what falls due; seven queries whatever their number."""
    ids = np.unique(np.array(list(unit_ids), np.int64))
    units = _units(ids.tolist())
    serving, site = units[:, 0], units[:, 1]
    books = rulebooks(np.unique(site).tolist())
    zones = dict(Site.objects.filter(pk__in=list(books)).order_by().values_list("pk", "time_zone"))
    distinct: dict[Rulebook, int] = {}
    book_of = {
        site_id: distinct.setdefault(books.get(site_id, NO_BOOK), len(distinct))
        for site_id in np.unique(site).tolist()
    }
    tables = [book.tables for book in distinct]
    digests = [book.digest for book in distinct]
    days = {zone: number(now.astimezone(ZoneInfo(zone)).date()) for zone in set(zones.values())}
    rulebook = _looked_up(site, book_of)
    as_of = _looked_up(site, {site_id: days[zone] for site_id, zone in zones.items()})

    if len(serving) < SMALL:
        doubt_until = np.full(len(serving), NO_DAY)
        answers = _one_by_one(serving, rulebook, as_of, tables, doubt_until)
    else:
        fleet = Fleet(
            *_kinds(units),
            rulebook=rulebook,
            as_of=as_of,
            registered=_registered(site, units[:, 4], zones),
            anchors={
                AnchorKind.MADE: Marks(_day(units[:, 5]), _day(units[:, 6]), units[:, 7]),
                AnchorKind.COMMISSIONED: Marks.on(_day(units[:, 8])),
            },
            records=_records(serving),
        )
        past = FleetPast(fleet)
        doubt_until = past.doubt_until()
        answers = judge(
            fleet, tables, lambda places: _scalar(places, serving, rulebook, as_of, tables), past=past
        )
    # What lies ahead is in doubt until it has come: then it is looked at, whatever the tables ask.
    ahead = np.where(doubt_until < number(date.max), doubt_until, NO_DAY)
    recheck = earlier(answers.rechecks(len(serving)), np.where(ahead == NO_DAY, NO_DAY, ahead + 1))
    # What is not demanded of a kind is told by the explanation; the due list need not hold it.
    answers = answers.kept(answers.knowledge != _EXEMPT)
    return Worked(
        ids=ids,
        serving=serving,
        revision=units[:, 2],
        site=site,
        as_of=as_of,
        digest=[digests[place] for place in rulebook.tolist()],
        answers=answers,
        recheck=recheck,
        doubt_until=doubt_until,
    )


# --- reading ---------------------------------------------------------------------------------------


def _units(ids: list[int]) -> Ints:
    """Return id, site, revision, model, registering, manufacture, placing in service, surroundings."""
    created = (
        "FLOOR(EXTRACT(EPOCH FROM u.created_at))::bigint"
        if connection.vendor == "postgresql"
        else "CAST(strftime('%%s', u.created_at) AS INTEGER)"
    )
    return _matrix(
        f"""
        SELECT u.id, u.site_id, u.facts_revision, u.model_id, {created},
            {_as_day("u.made_first")}, {_as_day("u.made_last")},
            {_as_code("u.made_precision", PRECISION_CODES, PRECISION_CODES[_UNKNOWN_PRECISION])},
            {_as_day("u.commissioned_on")},
            {_as_code("l.environment", _ENVIRONMENT_CODES, _ENVIRONMENT_CODES[Environment.UNKNOWN])}
        FROM {_UNITS} u LEFT JOIN {_LOCATIONS} l ON l.id = u.location_id
        WHERE {_among("u.id")} AND u.site_id IS NOT NULL AND u.state NOT IN ('{_GONE}')
        ORDER BY u.id
        """,
        [_listed(ids)],
        10,
    )


def _records(serving: Ints) -> Records:
    """Return what was done to these units: records that stand, passed or failed."""
    # Few units are merged, and they stand in the index on it: looking each record's unit up there is cheap.
    merged = f"(SELECT id, merged_into_id FROM {_UNITS} WHERE merged_into_id IS NOT NULL)"
    listed = _listed(serving.tolist())
    rows = _matrix(
        f"""
        SELECT COALESCE(m.merged_into_id, r.unit_id), {_as_code("r.task", TASK_CODES, 0)},
            {_as_code("r.method", METHOD_CODES, METHOD_CODES[_UNKNOWN_METHOD])},
            CASE r.outcome WHEN 'passed' THEN 1 ELSE 0 END,
            {_as_day("r.done_first")}, {_as_day("r.done_last")},
            {_as_code("r.done_precision", PRECISION_CODES, PRECISION_CODES[_UNKNOWN_PRECISION])}
        FROM {_RECORDS} r LEFT JOIN {merged} m ON m.id = r.unit_id
        WHERE r.unit_id IN ({_each()} UNION SELECT a.id FROM {_UNITS} a WHERE {_among("a.merged_into_id")})
            AND r.outcome IN ('passed', 'failed')
            AND NOT EXISTS (SELECT 1 FROM {_RECORDS} c WHERE c.corrects_id = r.id)
        ORDER BY r.unit_id
        """,
        [listed, listed],
        7,
    )
    if (np.diff(rows[:, 0]) < 0).any():
        rows = rows[np.argsort(rows[:, 0], kind="stable")]
    return Records(
        unit=np.searchsorted(serving, rows[:, 0]),
        task=rows[:, 1],
        method=rows[:, 2],
        passed=rows[:, 3] == 1,
        mark=Marks(_day(rows[:, 4]), _day(rows[:, 5]), rows[:, 6]),
    )


def _kinds(units: Ints) -> tuple[list[UnitFacts], Ints]:
    """Return the kinds of unit that occur (build data and surroundings), and each unit's among them."""
    pairs, kind = np.unique(units[:, [3, 9]], axis=0, return_inverse=True)
    models = UnitModel.objects.in_bulk(np.unique(pairs[:, 0]).tolist())
    kinds = []
    for model_id, environment in pairs.tolist():
        model = models[model_id]
        kinds.append(
            UnitFacts(
                agent=Agent(model.agent),
                construction=Construction(model.construction),
                shell=Shell(model.shell),
                cylinder_spec=model.cylinder_spec,
                water_capacity_ml=model.water_capacity_ml,
                charge_mass_g=model.charge_mass_g,
                charge_volume_ml=model.charge_volume_ml,
                is_wheeled=model.is_wheeled,
                is_refillable=model.is_refillable,
                has_shutoff_hose=model.has_shutoff_hose,
                environment=_ENVIRONMENTS[environment],
            )
        )
    return kinds, kind.reshape(-1)


def _registered(site: Ints, created: Ints, zones: dict[int, str]) -> Ints:
    """Return the civil day, at its own site, on which each unit came into the register."""
    names = sorted(set(zones.values()))
    zone = _looked_up(site, {site_id: names.index(name) for site_id, name in zones.items()})
    # Clocks are a whole number of quarter hours away from UTC, so midnight falls between two of them.
    pairs, place = np.unique(np.stack([zone, created // 900]), axis=1, return_inverse=True)
    days = [
        number(datetime.fromtimestamp(quarter * 900, UTC).astimezone(ZoneInfo(names[code])).date())
        for code, quarter in pairs.T.tolist()
    ]
    return np.array(days, np.int64)[place.reshape(-1)]


def _one_by_one(
    serving: Ints,
    rulebook: Ints,
    as_of: Ints,
    tables: Sequence[Sequence[IntervalTable]],
    doubt_until: Ints,
) -> Answers:
    """Return what the scalar engine says of every unit; fills ``doubt_until``."""
    nothing = np.full(len(serving), NO_DAY)
    everything = Fleet([], np.zeros(len(serving), np.int64), rulebook, as_of, nothing, {}, Records.none())
    return judge(
        everything,
        tables,
        lambda places: _scalar(places, serving, rulebook, as_of, tables, doubt_until),
        only_scalar=True,
    )


def _scalar(
    places: Sequence[int],
    serving: Ints,
    rulebook: Ints,
    as_of: Ints,
    tables: Sequence[Sequence[IntervalTable]],
    doubt_until: Ints | None = None,
) -> Iterator[tuple[int, Sequence[engine.Obligation]]]:
    place_of = {int(serving[place]): place for place in places}
    for item in unit_inputs(place_of):
        place = place_of[item.unit_id]
        day = day_of(int(as_of[place]))
        if day is None:
            raise AssertionError("every unit is judged on a day")
        if doubt_until is not None:
            doubt_until[place] = number(engine.doubt_until(item.facts, item.history, day))
        yield place, engine.obligations(item.facts, item.history, tables[rulebook[place]], day)


# --- writing ---------------------------------------------------------------------------------------


@contextmanager
def bulk_writing(units: int) -> Iterator[None]:
    """Give SQLite room while so many units are written; other databases and small numbers need none.

    With its own 2 MB it reads and writes every leaf of an index again for each batch.
    """
    if connection.vendor != "sqlite" or units < MANY:
        yield
        return
    with connection.cursor() as cursor:
        old = {}
        for name, value in (("cache_size", -256 * 1024), ("wal_autocheckpoint", 20_000)):
            old[name] = cursor.execute(f"PRAGMA {name}").fetchone()[0]
            cursor.execute(f"PRAGMA {name} = {value}")
        try:
            yield
        finally:
            for name, value in old.items():
                cursor.execute(f"PRAGMA {name} = {value}")


@dataclass(frozen=True, slots=True)
class Put:
    """What was written: units that were settled, obligations written and removed."""

    settled: int
    written: int
    removed: int


def put_away(worked: Worked, *, now: datetime) -> Put:
    """Write what differs from what is stored. The caller holds a transaction."""
    hold_lock()
    settled, gone = _unmoved(worked)
    rows = _rows(worked, settled)
    stored = _stored([*worked.serving[settled].tolist(), *gone])
    before = Rows.of(
        (key[0], old[0], key[2], old[6], old[7], old[8], old[4], old[5]) for key, (_, old) in stored.items()
    )
    at = connection.ops.adapt_datetimefield_value(now)

    fresh: list[tuple[Any, ...]] = []
    changed: list[tuple[Any, ...]] = []
    if not stored:
        fresh = list(rows)
    else:
        for row in rows:
            old = stored.pop(row[:3], None)
            if old is None:
                fresh.append(row)
            elif old[1] != row[3:]:
                changed.append((*row[3:], old[0]))
    removed = [old[0] for old in stored.values()]

    _delete(removed)
    _update(changed, at)
    insert(fresh, at)
    settle(
        before, _columns(worked, settled), dict(zip(worked.site.tolist(), worked.as_of.tolist(), strict=True))
    )
    _keep_fresh(worked, settled, at)
    _forget(gone)
    return Put(int(settled.sum()), len(fresh) + len(changed), len(removed))


def _unmoved(worked: Worked) -> tuple[Any, list[int]]:
    """Return which of the served units are still as they were read, and the ids of those gone."""
    now = _matrix(
        f"""
        SELECT u.id, u.facts_revision, COALESCE(u.site_id, -1),
            CASE WHEN u.site_id IS NULL OR u.state IN ('{_GONE}') THEN 1 ELSE 0 END
        FROM {_UNITS} u WHERE {_among("u.id")} ORDER BY u.id
        """,
        [_listed(worked.ids.tolist())],
        4,
    )
    place = np.searchsorted(now[:, 0], worked.serving)
    place = np.minimum(place, max(len(now) - 1, 0))
    settled = np.zeros(len(worked.serving), np.bool_)
    if len(now):
        here = now[place]
        settled = (
            (here[:, 0] == worked.serving)
            & (here[:, 1] == worked.revision)
            & (here[:, 2] == worked.site)
            & (here[:, 3] == 0)
        )
    gone = now[now[:, 3] == 1, 0].tolist()
    return settled, gone


def _rows(worked: Worked, settled: Any) -> Iterator[tuple[Any, ...]]:
    """Yield the obligations of the settled units: three parts of the key, then what may differ.

    Dates are day numbers, so that they compare alike whatever the database calls them.
    """
    answers = worked.answers
    if not len(answers):
        return iter(())
    which = np.flatnonzero(settled[answers.unit])
    unit = answers.unit[which]
    keys = np.array([table.key for table in answers.tables], object)
    versions = np.array([table.version for table in answers.tables], object)
    tasks = np.array([task.value for task in TASKS], object)
    rules = np.array(answers.rules, object)
    knowledges = np.array([knowledge.value for knowledge in KNOWLEDGES], object)
    table = answers.table[which]
    return zip(
        worked.serving[unit].tolist(),
        keys[table].tolist(),
        tasks[answers.task[which]].tolist(),
        worked.site[unit].tolist(),
        versions[table].tolist(),
        rules[answers.rule[which]].tolist(),
        _sql_days(answers.earliest[which]),
        _sql_days(answers.target[which]),
        _sql_days(answers.latest[which]),
        knowledges[answers.knowledge[which]].tolist(),
        answers.is_deferred[which].tolist(),
        answers.binding()[which].tolist(),
        strict=True,
    )


def _columns(worked: Worked, settled: Any) -> Rows:
    """Return the same obligations for counting."""
    answers = worked.answers
    which = np.flatnonzero(settled[answers.unit])
    knowledge = answers.knowledge[which]
    return Rows(
        unit=worked.serving[answers.unit[which]],
        site=worked.site[answers.unit[which]],
        is_look=answers.task[which] == TASK_CODES[Task.VISUAL_INSPECTION],
        is_unknown=knowledge == KNOWLEDGE_CODES[engine.Knowledge.UNKNOWN_BASIS],
        is_uncovered=knowledge == KNOWLEDGE_CODES[engine.Knowledge.UNCOVERED],
        is_deferred=answers.is_deferred[which],
        is_binding=answers.binding()[which],
        target=answers.target[which],
        latest=answers.latest[which],
    )


def _stored(unit_ids: list[int]) -> dict[tuple[Any, ...], tuple[int, tuple[Any, ...]]]:
    """Return the stored obligations of these units: id and what may differ, by key.

    Days as texts: that is how they are written, and SQLite's driver would make dates of them.
    """
    with connection.cursor() as cursor:
        cursor.execute(
            f"""
            SELECT o.unit_id, o.table_key, o.task, o.id, o.site_id, o.table_version, o.rule_id,
                CAST(o.earliest_on AS text), CAST(o.target_on AS text), CAST(o.latest_on AS text),
                o.knowledge, o.is_deferred, o.is_binding
            FROM {_OBLIGATIONS} o WHERE {_among("o.unit_id")}
            """,
            [_listed(unit_ids)],
        )
        return {row[:3]: (row[3], (*row[4:11], bool(row[11]), bool(row[12]))) for row in cursor}


COLUMNS = (
    "unit_id",
    "table_key",
    "task",
    "site_id",
    "table_version",
    "rule_id",
    "earliest_on",
    "target_on",
    "latest_on",
    "knowledge",
    "is_deferred",
    "is_binding",
    "computed_at",
)
_TYPES = {
    "unit_id": "bigint",
    "site_id": "bigint",
    "earliest_on": "date",
    "target_on": "date",
    "latest_on": "date",
    "is_deferred": "boolean",
    "is_binding": "boolean",
    "facts_revision": "integer",
    "recheck_on": "date",
    "doubt_until": "date",
    "is_unspoken": "boolean",
    "id": "bigint",
}


def insert(rows: list[tuple[Any, ...]], at: Any, *, table: str = _OBLIGATIONS) -> None:
    """Add rows of ``COLUMNS`` but the last, computed at the instant ``at``, as fast as the database can."""
    if not rows:
        return
    names = ", ".join(COLUMNS)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY {table} ({names}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row((*row, at))
            return
        values = ", ".join(["%s"] * len(COLUMNS))
        cursor.executemany(
            f"INSERT INTO {table} ({names}) VALUES ({values})",
            [(*row, at) for row in rows],
        )


def _update(rows: list[tuple[Any, ...]], at: Any) -> None:
    """Give rows new values; each row ends with its id."""
    if not rows:
        return
    names = COLUMNS[3:-1]
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            sets = ", ".join(f"{name} = v.{name}" for name in names)
            cursor.execute(
                f"UPDATE {_OBLIGATIONS} o SET {sets}, computed_at = %s "
                f"FROM {_unnested((*names, 'id'))} WHERE o.id = v.id",
                [at, *map(list, zip(*rows, strict=True))],
            )
            return
        sets = ", ".join(f"{name} = %s" for name in names)
        cursor.executemany(
            f"UPDATE {_OBLIGATIONS} SET {sets}, computed_at = %s WHERE id = %s",
            [(*row[:-1], at, row[-1]) for row in rows],
        )


def _delete(ids: list[int]) -> None:
    if ids:
        with connection.cursor() as cursor:
            cursor.execute(f"DELETE FROM {_OBLIGATIONS} WHERE {_among('id')}", [_listed(ids)])


def _keep_fresh(worked: Worked, settled: Any, at: Any) -> None:
    """Note which inputs the obligations of the settled units follow from, where that is news."""
    names = ("unit_id", "facts_revision", "rulebook_digest", "recheck_on", "doubt_until", "is_unspoken")
    unspoken = np.ones(len(worked.serving), np.bool_)
    unspoken[worked.answers.unit] = False
    columns = [
        worked.serving[settled].tolist(),
        worked.revision[settled].tolist(),
        np.array(worked.digest, object)[settled].tolist(),
        _sql_days(worked.recheck[settled]),
        _sql_days(worked.doubt_until[settled]),
        unspoken[settled].tolist(),
    ]
    if not columns[0]:
        return
    news = " OR ".join(
        f"{_FRESHNESS}.{name} IS DISTINCT FROM excluded.{name}"
        if connection.vendor == "postgresql"
        else f"{_FRESHNESS}.{name} IS NOT excluded.{name}"
        for name in names[1:]
    )
    sets = ", ".join(f"{name} = excluded.{name}" for name in (*names[1:], "computed_at"))
    clash = f"ON CONFLICT (unit_id) DO UPDATE SET {sets} WHERE {news}"
    listed = ", ".join((*names, "computed_at"))
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                f"INSERT INTO {_FRESHNESS} ({listed}) "
                f"SELECT {', '.join(f'v.{name}' for name in names)}, %s FROM {_unnested(names)} {clash}",
                [at, *columns],
            )
            return
        cursor.executemany(
            f"INSERT INTO {_FRESHNESS} ({listed}) VALUES ({', '.join(['%s'] * (len(names) + 1))}) {clash}",
            [(*row, at) for row in zip(*columns, strict=True)],
        )


def _forget(unit_ids: list[int]) -> None:
    if unit_ids:
        with connection.cursor() as cursor:
            cursor.execute(
                f"DELETE FROM {_FRESHNESS} WHERE {_among('unit_id')}",
                [_listed(unit_ids)],
            )


# --- what is stale ---------------------------------------------------------------------------------


def stale_units(books: dict[int, Rulebook], days: dict[int, date]) -> list[int]:
    """Return the units whose stored obligations no longer follow from their inputs, ascending.

    ``books`` and ``days`` give each site's rulebook and civil day. One pass over the units beside
    their freshness, both in order of their key; the sites stand in a table of their own so that
    neither is read once per site or rulebook.
    """
    digests = {book: book.digest for book in set(books.values())}
    sites = [(site_id, digests[book], days[site_id].isoformat()) for site_id, book in books.items()]
    with connection.cursor() as cursor:
        cursor.execute("DROP TABLE IF EXISTS due_sites")
        cursor.execute(
            "CREATE TEMPORARY TABLE due_sites (site_id bigint PRIMARY KEY, digest varchar(64), today date)"
        )
        if connection.vendor == "postgresql":
            with cursor.copy("COPY due_sites FROM STDIN") as copy:
                for row in sites:
                    copy.write_row(row)
            cursor.execute("ANALYZE due_sites")
        else:
            cursor.executemany("INSERT INTO due_sites VALUES (%s, %s, %s)", sites)
        cursor.execute(STALE_SQL)
        found = [unit_id for (unit_id,) in cursor.fetchall()]
        cursor.execute("DROP TABLE due_sites")
    return found


STALE_SQL = f"""
    SELECT u.id FROM {_UNITS} u
    LEFT JOIN due_sites s ON s.site_id = u.site_id
    LEFT JOIN {_FRESHNESS} f ON f.unit_id = u.id
    WHERE CASE WHEN u.site_id IS NULL OR u.state IN ('{_GONE}') THEN f.unit_id IS NOT NULL
        ELSE f.unit_id IS NULL OR f.facts_revision <> u.facts_revision
            OR f.rulebook_digest <> s.digest OR f.recheck_on <= s.today END
    ORDER BY u.id
"""


# --- small parts -----------------------------------------------------------------------------------

_ENVIRONMENT_CODES = {environment: code for code, environment in enumerate(_ENVIRONMENTS)}
_UNKNOWN_PRECISION = next(code for code in PRECISION_CODES if code.value == "unknown")
_UNKNOWN_METHOD = next(code for code in METHOD_CODES if code.value == "")


def _as_day(name: str) -> str:
    if connection.vendor == "postgresql":
        return f"COALESCE({name} - DATE '1970-01-01', {_NULL_DAY})"
    return f"COALESCE(CAST(julianday({name}) - 2440587.5 AS INTEGER), {_NULL_DAY})"


def _as_code(name: str, codes: Any, otherwise: int) -> str:
    """Return SQL that gives the place of a code in its vocabulary."""
    whens = " ".join(f"WHEN '{code.value}' THEN {place}" for code, place in codes.items())
    return f"CASE {name} {whens} ELSE {otherwise} END"


def _among(name: str) -> str:
    """Return SQL for a list of ids given as one parameter, however long."""
    if connection.vendor == "postgresql":
        return f"{name} = ANY(%s)"
    return f"{name} IN (SELECT value FROM json_each(%s))"


def _each() -> str:
    """Return SQL that selects the ids of a list given as one parameter."""
    return (
        "SELECT unnest(%s::bigint[])"
        if connection.vendor == "postgresql"
        else "SELECT value FROM json_each(%s)"
    )


def _listed(ids: list[int]) -> Any:
    return ids if connection.vendor == "postgresql" else "[" + ",".join(map(str, ids)) + "]"


def _unnested(names: Iterable[str]) -> str:
    names = list(names)
    arrays = ", ".join(f"%s::{_TYPES.get(name, 'text')}[]" for name in names)
    return f"unnest({arrays}) AS v({', '.join(names)})"


def _matrix(sql: str, parameters: list[Any], width: int) -> Ints:
    """Return the rows of a query of whole numbers."""
    with connection.cursor() as cursor:
        cursor.execute(sql, parameters)
        rows = cursor.fetchall()
    return np.array(rows, np.int64).reshape(len(rows), width)


def _day(column: Ints) -> Ints:
    return np.where(column == _NULL_DAY, NO_DAY, column)


def _looked_up(column: Ints, values: dict[int, int]) -> Ints:
    distinct, place = np.unique(column, return_inverse=True)
    found = np.array([values[key] for key in distinct.tolist()], np.int64)
    return found[place.reshape(-1)] if len(distinct) else np.empty(0, np.int64)


def _sql_days(column: Ints) -> list[str | None]:
    """Return days as texts for SQL, None where there is none."""
    distinct, place = np.unique(column, return_inverse=True)
    texts = np.array(
        [None if (day := day_of(n)) is None else day.isoformat() for n in distinct.tolist()], object
    )
    found: list[str | None] = texts[place.reshape(-1)].tolist() if len(distinct) else []
    return found
