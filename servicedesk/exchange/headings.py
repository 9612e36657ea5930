"""Which column of a register file holds which field."""

from __future__ import annotations

from dataclasses import dataclass

from servicedesk.exchange.findings import Finding, RegisterFileError, Severity, file_error
from servicedesk.exchange.sheet import Sheet
from servicedesk.exchange.words import plain, word_file, words_of

REQUIRED = ("owner_name", "site_code", "site_name", "time_zone", "location_number", "agent", "made")


@dataclass(frozen=True, slots=True)
class Columns:
    """Where each field stands: its position and the heading that named it."""

    positions: dict[str, int]
    headings: dict[str, str]


def recognise(table: Sheet) -> tuple[Columns, list[Finding]]:
    known = words_of("columns")
    columns = Columns({}, {})
    doubts: list[Finding] = []
    errors: list[Finding] = []
    for position, heading in enumerate(table.headings):
        field = known.get(plain(heading))
        if field is None:
            is_used = any(position < len(cells) and cells[position] for _, cells in table.rows)
            if is_used:
                doubts.append(
                    Finding(
                        table.heading_row,
                        heading,
                        "unknown_column",
                        Severity.DOUBT,
                        heading,
                        f'The column "{heading}" is not known and was not read.'
                        if heading
                        else f"Column {position + 1} has values but no heading and was not read.",
                        "Rename it if the register needs it.",
                    )
                )
        elif field in columns.positions:
            errors.append(
                Finding(
                    table.heading_row,
                    heading,
                    "column_twice",
                    Severity.REFUSED,
                    heading,
                    f'"{columns.headings[field]}" and "{heading}" both name the {spoken(field)}.',
                    "Keep one of the two columns. Nothing was imported.",
                )
            )
        else:
            columns.positions[field] = position
            columns.headings[field] = heading
    for field in REQUIRED:
        if field not in columns.positions:
            name = field.replace("_", " ")
            others = [word for word in word_file()["columns"][field] if word != name][:2]
            errors.append(
                Finding(
                    table.heading_row,
                    "",
                    "missing_column",
                    Severity.REFUSED,
                    ", ".join(table.headings)[:200],
                    f"There is no column for the {spoken(field)}.",
                    f'Add one headed "{name}" ("{others[0]}" and "{others[1]}" are also known). '
                    "Nothing was imported.",
                )
            )
    if errors:
        raise RegisterFileError(errors)
    if not table.rows:
        raise file_error(
            "no_rows", "", "The file has headings but no rows.", "Choose the file that holds the register."
        )
    return columns, doubts


def spoken(field: str) -> str:
    return {"made": "manufacture date", "agent": "agent"}.get(field, field.replace("_", " "))
