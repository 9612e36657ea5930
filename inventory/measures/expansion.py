"""Pressure tests: how far a cylinder stretched and whether it came back; whether a shell held.

The water-jacket test measures the total expansion at test pressure and the permanent one after
release, in millilitres: elastic = total - permanent, per cent = 100 x permanent / total. The
figures are kept as read, in exact arithmetic, so that exactly 10 % is told from more than 10 %.
Losing the test medium to the jacket or the scale looks like 100 %: that is the rig, not the cylinder.

Sources: 49 CFR 180.203 (elastic expansion), 180.205 and 180.209, 29 CFR 1910.157(f), letters of the
regulator as named. Figures marked *from memory* were not read in the rule text.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from inventory.measures.kinds import Shell
from inventory.measures.limits import Number, Verdict
from inventory.measures.readings import PRACTICE
from inventory.measures.units import Measure, UnitOfMeasure, exact


class ExpansionError(ValueError):
    """Figures that no test can give; ``code`` is for machines, ``sentence`` says what to do."""

    def __init__(self, code: str, sentence: str) -> None:
        super().__init__(sentence)
        self.code = code
        self.sentence = sentence


@dataclass(frozen=True, slots=True)
class Expansion:
    """What the test showed, in millilitres as read.

    Raises ``ExpansionError``: ``negative``, ``no_expansion`` or ``permanent_over_total``.
    """

    total_ml: Decimal
    permanent_ml: Decimal

    def __post_init__(self) -> None:
        if not (self.total_ml.is_finite() and self.permanent_ml.is_finite()):
            raise ExpansionError("no_number", "Enter both expansions as figures, in millilitres.")
        if self.permanent_ml < 0 or self.total_ml < 0:
            raise ExpansionError(
                "negative", "An expansion cannot be less than nothing. Check the zero of the indicator."
            )
        if self.total_ml == 0:
            raise ExpansionError(
                "no_expansion",
                "No expansion at all means that no water reached the indicator. Check the rig, test again.",
            )
        if self.permanent_ml > self.total_ml:
            raise ExpansionError(
                "permanent_over_total",
                f"A permanent expansion of {self.permanent_ml} mL exceeds the total of {self.total_ml} mL. "
                "Were the two figures swapped?",
            )

    @property
    def elastic_ml(self) -> Decimal:
        """Return what came back: total less permanent (49 CFR 180.203)."""
        return self.total_ml - self.permanent_ml

    @property
    def permanent_share(self) -> Fraction:
        """Return the permanent expansion as an exact share of the total."""
        return Fraction(self.permanent_ml) / Fraction(self.total_ml)

    @property
    def percent(self) -> Decimal:
        """Return the permanent expansion in per cent of the total, to four decimals, for display."""
        share = self.permanent_share * 100
        return (Decimal(share.numerator) / Decimal(share.denominator)).quantize(Decimal("0.0001"))


@dataclass(frozen=True, slots=True)
class ExpansionLimit:
    """The largest permanent share that passes, and how the words set its edge.

    ``reaching_fails`` is true where the document condemns *at* the figure, false where only *over* it.
    ``status`` tells how the source was read: PRIMARY, SECONDARY or MEMORY.
    """

    share: Fraction
    reaching_fails: bool
    source: str
    status: str
    needs_elastic_rejection: bool = False

    @property
    def text(self) -> str:
        """Return the limit in words."""
        edge = "below" if self.reaching_fails else "not over"
        return f"permanent expansion {edge} {float(self.share * 100):g} % of the total"


_GENERAL = ExpansionLimit(
    Fraction(10, 100),
    False,
    '49 CFR 180.205(i)(1): condemn when it "exceeds 10 percent" (secondary)',
    "SECONDARY",
)
_BY_SPECIFICATION: dict[str, ExpansionLimit] = {
    "4E": ExpansionLimit(Fraction(12, 100), False, "49 CFR 180.205(i)(1), 4E, from memory", "MEMORY"),
    "3HT": ExpansionLimit(
        Fraction(10, 100),
        False,
        "49 CFR 180.205(i)(1), 3HT, from memory: also by the marked elastic rejection value",
        "MEMORY",
        needs_elastic_rejection=True,
    ),
}
_COMPOSITE = ExpansionLimit(
    Fraction(5, 100), False, "special permits for fibre-wrapped cylinders, from memory", "MEMORY"
)


def expansion_limit(cylinder_spec: str, shell: Shell = Shell.UNKNOWN) -> ExpansionLimit:
    """Return the limit for a cylinder by its stamped specification (``3AA``, ``4E``) or its shell."""
    spec = _family(cylinder_spec)
    if spec in _BY_SPECIFICATION:
        return _BY_SPECIFICATION[spec]
    return _COMPOSITE if shell is Shell.COMPOSITE else _GENERAL


def judge_expansion(
    expansion: Expansion, limit: ExpansionLimit, *, elastic_rejection_ml: Decimal | None = None
) -> Verdict:
    """Judge a volumetric test.

    ``elastic_rejection_ml`` is the rejection elastic expansion marked on the cylinder, where it
    has one. 100 % permanent expansion is not judged: the rig failed, the cylinder was not tested.
    """
    read = (
        f"{expansion.permanent_ml} of {expansion.total_ml} mL permanent, "
        f"{expansion.percent.normalize():f} %, elastic {expansion.elastic_ml} mL"
    )
    if expansion.permanent_share == 1:
        return Verdict(
            None,
            f"{read}: nothing came back, which is how a jacket that passes no water to the scale reads. "
            "Repair the rig, check it against the calibrated cylinder and test again.",
            limit.text,
            "Letter 12-0176 on 49 CFR 180.205",
        )
    over = (
        expansion.permanent_share >= limit.share
        if limit.reaching_fails
        else expansion.permanent_share > limit.share
    )
    if over:
        return Verdict(False, f"{read}: over the limit, condemn.", limit.text, limit.source)
    if elastic_rejection_ml is not None and expansion.elastic_ml > elastic_rejection_ml:
        return Verdict(
            False,
            f"{read}: the elastic expansion is over the marked rejection value of {elastic_rejection_ml} mL, "
            "condemn.",
            f"{limit.text}; elastic not over {elastic_rejection_ml} mL",
            limit.source,
        )
    if elastic_rejection_ml is None and limit.needs_elastic_rejection:
        return Verdict(
            None,
            f"{read}: the share is inside, but this specification is also judged by the rejection value "
            "marked on it. Read it from the shoulder and enter it.",
            limit.text,
            limit.source,
        )
    return Verdict(True, f"{read}: inside.", limit.text, limit.source)


@dataclass(frozen=True, slots=True)
class IndicatorTolerance:
    """How fine the expansion indicator must read; the rule names two figures and not which governs."""

    share_ml: Decimal
    fixed_ml: Decimal
    source: str

    @property
    def larger_ml(self) -> Decimal:
        """Return the looser reading of the rule."""
        return max(self.share_ml, self.fixed_ml)

    @property
    def smaller_ml(self) -> Decimal:
        """Return the stricter reading of the rule."""
        return min(self.share_ml, self.fixed_ml)


def indicator_tolerance(total_ml: Decimal) -> IndicatorTolerance:
    """Return the accuracy asked of the indicator for a total expansion: 1 % of it *or* 0.1 mL."""
    return IndicatorTolerance(total_ml / 100, Decimal("0.1"), "29 CFR 1910.157(f)(15)(i)")


def judge_indicator(resolution_ml: Decimal, *, total_ml: Decimal) -> Verdict:
    """Judge the indicator's accuracy for this cylinder; between the two readings nothing can be told."""
    asked = indicator_tolerance(total_ml)
    text = f"{asked.share_ml.normalize():f} mL (1 % of the total) or {asked.fixed_ml} mL"
    read = f"indicator good to {resolution_ml} mL for {total_ml} mL"
    if resolution_ml <= asked.smaller_ml:
        return Verdict(True, f"{read}: fine enough.", text, asked.source)
    if resolution_ml > asked.larger_ml:
        return Verdict(False, f"{read}: too coarse, use a finer burette or scale.", text, asked.source)
    return Verdict(
        None,
        f"{read}: enough for one reading of the rule and not for the other; it does not say which governs. "
        "The technical manager decides.",
        text,
        asked.source,
    )


