"""Every paper of an owner in one list, and those of a period in one ZIP file.

Stored papers (certificates, a test house's own certificate) are handed out byte for byte; receipts,
pressure tests and quotations are made from what is recorded when they are asked for.
"""

from __future__ import annotations

import csv
import hashlib
import heapq
import io
import logging
import re
import zipfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from itertools import islice
from typing import Any
from zoneinfo import ZoneInfo

from django.core.files.storage import default_storage
from django.db.models import Case, Q, QuerySet, When
from django.db.models.functions import TruncDate
from django.urls import reverse

from inventory.access import Scope
from inventory.register.models import Site, local_today
from inventory.register.places import Move
from inventory.workshop.models import CardEntry, HouseStay
from inventory.workshop.queries import pressure_tests
from schedules.certificates.models import Certificate
from schedules.certificates.queries import Standing, certificates_for, standing_of
from schedules.certificates.services import CertificateDamaged, pdf_bytes
from schedules.due.queries import zone_days
from schedules.quotations.models import Quotation
from schedules.surveys.models import Survey
from schedules.surveys.queries import surveys_for
from schedules.visits.models import Visit
from servicedesk.bench.papers import pressure_test_pdf
from servicedesk.documents.builders import quotation_paper, removal_receipt
from servicedesk.documents.takeover import takeover_report
from servicedesk.handover.models import HandedRow

log = logging.getLogger(__name__)

MOST_IN_ZIP = 500
"""So many papers come in one file: a download of minutes, not of hours."""


class Kind(StrEnum):
    """Sorts of papers."""

    VISIT = "visit"
    PERIOD = "period"
    CONDITION = "condition"
    TEST = "test"
    HOUSE = "house"
    RECEIPT = "receipt"
    QUOTATION = "quotation"
    EARLIER = "earlier"
    TAKEOVER = "takeover"


