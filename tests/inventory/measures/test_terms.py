"""Terms of contracts as plain values: what is taken, what is refused, what a site has of its own."""

from __future__ import annotations

from typing import Any

import pytest

from inventory.measures.kinds import Task
from inventory.measures.terms import NOT_AGREED, TERM, TERMS, Basis, Money, check, merged, read, say


@pytest.mark.parametrize(
    ("code", "given", "kept", "words"),
    [
        ("contract_number", " C-7 ", "C-7", "C-7"),
        ("contract_number", "  ", None, NOT_AGREED),
        ("ends_on", "2026-03-31", "2026-03-31", "31 Mar 2026"),
        ("notice_days", "1", 1, "1 day"),
        ("induction_days", 0, 0, "0 days"),
        ("renews_itself", False, False, "no"),
        ("renews_itself", "yes", True, "yes"),
        ("service_month", 4, "4", "April"),
        ("tasks_included", ["recharge", "maintenance"], ["maintenance", "recharge"], "Maintenance, Recharge"),
        ("tasks_included", [], None, NOT_AGREED),
        (
            "approval_limit",
            {"amount": "250", "currency": "eur"},
            {"amount": "250.00", "currency": "EUR"},
            "250.00 EUR",
        ),
        ("approval_limit", {"amount": "", "currency": ""}, None, NOT_AGREED),
    ],
)
def test_a_term_is_kept_and_said(code: str, given: Any, kept: Any, words: str) -> None:
    assert read(TERM[code], given) == kept
    assert say(TERM[code], kept) == words


@pytest.mark.parametrize(
    ("code", "given", "sentence"),
    [
        ("ends_on", "2026-02-30", "a day that exists"),
        ("notice_days", "three", "a whole number of days"),
        ("notice_days", True, "a whole number of days"),
        ("call_out_hours", 0, "enter 1 to 2000 hours"),
        ("renews_itself", "maybe", "yes or no"),
        ("service_month", "13", "choose one of"),
        ("tasks_included", "maintenance", "give a list"),
        ("tasks_included", ["polish"], "polish is not among"),
        ("approval_limit", "250", "an amount and a currency"),
        ("approval_limit", {"amount": "2.345", "currency": "EUR"}, "two decimals"),
        ("approval_limit", {"amount": "NaN", "currency": "EUR"}, "zero or more"),
        ("approval_limit", {"amount": "1", "currency": "euro"}, "three letters"),
        ("contract_number", "x" * 41, "at most 40"),
    ],
)
def test_what_cannot_be_is_refused_with_a_remedy(code: str, given: Any, sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        read(TERM[code], given)


def test_what_does_not_fit_together_is_told_by_term() -> None:
    found = check(
        {
            "begins_on": "2026-02-01",
            "ends_on": "2026-01-31",
            "tolerance_days": 5,
            "po_valid_until": "2026-01-01",
            "tasks_included": ["recharge"],
            "tasks_called_off": ["recharge"],
        }
    )
    assert set(found) == {"ends_on", "tolerance_days", "po_valid_until", "tasks_called_off"}


def test_a_site_goes_before_its_owner_term_by_term() -> None:
    owner = {
        "service_month": "4",
        "tolerance_days": 5,
        "po_number": "P1",
        "po_valid_until": "2026-01-01",
        "renews_itself": True,
        "price_basis": "all_in",
        "approval_limit": {"amount": "80.00", "currency": "EUR"},
    }
    found = merged(owner, {"service_month": "6", "po_number": "P2", "renews_itself": False})
    assert (found.service_month, found.tolerance_days) == (6, 31)  # the tolerance was that of April
    assert (found.get("po_number"), found.day("po_valid_until")) == ("P2", None)
    assert found.get("renews_itself") is False
    assert found.basis is Basis.ALL_IN
    assert found.approval_limit == Money(found.approval_limit.amount, "EUR")  # type: ignore[union-attr]
    assert found.from_site == {"service_month", "po_number", "renews_itself"}
    # Said of a site: not agreed there, whatever the owner has; what belongs to it goes along.
    without = merged(owner, {"service_month": None, "approval_limit": None})
    assert (without.service_month, without.tolerance_days, without.approval_limit) == (None, 31, None)
    assert without.from_site == {"service_month", "approval_limit"}
    assert "approval_limit" not in without.values
    owners = {term.code for term, _, _ in found.lines(for_owner=True)}
    assert owners == {term.code for term in TERMS} - {"internal_note"}


@pytest.mark.parametrize(
    ("terms", "called_off", "waits"),
    [
        ({}, [], False),  # nothing agreed: nobody knows that it is outside
        ({"tasks_included": ["maintenance"]}, [], True),
        ({"tasks_included": ["recharge"]}, [], False),
        ({"tasks_called_off": ["recharge"]}, [], True),
        ({"tasks_called_off": ["recharge"]}, ["recharge"], False),
        ({"tasks_called_off": ["hose_test"]}, [], False),
    ],
)
def test_what_waits_to_be_called_off(terms: dict[str, Any], called_off: list[str], waits: bool) -> None:
    assert merged(terms, {}, frozenset(called_off)).awaits_call_off(Task.RECHARGE) is waits