SYSTEM_CHECK_SHARE = Fraction(1, 100)


def judge_system_check(*, marked_ml: Decimal, read_ml: Decimal, permanent_ml: Decimal) -> Verdict:
    """Judge the check of the rig against its calibrated cylinder, made before the day's first test.

    The expansion must lie within 1 % of the certified one (from memory), both included; the permanent
    one must be nothing at all: the regulator allows no tolerance on it.
    """
    text = "within 1 % of the certificate, no permanent expansion"
    source = "49 CFR 180.205(g), 1 % from memory; letter 07-0077: none permanent"
    if marked_ml <= 0:
        raise ExpansionError(
            "no_number", "Enter the expansion that the calibrated cylinder's certificate gives."
        )
    read = f"calibrated cylinder {read_ml} mL of {marked_ml} mL certified"
    if permanent_ml != 0:
        return Verdict(
            False,
            f"{read}, {permanent_ml} mL permanent: none is allowed. Find the leak or the air, check again.",
            text,
            source,
        )
    share = abs(Fraction(read_ml) - Fraction(marked_ml)) / Fraction(marked_ml)
    if share > SYSTEM_CHECK_SHARE:
        return Verdict(False, f"{read}: more than 1 % off. Do not test on this rig.", text, source)
    return Verdict(True, f"{read}: the rig is right.", text, source)


