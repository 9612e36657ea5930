"""The firm's own price list from a CSV file: all rows or none.

Columns by name: ``code``, ``text``, ``unit``, ``price``, ``currency``, ``valid_from`` (empty: today) and,
where the price is for lines of billing, ``bills`` and ``agent``. A code that is known gets a new price from
that day.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Collection
from datetime import date, datetime
from decimal import Decimal, InvalidOperation

from django.core.exceptions import ValidationError
from django.db import transaction

from inventory.errors import Conflict
from inventory.people import Person
from inventory.register.models import AGENT_CHOICES
from schedules.quotations.models import PriceItem
from schedules.quotations.services import save_price

NEEDED = ("code", "text", "unit", "price", "currency")
TAKEN = (*NEEDED, "valid_from", "bills", "agent")
MOST_BYTES = 2_000_000
SHOWN = 20


def read_prices(data: bytes, *, bills: Collection[str], by: Person, now: datetime) -> int:
    """Take the list in; return how many rows it had. ``bills`` are the codes that can be priced.

    Raises ``ValidationError`` that names row, column and remedy of what cannot be read; then nothing changed.
    """
    if len(data) > MOST_BYTES:
        raise ValidationError(f"The file is larger than {MOST_BYTES // 1_000_000} MB. Nothing was changed.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ValidationError("Save the file as CSV in UTF-8. Nothing was changed.") from error
    heading = text.split("\n", 1)[0]
    reader = csv.DictReader(io.StringIO(text), delimiter=";" if ";" in heading else ",")
    names = [str(name).strip().lower() for name in reader.fieldnames or ()]
    lacking = [name for name in NEEDED if name not in names]
    if lacking:
        raise ValidationError(
            f"The first row lacks {', '.join(lacking)}. Known columns: {', '.join(TAKEN)}. "
            "Nothing was changed."
        )
    reader.fieldnames = names
    problems: list[str] = []
    count = 0
    with transaction.atomic():
        items = {item.code: item for item in PriceItem.objects.all()}
        for number, row in enumerate(reader, start=2):
            given = {name: str(row.get(name) or "").strip() for name in TAKEN}
            if not any(given.values()):
                continue
            count += 1
            try:
                item = _take(given, items, bills=bills, by=by, now=now)
            except (ValueError, ValidationError, Conflict) as problem:
                words = problem.messages if isinstance(problem, ValidationError) else [str(problem)]
                problems.append(f"Row {number}: {' '.join(words)}")
                continue
            items[item.code] = item
        if problems:
            more = [f"And {len(problems) - SHOWN} more."] if len(problems) > SHOWN else []
            raise ValidationError([*problems[:SHOWN], *more, "Nothing was changed."])
    return count


def _take(
    given: dict[str, str],
    items: dict[str, PriceItem],
    *,
    bills: Collection[str],
    by: Person,
    now: datetime,
) -> PriceItem:
    for name in NEEDED:
        if not given[name]:
            raise ValueError(f'column "{name}" is empty. Fill it in.')
    try:
        price = Decimal(given["price"])
    except InvalidOperation:
        price = Decimal("NaN")
    if not price.is_finite() or price != price.quantize(Decimal("0.01")):
        raise ValueError(f'column "price": {given["price"]} is no amount. Write it like 12.50.')
    try:
        from_on = date.fromisoformat(given["valid_from"]) if given["valid_from"] else None
    except ValueError:
        raise ValueError(
            f'column "valid_from": {given["valid_from"]} does not exist. Write it like 2026-03-31.'
        ) from None
    if given["bills"] and given["bills"] not in bills:
        raise ValueError(f'column "bills": {given["bills"]} is not known. The page lists the codes.')
    if given["agent"] and given["agent"] not in dict(AGENT_CHOICES):
        raise ValueError(f'column "agent": {given["agent"]} is not known.')
    item = items.get(given["code"])
    return save_price(
        code=given["code"][:30],
        text=given["text"][:200],
        unit_word=given["unit"][:20],
        price=price,
        currency=given["currency"],
        defect_code=item.defect_code if item else "",
        is_active=True,
        bills=given["bills"] or (item.bills if item else ""),
        agent=given["agent"] or (item.agent if item else ""),
        from_on=from_on,
        by=by,
        now=now,
        item=item,
        version=item.version if item else 0,
    )
