"""Other routing engines on the same problems, for ``bench routes`` only; the product never imports them.

PyVRP as it comes and with our settings but its own loop; VROOM and OR-Tools on the stored weeks. Each
gets what it can express: the lunch of OR-Tools and VROOM is cut out of the clock as in our own form, VROOM
knows priorities instead of prices.
"""

from __future__ import annotations

import time
from datetime import timedelta
from itertools import pairwise
from typing import Any

import numpy as np
from pyvrp import (
    IteratedLocalSearchParams,
    PenaltyManager,
    PenaltyParams,
    RandomNumberGenerator,
    Solution,
    solve,
)
from pyvrp.IteratedLocalSearch import IteratedLocalSearch
from pyvrp.search import (
    OPERATORS,
    LocalSearch,
    NeighbourhoodParams,
    PerturbationManager,
    PerturbationParams,
    compute_neighbours,
)
from pyvrp.stop import MaxRuntime

from schedules.planning.engine.finish import finished
from schedules.planning.engine.form import Form, cut
from schedules.planning.engine.search import Fines, settings_for
from schedules.planning.model import Plan, Problem
from schedules.planning.screening import screen

DAY = 86_400
_VROOM_PRIORITY = {1: 10, 2: 50, 3: 100}


def pyvrp_as_it_comes(problem: Problem, seconds: float, seed: int) -> Plan:
    """PyVRP with default parameters, in our form of the problem."""
    began = time.perf_counter()
    clean = screen(problem)
    form = Form(clean.problem)
    limit = max(0.01, seconds - (time.perf_counter() - began))
    found = solve(form.data, MaxRuntime(limit), seed=seed, collect_stats=False, display=False).best
    return _plan(form, clean.left_out, found)


def pyvrp_with_our_settings(problem: Problem, seconds: float, seed: int) -> Plan:
    """PyVRP's own loop with our settings: what is left without restarts, pool and fines of our own."""
    began = time.perf_counter()
    clean = screen(problem)
    form = Form(clean.problem)
    settings = settings_for(form)
    rng = RandomNumberGenerator(seed=seed)
    local = LocalSearch(
        form.data,
        rng,
        compute_neighbours(form.data, NeighbourhoodParams(num_neighbours=settings.neighbours)),
        PerturbationManager(PerturbationParams(1, settings.perturbations)),
    )
    for operator in OPERATORS:
        if operator.supports(form.data):
            local.add_operator(operator(form.data))
    fines = Fines(form, settings)
    penalties = PenaltyManager(
        (fines.prices[:-1], fines.prices[-1], 1.0),
        PenaltyParams(
            max_penalty=max(fines.most),
            solutions_between_updates=settings.update_every,
            target_feasible=settings.target_feasible,
        ),
    )
    if form.mandatory:
        start = local(Solution.make_random(form.data, rng), fines.hard(), exhaustive=True)
    else:
        start = local(Solution(form.data, []), fines.evaluator(), exhaustive=True)
        start = local(start, fines.hard(), exhaustive=True)
    loop = IteratedLocalSearch(
        form.data,
        penalties,
        local,
        start,
        IteratedLocalSearchParams(history_length=settings.history),
    )
    limit = max(0.01, seconds - (time.perf_counter() - began))
    found = loop.run(MaxRuntime(limit), collect_stats=False).best
    return _plan(form, clean.left_out, found if found.is_feasible() else start)


def _plan(form: Form, left_out: Any, found: Solution) -> Plan:
    routes = form.routes(found) if found.is_feasible() else {}
    return finished(form.problem, routes, left_out)


def _starts(problem: Problem) -> dict[tuple[str, str], list[tuple[int, int]]]:
    """Start windows per stop and shift on the clock without lunch, where the shift may serve the stop."""
    found = {}
    for stop in problem.stops:
        for shift in problem.shifts:
            if problem.bars(stop, shift) is not None:
                continue
            rest = shift.pause
            windows = []
            for first, last in problem.open_windows(stop, shift):
                if rest is None:
                    windows.append((first, last))
                else:
                    noon = rest.earliest_s + (rest.latest_s - rest.earliest_s) // 4
                    windows += cut(first, last, stop.service_s, noon, rest)
            found[stop.key, shift.key] = windows
    return found


def _merged(windows: set[tuple[int, int]]) -> list[tuple[int, int]]:
    """Windows in order, those that touch as one."""
    found: list[tuple[int, int]] = []
    for first, last in sorted(windows):
        if found and first <= found[-1][1] + 1:
            found[-1] = (found[-1][0], max(last, found[-1][1]))
        else:
            found.append((first, last))
    return found


