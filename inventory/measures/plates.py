"""What is read off a unit when a site is taken over, fact by fact, and how two readings compare. Pure.

Each fact has an answer: ``read`` with a value, or ``not_readable``, ``not_present``, ``estimated``, which
are answers of their own. An estimate is kept as what it is and never becomes a fact of the register.

The list of facts is common practice, no source (reading the marked full mass off the valve of a unit of
carbon dioxide: makers' service manuals; marks of a nameplate: IMO Resolution A.951(23), section 9).

>>> answer = read_answer("made", {"said": "read", "value": "06/2019"}, today=date(2026, 1, 5))
>>> answer.text, answer.is_read
('06/2019', True)
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import Any

from inventory.measures.kinds import (
    AGENT_LABELS,
    CONSTRUCTION_LABELS,
    SHELL_LABELS,
    Agent,
    Construction,
    Shell,
    Task,
)
from inventory.measures.stamps import Stamp, StampError, read_stamp
from inventory.measures.units import Dimension, MeasureError, dimension_of, read_measure

SHARE_ALIKE = Fraction(3, 100)
"""Two charges or pressures that differ by no more are the same, printed in different units: 2.5 kg and
5.5 lb. Common practice, no source."""


class Said(StrEnum):
    """How a fact was answered."""

    READ = "read"
    NOT_READABLE = "not_readable"
    NOT_PRESENT = "not_present"
    ESTIMATED = "estimated"


SAID_LABELS: Mapping[Said, str] = {
    Said.READ: "Read",
    Said.NOT_READABLE: "Not readable",
    Said.NOT_PRESENT: "Not present",
    Said.ESTIMATED: "Estimated",
}


class Form(StrEnum):
    """What a value looks like."""

    CHOICE = "choice"
    TEXT = "text"
    YES_NO = "yes_no"
    STAMP = "stamp"
    MASS = "mass"
    PRESSURE = "pressure"
    CHARGE = "charge"
    TESTS = "tests"


class Belongs(StrEnum):
    """What a fact is about: its kind is the same on a row of equal units, the rest is its own."""

    KIND = "kind"
    OWN = "own"
    SERVICE = "service"


@dataclass(frozen=True, slots=True)
class Fact:
    """One thing that is read. ``is_asked``: an answer, whichever, is wanted of every unit."""

    code: str
    label: str
    form: Form
    belongs: Belongs
    is_asked: bool = False
    choices: tuple[tuple[str, str], ...] = ()
    hint: str = ""
    task: Task | None = None
    """The work that a date of this fact is evidence of."""


def _choices(labels: Mapping[Any, str]) -> tuple[tuple[str, str], ...]:
    return tuple((str(code), text) for code, text in labels.items() if str(code) != "unknown")


OTHER_AGENT = (Agent.UNKNOWN.value, "Not in this list")
CONDITIONS = (("good", "Good"), ("worn", "Worn, still fit"), ("bad", "Not fit"))

FACTS: Mapping[str, Fact] = {
    fact.code: fact
    for fact in (
        Fact("agent", "Agent", Form.CHOICE, Belongs.KIND, True, (*_choices(AGENT_LABELS), OTHER_AGENT)),
        Fact("agent_text", "Agent as printed", Form.TEXT, Belongs.KIND, hint="If the list has no word."),
        Fact("charge", "Charge", Form.CHARGE, Belongs.KIND, True, hint="As printed: 6 kg, 10 lb, 9 L."),
        Fact(
            "construction", "Driven by", Form.CHOICE, Belongs.KIND, True, _choices(CONSTRUCTION_LABELS)
        ),
        Fact("maker", "Maker", Form.TEXT, Belongs.KIND),
        Fact("shell", "Shell", Form.CHOICE, Belongs.KIND, False, _choices(SHELL_LABELS)),
        Fact("refillable", "Rechargeable", Form.YES_NO, Belongs.KIND),
        Fact("wheeled", "On wheels", Form.YES_NO, Belongs.KIND),
        Fact("rating", "Fire rating", Form.TEXT, Belongs.KIND),
        Fact("approval", "Approval mark", Form.TEXT, Belongs.KIND),
        Fact("working_pressure", "Working pressure", Form.PRESSURE, Belongs.KIND, hint="With its unit."),
        Fact("test_pressure", "Test pressure", Form.PRESSURE, Belongs.KIND, hint="With its unit."),
        Fact("serial", "Serial", Form.TEXT, Belongs.OWN, True),
        Fact("made", "Made", Form.STAMP, Belongs.OWN, True, hint="Month and year as marked: 06/2019."),
        Fact(
            "tests", "Stamped tests", Form.TESTS, Belongs.OWN, hint="Dates stamped in the shell, and whose.",
            task=Task.HYDROSTATIC_TEST,
        ),
        Fact("full_mass", "Full mass", Form.MASS, Belongs.OWN, hint="As marked, with its unit."),
        Fact("empty_mass", "Empty mass", Form.MASS, Belongs.OWN, hint="As stamped, with its unit."),
        Fact(
            "last_service", "Last service tag", Form.STAMP, Belongs.SERVICE, hint="The newest date on it.",
            task=Task.MAINTENANCE,
        ),
        Fact(
            "internal_label", "Label of the internal examination", Form.STAMP, Belongs.SERVICE,
            task=Task.INTERNAL_EXAMINATION,
        ),
        Fact(
            "test_label", "Label of the pressure test", Form.STAMP, Belongs.SERVICE,
            task=Task.HYDROSTATIC_TEST,
        ),
        Fact("collar", "Collar on the neck", Form.STAMP, Belongs.SERVICE, hint="Its month and year."),
        Fact("condition", "Condition", Form.CHOICE, Belongs.OWN, True, CONDITIONS),
    )
}  # fmt: skip


class AnswerError(ValueError):
    """An answer that cannot be; names the fact and says what to do."""

    def __init__(self, code: str, sentence: str) -> None:
        super().__init__(sentence)
        self.code, self.sentence = code, sentence


@dataclass(frozen=True, slots=True)
class StampedTest:
    """One test date stamped in the shell, with the mark of who tested."""

    mark: str
    tester: str
    stamp: Stamp


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to one fact. ``value`` is comparable: see ``same``; None unless it was read."""

    code: str
    said: Said
    text: str = ""
    value: object = None
    tests: tuple[StampedTest, ...] = ()

    @property
    def is_read(self) -> bool:
        """Whether it states a fact."""
        return self.said is Said.READ

    @property
    def words(self) -> str:
        """As people read it."""
        if self.said is Said.READ:
            return shown(self.code, self.text) or self.text
        if self.said is Said.ESTIMATED and self.text:
            return f"estimated {shown(self.code, self.text) or self.text}"
        return SAID_LABELS[self.said].lower()


