"""Makes the PDF of a certificate from its frozen content, and from nothing else.

The same content gives the same bytes: no clock, no chance and no row of the database takes part.
The file is an archival PDF/A-3a with tags and carries its content as canonical JSON, so that the
digest printed on it can be worked out from the paper alone. Whether a strict validator accepts it
has not been tried; "tagged" and the archival profile are what the PDF engine claims.
"""

from __future__ import annotations

import atexit
import os
import re
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote, urlsplit

import segno
from django.contrib.staticfiles import finders
from django.template.loader import render_to_string

from schedules.certificates.content import canonical_json, qr_text, say_day
from schedules.due.plots import plot

# Fonts are cut to what is used. Where the library that does this is missing, a slower one steps in and
# writes the time into the font unless it is told one.
os.environ.setdefault("SOURCE_DATE_EPOCH", "0")

TOKENS = "tokens.css"
STYLE_SHEETS = ("print/fonts.css", "print/certificate.css")
PAPER_SIZES = ("A4", "Letter")


class CannotPrint(RuntimeError):
    """A file that papers are made with is missing, or a paper asks for one that is none of its business."""


def make_pdf(content: Mapping[str, Any], *, digest: str) -> tuple[bytes, int]:
    """The certificate as PDF and the number of its pages.

    ``digest`` is that of ``content`` and is printed; it also identifies the file. Raises
    ``CannotPrint`` when a style sheet or font cannot be read: no paper comes out half dressed.
    """
    issued_at = datetime.fromisoformat(content["issued_at"])
    return lay_out(
        certificate_html(content, digest=digest),
        paper_size=_paper(content),
        identifier=digest,
        attached=Attached(
            "certificate.json",
            canonical_json(content),
            "What this certificate says, as canonical JSON; its SHA-256 is printed on the last page.",
            issued_at,
        ),
    )


@dataclass(frozen=True, slots=True)
class Attached:
    """A text that a paper carries inside itself."""

    name: str
    text: str
    description: str
    at: datetime


def lay_out(
    html: str, *, paper_size: str, identifier: str, attached: Attached | None = None, page_style: str = ""
) -> tuple[bytes, int]:
    """``html`` in the house's print style as an archival, tagged PDF, and the number of its pages.

    ``identifier`` (32 letters count) names the file; ``page_style`` is CSS that comes last. The same
    arguments give the same bytes. Raises ``CannotPrint``.
    """
    # Costs half a second and some 30 MB, which only those who make papers should pay.
    from weasyprint import CSS, HTML, Attachment
    from weasyprint.urls import FatalURLFetchingError

    page = CSS(string=f"@page {{ size: {paper_size} }} {page_style}")
    try:
        fetcher, fonts, sheets = _stationery()
        document = HTML(string=html, url_fetcher=fetcher).render(
            stylesheets=[*sheets, page], font_config=fonts, pdf_variant="pdf/a-3a"
        )
        attachments = attached and [
            Attachment(
                string=attached.text,
                name=attached.name,
                description=attached.description,
                created=attached.at,
                modified=attached.at,
                relationship="Data",
                url_fetcher=fetcher,
            )
        ]
        data = document.write_pdf(
            pdf_variant="pdf/a-3a", pdf_identifier=identifier[:32].encode(), attachments=attachments
        )
    except FatalURLFetchingError as error:
        # No Exception to Python: it would end a worker that only one paper concerns.
        raise CannotPrint(str(error)) from error
    return data, len(document.pages)


def certificate_html(content: Mapping[str, Any], *, digest: str) -> str:
    """The page that the PDF is made from."""
    url = content["verify"]["url"]
    lists = {
        "exceptions": [entry for entry in content["exceptions"] if entry["kind"] != "not_on_list"],
        "units": [_cells(unit) for unit in content["units"]],
        "unseen": [entry for entry in content["exceptions"] if entry["kind"] == "not_on_list"],
    }
    context = {
        "certificate": content,
        "digest": digest,
        "issued_on": say_day(date.fromisoformat(content["issued_on"])),
        **_when(content),
        "share": _share(content),
        **lists,
        # The PDF engine looks through the rest of a row group on every page: one long group costs the square.
        **{
            f"{name}_by_50": [rows[i : i + 50] for i in range(0, len(rows), 50)]
            for name, rows in lists.items()
        },
        # Without an own border: the page leaves more than the four modules that a reader wants free.
        "qr": segno.make(qr_text(url), error="m", micro=False).svg_data_uri(border=0, dark="#000"),
    }
    return render_to_string(f"print/{_TEMPLATES.get(content['kind'], 'certificate')}.html", context)


_TEMPLATES = {"period_certificate": "period_certificate", "condition_certificate": "period_certificate"}


def _share(content: Mapping[str, Any]) -> dict[str, Any] | None:
    """The picture of a yearly statement, from its frozen numbers."""
    figures = content.get("figures")
    if figures is None:
        return None
    rows = []
    for line in figures["months"]:
        month = date.fromisoformat(line["month"])
        share = 100 * (line["in_date"] + line["due"]) / line["units"] if line["units"] else 0
        rows.append((f"{month:%b %y}", share, f"{share:.0f} %" if line["units"] else "–"))
    bars = plot(
        "Share in date",
        "",
        rows,
        heads=("Month", "Share in date"),
        most=100,
        notes=["worked" if line["is_worked_out"] else "" for line in figures["months"]],
    )
    drawn = render_to_string(
        "print/plot.svg",
        {"plot": bars, "accent": _token("--print-accent"), "ink": _token("--print-ink")},
    )
    return {
        "bars": rows,
        "image": f"data:image/svg+xml,{quote(drawn.strip())}",
        "told": "; ".join(f"{word}: {said}" for word, _, said in rows),
        "defects": figures["defects"],
    }


