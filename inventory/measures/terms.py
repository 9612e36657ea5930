"""The terms of a contract that planning, work on site and billing need, as plain values.

A term that nobody agreed is absent, never a default: *not agreed yet* is an answer of its own. Values are
kept as JSON takes them (days as ISO 8601 text, money as text of a decimal with its currency), so that a
version stays readable for ever.

    >>> say(TERM["approval_limit"], read(TERM["approval_limit"], {"amount": "250", "currency": "eur"}))
    '250.00 EUR'

Which terms there are is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, InvalidOperation
from enum import StrEnum
from typing import Any

from inventory.measures.kinds import TASK_LABELS, Task

NOT_AGREED = "not agreed yet"
MONTHS = (
    ("1", "January"),
    ("2", "February"),
    ("3", "March"),
    ("4", "April"),
    ("5", "May"),
    ("6", "June"),
    ("7", "July"),
    ("8", "August"),
    ("9", "September"),
    ("10", "October"),
    ("11", "November"),
    ("12", "December"),
)
LANGUAGES = (("en", "English"), ("de", "German"), ("es", "Spanish"), ("fr", "French"))
# A month that was agreed without a tolerance: the visit is still planned around it, and the page says so.
USUAL_TOLERANCE_DAYS = 31


class Sort(StrEnum):
    """What a term's value is."""

    TEXT = "text"
    LONG = "long"
    WHOLE = "whole"
    DAY = "day"
    YES_NO = "yes_no"
    ONE_OF = "one_of"
    SOME_OF = "some_of"
    MONEY = "money"


class Basis(StrEnum):
    """How work is priced."""

    PER_UNIT = "per_unit"
    ALL_IN = "all_in"
    VISIT_AND_UNITS = "visit_and_units"
    RENTAL = "rental"


BASIS_LABELS = {
    Basis.PER_UNIT: "Per unit and visit, parts extra",
    Basis.ALL_IN: "Per unit and visit, all in",
    Basis.VISIT_AND_UNITS: "Per visit plus units, parts extra",
    Basis.RENTAL: "Rental: the units are ours",
}


@dataclass(frozen=True, slots=True)
class Term:
    """One thing that can be agreed. ``most`` is the largest whole number or the longest text."""

    code: str
    label: str
    group: str
    sort: Sort
    help: str = ""
    unit: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    most: int = 120
    least: int = 0
    is_internal: bool = False
    on_phone: bool = False


_TASKS = tuple((task.value, label) for task, label in TASK_LABELS.items())

