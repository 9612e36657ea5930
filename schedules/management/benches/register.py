"""A large invented register, made by bulk writes: owners, sites, locations, units, records.

Everything follows from the seed. Nine rulebooks of shipped tables are mixed over the owners, each
demanding four tasks or more of every unit.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Iterator
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
from django.db import connection, transaction

from inventory.logbook.models import ServiceRecord
from inventory.register.models import Location, Owner, Site, Unit, UnitModel
from schedules.due.queries import batched
from schedules.rulebook.models import Adoption

RULEBOOKS: tuple[tuple[float, str, tuple[str, ...]], ...] = (
    (0.25, "America/Chicago", ("us-osha-1910-157",)),
    (0.10, "America/New_York", ("us-osha-1910-157", "us-49cfr-180-209")),
    (0.08, "America/Los_Angeles", ("us-osha-1910-157", "us-ca-19-ccr")),
    (0.17, "Europe/London", ("gb-bs-5306-3",)),
    (0.10, "Europe/Rome", ("it-uni-9994-1",)),
    (0.08, "Europe/Madrid", ("es-ripci",)),
    (0.07, "Australia/Sydney", ("au-as-1851",)),
    (0.05, "Asia/Kolkata", ("in-is-2190",)),
    (0.10, "Europe/Berlin", ("de-betrsichv", "de-din-14406-4")),
)

# (share, agent, construction, shell, specification, charge in g, charge in ml, water capacity in ml)
KINDS: tuple[tuple[Any, ...], ...] = (
    (0.22, "dry_chemical_abc", "stored_pressure", "mild_steel", "4BW195", 4536, None, None),
    (0.16, "dry_chemical_abc", "stored_pressure", "mild_steel", "", 6000, None, None),
    (0.06, "dry_chemical_abc", "cartridge", "mild_steel", "", 9000, None, None),
    (0.05, "dry_chemical_bc", "stored_pressure", "mild_steel", "", 9000, None, None),
    (0.12, "carbon_dioxide", "self_expelling", "alloy_steel_seamless", "3AA1800", 4536, None, 6700),
    (0.10, "carbon_dioxide", "self_expelling", "aluminium", "3AL1800", 2000, None, 2900),
    (0.09, "water", "stored_pressure", "stainless_steel", "", None, 9500, None),
    (0.10, "afff", "stored_pressure", "mild_steel", "", None, 6000, None),
    (0.05, "wet_chemical", "stored_pressure", "stainless_steel", "", None, 6000, None),
    (0.03, "clean_agent", "stored_pressure", "mild_steel", "4BW195", 2000, None, None),
    (0.02, "water_mist", "stored_pressure", "stainless_steel", "", None, 6000, None),
)

# Twenty-three, so that rooms and models do not go together.
ROOMS = (
    "Kitchen", "North stairs", "South stairs", "Boiler room", "Plant room", "Reception", "Canteen",
    "Loading bay", "Store room", "Paint shop", "Workshop door", "Server room", "Archive", "Garage",
    "Laundry", "Corridor east", "Corridor west", "Roof access", "Switch room", "Laboratory",
    "Office", "Hall", "Pump house",
)  # fmt: skip

UNITS_PER_SITE = 50
SITES_PER_OWNER = 4
CHUNK = 20_000
ROWS_AT_ONCE = 40
YEAR = 365.25


def make_register(units: int, *, seed: int, now: datetime) -> int:
    """Fill the empty database and return how many records were written; memory stays bounded."""
    chance = np.random.default_rng(seed)
    sites = max(len(RULEBOOKS), units // UNITS_PER_SITE)
    owners = max(len(RULEBOOKS), sites // SITES_PER_OWNER)
    at = connection.ops.adapt_datetimefield_value(now - timedelta(days=400))
    book_of_owner = _spread([share for share, _, _ in RULEBOOKS], owners)
    with transaction.atomic():
        _write(
            Owner,
            ("id", "public_id", "name", "contact_name", "contact_email", "contact_phone", "created_at"),
            ((n, _uuid(1, n), f"Owner {n:06d}", "", f"owner{n}@example.com", "", at) for n in _to(owners)),
        )
        _write(
            Site,
            ("id", "public_id", "owner_id", "code", "name", "address_line", "city", "region", "postcode",
             "country", "time_zone", "access_notes", "monthly_checks_by", "created_at"),
            (
                (n, _uuid(2, n), 1 + n % owners, f"S{n:06d}", f"Site {n:06d}", "", "Port Calder", "", "", "",
                 RULEBOOKS[book_of_owner[n % owners]][1], "", "firm" if n % 5 == 0 else "owner", at)
                for n in _to(sites)
            ),
        )  # fmt: skip
        Adoption.objects.bulk_create(
            Adoption(table_key=key, owner_id=n, adopted_at=now)
            for n in _to(owners)
            for key in RULEBOOKS[book_of_owner[n - 1]][2]
        )
        models = [
            UnitModel(
                maker="Calder Works", name=f"Model {n}", agent=agent, construction=construction, shell=shell,
                cylinder_spec=spec, charge_mass_g=mass, charge_volume_ml=volume, water_capacity_ml=capacity,
                is_refillable=True, is_wheeled=False, has_shutoff_hose=False, build_key=f"{n:064x}",
            )
            for n, (_, agent, construction, shell, spec, mass, volume, capacity) in enumerate(KINDS)
        ]  # fmt: skip
        UnitModel.objects.bulk_create(models)
    model_ids = list(UnitModel.objects.order_by("pk").values_list("pk", flat=True))
    shares = np.array([kind[0] for kind in KINDS])
    records = 0
    today = now.date()
    for start in range(0, units, CHUNK):
        count = min(CHUNK, units - start)
        with transaction.atomic():
            records += _chunk(start, count, sites, model_ids, shares, chance, today, at, records)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            for model in (Owner, Site, Location, UnitModel, Unit, ServiceRecord):
                table = model._meta.db_table
                cursor.execute(
                    f"SELECT setval(pg_get_serial_sequence(%s, 'id'), MAX(id)) FROM {table}",  # noqa: S608
                    [table],
                )
            cursor.execute("ANALYZE")
    return records


def _chunk(
    start: int,
    count: int,
    sites: int,
    model_ids: list[int],
    shares: Any,
    chance: np.random.Generator,
    today: date,
    at: Any,
    records_before: int,
) -> int:
    """Write units ``start`` to ``start + count`` with their places and records; return the records."""
    ids = np.arange(start + 1, start + count + 1)
    site = 1 + (ids - 1) // UNITS_PER_SITE % sites
    model = np.array(model_ids)[chance.choice(len(KINDS), count, p=shares / shares.sum())]
    age = chance.uniform(0.3, 16, count) * YEAR
    made = np.datetime64(today) - age.astype(np.int64)
    sort = chance.choice(["day", "month", "year", "unknown"], count, p=[0.06, 0.80, 0.10, 0.04])
    first = np.where(
        sort == "month", made.astype("M8[M]").astype("M8[D]"),
        np.where(sort == "year", made.astype("M8[Y]").astype("M8[D]"), made),
    )  # fmt: skip
    last = np.where(
        sort == "month", (made.astype("M8[M]") + 1).astype("M8[D]") - 1,
        np.where(sort == "year", (made.astype("M8[Y]") + 1).astype("M8[D]") - 1, made),
    )  # fmt: skip
    unknown = sort == "unknown"
    placed = np.minimum(last + chance.integers(5, 200, count), np.datetime64(today) - 2)
    is_placed = chance.random(count) < 0.6
    outdoor = chance.choice(["normal", "outdoor", "vehicle", "corrosive"], count, p=[0.9, 0.05, 0.03, 0.02])
    firsts, lasts, placings = _texts(first, unknown), _texts(last, unknown), _texts(placed, ~is_placed)
    _write(
        Location,
        ("id", "public_id", "site_id", "number", "building", "floor", "description", "hazard", "environment",
         "walking_order"),
        (
            (n, _uuid(3, n), s, f"{n:07d}", "Main", "Ground", f"{ROOMS[n % 23]} {n % 89}", "", e, n % 1000)
            for n, s, e in zip(ids.tolist(), site.tolist(), outdoor.tolist(), strict=True)
        ),
    )  # fmt: skip
    _write(
        Unit,
        ("id", "public_id", "number", "model_id", "site_id", "location_id", "serial", "state", "made_first",
         "made_last", "made_precision", "made_raw", "commissioned_on", "import_key", "doubts",
         "facts_revision", "created_at"),
        (
            (n, _uuid(4, n), f"U-{n:07d}", m, s, n, f"SN{n}", "in_service", a, b, p, "", c, None, "[]", 1, at)
            for n, m, s, a, b, p, c in zip(
                ids.tolist(), model.tolist(), site.tolist(), firsts, lasts, sort.tolist(), placings,
                strict=True,
            )
        ),
    )  # fmt: skip
    return _records(ids, site, made, last, chance, today, at, records_before)


def _records(
    ids: Any, site: Any, made: Any, last: Any, chance: np.random.Generator, today: date, at: Any, before: int
) -> int:
    """Write a plausible history: the last yearly services, a monthly look, a refill, a pressure test."""
    count = len(ids)
    day = np.datetime64(today)
    parts = []
    # (task, days ago from and to, share of units, method). Nothing of today: it lies in the future
    # where the day has not begun, and would move units on the following night.
    for task, low, high, share, method in (
        ("maintenance", 730, 1095, 0.80, ""),
        ("maintenance", 365, 730, 0.90, ""),
        ("maintenance", 2, 400, 0.93, ""),
        ("visual_inspection", 2, 45, 0.85, ""),
        ("recharge", 2, 2200, 0.25, ""),
        ("internal_examination", 2, 2200, 0.20, ""),
        ("hydrostatic_test", 2, 3600, 0.30, "proof_pressure"),
    ):
        done = day - chance.integers(low, high, count)
        which = np.flatnonzero((chance.random(count) < share) & (done > last))
        parts.append((which, done[which], task, method, chance.random(len(which))))
    which = np.concatenate([part[0] for part in parts])
    done = np.concatenate([part[1] for part in parts])
    tasks = np.concatenate([np.full(len(part[0]), part[2], object) for part in parts])
    methods = np.concatenate([np.full(len(part[0]), part[3], object) for part in parts])
    luck = np.concatenate([part[4] for part in parts])
    order = np.lexsort((done, which))
    which, done, luck = which[order], done[order], luck[order]
    starts = np.flatnonzero(np.concatenate(([True], which[1:] != which[:-1])))
    runs = np.diff(np.concatenate((starts, [len(which)])))
    sequence = np.arange(len(which)) - np.repeat(starts, runs) + 1
    # One record in twenty is known to the month only; one in a hundred is a failure.
    monthly = luck < 0.05
    month = done.astype("M8[M]")
    first = np.where(monthly, month.astype("M8[D]"), done)
    final = np.where(monthly, (month + 1).astype("M8[D]") - 1, done)
    none = np.zeros(len(which), np.bool_)
    _write(
        ServiceRecord,
        ("id", "client_ref", "unit_id", "sequence", "task", "outcome", "done_first", "done_last",
         "done_precision", "done_raw", "method", "evidence", "site_id", "location_id", "performed_by_name",
         "instrument", "remarks", "received_at", "correction_reason", "previous_digest", "digest"),
        (
            (n, _uuid(5, n), u, q, t, o, a, b, p, "", m, "own_work", s, u, "", "", "", at, "", "", "")
            for n, u, q, t, o, a, b, p, m, s in zip(
                range(before + 1, before + len(which) + 1), ids[which].tolist(), sequence.tolist(),
                tasks[order].tolist(), np.where(luck > 0.99, "failed", "passed").tolist(),
                _texts(first, none), _texts(final, none), np.where(monthly, "month", "day").tolist(),
                methods[order].tolist(),
                site[which].tolist(), strict=True,
            )
        ),
    )  # fmt: skip
    return len(which)


def _write(model: Any, columns: tuple[str, ...], rows: Iterable[tuple[Any, ...]]) -> None:
    """Add rows of ``columns``; every other column that must hold something holds its default."""
    others = [f for f in model._meta.concrete_fields if f.column not in columns and not f.null]
    more = tuple(f.get_db_prep_save(f.get_default(), connection) for f in others)
    columns = (*columns, *(f.column for f in others))
    rows = ((*row, *more) for row in rows)
    names = ", ".join(columns)
    table = model._meta.db_table
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY {table} ({names}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(row)
            return
        # Some rows in one statement, as bulk_create writes them: each statement costs the triggers something.
        one = f"({', '.join(['%s'] * len(columns))})"
        for some in batched(rows, ROWS_AT_ONCE):
            values = ", ".join([one] * len(some))
            cells = [cell for row in some for cell in row]
            cursor.execute(f"INSERT INTO {table} ({names}) VALUES {values}", cells)  # noqa: S608


def _to(count: int) -> range:
    return range(1, count + 1)


def _uuid(kind: int, number: int) -> str:
    """A reference that rises with the number, so that its index grows at one end."""
    made = uuid.UUID(int=(kind << 96) | number)
    return str(made) if connection.vendor == "postgresql" else made.hex


def _texts(days: Any, missing: Any) -> Iterator[str | None]:
    texts = np.datetime_as_string(days.astype("M8[D]")).astype(object)
    texts[missing] = None
    return iter(texts.tolist())


def _spread(shares: list[float], count: int) -> list[int]:
    """Places of ``shares`` for ``count`` owners, mixed evenly."""
    edges = np.cumsum(shares) / sum(shares)
    # The golden ratio walks over the unit interval without bunching.
    points = (np.arange(count) * 0.6180339887498949) % 1.0
    return np.searchsorted(edges, points, side="right").tolist()
