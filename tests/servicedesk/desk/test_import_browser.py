"""Bringing in a register in a real browser: settled, looked at, stored; phone and desk, light and dark."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from playwright.sync_api import Browser, expect

from inventory.register.claims import Claim
from inventory.register.models import FactRank
from servicedesk.exchange.models import RegisterImport, RegisterSource
from tests.servicedesk.axe import axe_violations
from tests.servicedesk.desk.test_import import cells, table
from tests.servicedesk.page_cast import make_cast

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize(("width", "height", "scheme"), [(390, 844, "dark")])
def test_a_register_comes_in_on_screen(
    browser: Browser, live_server: Any, tmp_path: Path, settings: Any, width: int, height: int, scheme: Any
) -> None:
    settings.MEDIA_ROOT = tmp_path / "media"
    cast = make_cast()
    RegisterSource.objects.create(name="Our survey", rank=FactRank.NAMEPLATE)
    rows = [cells(**{"serial no": f"R{n}", "place no": str(n), "made": "06/19"}) for n in range(8)]
    first, newer = tmp_path / "survey.csv", tmp_path / "list.csv"
    first.write_bytes(table(*rows))
    odd = cells(**{"serial no": "x1", "place no": "x", "made": "30/02/2020"})
    newer.write_bytes(table(cells(**{"serial no": "R3", "place no": "3", "made": "2018"}), odd))
    context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
    context.add_cookies([session_of(cast, live_server)])
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))

    def look(name: str) -> None:
        expect(page.locator("h1")).to_have_count(1)
        assert axe_violations(page) == [], name
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), name

    def bring(file: Path, source: str) -> None:
        page.goto(f"{live_server.url}/desk/import/")
        page.set_input_files("input[type=file]", file)
        page.fill("#id_source", source)
        page.click("text=Open it")
        page.select_option("#id_column_4", "location_number")

    bring(first, "our survey")
    look("columns")
    page.click("text=Check the file")
    look("report")
    page.check(".table-cards tbody tr:nth-child(3) input[type=checkbox] >> nth=0")
    page.click("text=Leave the ticked rows out")
    expect(page.locator("text=1 row will be left out.")).to_have_count(1)
    page.click("text=Bring in these 7 rows")
    look("stored")
    bring(newer, "Tarn list")
    page.click("text=Check the file")
    look("newer")
    page.click("text=Bring in these 1 row")
    page.goto(f"{live_server.url}/desk/claims/")
    look("claims")
    claim = Claim.objects.open().get()
    page.goto(f"{live_server.url}/desk/units/{claim.unit.public_id}/")
    look("unit")
    page.fill(f"#reason-{claim.pk}", "Read from the shell.")
    page.click("text=Take 2018")
    expect(page.locator("text=Made: 2018 taken.")).to_have_count(1)
    run = RegisterImport.objects.earliest("pk")
    page.goto(f"{live_server.url}/desk/import/{run.public_id}/")
    page.on("dialog", lambda dialog: dialog.accept())
    page.click("main button:has-text('Take it back')")
    look("undone")
    RegisterImport.objects.filter(pk=run.pk).update(state="reading", stage="Reading", done=40, total=100)
    page.goto(f"{live_server.url}/desk/import/{run.public_id}/")
    look("working")
    page.goto(f"{live_server.url}/desk/import/")
    look("list")
    assert said == []
    context.close()


def session_of(cast: Any, live_server: Any) -> Any:
    """The cookie of a dispatcher who has signed in."""
    value = cast.client("dispatcher").cookies[settings.SESSION_COOKIE_NAME].value
    return {"name": settings.SESSION_COOKIE_NAME, "value": value, "url": live_server.url}
