"""The accessibility checker, run inside a page that lets no foreign script in."""

from __future__ import annotations

import json
from pathlib import Path

from django.conf import settings
from playwright.sync_api import Page

AXE = Path(settings.BASE_DIR) / "tests/browser/vendor/axe-core-4.14.1/axe.min.js"


def axe_violations(page: Page) -> list[str]:
    """Rule and first element of each violation on ``page``; asked through the debugger, past the CSP."""
    # A click returns when the next page is on its way, not when it is there.
    page.wait_for_load_state()
    session = page.context.new_cdp_session(page)
    call = ";axe.run().then(r => JSON.stringify(r.violations.map(v => `${v.id}: ${v.nodes[0].html}`)))"
    found = session.send("Runtime.evaluate", {"expression": AXE.read_text() + call, "awaitPromise": True})
    violations: list[str] = json.loads(found["result"]["value"])
    return violations
