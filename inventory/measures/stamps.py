"""Dates as they are read off a shell, a label, a tag or somebody's spreadsheet.

A ``Stamp`` holds what is known and no more: a month-only mark stays month-precise, a year-only
mark year-precise, and an unreadable one is unknown, which is a value of its own and never fine.
The text it was read from stays with it. ``read_stamp`` turns the forms the trade writes into a
stamp, tells every doubt as a sentence, and raises ``StampError`` for what cannot be true.

>>> read_stamp("JUN-2021", today=date(2026, 11, 25)).stamp.first
datetime.date(2021, 6, 1)
>>> str(read_stamp("03 A123 97", today=date(2026, 11, 25)).stamp)
'1997-03'
"""

from __future__ import annotations

import re
import unicodedata
from calendar import monthrange
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import StrEnum
from typing import Self


class Precision(StrEnum):
    """How finely a stamp tells its date."""

    DAY = "day"
    MONTH = "month"
    QUARTER = "quarter"
    YEAR = "year"
    UNKNOWN = "unknown"


# Two-digit years reach back no further than this when the caller sets no bound of its own.
# Common practice, no source: shells older than this are barred from service in any case.
OLDEST_TWO_DIGIT_YEAR = 1950

# A four-digit year below this is a slip of the pen, whatever the bound. Common practice, no source.
OLDEST_YEAR = 1900

# Longer texts are no dates; what is kept of them is cut here.
_RAW_LENGTH = 60


class StampError(ValueError):
    """A text that cannot be the date of an extinguisher.

    ``code`` is one of ``unreadable``, ``impossible``, ``future``, ``before_bound``, ``too_early``
    or ``promise``; ``found`` is the text; ``sentence`` says what is wrong and what to do.
    """

    def __init__(self, code: str, found: str, sentence: str) -> None:
        super().__init__(sentence)
        self.code = code
        self.found = found
        self.sentence = sentence


@dataclass(frozen=True, slots=True)
class Stamp:
    """A date with its precision: the civil days from ``first`` to ``last``, both included.

    An unknown stamp has neither. ``raw`` is the text it was read from; two stamps that tell the
    same date are equal whatever text told it.
    """

    first: date | None
    last: date | None
    precision: Precision
    raw: str = field(default="", compare=False)

    def __post_init__(self) -> None:
        if self.precision is Precision.UNKNOWN:
            if self.first is not None or self.last is not None:
                raise ValueError("An unknown stamp has no dates.")
            return
        if self.first is None or self.last is None:
            raise ValueError(f"A stamp of {self.precision.value} precision needs a first and a last day.")
        if (self.first, self.last) != _span(self.first, self.precision):
            raise ValueError(f"{self.first} to {self.last} is not one {self.precision.value}.")

    @classmethod
    def of(cls, year: int, month: int | None = None, day: int | None = None, raw: str = "") -> Self:
        """Return the stamp of a year, a month of a year, or a day.

        Raises ``ValueError`` if the date does not exist or a day comes without a month.
        """
        if month is None:
            if day is not None:
                raise ValueError("A day needs a month.")
            return cls(*_span(date(year, 1, 1), Precision.YEAR), Precision.YEAR, raw)
        if day is None:
            return cls(*_span(date(year, month, 1), Precision.MONTH), Precision.MONTH, raw)
        return cls.on(date(year, month, day), raw)

    @classmethod
    def on(cls, day: date, raw: str = "") -> Self:
        """Return the stamp of one known day."""
        return cls(day, day, Precision.DAY, raw)

    @classmethod
    def quarter(cls, year: int, q: int, raw: str = "") -> Self:
        """Return the stamp of a calendar quarter, ``q`` from 1 to 4."""
        if q not in (1, 2, 3, 4):
            raise ValueError(f"There is no quarter {q}; quarters run from 1 to 4.")
        return cls(*_span(date(year, 3 * q - 2, 1), Precision.QUARTER), Precision.QUARTER, raw)

    @classmethod
    def unknown(cls, raw: str = "") -> Self:
        """Return the stamp of a date nobody knows."""
        return cls(None, None, Precision.UNKNOWN, raw)

    @classmethod
    def from_stored(cls, first: date | None, last: date | None, precision: str, raw: str = "") -> Self:
        """Return the stamp that was stored as its days, its precision and its text.

        Raises ``ValueError`` if they do not belong together.
        """
        return cls(first, last, Precision(precision), raw)

    @property
    def is_known(self) -> bool:
        """Return whether the stamp tells any date at all."""
        return self.precision is not Precision.UNKNOWN

    def __str__(self) -> str:
        if self.first is None:
            return "unknown"
        if self.precision is Precision.DAY:
            return self.first.isoformat()
        if self.precision is Precision.MONTH:
            return f"{self.first:%Y-%m}"
        if self.precision is Precision.QUARTER:
            return f"Q{(self.first.month + 2) // 3} {self.first.year}"
        return f"{self.first.year}"


