"""Judging a pressure test of a shell, a cylinder or a hose by the limits of ``inventory.measures``."""

from __future__ import annotations

from decimal import Decimal

from inventory.measures import expansion
from inventory.measures.kinds import Agent, Shell
from inventory.workshop.bench import Bench, Judged, kpa
from inventory.workshop.steps import FieldsRefused, Given

# A pressure a tenth over the one asked for is no reading error. Common practice, no source.
_OVER_TEST = 1.1
# A service pressure is kept in whole kilopascals, and five thirds of it carry that rounding along.
_AS_PRINTED = 0.9998


def _test_day(given: Given, bench: Bench) -> None:
    day = given.days["done_on"]
    made = bench.plate.made
    if day > bench.today:
        raise FieldsRefused({"done_on": f"{day} lies in the future. Enter the day of the test."})
    if made.first is not None and day < made.first:
        raise FieldsRefused(
            {"done_on": f"{day} lies before the shell was made ({made}). One of the two dates is wrong."}
        )


def judge_proof_test(given: Given, bench: Bench) -> Judged:
    """Judge the step of that name. Raises ``FieldsRefused`` for what cannot be."""
    _test_day(given, bench)
    plate = bench.plate
    reached, end = (float(given.measures[code].pressure_kpa) for code in ("test_pressure", "end_pressure"))
    flags: list[str] = []
    asks: dict[str, str] = {}
    service = plate.working_pressure_kpa
    required, source = _proof_required(given, bench, flags)
    if service is not None and reached <= service:
        raise FieldsRefused(
            {
                "test_pressure": f"{given.measures['test_pressure']} is not above the working pressure of "
                f"{service / 100:.1f} bar. Check the figure and its unit."
            }
        )
    if end > reached:
        raise FieldsRefused({"end_pressure": "The pressure cannot rise while it is held with the pump shut."})
    if reached > required * _OVER_TEST:
        asks["test_pressure"] = (
            f"{given.measures['test_pressure']} is {reached / required - 1:.0%} over the "
            f"{required / 100:.1f} bar asked for. Check the figure and its unit; a shell driven over its "
            "test pressure is set aside."
        )
    verdict = expansion.judge_proof(
        reached_kpa=Decimal(repr(reached)),
        required_kpa=Decimal(repr(required)),
        held_s=given.measures["hold_s"].canonical,
        required_hold_s=bench.values["proof_hold"].entered,
        drop_kpa=Decimal(repr(round(reached - end, 6))),
        leaked=given.texts["leak"] == "yes",
        deformed=given.texts["bulge"] == "yes",
        most_kpa=Decimal(repr(required * _OVER_TEST)),
    )
    sentences = [f"{verdict.sentence} ({source})"]
    burst = _burst(given, bench, flags)
    if burst:
        sentences.append(burst)
    return Judged(
        verdict.word,
        tuple(sentences),
        tuple(flags),
        asks,
        must_condemn=verdict.ok is False,
        by_field={"test_pressure": verdict},
    )


def _proof_required(given: Given, bench: Bench, flags: list[str]) -> tuple[float, str]:
    """The pressure to be reached and where it comes from: a decision, the nameplate, else a default."""
    plate = bench.plate
    known = bench.test_pressure_kpa
    conflict = expansion.pressure_conflict(
        nameplate_test_kpa=None if known is None else Decimal(repr(known)),
        service_kpa=plate.working_pressure_kpa,
    )
    decided = kpa(given, "decided_pressure")
    if conflict is not None:
        if decided is None or not given.texts.get("decided_by"):
            raise FieldsRefused({"decided_pressure": conflict})
        flags.append(
            f"{conflict.partition(' Ask the maker')[0]} Decided by {given.texts['decided_by']}: "
            f"{given.measures['decided_pressure']}."
        )
        if known is not None and float(decided) > known:
            raise FieldsRefused({"decided_pressure": "Not over the test pressure on the nameplate."})
        return float(decided), f"decided by {given.texts['decided_by']}, plate and rule at odds"
    if known is not None:
        return known, "test pressure on the nameplate; 29 CFR 1910.157(f)(11)"
    if plate.kind.shell is Shell.MILD_STEEL:
        value = bench.values["proof_pressure_mild_steel"]
        flags.append(f"No test pressure on the nameplate; {value.printed} taken ({value.source}).")
        return value.pressure_kpa, value.source
    raise FieldsRefused(
        {
            "test_pressure": "The test pressure of this shell is not known. Read it from the nameplate at "
            "the step Dates and nameplate, or ask the maker."
        }
    )


def _burst(given: Given, bench: Bench, flags: list[str]) -> str:
    reached = kpa(given, "burst_pressure")
    if reached is None:
        return ""
    service = bench.plate.working_pressure_kpa
    factor, floor = bench.values["burst_factor"], bench.values["burst_floor"]
    least = max(factor.number * service if service is not None else 0.0, floor.pressure_kpa)
    text = (
        f"Sample burst at {given.measures['burst_pressure']}, at least {least / 100:.1f} bar asked for "
        f"({factor.printed} highest service pressure or {floor.printed}, the greater; {factor.source})"
    )
    if float(reached) < least:
        flags.append("The burst sample of this lot fell short: hold the lot.")
        return f"{text}: too low."
    return f"{text}: enough."


