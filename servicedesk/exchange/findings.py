"""What a reader of files says: refusals and doubts by row, column and remedy."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """What a finding does: keeps its row out, marks a value, or says that a row holds no unit."""

    REFUSED = "refused"
    DOUBT = "doubt"
    SKIPPED = "skipped"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing the reader refuses, doubts or passes over.

    ``row`` is the row as a spreadsheet numbers it, 0 when the whole file is meant; ``column`` the
    heading in the file, empty when the whole row is meant; ``found`` the text that was read and
    ``becomes`` what is taken in its place, empty when nothing is. ``letter`` names the column as
    spreadsheets do, ``field`` as the register does; both are empty when no one column is meant.
    """

    row: int
    column: str
    code: str
    severity: Severity
    found: str
    sentence: str
    remedy: str
    becomes: str = ""
    letter: str = ""
    field: str = ""

    @property
    def text(self) -> str:
        """Return the finding in one line, for a report."""
        place = f"Row {self.row}" if self.row else "File"
        if self.column:
            place += f', column "{self.column}"'
        return f"{place}: {self.sentence} {self.remedy}".rstrip()


class RegisterFileError(ValueError):
    """A file that cannot be read as a register at all; nothing is imported from it."""

    def __init__(self, findings: Iterable[Finding]) -> None:
        self.findings = tuple(findings)
        super().__init__(" ".join(finding.text for finding in self.findings))


def file_error(code: str, found: str, sentence: str, remedy: str, *, row: int = 0) -> RegisterFileError:
    return RegisterFileError(
        [Finding(row, "", code, Severity.REFUSED, found, sentence, f"{remedy} Nothing was imported.")]
    )


def split_remedy(sentence: str) -> tuple[str, str]:
    """Return what is wrong and, apart from it, the last sentence, which says what to do."""
    wrong, _, remedy = sentence.rpartition(". ")
    return (f"{wrong}.", remedy) if wrong else (sentence, "")


def clip(text: str, longest: int = 80) -> str:
    return text if len(text) <= longest else f"{text[: longest - 1]}…"
