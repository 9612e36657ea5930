"""System checks: misfits between settings that would only show later, each with its cure."""

from __future__ import annotations

import ipaddress
import os
from collections.abc import Iterator
from typing import Any
from urllib.parse import urlsplit

from django.conf import settings
from django.core import checks
from django.core.checks import CheckMessage, Error
from django.core.exceptions import ImproperlyConfigured

from schedules.certificates.signing import seal
from servicedesk.env import tile_origins

DEMO_FIRM = "Tarn & Alder Extinguisher Service"


def _leaves_this_machine(address: str) -> bool:
    """Whether ``address`` is meant for others than the person at this machine."""
    host = urlsplit(address).hostname or ""
    try:
        return not ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host != "localhost" and not host.endswith(".localhost")


@checks.register()
def settings_fit_together(app_configs: Any = None, **_: Any) -> list[CheckMessage]:
    """Every misfit of the settings as they are now."""
    return [*_folder(), *_exposure(), *_names(), *_seal(), *_servers(), *_map()]


def _folder() -> Iterator[CheckMessage]:
    folder = settings.DATA_DIR
    nearest = next(path for path in (folder, *folder.parents) if path.exists())
    if not nearest.is_dir() or not os.access(nearest, os.W_OK | os.X_OK):
        yield Error(
            f"DATA_DIR {folder} cannot be written to.",
            hint=f"Give this user the right to write to {nearest}, or set DATA_DIR to another folder.",
            id="servicedesk.E001",
        )


def _exposure() -> Iterator[CheckMessage]:
    public = _leaves_this_machine(settings.PUBLIC_URL)
    if settings.DEBUG and (public or not settings.EMBEDDED):
        yield checks.Warning(
            "DEBUG shows source code and settings to whoever meets an error.",
            hint="Unset DEBUG wherever others than you can reach the pages.",
            id="servicedesk.W001",
        )
    if public and settings.PUBLIC_URL.startswith("http://"):
        yield checks.Warning(
            f"PUBLIC_URL {settings.PUBLIC_URL} sends passwords and certificates in the clear, and phones "
            "keep no offline copy of pages that come that way.",
            hint="Put a proxy with a TLS certificate in front, set BEHIND_HTTPS_PROXY=yes and an https:// "
            "PUBLIC_URL.",
            id="servicedesk.W002",
        )
    if "*" in settings.ALLOWED_HOSTS:
        yield checks.Warning(
            "ALLOWED_HOSTS accepts any name, so a forged one could end up in links.",
            hint="List the names under which the pages are reached.",
            id="servicedesk.W003",
        )


def _names() -> Iterator[CheckMessage]:
    if settings.FIRM_NAME == DEMO_FIRM and _leaves_this_machine(settings.PUBLIC_URL):
        yield checks.Warning(
            f"Certificates would be issued in the name of the invented firm {DEMO_FIRM}.",
            hint="Set FIRM_NAME, FIRM_ADDRESS, FIRM_PHONE, FIRM_EMAIL and FIRM_LICENCE to your own.",
            id="servicedesk.W004",
        )


def _seal() -> Iterator[CheckMessage]:
    if not settings.SIGNING_FILE:
        if not settings.EMBEDDED:
            yield checks.Warning(
                "SIGNING_FILE is not set: each machine would sign papers with a certificate of its own.",
                hint="Set SIGNING_FILE to one PKCS #12 file with the firm's certificate, on every machine.",
                id="servicedesk.W006",
            )
        return
    try:
        seal()
    except ImproperlyConfigured as error:
        yield Error(
            str(error),
            hint="Name another file, or unset SIGNING_FILE to use a self-made one.",
            id="servicedesk.E002",
        )


def _servers() -> Iterator[CheckMessage]:
    if not settings.EMBEDDED and not settings.REDIS_URL:
        yield checks.Warning(
            "DATABASE_URL is set and REDIS_URL is not: each machine would run a broker of its own.",
            hint="Set REDIS_URL to one server for all machines, or unset DATABASE_URL to stay on one.",
            id="servicedesk.W005",
        )


def _map() -> Iterator[CheckMessage]:
    address = settings.MAP_TILE_URL
    if not address:
        return
    if not tile_origins(address) or not all(part in address for part in ("{z}", "{x}", "{y}")):
        yield Error(
            f"MAP_TILE_URL {address} is no address of map tiles.",
            hint="Write it like https://tiles.example/{z}/{x}/{y}.png, or unset it for the shipped outline.",
            id="servicedesk.E010",
        )
    if not settings.MAP_TILE_ATTRIBUTION:
        yield Error(
            "MAP_TILE_URL is set and MAP_TILE_ATTRIBUTION is not: map tiles must name whose they are.",
            hint="Set MAP_TILE_ATTRIBUTION to the words that the tile server asks for.",
            id="servicedesk.E011",
        )
