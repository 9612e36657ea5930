"""A technician's phone, as the tests of the app drive it: by what stands on the screen."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import segno
from playwright.sync_api import Browser, BrowserContext, Page, expect

from servicedesk.accounts.models import User
from tests.factories import PASSWORD

SIZE = {"width": 360, "height": 800}


def film(path: Path, text: str, width: int = 640, height: int = 480, frames: int = 4) -> Path:
    """Write an uncompressed film of a label (YUV4MPEG2), which Chromium plays as its camera."""
    code = segno.make(text, error="m", micro=False)
    rows = [bytearray(row) for row in code.matrix_iter(scale=1, border=4)]
    scale = int(min(width, height) * 0.7) // len(rows)
    left, top = (width - len(rows) * scale) // 2, (height - len(rows) * scale) // 2
    picture = bytearray(b"\x80" * (width * height))  # a grey wall
    for r, row in enumerate(rows):
        line = b"".join((b"\x10" if dark else b"\xeb") * scale for dark in row)
        for k in range(scale):
            start = (top + r * scale + k) * width + left
            picture[start : start + len(line)] = line
    colourless = b"\x80" * (width * height // 2)
    with path.open("wb") as out:
        out.write(f"YUV4MPEG2 W{width} H{height} F10:1 Ip A1:1 C420jpeg\n".encode())
        for _ in range(frames):
            out.write(b"FRAME\n" + bytes(picture) + colourless)
    return path


class Phone:
    """One phone: a browser's storage of its own, which outlives its page."""

    def __init__(self, browser: Browser, address: str, zone: str = "UTC") -> None:
        self.address = address
        self.context: BrowserContext = browser.new_context(
            viewport=SIZE,  # type: ignore[arg-type]
            timezone_id=zone,
            has_touch=True,
            is_mobile=True,
            permissions=["camera", "geolocation"],
            accept_downloads=True,
        )
        self.broken: list[str] = []
        self.page: Page = self._new_page()

    def _new_page(self) -> Page:
        page = self.context.new_page()
        page.on("pageerror", lambda error: self.broken.append(str(error)))
        page.on(
            "console",
            lambda line: self.broken.append(line.text) if "Content Security" in line.text else None,
        )
        return page

    # --- the day ----------------------------------------------------------------------------------

    def sign_in(self, user: User) -> None:
        """By the form, as a person does; ends on the app."""
        self.page.goto(f"{self.address}/sign-in/?next=/field/")
        self.page.locator("input[name=username]").fill(user.username)
        self.page.locator("input[name=password]").fill(PASSWORD)
        self.page.get_by_role("button", name="Sign in").click()
        expect(self.page.locator("html")).to_have_attribute("data-kept", "yes")

    def store_day(self) -> str:
        """The one touch; what it says."""
        self.page.get_by_role("button", name=re.compile("^Store")).click()
        expect(self.page.locator("#stored")).to_be_visible()
        return self.page.locator("#stored").inner_text()

    def open(self, path: str = "") -> None:
        """A screen by its address in the app."""
        self.page.goto(f"{self.address}/field/#/{path}")
        expect(self.page.locator("html")).to_have_attribute("data-ready", re.compile(r"\d"))

    def kill(self) -> None:
        """The page is gone without a word, as when the phone needs the room."""
        self.page.goto("about:blank")
        self.page.close()
        self.page = self._new_page()

    @contextmanager
    def no_signal(self) -> Iterator[None]:
        """Without a network."""
        self.context.set_offline(True)
        yield
        self.context.set_offline(False)

    # --- one unit ---------------------------------------------------------------------------------

    def is_at(self, name: str) -> None:
        """The screen shows the unit at that place."""
        expect(self.page.locator(".app-unit h1")).to_contain_text(name)

    def value(self, quantity: str, figures: str, unit: str) -> None:
        """Type a measured value and choose its unit of measure."""
        box = self.page.locator(f".app-measure[data-quantity={quantity}]")
        box.get_by_role("textbox").fill(figures)
        box.get_by_role("button", name=unit, exact=True).click()

    def scanner(self, code: str) -> None:
        """A hardware scanner: keys that come faster than fingers, then Enter."""
        self.page.evaluate(
            """(keys) => keys.forEach((key) =>
                document.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true })))""",
            [*code, "Enter"],
        )

    def main(self) -> Any:
        """The button at the thumb, once it takes a tap."""
        return self.page.locator("#foot .app-actions:not([data-fresh]) .app-next")

    def pass_unit(self, psi: str = "195") -> None:
        """All well, the figure, pass."""
        self.value("gauge_pressure", psi, "psi")
        self.main().click()
        expect(self.main()).to_contain_text("Pass")
        self.main().click()

    def sign(self) -> None:
        """Draw a line on the signature field."""
        self.page.locator("canvas.app-sign").scroll_into_view_if_needed()
        box = self.page.locator("canvas.app-sign").bounding_box()
        assert box is not None
        mouse = self.page.mouse
        mouse.move(box["x"] + 30, box["y"] + 60)
        mouse.down()
        for step in range(1, 8):
            mouse.move(box["x"] + 30 + 25 * step, box["y"] + 60 + (30 if step % 2 else -20))
        mouse.up()

    def all_sent(self) -> None:
        """Nothing waits any more; a try that failed is made again after some seconds."""
        expect(self.page.locator("html")).to_have_attribute("data-waiting", "0")
        expect(self.page.locator("html")).to_have_attribute("data-photos", "0")

    def stored(self, store: str) -> list[dict[str, Any]]:
        """Every row of one store of the phone's database, read beside the app."""
        rows: list[dict[str, Any]] = self.page.evaluate(
            """(store) => new Promise((resolve, reject) => {
                const opening = indexedDB.open("field");
                opening.onerror = () => reject(opening.error);
                opening.onsuccess = () => {
                  const db = opening.result;
                  const all = db.transaction(store).objectStore(store).getAll();
                  all.onsuccess = () => {
                    db.close();
                    resolve(all.result.map(({ blob, ...row }) => row));
                  };
                };
            })""",
            store,
        )
        return rows

    def change(self, store: str, key: str | None = None, **facts: Any) -> None:
        """Change a row of one store of the phone's database beside the app, or put one there."""
        self.page.evaluate(
            """([store, key, facts]) => new Promise((resolve, reject) => {
                const opening = indexedDB.open("field");
                opening.onerror = () => reject(opening.error);
                opening.onsuccess = () => {
                  const db = opening.result;
                  const rows = db.transaction(store, "readwrite").objectStore(store);
                  const old = rows.get(key ?? facts.id);
                  old.onsuccess = () => rows.put({ ...old.result, ...facts }, ...(key ? [key] : []));
                  rows.transaction.oncomplete = () => {
                    db.close();
                    resolve();
                  };
                };
            })""",
            [store, key, facts],
        )

    def close(self) -> None:
        """Switch it off; nothing may have broken on it."""
        self.context.close()
        assert self.broken == []
