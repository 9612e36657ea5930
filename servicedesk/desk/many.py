"""Acts on many rows of a list: one transaction, harmless to send twice, undone where that makes sense."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction
from django.http.response import HttpResponseBase

from inventory.errors import Conflict
from servicedesk.accounts.models import User
from servicedesk.desk.models import ManyAct

MOST_AT_ONCE = 2_000
"""Rows of one act; more would hold up everybody else's writing."""


@dataclass(slots=True)
class Done:
    """What came of an act: rows changed as (id, before, after), rows left alone as (what, why)."""

    said: str = ""
    changes: list[list[Any]] = field(default_factory=list)
    refused: list[list[str]] = field(default_factory=list)
    answer: HttpResponseBase | None = None
    """A file to hand out instead of going back to the list."""


@dataclass(frozen=True, slots=True)
class Why:
    """Who acts, when, with which value and for what reason."""

    value: str
    reason: str
    by: User
    now: datetime
    together: uuid.UUID


@dataclass(frozen=True, slots=True)
class Way:
    """One act that a list offers."""

    code: str
    label: str
    button: str
    run: Callable[[Sequence[Any], Why], Done]
    undo: Callable[[Sequence[Sequence[Any]], Why], Done] | None = None
    needs_reason: bool = False
    choices: Callable[[], list[tuple[str, str]]] | None = None
    is_grave: bool = False

    def drawn(self) -> dict[str, Any]:
        """What the page shows of it."""
        return {"way": self, "choices": self.choices() if self.choices else []}

    def wrong_with(self, value: str, reason: str) -> str:
        """What is missing for the act, in a sentence; nothing when it can be tried."""
        if self.needs_reason and not reason:
            return "Say why: it stays with each row."
        if len(reason) > 200:
            return "Say the reason in at most 200 characters."
        if self.choices is not None and value not in dict(self.choices()):
            return f"Choose a value for “{self.label}”."
        return ""


def run_many(
    way: Way, rows: Sequence[Any], *, value: str, reason: str, listing: str, by: User, now: datetime,
    ref: uuid.UUID,
) -> ManyAct | HttpResponseBase:  # fmt: skip
    """Do ``way`` to ``rows`` in one transaction and return what was written down.

    The same ``ref`` again returns the first answer. Raises ``Conflict`` when it was used for another act.
    """
    if ref.int == 0:
        raise Conflict("no_reference", "The form was not complete. Open the list again and repeat.")
    known = _known(ref, way, by)
    if known is not None:
        return known
    try:
        with transaction.atomic():
            done = way.run(rows, Why(value, reason, by, now, uuid.uuid4()))
            if done.answer is not None:
                return done.answer
            return ManyAct.objects.create(
                client_ref=ref, listing=listing, act=way.code, reason=reason, said=done.said[:300],
                changes=done.changes, refused=done.refused, made_by=by, made_at=now,
            )  # fmt: skip
    except IntegrityError:
        # The same form was sent twice at once, and the other was faster.
        known = _known(ref, way, by)
        if known is None:
            raise
        return known


def _known(ref: uuid.UUID, way: Way, by: User) -> ManyAct | None:
    act = ManyAct.objects.filter(client_ref=ref).first()
    if act is not None and (act.act != way.code or act.made_by_id != by.pk):
        raise Conflict("reference_used", "This form was used already. Open the list again and repeat.")
    return act


@transaction.atomic
def undo_many(act: ManyAct, way: Way, *, by: User, now: datetime) -> Done:
    """Take back what ``act`` changed, as far as nobody changed it since.

    Raises ``Conflict`` when it was undone already.
    """
    if way.undo is None or not ManyAct.objects.filter(pk=act.pk, undone_at__isnull=True).update(
        undone_at=now, undone_by=by
    ):
        raise Conflict("undone", "This was undone already, or cannot be undone.")
    return way.undo(act.changes, Why("", f"Undone: {act.reason or act.said}"[:200], by, now, uuid.uuid4()))
