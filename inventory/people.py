"""What the inner packages need to know of a person who acts; the user model itself is an edge."""

from __future__ import annotations

from datetime import date
from typing import Protocol


class Person(Protocol):
    """A signed-in person of the firm or of an owner."""

    pk: int
    role: str
    is_active: bool
    licence_number: str
    licence_expires_on: date | None

    @property
    def display_name(self) -> str:
        """Name as it is printed."""
        ...
