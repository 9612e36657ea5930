"""The app as files: who gets its page, what the worker keeps, how heavy the first load is."""

from __future__ import annotations

import gzip
import json
import re
from pathlib import Path
from typing import Any

import pytest
from django.contrib.staticfiles import finders
from django.test import Client
from django.urls import reverse

from servicedesk.field import shell
from tests.factories import make_user
from tests.servicedesk.field.cast import text_of

pytestmark = pytest.mark.django_db

FOLDER = shell._FOLDER
IMPORT = re.compile(r"""(?:from|import)\s*\(?\s*["'](\.[^"']+)["']""")
# What somebody waits for, and what the phone then fetches behind it.
FIRST_SCREEN_KB = 45
WHOLE_KB = 160
SCANNER_KB = 450


def signed_in(role: str) -> Client:
    client = Client()
    client.force_login(make_user(role))
    return client


def plan_of(script: str) -> dict[str, Any]:
    """What the worker was told to keep."""
    return dict(json.loads(re.findall(r"^const PLAN = (.*);$", script, re.MULTILINE)[0]))


@pytest.mark.parametrize(
    ("role", "status"), [("technician", 200), ("dispatcher", 403), ("workshop", 403), ("owner", 403)]
)
def test_the_page_opens_for_technicians_only(role: str, status: int) -> None:
    assert signed_in(role).get(reverse("field:home")).status_code == status


def test_a_stranger_signs_in_first() -> None:
    answer = Client().get(reverse("field:home"))
    assert (answer.status_code, answer["Location"]) == (302, "/sign-in/?next=/field/")


def test_the_page_holds_nothing_about_the_person() -> None:
    client = Client()
    client.force_login(make_user("technician", first_name="Ines", last_name="Rowntree"))
    page = text_of(client.get(reverse("field:home")))
    assert "Rowntree" not in page
    assert "csrfmiddlewaretoken" not in page


def test_only_the_app_may_run_webassembly() -> None:
    client = signed_in("technician")
    app = client.get(reverse("field:home"))["Content-Security-Policy"]
    plain = client.get(reverse("field:plain"))["Content-Security-Policy"]
    assert "script-src 'self' 'wasm-unsafe-eval'" in app
    assert "unsafe-inline" not in app
    assert "wasm-unsafe-eval" not in plain


def test_the_worker_keeps_every_module_that_another_one_names() -> None:
    files = {Path(str(finders.find(name))).resolve() for name in shell.app_files()}
    for module in FOLDER.glob("*.js"):
        for named in IMPORT.findall(module.read_text("utf-8")):
            assert (module.parent / named).resolve() in files, f"{module.name} imports {named}"


def test_modules_import_each_other_one_way_round() -> None:
    """Names with a digest of the content cannot be made for files that name each other in a circle."""
    named = {
        module.name: {Path(name).name for name in IMPORT.findall(module.read_text("utf-8"))}
        for module in FOLDER.glob("*.js")
    }
    done: set[str] = set()
    while ready := {name for name, needs in named.items() if name not in done and needs & set(named) <= done}:
        done |= ready
    assert done == set(named)


def test_the_worker_is_answered_fresh_and_below_the_app() -> None:
    answer = Client().get(reverse("field:worker"))
    plan = plan_of(text_of(answer))
    assert answer["Content-Type"].startswith("text/javascript")
    assert answer["Cache-Control"] == "no-cache"
    assert reverse("field:worker") == "/field/sw.js"
    assert plan["page"] == reverse("field:home")
    assert plan["version"] == shell.app_version()
    assert len(plan["files"]) == len(shell.app_files()) + 1


def test_the_version_changes_with_the_content_of_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = shell._digest(shell.app_files())
    other = tmp_path / "tokens.css"
    other.write_text("/* changed */", encoding="utf-8")
    find = finders.find
    monkeypatch.setattr(finders, "find", lambda name: str(other) if name == "tokens.css" else find(name))
    assert shell._digest(shell.app_files()) != before
    monkeypatch.setattr(finders, "find", find)
    assert shell._digest(shell.app_files()) == before


def test_the_look_is_one_file_that_may_be_kept_under_its_own_version_only() -> None:
    now = Client().get(reverse("field:look", args=[shell.app_version()]))
    old = Client().get(reverse("field:look", args=["0123456789abcdef"]))
    assert now.content == old.content
    assert now.content.index(b"--paper:") < now.content.index(b".app-bar")
    assert (now["Cache-Control"], old["Cache-Control"]) == ("public, max-age=31536000", "public, max-age=0")


def test_a_phone_can_put_the_app_on_its_home_screen() -> None:
    manifest = Client().get(reverse("field:manifest")).json()
    assert (manifest["start_url"], manifest["scope"], manifest["display"]) == (
        "/field/",
        "/field/",
        "standalone",
    )
    for picture in manifest["icons"]:
        assert finders.find(picture["src"].removeprefix("/static/")), picture


def packed_kb(*names: str) -> float:
    return sum(len(gzip.compress(Path(str(finders.find(name))).read_bytes(), 9)) for name in names) / 1000


def test_the_whole_app_is_light_and_the_scanner_comes_behind_it() -> None:
    """Little stands before the first screen; the others, the typeface and the worker come behind it."""
    first = [f"field/app/{name}" for name in shell.FIRST]
    assert packed_kb(*shell.LOOK, *shell.FRAME, *first, "vendor/idb-8.0.4/index.js") <= FIRST_SCREEN_KB
    assert packed_kb(*shell.app_files(), *shell.LOOK) <= WHOLE_KB
    assert packed_kb(*shell.SCANNER) <= SCANNER_KB
