"""A billing run as a file for the bookkeeping that the firm has: CSV, XLSX or JSON, the same columns in each.

Amounts are decimals with a point, days ISO 8601; a line without a price has none, never zero. Lines go by
owner, site and day.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from django.db.models import QuerySet
from openpyxl import Workbook

from schedules.billing.models import BillingLine, BillingRun
from servicedesk.exchange.writing import csv_lines, plain_cell

COLUMNS: tuple[tuple[str, str], ...] = (
    ("line_id", "The line for ever; never used twice"),
    ("run", "Number of the run"),
    ("corrects_line_id", "The earlier line that this one takes back, wholly or in part"),
    ("owner", "Who is billed"),
    ("site_code", "Code of the premises"),
    ("site", "Name of the premises"),
    ("done_on", "Civil day at the premises on which it was done"),
    ("kind", "visit, unit, task, part, loan or rental"),
    ("code", "What is billed, as the price list names it"),
    ("price_code", "Code of the line of the price list; empty: no price"),
    ("text", "What was done, in words"),
    ("quantity", "Two decimals; negative where it takes back"),
    ("unit_of_quantity", "What one is: unit, visit, day, piece"),
    ("price", "Of one, without taxes; empty: no price"),
    ("currency", "ISO 4217 code; empty without a price"),
    ("amount", "Quantity times price, half a cent up; empty: no price"),
    ("included", "yes: covered by the basis of price, nothing is charged"),
    ("basis_of_price", "per_unit, all_in, visit_and_units, rental; empty: not agreed"),
    ("contract_number", "As agreed for the day"),
    ("purchase_order", "As agreed for the day"),
    ("purchase_order_problem", "Missing or run out on the day"),
    ("unit_number", "Our number of the unit"),
    ("visit_number", "Number of the visit"),
    ("sources", "Sort and id of each record it was read off, with blanks between"),
)
KINDS = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "json": "application/json",
}


def lines_of(run: BillingRun) -> QuerySet[BillingLine]:
    """The lines of a run in the order of the file."""
    return run.lines.select_related("run", "owner", "site", "unit", "item", "corrects").order_by(
        "owner__name", "owner_id", "site__name", "site_id", "on", "pk"
    )


def row_of(line: BillingLine) -> list[Any]:
    """One line in the order of ``COLUMNS``."""
    return [
        str(line.public_id),
        line.run.number,
        str(line.corrects.public_id) if line.corrects else "",
        line.owner.name,
        line.site.code,
        line.site.name,
        line.on,
        line.kind,
        line.code,
        line.item.code if line.item else "",
        line.text,
        line.quantity,
        line.unit_word,
        line.price,
        line.currency,
        line.amount,
        "yes" if line.is_included else "no",
        line.basis,
        line.contract_number,
        line.po_number,
        line.po_problem,
        line.unit.number if line.unit else "",
        line.visit_number,
        " ".join(f"{sort}:{ref}" for sort, ref in line.sources),
    ]


def as_csv(run: BillingRun) -> Iterator[str]:
    """The run as CSV. A negative figure stays a figure: it can hold nothing that a spreadsheet would run."""
    return csv_lines([name for name, _ in COLUMNS], (row_of(line) for line in lines_of(run)))


def as_xlsx(run: BillingRun) -> bytes:
    """The run as a workbook: the lines, and a sheet that says what each column holds."""
    book = Workbook(write_only=True)
    sheet = book.create_sheet("Lines")
    sheet.append([name for name, _ in COLUMNS])
    for line in lines_of(run):
        sheet.append(
            [cell if isinstance(cell, Decimal) or cell is None else plain_cell(cell) for cell in row_of(line)]
        )
    about = book.create_sheet("Columns")
    for name, text in COLUMNS:
        about.append([name, text])
    held = io.BytesIO()
    book.save(held)
    return held.getvalue()


def as_json(run: BillingRun) -> bytes:
    """The run as JSON; amounts are texts, so that no reader rounds them."""
    names = [name for name, _ in COLUMNS]
    lines = [
        {
            name: cell if isinstance(cell, str) or cell is None else str(cell)
            for name, cell in zip(names, row_of(line), strict=True)
        }
        | {"sources": [{"sort": sort, "id": ref} for sort, ref in line.sources]}
        for line in lines_of(run)
    ]
    content = {
        "run": run.number,
        "first_on": str(run.first_on),
        "until_on": str(run.until_on),
        "is_taken_back": run.taken_back_at is not None,
        "lines": lines,
    }
    return json.dumps(content, ensure_ascii=False, indent=1).encode()
