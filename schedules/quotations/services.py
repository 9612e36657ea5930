"""Making, sending and withdrawing quotations, and deciding on their lines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import F

from inventory.errors import Conflict
from inventory.logbook.models import Defect
from inventory.measures.checks import defect_text
from inventory.people import Person
from inventory.register.models import Site, local_today
from inventory.register.services import draw_numbers
from schedules.quotations.models import LineDecision, PriceItem, PriceStep, Quotation, QuotationLine

MOST_LINES = 200
MOST_SAID = 200
"""Characters of a remark or a reason."""


@dataclass(frozen=True, slots=True)
class NewLine:
    """A line as it was typed. ``price`` of one; None while nobody knows it."""

    text: str
    quantity: Decimal = Decimal(1)
    unit_word: str = "piece"
    price: Decimal | None = None
    defect_id: int | None = None
    item_id: int | None = None


@transaction.atomic
def quote_defects(
    site: Site, defects: Sequence[Defect], *, currency: str, by: Person, now: datetime
) -> Quotation:
    """Begin a quotation with one line for each defect.

    A price stands only where the firm's own list has one for such a defect in this currency; all other
    prices are left to be typed. Raises ``ValidationError`` without a defect or for one of another site.
    """
    currency = _currency(currency)
    if not defects:
        raise ValidationError({"defects": "Choose at least one open defect."})
    if len(defects) > MOST_LINES:
        raise ValidationError({"defects": f"A quotation has at most {MOST_LINES} lines. Make two."})
    if any(defect.site_id != site.pk or defect.settled_at or defect.is_void for defect in defects):
        raise ValidationError(
            {"defects": "One of these is no open defect of this site. Open the page again."}
        )
    items = {
        item.defect_code: item
        for item in PriceItem.objects.filter(is_active=True, currency=currency)
        .exclude(defect_code="")
        .order_by("-code")
    }
    today = local_today(site, now)
    quotation = Quotation.objects.create(
        number=f"Q-{today.year}-{draw_numbers(f'quotation-{today.year}')[0]:05d}",
        site=site,
        currency=currency,
        made_by_id=by.pk,
        made_at=now,
    )
    lines = []
    for position, defect in enumerate(defects, start=1):
        item = items.get(defect.code)
        subject = defect.unit or defect.location
        lines.append(
            QuotationLine(
                quotation=quotation,
                position=position,
                defect=defect,
                item=item,
                text=f"{subject}: {item.text if item else defect.action or defect_text(defect.code)}"[:300],
                unit_word=item.unit_word if item else "piece",
                price=item.price if item else None,
            )
        )
    QuotationLine.objects.bulk_create(lines)
    return quotation


@transaction.atomic
def change_draft(
    quotation: Quotation,
    lines: Sequence[NewLine],
    *,
    version: int,
    note: str = "",
    valid_until: date | None = None,
) -> Quotation:
    """Put ``lines`` in place of those of a draft. Raises ``Conflict`` when it was changed meanwhile."""
    if not lines:
        raise ValidationError("A quotation has at least one line.")
    if len(lines) > MOST_LINES:
        raise ValidationError(f"A quotation has at most {MOST_LINES} lines. Make two.")
    for number, line in enumerate(lines, start=1):
        if not line.text.strip():
            raise ValidationError(f"Line {number}: say what is to be done, or remove the line.")
        if line.quantity <= 0:
            raise ValidationError(f"Line {number}: a quantity is more than zero.")
        if line.price is not None and line.price < 0:
            raise ValidationError(f"Line {number}: a price is zero or more.")
    _move(
        quotation,
        version,
        Quotation.State.DRAFT,
        note=note.strip(),
        valid_until=valid_until,
    )
    quotation.lines.all().delete()
    QuotationLine.objects.bulk_create(
        QuotationLine(
            quotation=quotation,
            position=position,
            defect_id=line.defect_id,
            item_id=line.item_id,
            text=line.text.strip()[:300],
            quantity=line.quantity,
            unit_word=line.unit_word.strip() or "piece",
            price=line.price,
        )
        for position, line in enumerate(lines, start=1)
    )
    return quotation


def send_quotation(quotation: Quotation, *, version: int, by: Person, now: datetime) -> Quotation:
    """Show the quotation to the owner; from then on its lines stay.

    Raises ``ValidationError`` while a price is missing, and ``Conflict``.
    """
    open_lines = list(quotation.lines.filter(price__isnull=True).values_list("position", flat=True))
    if open_lines:
        named = ", ".join(map(str, open_lines[:10]))
        raise ValidationError(f"No price yet in line {named}. Type it, or remove the line.")
    if quotation.valid_until is not None and quotation.valid_until < local_today(quotation.site, now):
        raise ValidationError("The day until which it is valid has passed. Choose a later one.")
    _move(
        quotation, version, Quotation.State.DRAFT, state=Quotation.State.SENT, sent_at=now, sent_by_id=by.pk
    )
    return quotation


def withdraw_quotation(quotation: Quotation, reason: str, *, version: int) -> Quotation:
    """Take a sent quotation back; what was decided on it stays to be read."""
    reason = _said(reason, "reason")
    if not reason:
        raise ValidationError({"reason": "Say why the quotation is withdrawn: the owner reads it."})
    _move(
        quotation,
        version,
        Quotation.State.SENT,
        state=Quotation.State.WITHDRAWN,
        withdrawn_reason=reason,
    )
    return quotation


@transaction.atomic
def decide_lines(
    quotation: Quotation,
    choices: Mapping[int, str],
    *,
    remark: str = "",
    by: Person,
    now: datetime,
) -> int:
    """Keep what the owner decided, by line id; return how many lines are newly decided.

    The first decision on a line stands: the same one again is harmless, another one is refused. Raises
    ``Conflict`` when the quotation was withdrawn or is no longer valid, or when all was decided before,
    and ``ValidationError`` for a remark that cannot be kept whole.
    """
    remark = _said(remark, "remark")
    # The lock of the row keeps a withdrawal from slipping in between.
    Quotation.objects.filter(pk=quotation.pk).update(version=F("version"))
    quotation.refresh_from_db()
    if quotation.state != Quotation.State.SENT:
        raise Conflict("quotation_not_open", "This quotation was withdrawn. Nothing can be decided on it.")
    if quotation.valid_until is not None and quotation.valid_until < local_today(quotation.site, now):
        raise Conflict(
            "quotation_lapsed",
            f"This quotation was valid until {quotation.valid_until}. Ask the service company for a new one.",
        )
    lines = {line.pk: line for line in quotation.lines.select_related("decision")}
    new, before = [], []
    for line_id, choice in choices.items():
        line = lines.get(line_id)
        if line is None or choice not in LineDecision.Choice.values:
            raise ValidationError("A line was not understood. Open the page again; nothing was kept.")
        decided: Any = getattr(line, "decision", None)
        if decided is not None:
            if decided.choice != choice:
                raise Conflict(
                    "line_decided",
                    f"{_was_decided(line, decided, quotation.site)} Ask the service company for a new "
                    "quotation.",
                )
            before.append(_was_decided(line, decided, quotation.site))
            continue
        new.append(
            LineDecision(
                line=line,
                choice=choice,
                remark=remark,
                decided_by_id=by.pk,
                decided_name=by.display_name,
                decided_at=now,
            )
        )
    if before and not new:
        more = f" The same with {len(before) - 3} more." if len(before) > 3 else ""
        raise Conflict("line_decided", f"Nothing new was kept. {' '.join(before[:3])}{more}")
    try:
        with transaction.atomic():
            LineDecision.objects.bulk_create(new)
    except IntegrityError as twice:
        raise Conflict(
            "line_decided", "Somebody decided on one of these lines a moment ago. Look again."
        ) from twice
    return len(new)


def _was_decided(line: QuotationLine, decided: LineDecision, site: Site) -> str:
    """By whom a line was decided, and on which day at the site."""
    on = local_today(site, decided.decided_at)
    return (
        f"Line {line.position} was {decided.get_choice_display().lower()} by {decided.decided_name} on "
        f"{on.day} {on:%b %Y} already."
    )


def _said(text: str, name: str) -> str:
    """``text`` as it can be kept: whole, or not at all."""
    text = text.strip()
    if len(text) > MOST_SAID:
        raise ValidationError(
            {name: f"This has {len(text)} characters; {MOST_SAID} can be kept. Say it more briefly."}
        )
    if "\x00" in text:
        raise ValidationError(
            {name: "This holds a character that cannot be kept. Type it anew instead of pasting it."}
        )
    return text


def _move(quotation: Quotation, version: int, was: str, **changes: Any) -> None:
    moved = Quotation.objects.filter(pk=quotation.pk, version=version, state=was).update(
        version=F("version") + 1, **changes
    )
    quotation.refresh_from_db()
    if not moved:
        raise Conflict(
            "quotation_changed",
            f"Somebody changed quotation {quotation.number} meanwhile; it is "
            f"{quotation.get_state_display().lower()} now. Look again.",
        )


def _currency(text: str) -> str:
    code = text.strip().upper()
    if len(code) != 3 or not code.isascii() or not code.isalpha():
        raise ValidationError({"currency": "Give a currency of three letters by ISO 4217, for instance EUR."})
    return code


# --- the firm's own prices -----------------------------------------------------------------------------


def save_price(
    *,
    code: str,
    text: str,
    unit_word: str,
    price: Decimal,
    currency: str,
    defect_code: str,
    is_active: bool,
    by: Person,
    now: datetime,
    bills: str = "",
    agent: str = "",
    from_on: date | None = None,
    item: PriceItem | None = None,
    version: int = 0,
) -> PriceItem:
    """Add a line to the price list, or change ``item``. Quotations made before keep their prices.

    The price counts from ``from_on`` (today); what was done earlier keeps the price of its day.
    """
    today = now.date()
    from_on = from_on or today
    fields: dict[str, Any] = {
        "code": code.strip(),
        "text": text.strip(),
        "unit_word": unit_word.strip() or "piece",
        "price": price,
        "currency": _currency(currency),
        "defect_code": defect_code,
        "bills": bills,
        "agent": agent if bills else "",
        "is_active": is_active,
        "changed_by_id": by.pk,
        "changed_at": now,
    }
    if price < 0:
        raise ValidationError({"price": "A price is zero or more."})
    try:
        with transaction.atomic():
            if item is None:
                item = PriceItem.objects.create(**fields)
            else:
                if from_on > today:
                    # Until then the line shows what it costs now.
                    del fields["price"], fields["currency"]
                moved = PriceItem.objects.filter(pk=item.pk, version=version).update(
                    version=F("version") + 1, **fields
                )
                if not moved:
                    raise Conflict("price_changed", "Somebody changed this price meanwhile. Look again.")
            last = PriceStep.objects.filter(item=item, from_on__lte=from_on).order_by("from_on", "pk").last()
            if last is None or (last.price, last.currency) != (price, _currency(currency)):
                PriceStep.objects.create(
                    item=item,
                    from_on=from_on,
                    price=price,
                    currency=_currency(currency),
                    made_by_id=by.pk,
                    made_at=now,
                )
    except IntegrityError as twice:
        rivals = PriceItem.objects.filter(bills=bills, agent=fields["agent"], is_active=True)
        if bills and (rivals.exclude(pk=item.pk) if item is not None else rivals).exists():
            raise ValidationError({"bills": "Another line in use prices this already."}) from twice
        raise ValidationError({"code": "Another line of the list has this code."}) from twice
    item.refresh_from_db()
    return item


class PriceBook:
    """The price list with all its steps, read once: what a thing costs on a day. Two queries."""

    def __init__(self) -> None:
        self._items = {
            (item.bills, item.agent): item
            for item in PriceItem.objects.filter(is_active=True).exclude(bills="")
        }
        self._steps: dict[int, list[PriceStep]] = {}
        for step in PriceStep.objects.filter(item__in=[item.pk for item in self._items.values()]).order_by(
            "from_on", "pk"
        ):
            self._steps.setdefault(step.item_id, []).append(step)

    def price(self, code: str, agent: str, day: date) -> tuple[PriceItem, Decimal, str] | None:
        """Line, price and currency of what is billed as ``code``; None where the list has none for the day.

        A line for the agent goes before one for any.
        """
        for key in ((code, agent), (code, "")):
            item = self._items.get(key)
            held = [step for step in self._steps.get(item.pk, ()) if step.from_on <= day] if item else []
            if item is not None and held:
                return item, held[-1].price, held[-1].currency
        return None


def put_prices_in_force(now: datetime) -> int:
    """Show on each line of the list what it costs today; return how many changed."""
    changed = 0
    for item in PriceItem.objects.prefetch_related("steps"):
        held = [step for step in item.steps.all() if step.from_on <= now.date()]
        if held and (held[-1].price, held[-1].currency) != (item.price, item.currency):
            changed += PriceItem.objects.filter(pk=item.pk, version=item.version).update(
                price=held[-1].price, currency=held[-1].currency, version=F("version") + 1
            )
    return changed
