"""What every test may use."""

from __future__ import annotations

import os
import shutil
from typing import Any

import pytest

# The browser's driver runs an event loop in the test's thread; without this Django refuses its queries there.
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    """The system's Chromium where there is one, else the one that Playwright downloaded."""
    chromium = os.environ.get("CHROMIUM") or shutil.which("chromium")
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
