"""Input that cannot be planned, named one by one; the rest is planned all the same.

Nothing here raises: a site without coordinates or a pin that no technician can keep is one sentence in the
answer, never the end of the plan.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import pairwise

from schedules.planning.model import UNREACHABLE_S, Bar, Problem, Reason, Shift, Stop, Window


@dataclass(frozen=True, slots=True)
class Fault:
    """Something wrong with one stop or one shift (or, with neither, with all)."""

    code: str
    text: str
    stop: str | None = None
    shift: str | None = None


@dataclass(frozen=True, slots=True)
class Screened:
    """What can be planned, what is wrong, and why each of the other stops is left out."""

    problem: Problem
    faults: tuple[Fault, ...]
    left_out: dict[str, Reason]


_SENTENCES: dict[Bar, str] = {
    "pinned to another technician": "The technician it is pinned to is not at work then.",
    "pinned to another day": "Nobody is at work on the day it is pinned to.",
    "technician not allowed": "None of the technicians who may come is at work on its days.",
    "skill missing": "Nobody at work on its days holds the skills it needs.",
    "van too small": "What it needs is more than any van can carry.",
    "closed that day": "The site is closed on every day of the plan, or too briefly for the work.",
    "no way there": "There is no way there from where the technicians start; check its coordinates.",
    "shift and opening hours do not meet": "It is open only when nobody can be there within working hours.",
}


def screen(problem: Problem, *, now: tuple[int, int] | None = None) -> Screened:
    """Split ``problem`` into what can be planned and what is wrong.

    ``now`` is (day, clock second): openings before it are over.
    """
    faults: list[Fault] = []
    left_out: dict[str, Reason] = {}
    shifts = list(_sound_shifts(problem, faults))
    if not shifts:
        faults.append(Fault("no shifts", "No technician is at work on any day of the plan."))
    if any(stop.skills for stop in problem.stops):
        bare = {shift.technician for shift in shifts} - {it.technician for it in shifts if it.skills}
        faults += [
            Fault("no skills", f"Technician {name} holds no skill; only visits that need none are possible.")
            for name in sorted(bare)
        ]
    kept: dict[str, Stop] = {}
    usable = replace(problem, shifts=tuple(shifts))
    for stop in problem.stops:
        if stop.key in kept or stop.key in left_out:
            faults.append(Fault("twice", f"Stop {stop.key} is given twice; the first counts.", stop.key))
            continue
        current = stop if now is None else replace(stop, windows=tuple(_ahead(stop, *now)))
        reason = _unplannable(usable, current, past=now is not None and not current.windows)
        if reason is None:
            kept[stop.key] = current
        else:
            left_out[stop.key] = reason
            faults.append(Fault(reason.code, reason.text, stop=stop.key))
    faults += _colliding_pins(usable, kept.values())
    return Screened(replace(usable, stops=tuple(kept.values())), tuple(faults), left_out)


def _sound_shifts(problem: Problem, faults: list[Fault]) -> Iterable[Shift]:
    seen = set()
    for shift in problem.shifts:
        travel = problem.travel.get(shift.profile)
        if shift.key in seen:
            faults.append(
                Fault("twice", f"Shift {shift.key} is given twice; the first counts.", None, shift.key)
            )
        elif travel is None:
            text = f"There are no travel times of the kind {shift.profile!r} for shift {shift.key}."
            faults.append(Fault("no travel times", text, None, shift.key))
        elif not all(0 <= place < len(travel.seconds) for place in (shift.start_place, shift.end_place)):
            text = f"Shift {shift.key} starts or ends in a place without coordinates; set a home or a depot."
            faults.append(Fault("no coordinates", text, None, shift.key))
        else:
            yield shift
        seen.add(shift.key)


def _ahead(stop: Stop, day: int, clock_s: int) -> Iterable[Window]:
    for window in stop.windows:
        if window.day > day:
            yield window
        elif window.day == day and window.closes_s - stop.service_s >= clock_s:
            yield replace(window, opens_s=max(window.opens_s, clock_s))


def _unplannable(problem: Problem, stop: Stop, *, past: bool) -> Reason | None:
    """Why no shift whatever can serve ``stop``."""
    if not problem.shifts:
        return Reason("no shifts", "No technician is at work on any day of the plan.")
    if stop.place < 0 or any(stop.place >= len(it.seconds) for it in problem.travel.values()):
        return Reason("no coordinates", "Its site has no coordinates; set them on the site.")
    if past:
        return Reason("window past", "All its opening hours inside its window are over.")
    if not stop.windows:
        return Reason("no opening", "The site is closed on every day it could be visited.")
    if all(window.closes_s - window.opens_s < stop.service_s for window in stop.windows):
        return Reason("opening too short", "The work takes longer than the site is ever open in one piece.")
    bars: Counter[Bar] = Counter()
    for shift in problem.shifts:
        bar = problem.bars(stop, shift)
        if bar is None:
            return None
        bars[bar] += 1
    if stop.pin is not None:
        return Reason("pin", f"Its pin cannot be kept. {_SENTENCES[_nearest(problem, stop)]}")
    if bars["no way there"] and all(
        min(
            int(problem.travel[it.profile].seconds[it.start_place, stop.place]),
            int(problem.travel[it.profile].seconds[stop.place, it.end_place]),
        )
        >= UNREACHABLE_S
        for it in problem.shifts
    ):
        return Reason("no way there", _SENTENCES["no way there"])
    bar = _nearest(problem, stop)
    return Reason(bar, _SENTENCES[bar])


# The further down, the closer a shift came to serving the stop.
_DISTANCE: tuple[Bar, ...] = (
    "pinned to another day",
    "closed that day",
    "pinned to another technician",
    "technician not allowed",
    "skill missing",
    "no way there",
    "van too small",
    "shift and opening hours do not meet",
)


def _nearest(problem: Problem, stop: Stop) -> Bar:
    """What stood in the way where a shift came closest: other days say little about this one."""
    found = {bar for shift in problem.shifts if (bar := problem.bars(stop, shift)) is not None}
    return max(found, key=_DISTANCE.index)


def _colliding_pins(problem: Problem, stops: Iterable[Stop]) -> list[Fault]:
    """Two stops that one technician would have to serve at the same time."""
    exact = [
        (stop.pin.technician, stop.pin.day, stop.pin.starts_s, stop)
        for stop in stops
        if stop.pin is not None
        and stop.pin.technician is not None
        and stop.pin.day is not None
        and stop.pin.starts_s is not None
    ]
    found = []
    exact.sort(key=lambda pinned: (pinned[0], pinned[1], pinned[2], pinned[3].key))
    for earlier, later in pairwise(exact):
        if earlier[:2] != later[:2]:
            continue
        travel = next(iter(problem.travel.values())).seconds
        drive = int(travel[earlier[3].place, later[3].place])
        if earlier[2] + earlier[3].service_s + drive > later[2]:
            text = (
                f"Stops {earlier[3].key} and {later[3].key} are both pinned to {earlier[0]} and too close "
                "in time: move one pin."
            )
            found.append(Fault("pins collide", text, stop=later[3].key))
    return found