@dataclass(frozen=True, slots=True)
class StampReading:
    """What was read, and every doubt about it: a sentence each, with what to do.

    ``codes`` names the doubts for machines, in the same order.
    """

    stamp: Stamp
    doubts: tuple[str, ...] = ()
    codes: tuple[str, ...] = ()


def read_stamp(
    raw: str,
    *,
    today: date,
    not_before: date | None = None,
    day_first: bool | None = None,
) -> StampReading:
    """Return the date written in ``raw``, as precise as the text and no more.

    ``today`` is the civil date at the site; nothing later is believed. ``not_before`` is the
    earliest day the date can have, for instance the manufacture of the shell. ``day_first``
    settles 03/04/2021: true for 3 April, false for 4 March, ``None`` when the file gave no
    evidence. Without evidence such a text becomes the **earlier month**, month-precise, with a
    doubt: a due date counted from it is never later than the truth.

    Two-digit years are read inside a window: never in the future, never before ``not_before``
    (1950 without one). The one reading that survives is taken with a doubt; if two survive the
    stamp is unknown and the doubt asks. Blank, ``?``, ``n/a``, ``unknown``, ``not readable`` and
    the like give an unknown stamp, and so does, with a doubt, what only sets a bound
    (``before 2015``) and what spreadsheets show for no date (``1900-01-00``).

    A week, a half-year or a season is kept as the month or year that holds its begin, a span as its
    begin, each with a doubt. Month names are known in English, German, French, Spanish, Italian,
    Portuguese and Dutch; all forms of ISO 8601 for a day, month, week, ordinal day and year are.

    Raises ``StampError`` for a text that is no date, a day that does not exist, a date after
    ``today``, one before ``not_before``, a year before 1900, or a promise (``due 06/2027``).

    Source of the mark form "month, tester, year": 49 CFR 180.213(d), from memory. The other
    forms are common practice, no source.
    """
    kept = " ".join(raw.split())[:_RAW_LENGTH]
    text = _plain(raw)
    if text.strip("?!.-_/\\*# ") in _UNKNOWN_WORDS:
        return StampReading(Stamp.unknown(kept))
    if len(text) > _RAW_LENGTH:
        raise _unreadable(kept)
    return _Reader(kept, text, today, not_before, day_first).read()


_UNKNOWN_WORDS = frozenset(
    {
        *(
            "",
            "?",
            "n/a",
            "na",
            "n.a",
            "none",
            "nil",
            "null",
            "nan",
            "never",
            "unknown",
            "unk",
            "u/k",
            "not known",
        ),
        *("x", "xx", "xxx", "tbc", "tbd", "tba", "no date", "missing", "not found"),
        *("not readable", "unreadable", "not legible", "illegible", "painted", "painted over", "overpainted"),
        *("no stamp", "no mark", "no label", "no plate", "not stamped", "not marked", "plate gone"),
        *("worn", "worn off"),
        # What spreadsheets and databases write for no date.
        *("0", "0000", "00/00/0000", "0000-00-00"),
    }
)

_MONTH_NAMES = (
    "january", "february", "march", "april", "may", "june",
    "july", "august", "september", "october", "november", "december",
)  # fmt: skip
# Names and usual short forms in English, German, French, Spanish, Italian, Portuguese and Dutch, without
# accents. From memory; none of them names two months.
_MONTHS = {
    word: number
    for number, words in enumerate(
        (
            "january jan januar jaenner janner janvier janv enero ene gennaio gen janeiro januari",
            "february feb febr februar feber fevrier fevr fev febrero febbraio fevereiro februari",
            "march mar maerz marz mrz mars marzo marco maart mrt",
            "april apr avril avr abril abr aprile",
            "may mai mayo maggio mag maio mei",
            "june jun juni juin junio giugno giu junho",
            "july jul juli juillet juil julio luglio lug julho",
            "august aug aout aou agosto ago augustus",
            "september sep sept septembre septiembre setiembre settembre setembro set",
            "october oct oktober okt octobre octubre ottobre ott outubro out",
            "november nov novembre noviembre novembro",
            "december dec dezember dez decembre diciembre dic dicembre dezembro",
        ),
        1,
    )
    for word in words.split()
}

