"""The owner's pages in a real browser, at the sizes of a phone and a desk, light and dark."""

from __future__ import annotations

from typing import Any

import pytest
from django.conf import settings
from django.urls import reverse
from playwright.sync_api import Browser

from inventory.measures.stamps import Stamp
from inventory.register.models import Unit
from tests.factories import TODAY, make_unit, make_visit
from tests.servicedesk.axe import axe_violations
from tests.servicedesk.portal.cast import Premises
from tests.servicedesk.portal.test_quotations import approver, sent

# Labels of a cell that are taller than it or run into its value, and words that touch the edge of their box.
CROWDED = """() => [
  ...[...document.querySelectorAll(".table-cards td[data-label]")].filter((cell) => {
    const label = getComputedStyle(cell, "::before");
    const canvas = document.createElement("canvas").getContext("2d");
    canvas.font = label.font;
    const wide = canvas.measureText(cell.dataset.label).width > parseFloat(label.width);
    return label.content !== "none" && label.content !== "normal" && wide
      && (label.whiteSpace === "nowrap" || cell.offsetHeight < 2 * parseFloat(label.fontSize));
  }).map((cell) => cell.dataset.label),
  ...[...document.querySelectorAll("label.choice > span")].filter((word) =>
    word.getBoundingClientRect().right > word.parentElement.getBoundingClientRect().right - 8
  ).map((word) => word.textContent),
]"""

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize(("width", "height", "scheme"), [(390, 844, "dark"), (1440, 900, "light")])
def test_pages_fit_and_are_free_of_violations(
    own: Premises, browser: Browser, live_server: Any, width: int, height: int, scheme: Any
) -> None:
    own.serve(own.unit)
    make_unit(own.site, made=Stamp.unknown())
    make_unit(own.site, made=Stamp.of(2020, 1))
    make_unit(own.site, state=Unit.State.IN_WORKSHOP)
    make_visit(own.site, planned_on=TODAY)
    quotation = sent(own)
    approver(own)
    context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
    session = own.client.cookies[settings.SESSION_COOKIE_NAME].value
    context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": session, "url": live_server.url}])
    page = context.new_page()
    for name, args in (
        ("home", []),
        ("site", [own.site.public_id]),
        ("unit", [own.unit.public_id]),
        ("certificates", []),
        ("site-looks", [own.site.public_id]),
        ("quotation", [quotation.public_id]),
    ):
        page.goto(live_server.url + reverse(f"portal:{name}", args=args))
        assert axe_violations(page) == [], name
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), name
        assert page.evaluate(CROWDED) == [], name
    context.close()
