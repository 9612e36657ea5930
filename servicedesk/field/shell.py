"""The technician's app as files: which belong to it, under which version, and the worker that keeps them.

The app is one page and a folder of ES modules. The worker stores them under the version of their
content; a new version is stored beside the old one and takes over when the person says so. What the
person recorded lies in the browser's database and is not touched by either.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from typing import Any

from csp.constants import SELF, WASM_UNSAFE_EVAL
from csp.decorators import csp_update
from django.conf import settings
from django.contrib.staticfiles import finders
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.templatetags.static import static
from django.urls import reverse
from django.utils.cache import patch_cache_control
from django.utils.decorators import method_decorator
from django.views.decorators.csrf import ensure_csrf_cookie
from django.views.decorators.gzip import gzip_page

from servicedesk.access import Act
from servicedesk.pages import PageView

_FOLDER = Path(__file__).resolve().parent.parent / "static" / "field" / "app"
# Needed for the first screen; the others come behind it.
FIRST = ("app.js", "dom.js", "home.js", "store.js")
# Sent as one file: a phone on a slow line waits for every single answer.
LOOK = ("tokens.css", "base.css", "field/app/app.css")
FRAME = ("icons.svg", "favicon.svg")
BEHIND = (
    "fonts.css",
    "vendor/fontsource-noto-sans-5.3.0/noto-sans-latin-400-normal.woff2",
    "vendor/fontsource-noto-sans-5.3.0/noto-sans-latin-700-normal.woff2",
    "vendor/idb-8.0.4/index.js",
    "vendor/signature_pad-5.1.4/signature_pad.min.js",
)
# Heavy, and needed only where a camera is: stored with the day, not with the app.
SCANNER = ("vendor/zxing-wasm-3.1.4/index.js", "vendor/zxing-wasm-3.1.4/zxing_reader.wasm")


def app_files() -> tuple[str, ...]:
    """Names of the static files of the app, without its look and the scanner."""
    modules = sorted(f"field/app/{path.name}" for path in _FOLDER.glob("*.js"))
    return (*FRAME, *modules, *BEHIND)


def app_version() -> str:
    """A digest of the content of the app's files and of its page; it changes when one of them does."""
    return _digest(app_files()) if settings.DEBUG else _digest_once()


@lru_cache(maxsize=1)
def _digest_once() -> str:
    return _digest(app_files())


def _look_address() -> str:
    return reverse("field:look", args=[app_version()])


@gzip_page
def look(request: HttpRequest, version: str) -> HttpResponse:
    """Tokens, shared styles and the app's own, one after the other; the address changes with them."""
    sheets = [Path(str(finders.find(name))).read_text(encoding="utf-8") for name in LOOK]
    answer = HttpResponse("\n".join(sheets), content_type="text/css; charset=utf-8")
    # Asked for by an older page: right to look at, wrong to keep under that name.
    patch_cache_control(answer, public=True, max_age=31_536_000 if version == app_version() else 0)
    return answer


@lru_cache(maxsize=8)
def _colour(token: str) -> str:
    """The light value of a colour token, for the two places that style sheets do not reach."""
    tokens = Path(str(finders.find("tokens.css"))).read_text(encoding="utf-8")
    found = re.search(rf"^  {token}: (#[0-9a-f]{{6}});", tokens, re.MULTILINE)
    if found is None:
        raise LookupError(f"tokens.css has no colour {token}.")
    return found[1]


def _digest(names: Iterable[str]) -> str:
    whole = hashlib.sha256()
    template = settings.BASE_DIR / "templates" / "field" / "app.html"
    for path in [template, Path(__file__), *(finders.find(name) for name in (*names, *LOOK, *SCANNER))]:
        if path is None:
            raise FileNotFoundError("A file of the technician's app is missing from the static folders.")
        whole.update(hashlib.sha256(Path(str(path)).read_bytes()).digest())
    return whole.hexdigest()[:16]


# WebAssembly needs a word in the policy; only pages where the scanner runs say it.
READS_CODES = {"script-src": [SELF, WASM_UNSAFE_EVAL]}


def scanner_config() -> dict[str, Any]:
    """What the scanner's module reads from its page: where the icons and the reader lie."""
    script, wasm = (static(name) for name in SCANNER)
    return {"icons": static("icons.svg"), "scanner": {"script": script, "wasm": wasm}}


# Photos are shown from the browser's own storage.
@method_decorator(ensure_csrf_cookie, name="dispatch")
@method_decorator(csp_update({**READS_CODES, "img-src": ["blob:"]}), name="dispatch")
class AppView(PageView):
    """The app's one page. It holds nothing about anybody: the worker keeps it on the phone."""

    acts = (Act.RECORD_VISITS,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show it."""
        config = {
            "version": app_version(),
            **scanner_config(),
            "fonts": static("fonts.css"),
            "worker": reverse("field:worker"),
            "signIn": f"{reverse('sign-in')}?next={reverse('field:home')}",
            "plain": reverse("field:plain"),
        }
        first = [static(f"field/app/{name}") for name in FIRST if name != "app.js"]
        return self.page(
            "field/app.html",
            {
                "config": config,
                "preload": [*first, static("vendor/idb-8.0.4/index.js")],
                "theme_colour": _colour("--bar"),
                "look": _look_address(),
            },
        )


def worker(request: HttpRequest) -> HttpResponse:
    """The service worker; served below /field/ because its address bounds what it may answer for."""
    is_hashed = "Hashed" in settings.STORAGES["staticfiles"]["BACKEND"]
    plan = {
        "version": app_version(),
        "page": reverse("field:home"),
        "files": [_look_address(), *(static(name) for name in app_files())],
        "scanner": [static(name) for name in SCANNER],
        # Names with a digest never change content; others are asked for anew.
        "fetchMode": "default" if is_hashed else "no-cache",
    }
    answer = render(
        request,
        "field/worker.js",
        {"plan_json": json.dumps(plan)},
        content_type="text/javascript; charset=utf-8",
    )
    answer["Cache-Control"] = "no-cache"
    return answer


def manifest(request: HttpRequest) -> HttpResponse:
    """What a phone needs to put the app on its home screen."""
    start = reverse("field:home")
    return JsonResponse(
        {
            "id": start,
            "name": f"{settings.FIRM_NAME}: visits",
            "short_name": "Visits",
            "description": "Rounds of extinguishers, recorded with or without signal.",
            "start_url": start,
            "scope": start,
            "display": "standalone",
            "orientation": "portrait",
            "background_color": _colour("--paper"),
            "theme_color": _colour("--bar"),
            "icons": [
                {"src": static(f"field/icon-{size}.png"), "sizes": f"{size}x{size}", "type": "image/png"}
                for size in (192, 512)
            ]
            + [
                {
                    "src": static("field/icon-512.png"),
                    "sizes": "512x512",
                    "type": "image/png",
                    "purpose": "maskable",
                }
            ],
        },
        content_type="application/manifest+json",
    )