_SEP = r"\s*[-/.,\s]\s*"
_DAY = r"(?P<day>\d{1,2})(?:st|nd|rd|th|er|ste|e|o)?"
_TESTER = r"(?P<tester>[a-z]{1,2} \d{1,4}|[a-z0-9][a-z0-9/-]{0,7})"
_QUARTER = (
    r"(?:[qt]\s*(?P<q>\d)|(?P<q2>\d)\s*(?:st|nd|rd|th|er|eme|o|e|\.)?\s*"
    r"(?:q|qtr|quarter|quartal|trimestre|trim|kwartaal|t)\.?)"
)
_WEEK = r"(?:week|wk|w|woche|kw|semaine|sem|semana|settimana)"
_NAME = r"(?P<name>[a-z]{3,10})\.?"
_YEAR = r"'?(?P<year>\d{4}|\d{2})"
_FORMS: tuple[tuple[str, re.Pattern[str]], ...] = tuple(
    (form, re.compile(pattern, re.ASCII))
    for form, pattern in (
        ("iso_day", r"(?P<year>\d{4})\s*[-/.\s]\s*(?P<month>\d{1,2})\s*[-/.\s]\s*(?P<day>\d{1,2})"),
        ("basic_day", r"(?P<year>(?:19|20)\d{2})(?P<month>\d{2})(?P<day>\d{2})"),
        ("iso_month", r"(?P<year>\d{4})\s*[-/.\s]\s*(?P<month>\d{1,2})"),
        ("month_year", r"(?P<month>\d{1,2})\s*[-/.\s]\s*(?P<year>\d{4})"),
        ("two_numbers", r"(?P<a>\d{1,2})\s*[-/.\s]\s*'?(?P<b>\d{2})"),
        ("three_numbers", rf"(?P<a>\d{{1,2}})\s*[-/.\s]\s*(?P<b>\d{{1,2}})\s*[-/.\s]\s*{_YEAR}"),
        ("six_digits", r"\d{6}"),
        ("day_name_year", rf"{_DAY}(?:\s+of\s+|{_SEP})?{_NAME}(?:{_SEP})?{_YEAR}"),
        ("name_day_year", rf"{_NAME}{_SEP}{_DAY}{_SEP}{_YEAR}"),
        ("name_year", rf"{_NAME}(?:{_SEP})?{_YEAR}"),
        ("year_name_day", rf"(?P<year>\d{{4}}){_SEP}{_NAME}{_SEP}(?P<day>\d{{1,2}})"),
        ("year_name", rf"(?P<year>\d{{4}})(?:{_SEP})?{_NAME}"),
        ("quarter", rf"{_QUARTER}(?:{_SEP})?{_YEAR}"),
        ("quarter_last", rf"(?P<year>\d{{4}})(?:{_SEP})?q\s*(?P<q>\d)"),
        ("iso_week", r"(?P<year>\d{4})-?w(?P<week>\d{2})(?:-?(?P<weekday>\d))?"),
        ("week_year", rf"{_WEEK}\.?\s*(?P<week>\d{{1,2}})(?:{_SEP})?{_YEAR}"),
        ("week_year", rf"(?P<week>\d{{1,2}})\.?\s*{_WEEK}\.?{_SEP}{_YEAR}"),
        ("week_year", rf"(?P<week>\d{{1,2}})\s*/\s*{_YEAR}\s*{_WEEK}\.?"),
        ("week_year", rf"(?P<year>\d{{4}}){_SEP}{_WEEK}\.?\s*(?P<week>\d{{1,2}})"),
        ("half_year", rf"(?:h\s*[12]|[12]\.?\s*(?:half|halbjahr|semestre)){_SEP}{_YEAR}"),
        ("season", rf"(?P<season>[a-z]{{3,10}}){_SEP}{_YEAR}"),
        ("tester_mark", rf"(?P<month>\d{{1,2}})\s+{_TESTER}\s+{_YEAR}(?:\s*[a-z*+]{{1,3}})?"),
        ("tester_mark", rf"(?P<month>\d{{1,2}})[-/](?P<tester>[a-z]{{1,2}}\d{{1,4}})[-/]{_YEAR}"),
        ("ordinal_day", r"(?P<year>(?:19|20)\d{2})-?(?P<ordinal>\d{3})"),
        ("year", _YEAR),
        ("serial", r"(?P<serial>\d{5})(?:\.\d+)?"),
    )
)  # fmt: skip
# ISO 8601-1:2019, 5.3 and 5.4: hours with or without minutes and seconds, fractions, zones; from memory.
_TIME = re.compile(
    r"(?P<date>.+?)(?:t(?P<basic>\d{2}(?:\d{2}(?:\d{2}(?:[.,]\d+)?)?)?)"
    r"|(?:t|\s+)(?P<time>\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?))\s*(?:am|pm|uhr|h|z|[+-]\d{2}(?::?\d{2})?)?",
    re.ASCII,
)
_SEASONS = frozenset(
    {
        *("spring", "summer", "autumn", "fall", "winter", "fruhling", "fruhjahr", "sommer", "herbst"),
        *("printemps", "ete", "automne", "hiver", "primavera", "verano", "otono", "invierno", "estate"),
        *("autunno", "inverno", "verao", "outono", "lente", "zomer", "herfst"),
    }
)
# Words that stand beside a date and tell nothing about it.
_BESIDE = re.compile(
    r"\b(?:of|the|de|del|do|le|den|am|im|il|el|em)\b|^(?:mon|tues?|wed|wednes|thur?s?|fri|satur|sat|sun)(?:day)?\b"
    r"|^(?:montag|dienstag|mittwoch|donnerstag|freitag|samstag|sonntag|mo|di|mi|do|fr|sa|so)\b\.?"
    r"|^(?:lundi|mardi|mercredi|jeudi|vendredi|samedi|dimanche|lunes|martes|miercoles|jueves|viernes|sabado|domingo)\b"
)
_LABEL = re.compile(
    r"(?:bj|baujahr|herst|mfg|mfd|mfr|dom|made|manufactured|year|yr|jahr|date|datum|tested|test|ht|hydro|"
    r"serviced|service|fab|ano|annee|anno|gepruft|gewartet)\b\.?\s*[:=]?\s*(?=\d|[a-z]{3})"
)
_APPROXIMATE = re.compile(
    r"(?:ca|circa|approx|approximately|about|around|etwa|env|environ|aprox|~)\.?\s*(?=\d|[a-z])"
)
_BOUND = re.compile(
    r"(?:(?:before|after|until|pre|post|vor|nach|bis|avant|apres|antes|despues|prima|dopo|<|>|≤|≥)\b\.?|[<>≤≥]=?)\s*.*\d{2}.*"
)
_PROMISE = re.compile(
    r"(?:due|next|exp|expires|expiry|fallig|nachste|prochaine?|proxim[ao]|prossim[ao])\b.*\d.*"
)
_SPAN = re.compile(
    r"(?P<a>.{4,24}?)(?:\s+(?:-|to|bis|until|till|au|al|ao|tot|and|und|et|y|e)\s+|\s*/\s*(?=\d{4}-\d)|(?<=\d{4})-(?=\d{4}$))"
    r"(?P<b>.{2,24})"
)
# What programs write for "no date": the zero day of a spreadsheet, shown as a day.
_ZERO_DAYS = frozenset({date(1899, 12, 30), date(1899, 12, 31), date(1900, 1, 1), date(1904, 1, 1)})
_ZERO_TEXTS = re.compile(
    r"(?:0{1,2}[/.-](?:0?1|jan)[/.-](?:19)?00|0?1/0{1,2}/(?:19)?00|1900-01-00|1899-12-3[01]|3[01][/.]12[/.]1899|12/3[01]/1899|00:00(?::00)?)(?:\s+0{1,2}:00(?::00)?)?"
)

