"""Which column of a register file holds which field."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from servicedesk.exchange.book import Table, column_letter
from servicedesk.exchange.findings import Finding, RegisterFileError, Severity, file_error
from servicedesk.exchange.words import plain, word_file, words_of

REQUIRED = ("owner_name", "site_code", "site_name", "time_zone", "location_number", "agent", "made")


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the register that a column can hold."""

    name: str
    label: str
    group: str
    is_required: bool = False


_GROUPS: dict[str, tuple[str, ...]] = {
    "Owner and site": (
        "owner_name", "owner_email", "site_code", "site_name", "address_line", "city", "region", "postcode",
        "country", "latitude", "longitude", "time_zone", "access_hours", "tables",
    ),
    "Where it hangs": (
        "building", "floor", "location_number", "location_description", "environment", "hazard",
    ),
    "The unit": (
        "unit_number", "serial", "maker", "model", "agent", "construction", "shell", "cylinder_spec",
        "charge", "water_capacity", "working_pressure", "test_pressure", "full_mass", "wheeled",
        "refillable", "shutoff_hose", "unit_state", "quantity", "remarks",
    ),
    "Dates": (
        "made", "installed", "last_maintenance", "last_recharge", "last_internal_examination",
        "last_hydrostatic_test", "hydrostatic_test_method", "last_visual_inspection", "last_weighing",
        "last_conductivity_test",
    ),
}  # fmt: skip


def spoken(field: str) -> str:
    """Return the name of a field as a sentence says it."""
    return {"made": "manufacture date", "charge": "size of the charge", "quantity": "number of units"}.get(
        field, field.replace("_", " ")
    )


FIELDS: dict[str, Field] = {
    name: Field(name, spoken(name).capitalize(), group, name in REQUIRED)
    for group, names in _GROUPS.items()
    for name in names
}


@dataclass(frozen=True, slots=True)
class ProposedColumn:
    """What one column is taken for, and why.

    ``field`` is empty when no field takes it; ``confidence`` runs from 0 to 1; ``filled`` counts
    the rows that have a value in it, ``samples`` are up to five different ones.
    """

    position: int
    letter: str
    heading: str
    field: str
    confidence: float
    evidence: str
    samples: tuple[str, ...]
    filled: int


@dataclass(frozen=True, slots=True)
class Proposal:
    """What each column of a table is taken for, and which fields have none that must be told."""

    columns: tuple[ProposedColumn, ...]
    missing: tuple[str, ...]
    day_first: bool | None = None
    decimal_comma: bool | None = None
    date_question: str = ""

    @property
    def mapping(self) -> dict[int, str]:
        """The proposal as ``read_register`` takes it: position to field, empty for none."""
        return {column.position: column.field for column in self.columns}


@dataclass(frozen=True, slots=True)
class Columns:
    """Where each field stands: its position and the heading that named it."""

    positions: dict[str, int]
    headings: dict[str, str]
    unread: tuple[int, ...] = ()


def propose_columns(table: Table, *, defaults: Collection[str] = ()) -> Proposal:
    """Return what each column of ``table`` is taken for.

    ``defaults`` are the fields a person told for all rows; they are not missed.
    """
    known = words_of("columns")
    taken: dict[str, int] = {}
    columns: list[ProposedColumn] = []
    for position in range(max(len(table.headings), table.widest)):
        heading = table.headings[position] if position < len(table.headings) else ""
        values = [cells[position] for _, cells in table.rows if position < len(cells) and cells[position]]
        if position >= len(table.headings) and len(values) * 2 <= len(table.rows):
            continue  # a few rows too long are rows gone out of place, no column
        field = known.get(plain(heading), "")
        evidence = f'"{heading}" is a known name of it.' if field else ""
        if field in taken:
            evidence = f"Column {column_letter(taken[field])} is taken for the {spoken(field)} already."
            field = ""
        elif field:
            taken[field] = position
        columns.append(
            ProposedColumn(
                position,
                column_letter(position),
                heading,
                field,
                1.0 if field else 0.0,
                evidence,
                tuple(list(dict.fromkeys(values))[:5]),
                len(values),
            )
        )
    missing = tuple(field for field in REQUIRED if field not in taken and field not in defaults)
    return Proposal(tuple(columns), missing)


def settle_columns(
    table: Table, proposal: Proposal, told: Mapping[int, str] | None, defaults: Collection[str]
) -> tuple[Columns, list[Finding]]:
    """Return where each field stands, by a person's word or as proposed, and what is not read.

    Raises ``RegisterFileError`` when two columns name one field, a told field is none, or a field
    that must be there has neither column nor default.
    """
    doubts: list[Finding] = []
    errors: list[Finding] = []
    positions: dict[str, int] = {}
    headings: dict[str, str] = {}
    unread: list[int] = []
    names = words_of("columns")
    for column in proposal.columns:
        field = column.field if told is None else told.get(column.position, "")
        if told is None and not field:
            field = names.get(plain(column.heading), "")
        if field and field not in FIELDS:
            raise file_error("unknown_field", field, f'"{field}" is no field of the register.', "Choose one.")
        if field in positions:
            errors.append(
                Finding(
                    table.heading_row,
                    column.heading,
                    "column_twice",
                    Severity.REFUSED,
                    column.heading,
                    f'"{headings[field]}" and "{column.heading}" both name the {spoken(field)}.',
                    "Keep one of the two columns. Nothing was imported.",
                    letter=column.letter,
                    field=field,
                )
            )
        elif field:
            positions[field] = column.position
            headings[field] = column.heading or f"column {column.letter}"
        elif column.filled:
            unread.append(column.position)
            doubts.append(
                Finding(
                    table.heading_row,
                    column.heading,
                    "unknown_column",
                    Severity.DOUBT,
                    column.heading,
                    f'The column "{column.heading}" is not known and was not read.'
                    if column.heading
                    else f"Column {column.letter} has values but no heading and was not read.",
                    "Say which field it holds if the register needs it; its values are kept with each unit.",
                    letter=column.letter,
                )
            )
    for field in REQUIRED:
        if field not in positions and field not in defaults:
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
                    field=field,
                )
            )
    if errors:
        raise RegisterFileError(errors)
    if not table.rows:
        raise file_error(
            "no_rows", "", "The file has headings but no rows.", "Choose the file that holds the register."
        )
    return Columns(positions, headings, tuple(unread)), doubts
