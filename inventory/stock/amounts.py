"""Amounts of goods in words, as a storekeeper reads them."""

from __future__ import annotations


def amount_text(value: float, unit: str) -> str:
    """``value`` of base unit ``unit``: kilograms and litres, whole pieces rounded up."""
    if unit in ("g", "mL"):
        name = "kg" if unit == "g" else "L"
        return f"{value / 1000:,.1f}".replace(",", "\u202f") + f" {name}"
    whole = -int(-value // 1)
    text = f"{whole:,}".replace(",", "\u202f")
    return text if unit == "pcs" else f"{text} {unit}"