TERMS: tuple[Term, ...] = (
    Term("contract_number", "Contract number", "Contract", Sort.TEXT, most=40),
    Term("begins_on", "Begins on", "Contract", Sort.DAY),
    Term("ends_on", "Ends on", "Contract", Sort.DAY, "The last day on which it holds."),
    Term("notice_days", "Notice period", "Contract", Sort.WHOLE, unit="days", most=1100),
    Term("renews_itself", "Renews by itself", "Contract", Sort.YES_NO),
    Term(
        "price_basis",
        "Basis of price",
        "Contract",
        Sort.ONE_OF,
        "Decides what is a line of its own when work is billed.",
        choices=tuple((basis.value, label) for basis, label in BASIS_LABELS.items()),
        on_phone=True,
    ),
    Term(
        "unit_ownership",
        "The units belong to",
        "Contract",
        Sort.ONE_OF,
        choices=(
            ("customer", "The customer"),
            ("landlord", "The landlord"),
            ("tenant", "The tenant"),
            ("rental", "Us, by rental"),
            ("mixed", "Several of these"),
        ),
    ),
    Term(
        "tasks_included",
        "Tasks included",
        "Work",
        Sort.SOME_OF,
        "Once agreed, any other task waits to be called off and is not put on a visit by itself.",
        choices=_TASKS,
    ),
    Term(
        "tasks_called_off",
        "Tasks called off separately",
        "Work",
        Sort.SOME_OF,
        "Stay on the due list; go on a visit only once they are called off.",
        choices=_TASKS,
    ),
    Term(
        "call_out_hours", "Call-out after a discharge", "Work", Sort.WHOLE, unit="hours", most=2000, least=1
    ),
    Term("service_month", "Service month", "When", Sort.ONE_OF, choices=MONTHS),
    Term(
        "tolerance_days",
        "Tolerance",
        "When",
        Sort.WHOLE,
        "So many days before and after that month still keep to it.",
        unit="days",
        most=150,
    ),
    Term("keys", "Keys", "Access", Sort.TEXT, "Where they are, who hands them out.", most=200, on_phone=True),
    Term("permit_to_work", "Permit to work needed", "Access", Sort.YES_NO, on_phone=True),
    Term(
        "induction_days",
        "Induction holds for",
        "Access",
        Sort.WHOLE,
        "0: no induction needed.",
        unit="days",
        most=1100,
        on_phone=True,
    ),
    Term("vehicle_pass", "Vehicle pass needed", "Access", Sort.YES_NO, on_phone=True),
    Term(
        "access_rules",
        "Rules inside",
        "Access",
        Sort.LONG,
        "Escort, clean room, food, explosive zones.",
        most=600,
        on_phone=True,
    ),
    Term(
        "return_of_units",
        "Units taken along",
        "Units away",
        Sort.ONE_OF,
        choices=(("same", "The same unit comes back"), ("exchange", "Exchange is allowed")),
        on_phone=True,
    ),
    Term("loaners_compulsory", "Loaner compulsory", "Units away", Sort.YES_NO, on_phone=True),
    Term(
        "approval_limit",
        "Approval limit on the spot",
        "Approval",
        Sort.MONEY,
        "Parts and replacements up to this sum on one visit need no quotation.",
        on_phone=True,
    ),
    Term(
        "approver",
        "Approves by phone",
        "Approval",
        Sort.TEXT,
        "Name and number of who may say yes above the limit.",
        most=160,
        on_phone=True,
    ),
    Term("po_required", "Purchase order required", "Approval", Sort.YES_NO, on_phone=True),
    Term("po_number", "Purchase order number", "Approval", Sort.TEXT, most=60, on_phone=True),
    Term("po_valid_until", "Purchase order valid until", "Approval", Sort.DAY, on_phone=True),
    Term(
        "monthly_checks_by",
        "Monthly look-over by",
        "Papers",
        Sort.ONE_OF,
        choices=(("owner", "The owner's own people"), ("firm", "The service firm")),
    ),
    Term(
        "delivered",
        "What is delivered",
        "Papers",
        Sort.SOME_OF,
        choices=(
            ("register", "Register"),
            ("report", "Service report"),
            ("certificate", "Certificate"),
            ("defects", "Defect list"),
            ("photos", "Photos"),
        ),
    ),
    Term("language", "Language", "Papers", Sort.ONE_OF, choices=LANGUAGES),
    Term(
        "papers_within_days",
        "Delivered within",
        "Papers",
        Sort.WHOLE,
        "Days after the work; later shows among the exceptions.",
        unit="days",
        most=365,
    ),
    Term(
        "internal_note",
        "Note of the firm",
        "Note",
        Sort.LONG,
        "Not shown to the owner.",
        most=1000,
        is_internal=True,
    ),
)
TERM: dict[str, Term] = {term.code: term for term in TERMS}
GROUPS: tuple[str, ...] = tuple(dict.fromkeys(term.group for term in TERMS))