@dataclass(frozen=True, slots=True)
class Requirement:
    """A pressure that a rule asks for, how it comes about, and who says so."""

    pressure_kpa: Fraction
    rule: str
    source: str


_FIVE_THIRDS = frozenset({"3A", "3AA", "3AL", "3AX", "3AAX", "3HT", "3T"})
_TWICE = frozenset({"3B", "3BN", "4AA480", "4B", "4BA", "4BW", "4B240ET", "4D", "4DA", "4DS", "4E"})
_TABLE_1 = "49 CFR 180.209, Table 1"


def minimum_test_pressure(cylinder_spec: str, service_kpa: Number) -> Requirement | None:
    """Return the least test pressure of a transport cylinder, or ``None`` for an unknown specification."""
    spec = _family(cylinder_spec)
    service = exact(service_kpa)
    if spec in _FIVE_THIRDS:
        return Requirement(service * Fraction(5, 3), "5/3 of service pressure", _TABLE_1)
    if spec in _TWICE:
        return Requirement(service * 2, "twice service pressure", _TABLE_1)
    if spec == "3":
        psi = Measure(Decimal(3000), UnitOfMeasure.PSI).pressure_kpa
        return Requirement(Fraction(psi), "3000 psi", _TABLE_1)
    return None


CAP_SOURCE = "29 CFR 1910.157(f)(11): factory test pressure, not over twice the service pressure"


def pressure_conflict(
    *, nameplate_test_kpa: Number | None, service_kpa: Number | None, is_high_pressure: bool = False
) -> str | None:
    """Return what is at odds between the plate's test pressure and the rule's cap, or ``None``.

    A 195 psi unit may carry 585 psi on its plate, three times service, while the rule caps the test
    of stored-pressure units at twice service. Which governs is for a person to decide and to write
    down; nothing is chosen here. High-pressure cylinders have no such cap.
    """
    if nameplate_test_kpa is None or service_kpa is None or is_high_pressure:
        return None
    plate, service = exact(nameplate_test_kpa), exact(service_kpa)
    # Plates round when they print two units; half a per cent is no conflict.
    if service <= 0 or plate <= 2 * service * Fraction(1005, 1000):
        return None
    return (
        f"The plate says test at {float(plate) / 100:.2f} bar, {float(plate / service):.2f} times service; "
        f"{CAP_SOURCE}, here {float(2 * service) / 100:.2f} bar. Ask the maker or the authority, then enter "
        "the pressure decided on and by whom."
    )


