"""Quotations: made at the desk from open defects, decided by the owner line by line."""

from __future__ import annotations

import io
import uuid
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.test import Client
from django.urls import reverse
from pypdf import PdfReader

from inventory.appendonly import HistoryIsAppendOnly
from inventory.errors import Conflict
from inventory.logbook.defects import NewDefect, state_defect
from inventory.register.models import Site
from schedules.quotations.models import LineDecision, Quotation
from schedules.quotations.services import (
    decide_lines,
    quote_defects,
    save_price,
    send_quotation,
    withdraw_quotation,
)
from tests.factories import NOW, TODAY, make_user
from tests.servicedesk.portal.cast import Premises, text_of

pytestmark = pytest.mark.django_db


def defect(own: Premises, code: str = "seal_broken") -> Any:
    return state_defect(
        NewDefect(uuid.uuid4(), code), site_id=own.site.pk, unit_id=own.unit.pk, on=TODAY, at=NOW, by=None
    )


def sent(own: Premises) -> Quotation:
    """A sent quotation of two lines, one of them priced by the firm's list."""
    boss = make_user("manager")
    save_price(
        code="SEAL", text="New seal", unit_word="piece", price=Decimal("4.50"), currency="usd",
        defect_code="seal_broken", is_active=True, by=boss, now=NOW,
    )  # fmt: skip
    quotation = quote_defects(
        own.site, [defect(own), defect(own, "hose_cracked")], currency="USD", by=boss, now=NOW
    )
    quotation.lines.filter(position=2).update(price=Decimal("30"))
    return send_quotation(quotation, version=quotation.version, by=boss, now=NOW)


def approver(own: Premises) -> None:
    own.owner.memberships.update(may_approve=True)


def answers(quotation: Quotation, *choices: str) -> dict[str, str]:
    return {
        f"line-{line.public_id}": choice
        for line, choice in zip(quotation.lines.order_by("position"), choices, strict=False)
    }


def test_the_desk_begins_from_defects_types_what_the_list_lacks_and_sends(own: Premises) -> None:
    desk = Client()
    desk.force_login(make_user("dispatcher"))
    one, two = defect(own), defect(own, "hose_cracked")
    save_price(
        code="SEAL", text="New seal", unit_word="piece", price=Decimal("4.50"), currency="USD",
        defect_code="seal_broken", is_active=True, by=make_user("manager"), now=NOW,
    )  # fmt: skip
    new = reverse("desk:quotation-new", args=[own.site.public_id])
    assert desk.post(new, {"defect": [str(one.public_id)], "currency": "dollars"}).status_code == 400
    response = desk.post(new, {"defect": [str(one.public_id), str(two.public_id)], "currency": "usd"})
    quotation = Quotation.objects.get()
    assert response["Location"] == reverse("desk:quotation", args=[quotation.public_id])
    prices = {line.defect.code: line.price for line in quotation.lines.all() if line.defect}
    assert prices == {"seal_broken": Decimal("4.50"), "hose_cracked": None}
    assert own.client.get(reverse("portal:quotation", args=[quotation.public_id])).status_code == 404
    page = desk.get(response["Location"])
    forms = page.context["line_forms"]
    data = {"version": str(quotation.version), "valid_until": "2026-12-24", "note": "", "do": "send"}
    data |= {
        f"lines-{key}": value for key, value in (("TOTAL_FORMS", str(len(forms))), ("INITIAL_FORMS", "2"))
    }
    for place, form in enumerate(forms):
        for name in ("text", "quantity", "unit_word", "price", "defect"):
            value = form.initial.get(name)
            data[f"lines-{place}-{name}"] = "" if value is None else str(value)
    desk.post(response["Location"], data)
    quotation.refresh_from_db()
    assert quotation.state == "draft"  # a price is still missing
    blank = next(f"lines-{place}-price" for place in (0, 1) if not data[f"lines-{place}-price"])
    data |= {blank: "30", "lines-2-text": "Way there", "version": str(quotation.version)}
    data |= {"lines-2-quantity": "2", "lines-2-price": "10"}
    assert desk.post(response["Location"], data).status_code == 302
    quotation.refresh_from_db()
    assert quotation.state == "sent"
    assert "54.50" in text_of(desk.get(response["Location"]))
    # An old window sends the draft again: refused, nothing doubled.
    desk.post(response["Location"], data)
    assert quotation.lines.count() == 3


def test_the_owner_decides_by_name_and_the_desk_sees_it(own: Premises) -> None:
    quotation = sent(own)
    address = reverse("portal:quotation", args=[quotation.public_id])
    assert own.client.post(address, answers(quotation, "approved")).status_code == 403
    approver(own)
    own.client.post(address, {**answers(quotation, "approved", "declined"), "remark": "Budget"})
    decisions = {d.line.position: (d.choice, d.decided_name, d.remark) for d in LineDecision.objects.all()}
    name = own.owner.memberships.get().user.display_name
    assert decisions == {1: ("approved", name, "Budget"), 2: ("declined", name, "Budget")}
    desk = Client()
    desk.force_login(make_user("dispatcher"))
    text = text_of(desk.get(reverse("desk:quotation", args=[quotation.public_id])))
    assert name in text
    assert "approved: USD 4.50" in text
    assert "Decided" in text_of(own.get("quotations"))


def test_a_remark_that_turns_the_writing_round_turns_no_other_words(own: Premises) -> None:
    quotation = sent(own)
    approver(own)
    address = reverse("portal:quotation", args=[quotation.public_id])
    own.client.post(address, {**answers(quotation, "approved"), "remark": "tegduB\u202e"})
    assert "<bdi>tegduB\u202e</bdi>" in text_of(own.client.get(address))


