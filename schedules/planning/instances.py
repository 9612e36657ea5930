"""Published routing problems and stored cases, read into the model of this product.

Sites, visits, technicians and days, nothing else: a file of Solomon's form becomes one day, one depot and
as many technicians as it has vehicles. What a file measures in (its *convention*) is kept by scaling:
times and distances become whole numbers and ``Case.scale`` leads back to the unit of the file.

Forms, recognised by their content:

* **Solomon 1987, Gehring & Homberger 1999**: plain text, one depot, time windows, one load.
* **VRPLIB sections** (Cordeau & Laporte 2001; Vidal et al. 2013): several depots, technicians allowed per
  visit, capacities, longest duty with free departure.
* **Pillac, Guéret, Medaglia 2013**: technicians with homes, skills, tools and spare parts.
* **Kovacs, Parragh, Doerner, Hartl 2012** (no teams): skill levels by domain, outsourcing at a price; the
  technicians stand in a second file ``technicians_NAME`` beside the first.
* **Stored weeks** as JSON: several days, opening hours, lunch, two skills, two loads, priorities.

Conventions: ``trunc1`` (distance and time cut off after one decimal), ``exact1000`` (rounded to
thousandths), ``rounded`` (whole units). Every form has its usual one as default.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from schedules.planning.model import Prices, Problem, Rest, Seconds, Shift, Stop, Travel, Window

Convention = Literal["trunc1", "exact1000", "rounded"]
Objective = Literal[
    "distance", "distance and outsourcing", "working time", "driving minutes and price left out"
]

_SCALE: Mapping[Convention, int] = {"trunc1": 10, "exact1000": 1000, "rounded": 1}


class UnreadableCase(ValueError):
    """A file is not of a known form, or breaks off; the message names the file, the place, the remedy."""


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """A published problem in our model. ``value = cost_60 / scale`` is in the unit of its best-known list."""

    name: str
    form: str
    convention: str
    objective: Objective
    problem: Problem
    scale: float
    missing: tuple[str, ...] = ()
    """What the source asks for and the model cannot say."""


def read_case(path: Path, convention: Convention | None = None) -> Case:
    """The case in ``path``; raises ``UnreadableCase`` if it has none of the known forms."""
    try:
        text = path.read_text(encoding="utf-8", errors="replace")
    except OSError as error:
        raise UnreadableCase(f"{path}: cannot be read ({error.strerror}).") from error
    try:
        if text.lstrip().startswith("{"):
            return stored_week(json.loads(text))
        if re.search(r"^\s*NODE_COORD_SECTION", text, re.MULTILINE | re.IGNORECASE):
            return _vrplib(path.stem, text, convention or "exact1000")
        if re.search(r"SPARE\s+PARTS", text, re.IGNORECASE):
            return _pillac(path.stem, text)
        if re.search(r"\bd11\b", text):
            return _kovacs(path, text)
        if re.search(r"CUST\s*NO", text, re.IGNORECASE) or re.search(r"^\s*VEHICLE", text, re.MULTILINE):
            return _solomon(path.stem, text, convention or "trunc1")
    except UnreadableCase as error:
        raise UnreadableCase(f"{path}: {error}") from error
    except (ValueError, KeyError, IndexError, StopIteration, TypeError) as error:
        raise UnreadableCase(
            f"{path}: the file breaks off or is damaged ({type(error).__name__}: {error}). Fetch it again."
        ) from error
    raise UnreadableCase(
        f"{path}: no known form. Give a Solomon text, VRPLIB sections, a Pillac or Kovacs text, or JSON."
    )


def distances(points: Seconds | Any, convention: Convention) -> Seconds:
    """Euclidean distances between ``points``, scaled and cut or rounded as the convention says."""
    xy = np.asarray(points, dtype=np.float64)
    squares: NDArray[np.float64] = ((xy[:, None, :] - xy[None, :, :]) ** 2).sum(-1)
    if convention == "trunc1":
        # Exactly on whole numbers: the root of a hundredfold square, cut off, repaired at perfect squares.
        whole = np.rint(squares * 100).astype(np.int64)
        if not np.allclose(whole, squares * 100):
            cut: Seconds = (10 * np.sqrt(squares) + 1e-9).astype(np.int64)
            return cut
        root = np.floor(np.sqrt(whole.astype(np.float64))).astype(np.int64)
        root = np.where((root + 1) ** 2 <= whole, root + 1, root)
        return np.asarray(np.where(root**2 > whole, root - 1, root), dtype=np.int64)
    rounded: Seconds = np.rint(_SCALE[convention] * np.sqrt(squares)).astype(np.int64)
    return rounded


def _numbers(line: str) -> list[float]:
    return [float(word) for word in line.split()]


def _is_row(line: str) -> bool:
    return bool(re.fullmatch(r"[-+.\deE\s]*\d[-+.\deE\s]*", line))


# --- one depot, time windows ------------------------------------------------------------------------


def _solomon(stem: str, text: str, convention: Convention) -> Case:
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    name = lines[0].split()[0] if not _is_row(lines[0]) and "VEHICLE" not in lines[0].upper() else stem
    rows = [_numbers(line) for line in lines if _is_row(line)]
    fleet = next((row for row in rows if len(row) == 2), None)
    sites = [row for row in rows if len(row) == 7]
    if fleet is None or len(sites) < 2:
        raise UnreadableCase("there is no line with vehicles and capacity, or there are no customers.")
    vans, capacity = int(fleet[0]), int(fleet[1])
    scale = _SCALE[convention]
    depot = sites[0]
    travel = distances([row[1:3] for row in sites], convention)
    stops = tuple(
        Stop(
            key=str(int(row[0])),
            place=n,
            service_s=round(row[6] * scale),
            windows=(Window(0, round(row[4] * scale), round((row[5] + row[6]) * scale)),),
            brings=(int(row[3]),),
            mandatory=True,
        )
        for n, row in enumerate(sites)
        if n
    )
    shifts = tuple(
        Shift(
            key=f"v{n + 1}",
            technician=f"v{n + 1}",
            day=0,
            start_place=0,
            end_place=0,
            starts_s=round(depot[4] * scale),
            ends_s=round(depot[5] * scale),
            capacity=(capacity,),
        )
        for n in range(vans)
    )
    problem = Problem(stops, shifts, {"": Travel(travel)}, _by_distance(travel))
    return Case(name, "Solomon", convention, "distance", problem, scale)


def _by_distance(travel: Seconds) -> Prices:
    """Only distance counts; to leave a visit out costs more than the longest detour through everything."""
    beyond = int(travel.max(initial=1)) * 20
    return Prices(drive_minute=1, mandatory=beyond)


# --- sections ---------------------------------------------------------------------------------------


def _sections(text: str) -> tuple[dict[str, str], dict[str, list[list[float]]]]:
    head: dict[str, str] = {}
    sections: dict[str, list[list[float]]] = {}
    current: list[list[float]] | None = None
    for raw in text.splitlines():
        line = raw.strip()
        if not line or line.upper() == "EOF":
            continue
        title = line.rstrip(":").strip().upper()
        if re.fullmatch(r"[A-Z_]+_SECTION", title):
            current = sections.setdefault(title, [])
        elif _is_row(line) and current is not None:
            current.append(_numbers(line))
        elif match := re.match(r"^([A-Za-z_]+)\s*:\s*(.*)$", line):
            head[match[1].upper()] = match[2].strip().strip('"')
            current = None
        else:
            raise UnreadableCase(f"the line {line!r} is neither a heading nor numbers.")
    return head, sections


def _vrplib(stem: str, text: str, convention: Convention) -> Case:
    head, sections = _sections(text)
    kind = head.get("EDGE_WEIGHT_TYPE", "EUC_2D").upper()
    if kind not in ("EUC_2D", "EXACT_2D"):
        raise UnreadableCase(f"EDGE_WEIGHT_TYPE {kind} is not supported, only EUC_2D.")
    scale = _SCALE[convention]
    places = sections["NODE_COORD_SECTION"]
    number = {int(row[0]): n for n, row in enumerate(places)}
    travel = distances([row[1:3] for row in places], convention)

    def column(section: str, default: float) -> list[float]:
        found = {int(row[0]): row[1] for row in sections.get(section, [])}
        return [found.get(node, default) for node in number]

    demand = column("DEMAND_SECTION", 0)
    service = column("SERVICE_TIME_SECTION", float(head.get("SERVICE_TIME", 0)))
    horizon = float(head.get("HORIZON", 0)) or 10**6
    windows = {int(row[0]): row[1:3] for row in sections.get("TIME_WINDOW_SECTION", [])}
    depots = [number[int(row[0])] for row in sections.get("DEPOT_SECTION", [[1]]) if row[0] > 0]
    given = head.get("VEHICLES") or head.get("TRUCKS")
    vans = int(given) if given else len(sections.get("CAPACITY_SECTION", [])) or len(places) - len(depots)
    capacity = [int(row[-1]) for row in sections.get("CAPACITY_SECTION", [])]
    capacity = capacity or [int(float(head["CAPACITY"]))] * vans
    homes = [number[int(row[-1])] for row in sections.get("VEHICLES_DEPOT_SECTION", [])]
    homes = homes or [depots[0]] * vans
    longest = head.get("VEHICLES_MAX_DURATION") or head.get("DURATION") or head.get("DISTANCE")
    allowed: dict[int, set[str]] = {}
    limited = sections.get("VEHICLES_ALLOWED_CLIENTS_SECTION")
    for row in limited or []:
        for node in row[1:]:
            allowed.setdefault(number[int(node)], set()).add(f"v{int(row[0])}")
    nodes = list(number)

    def window(place: int) -> tuple[int, int]:
        first, last = windows.get(nodes[place], (0.0, horizon))
        return round(first * scale), round(last * scale)

    stops = tuple(
        Stop(
            key=str(nodes[place]),
            place=place,
            service_s=round(service[place] * scale),
            windows=(Window(0, window(place)[0], window(place)[1] + round(service[place] * scale)),),
            brings=(int(demand[place]),),
            mandatory=True,
            technicians=frozenset(allowed.get(place, ())) if limited else None,
        )
        for place in range(len(places))
        if place not in depots
    )
    shifts = tuple(
        Shift(
            key=f"v{n + 1}",
            technician=f"v{n + 1}",
            day=0,
            start_place=homes[n],
            end_place=homes[n],
            starts_s=window(homes[n])[0],
            ends_s=window(homes[n])[1],
            capacity=(capacity[n],),
            longest_s=round(float(longest) * scale) if longest else None,
        )
        for n in range(vans)
    )
    problem = Problem(stops, shifts, {"": Travel(travel)}, _by_distance(travel))
    return Case(head.get("NAME", stem), head.get("TYPE", "VRPLIB"), convention, "distance", problem, scale)


# --- technicians ------------------------------------------------------------------------------------


def _pillac(stem: str, text: str) -> Case:
    """Homes, skills and tools held, spare parts aboard; working time counts.

    In the source a technician may pass the depot once to take tools and any number of parts. The model
    has no such call, so only what a technician carries from home is used.
    """
    crew = 0
    people: list[tuple[list[float], list[set[int]], list[int]]] = []
    for line in text.splitlines():
        lists = re.findall(r"\[([^\]]*)\]", line)
        if not lists and crew == 0 and re.fullmatch(r"\s*\d+(\s+\d+){3}\s*", line):
            crew = int(line.split()[0])
        if len(lists) == 3:
            numbers = _numbers(line.split("[")[0])
            sets = [{int(word) for word in part.split(",") if word.strip()} for part in lists[:2]]
            people.append((numbers, sets, [int(word) for word in lists[2].split(",") if word.strip()]))
    if not crew or len(people) <= crew + 1:
        raise UnreadableCase("the line with the crew or the lines of technicians and requests are missing.")
    scale = 100
    xy = np.array([row[0][1:3] for row in people])
    exact = np.sqrt(((xy[:, None] - xy[None]) ** 2).sum(-1))
    travel = np.rint(scale * exact).astype(np.int64)
    needs = [
        frozenset({f"skill {n}" for n in row[1][0]} | {f"tool {n}" for n in row[1][1]}) for row in people
    ]
    stops = tuple(
        Stop(
            key=str(int(row[0][0])),
            place=n,
            service_s=round(scale * row[0][5]),
            windows=(Window(0, round(scale * row[0][3]), round(scale * (row[0][4] + row[0][5]))),),
            skills=needs[n],
            brings=tuple(row[2]),
            mandatory=True,
        )
        for n, row in enumerate(people)
        if n > crew
    )
    shifts = tuple(
        Shift(
            key=f"t{n}",
            technician=f"t{n}",
            day=0,
            start_place=n,
            end_place=n,
            starts_s=round(scale * row[0][3]),
            ends_s=round(scale * row[0][4]),
            capacity=tuple(row[2]),
            skills=needs[n],
        )
        for n, row in enumerate(people[: crew + 1])
        if n
    )
    prices = Prices(drive_minute=0, duty_minute=1, mandatory=int(travel.max()) * 20)
    return Case(
        stem,
        "Pillac",
        "hundredths",
        "working time",
        Problem(stops, shifts, {"": Travel(travel)}, prices),
        scale,
        missing=("a call at the depot on the way to take tools and spare parts",),
    )


def _kovacs(path: Path, text: str) -> Case:
    """Skill levels by domain; a task left out is outsourced at its price."""
    beside = path.with_name(f"technicians_{path.name}")
    if not beside.exists():
        raise UnreadableCase(f"the technicians are missing; put {beside.name} beside the file.")
    crew = [
        [int(number) for number in _numbers(line)]
        for line in beside.read_text(encoding="utf-8", errors="replace").splitlines()
        if _is_row(line) and len(line.split()) > 2
    ]
    rows = [_numbers(line) for line in text.splitlines() if _is_row(line) and len(line.split()) > 8]
    domains = len(crew[0]) - 1
    levels = (len(rows[0]) - 8) // domains
    scale = 1000
    travel = distances([row[1:3] for row in rows], "exact1000")

    def needed(row: list[float]) -> frozenset[str]:
        grid = row[8:]
        return frozenset(
            f"domain {d + 1} level {level + 1}"
            for d in range(domains)
            for level in range(levels)
            if grid[d * levels + level] > 0
        )

    stops = tuple(
        Stop(
            key=str(int(row[0])),
            place=n,
            service_s=round(scale * row[6]),
            windows=(Window(0, round(scale * row[4]), round(scale * (row[5] + row[6]))),),
            skills=needed(row),
            left_out_price=round(scale * row[7]),
        )
        for n, row in enumerate(rows)
        if n
    )
    shifts = tuple(
        Shift(
            key=f"t{person[0]}",
            technician=f"t{person[0]}",
            day=0,
            start_place=0,
            end_place=0,
            starts_s=round(scale * rows[0][4]),
            ends_s=round(scale * rows[0][5]),
            skills=frozenset(
                f"domain {d + 1} level {level + 1}" for d in range(domains) for level in range(person[d + 1])
            ),
        )
        for person in crew
    )
    return Case(
        path.stem,
        "Kovacs",
        "exact1000",
        "distance and outsourcing",
        # A metre of driving counts sixty times, so that a price left out, in whole units, is exact.
        Problem(stops, shifts, {"": Travel(travel)}, Prices(drive_minute=60)),
        60 * scale,
        missing=("teams of several technicians on one task",),
    )


# --- stored weeks -----------------------------------------------------------------------------------

LUNCH = Rest(earliest_s=41_400, latest_s=48_600, length_s=1_800)


def stored_week(stored: Mapping[str, Any]) -> Case:
    """Technicians over several days as stored JSON: ``days``, ``techs``, ``visits``, ``travel``.

    Half an hour of lunch begins between 11:30 and 13:30; to leave a visit out costs 120, 300 or 1,200
    minutes of driving by priority.
    """
    days = int(stored["days"])
    travel = np.array(stored["travel"], dtype=np.int64)
    stops = tuple(
        Stop(
            key=str(visit["id"]),
            place=int(visit["loc"]),
            service_s=int(visit["service"]),
            windows=tuple(
                Window(day, int(opens), int(closes))
                for day in range(int(visit["first_day"]), min(days - 1, int(visit["last_day"])) + 1)
                for opens, closes in visit["hours"][day]
            ),
            skills=frozenset() if visit["skill"] is None else frozenset({f"skill {visit['skill']}"}),
            brings=tuple(int(amount) for amount in visit["load"]),
            priority=int(visit["priority"]),
        )
        for visit in stored["visits"]
    )
    shifts = tuple(_stored_shifts(stored))
    return Case(
        str(stored.get("name", "week")),
        "stored week",
        "seconds",
        "driving minutes and price left out",
        Problem(stops, shifts, {"": Travel(travel)}, Prices()),
        60,
    )


def _stored_shifts(stored: Mapping[str, Any]) -> Iterator[Shift]:
    for tech in stored["techs"]:
        starts, ends = tech["shift"]
        for day in tech["days"]:
            yield Shift(
                key=f"{tech['id']}/{day}",
                technician=str(tech["id"]),
                day=int(day),
                start_place=int(tech["start"]),
                end_place=int(tech["end"]),
                starts_s=int(starts),
                ends_s=int(ends),
                rest=LUNCH,
                capacity=tuple(int(amount) for amount in tech["cap"]),
                skills=frozenset(f"skill {skill}" for skill in tech["skills"]),
            )
