"""Which column of a register file holds which field."""

from __future__ import annotations

import dataclasses
import re
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from difflib import get_close_matches

from inventory.measures.units import read_unit
from servicedesk.exchange.book import Table, column_letter
from servicedesk.exchange.evidence import LOOKS, fit, looks, order_of
from servicedesk.exchange.findings import Finding, RegisterFileError, Severity, file_error
from servicedesk.exchange.places import only_zones
from servicedesk.exchange.words import doubtful_columns, plain, promises, word_file, words_of

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
    units: Mapping[str, str] = dataclasses.field(default_factory=dict)


# How sure a proposal is; a person sees it, and nobody else takes what is below the name itself.
_BY_NAME = 0.95
_BY_NAME_AGAINST_VALUES = 0.6
_BY_PART_OF_NAME = 0.7
_BY_LIKENESS = 0.6
_BY_VALUES = 0.55
_AMONG_SEVERAL = 0.4
_LEAST = 0.5
_SAMPLED = 300

# Fields that values alone can give away, and the kind of text that does.
_GIVEN_AWAY = (
    ("owner_email", "email"), ("time_zone", "time_zone"), ("agent", "agent"), ("charge", "charge"),
    ("construction", "construction"), ("shell", "shell"), ("unit_state", "unit_state"),
    ("country", "country"),
)  # fmt: skip
_UNIT_AT_END = re.compile(
    r"(?P<name>.*?)\s*(?:[(\[]\s*(?:in\s+)?(?P<unit>[^)\]]{1,12})\s*[)\]]|(?:\bin\b\s*)?(?P<word>\S{1,6}))\s*"
)


@dataclass(frozen=True, slots=True)
class _Guess:
    field: str
    confidence: float
    evidence: str


def heading_unit(heading: str) -> tuple[str, str]:
    """Return a heading without the unit at its end, and that unit; both as they are when it has none.

    >>> heading_unit("Charge (kg)")
    ('Charge', 'kg')
    """
    match = _UNIT_AT_END.fullmatch(heading)
    if match is None or not match["name"]:
        return heading, ""
    text = match["unit"] or match["word"] or ""
    unit = read_unit(text)
    if unit is None or (match["unit"] is None and text.lower() in ("in", "m", "s", "c", "f", "at", "#")):
        return heading, ""
    return match["name"].rstrip(" ,-/"), unit.value


def name_of(heading: str) -> str:
    """Return the field that a heading names outright, "" when none."""
    known = words_of("columns")
    return known.get(plain(heading), "") or known.get(plain(heading_unit(heading)[0]), "")