def test_a_decision_stands_and_is_never_changed(own: Premises) -> None:
    quotation = sent(own)
    line = quotation.lines.get(position=1)
    by = own.owner.memberships.get().user
    assert decide_lines(quotation, {line.pk: "approved"}, by=by, now=NOW) == 1
    with pytest.raises(Conflict, match=r"Line 1 was approved by .* on 25 Nov 2026 already"):
        decide_lines(quotation, {line.pk: "approved"}, by=by, now=NOW)
    with pytest.raises(Conflict, match="approved by"):
        decide_lines(quotation, {line.pk: "declined"}, by=by, now=NOW)
    with pytest.raises(HistoryIsAppendOnly):
        LineDecision.objects.update(choice="declined")


def test_deciding_again_says_who_decided_and_when(own: Premises) -> None:
    quotation = sent(own)
    approver(own)
    address = reverse("portal:quotation", args=[quotation.public_id])
    own.client.post(address, answers(quotation, "approved"))
    again = text_of(own.client.post(address, answers(quotation, "approved"), follow=True))
    name = own.owner.memberships.get().user.display_name
    assert f"Line 1 was approved by {name} on 25 Nov 2026 already." in again
    assert "0 lines" not in again
    # Beside a line that is new, one that was decided alike is no reason to refuse.
    both = text_of(own.client.post(address, answers(quotation, "approved", "declined"), follow=True))
    assert "Kept under your name: 1 line." in both


@pytest.mark.parametrize(
    ("remark", "said"),
    [("x" * 10_000, "10000 characters; 200 can be kept"), ("nul\x00here", "Nothing was changed.")],
)
def test_a_remark_is_kept_whole_or_refused(own: Premises, remark: str, said: str) -> None:
    quotation = sent(own)
    approver(own)
    address = reverse("portal:quotation", args=[quotation.public_id])
    sent_now = {**answers(quotation, "approved"), "remark": remark}
    assert said in text_of(own.client.post(address, sent_now, follow=True))
    assert not LineDecision.objects.exists()
    with pytest.raises(ValidationError):
        withdraw_quotation(quotation, remark, version=quotation.version)


def test_nothing_is_decided_on_a_quotation_that_was_withdrawn_or_lapsed(own: Premises) -> None:
    quotation = sent(own)
    approver(own)
    by, line = own.owner.memberships.get().user, quotation.lines.get(position=1)
    Quotation.objects.filter(pk=quotation.pk).update(valid_until=TODAY - timedelta(days=1))
    with pytest.raises(Conflict, match="valid until"):
        decide_lines(quotation, {line.pk: "approved"}, by=by, now=NOW)
    Quotation.objects.filter(pk=quotation.pk).update(valid_until=None)
    withdraw_quotation(quotation, "Wrong price.", version=quotation.version)
    text = text_of(own.get("quotation", quotation.public_id))
    assert "Wrong price." in text
    with pytest.raises(Conflict, match="withdrawn"):
        decide_lines(quotation, {line.pk: "approved"}, by=by, now=NOW)


def test_its_days_are_those_at_the_site(own: Premises) -> None:
    Site.objects.filter(pk=own.site.pk).update(time_zone="America/Chicago")
    quotation = sent(own)
    approver(own)
    evening = datetime(2026, 12, 1, 2, 30, tzinfo=UTC)  # half past eight on 30 November there
    Quotation.objects.filter(pk=quotation.pk).update(sent_at=evening)
    line = quotation.lines.get(position=1)
    decide_lines(quotation, {line.pk: "approved"}, by=own.owner.memberships.get().user, now=evening)
    pages = (
        own.get("quotations"),
        own.get("quotation", quotation.public_id),
        own.get("papers", kind="quotation", since="2026-11-30", until="2026-11-30"),
    )
    for page in pages:
        assert quotation.number in text_of(page)
        assert "30 Nov 2026" in text_of(page)
        assert "1 Dec 2026" not in text_of(page)
    paper = PdfReader(io.BytesIO(own.get("quotation-pdf", quotation.public_id).content))
    assert "Sent 30 Nov 2026" in paper.pages[0].extract_text()


def test_another_owner_neither_sees_nor_decides(own: Premises, strange: Premises) -> None:
    quotation = sent(own)
    strange.owner.memberships.update(may_approve=True)
    address = reverse("portal:quotation", args=[quotation.public_id])
    assert strange.client.get(address).status_code == 404
    assert strange.client.post(address, answers(quotation, "approved")).status_code == 404
    pdf = reverse("portal:quotation-pdf", args=[quotation.public_id])
    assert strange.client.get(pdf).status_code == 404
    assert not LineDecision.objects.exists()


def test_the_paper_says_prices_sums_and_decisions(own: Premises) -> None:
    quotation = sent(own)
    data = own.get("quotation-pdf", quotation.public_id).content
    text = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages)
    for said in (quotation.number, "New seal", "4.50", "USD 34.50", "open"):
        assert said in text, said


def test_the_list_asks_no_more_for_more(own: Premises, django_assert_num_queries: Any) -> None:
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    first = sent(own)
    with CaptureQueriesContext(connection) as few:
        own.get("quotations")
    for _ in range(2):
        more = quote_defects(own.site, [defect(own)], currency="USD", by=first.made_by, now=NOW)
        send_quotation(more, version=more.version, by=first.made_by, now=NOW)
    with django_assert_num_queries(len(few)):
        own.get("quotations")
