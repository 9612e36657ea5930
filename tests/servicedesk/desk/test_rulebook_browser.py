"""Rulebook, forecast and findings in a real browser: phone and desk, light and dark."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

import pytest
from django.conf import settings
from django.urls import reverse
from playwright.sync_api import Browser, expect

from inventory.measures.kinds import Agent, Construction, Shell
from schedules.rules import load_tables
from tests.factories import make_model, make_unit
from tests.servicedesk.axe import axe_violations
from tests.servicedesk.page_cast import make_cast

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

OSHA = "us-osha-1910-157@2026-1"
OLD, NEW = (f"{t.key}@{t.version}" for t in load_tables()["it-uni-9994-1"])


@pytest.mark.parametrize(("width", "height", "scheme"), [(390, 844, "dark"), (1440, 900, "light")])
def test_pages_fit_and_are_free_of_violations(
    browser: Browser, live_server: Any, width: int, height: int, scheme: Any
) -> None:
    cast = make_cast()
    odd = make_model(agent=Agent.UNKNOWN, construction=Construction.UNKNOWN, shell=Shell.UNKNOWN)
    make_unit(cast.site, model=odd)
    given = {"level": "firm", "reason": "Plating shop", "reference": "FM-17", "look": "1"}
    vary = {"table": OSHA, "rule": "maintenance", "every": "6 months", **given}
    cast.post("manager", "desk:table-vary", **vary)
    context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
    session = cast.client("manager").cookies[settings.SESSION_COOKIE_NAME].value
    context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": session, "url": live_server.url}])
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    for name, query in (
        ("forecast", {"years": "10"}),
        ("findings", {}),
        ("table-history", {}),
        ("table-adopt", {"table": "in-is-2190@2026-1", **given}),
        ("table-vary", {**vary, "every": "3 months"}),
        ("table-compare", {"old": OLD, "new": NEW}),
        ("table-try", {"table": OSHA, "agent": "water", "construction": "cartridge", "shell": "mild_steel"}),
    ):
        page.goto(f"{live_server.url}{reverse(f'desk:{name}')}?{urlencode(query)}")
        expect(page.locator("h1")).to_have_count(1)
        assert axe_violations(page) == [], name
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), name
    page.goto(live_server.url + reverse("desk:unit", args=[cast.unit.public_id]) + "?what=recharge")
    assert axe_violations(page) == []
    assert said == []
    context.close()