def _token(name: str) -> str:
    """One colour of printed papers."""
    found = re.search(rf"{name}:\s*([^;]+);", _print_tokens())
    if found is None:
        raise CannotPrint(f"{TOKENS} has no {name}; the installation is incomplete.")
    return found[1]


def _when(content: Mapping[str, Any]) -> dict[str, str]:
    """The day of the visit, or the days of the period, in words."""
    if "visit" in content:
        return {
            "done_on": say_day(date.fromisoformat(content["visit"]["done_on"])),
            "closed_at": content["visit"]["closed_at"].replace("T", " ").replace("Z", " UTC"),
        }
    return {name: say_day(date.fromisoformat(day)) for name, day in content["period"].items()}


def _cells(unit: Mapping[str, Any]) -> dict[str, Any]:
    """The cells of one row of the table of units; line ends part what stands under each other."""
    if "readings" not in unit:
        return _period_cells(unit)
    work = [_task_text(task) for task in unit["tasks"]] or ["–"]
    work += [
        f"{r['label']} {r['value']} {r['unit']}, {r['verdict_label']}".rstrip(", ") for r in unit["readings"]
    ]
    work += unit["remarks"]
    work += [f"With {instrument}" for instrument in unit["instruments"]]
    due = unit["next_due"]
    when = f"overdue since {due['text']}" if due["state"] == "overdue" else due["text"]
    return {
        "place": f"{unit['place']['number']} {unit['place']['text']}".strip(),
        "unit": f"{unit['number']}\n{unit['serial']}" + ("" if unit["on_list"] else "\nbeyond the list"),
        "kind": unit["kind"],
        "work": "\n".join(work),
        "result": unit["result_label"],
        "strong_result": unit["result"] != "serviced",
        "due": f"{when}\n{_rule_text(due)}".strip(),
        "strong_due": due["state"] in ("overdue", "unknown", "uncovered"),
    }


def _period_cells(unit: Mapping[str, Any]) -> dict[str, Any]:
    due = unit["next_due"]
    when = f"overdue since {due['text']}" if due["state"] == "overdue" else due["text"]
    return {
        "place": f"{unit['place']['number']} {unit['place']['text']}".strip(),
        "unit": f"{unit['number']}\n{unit['serial']}",
        "kind": unit["kind"],
        "work": "\n".join(task["text"] for task in unit["tasks"]) or "–",
        "result": unit["result_label"] + ("" if unit["is_here"] else "\nno longer here"),
        "strong_result": unit["result"] != "serviced",
        "due": f"{when}\n{_rule_text(due)}".strip(),
        "strong_due": due["state"] in ("overdue", "unknown", "uncovered"),
    }


def _rule_text(due: Mapping[str, Any]) -> str:
    return f"{due['label']}, {due['table']} {due['clause']}".rstrip(", ") if "label" in due else ""


def _task_text(task: Mapping[str, Any]) -> str:
    text: str = task["label"]
    if task["method"]:
        text += f" ({task['method']})"
    if "done_on" in task:
        text += f", {say_day(date.fromisoformat(task['done_on']))}"
    return text


def _paper(content: Mapping[str, Any]) -> str:
    paper: str = content["paper"]
    if paper not in PAPER_SIZES:
        raise ValueError(f"{paper!r} is not a paper size; set PAPER_SIZE to {' or '.join(PAPER_SIZES)}.")
    return paper


def _print_tokens() -> str:
    """The ``--print-*`` values of the token file; the rest speaks of screens, which paper engines refuse."""
    return " ".join(
        re.findall(r"--print-[a-z-]+:[^;{}]+;", Path(_static(TOKENS)).read_text(encoding="utf-8"))
    )


_kept = threading.local()
# The font library tidies up behind itself, which it cannot once the interpreter is being taken down.
atexit.register(_kept.__dict__.clear)


def _stationery() -> tuple[Any, Any, list[Any]]:
    """Reader of files, fonts and style sheets, kept by each thread: unpacking the fonts takes half a second.

    The font library must not be shared between threads.
    """
    if not hasattr(_kept, "stationery"):
        from weasyprint import CSS
        from weasyprint.text.fonts import FontConfiguration

        fetcher, fonts = _fetcher(), FontConfiguration()
        sheets = [
            CSS(filename=_static(name), font_config=fonts, url_fetcher=fetcher) for name in STYLE_SHEETS
        ]
        sheets.append(CSS(string=f":root {{ {_print_tokens()} }}"))
        _kept.stationery = (fetcher, fonts, sheets)
    stationery: tuple[Any, Any, list[Any]] = _kept.stationery
    return stationery


def _static(name: str) -> str:
    found = finders.find(name)
    if not isinstance(found, str):
        raise FileNotFoundError(
            f"The style sheet {name} of printed papers is missing; the installation is incomplete."
        )
    return found


def _fetcher() -> Any:
    """Reads local style sheets and fonts and nothing else; a missing one stops the paper."""
    from weasyprint import URLFetcher
    from weasyprint.urls import FatalURLFetchingError

    roots = {Path(_static(name)).resolve().parents[name.count("/")] for name in STYLE_SHEETS}

    class OwnFiles(URLFetcher):
        def fetch(self, url: str, headers: Any = None) -> Any:
            if url.startswith("file:"):
                path = Path(unquote(urlsplit(url).path)).resolve()
                if not any(path.is_relative_to(root) for root in roots):
                    raise FatalURLFetchingError(f"{path} is not a file of printed papers")
            try:
                return super().fetch(url, headers)
            except (OSError, ValueError) as error:
                raise FatalURLFetchingError(f"{url[:200]} cannot be read: {error}") from error

    return OwnFiles(allowed_protocols={"file", "data"}, allow_redirects=False)