def shown(code: str, text: str) -> str:
    """A stored value of a fact in words."""
    fact = FACTS[code]
    if fact.form is Form.YES_NO:
        return {"yes": "Yes", "no": "No"}.get(text, text)
    return dict(fact.choices).get(text, text)


def read_answer(code: str, given: Mapping[str, Any], *, today: date) -> Answer:
    """Check one answer and return it with a value that can be compared.

    ``given`` holds ``said``, and ``value`` or, for stamped tests, ``marks`` (each ``mark`` and
    ``tester``). Raises ``AnswerError``.
    """
    fact = FACTS.get(code)
    if fact is None:
        raise AnswerError(code, f"{code!r} is not a fact that is read. Choose one of {', '.join(FACTS)}.")
    try:
        said = Said(str(given.get("said", "")))
    except ValueError:
        raise AnswerError(code, f"{fact.label}: say whether it was read, or why not.") from None
    text = str(given.get("value") or "").strip()
    if said in (Said.NOT_READABLE, Said.NOT_PRESENT):
        return Answer(code, said)
    if fact.form is Form.TESTS:
        return _read_tests(fact, said, given, today)
    if not text:
        raise AnswerError(code, f"{fact.label}: nothing was given. Enter it, or say that it cannot be read.")
    return Answer(code, said, text[:120], _value(fact, text, today) if said is Said.READ else None)


def _read_tests(fact: Fact, said: Said, given: Mapping[str, Any], today: date) -> Answer:
    tests = tuple(
        StampedTest(mark, str(one.get("tester") or "").strip()[:40], _stamp(fact, mark, today))
        for one in given.get("marks") or ()
        if (mark := str(one.get("mark") or "").strip())
    )
    if not tests:
        raise AnswerError(fact.code, f"{fact.label}: no date was given. Enter it, or say why there is none.")
    text = "; ".join(f"{one.mark} {one.tester}".strip() for one in tests)
    latest = max(tests, key=lambda one: one.stamp.last or date.min)
    return Answer(fact.code, said, text, latest.stamp if said is Said.READ else None, tests)


def _value(fact: Fact, text: str, today: date) -> object:
    match fact.form:
        case Form.CHOICE | Form.YES_NO:
            known = [code for code, _ in fact.choices] or ["yes", "no"]
            if text not in known:
                raise AnswerError(fact.code, f"{fact.label}: choose one of {', '.join(known)}.")
            return text
        case Form.STAMP:
            return _stamp(fact, text, today)
        case Form.MASS | Form.PRESSURE:
            return measured(fact.code, text)
        case Form.CHARGE:
            return charge_of(text) or plain(text)
        case _:
            return plain(text)


