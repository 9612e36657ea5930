"""Amounts of goods as a storekeeper reads them."""

from __future__ import annotations

from django import template

register = template.Library()


@register.filter
def amount_of(value: float | None, unit: str) -> str:
    """``value`` of base unit ``unit``: kilograms and litres, whole pieces rounded up."""
    if value is None:
        return "–"
    if unit in ("g", "mL"):
        name = "kg" if unit == "g" else "L"
        return f"{value / 1000:,.1f}".replace(",", "\u202f") + f" {name}"
    whole = -int(-value // 1)
    text = f"{whole:,}".replace(",", "\u202f")
    return text if unit == "pcs" else f"{text} {unit}"


@register.filter
def percent(value: float | None, places: int = 1) -> str:
    """A share in per cent."""
    return "–" if value is None else f"{value * 100:.{places}f} %"
