"""Cells that tell several things, and rows that stand for several units."""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace

from inventory.measures.kinds import CONSTRUCTION_LABELS, Construction
from servicedesk.exchange.headings import spoken
from servicedesk.exchange.mixed import Mixed, is_agent, split_mixed
from servicedesk.exchange.rows import RegisterRow
from servicedesk.exchange.saying import Teller
from servicedesk.exchange.words import is_unknown, plain, words_of

# Units that one row may become; more in one row is a slip.
MOST_COPIES = 200

_BARE_SIZE = re.compile(r"[\d.,¼½¾/ ]+\s*[a-zA-Z.#]*", re.ASCII)


def _key_of(row: RegisterRow, copy: int) -> str:
    if copy == 1:
        return row.import_key
    return hashlib.sha256(f"{row.import_key}\x1f{copy}".encode()).hexdigest()


def _same_agent(one: str, other: str) -> bool:
    agents = words_of("agents")
    first, second = plain(one), plain(other)
    return first == second or (first in agents and agents[first] == agents.get(second))


class SeveralThings(Teller):
    """Takes a cell apart into fields, and a row into units."""

    def _unmix(self) -> None:
        """Take size, agent, construction and number of units out of a cell that tells several."""
        agent, charge = self.cells.get("agent", ""), self.cells.get("charge", "")
        changes = self._once(("mixed", agent, charge), lambda: self._unmixed(agent, charge))
        for field, text in changes.items():
            if field in ("agent", "charge") or not self.cells.get(field):
                self.cells[field] = text
                self.raw.setdefault(field, "")

    def _unmixed(self, agent: str, charge: str) -> dict[str, str]:
        changes: dict[str, str] = {}
        words = plain(agent)
        if agent and not is_unknown(agent) and not is_agent(words):
            mixed = split_mixed(agent)
            if mixed is not None:
                changes |= self._taken("agent", agent, mixed, charge)
        if charge and not is_unknown(charge) and not _BARE_SIZE.fullmatch(charge):
            mixed = split_mixed(charge)
            if mixed is not None and (mixed.agent or mixed.rating or mixed.count or mixed.construction):
                changes |= self._taken("charge", charge, mixed, changes.get("agent", agent))
        return changes

    def _taken(self, field: str, text: str, mixed: Mixed, other: str) -> dict[str, str]:
        changes = {field: mixed.agent if field == "agent" else mixed.measure}
        told = []
        if mixed.agent:
            told.append(f'agent "{mixed.agent}"')
            if field == "charge":
                if not other or is_unknown(other):
                    changes["agent"] = mixed.agent
                elif not _same_agent(other, mixed.agent):
                    self._doubt(
                        field,
                        "agent_conflict",
                        f'"{text}" says {mixed.agent}, the cell of the agent says "{other}"; that was kept.',
                        "Read it from the nameplate.",
                        becomes=other,
                    )
        if mixed.measure:
            told.append(f"size {mixed.measure}")
            if field == "agent":
                if not other or is_unknown(other):
                    changes["charge"] = mixed.measure
                elif plain(other) != plain(mixed.measure) and mixed.measure.split()[0] not in other:
                    self._doubt(
                        field,
                        "size_conflict",
                        f'"{text}" says {mixed.measure}, the cell of the size says "{other}"; that was kept.',
                        "Read it from the nameplate.",
                        becomes=other,
                    )
        if mixed.construction:
            told.append(CONSTRUCTION_LABELS[Construction(mixed.construction)].lower())
            changes["construction"] = mixed.construction
        if mixed.is_wheeled:
            told.append("wheeled")
            changes["wheeled"] = "yes"
        if mixed.count is not None:
            told.append(f"{mixed.count} units")
            changes["quantity"] = str(mixed.count)
        if mixed.rating:
            told.append(f"rating {mixed.rating}, which is no size")
            if not self.cells.get("hazard"):
                changes["hazard"] = mixed.rating
        reads = "; ".join(told)
        self._doubt(
            field,
            "rating_no_size" if mixed.rating and not mixed.measure and field == "charge" else "mixed_cell",
            f'"{text}" tells several things; it was read as {reads}.'
            if len(told) > 1
            else f'"{text}" was read as {reads}.',
            "Give each its own column.",
            becomes=reads,
        )
        return changes

    def _quantity(self) -> int:
        text = self.cells.get("quantity", "")
        if not text or is_unknown(text):
            return 1
        match = re.fullmatch(
            r"(\d{1,6})(?:[.,]0+)?\s*(?:x|pcs?|units?|stk\.?|st\.?|stück)?", text, re.IGNORECASE
        )
        if match is None:
            self._doubt(
                "quantity",
                "no_quantity",
                f'"{text}" is not a number of units; the row was read as one unit.',
                "Write the number, or a row for each unit.",
                becomes="1",
            )
            return 1
        return int(match[1])

    def _copies(self, row: RegisterRow) -> list[RegisterRow]:
        """Return a row for each unit that the row stands for."""
        count = self._quantity()
        if count == 1:
            return [row]
        if count == 0:
            self._skip(self.cells.get("quantity", ""), "no_units", "The row counts no unit; it was left out.")
            return []
        if self.told.split_quantities is None or count > MOST_COPIES:
            self._refuse(
                "quantity",
                "several_units",
                f"The row stands for {count} units, each of which needs a record of its own.",
                "Write a row for each unit, or say that such rows become as many units."
                if count <= MOST_COPIES
                else f"Write a row for each unit; no more than {MOST_COPIES} are made from one row.",
            )
            self.refused_keys.update(_key_of(row, copy) for copy in range(1, min(count, MOST_COPIES) + 1))
            return []
        if not self.told.split_quantities:
            self._doubt(
                "quantity",
                "several_units",
                f"The row stands for {count} units and was read as one, as someone told.",
                "Write a row for each unit.",
                becomes="1 unit",
            )
            return [row]
        serials = self._shared_out("serial", row.serial, count)
        numbers = self._shared_out("unit_number", row.unit_number, count)
        self._doubt(
            "quantity",
            "several_units",
            f"The row stands for {count} units and became {count} units that are told apart by their labels.",
            "Read the serial of each at the next visit.",
            becomes=f"{count} units",
        )
        return [
            replace(row, import_key=_key_of(row, copy), copy=copy, serial=serial, unit_number=number)
            for copy, (serial, number) in enumerate(zip(serials, numbers, strict=True), 1)
        ]

    def _shared_out(self, field: str, text: str, count: int) -> list[str]:
        """Return the text of each of ``count`` units: one each when so many are listed, else none."""
        if not text:
            return [""] * count
        parts = [part.strip() for part in re.split(r"[,;/&\n]", text) if part.strip()]
        if len(parts) == count:
            return parts
        self._doubt(
            field,
            "one_for_several",
            f'"{text}" cannot be the {spoken(field)} of {count} units; it was given to none.',
            "List one for each unit, or write a row for each.",
            becomes="left out",
        )
        return [""] * count