def propose_columns(table: Table, *, defaults: Collection[str] = ()) -> Proposal:
    """Return what each column of ``table`` is taken for, by its name and by its values.

    ``defaults`` are the fields a person told for all rows; they are not missed.
    """
    guesses: list[tuple[int, _Guess]] = []
    about: dict[int, tuple[str, tuple[str, ...], int, list[_Guess]]] = {}
    for position in range(max(len(table.headings), table.widest)):
        heading = table.headings[position] if position < len(table.headings) else ""
        values = [cells[position] for _, cells in table.rows if position < len(cells) and cells[position]]
        if position >= len(table.headings) and len(values) * 2 <= len(table.rows):
            continue  # a few rows too long are rows gone out of place, no column
        distinct = list(dict.fromkeys(values))
        shares = looks(distinct[:: max(1, len(distinct) // _SAMPLED)][:_SAMPLED])
        found = _guesses(heading, shares)
        about[position] = (heading, tuple(distinct[:5]), len(values), found)
        guesses += [(position, guess) for guess in found]
    taken: dict[str, int] = {}
    chosen: dict[int, _Guess] = {}
    for position, guess in sorted(guesses, key=lambda item: (-item[1].confidence, item[0])):
        if guess.confidence >= _LEAST and position not in chosen and guess.field not in taken:
            taken[guess.field] = position
            chosen[position] = guess
    columns = []
    for position, (heading, samples, filled, found) in about.items():
        best = chosen.get(position)
        evidence = best.evidence if best else _why_none(heading, found, taken)
        columns.append(
            ProposedColumn(
                position,
                column_letter(position),
                heading,
                best.field if best else "",
                round(best.confidence, 2) if best else 0.0,
                evidence,
                samples,
                filled,
            )
        )
    day_first, question = _date_order(
        table, [at for name, at in taken.items() if LOOKS.get(name, ("",))[0] == "date"]
    )
    return Proposal(
        tuple(columns), missing_fields(table, taken, defaults), day_first=day_first, date_question=question
    )


def _guesses(heading: str, shares: dict[str, float]) -> list[_Guess]:
    """Return what a column may be, the likeliest first."""
    if promises(heading):
        return []
    named = name_of(heading)
    if named:
        fits = fit(named, shares)
        if fits is None or fits >= 0.3:
            return [_Guess(named, _BY_NAME, f'"{heading}" is a known name of it.')]
        told = f'"{heading}" is a known name of it, but its values do not look like it.'
        return [_Guess(named, _BY_NAME_AGAINST_VALUES, told), *_by_values(shares)]
    words = plain(heading_unit(heading)[0])
    found: list[_Guess] = []
    for field in doubtful_columns().get(words, ()):
        fits = fit(field, shares)
        if fits is None or fits >= 0.3:
            found.append(_Guess(field, _AMONG_SEVERAL, f'"{heading}" can mean this and something else.'))
    if not found and words:
        found += _by_part(heading, words, shares)
    return sorted([*found, *_by_values(shares)], key=lambda guess: -guess.confidence)


def _by_part(heading: str, words: str, shares: dict[str, float]) -> list[_Guess]:
    known = words_of("columns")
    padded = f" {words} "
    parts = [name for name in known if len(name) >= 4 and f" {name} " in padded]
    best = _BY_PART_OF_NAME
    told = "holds"
    if not parts and len(words) >= 5:
        parts = get_close_matches(words, known, n=1, cutoff=0.86)
        best = _BY_LIKENESS
        told = "is much like"
    for part in sorted(parts, key=len, reverse=True)[:1]:
        field = known[part]
        why = f'"{heading}" {told} the known name "{part}".'
        fits = fit(field, shares)
        if fits is None:
            return [_Guess(field, best - 0.1, why)]
        if fits >= 0.5:
            return [_Guess(field, best + 0.15, f"{why} Its values look like it.")]
    return []


def _by_values(shares: dict[str, float]) -> list[_Guess]:
    return [
        _Guess(
            field, _BY_VALUES + 0.3 * (shares[kind] - 0.7), f"{shares[kind]:.0%} of its values look like it."
        )
        for field, kind in _GIVEN_AWAY
        if shares.get(kind, 0) >= 0.7
    ]


def _why_none(heading: str, found: list[_Guess], taken: Mapping[str, int]) -> str:
    if promises(heading):
        return "It tells what falls due; due dates are computed here from what was done."
    for guess in found:
        if guess.field in taken:
            return (
                f"Column {column_letter(taken[guess.field])} is taken for the {spoken(guess.field)} already."
            )
    if found:
        return f"It can be {' or '.join(spoken(guess.field) for guess in found)}; say which."
    return "Neither its name nor its values are known; its values are kept with each unit."


def missing_fields(
    table: Table, positions: Mapping[str, int], defaults: Collection[str] | Mapping[str, str]
) -> tuple[str, ...]:
    """Return the fields that must be there and have neither column, default nor another to come from."""
    there = {*positions, *defaults}
    missing = [field for field in ("owner_name", "agent", "made") if field not in there]
    if not there & {"site_code", "site_name"}:
        missing.append("site_name")
    if not there & {"location_number", "location_description", "unit_number"}:
        missing.append("location_number")
    if "time_zone" not in there and not _zones_follow(table, positions, defaults):
        missing.append("time_zone")
    return tuple(field for field in REQUIRED if field in missing)


def _zones_follow(
    table: Table, positions: Mapping[str, int], defaults: Collection[str] | Mapping[str, str]
) -> bool:
    """Return whether the time zone of every site follows from its country."""
    at = positions.get("country")
    texts = set() if at is None else {cells[at] for _, cells in table.rows if at < len(cells)} - {""}
    if isinstance(defaults, Mapping) and "country" in defaults:
        texts.add(defaults["country"])
    codes = [words_of("countries").get(plain(text), "") for text in texts]
    return bool(codes) and all(code in only_zones() for code in codes)


def _date_order(table: Table, positions: list[int]) -> tuple[bool | None, str]:
    """Return whether the day comes first in the dates of the table, and the question when that is open."""
    seen: Counter[str] = Counter()
    example = ""
    for _, cells in table.rows:
        for at in positions:
            kind = order_of(cells[at]) if at < len(cells) else ""
            seen[kind] += 1
            if kind == "open":
                example = example or cells[at]
    if seen["day"] and not seen["month"]:
        return True, ""
    if seen["month"] and not seen["day"]:
        return False, ""
    if not seen["open"]:
        return None, ""
    have = "other has" if seen["day"] == 1 else "others have"
    why = (
        f"{seen['day']} {have} the day first and {seen['month']} the month"
        if seen["day"]
        else "nothing in the file settles it"
    )
    count = "1 date" if seen["open"] == 1 else f"{seen['open']} dates"
    return None, f"{count} such as {example} can be read with the day or the month first, and {why}."


def no_rows() -> RegisterFileError:
    """What is said of a table without any row that could be a unit."""
    return file_error(
        "no_rows",
        "",
        "The file has headings but no rows.",
        "Choose a file that has a row for each unit under its headings.",
    )


def settle_columns(
    table: Table, proposal: Proposal, told: Mapping[int, str] | None, defaults: Mapping[str, str]
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
    units: dict[str, str] = {}
    for column in proposal.columns:
        # Without a person's word only names count: what values seem to say is for a person to see.
        field = name_of(column.heading) if told is None else told.get(column.position, "")
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
            unit = heading_unit(column.heading)[1]
            if unit:
                units[field] = unit
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
    for field in missing_fields(table, positions, defaults):
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
                f'Add one headed "{name}" ("{others[0]}" and "{others[1]}" are also known), say which column '
                "it is, or tell one value for all rows. Nothing was imported.",
                field=field,
            )
        )
    if errors:
        raise RegisterFileError(errors)
    if not table.rows:
        raise no_rows()
    return Columns(positions, headings, tuple(unread), units), doubts
