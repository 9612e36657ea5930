"""Making billing runs and taking them back."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from dateutil.relativedelta import relativedelta
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from inventory.errors import Conflict
from inventory.people import Person
from inventory.register.models import Owner
from inventory.register.services import draw_numbers
from schedules.billing.models import BillingLine, BillingRun
from schedules.billing.queries import Wanted, wanted_lines
from schedules.quotations.services import PriceBook

LONGEST_MONTHS = 60
_AT_ONCE = 500
_COPIED = (
    "kind",
    "code",
    "agent",
    "owner_id",
    "site_id",
    "unit_id",
    "unit_word",
    "is_included",
    "item_id",
    "price",
    "currency",
    "basis",
    "contract_number",
    "po_number",
    "visit_number",
)


@dataclass(slots=True)
class Billed:
    """What was billed of one thing so far."""

    lines: list[BillingLine] = field(default_factory=list)

    @property
    def quantity(self) -> Decimal:
        """The sum."""
        return sum((line.quantity for line in self.lines), Decimal(0))

    @property
    def position(self) -> int:
        """Of the last line."""
        return max((line.position for line in self.lines), default=0)


def first_day(until_on: date) -> date:
    """From where a new run looks: where the earliest standing run began, at most a year back."""
    earliest = (
        BillingRun.objects.filter(taken_back_at__isnull=True)
        .order_by("first_on")
        .values_list("first_on", flat=True)
        .first()
    )
    year = until_on.replace(day=1) - relativedelta(months=12)
    return max(earliest, year) if earliest else until_on.replace(day=1) - relativedelta(months=1)


def lines_to_bill(owners: Sequence[Owner], *, first_on: date, until_on: date) -> list[BillingLine]:
    """The lines that a run would have now, not stored: what is wanted less what was billed.

    What was billed and is no longer recorded, or is recorded otherwise, gives a line that takes it back.
    Raises ``ValidationError`` for a span that does not begin with a month or is too long.
    """
    if first_on.day != 1:
        raise ValidationError({"first_on": "Begin with the first of a month."})
    if until_on < first_on:
        raise ValidationError({"until_on": "The last day lies before the first."})
    if until_on > first_on + relativedelta(months=LONGEST_MONTHS):
        raise ValidationError({"until_on": f"At most {LONGEST_MONTHS} months at a time."})
    owner_ids = [owner.pk for owner in owners]
    wanted = {one.key: one for one in wanted_lines(owner_ids, first_on, until_on)}
    billed = _billed(owner_ids, list(wanted), first_on, until_on)
    prices = PriceBook()
    lines: list[BillingLine] = []
    for key in dict.fromkeys([*wanted, *billed]):
        held = billed.get(key) or Billed()
        if any(line.on > until_on for line in held.lines):
            continue  # An earlier run looked further: what it counted is not known to be wrong.
        lines += _difference(wanted.get(key), held, prices)
    return sorted(lines, key=lambda line: (line.owner_id, line.site_id, line.on, line.key, line.position))


def _billed(
    owner_ids: Sequence[int], keys: Sequence[str], first_on: date, until_on: date
) -> dict[str, Billed]:
    """Live lines of the things that are wanted, and of those whose lines lie within the span."""
    found: dict[str, Billed] = defaultdict(Billed)
    live = BillingLine.objects.filter(is_live=True).order_by("pk")
    within = set(
        live.filter(owner__in=owner_ids, on__gte=first_on, on__lte=until_on)
        .order_by()
        .values_list("key", flat=True)
        .distinct()
    )
    ask = [*dict.fromkeys([*keys, *sorted(within)])]
    for start in range(0, len(ask), _AT_ONCE):
        for line in live.filter(key__in=ask[start : start + _AT_ONCE]):
            found[line.key].lines.append(line)
    return dict(found)


def _difference(wanted: Wanted | None, billed: Billed, prices: PriceBook) -> Iterable[BillingLine]:
    last = billed.lines[-1] if billed.lines else None
    net, position = billed.quantity, billed.position
    if wanted is not None and last is not None and net and _signature(wanted) == _signature_of(last):
        if wanted.quantity < net:
            yield _back(last, wanted.quantity - net, position + 1, "Less than billed")
        elif wanted.quantity > net:
            yield _line(wanted, wanted.quantity - net, position + 1, prices)
        return
    if net and last is not None:
        position += 1
        why = "No longer recorded" if wanted is None else "Recorded or agreed otherwise since"
        yield _back(last, -net, position, why)
    if wanted is not None:
        yield _line(wanted, wanted.quantity, position + 1, prices)


def _signature(wanted: Wanted) -> tuple[Any, ...]:
    return (wanted.code, wanted.is_included, wanted.site_id, wanted.owner_id)


def _signature_of(line: BillingLine) -> tuple[Any, ...]:
    return (line.code, line.is_included, line.site_id, line.owner_id)


def _amount(quantity: Decimal, price: Decimal | None) -> Decimal | None:
    """Half a cent goes up."""
    return None if price is None else (quantity * price).quantize(Decimal("0.01"), ROUND_HALF_UP)


def _line(wanted: Wanted, quantity: Decimal, position: int, prices: PriceBook) -> BillingLine:
    found = None if wanted.is_included else prices.price(wanted.code, wanted.agent, wanted.on)
    item, price, currency = found or (None, None, "")
    return BillingLine(
        key=wanted.key,
        position=position,
        kind=wanted.kind,
        code=wanted.code[:60],
        agent=wanted.agent,
        owner_id=wanted.owner_id,
        site_id=wanted.site_id,
        unit_id=wanted.unit_id,
        on=wanted.on,
        text=wanted.text[:300],
        quantity=quantity,
        unit_word=wanted.unit_word,
        is_included=wanted.is_included,
        item=item,
        price=price,
        currency=currency,
        amount=_amount(quantity, price),
        basis=wanted.agreed.basis or "",
        contract_number=wanted.agreed.get("contract_number") or "",
        po_number=wanted.agreed.get("po_number") or "",
        po_problem=wanted.po_problem[:120],
        visit_number=wanted.visit_number,
        sources=[list(source) for source in wanted.sources],
    )


def _back(last: BillingLine, quantity: Decimal, position: int, why: str) -> BillingLine:
    """A line that takes ``quantity`` of ``last`` back, at its price."""
    return BillingLine(
        **{name: getattr(last, name) for name in _COPIED},
        key=last.key,
        position=position,
        corrects=last,
        on=last.on,
        text=f"{why}: {last.text}"[:300],
        quantity=quantity,
        amount=_amount(quantity, last.price),
        sources=last.sources,
    )


@transaction.atomic
def make_run(
    owners: Sequence[Owner],
    *,
    first_on: date,
    until_on: date,
    by: Person | None,
    now: datetime,
    note: str = "",
) -> BillingRun | None:
    """Store what is not billed yet as a run; None when there is nothing.

    Made twice, the second finds nothing left. Raises ``Conflict`` when another run was made meanwhile.
    """
    if not owners:
        raise ValidationError({"owners": "Choose at least one owner."})
    if until_on > now.date():
        raise ValidationError({"until_on": "Bill up to today at the latest."})
    lines = lines_to_bill(owners, first_on=first_on, until_on=until_on)
    if not lines:
        return None
    run = BillingRun.objects.create(
        number=f"B-{until_on.year}-{draw_numbers(f'billing-{until_on.year}')[0]:05d}",
        first_on=first_on,
        until_on=until_on,
        note=note.strip()[:200],
        made_by_id=by.pk if by is not None else None,
        made_at=now,
    )
    run.owners.set(owners)
    for line in lines:
        line.run = run
    try:
        with transaction.atomic():
            BillingLine.objects.bulk_create(lines, batch_size=_AT_ONCE)
    except IntegrityError as twice:
        raise Conflict(
            "billed_meanwhile",
            "Somebody made another run a moment ago. Look at it, then make this one again.",
        ) from twice
    return run


@transaction.atomic
def take_back(run: BillingRun, reason: str, *, by: Person | None, now: datetime) -> BillingRun:
    """Take a run back: its lines stay to be read, and what they stand for is to be billed again.

    Refused while a later run corrects one of its lines or bills more of the same thing: take that back
    first. Raises ``ValidationError`` without a reason, ``Conflict`` when it was taken back already.
    """
    if not reason.strip():
        raise ValidationError({"reason": "Say why the run is taken back."})
    own = run.lines.filter(is_live=True)
    later = (
        BillingLine.objects.filter(is_live=True, key__in=own.values("key"), run__gt=run.pk)
        .order_by("run_id")
        .select_related("run")
        .first()
    )
    if later is not None:
        raise Conflict(
            "later_run", f"Run {later.run.number} builds on lines of this one. Take that one back first."
        )
    moved = BillingRun.objects.filter(pk=run.pk, taken_back_at__isnull=True).update(
        taken_back_at=now,
        taken_back_by=by.pk if by is not None else None,
        taken_back_reason=reason.strip()[:200],
    )
    if not moved:
        raise Conflict("taken_back", f"Run {run.number} was taken back already.")
    own.update(is_live=False)
    run.refresh_from_db()
    return run
