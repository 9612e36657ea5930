"""Units of measure: the printed value is kept, the base value is computed from it.

A ``Measure`` holds the figures as they were entered and their unit. Conversion always starts from
those figures, in exact arithmetic, so nothing is lost by going there and back. Base units are
kPa, g, mL, °C, mm and s. Whether a pressure is gauge or absolute belongs to the quantity, not to
the unit; in this trade it is gauge unless its name says otherwise.

>>> Measure(Decimal("195"), UnitOfMeasure.PSI).rounded(UnitOfMeasure.BAR, 3)
Decimal('13.445')

Source of every factor: NIST SP 811 (2008), Appendix B, where the exact ones are printed in bold;
the pound-force per square inch follows from its exact pound, inch and standard gravity.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal, localcontext
from enum import StrEnum
from fractions import Fraction


def exact(value: int | float | Decimal | Fraction) -> Fraction:
    """Return ``value`` as written, so that 0.1 is one tenth and not its binary neighbour."""
    return Fraction(repr(value)) if isinstance(value, float) else Fraction(value)


class Dimension(StrEnum):
    """What a unit measures."""

    PRESSURE = "pressure"
    MASS = "mass"
    VOLUME = "volume"
    TEMPERATURE = "temperature"
    LENGTH = "length"
    TIME = "time"


class UnitOfMeasure(StrEnum):
    """A unit as it is printed; the code is what is stored and shown."""

    KILOPASCAL = "kPa"
    BAR = "bar"
    PSI = "psi"
    MEGAPASCAL = "MPa"
    KGF_PER_CM2 = "kgf/cm²"
    GRAM = "g"
    KILOGRAM = "kg"
    POUND = "lb"
    OUNCE = "oz"
    MILLILITRE = "mL"
    LITRE = "L"
    US_GALLON = "US gal"
    CUBIC_INCH = "in³"
    CELSIUS = "°C"
    FAHRENHEIT = "°F"
    MILLIMETRE = "mm"
    METRE = "m"
    INCH = "in"
    FOOT = "ft"
    SECOND = "s"
    MINUTE = "min"


_POUND_G = Fraction("453.59237")
_INCH_MM = Fraction("25.4")
_GRAVITY_M_S2 = Fraction("9.80665")
# lbf/in² in kPa: (pound in kg x gravity) over (inch in m squared), over 1000.
_PSI_KPA = (_POUND_G / 1000 * _GRAVITY_M_S2) / (_INCH_MM / 1000) ** 2 / 1000

_FACTORS: dict[UnitOfMeasure, tuple[Dimension, Fraction]] = {
    UnitOfMeasure.KILOPASCAL: (Dimension.PRESSURE, Fraction(1)),
    UnitOfMeasure.BAR: (Dimension.PRESSURE, Fraction(100)),
    UnitOfMeasure.PSI: (Dimension.PRESSURE, _PSI_KPA),
    UnitOfMeasure.MEGAPASCAL: (Dimension.PRESSURE, Fraction(1000)),
    UnitOfMeasure.KGF_PER_CM2: (Dimension.PRESSURE, Fraction("98.0665")),
    UnitOfMeasure.GRAM: (Dimension.MASS, Fraction(1)),
    UnitOfMeasure.KILOGRAM: (Dimension.MASS, Fraction(1000)),
    UnitOfMeasure.POUND: (Dimension.MASS, _POUND_G),
    UnitOfMeasure.OUNCE: (Dimension.MASS, _POUND_G / 16),
    UnitOfMeasure.MILLILITRE: (Dimension.VOLUME, Fraction(1)),
    UnitOfMeasure.LITRE: (Dimension.VOLUME, Fraction(1000)),
    UnitOfMeasure.US_GALLON: (Dimension.VOLUME, 231 * _INCH_MM**3 / 1000),
    UnitOfMeasure.CUBIC_INCH: (Dimension.VOLUME, _INCH_MM**3 / 1000),
    UnitOfMeasure.CELSIUS: (Dimension.TEMPERATURE, Fraction(1)),
    UnitOfMeasure.FAHRENHEIT: (Dimension.TEMPERATURE, Fraction(5, 9)),
    UnitOfMeasure.MILLIMETRE: (Dimension.LENGTH, Fraction(1)),
    UnitOfMeasure.METRE: (Dimension.LENGTH, Fraction(1000)),
    UnitOfMeasure.INCH: (Dimension.LENGTH, _INCH_MM),
    UnitOfMeasure.FOOT: (Dimension.LENGTH, 12 * _INCH_MM),
    UnitOfMeasure.SECOND: (Dimension.TIME, Fraction(1)),
    UnitOfMeasure.MINUTE: (Dimension.TIME, Fraction(60)),
}

BASE_UNITS: dict[Dimension, UnitOfMeasure] = {
    Dimension.PRESSURE: UnitOfMeasure.KILOPASCAL,
    Dimension.MASS: UnitOfMeasure.GRAM,
    Dimension.VOLUME: UnitOfMeasure.MILLILITRE,
    Dimension.TEMPERATURE: UnitOfMeasure.CELSIUS,
    Dimension.LENGTH: UnitOfMeasure.MILLIMETRE,
    Dimension.TIME: UnitOfMeasure.SECOND,
}

# Fahrenheit zero lies 32 degrees below the freezing point; every other unit starts at zero.
_OFFSETS: dict[UnitOfMeasure, Fraction] = {UnitOfMeasure.FAHRENHEIT: Fraction(-32)}


class MeasureError(ValueError):
    """A text that is no measure.

    ``code`` is ``no_number``, ``no_unit``, ``unknown_unit`` or ``wrong_unit``; ``sentence`` says
    what is wrong and what to do.
    """

    def __init__(self, code: str, found: str, sentence: str) -> None:
        super().__init__(sentence)
        self.code = code
        self.found = found
        self.sentence = sentence


def dimension_of(unit: UnitOfMeasure) -> Dimension:
    """Return what ``unit`` measures."""
    return _FACTORS[unit][0]


def conversion(unit: UnitOfMeasure) -> tuple[Dimension, Fraction, Fraction]:
    """Return what ``unit`` measures, and factor and offset: base value = (value + offset) x factor."""
    dimension, factor = _FACTORS[unit]
    return dimension, factor, _OFFSETS.get(unit, Fraction(0))


def units_of(dimension: Dimension) -> tuple[UnitOfMeasure, ...]:
    """Return the units that measure ``dimension``, the base unit first."""
    return tuple(unit for unit in _FACTORS if dimension_of(unit) is dimension)


@dataclass(frozen=True, slots=True)
class Measure:
    """A value as entered, with its unit."""

    entered: Decimal
    unit: UnitOfMeasure

    def __post_init__(self) -> None:
        if not self.entered.is_finite():
            raise ValueError("A measure needs a finite number.")

    @property
    def dimension(self) -> Dimension:
        """Return what is measured."""
        return dimension_of(self.unit)

    @property
    def canonical(self) -> Decimal:
        """Return the value in the base unit of its dimension, to 28 significant digits."""
        return self.to(BASE_UNITS[self.dimension])

    @property
    def pressure_kpa(self) -> Decimal:
        """Return the pressure in kilopascals; gauge stays gauge. ``ValueError`` if it is no pressure."""
        return self.to(UnitOfMeasure.KILOPASCAL)

    @property
    def mass_g(self) -> Decimal:
        """Return the mass in grams. ``ValueError`` if it is no mass."""
        return self.to(UnitOfMeasure.GRAM)

    @property
    def volume_ml(self) -> Decimal:
        """Return the volume in millilitres. ``ValueError`` if it is no volume."""
        return self.to(UnitOfMeasure.MILLILITRE)

    @property
    def temperature_c(self) -> Decimal:
        """Return the temperature in degrees Celsius. ``ValueError`` if it is no temperature."""
        return self.to(UnitOfMeasure.CELSIUS)

    def to(self, unit: UnitOfMeasure) -> Decimal:
        """Return the value in ``unit``, computed exactly and then cut to 28 significant digits.

        Raises ``ValueError`` when ``unit`` measures something else.
        """
        if unit is self.unit:
            return self.entered
        dimension, factor = _FACTORS[self.unit]
        if dimension_of(unit) is not dimension:
            raise ValueError(f"{self} is no {dimension_of(unit).value} and has no value in {unit.value}.")
        base = (Fraction(self.entered) + _OFFSETS.get(self.unit, Fraction(0))) * factor
        there = base / _FACTORS[unit][1] - _OFFSETS.get(unit, Fraction(0))
        with localcontext() as context:
            context.prec = 28
            return Decimal(there.numerator) / Decimal(there.denominator)

    def rounded(self, unit: UnitOfMeasure, places: int) -> Decimal:
        """Return the value in ``unit`` to ``places`` decimals, halves away from zero, for display."""
        with localcontext() as context:
            context.prec = 60
            return self.to(unit).quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_UP)

    def __str__(self) -> str:
        return f"{self.entered} {self.unit.value}"


@dataclass(frozen=True, slots=True)
class MeasureReading:
    """What was read, and every doubt about it: a sentence each; ``codes`` names them in order."""

    measure: Measure
    doubts: tuple[str, ...] = ()
    codes: tuple[str, ...] = ()


_WORDS: dict[str, UnitOfMeasure] = {
    word: unit
    for unit, words in {
        UnitOfMeasure.KILOPASCAL: "kpa",
        UnitOfMeasure.BAR: "bar bars barg bar(g)",
        UnitOfMeasure.PSI: "psi psig psi(g) lb/in2 lbf/in2 lb/sq.in lbs/in2",
        UnitOfMeasure.MEGAPASCAL: "mpa",
        UnitOfMeasure.KGF_PER_CM2: "kgf/cm2 kg/cm2 kgf/sqcm kg/sqcm kgf/sq.cm kg/sq.cm kgf/cm^2 kg/cm^2 at",
        UnitOfMeasure.GRAM: "g gr gm gms gram grams gramme grammes",
        UnitOfMeasure.KILOGRAM: "kg kgs kilo kilos kilogram kilograms kilogramme",
        UnitOfMeasure.POUND: "lb lbs pound pounds # lb.",
        UnitOfMeasure.OUNCE: "oz ounce ounces",
        UnitOfMeasure.MILLILITRE: "ml cc cm3 millilitre milliliter millilitres",
        UnitOfMeasure.LITRE: "l lt ltr ltrs lit litre litres liter liters dm3",
        UnitOfMeasure.US_GALLON: "gal gals gallon gallons usgal usgallon usgallons",
        UnitOfMeasure.CUBIC_INCH: "in3 cuin cu.in cubicinch cubicinches",
        UnitOfMeasure.CELSIUS: "°c c degc celsius",
        UnitOfMeasure.FAHRENHEIT: "°f f degf fahrenheit",
        UnitOfMeasure.MILLIMETRE: "mm",
        UnitOfMeasure.METRE: "m metre metres meter meters",
        UnitOfMeasure.INCH: "in inch inches",
        UnitOfMeasure.FOOT: "ft foot feet",
        UnitOfMeasure.SECOND: "s sec secs second seconds",
        UnitOfMeasure.MINUTE: "min mins minute minutes",
    }.items()
    for word in words.split()
}

_FRACTIONS = {"¼": ".25", "½": ".5", "¾": ".75"}
_NUMBER = re.compile(r"(?P<number>[+-]?[\d.,' ]*\d)\s*(?P<unit>[^\d].*)?", re.ASCII)
_MIXED = re.compile(
    r"(?:(?P<whole>\d{1,4})\s+)?(?P<top>\d{1,2})\s*/\s*(?P<bottom>\d{1,2})\s*(?P<unit>[^\d].*)?", re.ASCII
)
_POUND_OUNCE = re.compile(
    r"(?P<pounds>\d{1,4})\s*(?:lbs?\.?|pounds?)\s*,?\s*(?P<ounces>\d{1,2}(?:\.\d+)?)\s*(?:oz\.?|ounces?)",
    re.ASCII | re.IGNORECASE,
)
_LONGEST_NUMBER = 15


def spellings() -> dict[str, UnitOfMeasure]:
    """Return every spelling of a unit that is understood: lower case, no blanks, no point at the end."""
    return dict(_WORDS)


def read_unit(text: str) -> UnitOfMeasure | None:
    """Return the unit that ``text`` names, in any usual spelling, or ``None``."""
    plain = unicodedata.normalize("NFKC", text.replace("º", "°")).lower().replace(" ", "").strip(".")
    return _WORDS.get(plain)


def read_number(text: str, *, decimal_comma: bool | None = None) -> tuple[Decimal, str | None]:
    """Return the number in ``text`` and, when its comma or point is open to doubt, a sentence.

    ``decimal_comma`` tells what the rest of the file does. Without it ``1,250`` counts as one
    thousand two hundred and fifty, with a doubt, and ``1,25`` as one and a quarter.

    Raises ``MeasureError`` (``no_number``) when ``text`` is not one number.
    """
    kept = text.strip()
    plain = unicodedata.normalize("NFKC", kept).replace("\u2212", "-")
    if re.fullmatch(r"[+-]?\d{1,3}(?:[' ]\d{3})+(?:[.,]\d+)?", plain, re.ASCII):
        plain = plain.replace("'", "").replace(" ", "")
    if len(plain) > _LONGEST_NUMBER or not re.fullmatch(r"[+-]?(?=.*\d)[\d.,]+", plain, re.ASCII):
        raise MeasureError("no_number", kept, f'"{kept}" is not a number. Write figures, for instance 2.5.')
    doubt = None
    if "," in plain and "." in plain:
        # The mark that comes last is the decimal one; the other only groups thousands.
        decimal_mark, group_mark = (",", ".") if plain.rfind(",") > plain.rfind(".") else (".", ",")
        grouped = plain.rsplit(decimal_mark, 1)[0]
        fits = plain.count(decimal_mark) == 1 and _is_grouped(grouped, group_mark)
        plain = plain.replace(group_mark, "").replace(decimal_mark, ".") if fits else ""
    elif "," in plain or "." in plain:
        mark = "," if "," in plain else "."
        if plain.count(mark) > 1:
            plain = plain.replace(mark, "") if _is_grouped(plain, mark) else ""
        elif mark == "," and _is_grouped(plain, mark):
            if decimal_comma is None:
                doubt = (
                    f'"{kept}" was read as {plain.replace(",", "")}, the comma grouping thousands. Check it.'
                )
            plain = plain.replace(",", "." if decimal_comma else "")
        elif mark == "." and decimal_comma and _is_grouped(plain, mark):
            plain = plain.replace(".", "")
            doubt = f'"{kept}" was read as {plain}, the point grouping thousands as in this file. Check it.'
        else:
            plain = plain.replace(",", ".")
    if not plain:
        raise MeasureError(
            "no_number", kept, f'"{kept}" is not one number. Write it without grouping, for instance 1250.5.'
        )
    return Decimal(plain), doubt


def _is_grouped(text: str, mark: str) -> bool:
    """Return whether ``mark`` stands where thousands are grouped and nowhere else."""
    return re.fullmatch(rf"[+-]?[1-9]\d{{0,2}}(?:\{mark}\d{{3}})+", text, re.ASCII) is not None


def read_measure(
    text: str,
    *,
    dimensions: tuple[Dimension, ...],
    default_unit: UnitOfMeasure | None = None,
    decimal_comma: bool | None = None,
) -> MeasureReading:
    """Return the measure written in ``text``, such as ``2kg``, ``4.5 lb``, ``9 L`` or ``1½ gal``.

    Pounds with ounces (``8 lb 12 oz``) are kept as pounds, 8.75, which is exact. A number without
    a unit takes ``default_unit``, with a doubt; a plain gallon is the US one.
    Raises ``MeasureError`` when there is no number, no unit to take, a unit nobody knows, or one
    that measures none of ``dimensions``.
    """
    kept = " ".join(text.split())
    plain = kept
    for sign, decimals in _FRACTIONS.items():
        plain = re.sub(rf"(\d)\s*{sign}", rf"\g<1>{decimals}", plain).replace(sign, f"0{decimals}")
    wanted = " or ".join(dimension.value for dimension in dimensions)
    mixed = _MIXED.fullmatch(plain)
    pounds = _POUND_OUNCE.fullmatch(plain)
    doubt: str | None = None
    if pounds:
        number, unit_text = int(pounds["pounds"]) + Decimal(pounds["ounces"]) / 16, UnitOfMeasure.POUND.value
    elif mixed and int(mixed["bottom"]):
        number = int(mixed["whole"] or 0) + Decimal(int(mixed["top"])) / Decimal(int(mixed["bottom"]))
        unit_text = mixed["unit"] or ""
    else:
        match = _NUMBER.fullmatch(plain)
        if match is None:
            raise MeasureError(
                "no_number",
                kept,
                f'"{kept}" is no {wanted}. Write figures and a unit, for instance {_sample(dimensions)}.',
            )
        number, doubt = read_number(match["number"], decimal_comma=decimal_comma)
        unit_text = match["unit"] or ""
    found = [(doubt, "number_grouping")] if doubt else []
    if unit_text.strip():
        unit = read_unit(unit_text)
        if unit is None:
            raise MeasureError(
                "unknown_unit",
                kept,
                f'"{unit_text.strip()}" in "{kept}" is not a unit of {wanted} known here. '
                f"Write one of {', '.join(u.value for d in dimensions for u in units_of(d))}.",
            )
    elif default_unit is not None:
        unit = default_unit
        found.append((f'"{kept}" has no unit and was read as {unit.value}. Write the unit.', "no_unit"))
    else:
        raise MeasureError(
            "no_unit",
            kept,
            f'"{kept}" has no unit. Write it with the figure, for instance {_sample(dimensions)}.',
        )
    if dimension_of(unit) not in dimensions:
        raise MeasureError(
            "wrong_unit",
            kept,
            f'"{kept}" is a {dimension_of(unit).value}, not a {wanted}. '
            f"Write one of {', '.join(u.value for d in dimensions for u in units_of(d))}.",
        )
    return MeasureReading(
        Measure(number, unit), tuple(sentence for sentence, _ in found), tuple(code for _, code in found)
    )


def _sample(dimensions: tuple[Dimension, ...]) -> str:
    samples = {
        Dimension.PRESSURE: "195 psi",
        Dimension.MASS: "4.5 kg",
        Dimension.VOLUME: "9 L",
        Dimension.TEMPERATURE: "21 °C",
        Dimension.LENGTH: "75 ft",
        Dimension.TIME: "60 s",
    }
    return " or ".join(samples[dimension] for dimension in dimensions)
