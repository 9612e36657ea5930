"""Refusals that are not about one field: the world moved on, or figures do not add up."""

from __future__ import annotations

from typing import Any


class Conflict(Exception):
    """The act does not fit the present state; nothing was changed.

    ``code`` is for machines, ``sentence`` tells a person what happened and what to do, ``extra``
    carries what a client needs to show (lists of units, counts).
    """

    def __init__(self, code: str, sentence: str, **extra: Any) -> None:
        super().__init__(sentence)
        self.code = code
        self.sentence = sentence
        self.extra = extra
