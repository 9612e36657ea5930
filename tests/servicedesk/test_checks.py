"""Each misfit of the settings is reported with its cure, and sound settings give no report."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.test import override_settings

from schedules.certificates.signing import OWN_FILE, seal
from servicedesk.celery import app
from servicedesk.checks import DEMO_FIRM, settings_fit_together

SOUND: dict[str, Any] = {
    "DEBUG": False,
    "EMBEDDED": False,
    "REDIS_URL": "redis://mq.example/0",
    "PUBLIC_URL": "https://desk.example",
    "ALLOWED_HOSTS": ["desk.example"],
    "FIRM_NAME": "Some Other Firm",
}


@pytest.fixture(scope="module", autouse=True)
def firm_file(tmp_path_factory: pytest.TempPathFactory) -> None:
    """A certificate file as a firm has one; made by the product itself, which any file will do for."""
    folder = tmp_path_factory.mktemp("firm")
    with override_settings(SIGNING_FILE="", DATA_DIR=folder):
        seal()
    SOUND["SIGNING_FILE"] = str(folder / OWN_FILE)
    SOUND["SIGNING_PASSPHRASE"] = ""


def _found(tmp_path: Path, **changed: Any) -> list[str]:
    with override_settings(**{**SOUND, "DATA_DIR": tmp_path, **changed}):
        found = settings_fit_together()
    assert all(message.hint for message in found)
    return [str(message.id) for message in found]


def test_sound_settings_of_either_home_give_no_report(tmp_path: Path) -> None:
    assert _found(tmp_path) == []
    home = {"EMBEDDED": True, "REDIS_URL": "", "PUBLIC_URL": "http://localhost:8000", "FIRM_NAME": DEMO_FIRM}
    assert _found(tmp_path, **home) == []


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        pytest.param({"DEBUG": True}, ["servicedesk.W001"], id="debug in public"),
        pytest.param(
            {"PUBLIC_URL": "http://desk.example"}, ["servicedesk.W002"], id="passwords in the clear"
        ),
        pytest.param(
            {"PUBLIC_URL": "http://192.0.2.7:8000"}, ["servicedesk.W002"], id="clear on a local net"
        ),
        pytest.param({"ALLOWED_HOSTS": ["*"]}, ["servicedesk.W003"], id="any name"),
        pytest.param({"FIRM_NAME": DEMO_FIRM}, ["servicedesk.W004"], id="the invented firm in public"),
        pytest.param({"REDIS_URL": ""}, ["servicedesk.W005"], id="no common broker"),
        pytest.param({"SIGNING_FILE": ""}, ["servicedesk.W006"], id="each machine its own seal"),
        pytest.param({"SIGNING_FILE": "/dev/null/x"}, ["servicedesk.E002"], id="no such seal"),
        pytest.param({"SIGNING_PASSPHRASE": "wrong"}, ["servicedesk.E002"], id="a seal that does not open"),
        pytest.param({"DATA_DIR": Path("/dev/null/var")}, ["servicedesk.E001"], id="a file in the way"),
    ],
)
def test_a_misfit_is_reported(changed: dict[str, Any], expected: list[str], tmp_path: Path) -> None:
    assert _found(tmp_path, **changed) == expected


@pytest.mark.parametrize("address", ["http://127.0.0.2:8000", "http://[::1]:8000", "http://desk.localhost"])
def test_this_machine_itself_is_not_public(address: str, tmp_path: Path) -> None:
    assert _found(tmp_path, PUBLIC_URL=address, FIRM_NAME=DEMO_FIRM) == []


def test_every_scheduled_job_exists() -> None:
    app.loader.import_default_modules()
    missing = {entry["task"] for entry in app.conf.beat_schedule.values()} - set(app.tasks)
    assert missing == set()


def test_no_scheduled_message_outlives_its_use() -> None:
    """Nudges that pile up while no worker runs must not all be worked off afterwards."""
    assert all(entry["options"]["expires"] > 0 for entry in app.conf.beat_schedule.values())
