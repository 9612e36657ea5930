"""What a filled-in step is worth: inside its limits, outside, or not to be told, with every reason.

Plain values in, plain values out. The physics is that of ``inventory.measures``; this module says
which of it belongs to which step, takes the nameplate before any table, and tells apart what
cannot be (refused), what is unlikely (asked about once), and what is true but outside a limit
(kept, and the step stays open).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal

from inventory.measures import charge, expansion, leak, limits
from inventory.measures.kinds import Agent
from inventory.measures.limits import Verdict
from inventory.measures.readings import VAPOUR_AGENTS
from inventory.measures.stamps import Stamp, StampError, read_stamp
from inventory.measures.units import Dimension, Measure
from inventory.workshop.bench import Bench, Judged, kpa, said
from inventory.workshop.pressure_tests import judge_hose_test, judge_proof_test, judge_volumetric_test
from inventory.workshop.steps import FieldsRefused, Given

# Standing shorter than this, the error of a gauge is larger than any leak worth a rejection.
_HOURS_TO_PROJECT = 168
_HOURS_A_YEAR = 8766


def judge(step: str, given: Given, bench: Bench) -> Judged:
    """Judge what was filled in for ``step``. Raises ``FieldsRefused`` for what cannot be."""
    rule = _RULES.get(step)
    return rule(given, bench) if rule is not None else Judged()


# --- before filling -------------------------------------------------------------------------------


def _triage(given: Given, bench: Bench) -> Judged:
    flags: list[str] = []
    asks: dict[str, str] = {}
    errors: dict[str, str] = {}
    read, known = given.texts["serial_read"], bench.plate.serial
    if known and _plain(read) != _plain(known):
        asks["serial_read"] = (
            f"The register has serial {known}, the shell says {read}. Is this the right unit? "
            "Check its identity label before you go on."
        )
        flags.append(f"Serial on the shell ({read}) differs from the register ({known}).")
    made = given.texts.get("made_read", "")
    if made and made.lower() not in ("not readable", "unknown"):
        try:
            stamp = read_stamp(made, today=bench.today).stamp
        except StampError as error:
            errors["made_read"] = error.sentence
        else:
            if _apart(stamp, bench.plate.made):
                flags.append(f"Manufacture mark {made} differs from the register ({bench.plate.made}).")
    for low, high, word in (
        ("charge_low", "charge_high", "charge"),
        ("gross_low", "gross_high", "gross mass"),
    ):
        if (low in given.measures) != (high in given.measures):
            errors[high if low in given.measures else low] = f"A range of {word} needs both ends."
        elif low in given.measures and given.measures[low].mass_g > given.measures[high].mass_g:
            errors[high] = f"The highest {word} lies below the lowest. Check both figures and their units."
        elif low in given.measures and word == "charge":
            question = charge.unlikely_mass(given.measures[low].mass_g, bench.plate.charge_mass_g)
            if question is not None:
                asks[low] = question
    conflict = expansion.pressure_conflict(
        nameplate_test_kpa=kpa(given, "plate_test_pressure"),
        service_kpa=bench.plate.working_pressure_kpa,
        is_high_pressure=bench.plate.kind.is_high_pressure,
    )
    if conflict is not None:
        flags.append(conflict)
    if errors:
        raise FieldsRefused(errors)
    bars = given.many.get("bars", ())
    if bars or given.texts["serviceable"] == "no":
        why = "It is not tested but condemned" if bars else "It cannot be serviced here"
        return Judged("outside", (f"{why}.",), tuple(flags), asks, must_condemn=True)
    return Judged("done", (), tuple(flags), asks)


def _agent_out(given: Given, bench: Bench) -> Judged:
    out = given.measures["mass_out"]
    went = given.texts["went_to"]
    errors = {}
    if went == "vented" and bench.plate.kind.agent is not Agent.CARBON_DIOXIDE:
        errors["went_to"] = "Where it went: only carbon dioxide is let off, and slowly."
    if went not in ("nothing", "vented") and not given.texts.get("drum"):
        errors["drum"] = "Drum or container: say where the agent lies, so that it can be traced."
    if went == "nothing" and out.entered > 0:
        errors["went_to"] = "Agent came out, so it went somewhere. Choose where."
    if errors:
        raise FieldsRefused(errors)
    full = bench.plate.charge_mass_g
    if full is None or out.entered == 0:
        return Judged(sentences=("The charge was not weighed against a nameplate.",) if full is None else ())
    share = float(out.mass_g) / full
    asks = {}
    if share > 1.2:
        asks["mass_out"] = charge.unlikely_mass(out.mass_g, full) or ""
    return Judged(sentences=(f"{out} of {full / 1000:g} kg came out, {share:.0%} of the charge.",), asks=asks)


def _strip(given: Given, bench: Bench) -> Judged:
    if given.numbers["o_rings_renewed"] < 1:
        raise FieldsRefused({"o_rings_renewed": "O-rings renewed: whatever seals and was out is renewed."})
    return Judged()


def _inside(given: Given, bench: Bench) -> Judged:
    finding, words = given.texts["finding"], given.texts.get("seen", "")
    if finding != "clean" and not words:
        raise FieldsRefused({"seen": "In words: say what was seen and where; the next opener reads it."})
    if finding in ("pits", "lining", "thread"):
        return Judged("outside", ("The shell does not go back into service.",), must_condemn=True)
    if finding == "doubt":
        return Judged("unjudged", ("A pressure test decides.",), ("Must be pressure-tested.",))
    return Judged("inside", ("Sound inside.",))


# --- filling --------------------------------------------------------------------------------------


def _fill(given: Given, bench: Bench) -> Judged:
    plate, filled = bench.plate, given.measures["mass_in"]
    agent = plate.kind.agent
    is_volume = filled.dimension is Dimension.VOLUME
    # One litre in millilitres counts like one kilogram in grams: the tolerance is a share of either.
    amount = filled.volume_ml if is_volume else filled.mass_g
    nominal = plate.charge_volume_ml if is_volume else plate.charge_mass_g
    if amount <= 0:
        raise FieldsRefused({"mass_in": "Agent filled: nothing filled is no fill."})
    if nominal is None and not is_volume and plate.charge_volume_ml and agent in charge.LIQUIDS:
        raise FieldsRefused({"mass_in": "The nameplate gives a volume. Enter the agent filled in litres."})
    question = charge.unlikely_mass(amount, nominal)
    plate_range = None if is_volume else bench.charge_range_g
    verdict = charge.judge_charge_mass(agent, filled_g=amount, charge_mass_g=nominal, nameplate=plate_range)
    if is_volume:
        verdict = replace(
            verdict, sentence=verdict.sentence.replace(" kg", " L"), limit=verdict.limit.replace(" kg", " L")
        )
        question = question.replace(" kg", " L") if question else None
    sentences = [said(verdict)]
    fields = {"mass_in": verdict}
    ok = verdict.ok
    if agent is Agent.CARBON_DIOXIDE and not is_volume:
        ratio = charge.judge_co2_fill(
            amount,
            plate.water_capacity_ml,
            test_pressure_bar=None if bench.test_pressure_kpa is None else bench.test_pressure_kpa / 100,
        )
        sentences.append(said(ratio))
        ok = False if ratio.ok is False else ok
    return Judged(
        "unjudged" if ok is None else "inside" if ok else "outside",
        tuple(sentences),
        ("The mass filled could not be judged: no charge on record.",) if ok is None else (),
        {"mass_in": question} if question else {},
        by_field=fields,
    )


def _wanted_pressure(bench: Bench) -> tuple[float | None, str]:
    """Charging pressure at 20 °C in kPa and where it comes from: the nameplate, else a default."""
    plate = bench.plate
    if plate.working_pressure_kpa is not None:
        return float(plate.working_pressure_kpa), "working pressure on the nameplate"
    key = "charge_pressure_powder" if plate.kind.agent in charge.POWDERS else "charge_pressure_other"
    if charge.charge_pressure_default(plate.kind.agent) is None:
        return None, ""
    value = bench.values[key]
    return value.pressure_kpa, f"no pressure on the nameplate; {value.printed} at 20 °C, {value.source}"


def _judge_pressure(bench: Bench, gauge: Measure, temperature: Measure) -> Verdict:
    wanted, source = _wanted_pressure(bench)
    kpa, celsius = float(gauge.pressure_kpa), float(temperature.temperature_c)
    if bench.plate.kind.agent in VAPOUR_AGENTS:
        found = limits.judge_gauge_pressure(
            bench.plate.kind.agent,
            gauge_kpa=gauge.pressure_kpa,
            working_pressure_kpa=None if wanted is None else Decimal(repr(wanted)),
            temperature_c=temperature.temperature_c,
        )
    elif wanted is None:
        found = charge.judge_charge_pressure(kpa, temperature_c=celsius, nominal_kpa=None)
    else:
        band = bench.values["charge_pressure_band"]
        share = band.number / 100
        found = charge.judge_charge_pressure(
            kpa,
            temperature_c=celsius,
            nominal_kpa=wanted,
            low_kpa=wanted * (1 - share),
            high_kpa=wanted * (1 + share),
        )
        found = replace(found, source=f"{source}; ± {band.printed}, {band.source}")
    return found


def _pressurise(given: Given, bench: Bench) -> Judged:
    read, regulator = given.measures["pressure"], given.measures["regulator_set"]
    test = bench.test_pressure_kpa
    errors = {}
    for code, measure in (("pressure", read), ("regulator_set", regulator)):
        if test is not None and float(measure.pressure_kpa) >= test:
            errors[code] = (
                f"{measure} is not below the test pressure of {test / 100:.1f} bar. Shut the supply, stand "
                "clear, let gas off; if the figure was mistyped, correct it and its unit."
            )
    wanted, source = _wanted_pressure(bench)
    if wanted is not None and test is None and float(read.pressure_kpa) > 2 * wanted:
        errors["pressure"] = f"{read} is over twice the charging pressure ({source}). Check figure and unit."
    if errors:
        raise FieldsRefused(errors)
    verdict = _judge_pressure(bench, read, given.measures["temperature"])
    sentences, flags = [said(verdict)], []
    over = bench.values["regulator_over"]
    ok = verdict.ok
    if wanted is not None and float(regulator.pressure_kpa) > wanted + over.pressure_kpa + 0.5:
        ok = False
        sentences.append(
            f"Regulator at {regulator}, more than {over.printed} above {wanted / 100:.2f} bar "
            f"({over.source})."
        )
    if wanted is not None and "nameplate;" in source:
        flags.append(source[0].upper() + source[1:] + ".")
    if ok is None:
        flags.append("The pressure could not be judged.")
    if other := given.texts.get("gas_kind"):
        flags.append(
            f"{other.capitalize()} went in beside nitrogen; the pressure is judged as nitrogen alone."
        )
    return Judged(
        "unjudged" if ok is None else "inside" if ok else "outside",
        tuple(sentences),
        tuple(flags),
        by_field={"pressure": verdict},
    )


def _cartridge_in(given: Given, bench: Bench) -> Judged:
    mass, full, gas = (
        given.measures[code].mass_g for code in ("cartridge_mass", "cartridge_full", "gas_mass")
    )
    if gas <= 0 or gas >= full:
        raise FieldsRefused({"gas_mass": "Gas mass: more than nothing and less than the full cartridge."})
    verdict = limits.judge_cartridge_loss(cartridge_mass_g=mass, full_cartridge_mass_g=full, gas_mass_g=gas)
    asks = {}
    if mass > full + gas / 10:
        asks["cartridge_mass"] = "Heavier than full. Check the figures and their units."
    return Judged(verdict.word, (said(verdict),), asks=asks, by_field={"cartridge_mass": verdict})


def _leak_test(given: Given, bench: Bench) -> Judged:
    errors: dict[str, str] = {}
    if given.texts["method"] == "tracer" and not ("rate" in given.numbers and given.texts.get("detector")):
        errors["rate"] = "Leak rate of the detector: enter what it shows and name the detector."
    if "pressure_after" in given.measures and "temperature_after" not in given.measures:
        errors["temperature_after"] = "Temperature at that reading: a pressure is judged at one temperature."
    if errors:
        raise FieldsRefused(errors)
    if given.texts["seen"] == "leak":
        return Judged("outside", ("It leaks: open it again, renew the seal, fill and test again.",))
    sentences, flags = ["No leak seen."], []
    ok: bool | None = True
    for verdict in _leak_figures(given, bench):
        sentences.append(said(verdict))
        ok = False if verdict.ok is False else ok
    if "rate" in given.numbers and "free_volume" not in given.measures:
        flags.append("The leak rate is not judged: the gas space above the agent was not entered.")
    return Judged("inside" if ok else "outside", tuple(sentences), tuple(flags))


def _leak_figures(given: Given, bench: Bench) -> list[Verdict]:
    values, found = bench.values, []
    years, reject = values["warranty_years"], values["leak_reject"]

    def projected(loss_kpa_per_year: float) -> Verdict:
        verdict = leak.judge_warranty_leak(
            loss_kpa_per_year, years_left=years.number, limit_kpa=reject.pressure_kpa
        )
        return replace(verdict, source=reject.source)

    free = given.measures.get("free_volume")
    if "rate" in given.numbers and free is not None and free.entered > 0:
        rate = leak.LeakRate(float(given.numbers["rate"]))
        found.append(projected(rate.pressure_kpa_per_year(float(free.volume_ml))))
    before = bench.earlier.get("pressurise")
    if "pressure_after" in given.measures and before is not None:
        first = charge.gauge_at(
            float(before.measures["pressure"].pressure_kpa),
            from_c=float(before.measures["temperature"].temperature_c),
        )
        second = charge.gauge_at(
            float(given.measures["pressure_after"].pressure_kpa),
            from_c=float(given.measures["temperature_after"].temperature_c),
        )
        drop, allowed = first - second, first * values["hold_drop"].number / 100
        value = values["hold_drop"]
        found.append(
            Verdict(
                drop <= allowed,
                f"{first / 100:.2f} bar before, {second / 100:.2f} bar after, both at 20 °C",
                f"drop not over {value.printed}",
                value.source,
            )
        )
        hours = float(given.numbers.get("held_h", 0))
        if hours >= _HOURS_TO_PROJECT:
            found.append(projected(max(drop, 0.0) * _HOURS_A_YEAR / hours))
    if "mass_before" in given.measures and "mass_after" in given.measures and bench.plate.charge_mass_g:
        lost = given.measures["mass_before"].mass_g - given.measures["mass_after"].mass_g
        value = values["hold_loss"]
        found.append(
            Verdict(
                float(lost) <= bench.plate.charge_mass_g * value.number / 100,
                f"{float(max(lost, Decimal(0))):g} g lost while it stood",
                f"not over {value.printed} of the charge",
                value.source,
            )
        )
    return found


def _finish(given: Given, bench: Bench) -> Judged:
    gross, plate = given.measures["gross_mass"], bench.plate
    if plate.charge_mass_g is not None and float(gross.mass_g) <= plate.charge_mass_g:
        raise FieldsRefused(
            {
                "gross_mass": f"{gross} is not more than the charge of {plate.charge_mass_g / 1000:g} kg "
                "alone. Check the figure and its unit."
            }
        )
    asks = {}
    if plate.full_mass_g is not None and not 0.8 <= float(gross.mass_g) / plate.full_mass_g <= 1.2:
        asks["gross_mass"] = (
            charge.unlikely_mass(gross.mass_g, plate.full_mass_g) or "Check the figure and its unit."
        ).replace("a charge of", "a full mass of")
    wanted = bench.gross_range_g
    if wanted is not None:
        ok = wanted[0] <= float(gross.mass_g) <= wanted[1]
        verdict = Verdict(
            ok,
            f"{gross} of {wanted[0] / 1000:g} to {wanted[1] / 1000:g} kg",
            "gross range",
            "range on the nameplate",
        )
    else:
        verdict = limits.judge_mass_loss(
            plate.kind.agent,
            gross_mass_g=gross.mass_g,
            full_mass_g=plate.full_mass_g,
            charge_mass_g=plate.charge_mass_g,
        )
    flags = () if verdict.ok is not None else ("The gross mass is recorded, not judged: no range on record.",)
    return Judged(
        verdict.word,
        (said(verdict),),
        flags,
        asks,
        by_field={"gross_mass": verdict},
    )


def _same_serial(given: Given, bench: Bench) -> None:
    read, known = given.texts["serial_again"], bench.plate.serial
    if known and _plain(read) != _plain(known):
        raise FieldsRefused(
            {"serial_again": f"The card is for serial {known}, the shell says {read}. Find the right card."}
        )


def _release(given: Given, bench: Bench) -> Judged:
    _same_serial(given, bench)
    return Judged("inside", ("Released by a second person.",))


def _condemn(given: Given, bench: Bench) -> Judged:
    # The unit goes to scrap; what a photo shows of the reason is all that is left of it.
    return Judged(flags=() if given.many.get("photos") else ("No photo was taken of what was found.",))


def _second_look(given: Given, bench: Bench) -> Judged:
    _same_serial(given, bench)
    if given.texts["opinion"] == "agree":
        return Judged("done", ("Condemned: a second person agrees.",))
    why = given.texts.get("why", "")
    if not why:
        raise FieldsRefused({"why": "Why not: say what the first finding overlooked."})
    return Judged("unjudged", (f"A second person does not agree: {why}. It has to be decided again.",))


def _consent(given: Given, bench: Bench) -> Judged:
    if given.days["told_on"] > bench.today:
        raise FieldsRefused({"told_on": "Told in writing on: the day lies in the future."})
    return Judged()


def _dispose(given: Given, bench: Bench) -> Judged:
    consent = bench.earlier.get("consent")
    wants_back = consent is not None and consent.texts.get("answer") == "back"
    if wants_back != (given.texts["route"] == "returned"):
        raise FieldsRefused(
            {"route": "The route does not fit the owner's answer. Correct the one or the other."}
        )
    return Judged()


def _plain(text: str) -> str:
    return "".join(letter for letter in text.upper() if letter.isalnum())


def _apart(one: Stamp, other: Stamp) -> bool:
    """Whether two stamps cannot mean the same day."""
    if one.first is None or one.last is None or other.first is None or other.last is None:
        return False
    return one.last < other.first or other.last < one.first


_RULES: dict[str, Callable[[Given, Bench], Judged]] = {
    "triage": _triage,
    "agent_out": _agent_out,
    "strip": _strip,
    "inside": _inside,
    "proof_test": judge_proof_test,
    "volumetric_test": judge_volumetric_test,
    "hose_test": judge_hose_test,
    "fill": _fill,
    "pressurise": _pressurise,
    "cartridge_in": _cartridge_in,
    "leak_test": _leak_test,
    "finish": _finish,
    "release": _release,
    "condemn": _condemn,
    "second_look": _second_look,
    "consent": _consent,
    "dispose": _dispose,
}
