"""What every test may use."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from typing import Any

import hypothesis
import pytest
from django.conf import settings
from django.db.backends.sqlite3.base import DatabaseOperations  # not .operations: it imports in a circle
from playwright.sync_api import expect

# How long an example takes says how busy the machine is, not whether the code is right.
hypothesis.settings.register_profile("steady", deadline=None)
hypothesis.settings.load_profile("steady")

# A page is as patient as every other wait in the browser (30 s): a busy machine is no fault of the page.
expect.set_options(timeout=30_000)

# The browser's driver runs an event loop in the test's thread; without this Django refuses its queries there.
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what means nothing in the home that the environment chooses.

    What asks no database, or only who may open what, is the same in both homes: it runs in the embedded
    one alone.
    """
    foreign = "server_home" if settings.EMBEDDED else "embedded_home"
    kept = [
        item
        for item in items
        if not item.get_closest_marker(foreign) and (settings.EMBEDDED or _asks_servers(item))
    ]
    if len(kept) < len(items):
        left_out = set(items) - set(kept)
        config.hook.pytest_deselected(items=[item for item in items if item in left_out])
        items[:] = kept


# Pages lay out what the slices answer, and the slices are asked in both homes; these write SQL of their own.
_PAGES = ("desk", "portal", "field", "bench")
_PAGES_WITH_SQL = {"test_finder", "test_lists", "test_long_lists", "test_due", "test_overview", "test_import"}


def _asks_servers(item: pytest.Item) -> bool:
    """Whether a test may touch the database or is meant for the server home."""
    if item.get_closest_marker("either_home"):
        return False
    if item.path.parent.name in _PAGES and item.path.stem not in _PAGES_WITH_SQL:
        return False
    marks = ("django_db", "server_home")
    wanted = set(getattr(item, "fixturenames", ()))
    return any(item.get_closest_marker(mark) for mark in marks) or bool(wanted & {"db", "transactional_db"})


@pytest.fixture(scope="session", autouse=True)
def _tables_of_history_may_be_emptied_between_tests() -> Iterator[None]:
    """Let the flush after a test with a web server pass the triggers that keep history append-only.

    PostgreSQL flushes by TRUNCATE, which no row trigger sees; SQLite has only DELETE.
    """
    flush = DatabaseOperations.execute_sql_flush

    def past_the_triggers(self: Any, sql_list: list[str]) -> None:
        with self.connection.cursor() as cursor:
            cursor.execute(
                "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND name LIKE '%_no_%'"
            )
            triggers = cursor.fetchall()
            for name, _ in triggers:
                cursor.execute(f'DROP TRIGGER "{name}"')
            flush(self, sql_list)
            for _, sql in triggers:
                cursor.execute(sql)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(DatabaseOperations, "execute_sql_flush", past_the_triggers)
        yield


def _system_chromium() -> str | None:
    """The system's Chromium, unless it lives in a snap, whose walls a driver cannot reach through."""
    found = os.environ.get("CHROMIUM") or shutil.which("chromium")
    return None if not found or os.path.realpath(found).startswith(("/snap", "/usr/bin/snap")) else found


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    """The system's Chromium where there is one, else the one that Playwright downloaded."""
    chromium = _system_chromium()
    return {
        **browser_type_launch_args,
        **({"executable_path": chromium} if chromium else {}),
        "args": [
            "--disable-gpu",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            # Chromium's sandbox does not run as root, and many containers have no other user.
            *(["--no-sandbox"] if os.getuid() == 0 else []),
        ],
    }