def judge_volumetric_test(given: Given, bench: Bench) -> Judged:
    """Judge the step of that name. Raises ``FieldsRefused`` for what cannot be."""
    _test_day(given, bench)
    plate = bench.plate
    reached = given.measures["test_pressure"].pressure_kpa
    flags: list[str] = []
    if given.texts["equipment"] == "failed":
        again = expansion.repeat_after_rig_failure(reached, repeats_made=bench.rig_failures)
        return Judged("unjudged", (again.sentence,), ("The equipment cut the test short.",))
    total, permanent = (given.measures[code].volume_ml for code in ("total_expansion", "permanent_expansion"))
    try:
        stretched = expansion.Expansion(total, permanent)
    except expansion.ExpansionError as error:
        raise FieldsRefused({"permanent_expansion": error.sentence}) from error
    check = expansion.judge_system_check(
        marked_ml=given.measures["check_expected"].volume_ml,
        read_ml=given.measures["check_read"].volume_ml,
        permanent_ml=given.measures["check_permanent"].volume_ml,
    )
    fine = expansion.judge_indicator(given.measures["indicator_step"].volume_ml, total_ml=total)
    required, source = _jacket_required(bench)
    elastic = given.measures.get("rejection_elastic")
    limit = expansion.expansion_limit(plate.kind.cylinder_spec, plate.kind.shell)
    verdict = expansion.judge_expansion(
        stretched, limit, elastic_rejection_ml=None if elastic is None else elastic.volume_ml
    )
    sentences = [
        check.sentence,
        fine.sentence,
        f"Elastic {stretched.elastic_ml} mL, permanent {float(stretched.percent):.2f} % of total. "
        f"{verdict.sentence} ({limit.source})",
    ]
    if check.ok is not True or fine.ok is False:
        return Judged("unjudged", tuple(sentences), ("The rig is not proved: the test does not count.",))
    if required is None:
        flags.append("The service pressure is not known, so nobody can say whether the pressure was enough.")
        return Judged("unjudged", tuple(sentences), tuple(flags))
    sentences.append(f"{required / 100:.1f} bar asked for ({source}).")
    # An expansion over its limit condemns even where the pressure was not reached.
    if verdict.ok is not False and float(reached) < required * _AS_PRINTED:
        return Judged("unjudged", (*sentences, "Test pressure not reached: test again."), tuple(flags))
    if verdict.ok is not False and given.measures["hold_s"].canonical < bench.values["jacket_hold"].entered:
        value = bench.values["jacket_hold"]
        return Judged(
            "unjudged", (*sentences, f"Held less than {value.printed} ({value.source}): test again.")
        )
    asks = {}
    if float(reached) > required * _OVER_TEST:
        asks["test_pressure"] = (
            f"{given.measures['test_pressure']} is {float(reached) / required - 1:.0%} over the "
            f"{required / 100:.0f} bar asked for. Check the figure and its unit."
        )
    return Judged(
        verdict.word,
        tuple(sentences),
        tuple(flags),
        asks,
        must_condemn=verdict.ok is False,
        by_field={"test_pressure": verdict},
    )


def _jacket_required(bench: Bench) -> tuple[float | None, str]:
    if bench.test_pressure_kpa is not None:
        return bench.test_pressure_kpa, "test pressure on the shell"
    service = bench.plate.working_pressure_kpa
    if service is None:
        return None, ""
    rule = expansion.minimum_test_pressure(bench.plate.kind.cylinder_spec, service)
    if rule is not None:
        return float(rule.pressure_kpa), f"{rule.rule}, {rule.source}"
    if bench.plate.kind.agent is Agent.CARBON_DIOXIDE:
        return service * 5 / 3, "5/3 of stamped service pressure, 29 CFR 1910.157(f)(10)"
    return None, ""


def judge_hose_test(given: Given, bench: Bench) -> Judged:
    """Judge the step of that name. Raises ``FieldsRefused`` for what cannot be."""
    _test_day(given, bench)
    key = "hose_test_co2" if bench.plate.kind.agent is Agent.CARBON_DIOXIDE else "hose_test_powder"
    value = bench.values[key]
    reached = given.measures["test_pressure"]
    flags: list[str] = []
    if given.texts["leak"] == "yes":
        return Judged("outside", ("The hose leaked or bulged: renew it and test the new one.",))
    if round(float(reached.pressure_kpa)) < round(value.pressure_kpa):
        return Judged("unjudged", (f"{value.printed} asked for ({value.source}): test again.",))
    sentences = [f"{reached} held, {value.printed} asked for ({value.source})."]
    burst = kpa(given, "burst_pressure")
    least = bench.values["hose_burst"]
    if burst is not None:
        enough = float(burst) >= least.pressure_kpa
        sentences.append(
            f"Sample burst at {given.measures['burst_pressure']}, {least.printed} asked for ({least.source})."
        )
        if not enough:
            flags.append("The burst sample of this lot of hoses fell short: hold the lot.")
    return Judged("inside", tuple(sentences), tuple(flags))
