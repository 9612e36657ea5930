"""A browser per role, and the accessibility checker."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from servicedesk.accounts.models import User
from tests.factories import PASSWORD

AXE = next((Path(__file__).parent / "vendor").glob("axe-core-*/axe.min.js")).read_text(encoding="utf-8")
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]

DESK = {"width": 1440, "height": 900}
PHONE = {"width": 390, "height": 844}


@pytest.fixture
def address(live_server: Any) -> str:
    """The server's address by a name that has one origin for cookies and workers."""
    return str(live_server.url).replace("127.0.0.1", "localhost")


@pytest.fixture
def signed_in(browser: Browser, address: str) -> Iterator[Callable[..., Page]]:
    """Opens a window of its own for a person, who signs in by the form."""
    contexts = []

    def open_for(user: User, size: dict[str, int]) -> Page:
        context = browser.new_context(viewport=size, accept_downloads=True)
        contexts.append(context)
        page = context.new_page()
        page.goto(f"{address}/sign-in/")
        page.locator("input[name=username]").fill(user.username)
        page.locator("input[name=password]").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        return page

    yield open_for
    for context in contexts:
        context.close()


@pytest.fixture
def accessible() -> Callable[[Page], None]:
    """Refuses a page on which axe-core finds a fault by WCAG 2.2 AA."""

    def check(page: Page) -> None:
        page.evaluate(AXE)  # a strict policy refuses an injected script element
        found = page.evaluate(f"axe.run(document, {{runOnly: {RULES}}})")
        faults = [(v["id"], [n["html"][:120] for n in v["nodes"]]) for v in found["violations"]]
        assert faults == [], f"{page.url}: {faults}"
        assert len(found["passes"]) > 5

    return check
