"""What a certificate says beside its common part at one place: data, chosen by country and region.

The chosen form is filled in from the certificate's own content and frozen with it, so that a later change
of the data changes no paper that was issued.
"""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from pathlib import Path
from string import Formatter
from typing import Any

NOTE = "Default form to confirm against local code."
READ = ("PRIMARY", "SECONDARY", "MEMORY")
READ_WORDS = {
    "PRIMARY": "read in the text itself",
    "SECONDARY": "read in somebody's account of it",
    "MEMORY": "from memory",
}
KINDS = ("visit", "period", "condition")
LINE_WORDS = ("passed", "units", "exceptions", "firm", "day", "first_on", "last_on")


class FormError(ValueError):
    """The data of the forms cannot be used; the text names form, field and remedy."""


@dataclass(frozen=True, slots=True)
class Form:
    """What the papers of one place say more."""

    code: str
    kinds: tuple[str, ...]
    fields: tuple[tuple[str, str], ...]
    source: str
    read: str
    country: str = ""
    region: str = ""
    title: str = ""
    lines: tuple[str, ...] = ()
    clock: str = ""


@lru_cache(maxsize=1)
def forms() -> tuple[Form, ...]:
    """The shipped forms."""
    path = Path(__file__).with_name("forms.toml")
    return tuple(read_forms(tomllib.loads(path.read_text(encoding="utf-8"))))


def read_forms(content: Mapping[str, Any]) -> list[Form]:
    """Check and return the forms of a data file; raises ``FormError``."""
    found: list[Form] = []
    for number, row in enumerate(content.get("form", []), start=1):
        where = f"forms.toml, form {row.get('code', number)}"
        unknown = set(row) - set(Form.__dataclass_fields__)
        if unknown:
            raise FormError(f"{where}: no field is called {', '.join(sorted(unknown))}.")
        for name in ("code", "kinds", "fields", "source", "read"):
            if name not in row:
                raise FormError(f"{where}: the field {name} is missing.")
        if row["read"] not in READ:
            raise FormError(f"{where}, read: {row['read']!r} is none of {', '.join(READ)}.")
        for kind in row["kinds"]:
            if kind not in KINDS:
                raise FormError(f"{where}, kinds: {kind!r} is none of {', '.join(KINDS)}.")
        for pair in row["fields"]:
            if len(pair) != 2 or pair[1] not in FIELDS:
                raise FormError(f"{where}, fields: {pair!r}: give a label and one of {', '.join(FIELDS)}.")
        for line in row.get("lines", ()):
            words = {name for _, name, _, _ in Formatter().parse(line) if name is not None}
            if words - set(LINE_WORDS):
                raise FormError(
                    f"{where}, lines: {', '.join(sorted(words - set(LINE_WORDS)))} is none of "
                    f"{', '.join(LINE_WORDS)}."
                )
        if row.get("region") and not row.get("country"):
            raise FormError(f"{where}: name the country of the region.")
        lists = {
            "kinds": tuple(row["kinds"]),
            "fields": tuple((label, code) for label, code in row["fields"]),
            "lines": tuple(row.get("lines", ())),
        }
        found.append(Form(**{**row, **lists}))
    places = [(form.country, form.region.casefold(), kind) for form in found for kind in form.kinds]
    twice = [place for place, count in Counter(places).items() if count > 1]
    if twice:
        raise FormError(f"forms.toml: two forms for {twice[0]}. Leave one.")
    return found


def form_for(country: str, region: str, kind: str) -> Form:
    """The form of a place for a paper of ``kind``: its own, that of its country, or the common one."""
    region = region.strip().casefold()
    for place in ((country.upper(), region), (country.upper(), ""), ("", "")):
        for form in forms():
            if kind in form.kinds and (form.country, form.region.casefold()) == place:
                return form
    raise FormError(f"forms.toml: there is no common form for a paper of the kind {kind}.")


def filled_form(country: str, region: str, content: Mapping[str, Any]) -> dict[str, Any]:
    """The form of a place filled in from the rest of ``content``, as plain values to be frozen with it."""
    kind = {"service_certificate": "visit"}.get(content["kind"], content["kind"].removesuffix("_certificate"))
    form = form_for(country, region, kind)
    words = {
        "passed": str(content["counts"]["serviced"]),
        "units": str(len(content["units"])),
        "exceptions": str(len(content["exceptions"])),
        "firm": content["firm"]["name"],
        "day": _day(content["visit"]["done_on"]) if "visit" in content else "",
        "first_on": _day(content["period"]["first_on"]) if "period" in content else "",
        "last_on": _day(content["period"]["last_on"]) if "period" in content else "",
    }
    return {
        "code": form.code,
        "title": form.title,
        "fields": [{"label": label, "value": FIELDS[code](content)} for label, code in form.fields],
        "lines": [line.format(**words) for line in form.lines],
        "clock": form.clock,
        "source": form.source,
        "read": READ_WORDS[form.read],
        "note": NOTE,
    }


# --- fields: each from the frozen content alone ---------------------------------------------------------


def _day(iso: str) -> str:
    day = date.fromisoformat(iso)
    return f"{day.day} {day:%b %Y}"


def _equipment(content: Mapping[str, Any]) -> str:
    counts = Counter(unit["kind"] for unit in content["units"])
    return "; ".join(f"{number} × {kind}" for kind, number in counts.most_common()) or "none listed"


def _nature(content: Mapping[str, Any]) -> str:
    counts = Counter(
        task["label"] for unit in content["units"] for task in unit["tasks"] if task["outcome"] == "passed"
    )
    return "; ".join(f"{label}, {number}" for label, number in counts.most_common()) or "no work recorded"


def _standards(content: Mapping[str, Any]) -> str:
    found = [
        f"{table['document']}{', ' + table['edition'] if table['edition'] else ''}"
        f"{'' if table['is_confirmed'] else ' (unconfirmed)'}"
        for table in content["tables"]
    ]
    return "; ".join(dict.fromkeys(found)) or "no interval table in use"


def _technicians(content: Mapping[str, Any]) -> str:
    if "technicians" in content:
        return "; ".join(
            f"{person['name']}, {person['licence'] or 'no licence number recorded'}"
            for person in content["technicians"]
        )
    names = dict.fromkeys(visit["done_by"] for visit in content["visits"] if visit["done_by"])
    return "; ".join(names) or "nobody: no visit was closed"


def _period(content: Mapping[str, Any]) -> str:
    if "period" not in content:
        return _day(content["visit"]["done_on"])
    return f"{_day(content['period']['first_on'])} to {_day(content['period']['last_on'])}"


def _completed(content: Mapping[str, Any]) -> str:
    return _day(content["visit"]["done_on"] if "visit" in content else content["period"]["last_on"])


def _working_order(content: Mapping[str, Any]) -> str:
    units = len(content["units"])
    passed = content["counts"]["serviced"]
    rest = (
        "" if passed == units else f"; the other {units - passed} are named in the table and the exceptions"
    )
    return f"{passed} of {units} units listed{rest}"


def _defects(content: Mapping[str, Any]) -> str:
    found = sum(entry["kind"] == "defect" for entry in content["exceptions"])
    return f"{found}, listed among the exceptions" if found else "none on record"


FIELDS: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "firm_licence": lambda content: content["firm"]["licence"] or "none recorded",
    "technicians": _technicians,
    "equipment": _equipment,
    "nature_of_work": _nature,
    "standards": _standards,
    "period": _period,
    "completed_on": _completed,
    "working_order": _working_order,
    "defects": _defects,
}