_Build = Callable[[int], Stamp]


def _plain(raw: str) -> str:
    """Return ``raw`` in one case, with ordinary digits, dashes, quotes and single spaces."""
    text = unicodedata.normalize("NFKC", raw).lower()
    if not text.isascii():
        spread = unicodedata.normalize("NFKD", text)
        text = "".join(sign for sign in spread if not unicodedata.combining(sign))
    text = re.sub(r"[\u2010-\u2015\u2212]", "-", text).replace("\u2019", "'").replace("\u2018", "'")
    text = text.replace("`", "'").replace("\u00b4", "'").replace("\\", "/")
    return " ".join(text.split())


def _span(day: date, precision: Precision) -> tuple[date, date]:
    """Return first and last day of the day, month, quarter or year that holds ``day``."""
    if precision is Precision.DAY:
        return day, day
    if precision is Precision.MONTH:
        return day.replace(day=1), day.replace(day=monthrange(day.year, day.month)[1])
    if precision is Precision.QUARTER:
        start = 3 * ((day.month - 1) // 3) + 1
        return date(day.year, start, 1), date(day.year, start + 2, monthrange(day.year, start + 2)[1])
    return date(day.year, 1, 1), date(day.year, 12, 31)


def _unreadable(kept: str) -> StampError:
    return StampError(
        "unreadable",
        kept,
        f'"{kept}" is not a date. Write it as 2021-06-15, 2021-06, Q2 2019 or 2019, '
        'or "unknown" when it cannot be read.',
    )


def _order(day_first: bool) -> str:
    return "the day before the month" if day_first else "the month before the day"


def _month_name(number: int) -> str:
    return _MONTH_NAMES[number - 1].capitalize()


class _Reader:
    """One text being read. Each form offers candidate stamps; the bounds choose among them."""

    def __init__(
        self, kept: str, text: str, today: date, not_before: date | None, day_first: bool | None
    ) -> None:
        self.kept = kept
        self.text = text
        self.today = today
        self.not_before = not_before
        self.day_first = day_first
        self.doubts: list[tuple[str, str]] = []

    def read(self) -> StampReading:
        stamp = self._read()
        return StampReading(
            stamp,
            tuple(sentence for _, sentence in self.doubts),
            tuple(code for code, _ in self.doubts),
        )

    def _read(self) -> Stamp:
        if _ZERO_TEXTS.fullmatch(self.text):
            return self._zero_day()
        timed = _TIME.fullmatch(self.text)
        if timed and (timed["time"] or re.search(r"\d{4}-?\d{2}-?\d{2}$|w\d{2}-?\d$|-\d{3}$", timed["date"])):
            self.text = timed["date"].strip(" ,")
            if set(timed["time"] or timed["basic"]) - set("0:.,"):
                self._doubt(
                    "time_dropped",
                    f'"{self.kept}" carries a time of day; only the date was kept. '
                    "Check the date if it was written in another time zone.",
                )
        stamp = self._by_forms()
        if stamp is not None:
            return stamp
        stamp = self._with_words_beside()
        if stamp is None:
            stamp = self._span_of_two()
        if stamp is None:
            raise _unreadable(self.kept)
        return stamp

    def _by_forms(self) -> Stamp | None:
        for form, pattern in _FORMS:
            match = pattern.fullmatch(self.text)
            if match:
                stamp = self._read_form(form, match)
                if stamp is not None:
                    if stamp.precision is Precision.DAY and stamp.first in _ZERO_DAYS:
                        return self._zero_day()
                    return stamp
        return None

    def _zero_day(self) -> Stamp:
        self.doubts.clear()
        self._doubt(
            "zero_day",
            f'"{self.kept}" is what spreadsheets show for no date at all; it stays unknown. '
            "Write the date if there is one.",
        )
        return Stamp.unknown(self.kept)

    def _with_words_beside(self) -> Stamp | None:
        """Read a date that has words beside it; ``None`` when there is none."""
        if _PROMISE.fullmatch(self.text):
            raise StampError(
                "promise",
                self.kept,
                f'"{self.kept}" tells when something falls due, not when it was done. '
                "Write the date on which it was done.",
            )
        if _BOUND.fullmatch(self.text):
            self._doubt(
                "bound_only",
                f'"{self.kept}" sets a bound and tells no date; it stays unknown. '
                "Write the date if it is known.",
            )
            return Stamp.unknown(self.kept)
        text, was = self.text, self.text
        if text.endswith("?") or re.fullmatch(r"\(.*\)", text):
            text = text.strip("?() ")
            self._doubt("uncertain", f'"{self.kept}" is marked as uncertain and was taken. Check the date.')
        approximate = _APPROXIMATE.match(text)
        if approximate:
            text = text[approximate.end() :]
            self._doubt(
                "approximate", f'"{self.kept}" is said to be about right and was taken. Check the date.'
            )
        label = _LABEL.match(text)
        if label:
            text = text[label.end() :]
            self._doubt(
                "words_beside",
                f'"{self.kept}" has words beside the date; the date alone was taken. '
                "Check that it is meant here.",
            )
        text = " ".join(_BESIDE.sub(" ", text).split()).strip(" ,.:;")
        if text == was:
            return None
        self.text = text
        return self._by_forms()

    def _span_of_two(self) -> Stamp | None:
        """Read a span of two dates as its first one, from which nothing can fall due too late."""
        match = _SPAN.fullmatch(self.text)
        if match is None:
            return None
        ends: list[Stamp] = []
        for part in (match["a"], match["b"]):
            other = _Reader(self.kept, part.strip(), self.today, self.not_before, self.day_first)
            try:
                stamp = other._by_forms()
            except StampError:
                return None
            if stamp is None or not stamp.is_known:
                return None
            ends.append(stamp)
        first, last = ends
        if first.first is None or last.first is None or last.first < first.first:
            return None
        self._doubt(
            "span",
            f'"{self.kept}" tells a span; it is counted as {first}, its begin, so that nothing falls due '
            "too late. Write the date if it is known.",
        )
        return first

    def _read_form(self, form: str, match: re.Match[str]) -> Stamp | None:
        """Return the stamp of one form, or ``None`` when the text only looks like that form."""
        parts = match.groupdict()
        if parts.get("name") is not None and parts["name"] not in _MONTHS:
            return None
        month = _MONTHS[parts["name"]] if parts.get("name") else int(parts.get("month") or 0)
        day = int(parts.get("day") or 0)
        match form:
            case "iso_day" | "basic_day":
                return self._settle([self._day(int(parts["year"]), month, day)])
            case "iso_month" | "month_year" | "year_name":
                return self._settle([self._month(int(parts["year"]), month)])
            case "year_name_day":
                return self._settle([self._day(int(parts["year"]), month, day)])
            case "day_name_year" | "name_day_year":
                return self._by_year(parts["year"], lambda year: self._day(year, month, day))
            case "name_year":
                return self._by_year(parts["year"], lambda year: self._month(year, month))
            case "tester_mark":
                if not re.search(r"[a-z]", parts["tester"]) or parts["tester"] in _MONTHS:
                    return None
                return self._by_year(parts["year"], lambda year: self._month(year, month))
            case "quarter" | "quarter_last":
                q = int(parts["q"] or parts.get("q2") or 0)
                if q not in (1, 2, 3, 4):
                    raise self._impossible(f"there is no quarter {q}")
                return self._by_year(parts["year"], lambda year: self._quarter(year, q))
            case "iso_week" | "week_year":
                return self._week(parts)
            case "ordinal_day":
                return self._ordinal(int(parts["year"]), int(parts["ordinal"]))
            case "half_year":
                return self._part_of_year(parts["year"], "half of the year")
            case "season":
                if parts["season"] not in _SEASONS:
                    return None
                return self._part_of_year(parts["year"], "season")
            case "year":
                return self._by_year(parts["year"], self._year)
            case "serial":
                return self._serial(int(parts["serial"]))
            case "six_digits":
                return self._six_digits()
            case "two_numbers":
                return self._two_numbers(parts["a"], parts["b"])
            case _:
                return self._three_numbers(parts["a"], parts["b"], parts["year"])

    # -- forms that need more than one look

    def _week(self, parts: dict[str, str]) -> Stamp:
        """Source: ISO 8601-1:2019, 3.1.1.23: weeks begin on Monday, week 1 holds the first Thursday."""
        week = int(parts["week"])

        def monday(year: int) -> date:
            try:
                return date.fromisocalendar(year, week, 1)
            except ValueError as error:
                raise self._impossible(f"{year} has no week {week}") from error

        year = self._one_year(parts["year"], lambda year: Stamp.on(monday(year)))
        if year is None:
            return Stamp.unknown(self.kept)
        if parts.get("weekday"):
            weekday = int(parts["weekday"])
            if not 1 <= weekday <= 7:
                raise self._impossible(f"there is no day {weekday} of a week")
            day = monday(year) + timedelta(days=weekday - 1)
            return self._settle([Stamp.on(day, self.kept)])
        begins = monday(year)
        stamp = self._settle([Stamp.of(begins.year, begins.month, raw=self.kept)])
        self._doubt(
            "week",
            f'"{self.kept}" tells a week; it is kept as {stamp}, the month in which the week begins. '
            "Write the day if it is known.",
        )
        return stamp

    def _ordinal(self, year: int, number: int) -> Stamp:
        """Source: ISO 8601-1:2019, 5.2.3: day of the year, from 001."""
        day = date(year, 1, 1) + timedelta(days=number - 1)
        if day.year != year:
            raise self._impossible(f"{year} has no day {number}")
        if "-" not in self.text:
            self._doubt(
                "ordinal_day",
                f'"{self.kept}" was read as day {number} of {year}, that is {day.isoformat()}. '
                "Write it that way if it is a date at all.",
            )
        return self._settle([Stamp.on(day, self.kept)])

    def _part_of_year(self, year_text: str, part: str) -> Stamp:
        stamp = self._by_year(year_text, self._year)
        if stamp.is_known:
            self._doubt(
                "part_of_year",
                f'"{self.kept}" tells a {part}; it is kept as {stamp} and counts from its first day. '
                "Write the month if it is known.",
            )
        return stamp

    def _serial(self, number: int) -> Stamp | None:
        day = date(1899, 12, 30) + timedelta(days=number)
        if not date(OLDEST_TWO_DIGIT_YEAR, 1, 1) <= day <= self.today:
            return None  # a postcode or a serial number in the wrong column, not a day
        self._doubt(
            "spreadsheet_serial",
            f'"{self.kept}" was read as a spreadsheet day number, that is {day.isoformat()}. '
            "Format the column as a date and check it.",
        )
        return self._settle([Stamp.on(day, self.kept)])

    def _six_digits(self) -> Stamp | None:
        found = [
            (year, month)
            for year, month in (
                (int(self.text[:4]), int(self.text[4:])),
                (int(self.text[2:]), int(self.text[:2])),
            )
            if 1 <= month <= 12 and OLDEST_YEAR <= year <= self.today.year
        ]
        if len(found) != 1:
            return None
        year, month = found[0]
        self._doubt(
            "no_separator",
            f'"{self.kept}" was read as {year}-{month:02d}. Write it that way to be sure.',
        )
        return self._settle([self._month(year, month)])

    def _two_numbers(self, a: str, b: str) -> Stamp:
        first, second = int(a), int(b)
        if 1 <= first <= 12:  # the trade writes month before year: 06/21 is June 2021
            return self._by_year(b, lambda year: self._month(year, first))
        if len(a) == 2 and 1 <= second <= 12:
            return self._by_year(a, lambda year: self._month(year, second))
        raise self._impossible("neither number is a month")

    def _three_numbers(self, a: str, b: str, year_text: str) -> Stamp:
        first, second = int(a), int(b)
        if first > 12 and second > 12:
            raise self._impossible("no month from 1 to 12 in it")
        if first > 12 or second > 12:
            day, month = (first, second) if first > 12 else (second, first)
            if self.day_first is not None and self.day_first is not (first > 12):
                self._doubt(
                    "order_contradicts",
                    f'"{self.kept}" can only be read with {_order(first > 12)}, while the rest of the file '
                    f"is read with {_order(self.day_first)}. Check this date.",
                )
            return self._by_year(year_text, lambda year: self._day(year, month, day))
        if self.day_first is not None or first == second:
            day, month = (first, second) if self.day_first else (second, first)
            return self._by_year(year_text, lambda year: self._day(year, month, day))
        return self._ambiguous(first, second, year_text)

    def _ambiguous(self, first: int, second: int, year_text: str) -> Stamp:
        year = self._one_year(year_text, self._year)
        if year is None:
            return Stamp.unknown(self.kept)
        candidates = []
        for day, month in ((first, second), (second, first)):
            try:
                candidates.append(self._day(year, month, day))
            except StampError:
                continue
        if not candidates:
            raise self._impossible("no day of any month fits")
        possible = [stamp for stamp in candidates if self._fault(stamp) is None]
        if len(possible) < 2:
            stamp = self._settle(candidates)
            self._doubt(
                "day_month_order",
                f'"{self.kept}" can be read with the day or the month first; '
                f"only {stamp} is possible and was taken. Write it as {stamp} to be sure.",
            )
            return stamp
        early, late = sorted(possible, key=lambda stamp: stamp.first or date.min)
        if early.first is None or late.first is None:
            raise AssertionError("a day stamp has a first day")
        safe = Stamp.of(early.first.year, early.first.month, raw=self.kept)
        self._doubt(
            "day_month_order",
            f'"{self.kept}" can be {early} or {late}. It is counted as {safe}, the earlier month, so that '
            f"nothing falls due too late. Write it as {early} or {late}.",
        )
        return safe

    # -- years

    def _by_year(self, year_text: str, build: _Build) -> Stamp:
        year = self._one_year(year_text, build)
        return Stamp.unknown(self.kept) if year is None else self._settle([build(year)])

    def _one_year(self, year_text: str, build: _Build) -> int | None:
        """Return the year meant, or ``None`` with a doubt when two readings survive."""
        if len(year_text) == 4:
            return int(year_text)
        short = int(year_text)
        floor = self.not_before or date(OLDEST_TWO_DIGIT_YEAR, 1, 1)
        past = list(range(OLDEST_YEAR + short, self.today.year + 1, 100))
        possible: list[tuple[int, Stamp]] = []
        for year in past:
            try:
                stamp = build(year)
            except StampError:
                continue  # 29 February in a year without it
            if stamp.first and stamp.last and stamp.first <= self.today and stamp.last >= floor:
                possible.append((year, stamp))
        if len(possible) == 1:
            year, stamp = possible[0]
            self._doubt(
                "two_digit_year",
                f'"{self.kept}" has a two-digit year and was read as {stamp}, the only reading not in the '
                "future and not too old. Write the year with four digits.",
            )
            return year
        if len(possible) > 1:
            self._doubt(
                "two_digit_year_open",
                f'"{self.kept}" can be {" or ".join(str(stamp) for _, stamp in possible)}; the date stays '
                "unknown until someone says which. Write the year with four digits.",
            )
            return None
        # Nothing fits: take the century whose fault explains most to the reader.
        latest = self.today.year - self.today.year % 100 + short
        if latest <= self.today.year:
            return latest
        return latest - 100 if self.not_before or latest - 100 >= floor.year else latest

    # -- building and judging

    def _day(self, year: int, month: int, day: int) -> Stamp:
        month_stamp = self._month(year, month)
        length = month_stamp.last.day if month_stamp.last else 31
        if not 1 <= day <= length:
            raise self._impossible(f"{_month_name(month)} {year} has {length} days")
        return Stamp.of(year, month, day, self.kept)

    def _month(self, year: int, month: int) -> Stamp:
        if not 1 <= month <= 12:
            raise self._impossible(f"there is no month {month}")
        self._year(year)
        return Stamp.of(year, month, raw=self.kept)

    def _quarter(self, year: int, q: int) -> Stamp:
        self._year(year)
        return Stamp.quarter(year, q, self.kept)

    def _year(self, year: int) -> Stamp:
        if year < 1:
            raise self._impossible("there is no year 0")
        return Stamp.of(year, raw=self.kept)

    def _impossible(self, reason: str) -> StampError:
        return StampError(
            "impossible",
            self.kept,
            f'"{self.kept}" does not exist: {reason}. Correct the date, or write "unknown".',
        )

    def _fault(self, stamp: Stamp) -> StampError | None:
        """Return why ``stamp`` cannot be true, or ``None`` if it can."""
        if stamp.first is None or stamp.last is None:
            return None
        if stamp.first > self.today:
            return StampError(
                "future",
                self.kept,
                f'"{self.kept}" ({stamp}) lies in the future, after {self.today.isoformat()}. '
                'Correct the date, or write "unknown".',
            )
        if stamp.first.year < OLDEST_YEAR:
            return StampError(
                "too_early",
                self.kept,
                f'"{self.kept}" ({stamp}) lies before {OLDEST_YEAR}. Correct the year, or write "unknown".',
            )
        if self.not_before is not None and stamp.last < self.not_before:
            return StampError(
                "before_bound",
                self.kept,
                f'"{self.kept}" ({stamp}) lies before {self.not_before.isoformat()}, the earliest day '
                'possible here. Correct one of the two dates, or write "unknown".',
            )
        return None

    def _settle(self, candidates: Iterable[Stamp]) -> Stamp:
        """Return the first candidate that can be true; raise the fault of the first if none can."""
        faults = []
        for stamp in candidates:
            fault = self._fault(stamp)
            if fault is None:
                return stamp
            faults.append(fault)
        raise faults[0]

    def _doubt(self, code: str, sentence: str) -> None:
        self.doubts.append((code, sentence))