def read(term: Term, given: Any) -> Any:
    """The value of ``term`` as it is kept, or ``None`` when nothing was given.

    Takes what a form, a file or the API gives. Raises ``ValueError`` with a sentence that says what to do.
    """
    if given is None or given == "" or given == [] or given == ():
        return None
    match term.sort:
        case Sort.TEXT | Sort.LONG:
            text = str(given).strip()
            if len(text) > term.most:
                raise ValueError(f"{term.label}: at most {term.most} characters.")
            return text or None
        case Sort.WHOLE:
            if isinstance(given, bool) or not str(given).strip().isdigit():
                raise ValueError(f"{term.label}: enter a whole number of {term.unit}.")
            number = int(str(given).strip())
            if not term.least <= number <= term.most:
                raise ValueError(f"{term.label}: enter {term.least} to {term.most} {term.unit}.")
            return number
        case Sort.DAY:
            return _day(term, given)
        case Sort.YES_NO:
            if isinstance(given, bool):
                return given
            if str(given) in ("yes", "no"):
                return str(given) == "yes"
            raise ValueError(f"{term.label}: say yes or no.")
        case Sort.ONE_OF:
            if str(given) not in dict(term.choices):
                raise ValueError(f"{term.label}: choose one of {', '.join(c for c, _ in term.choices)}.")
            return str(given)
        case Sort.SOME_OF:
            return _some(term, given)
        case Sort.MONEY:
            return _money(term, given)


def _day(term: Term, given: Any) -> str:
    if isinstance(given, date):
        return given.isoformat()
    try:
        return date.fromisoformat(str(given).strip()).isoformat()
    except ValueError:
        raise ValueError(f"{term.label}: enter a day that exists, for instance 2026-03-31.") from None


def _some(term: Term, given: Any) -> list[str]:
    if isinstance(given, str) or not isinstance(given, (list, tuple, set, frozenset)):
        raise ValueError(f"{term.label}: give a list.")
    unknown = sorted(str(one) for one in given if str(one) not in dict(term.choices))
    if unknown:
        raise ValueError(f"{term.label}: {unknown[0]} is not among the choices.")
    wanted = {str(one) for one in given}
    return [code for code, _ in term.choices if code in wanted]


def _money(term: Term, given: Any) -> dict[str, str] | None:
    if not isinstance(given, Mapping):
        raise ValueError(f"{term.label}: give an amount and a currency.")
    text, currency = str(given.get("amount") or "").strip(), str(given.get("currency") or "").strip().upper()
    if not text:
        return None
    try:
        amount = Decimal(text)
    except InvalidOperation:
        raise ValueError(f"{term.label}: enter an amount like 250.00.") from None
    if not amount.is_finite() or not 0 <= amount < Decimal(10) ** 10:
        raise ValueError(f"{term.label}: enter an amount of zero or more.")
    if amount != amount.quantize(Decimal("0.01")):
        raise ValueError(f"{term.label}: at most two decimals.")
    if len(currency) != 3 or not currency.isascii() or not currency.isalpha():
        raise ValueError(f"{term.label}: give a currency of three letters by ISO 4217, for instance EUR.")
    return {"amount": str(amount.quantize(Decimal("0.01"))), "currency": currency}


def check(values: Mapping[str, Any]) -> dict[str, str]:
    """What does not fit together, by term: a sentence each."""
    problems: dict[str, str] = {}
    if values.get("begins_on") and values.get("ends_on") and values["ends_on"] < values["begins_on"]:
        problems["ends_on"] = "The contract cannot end before it begins."
    both = set(values.get("tasks_included") or ()) & set(values.get("tasks_called_off") or ())
    if both:
        names = ", ".join(label for code, label in _TASKS if code in both)
        problems["tasks_called_off"] = f"Both included and called off separately: {names}. Choose one."
    if values.get("tolerance_days") is not None and values.get("service_month") is None:
        problems["tolerance_days"] = "A tolerance belongs to a service month. Choose the month too."
    if values.get("po_valid_until") and not values.get("po_number"):
        problems["po_valid_until"] = "Give the number of the purchase order too."
    return problems


