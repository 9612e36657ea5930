"""Desk pages about an owner's people, quotations and prices: who opens them, and what they keep."""

from __future__ import annotations

import uuid
from typing import Any

import pytest
from django.urls import reverse

from inventory.logbook.defects import NewDefect, state_defect
from schedules.quotations.models import PriceItem, Quotation
from schedules.quotations.services import quote_defects
from servicedesk.accounts.models import OwnerMembership, User
from tests.factories import NOW, TODAY
from tests.servicedesk.page_cast import ROLES, Cast, text_of

pytestmark = pytest.mark.django_db


def _quotation(cast: Cast) -> Quotation:
    defect = state_defect(
        NewDefect(uuid.uuid4(), "seal_broken"),
        site_id=cast.site.pk,
        unit_id=cast.unit.pk,
        on=TODAY,
        at=NOW,
        by=None,
    )
    return quote_defects(cast.site, [defect], currency="EUR", by=cast.people["manager"], now=NOW)


DESK, BOSS = {"manager", "dispatcher"}, {"manager"}


@pytest.mark.parametrize("role", [*ROLES, "stranger"])
def test_who_opens_which_page(cast: Cast, role: str) -> None:
    quotation = _quotation(cast)
    person = cast.people["owner"].public_id
    pages = (
        ("desk:quotations", [], DESK),
        ("desk:quotation", [quotation.public_id], DESK),
        ("desk:quotation-pdf", [quotation.public_id], DESK),
        ("desk:quotation-new", [cast.site.public_id], DESK),
        ("desk:prices", [], BOSS),
        ("desk:owner-people", [cast.owner.public_id], BOSS),
        ("desk:owner-person", [person], BOSS),
    )
    from django.test import Client

    client = Client() if role == "stranger" else cast.client(role)
    for name, args, may in pages:
        for send in (client.get, client.post):
            if send == client.post and name.endswith("pdf"):
                continue
            status = send(reverse(name, args=args)).status_code
            if role == "stranger":
                assert status == 302, name
            elif role in may:
                assert status in (200, 302, 400, 405), name
            else:
                assert status == 403, name


def test_the_manager_adds_a_person_who_sees_the_chosen_site_and_may_approve(cast: Cast) -> None:
    address = reverse("desk:owner-people", args=[cast.owner.public_id])
    boss = cast.client("manager")
    data: dict[str, Any] = {
        "username": "kim",
        "first_name": "Kim",
        "last_name": "Example",
        "email": "kim@example.com",
        "password": "short",
        "is_active": "on",
        "may_approve": "on",
        "is_limited": "on",
        "sites": [str(cast.other_site.public_id)],
    }
    text = text_of(boss.post(address, data))
    assert "Choose among the sites of this owner." in text
    assert "too short" in text
    data |= {"password": "a long and plain word", "sites": []}
    assert "Choose at least one site" in text_of(boss.post(address, data))
    assert not User.objects.filter(username="kim").exists()
    assert boss.post(address, data | {"sites": [str(cast.site.public_id)]}).status_code == 302
    kim = OwnerMembership.objects.get(user__username="kim")
    assert (kim.user.role, kim.may_approve, kim.is_limited) == ("owner", True, True)
    assert list(kim.sites.all()) == [cast.site]
    again = boss.post(address, data | {"sites": [str(cast.site.public_id)]})
    assert "This sign-in name is taken." in text_of(again)
    change = reverse("desk:owner-person", args=[kim.user.public_id])
    assert boss.post(change, {"may_approve": "on"}).status_code == 302
    kim.refresh_from_db()
    assert (kim.is_limited, kim.may_approve, kim.user.is_active) == (False, True, False)


def test_prices_are_the_firms_own_and_a_change_meets_the_newest(cast: Cast) -> None:
    boss = cast.client("manager")
    assert "No prices yet" in text_of(boss.get(reverse("desk:prices")))
    data = {"code": "S", "text": "Seal", "unit_word": "piece", "price": "4.5", "currency": "EUR"}
    data |= {"defect_code": "seal_broken", "is_active": "on"}
    assert boss.post(reverse("desk:prices"), data | {"price": "-1"}).status_code == 400
    assert boss.post(reverse("desk:prices"), data).status_code == 302
    assert "Another line of the list" in text_of(boss.post(reverse("desk:prices"), data))
    item = PriceItem.objects.get()
    change = f"{reverse('desk:prices')}?item={item.public_id}"
    boss.post(change, data | {"price": "5", "version": "1"})
    boss.post(change, data | {"price": "6", "version": "1"})
    item.refresh_from_db()
    assert (str(item.price), item.version) == ("5.00", 2)
