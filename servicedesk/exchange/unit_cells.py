"""The cells of a row that tell about the unit: what it is, what it holds, and what was done to it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, timedelta
from decimal import Decimal
from functools import lru_cache, partial
from typing import Any
from zoneinfo import ZoneInfo

from inventory.measures.kinds import (
    AGENT_LABELS,
    CONSTRUCTION_LABELS,
    ENVIRONMENT_LABELS,
    SHELL_LABELS,
    Agent,
    Construction,
    Environment,
    Shell,
    TestMethod,
)
from inventory.measures.stamps import OLDEST_TWO_DIGIT_YEAR, Precision, Stamp, StampError, read_stamp
from inventory.measures.units import Dimension, Measure, MeasureError, read_measure
from servicedesk.exchange.findings import split_remedy
from servicedesk.exchange.headings import spoken
from servicedesk.exchange.saying import DATES, MEASURES, Said, Teller
from servicedesk.exchange.words import ambiguous_agents, is_unknown, kinds, plain, unit_words, words_of
from servicedesk.exchange.workbook import Figure

# Where a whole day is usual, a coarser date is worth a note; shells and test marks tell months.
_DAY_EXPECTED = frozenset(
    {"installed", "last_maintenance", "last_recharge", "last_visual_inspection", "last_weighing"}
)

# ISO 7165:2017 calls a unit portable up to 20 kg, 25 kg where accepted; a larger charge stands on wheels.
_LARGEST_PORTABLE_CHARGE = 25_000

_NUMBER_ALONE = re.compile(r"\d[\d.,]*(?:\s*[¼½¾]|\s+\d/\d)?", re.ASCII)

_NO_DATE = Stamp.unknown()

# Doubts that already say that a date is coarser than a day.
# What a reader says of a date whether or not it knows a day before which it cannot lie.
_WHATEVER_BOUND = frozenset({"two_digit_year", "order_contradicts", "month_only", "year_only"})
_COARSE_SAID = frozenset({"day_month_order", "week", "span", "part_of_year"})

_ISO_DAY = re.compile(r"(?P<year>\d{4})-(?P<month>\d{2})-(?P<day>\d{2})", re.ASCII)

# Day 1950 to day 2100 of a spreadsheet: a year that was shown as a date.
_YEAR_AS_DAY = re.compile(r"1905-0(?:5-(?:0[3-9]|[12]\d|3[01])|[67]-\d\d|8-(?:[01]\d|2\d|30))")


@lru_cache(maxsize=5_000)
def _base(measure: Measure) -> Decimal:
    return measure.canonical


class UnitCells(Teller):
    """Reads what a row says of its unit."""

    def _name(self, field: str) -> str:
        text = self.cells.get(field, "")
        return "" if is_unknown(text) else text

    def _serial(self) -> str:
        text = self.cells.get("serial", "")
        if is_unknown(text):
            self._doubt(
                "serial",
                "no_serial",
                "No serial can be read; the unit is known by its label alone."
                if text
                else "There is no serial; the unit is known by its label alone.",
                "Read it from the shell at the next visit.",
                becomes="no serial",
            )
            return ""
        if "E+" in text.upper() and re.fullmatch(r"\d(?:[.,]\d+)?E\+\d+", text, re.ASCII | re.IGNORECASE):
            self._doubt(
                "serial",
                "mangled_serial",
                f'The serial "{text}" was rounded by a spreadsheet; its last figures are lost.',
                "Format the column as text and enter the serial again.",
                becomes=text,
            )
        return text

    def _coded(self, field: str, section: str, labels: Mapping[Any, str], code: str) -> str:
        """Return the code of a word, "" when the cell does not say; refuse a word nobody knows."""
        text = self.cells.get(field, "")
        if is_unknown(text):
            return ""
        known = words_of(section).get(plain(text))
        if known is None:
            choices = ", ".join(label for key, label in labels.items() if key.value != "unknown")
            self._refuse(
                field,
                code,
                f'"{text}" is no {spoken(field)} known here.',
                f'Write one of {choices}, or "unknown".',
            )
            return ""
        return known

    def _agent(self) -> tuple[Agent, Construction | None]:
        """Return the agent, and the construction when the same words name it."""
        text = self.cells.get("agent", "")
        return self._once(
            ("agent", text, self.raw.get("agent", "")),
            lambda: self._read_agent(text),
            lambda both: AGENT_LABELS[both[0]],
        )

    def _read_agent(self, text: str) -> tuple[Agent, Construction | None]:
        words = plain(text)
        if is_unknown(text):
            self._doubt(
                "agent",
                "missing_agent",
                "The agent is not known; no rule that asks for it can be met.",
                "Read it from the nameplate.",
            )
            return Agent.UNKNOWN, None
        if words in kinds():
            return kinds()[words]
        if words in ambiguous_agents():
            choices = " or ".join(AGENT_LABELS[agent] for agent in ambiguous_agents()[words])
            self._doubt(
                "agent",
                "ambiguous_agent",
                f'"{text}" can be {choices}; the agent stays unknown until someone says which.',
                "Read it from the nameplate and write the full name.",
            )
            return Agent.UNKNOWN, None
        known = self._coded("agent", "agents", AGENT_LABELS, "unknown_agent")
        return Agent(known) if known else Agent.UNKNOWN, None

    def _construction(self, agent: Agent, implied: Construction | None) -> Construction:
        key = (
            "construction",
            self.cells.get("construction", ""),
            agent,
            implied,
            self.cells.get("agent", ""),
        )
        return self._once(
            key,
            lambda: self._read_construction(agent, implied),
            lambda found: CONSTRUCTION_LABELS[found],
        )

    def _read_construction(self, agent: Agent, implied: Construction | None) -> Construction:
        known = self._coded("construction", "constructions", CONSTRUCTION_LABELS, "unknown_construction")
        if known:
            if implied is not None and implied.value != known:
                self._doubt(
                    "construction",
                    "construction_conflict",
                    f'"{self.cells["agent"]}" says {CONSTRUCTION_LABELS[implied].lower()}, this cell says '
                    f"{CONSTRUCTION_LABELS[Construction(known)].lower()}; this cell was taken.",
                    "Read it from the nameplate.",
                )
            return Construction(known)
        if implied is not None:
            return implied
        if agent is Agent.CARBON_DIOXIDE:
            return Construction.SELF_EXPELLING  # its own pressure drives it out; there is no other way
        if is_unknown(self.cells.get("construction", "")):
            self._doubt(
                "construction",
                "missing_construction",
                "It is not known how the agent is driven out.",
                'Write "stored pressure", "cartridge" or another construction.',
            )
        return Construction.UNKNOWN

    def _shell(self) -> Shell:
        key = ("shell", self.cells.get("shell", ""))
        return self._once(key, self._read_shell, lambda shell: SHELL_LABELS[shell])

    def _read_shell(self) -> Shell:
        known = self._coded("shell", "shells", SHELL_LABELS, "unknown_shell")
        if not known:
            text = self.cells.get("shell", "")
            if is_unknown(text):
                self._doubt(
                    "shell",
                    "missing_shell",
                    "It is not known what the shell is made of; the shortest interval may apply.",
                    "Read it from the nameplate, or try a magnet.",
                )
            return Shell.UNKNOWN
        return Shell(known)

    def _environment(self) -> Environment:
        text = self.cells.get("environment", "")
        if not text:
            return Environment.NORMAL
        return self._once(
            ("environment", text),
            lambda: self._read_environment(text),
            lambda found: ENVIRONMENT_LABELS[found],
        )

    def _read_environment(self, text: str) -> Environment:
        known = words_of("environments").get(plain(text))
        if known is None:
            choices = ", ".join(ENVIRONMENT_LABELS[code] for code in Environment if code.value != "unknown")
            self._doubt(
                "environment",
                "unknown_environment",
                f'"{text}" is no surroundings known here; they stay unknown.',
                f"Write one of {choices}.",
            )
            return Environment.UNKNOWN
        return Environment(known)

    def _with_unit(self, field: str) -> str:
        """Return the cell with the unit that its heading or a person told, when it has none."""
        text = self.cells.get(field, "")
        unit = self.told.units.get(field) or self.columns.units.get(field, "")
        if unit and _NUMBER_ALONE.fullmatch(text):
            return f"{text} {unit}"
        return text

    def _measure(self, field: str) -> Measure | None:
        if not self.cells.get(field):
            return None
        text = self._with_unit(field)
        comma = False if isinstance(self.cells[field], Figure) else self.decimal_comma
        return self._once(
            (field, text, comma, self.raw.get(field, "")),
            lambda: self._read_measure(field, text, comma),
            lambda measure: "left out" if measure is None else str(measure),
        )

    def _read_measure(self, field: str, text: str, comma: bool | None) -> Measure | None:
        if is_unknown(text):
            return None
        dimensions, lowest, highest = MEASURES[field]
        try:
            figure, _, unit = text.rpartition(" ")
            known = unit_words().get(unit.lower())
            read = f"{figure} {known}" if known else text
            reading = read_measure(read, dimensions=dimensions, decimal_comma=comma)
        except MeasureError as error:
            sentence, remedy = split_remedy(error.sentence)
            self._doubt(field, error.code, f"{sentence} It was left out.", remedy)
            return None
        for code, doubt in zip(reading.codes, reading.doubts, strict=True):
            self._doubt(field, code, *split_remedy(doubt))
        if not lowest <= reading.measure.canonical <= highest:
            self._doubt(
                field,
                "implausible",
                f'"{text}" is no {spoken(field)} that an extinguisher has; it was left out.',
                "Check the figure and its unit.",
            )
            return None
        return reading.measure

    def _pressures(self) -> tuple[Measure | None, Measure | None]:
        working, test = self._measure("working_pressure"), self._measure("test_pressure")
        if working is not None and test is not None and _base(test) < _base(working):
            self._doubt(
                "test_pressure",
                "test_below_working",
                f"A test pressure of {test} lies below the working pressure of {working}; it was not taken.",
                "Read both from the nameplate.",
                becomes="left out",
            )
            return working, None
        return working, test

    def _full_mass(self, charge: Measure | None) -> Measure | None:
        full = self._measure("full_mass")
        if full is None or charge is None or charge.dimension is not Dimension.MASS:
            return full
        if _base(full) <= _base(charge):
            self._doubt(
                "full_mass",
                "full_below_charge",
                f"A full mass of {full} is no more than the charge of {charge}; it was left out.",
                "Read the gross mass from the nameplate, with its unit.",
                becomes="left out",
            )
            return None
        return full

    def _yes_no(self, field: str) -> bool | None:
        text = self.cells.get(field, "")
        known = words_of("yes_no").get(plain(text)) if text else None
        if known is None and not is_unknown(text):
            self._doubt(
                field,
                "not_yes_or_no",
                f'"{text}" is neither yes nor no; it stays unknown.',
                'Write "yes" or "no".',
                becomes="unknown",
            )
        return None if known is None else known == "yes"

    def _is_wheeled(self, charge: Measure | None) -> bool:
        told = self._yes_no("wheeled")
        if told is None and charge is not None and _base(charge) > _LARGEST_PORTABLE_CHARGE:
            self._doubt(
                "wheeled",
                "read_as_wheeled",
                f"A charge of {charge} is no hand unit; it was read as wheeled.",
                'Write "yes" or "no".',
                becomes="wheeled",
            )
            return True
        return told is True

    def _today(self, zone: ZoneInfo) -> date:
        known = self.todays.get(zone.key)
        if known is None:
            known = self.todays[zone.key] = self.now.astimezone(zone).date()
        return known

    def _dates(self, today: date) -> dict[str, Stamp]:
        country = words_of("countries").get(plain(self.cells.get("country", "")), "")
        order = self.order.get(country, self.order.get(""))
        found: dict[str, Stamp] = {}
        made = _NO_DATE
        for field in DATES:
            text = self.cells.get(field, "")
            if not text and field != "made":
                found[field] = _NO_DATE
                continue
            # Read without a bound first: that is the same for all units of a file, and mostly all there is.
            stamp, said = self._looked_up(
                (field, text, today, None, order),
                partial(self._date, field, text, today, _NO_DATE, order),
                str,
            )
            if made.first is not None and not _holds_after(made.first, stamp, said):
                stamp, said = self._looked_up(
                    (field, text, today, made, order),
                    partial(self._date, field, text, today, made, order),
                    str,
                )
            self._say_again(said)
            found[field] = stamp
            if field == "made":
                made = stamp
        return found

    def _date(self, field: str, text: str, today: date, made: Stamp, order: bool | None) -> Stamp:
        text = self._mended(field, text, today)
        typed = self._as_typed(field, text)
        if typed != text:
            text, order = typed, self.told.day_first
        if _YEAR_AS_DAY.fullmatch(text):
            number = (date.fromisoformat(text) - date(1899, 12, 30)).days
            self._doubt(
                field,
                "year_as_day",
                f'"{text}" is what a spreadsheet makes of the number {number} shown as a date; it stays '
                "unknown.",
                f"Write {number} as a year if that was meant.",
            )
            return Stamp.unknown(text)
        try:
            reading = read_stamp(text, today=today, not_before=made.first, day_first=order)
        except StampError as error:
            sentence, remedy = split_remedy(error.sentence)
            code = error.code
            if code == "before_bound":
                code = "before_manufacture"
                sentence = f'"{text}" lies before the manufacture of the unit ({made}).'
            self._refuse(field, code, sentence, remedy)
            return Stamp.unknown(text)
        for code, doubt in zip(reading.codes, reading.doubts, strict=True):
            self._doubt(field, code, *split_remedy(doubt))
        stamp = reading.stamp
        if not stamp.is_known:
            if field == "made" and not reading.codes:
                self._doubt(
                    field,
                    "missing_date",
                    "The manufacture date is not known, so what counts from it is due now.",
                    "Read it from the shell, the nameplate or an old test mark.",
                )
            elif text and not reading.codes:
                self._doubt(
                    field,
                    "unknown_date",
                    f'"{text}" tells no date, so what counts from it is due now.',
                    "Look for a label, a collar or the owner's papers.",
                )
        elif stamp.precision is not Precision.DAY and not _COARSE_SAID.intersection(reading.codes):
            coarse = stamp.precision is not Precision.MONTH
            if coarse or field in _DAY_EXPECTED:
                told = stamp.precision.value
                self._doubt(
                    field,
                    f"{told}_only",
                    f'"{text}" tells the {told} only; it is kept so, and its first day counts.',
                    "Give the day if it is known." if not coarse else "Give the month if it is known.",
                )
        return stamp

    def _as_typed(self, field: str, text: str) -> str:
        """Return a day that a spreadsheet may have got by exchanging day and month as it was typed."""
        kind = self.exchanged.get(field)
        match = _ISO_DAY.fullmatch(text) if kind else None
        if match is None or int(match["day"]) > 12:
            return text
        first, second = ("month", "day") if kind == "day" else ("day", "month")
        return f"{match[first]}/{match[second]}/{match['year']}"

    def _mended(self, field: str, text: str, today: date) -> str:
        """Return a date that a spreadsheet took for a number as it was typed."""
        if isinstance(text, Figure) and re.fullmatch(r"(?:0?[1-9]|1[0-2])\.(?:20\d|\d)", text, re.ASCII):
            mended = f"{text}0"
            self._doubt(
                field,
                "number_as_date",
                f'"{text}" is a number that lost its last zero; it was read as {mended}.',
                f"Write {mended} as text.",
            )
            return mended
        if re.fullmatch(r"\d{4,5}\.0", text, re.ASCII):
            self._doubt(
                field,
                "number_as_date",
                f'"{text}" is a number with a fraction of nothing; it was read as {text[:-2]}.',
                f"Write {text[:-2]}.",
            )
            return text[:-2]
        if self.table.is_1904 and re.fullmatch(r"\d{5}(?:\.\d+)?", text, re.ASCII):
            day = date(1904, 1, 1) + timedelta(days=int(text[:5]))
            if date(1950, 1, 1) <= day <= today:
                self._doubt(
                    field,
                    "spreadsheet_serial",
                    f'"{text}" was read as a day number of the calendar of 1904 that this workbook keeps, '
                    f"that is {day.isoformat()}.",
                    "Format the column as a date and check it.",
                )
                return day.isoformat()
        return text

    def _test_method(self, tested: Stamp) -> TestMethod:
        text = self.cells.get("hydrostatic_test_method", "")
        known = words_of("test_methods").get(plain(text)) if text else None
        if known is None and not is_unknown(text):
            self._doubt(
                "hydrostatic_test_method",
                "unknown_method",
                f'"{text}" is no method of test known here; it stays unknown.',
                "Write one of proof pressure, water jacket, direct expansion or ultrasonic.",
                becomes="unknown",
            )
        if known and not (tested.is_known or tested.raw):
            self._doubt(
                "hydrostatic_test_method",
                "method_without_test",
                "A method of test is given but no date of a test; it was left out.",
                "Give the date of the test.",
                becomes="left out",
            )
            return TestMethod.UNKNOWN
        return TestMethod(known) if known else TestMethod.UNKNOWN

    def _state(self) -> str:
        text = self.cells.get("unit_state", "")
        return self._once(("state", text), lambda: self._read_state(text)) if text else ""

    def _read_state(self, text: str) -> str:
        if is_unknown(text) and plain(text) not in words_of("unit_states"):
            return ""
        known = words_of("unit_states").get(plain(text))
        if known is None:
            self._doubt(
                "unit_state",
                "unknown_state",
                f'"{text}" is no state of a unit known here; the unit is taken as in service.',
                'Write "in service", "in stock", "withdrawn" or another state.',
                becomes="in service",
            )
            return ""
        if known != "in_service":
            self._doubt(
                "unit_state",
                "not_in_service",
                f'"{text}" says that the unit is not in service ({known.replace("_", " ")}).',
                "Look whether it still hangs.",
                becomes=known.replace("_", " "),
            )
        return known


def _holds_after(bound: date, stamp: Stamp, said: tuple[Said, ...]) -> bool:
    """Whether a date that was read without a bound is read the same with nothing before ``bound`` possible.

    A bound refuses what lies before it, and settles what can be read in several ways: two figures of a
    year can mean another one only where the bound lies before those that are believed without it.
    """
    if stamp.last is None:
        return all(one[2] == "unknown_date" for one in said)
    return (
        stamp.last >= bound
        and bound.year >= OLDEST_TWO_DIGIT_YEAR
        and all(one[2] in _WHATEVER_BOUND for one in said)
    )