def vroom(problem: Problem, seconds: float, level: int = 5) -> Plan:
    """VROOM at an exploration level of 0 to 5, within a time limit that it overruns at times."""
    import vroom as engine

    began = time.perf_counter()
    starts = _starts(problem)
    model = engine.Input()
    model.set_durations_matrix("car", problem.travel[""].seconds.astype(np.uint32))
    skills = {name: n for n, name in enumerate(sorted({s for it in problem.stops for s in it.skills}))}
    for n, shift in enumerate(problem.shifts):
        off = shift.pause.length_s if shift.pause else 0
        model.add_vehicle(
            engine.Vehicle(
                n + 1,
                start=shift.start_place,
                end=shift.end_place,
                profile="car",
                capacity=list(shift.capacity),
                skills={skills[skill] for skill in shift.skills if skill in skills},
                time_window=(
                    shift.day * DAY + shift.starts_s,
                    shift.day * DAY + shift.ends_s + shift.overtime_limit_s - off,
                ),
            )
        )
    jobs = []
    for stop in problem.stops:
        windows = {
            (shift.day * DAY + first, shift.day * DAY + last)
            for shift in problem.shifts
            for first, last in starts.get((stop.key, shift.key), ())
        }
        if not windows:
            continue
        jobs.append(stop.key)
        model.add_job(
            engine.Job(
                len(jobs),
                location=stop.place,
                default_service=stop.service_s,
                delivery=list(stop.brings),
                skills={skills[skill] for skill in stop.skills},
                priority=_VROOM_PRIORITY.get(stop.priority, 100),
                time_windows=_merged(windows),
            )
        )
    left = max(0.05, seconds - (time.perf_counter() - began))
    answer = model.solve(exploration_level=level, nb_threads=1, timeout=timedelta(seconds=left))
    routes: dict[str, list[str]] = {}
    rows = answer.routes
    for vehicle, kind, job in zip(rows.vehicle_id, rows.type, rows.id, strict=True):
        if kind == "job":
            routes.setdefault(problem.shifts[int(vehicle) - 1].key, []).append(jobs[int(job) - 1])
    return finished(problem, routes)


def or_tools(problem: Problem, seconds: float) -> Plan:
    """OR-Tools: parallel cheapest insertion, then guided local search."""
    from ortools.constraint_solver import pywrapcp, routing_enums_pb2

    began = time.perf_counter()
    starts = _starts(problem)
    shifts = problem.shifts
    places = len(problem.travel[""].seconds)
    service = np.zeros(places, dtype=np.int64)
    for stop in problem.stops:
        service[stop.place] = stop.service_s
    manager = pywrapcp.RoutingIndexManager(
        places, len(shifts), [it.start_place for it in shifts], [it.end_place for it in shifts]
    )
    model = pywrapcp.RoutingModel(manager)
    seconds_of = problem.travel[""].seconds
    model.SetArcCostEvaluatorOfAllVehicles(model.RegisterTransitMatrix(seconds_of.tolist()))
    horizon = DAY * (1 + max(it.day for it in shifts))
    model.AddDimension(
        model.RegisterTransitMatrix((seconds_of + service[:, None]).tolist()), horizon, horizon, False, "time"
    )
    clock = model.GetDimensionOrDie("time")
    for n in range(problem.dimensions):
        load = [0] * places
        for stop in problem.stops:
            load[stop.place] = stop.brings[n] if n < len(stop.brings) else 0
        model.AddDimensionWithVehicleCapacity(
            model.RegisterUnaryTransitVector(load), 0, [it.capacity[n] for it in shifts], True, f"load {n}"
        )
    for n, shift in enumerate(shifts):
        off = shift.pause.length_s if shift.pause else 0
        ends = shift.day * DAY + shift.ends_s + shift.overtime_limit_s - off
        clock.CumulVar(model.Start(n)).SetRange(shift.day * DAY + shift.starts_s, ends)
        clock.CumulVar(model.End(n)).SetRange(shift.day * DAY + shift.starts_s, ends)
    served = {}
    for stop in problem.stops:
        node = manager.NodeToIndex(stop.place)
        served[stop.place] = stop.key
        price = 60 * problem.prices.leaving_out(stop)
        fits = [n for n, it in enumerate(shifts) if starts.get((stop.key, it.key))]
        model.AddDisjunction([node], price)
        model.VehicleVar(node).SetValues([-1, *fits])
        windows = _merged(
            {
                (shifts[n].day * DAY + first, shifts[n].day * DAY + last)
                for n in fits
                for first, last in starts[stop.key, shifts[n].key]
            }
        )
        if not windows:
            continue
        clock.CumulVar(node).SetRange(windows[0][0], windows[-1][1])
        for (_, closed), (opens, _) in pairwise(windows):
            clock.CumulVar(node).RemoveInterval(closed + 1, opens - 1)
    bases = {it.start_place for it in shifts} | {it.end_place for it in shifts}
    for place in range(places):
        if place not in served and place not in bases:
            model.AddDisjunction([manager.NodeToIndex(place)], 0)
    asked = pywrapcp.DefaultRoutingSearchParameters()
    asked.first_solution_strategy = routing_enums_pb2.FirstSolutionStrategy.PARALLEL_CHEAPEST_INSERTION
    asked.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
    asked.time_limit.FromMilliseconds(int(max(0.1, seconds - (time.perf_counter() - began)) * 1000))
    answer = model.SolveWithParameters(asked)
    routes: dict[str, list[str]] = {}
    for n, shift in enumerate(shifts) if answer else ():
        index = model.Start(n)
        while not model.IsEnd(index):
            place = manager.IndexToNode(index)
            if place in served:
                routes.setdefault(shift.key, []).append(served[place])
            index = answer.Value(model.NextVar(index))
    return finished(problem, routes)
