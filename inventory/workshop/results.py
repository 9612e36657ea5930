"""From what was stated on a card to records in the logbook, through its one door.

A pressure test is recorded at its step, because it is a fact whatever becomes of the unit, and
because filling waits for it. Everything else is recorded when the second person releases.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from datetime import date, datetime

from inventory.logbook.models import Reading, ServiceRecord
from inventory.logbook.services import NewReading, NewRecord, add_records
from inventory.measures.kinds import Task, TestMethod
from inventory.measures.limits import Verdict
from inventory.measures.readings import Quantity
from inventory.measures.stamps import Stamp
from inventory.measures.units import Dimension, Measure
from inventory.people import Person
from inventory.workshop.bench import Judged
from inventory.workshop.judging import judge
from inventory.workshop.models import CardEntry, Instrument
from inventory.workshop.queries import TEST_TASKS, CardBoard, bench_for, plate
from inventory.workshop.steps import Given, given_again, step_book

METHODS: Mapping[str, TestMethod] = {
    "proof_test": TestMethod.PROOF_PRESSURE,
    "volumetric_test": TestMethod.WATER_JACKET,
}
# Which field of which step is which quantity of a recharge record.
_QUANTITIES = (
    ("fill", "mass_in", Quantity.CHARGE_MASS),
    ("pressurise", "pressure", Quantity.GAUGE_PRESSURE),
    ("pressurise", "temperature", Quantity.AMBIENT_TEMPERATURE),
    ("cartridge_in", "cartridge_mass", Quantity.CARTRIDGE_MASS),
    ("finish", "gross_mass", Quantity.GROSS_MASS),
)


def records_for(
    board: CardBoard,
    code: str,
    given: Given,
    judged: Judged,
    used: Sequence[Instrument],
    *,
    by: Person,
    now: datetime,
    done_on: date,
    ref: uuid.UUID,
    entries: Sequence[CardEntry],
) -> list[ServiceRecord]:
    """Write the records that follow from one step, and return them; none for most steps."""
    if code in METHODS and judged.verdict != CardEntry.Verdict.UNJUDGED:
        tasks = [task for task in board.card.works if task in TEST_TASKS]
        tasks += [task for task in board.charging.owed if task in TEST_TASKS and task not in tasks]
        return _write(
            board,
            tasks or [Task.HYDROSTATIC_TEST.value],
            passed=judged.verdict == CardEntry.Verdict.INSIDE,
            done_on=done_on,
            by=by,
            by_name=by.display_name,
            now=now,
            ref=ref,
            method=METHODS[code].value,
            instrument=instrument_text(used),
            remarks=" ".join(judged.sentences),
            readings=test_readings(given, judged),
        )
    if code == "hose_test" and judged.verdict == CardEntry.Verdict.INSIDE:
        return _write(
            board,
            [Task.HOSE_TEST.value],
            passed=True,
            done_on=done_on,
            by=by,
            by_name=by.display_name,
            now=now,
            ref=ref,
            instrument=instrument_text(used),
            remarks=" ".join(judged.sentences),
            readings=test_readings(given, judged),
        )
    if code == "second_look" and judged.verdict == CardEntry.Verdict.DONE:
        named = next(entry for entry in reversed(entries) if entry.step == "condemn")
        return _write(
            board,
            [Task.RETIREMENT.value],
            passed=True,
            done_on=done_on,
            by=named.made_by,
            by_name=named.made_by_name,
            now=now,
            ref=ref,
            remarks=f"Condemned: {named.entered('words')} (card {board.card.number}, "
            f"second opinion: {by.display_name})",
        )
    if code == "release":
        return _release(board, by=by, now=now, today=done_on, ref=ref, entries=entries)
    return []


def _release(
    board: CardBoard,
    *,
    by: Person,
    now: datetime,
    today: date,
    ref: uuid.UUID,
    entries: Sequence[CardEntry],
) -> list[ServiceRecord]:
    card = board.card
    last = {entry.step: entry for entry in entries}
    own_step = TEST_TASKS | {Task.HOSE_TEST.value}
    tasks = [task for task in card.works if task not in own_step]
    if Task.RECHARGE not in tasks:
        tasks.insert(0, Task.RECHARGE.value)
    tasks.sort(key=lambda task: task != Task.RECHARGE)  # its readings belong to the recharge
    finished = last["finish"]
    remarks = [f"Job card {card.number}, released by {by.display_name}."]
    remarks += [flag for entry in last.values() for flag in entry.flags]
    names = [use.instrument.code for entry in last.values() for use in entry.instruments.all()]
    return _write(
        board,
        tasks,
        passed=True,
        done_on=finished.done_on,
        by=finished.made_by,
        by_name=finished.made_by_name,
        now=now,
        ref=ref,
        instrument=", ".join(dict.fromkeys(names))[:120],
        remarks=" ".join(dict.fromkeys(remarks)),
        readings=recharge_readings(board, entries, today=today),
    )


def recharge_readings(
    board: CardBoard, entries: Sequence[CardEntry], *, today: date
) -> tuple[NewReading, ...]:
    """The measured values of a recharge, each with its verdict, from the entries that count."""
    last = {entry.step: entry for entry in entries}
    bench = bench_for(board.card, entries, today=today)
    kind = plate(board.card.unit).kind
    found = []
    for code, field, quantity in _QUANTITIES:
        entry = last.get(code)
        if entry is None:
            continue
        given = given_again(step_book().step(code), kind, entry.values)
        measure = given.measures.get(field)
        if measure is None:
            continue
        judged = judge(code, given, bench)
        if quantity is Quantity.CHARGE_MASS and measure.dimension is Dimension.VOLUME:
            quantity = Quantity.CHARGE_VOLUME
        found.append(_reading(quantity, measure, judged, field))
    return tuple(found)


def test_readings(given: Given, judged: Judged) -> tuple[NewReading, ...]:
    """The measured value of a pressure test."""
    return (_reading(Quantity.TEST_PRESSURE, given.measures["test_pressure"], judged),)


def _reading(
    quantity: Quantity, measure: Measure, judged: Judged, field: str = "test_pressure"
) -> NewReading:
    verdict: Verdict | None = judged.by_field.get(field)
    return NewReading(
        quantity=quantity.value,
        entered_value=str(measure.entered),
        entered_unit=measure.unit.value,
        base_value=float(measure.canonical),
        verdict=verdict.word if verdict is not None else Reading.Verdict.UNJUDGED.value,
        verdict_reason=verdict.sentence[:300] if verdict is not None else "",
    )


def _write(
    board: CardBoard,
    tasks: Sequence[str],
    *,
    passed: bool,
    done_on: date,
    by: Person | None,
    by_name: str,
    now: datetime,
    ref: uuid.UUID,
    method: str = "",
    instrument: str = "",
    remarks: str = "",
    readings: tuple[NewReading, ...] = (),
    evidence: str = ServiceRecord.Evidence.OWN_WORK.value,
) -> list[ServiceRecord]:
    card = board.card
    outcome = ServiceRecord.Outcome.PASSED if passed else ServiceRecord.Outcome.FAILED
    return add_records(
        [
            NewRecord(
                unit_id=card.unit_id,
                task=task,
                outcome=outcome.value,
                done=Stamp.on(done_on),
                received_at=now,
                # Derived, so that one step cannot write the same fact twice under two names.
                client_ref=uuid.uuid5(ref, task),
                method=method if task in TEST_TASKS else "",
                evidence=evidence,
                site_id=card.site_id,
                location_id=card.home_id,
                performed_by_id=by.pk if by is not None else None,
                performed_by_name=by_name,
                instrument=instrument,
                remarks=remarks,
                readings=readings if position == 0 else (),
            )
            for position, task in enumerate(tasks)
        ]
    )


def instrument_text(used: Sequence[Instrument]) -> str:
    """Instruments by number, as a record names them."""
    return ", ".join(row.code for row in used)[:120]


def house_records(
    board: CardBoard,
    *,
    passed: bool,
    done_on: date,
    house: str,
    method: str,
    pressure: Measure,
    remarks: str,
    now: datetime,
    ref: uuid.UUID,
) -> list[ServiceRecord]:
    """Write the records of a test that an outside house made and stamped; return them."""
    tasks = [task for task in board.card.works if task in TEST_TASKS]
    tasks += [task for task in board.charging.owed if task in TEST_TASKS and task not in tasks]
    return _write(
        board,
        tasks or [Task.HYDROSTATIC_TEST.value],
        passed=passed,
        done_on=done_on,
        by=None,
        by_name=house[:150],
        now=now,
        ref=ref,
        method=method,
        remarks=remarks,
        readings=(_reading(Quantity.TEST_PRESSURE, pressure, Judged()),),
        evidence=ServiceRecord.Evidence.SHELL_STAMP.value,
    )
