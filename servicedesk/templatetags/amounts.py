"""Amounts of goods as a storekeeper reads them."""

from __future__ import annotations

from django import template

from inventory.stock.amounts import amount_text

register = template.Library()


@register.filter
def amount_of(value: float | None, unit: str) -> str:
    """``value`` of base unit ``unit``: kilograms and litres, whole pieces rounded up."""
    return "–" if value is None else amount_text(value, unit)


@register.filter
def percent(value: float | None, places: int = 1) -> str:
    """A share in per cent."""
    return "–" if value is None else f"{value * 100:.{places}f} %"
