"""Conversions against pairs printed in regulations and letters, and the exact factors.

Each row names where the printed pair stands. The exact figure is NIST SP 811 (2008), Appendix B,
worked by hand; official roundings of a printed pair are kept beside it.
"""

from __future__ import annotations

from decimal import Decimal

import pytest

from inventory.measures.units import Measure, UnitOfMeasure

KPA, BAR, PSI, KGF = UnitOfMeasure.KILOPASCAL, UnitOfMeasure.BAR, UnitOfMeasure.PSI, UnitOfMeasure.KGF_PER_CM2
G, KG, LB, OZ = UnitOfMeasure.GRAM, UnitOfMeasure.KILOGRAM, UnitOfMeasure.POUND, UnitOfMeasure.OUNCE
ML, L, GAL, IN3 = (
    UnitOfMeasure.MILLILITRE,
    UnitOfMeasure.LITRE,
    UnitOfMeasure.US_GALLON,
    UnitOfMeasure.CUBIC_INCH,
)


@pytest.mark.parametrize(
    ("value", "unit", "exact", "there", "printed", "printed_within"),
    [
        pytest.param("1250", PSI, "8618.4", KPA, "8620", "5", id="29 CFR 1910.157(f)(6)"),
        pytest.param("300", PSI, "2068.4", KPA, "2070", "5", id="29 CFR 1910.157(f)(7)"),
        pytest.param("350", PSI, "2413.2", KPA, "2410", "5", id="29 CFR 1910.157(f)(12)"),
        pytest.param("241", PSI, "1661.6", KPA, "1660", "5", id="49 CFR 173.309(a)(1), secondary"),
        pytest.param("120", PSI, "827.4", KPA, "825", "2.5", id="49 CFR 173.309(a)(3), secondary"),
        pytest.param("585", PSI, "4033.4", KPA, "4035", "2.5", id="PHMSA interpretation 13-0190"),
        pytest.param(
            "75", UnitOfMeasure.FOOT, "22.86", UnitOfMeasure.METRE, "22.9", "0.05", id="1910.157(d)(2)"
        ),
        pytest.param(
            "50", UnitOfMeasure.FOOT, "15.24", UnitOfMeasure.METRE, "15.2", "0.05", id="1910.157(d)(4)"
        ),
        pytest.param("12", LB, "5.443", KG, "5.44", "0.005", id="12 lb, printed with 5.44 kg"),
        pytest.param("125", LB, "56.699", KG, "56.7", "0.05", id="125 lb, printed with 56.7 kg"),
        pytest.param("375", IN3, "6.145", L, "6.1", "0.05", id="PHMSA interpretation 04-0202"),
        pytest.param("1100", IN3, "18.026", L, "18", "0.05", id="49 CFR 173.309(a), secondary"),
        pytest.param(
            "350",
            UnitOfMeasure.FAHRENHEIT,
            "176.67",
            UnitOfMeasure.CELSIUS,
            "177",
            "0.5",
            id="NFPA 10, 8.1.5",
        ),
        pytest.param(
            "350",
            UnitOfMeasure.FAHRENHEIT,
            "176.67",
            UnitOfMeasure.CELSIUS,
            "176",
            "0.7",
            id="350 degF as 176 degC, printed by DOT",
        ),
        pytest.param("35", KGF, "34.32", BAR, "34.32", "0.005", id="IS 2190:2010 Annex E pressure"),
        pytest.param(
            "250", KGF, "245.17", BAR, "245.17", "0.005", id="IS 2190:2010 carbon dioxide, from memory"
        ),
        pytest.param("100", PSI, "6.895", BAR, "6.895", "0.0005", id="gauge class 100 psi"),
        pytest.param("150", PSI, "10.342", BAR, "10.342", "0.0005", id="gauge class 150 psi"),
        pytest.param("195", PSI, "13.445", BAR, "13.445", "0.0005", id="gauge class 195 psi"),
        pytest.param("240", PSI, "16.547", BAR, "16.547", "0.0005", id="gauge class 240 psi"),
    ],
)
def test_printed_pairs(
    value: str, unit: UnitOfMeasure, exact: str, there: UnitOfMeasure, printed: str, printed_within: str
) -> None:
    measure = Measure(Decimal(value), unit)
    places = -int(Decimal(exact).as_tuple().exponent)
    assert measure.rounded(there, places) == Decimal(exact)
    assert abs(measure.to(there) - Decimal(printed)) <= Decimal(printed_within)


def test_a_printed_pair_that_is_wrong_does_not_convert() -> None:
    """A military digest prints 900 mL as 35 cubic inches; 55 is right (49 CFR 173.309, secondary)."""
    assert Measure(Decimal(900), ML).rounded(IN3, 2) == Decimal("54.92")
    assert Measure(Decimal(35), IN3).rounded(ML, 1) == Decimal("573.5")


@pytest.mark.parametrize(
    ("unit", "base", "exact"),
    [
        # NIST SP 811 (2008), Appendix B.8, factors in bold are exact.
        pytest.param(LB, G, "453.59237", id="pound"),
        pytest.param(OZ, G, "28.349523125", id="ounce"),
        pytest.param(GAL, ML, "3785.411784", id="US gallon"),
        pytest.param(IN3, ML, "16.387064", id="cubic inch"),
        pytest.param(KGF, KPA, "98.0665", id="kilogram-force per square centimetre"),
        pytest.param(BAR, KPA, "100", id="bar"),
        pytest.param(UnitOfMeasure.MEGAPASCAL, KPA, "1000", id="megapascal"),
    ],
)
def test_exact_factors(unit: UnitOfMeasure, base: UnitOfMeasure, exact: str) -> None:
    assert Measure(Decimal(1), unit).to(base) == Decimal(exact)


def test_psi_to_seven_figures() -> None:
    """NIST SP 811 prints 6.894 757 E+03 Pa for the pound-force per square inch."""
    assert Measure(Decimal(1), PSI).rounded(KPA, 6) == Decimal("6.894757")