def _stamp(fact: Fact, text: str, today: date) -> Stamp:
    try:
        return read_stamp(text, today=today).stamp
    except StampError as error:
        raise AnswerError(fact.code, f"{fact.label}: {error}") from error


def measured(code: str, text: str) -> tuple[Dimension, Fraction]:
    """A mass in g or a pressure in kPa as written with its unit; raises ``AnswerError``."""
    fact = FACTS[code]
    dimension = Dimension.MASS if fact.form is Form.MASS else Dimension.PRESSURE
    try:
        measure = read_measure(text, dimensions=(dimension,)).measure
    except MeasureError as error:
        raise AnswerError(code, f"{fact.label}: {error}") from error
    return dimension, Fraction(measure.canonical)


def charge_of(text: str) -> tuple[Dimension, Fraction] | None:
    """A charge in g or mL, where the text tells a mass or a volume; None otherwise."""
    try:
        measure = read_measure(text, dimensions=(Dimension.MASS, Dimension.VOLUME)).measure
    except MeasureError:
        return None
    return dimension_of(measure.unit), Fraction(measure.canonical)


def plain(text: str) -> str:
    """A text without case, blanks and dashes, for telling whether two say the same."""
    return re.sub(r"[\s._/-]+", "", text).casefold()


def same(one: object, other: object) -> bool:
    """Whether two values of a fact tell the same; a coarser date that holds the finer one does."""
    if isinstance(one, Stamp) and isinstance(other, Stamp):
        if one.first is None or one.last is None or other.first is None or other.last is None:
            return one.is_known == other.is_known
        return one.first <= other.last and other.first <= one.last
    if isinstance(one, tuple) and isinstance(other, tuple):
        (of_one, a), (of_other, b) = one, other
        return bool(of_one == of_other and abs(a - b) <= SHARE_ALIKE * max(a, b))
    return one == other


def sharper(one: Stamp, other: Stamp) -> bool:
    """Whether ``one`` tells the date more closely than ``other``."""
    if one.first is None or one.last is None or other.first is None or other.last is None:
        return one.is_known and not other.is_known
    return (one.last - one.first) < (other.last - other.first)


# --- what has to go --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Removal:
    """Why a unit is listed for removal, and on whose word."""

    reason: str
    source: str


_OSHA = "29 CFR 1910.157"
_PRACTICE = "common practice, no source"


def removals(values: Mapping[str, object]) -> tuple[Removal, ...]:
    """Why a unit with these read values (by code of the fact) is of an obsolete or forbidden type.

    ``values`` may hold ``agent``, ``construction``, ``shell``, ``refillable`` as codes, ``made`` as a
    ``Stamp``, ``agent_text`` as free text. What was not read gives no reason.
    """
    text = plain(str(values.get("agent_text") or ""))
    found = [
        Removal(f"Filled with {name}: not allowed in a workplace.", f"{_OSHA}(c)(3)")
        for name in ("carbon tetrachloride", "chlorobromomethane")
        if plain(name) in text
    ]
    agent, construction, shell = (values.get(name) for name in ("agent", "construction", "shell"))
    is_inverted = construction == Construction.INVERTING or agent in (Agent.SODA_ACID, Agent.CHEMICAL_FOAM)
    if is_inverted and shell == Shell.SOLDERED_BRASS:
        found.append(
            Removal("Soldered or riveted shell, worked by inverting: to be out of service.", f"{_OSHA}(c)(5)")
        )
    elif is_inverted:
        found.append(
            Removal(
                "Worked by inverting, or soda acid or chemical foam: an obsolete type. Out of service by law "
                f"where the shell is soldered or riveted ({_OSHA}(c)(5)); the shell is to be looked at.",
                _PRACTICE,
            )
        )
    elif shell == Shell.SOLDERED_BRASS:
        found.append(Removal("Soldered or riveted shell: an obsolete type.", _PRACTICE))
    if agent in (Agent.HALON_1211, Agent.HALON_1301):
        found.append(
            Removal("Halon: allowed for few uses in many places. Confirm the use, or replace it.", _PRACTICE)
        )
    return tuple(found)


def kilo(grams: int | Decimal) -> str:
    """Grams as kilograms in words."""
    return f"{Decimal(grams) / 1000:.3f}".rstrip("0").rstrip(".") + " kg"