KIND_LABELS = {
    Kind.VISIT: "Certificate of service",
    Kind.PERIOD: "Certificate for a period",
    Kind.CONDITION: "Yearly condition statement",
    Kind.TEST: "Certificate of pressure test",
    Kind.HOUSE: "Certificate of a test house",
    Kind.RECEIPT: "Receipt for units taken and left",
    Kind.QUOTATION: "Quotation",
    Kind.EARLIER: "Certificate of an earlier service company",
    Kind.TAKEOVER: "Takeover report",
}


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which papers are looked for; days are inclusive."""

    text: str = ""
    kind: str = ""
    site: Site | None = None
    since: date | None = None
    until: date | None = None
    sites: QuerySet[Site] | None = None
    """Only papers of these premises."""


@dataclass(frozen=True, slots=True)
class Paper:
    """One paper. ``make`` gives its bytes, or None where there is none."""

    kind: Kind
    on: date
    number: str
    site: Site
    url: str
    make: Callable[[], bytes | None]
    about: str = ""
    state: str = ""

    @property
    def label(self) -> str:
        """What it is."""
        return KIND_LABELS[self.kind]

    @property
    def file_name(self) -> str:
        """Its name in a folder."""
        # A test house writes its numbers as it likes; a file name is letters, figures and hyphens.
        number = re.sub(r"[^A-Za-z0-9-]+", "-", self.number).strip("-") or "paper"
        sort = "" if self.kind in _CERTIFICATES else f"-{self.kind}"
        return f"{self.on.isoformat()}-{number}{sort}.pdf"


_CERTIFICATES = (Kind.VISIT, Kind.PERIOD, Kind.CONDITION)


class Archive:
    """The papers that a scope may see, as of ``now``."""

    def __init__(self, scope: Scope, now: datetime, wanted: Wanted) -> None:
        self.scope, self.now, self.wanted = scope, now, wanted
        sources: tuple[tuple[tuple[Kind, ...], Any, Any], ...] = (
            (_CERTIFICATES, self._certificates(), self._certificate),
            ((Kind.TEST,), self._tests(), self._test),
            ((Kind.HOUSE,), self._stays(), self._stay),
            ((Kind.RECEIPT,), self._moved(), self._receipt),
            ((Kind.QUOTATION,), self._quotations(), self._quotation),
            ((Kind.EARLIER,), self._earlier(), self._earlier_paper),
            ((Kind.TAKEOVER,), self._surveys(), self._survey),
        )
        self.sources = [
            (rows, build) for kinds, rows, build in sources if not wanted.kind or wanted.kind in kinds
        ]

    def count(self) -> int:
        """How many there are."""
        return sum(rows.count() for rows, _ in self.sources)

    def newest(self, first: int, number: int) -> list[Paper]:
        """So many papers from place ``first`` on, the newest first."""
        parts = [map(build, rows[: first + number]) for rows, build in self.sources]
        merged = heapq.merge(*parts, key=lambda paper: paper.on, reverse=True)
        return list(islice(merged, first, first + number))

    # --- sources: each newest first -------------------------------------------------------------

    def _narrow(self, rows: QuerySet[Any], *, day: str, site: str, words: tuple[str, ...]) -> QuerySet[Any]:
        wanted = self.wanted
        if wanted.site is not None:
            rows = rows.filter(**{site: wanted.site})
        if wanted.sites is not None:
            rows = rows.filter(**{f"{site}__in": wanted.sites.order_by().values("pk")})
        if wanted.since is not None:
            rows = rows.filter(**{f"{day}__gte": wanted.since})
        if wanted.until is not None:
            rows = rows.filter(**{f"{day}__lte": wanted.until})
        for word in wanted.text.split():
            found = Q()
            for name in (*words, f"{site}__name", f"{site}__code"):
                found |= Q(**{f"{name}__icontains": word})
            rows = rows.filter(found)
        return rows.order_by(f"-{day}", "-pk")

    def _certificates(self) -> QuerySet[Certificate]:
        rows: QuerySet[Certificate] = certificates_for(self.scope)
        if self.wanted.kind:
            rows = rows.filter(kind=self.wanted.kind)
        return self._narrow(rows, day="issued_on", site="site", words=("number", "visit__number"))

    def _certificate(self, row: Certificate) -> Paper:
        state = standing_of(row)
        word = {Standing.WITHDRAWN: "Withdrawn", Standing.REPLACED: "Replaced"}.get(state.standing, "")
        about = (
            f"visit {row.visit.number}"
            if row.visit is not None
            else f"{row.first_on:%d %b %Y} to {row.last_on:%d %b %Y}"
        )
        return Paper(
            Kind(row.kind),
            row.issued_on,
            row.number,
            row.site,
            reverse("portal:certificate", args=[row.public_id]),
            lambda: pdf_bytes(Certificate.objects.get(pk=row.pk)),
            about,
            word,
        )

    def _earlier(self) -> QuerySet[HandedRow]:
        """Certificates that came along when the register was taken over; days are ISO texts there."""
        rows = HandedRow.objects.visible_to(self.scope).filter(
            table_name="certificates", local_id__isnull=True, site__isnull=False
        )
        wanted = self.wanted
        if wanted.site is not None:
            rows = rows.filter(site=wanted.site)
        if wanted.since is not None:
            rows = rows.filter(content__issued_on__gte=wanted.since.isoformat())
        if wanted.until is not None:
            rows = rows.filter(content__issued_on__lte=wanted.until.isoformat())
        for word in wanted.text.split():
            rows = rows.filter(
                Q(content__number__icontains=word)
                | Q(site__name__icontains=word)
                | Q(site__code__icontains=word)
            )
        return rows.select_related("site", "take_over").order_by("-content__issued_on", "-pk")

    def _earlier_paper(self, row: HandedRow) -> Paper:
        assert row.site is not None
        return Paper(
            Kind.EARLIER,
            date.fromisoformat(row.content["issued_on"]),
            row.content["number"],
            row.site,
            reverse("portal:paper-earlier", args=[row.pk]),
            lambda: earlier_bytes(row),
            f"of {row.take_over.house_name}",
        )

    def _tests(self) -> QuerySet[CardEntry]:
        rows = pressure_tests(self.scope).filter(
            verdict=CardEntry.Verdict.INSIDE, card__site__isnull=False, values__house__isnull=True
        )
        words = ("card__number", "card__unit__number", "card__unit__serial")
        return self._narrow(rows.select_related("card__site"), day="done_on", site="card__site", words=words)

    def _test(self, row: CardEntry) -> Paper:
        assert row.card.site is not None
        return Paper(
            Kind.TEST,
            row.done_on,
            row.card.number,
            row.card.site,
            reverse("portal:paper-test", args=[row.client_ref]),
            lambda: pressure_test_pdf(row, now=self.now),
            f"unit {row.card.unit.number}",
        )

    def _stays(self) -> QuerySet[HouseStay]:
        rows = HouseStay.objects.filter(
            card__site__in=Site.objects.visible_to(self.scope), returned_on__isnull=False
        ).exclude(certificate="")
        words = ("certificate_number", "card__unit__number", "house")
        return self._narrow(
            rows.select_related("card__site", "card__unit"), day="returned_on", site="card__site", words=words
        )

    def _stay(self, row: HouseStay) -> Paper:
        assert row.card.site is not None
        assert row.returned_on is not None
        return Paper(
            Kind.HOUSE,
            row.returned_on,
            row.certificate_number or row.card.number,
            row.card.site,
            reverse("portal:paper-house", args=[row.public_id]),
            lambda: stay_bytes(row),
            f"unit {row.card.unit.number}, {row.house}",
        )

    def _moved(self) -> QuerySet[Visit]:
        moved = Move.objects.visible_to(self.scope).filter(ref__isnull=False)
        one_way = moved.filter(
            Q(from_location__isnull=False, to_location__isnull=True)
            | Q(from_location__isnull=True, to_location__isnull=False)
        )
        rows = Visit.objects.visible_to(self.scope).filter(
            public_id__in=one_way.values("ref"), done_on__isnull=False
        )
        return self._narrow(
            rows.select_related("site__owner", "technician"), day="done_on", site="site", words=("number",)
        )

    def _receipt(self, row: Visit) -> Paper:
        assert row.done_on is not None
        return Paper(
            Kind.RECEIPT,
            row.done_on,
            row.number,
            row.site,
            reverse("paper-receipt", args=[row.public_id]),
            lambda: removal_receipt(row, self.scope, now=self.now),
            f"visit {row.number}",
        )

    def _quotations(self) -> QuerySet[Quotation]:
        rows = (
            Quotation.objects.visible_to(self.scope)
            .filter(sent_at__isnull=False)
            .annotate(sent_on=self._day_at_site("sent_at"))
            .select_related("site__owner", "made_by")
        )
        return self._narrow(rows, day="sent_on", site="site", words=("number",))

    def _day_at_site(self, instant: str) -> Case:
        """The civil day of an instant at the site of its row."""
        return Case(
            *(
                When(site__time_zone=zone, then=TruncDate(instant, tzinfo=ZoneInfo(zone)))
                for zone in zone_days(self.now)
            ),
            default=TruncDate(instant),
        )

    def _quotation(self, row: Quotation) -> Paper:
        assert row.sent_at is not None
        return Paper(
            Kind.QUOTATION,
            local_today(row.site, row.sent_at),
            row.number,
            row.site,
            reverse("portal:quotation-pdf", args=[row.public_id]),
            lambda: quotation_paper(row, now=self.now),
            "",
            row.get_state_display() if row.state != Quotation.State.SENT else "",
        )

    def _surveys(self) -> QuerySet[Survey]:
        rows = surveys_for(self.scope).filter(finished_at__isnull=False, visit__done_on__isnull=False)
        return self._narrow(rows, day="visit__done_on", site="visit__site", words=("visit__number",))

    def _survey(self, row: Survey) -> Paper:
        assert row.visit.done_on is not None
        return Paper(
            Kind.TAKEOVER,
            row.visit.done_on,
            row.visit.number,
            row.visit.site,
            reverse("paper-takeover", args=[row.public_id]),
            lambda: takeover_report(row, now=self.now),
            "survey of the premises",
        )


def stay_bytes(stay: HouseStay) -> bytes | None:
    """The certificate that came back from a test house, if it is still the file that was taken in."""
    try:
        with stay.certificate.open("rb") as file:
            data: bytes = file.read()
    except FileNotFoundError:
        return None
    return data if hashlib.sha256(data).hexdigest() == stay.certificate_sha256 else None


# --- one file -----------------------------------------------------------------------------------------


class _Pipe(io.RawIOBase):
    """Takes what the ZIP writer writes, to be handed on at once: memory holds one paper, not all."""

    def __init__(self) -> None:
        self.parts: list[bytes] = []

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self.parts.append(bytes(data))
        return len(data)

    def take(self) -> bytes:
        """What came since the last time."""
        data = b"".join(self.parts)
        self.parts.clear()
        return data


def free_name(name: str, used: set[str]) -> str:
    """``name``, or with a number before its ending where it is ``used``; it is used from now on."""
    stem, dot, end = name.rpartition(".")
    number = 1
    while name in used:
        number += 1
        name = f"{stem}-{number}{dot}{end}"
    used.add(name)
    return name


def zip_stream(files: Iterable[tuple[str, Iterable[bytes]]], at: datetime) -> Iterator[bytes]:
    """A ZIP file of ``files`` (name, content in parts), part by part; names are made different."""
    pipe = _Pipe()
    used: set[str] = set()
    with zipfile.ZipFile(pipe, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, parts in files:
            info = zipfile.ZipInfo(free_name(name, used), at.timetuple()[:6])
            info.compress_type = zipfile.ZIP_DEFLATED
            with archive.open(info, "w", force_zip64=True) as file:
                for part in parts:
                    file.write(part)
                    if len(pipe.parts) > 8:
                        yield pipe.take()
            yield pipe.take()
    yield pipe.take()


def earlier_bytes(row: HandedRow) -> bytes | None:
    """The signed PDF of a certificate of an earlier house, byte for byte as it came; None where none came."""
    file = HandedRow.objects.filter(
        table_name="certificate_files", take_over=row.take_over_id, content__certificate=row.ref
    ).first()
    if file is None or not file.file_name or not default_storage.exists(file.file_name):
        return None
    with default_storage.open(file.file_name, "rb") as stored:
        data: bytes = stored.read()
    return data if hashlib.sha256(data).hexdigest() == file.sha256 else None


def paper_files(papers: Iterable[Paper]) -> Iterator[tuple[str, Iterable[bytes]]]:
    """The papers as files, then a list of them; one that cannot be had is named there and left out."""
    lines: list[list[str]] = []
    for paper in papers:
        data, problem = None, "no file"
        try:
            data = paper.make()
        except CertificateDamaged as error:
            problem = str(error)
        except Exception:
            log.exception("Paper %s of %s could not be made for a download.", paper.number, paper.site)
            problem = "could not be made; ask the service company"
        line = [paper.on.isoformat(), paper.label, paper.number, paper.site.name, paper.state]
        if data is None:
            lines.append([*line, "", "", problem])
            continue
        lines.append([*line, paper.file_name, hashlib.sha256(data).hexdigest(), ""])
        yield paper.file_name, [data]
    out = io.StringIO()
    out.write("\ufeff")
    sheet = csv.writer(out, lineterminator="\r\n")
    sheet.writerow(["on", "paper", "number", "site", "state", "file", "sha256", "left_out_because"])
    sheet.writerows(lines)
    yield "list.csv", [out.getvalue().encode()]


def year_back(today: date) -> date:
    """The day a year before, for the first period that is offered."""
    return today - timedelta(days=365)
