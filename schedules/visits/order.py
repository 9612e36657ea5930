"""What comes after what among acts that arrive late, repeated and out of order. Pure.

A phone numbers its acts, so among its own the number decides, whatever its clock did. Between phones
the corrected clock decides; it never runs backwards along a phone's numbers, so that the two rules
cannot contradict each other. The order depends on the acts alone, never on when they arrived.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Protocol, TypeVar
from uuid import UUID

# Beyond this the phone's clock is called wrong; below it lies what sending takes.
WRONG_CLOCK_S = 300


class Stated(Protocol):
    """What the order needs to know of an act."""

    @property
    def device_ref(self) -> UUID | None: ...

    @property
    def sequence(self) -> int | None: ...

    @property
    def counts_at(self) -> datetime: ...

    @property
    def act_id(self) -> UUID: ...

    @property
    def pk(self) -> int: ...


_Act = TypeVar("_Act", bound=Stated)


def in_order(acts: Iterable[_Act]) -> list[_Act]:
    """Return ``acts`` in the order in which they were done.

    Acts without a phone stand for themselves; at the same instant the one stored first comes first.
    """
    chains: dict[UUID | None, list[_Act]] = defaultdict(list)
    for act in acts:
        chains[act.device_ref].append(act)
    keyed: list[tuple[tuple[datetime, str, int, int], _Act]] = []
    for device, chain in chains.items():
        if device is None:
            keyed += [((act.counts_at, "", 0, act.pk), act) for act in chain]
            continue
        latest: datetime | None = None
        for act in sorted(chain, key=lambda one: (one.sequence or 0, str(one.act_id))):
            latest = act.counts_at if latest is None else max(latest, act.counts_at)
            keyed.append(((latest, str(device), act.sequence or 0, act.pk), act))
    return [act for _, act in sorted(keyed, key=lambda pair: pair[0])]


def counting_instant(*, device_at: datetime | None, drift_s: float | None, received_at: datetime) -> datetime:
    """Return when an act was done by the server's clock.

    The device's own instant, put right by how far its clock was off when it sent; never after the
    act was received. Without a device's instant, when it was received.
    """
    if device_at is None:
        return received_at
    return min(device_at + timedelta(seconds=drift_s or 0.0), received_at)