def say(term: Term, value: Any) -> str:
    """``value`` in words; an absent one is said to be not agreed."""
    if value is None:
        return NOT_AGREED
    match term.sort:
        case Sort.YES_NO:
            return "yes" if value else "no"
        case Sort.ONE_OF:
            return dict(term.choices).get(str(value), str(value))
        case Sort.SOME_OF:
            return ", ".join(dict(term.choices).get(code, code) for code in value)
        case Sort.MONEY:
            return f"{value['amount']} {value['currency']}"
        case Sort.WHOLE:
            return f"{value} {term.unit[:-1] if value == 1 else term.unit}"
        case Sort.DAY:
            day = date.fromisoformat(value)
            return f"{day.day} {day:%b %Y}"
        case _:
            return str(value)


@dataclass(frozen=True, slots=True)
class Money:
    """An amount in a currency."""

    amount: Decimal
    currency: str

    def __str__(self) -> str:
        return f"{self.amount} {self.currency}"


@dataclass(frozen=True, slots=True)
class Agreed:
    """What holds at one site on one day: the owner's terms, with those of the site in their place.

    ``from_site`` names the terms that the site has of its own. ``called_off`` are tasks that the owner
    ordered for a time that has not run out.
    """

    values: Mapping[str, Any]
    from_site: frozenset[str] = frozenset()
    called_off: frozenset[str] = frozenset()

    def get(self, code: str) -> Any:
        """The value, or ``None`` where nothing is agreed."""
        return self.values.get(code)

    def day(self, code: str) -> date | None:
        """A term that is a day."""
        text = self.values.get(code)
        return date.fromisoformat(text) if text else None

    @property
    def service_month(self) -> int | None:
        """1 to 12."""
        month = self.values.get("service_month")
        return int(month) if month else None

    @property
    def tolerance_days(self) -> int:
        """Days either side of the month that keep to it."""
        days = self.values.get("tolerance_days")
        return USUAL_TOLERANCE_DAYS if days is None else int(days)

    @property
    def approval_limit(self) -> Money | None:
        """Up to which no quotation is needed."""
        value = self.values.get("approval_limit")
        return Money(Decimal(value["amount"]), value["currency"]) if value else None

    @property
    def basis(self) -> Basis | None:
        """How work is priced."""
        value = self.values.get("price_basis")
        return Basis(value) if value else None

    def is_extra(self, task: Task | str) -> bool:
        """Whether ``task`` is outside what the contract includes. Nothing agreed: it is not known to be."""
        code = str(task)
        if code in (self.values.get("tasks_called_off") or ()):
            return True
        included = self.values.get("tasks_included")
        return included is not None and code not in included

    def awaits_call_off(self, task: Task | str) -> bool:
        """Whether ``task`` must be ordered before it goes on a visit."""
        return self.is_extra(task) and str(task) not in self.called_off

    def lines(self, *, for_owner: bool = False, phone: bool = False) -> list[tuple[Term, str, bool]]:
        """Every term with its value in words and whether the site has it of its own, in reading order.

        ``for_owner`` leaves out what is the firm's alone; ``phone`` keeps what is needed on site.
        """
        return [
            (term, say(term, self.values.get(term.code)), term.code in self.from_site)
            for term in TERMS
            if not (for_owner and term.is_internal) and (term.on_phone or not phone)
        ]


NOTHING_AGREED = Agreed({})


def merged(
    owner: Mapping[str, Any], site: Mapping[str, Any], called_off: frozenset[str] = frozenset()
) -> Agreed:
    """The owner's terms with those of the site in their place; ``None`` at a site: not agreed there.

    A service month of the site takes no tolerance from the owner's month, nor a purchase order its validity.
    """
    base = {code: value for code, value in owner.items() if code not in site}
    for head, tail in (("service_month", "tolerance_days"), ("po_number", "po_valid_until")):
        if head in site:
            base.pop(tail, None)
    own = {code: value for code, value in site.items() if value is not None}
    return Agreed(base | own, frozenset(site), called_off)
