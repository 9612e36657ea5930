"""The pages of goods, custody, condition and demand in a real browser: they fit and are accessible."""

from __future__ import annotations

import uuid

import pytest
from django.urls import reverse
from playwright.sync_api import Browser

from inventory.condition.services import refresh_condition
from inventory.measures.kinds import Agent
from inventory.register.custody import add_store, carry
from inventory.register.places import Store
from inventory.stock.models import Item
from inventory.stock.services import UseLine, consume, receive
from tests.factories import NOW, PASSWORD, TODAY, make_user
from tests.servicedesk.axe import axe_violations
from tests.servicedesk.desk.test_condition_and_demand import leaking

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize(("width", "height", "scheme"), [(390, 844, "light"), (1440, 900, "dark")])
def test_pages_fit_and_are_free_of_violations(
    browser: Browser, live_server, width: int, height: int, scheme: str
) -> None:
    person = make_user("manager")
    shop = add_store(Store.Kind.WORKSHOP, "Bench hall")
    item = Item.objects.create(
        code="ABC", name="ABC powder", kind="agent", base_unit="g", agent=Agent.DRY_CHEMICAL_ABC,
        is_lot_tracked=True, reorder_level=90_000,
    )  # fmt: skip
    given = {"store": shop, "by": None, "on": TODAY, "now": NOW}
    lot = receive(item, 50_000, lot_no="L-1", client_ref=uuid.uuid4(), **given)
    units = leaking(5)
    for unit in units:
        consume([UseLine(item, 4536, lot)], unit=unit, client_ref=uuid.uuid4(), **given)
    carry(units[:1], shop, on=TODAY, by=None)
    refresh_condition(now=NOW)
    paths = [
        reverse("bench:stock"),
        reverse("bench:item", args=[item.public_id]),
        reverse("bench:lots"),
        reverse("bench:lot", args=[lot.public_id]),
        reverse("bench:drums"),
        reverse("bench:places"),
        reverse("bench:place", args=[shop.public_id]),
        reverse("bench:loans"),
        reverse("desk:condition"),
        reverse("desk:condition-unit", args=[units[1].public_id]),
        reverse("desk:condition-group", args=["lot", lot.public_id]),
        reverse("desk:demand"),
    ]
    context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
    page = context.new_page()
    address = str(live_server.url).replace("127.0.0.1", "localhost")
    page.goto(f"{address}/sign-in/")
    page.fill("input[name=username]", person.username)
    page.fill("input[name=password]", PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    found = {}
    for path in paths:
        page.goto(f"{address}{path}")
        wrong = axe_violations(page)
        if page.evaluate("document.documentElement.scrollWidth") > width:
            wrong.append("wider than the window")
        if wrong:
            found[path] = wrong
    context.close()
    assert found == {}
