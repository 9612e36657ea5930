"""What comes after what depends on the acts alone, never on when they arrived."""

from __future__ import annotations

import uuid
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from schedules.visits.order import counting_instant, in_order

AT = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
PHONES = [uuid.UUID(int=n + 1) for n in range(3)]


@dataclass
class Act:
    device_ref: uuid.UUID | None
    sequence: int | None
    counts_at: datetime
    pk: int
    act_id: uuid.UUID = field(default_factory=uuid.uuid4)


def minutes(n: float) -> datetime:
    return AT + timedelta(minutes=n)


def test_a_phones_own_numbers_decide_whatever_its_clock_did():
    acts = [
        Act(PHONES[0], 1, minutes(5), 3),
        Act(PHONES[0], 2, minutes(1), 2),
        Act(PHONES[0], 3, minutes(9), 1),
    ]
    assert [act.sequence for act in in_order(reversed(acts))] == [1, 2, 3]


def test_between_phones_the_corrected_clock_decides():
    first = Act(PHONES[0], 9, minutes(1), 2)
    second = Act(PHONES[1], 1, minutes(2), 1)
    page = Act(None, None, minutes(3), 0)
    assert in_order([page, second, first]) == [first, second, page]


def test_a_clock_put_back_on_the_way_keeps_both_rules():
    # Phone 0 is put back after its first act: its second may not slip before the other phone's act that
    # came before the first.
    before = Act(PHONES[1], 1, minutes(4), 1)
    first, second = Act(PHONES[0], 1, minutes(5), 2), Act(PHONES[0], 2, minutes(0), 3)
    assert in_order([second, first, before]) == [before, first, second]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 2), st.integers(0, 30)), max_size=14),
    st.randoms(use_true_random=False),
)
def test_the_order_of_arrival_does_not_matter(made, chance):
    numbers = [0, 0, 0]
    acts = []
    for position, (phone, minute) in enumerate(made):
        numbers[phone] += 1
        acts.append(Act(PHONES[phone], numbers[phone], minutes(minute), position))
    shuffled = list(acts)
    chance.shuffle(shuffled)
    ordered = in_order(shuffled)
    assert ordered == in_order(acts)
    for phone in PHONES:
        own = [act.sequence for act in ordered if act.device_ref == phone]
        assert own == sorted(own)


def test_the_counting_instant_is_put_right_and_never_after_arrival():
    assert counting_instant(device_at=minutes(0), drift_s=600, received_at=minutes(60)) == minutes(10)
    assert counting_instant(device_at=minutes(90), drift_s=0, received_at=minutes(60)) == minutes(60)
    assert counting_instant(device_at=minutes(1), drift_s=None, received_at=minutes(60)) == minutes(1)
    assert counting_instant(device_at=None, drift_s=None, received_at=minutes(60)) == minutes(60)
