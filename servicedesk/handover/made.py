"""Papers that have no stored file: made once more when a register is handed over, for whoever reads it.

Certificates that were issued and not yet put on paper are made and stored first, so that they come along
like every other. What is made from the rows when it is asked for (receipts, pressure tests, quotations,
takeover reports, site registers) lies under ``made/``, one folder a site. The next house takes the rows
over, not these files. Number and time are bounded; what was left out is said in ``made/list.csv``.
"""

from __future__ import annotations

import hashlib
import logging
import re
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from itertools import chain

from celery.exceptions import SoftTimeLimitExceeded
from django.db.models import Count

from inventory.access import EVERYTHING
from inventory.register.models import Site, Unit, local_today
from schedules.certificates.queries import waiting_certificates
from schedules.certificates.services import render_pdf
from servicedesk.documents.builders import site_register
from servicedesk.documents.labels import MOST as MOST_UNITS
from servicedesk.exchange.writing import csv_lines
from servicedesk.handover.tables import Cover
from servicedesk.portal.archive import KIND_LABELS, Archive, Kind, Paper, Wanted, free_name

log = logging.getLogger(__name__)

FOLDER = "made"
LIST = f"{FOLDER}/list.csv"
MOST_MADE = 1_000
MOST_S = 150.0
"""So many papers, in so many seconds each for certificates and for the rest: a job ends after 500 s."""
MOST_LISTED = 5_000
"""So many of a kind are named one by one."""
HEADINGS = ("on", "paper", "number", "site", "state", "file", "sha256", "left_out_because")
REGISTER_LABEL = "Site register with history"
_ON_DEMAND = (Kind.TEST, Kind.RECEIPT, Kind.QUOTATION, Kind.TAKEOVER)
_OVER = "more than one file takes; ask for it on its own page, or hand over site by site"
_FAILED = "could not be made; it can be asked for on its own page"

Heard = Callable[[str], None]
"""Told how far it is; may raise to stop."""


@dataclass(slots=True)
class Making:
    """How many may still be made, and until when."""

    left: int = field(default_factory=lambda: MOST_MADE)
    ends: float = field(default_factory=lambda: time.monotonic() + MOST_S)

    def take(self) -> bool:
        """Whether one more may be made; counts it."""
        if self.left <= 0 or time.monotonic() > self.ends:
            return False
        self.left -= 1
        return True


@dataclass(slots=True)
class Line:
    """One line of the list: a paper with its file, or why it has none."""

    said: tuple[str, ...]
    file: str = ""
    sha256: str = ""
    left_out: str = ""


def number_of(cover: Cover, at: datetime) -> int:
    """How many papers there are to make."""
    sites = cover.sites().order_by().values("pk")
    waiting = waiting_certificates().filter(site__in=sites).count()
    return waiting + sum(archive.count() for _, archive in _archives(cover, at)) + len(_held(cover))


def store_certificates(cover: Cover, heard: Heard) -> list[Line]:
    """Make and store the file of each covered certificate that has none; return those without one still."""
    lines: list[Line] = []
    making = Making()
    rows = waiting_certificates().filter(site__in=cover.sites().order_by().values("pk"))
    for row in rows.select_related("site").order_by("-pk").iterator(200):
        problem = _OVER
        if making.take():
            heard("certificates")
            try:
                render_pdf(row)
                continue
            except SoftTimeLimitExceeded:
                raise
            except Exception:
                log.exception("Certificate %s could not be made for a handover.", row.number)
                problem = _FAILED
        kind = Paper(Kind(row.kind), row.issued_on, row.number, row.site, "", lambda: None)
        lines.append(Line(_said(kind), left_out=problem))
    return lines


def made_papers(
    cover: Cover, heard: Heard, *, at: datetime, lines: list[Line]
) -> Iterator[tuple[str, bytes]]:
    """Each paper as name and bytes, the newest of a kind first, then the registers; ``lines`` grow along."""
    making, used = Making(), set[str]()
    for said, name, make in chain(_papers(cover, at), _registers(cover, at)):
        line = Line(said, left_out=_OVER)
        lines.append(line)
        if isinstance(make, str):
            line.left_out = make
            continue
        if not making.take():
            continue
        heard(f"papers, {len(lines)}")
        try:
            data = make()
        except SoftTimeLimitExceeded:
            raise
        except Exception:
            log.exception("%s could not be made for a handover.", " ".join(said[:3]))
            data = None
        if data is None:
            line.left_out = _FAILED
            continue
        line.file, line.sha256, line.left_out = free_name(name, used), hashlib.sha256(data).hexdigest(), ""
        yield line.file, data


def list_parts(lines: Sequence[Line]) -> Iterator[bytes]:
    """The list of what was made and of what was not."""
    rows = ([*line.said, line.file, line.sha256, line.left_out] for line in lines)
    yield from (text.encode() for text in csv_lines(list(HEADINGS), rows))


# Makes the paper, or says why it cannot be made.
_Make = Callable[[], bytes | None] | str
_Wanted = tuple[tuple[str, ...], str, _Make]


def _archives(cover: Cover, at: datetime) -> list[tuple[Kind, Archive]]:
    return [(kind, Archive(EVERYTHING, at, Wanted(kind=kind, sites=cover.sites()))) for kind in _ON_DEMAND]


def _papers(cover: Cover, at: datetime) -> Iterator[_Wanted]:
    for kind, archive in _archives(cover, at):
        for paper in archive.newest(0, MOST_LISTED):
            yield _said(paper), f"{FOLDER}/{_folder(paper.site)}/{paper.file_name}", paper.make
        if (more := archive.count() - MOST_LISTED) > 0:
            yield ("", KIND_LABELS[kind], f"{more} older ones", "", ""), "", _OVER


def _registers(cover: Cover, at: datetime) -> Iterator[_Wanted]:
    held = _held(cover)
    for site in cover.sites().filter(pk__in=held).order_by("code", "pk").iterator(200):
        on = local_today(site, at).isoformat()
        name = f"{FOLDER}/{_folder(site)}/{on}-{_folder(site)}-register.pdf"
        too_long = f"more than {MOST_UNITS} units, too long for one paper; they stand in the tables"
        make: _Make = partial(site_register, site, now=at) if held[site.pk] <= MOST_UNITS else too_long
        yield (on, REGISTER_LABEL, site.code, site.name, ""), name, make


def _held(cover: Cover) -> dict[int, int]:
    """How many units each site has to keep in order; those without are left out."""
    units = Unit.objects.on_duty().filter(site__in=cover.sites().order_by().values("pk"))
    return dict(units.order_by().values_list("site").annotate(Count("pk")))


def _said(paper: Paper) -> tuple[str, ...]:
    return (paper.on.isoformat(), paper.label, paper.number, paper.site.name, paper.state)


def _folder(site: Site) -> str:
    # A code is written as its owner likes; a folder has letters, figures and hyphens.
    return re.sub(r"[^A-Za-z0-9-]+", "-", site.code).strip("-") or f"site-{site.pk}"