@dataclass(frozen=True, slots=True)
class Repeat:
    """Whether a test that the rig spoiled may be made again, and at which pressure."""

    is_allowed: bool
    pressure_kpa: Decimal | None
    sentence: str
    source: str = "49 CFR 180.205(g)(5), from memory"


MOST_REPEATS = 2


def repeat_after_rig_failure(first_kpa: Decimal, *, repeats_made: int) -> Repeat:
    """Return how a test is repeated that the equipment, not the cylinder, cut short.

    The pressure rises by 10 % or 100 psi, whichever is less, and at most two repeats are allowed; a
    cylinder that went over its limit is condemned and never tested again.
    """
    if repeats_made >= MOST_REPEATS:
        return Repeat(False, None, "Two repeats were made; the cylinder is condemned or goes to the maker.")
    more = min(first_kpa / 10, Measure(Decimal(100), UnitOfMeasure.PSI).pressure_kpa)
    again = first_kpa + more
    return Repeat(
        True, again, f"Repair the rig, then test at {float(again) / 100:.1f} bar; {repeats_made} of 2 made."
    )


def judge_proof(
    *,
    reached_kpa: Number,
    required_kpa: Number,
    held_s: Number,
    required_hold_s: Number,
    drop_kpa: Number = 0,
    leaked: bool = False,
    deformed: bool = False,
    most_kpa: Number | None = None,
) -> Verdict:
    """Judge a proof test: pressure reached and held, no drop, no leak, no lasting change of shape.

    A pressure or a hold below what is required is no test (``None``, do it again); a drop, a leak or a
    deformation fails the shell. ``most_kpa`` is a pressure that must not be passed; a shell driven over
    it is not passed until a person has judged it.
    """
    source = "29 CFR 1910.157(f)(10)-(14); hold time from the maker or " + PRACTICE
    reached, required, held, hold, drop = (
        exact(one) for one in (reached_kpa, required_kpa, held_s, required_hold_s, drop_kpa)
    )
    text = f"{float(required) / 100:.2f} bar held {float(hold):g} s, no drop, leak or change of shape"
    read = f"{float(reached) / 100:.2f} bar held {float(held):g} s"
    faults = [
        word
        for word, is_so in (
            (f"{float(drop) / 100:.2f} bar lost while held", drop > 0),
            ("it leaked", leaked),
            ("it changed shape", deformed),
        )
        if is_so
    ]
    if faults:
        return Verdict(False, f"{read}: {' and '.join(faults)}. Condemn.", text, source)
    if round(reached) < round(required):
        return Verdict(None, f"{read}: the test pressure was not reached, test again.", text, source)
    if most_kpa is not None and reached > exact(most_kpa):
        return Verdict(
            None,
            f"{read}: over the {float(most_kpa) / 100:.2f} bar that must not be passed. Set it aside for the "
            "technical manager.",
            text,
            source,
        )
    if held < hold:
        return Verdict(None, f"{read}: not held long enough, test again.", text, source)
    return Verdict(True, f"{read}: held.", text, source)


def least_burst_kpa(max_service_kpa: Number) -> Requirement:
    """Return the least burst pressure of a low-pressure body: 2.7 times service or 55 bar, the greater."""
    service = exact(max_service_kpa)
    return Requirement(
        max(service * Fraction(27, 10), Fraction(5500)),
        "2.7 times maximum service pressure, at least 55 bar",
        f"{PRACTICE}; IS 15683 and EN 3-8 from memory",
    )


def _family(cylinder_spec: str) -> str:
    """Return the specification without service pressure: ``DOT-3AA1800`` gives ``3AA``."""
    text = cylinder_spec.upper().replace(" ", "").replace("-", "")
    for prefix in ("DOT", "ICC", "CTC", "TC"):
        text = text.removeprefix(prefix)
    if text in {"3", "4AA480", "4B240ET"}:
        return text
    known = sorted(_FIVE_THIRDS | _TWICE | {"3E", "39"}, key=len, reverse=True)
    return next((spec for spec in known if text.startswith(spec)), text)
