"""What the desk must look at today: everything that has left the usual path, in one list."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db.models import Count, Exists, F, Max, OuterRef, Q, QuerySet
from django.urls import reverse
from django.utils.http import urlencode

from inventory.access import EVERYTHING
from inventory.logbook.models import Defect, ServiceRecord
from inventory.measures.checks import defect_text
from inventory.measures.terms import LANGUAGES
from inventory.register.agreed import TermsBook, contracts, extra_sites, waiting_tasks
from inventory.register.custody_queries import loans_for, too_long, uncovered
from inventory.register.models import Site, Unit
from inventory.register.service_end import ended_sites
from inventory.register.terms import ContractMark, TermsVersion
from inventory.workshop.models import HouseStay, Instrument, JobCard
from schedules.certificates.models import Certificate
from schedules.crew.models import HeldSkill
from schedules.due.queries import DueWanted, Status, due_list, with_status
from schedules.visits.models import Doubt, Job, Visit
from schedules.visits.queries import left_open, visits_for
from servicedesk.accounts.models import User
from servicedesk.notices.deadlines import deadlines_for, lines_of

SHOWN = 10
AHEAD_DAYS = 30
NO_ACCESS_DAYS = 180
PAPERS_DAYS = 60
NO_PAPER: tuple[date | None, str] = (None, "")
PAPERS_LANGUAGE = "en"
"""In which certificates are printed until their forms are translated."""


@dataclass(frozen=True, slots=True)
class Line:
    """One thing to look at."""

    text: str
    url: str = ""
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Section:
    """One sort of exception: how many there are, the first of them, and where all are."""

    code: str
    title: str
    remedy: str
    count: int
    lines: list[Line] = field(default_factory=list)
    url: str = ""
    site_count: int | None = None
    """Where each line is a site: how many sites there are."""

    @property
    def more(self) -> str:
        """How many lines are not shown, in words; empty when all are."""
        if self.site_count is None:
            left = self.count - len(self.lines)
            return f"{left} more" if left > 0 else ""
        left = self.site_count - len(self.lines)
        return f"{left} more site{'s' if left != 1 else ''}" if left > 0 else ""


def day_list(now: datetime) -> list[Section]:
    """Every sort of exception as of ``now``, the gravest sort first; those without any count zero."""
    today = now.astimezone(ZoneInfo(settings.FIRM_TIME_ZONE)).date()
    return [
        _deadlines(now),
        _critical(),
        _reported(),
        _overdue(now),
        _closing(now),
        _no_access(now),
        _left_open(now),
        _doubts(),
        _bare(),
        _loans(today),
        _cards(today),
        _houses(today),
        _licences(today),
        _instruments(today),
        _call_off(now),
        _papers(now),
        _contracts(today),
    ]


def _address(name: str, *args: Any, **query: Any) -> str:
    return reverse(name, args=args) + (f"?{urlencode(query)}" if query else "")


def _day(day: date | None) -> str:
    """A day as the pages of the desk write it."""
    return "" if day is None else f"{day:%-d %b %Y}"


def _first(rows: QuerySet[Any]) -> tuple[int, list[Any]]:
    """How many ``rows`` there are, and the first of them."""
    found = list(rows[: SHOWN + 1])
    return (rows.count() if len(found) > SHOWN else len(found)), found[:SHOWN]


def _deadlines(now: datetime) -> Section:
    rows = deadlines_for(EVERYTHING).filter(done_at__isnull=True, due_at__lte=now + timedelta(days=2))
    rows = rows.exclude(site__in=ended_sites())
    count, found = _first(rows)
    return Section(
        "deadlines",
        "Legal deadlines within two days",
        "Tell or send what is due, and mark it as met.",
        count,
        [
            Line(
                line.action,
                _address("desk:deadlines"),
                f"{line.about}, {_until(line.row.due_at, line.row.site)}",
            )
            for line in lines_of(found)
        ],
        _address("desk:deadlines"),
    )


def _until(instant: datetime, site: Site) -> str:
    return f"by {instant.astimezone(ZoneInfo(site.time_zone)):%-d %b %Y %H:%M} at the site"


def _critical() -> Section:
    rows = (
        Defect.objects.open()
        .filter(severity=Defect.Severity.CRITICAL)
        .exclude(site__in=ended_sites())
        .select_related("site", "unit", "location")
        .order_by("opened_at", "pk")
    )
    count, found = _first(rows)
    return Section(
        "critical",
        "Critical defects open",
        "See that the place is covered and the defect settled.",
        count,
        [
            Line(
                f"{defect_text(d.code)}, {d.unit or d.location}",
                _address("desk:unit", d.unit.public_id)
                if d.unit
                else _address("desk:site", d.site.public_id),
                f"{d.site.name}, since {_day(d.opened_on)}",
            )
            for d in found
        ],
    )


def _reported() -> Section:
    """What owners' people stated themselves and nobody settled."""
    rows = (
        Defect.objects.open()
        .filter(opened_by__role=User.Role.OWNER)
        .exclude(site__in=ended_sites())
        .select_related("site", "unit", "location")
        .order_by("-opened_at", "-pk")
    )
    count, found = _first(rows)
    return Section(
        "reported",
        "Reported by owners",
        "Answer them: send somebody, or quote what is to be done.",
        count,
        [
            Line(
                f"{defect_text(d.code)}, {d.unit or d.location}",
                _address("desk:site", d.site.public_id),
                f"{d.site.name}, {_day(d.opened_on)}{f': {d.remarks[:80]}' if d.remarks else ''}",
            )
            for d in found
        ],
        _address("desk:defects"),
    )


def _overdue(now: datetime) -> Section:
    return _by_site(
        "overdue",
        "Overdue tasks",
        "Plan these sites first.",
        due_list(EVERYTHING, DueWanted()).filter(with_status(Status.OVERDUE, now)),
        _address("desk:due", status="overdue"),
    )


def _closing(now: datetime) -> Section:
    """Windows that close within 30 days without a visit that would come in time."""
    day = now.date()
    rows = due_list(EVERYTHING, DueWanted()).filter(
        latest_on__gte=day, latest_on__lte=day + timedelta(days=AHEAD_DAYS), knowledge="known"
    )
    planned = Job.objects.filter(
        visit__state__in=(Visit.State.CONFIRMED, Visit.State.UNDER_WAY),
        visit__planned_on__lte=day + timedelta(days=AHEAD_DAYS),
    )
    rows = rows.exclude(unit__in=planned.values("unit"))
    return _by_site(
        "closing",
        f"Windows closing within {AHEAD_DAYS} days, no visit confirmed",
        "Confirm a visit inside the window.",
        rows,
        _address("desk:due", status="due"),
    )


def _call_off(now: datetime) -> Section:
    """Work that falls due and that no visit takes in, because the contract leaves it out."""
    agreed = extra_sites(now)
    by_tasks: dict[tuple[str, ...], list[int]] = defaultdict(list)
    for site_id, terms in agreed.items():
        by_tasks[tuple(waiting_tasks(terms))].append(site_id)
    wanted = Q(pk__in=[])
    for tasks, ids in by_tasks.items():
        if tasks:
            wanted |= Q(site__in=ids, task__in=tasks)
    rows = due_list(EVERYTHING, DueWanted()).filter(
        wanted, latest_on__lte=now.date() + timedelta(days=AHEAD_DAYS)
    )
    return _by_site(
        "call_off",
        f"Falls due within {AHEAD_DAYS} days and waits to be called off",
        "Offer it to the owner: the contract leaves it out, and no visit takes it in by itself.",
        rows,
        _address("desk:due", status="due"),
    )


def _papers(now: datetime) -> Section:
    """Closed visits whose papers came, or have yet to come, later than agreed or in another language."""
    since = now.date() - timedelta(days=PAPERS_DAYS)
    rows = list(
        Visit.objects.filter(
            state=Visit.State.CLOSED,
            done_on__gte=since,
            site__owner__in=TermsVersion.objects.filter(
                Q(values__has_key="papers_within_days") | Q(values__has_key="language")
            ).values("owner"),
        )
        .select_related("site")
        .order_by("done_on", "pk")
    )
    issued: dict[int, tuple[date | None, str]] = {}
    for visit_id, on, content in (
        Certificate.objects.filter(visit__in=[visit.pk for visit in rows])
        .order_by("-issued_on", "-pk")
        .values_list("visit_id", "issued_on", "content__language")
    ):
        if visit_id is not None:
            issued[visit_id] = on, content or PAPERS_LANGUAGE
    book = TermsBook({visit.site.owner_id for visit in rows})
    lines = []
    for visit in rows:
        assert visit.done_on is not None
        terms = book.at(visit.site.owner_id, visit.site_id, visit.done_on)
        days, language = terms.get("papers_within_days"), terms.get("language")
        issued_on, printed = issued.get(visit.pk, NO_PAPER)
        said = []
        if days is not None:
            last = visit.done_on + timedelta(days=days)
            if issued_on is None and now.date() > last:
                said.append(f"no certificate yet, agreed by {_day(last)}")
            elif issued_on is not None and issued_on > last:
                said.append(f"issued {_day(issued_on)}, agreed by {_day(last)}")
        if issued_on is not None and language and language != printed:
            names = dict(LANGUAGES)
            said.append(f"in {names.get(printed, printed)}, agreed in {names[language]}")
        if said:
            lines.append(
                Line(
                    visit.number,
                    _address("desk:visit", visit.public_id),
                    f"{visit.site.name}: {'; '.join(said)}",
                )
            )
    return Section(
        "papers",
        "Papers not delivered as agreed",
        "Issue what is missing, and tell the owner.",
        len(lines),
        lines[:SHOWN],
    )


def _contracts(today: date) -> Section:
    """Contracts past their end of which nobody said what became of them."""
    told = ContractMark.objects.exclude(kind=ContractMark.Kind.OFFERED).filter(version=OuterRef("pk"))
    rows = contracts(EVERYTHING, today).filter(~Exists(told), ends_on__lt=today)
    count, found = _first(rows.order_by("ends_on", "pk"))
    return Section(
        "contracts",
        "Contracts past their end",
        "Say what became of them: renewed, or ended.",
        count,
        [
            Line(
                row.site.name if row.site else row.owner.name,
                _address("desk:renewal", row.public_id),
                f"{row.contract_number or 'no number'}, ended {_day(row.ends_on)}",
            )
            for row in found
        ],
        _address("desk:renewals"),
    )


def _by_site(code: str, title: str, remedy: str, rows: QuerySet[Any], url: str) -> Section:
    sites = list(
        rows.order_by()
        .values("site__name", "site__public_id")
        .annotate(number=Count("pk"), last=Max("latest_on"))
        .order_by("-number", "site__name")
    )
    return Section(
        code,
        title,
        remedy,
        sum(site["number"] for site in sites),
        [
            Line(f"{site['site__name']}: {site['number']}", _address("desk:site", site["site__public_id"]))
            for site in sites[:SHOWN]
        ],
        url,
        len(sites),
    )


def _no_access(now: datetime) -> Section:
    """Units that were not reached twice running."""
    since = now - timedelta(days=NO_ACCESS_DAYS)
    missed = (
        ServiceRecord.objects.standing()
        .filter(outcome=ServiceRecord.Outcome.NO_ACCESS, received_at__gte=since)
        .order_by()
        .values("unit")
        .annotate(visits=Count("visit_ref", distinct=True), last=Max("received_at"))
        .filter(visits__gte=2)
    )
    last = {row["unit"]: row for row in missed}
    reached = {
        row["unit"]: row["last"]
        for row in ServiceRecord.objects.standing()
        .filter(unit__in=last, outcome=ServiceRecord.Outcome.PASSED)
        .order_by()
        .values("unit")
        .annotate(last=Max("received_at"))
    }
    wanted = [pk for pk, row in last.items() if pk not in reached or reached[pk] < row["last"]]
    count, units = _first(
        Unit.objects.on_duty().filter(pk__in=wanted).select_related("site").order_by("site__name", "number")
    )
    return Section(
        "no_access",
        "No access twice or more",
        "Ask the owner for access, with date and name.",
        count,
        [
            Line(
                f"{unit.number}, {last[unit.pk]['visits']} times",
                _address("desk:unit", unit.public_id),
                unit.site.name if unit.site else "",
            )
            for unit in units
        ],
    )


def _left_open(now: datetime) -> Section:
    count, found = _first(visits_for(EVERYTHING).filter(left_open(now)))
    return Section(
        "left_open",
        "Visits whose day passed without an end",
        "Close, move or cancel them.",
        count,
        [
            Line(
                visit.number,
                _address("desk:visit", visit.public_id),
                f"{visit.site.name}, {_day(visit.planned_on)}",
            )
            for visit in found
        ],
        _address("desk:visits", days="late"),
    )


def _doubts() -> Section:
    count, found = _first(Doubt.objects.open().select_related("visit__site").order_by("found_at", "pk"))
    return Section(
        "doubts",
        "Records in doubt",
        "Look at the evidence and say what it was.",
        count,
        [
            Line(doubt.sentence, _address("desk:visit", doubt.visit.public_id), doubt.visit.site.name)
            for doubt in found
        ],
    )


def _loans(today: date) -> Section:
    count, found = _first(loans_for(EVERYTHING).filter(too_long(today)))
    return Section(
        "loans",
        "Loaners out too long",
        "Bring the owner's unit back, or agree on an exchange.",
        count,
        [
            Line(
                f"{loan.loaner.number} at {loan.location.site.name}",
                _address("desk:unit", loan.loaner.public_id),
                f"out since {_day(loan.out_on)}"
                + (f", expected back {_day(loan.expected_back_on)}" if loan.expected_back_on else ""),
            )
            for loan in found
        ],
    )


def _bare() -> Section:
    count, found = _first(uncovered(EVERYTHING).select_related("site").order_by("site__name", "number"))
    return Section(
        "bare",
        "Places without a unit ready for use",
        "Hang a loaner or an exchange unit.",
        count,
        [
            Line(f"Location {place.number}", _address("desk:site", place.site.public_id), place.site.name)
            for place in found
        ],
    )


def _cards(today: date) -> Section:
    """Owners' units in the workshop past the day promised, or past the last day of the place."""
    rows = (
        JobCard.objects.open()
        .filter(Q(promised_on__lt=today) | Q(return_by_on__lt=today))
        .select_related("unit", "site")
        .order_by(F("return_by_on").asc(nulls_last=True), "promised_on", "pk")
    )
    count, found = _first(rows)
    return Section(
        "cards",
        "Units taken away and not back as promised",
        "Finish the job card or give the owner a new day.",
        count,
        [
            Line(
                f"{card.unit.number}, {card.get_state_display().lower()}",
                _address("desk:unit", card.unit.public_id),
                f"promised {_day(card.promised_on)}" + (f", {card.site.name}" if card.site else ""),
            )
            for card in found
        ],
        _address("bench:home"),
    )


def _houses(today: date) -> Section:
    rows = (
        HouseStay.objects.filter(returned_on__isnull=True, due_back_on__lt=today)
        .select_related("card__unit")
        .order_by("due_back_on", "pk")
    )
    count, found = _first(rows)
    return Section(
        "houses",
        "Not back from the test house",
        "Ask the test house for the day.",
        count,
        [
            Line(
                stay.card.unit.number,
                _address("desk:unit", stay.card.unit.public_id),
                f"{stay.house}, due back {_day(stay.due_back_on)}",
            )
            for stay in found
        ],
    )


def _licences(today: date) -> Section:
    until = today + timedelta(days=AHEAD_DAYS)
    lines = [*_own_licences(until, today), *_skills(until, today)]
    return Section(
        "licences",
        f"Licences that run out within {AHEAD_DAYS} days",
        "Renew them: the person is not planned for the work without.",
        len(lines),
        lines[:SHOWN],
    )


def _own_licences(until: date, today: date) -> Iterator[Line]:
    people = User.objects.filter(is_active=True, licence_expires_on__lte=until).order_by(
        "licence_expires_on", "pk"
    )
    for person in people:
        yield Line(
            f"{person.display_name}, {person.licence_number or 'licence'}",
            "",
            _runs_out(person.licence_expires_on, today),
        )


def _skills(until: date, today: date) -> Iterator[Line]:
    held = (
        HeldSkill.objects.filter(member__technician__is_active=True, expires_on__lte=until)
        .select_related("skill", "member__technician")
        .order_by("expires_on", "pk")
    )
    for one in held:
        yield Line(
            f"{one.member.technician.display_name}, {one.skill.name}", "", _runs_out(one.expires_on, today)
        )


def _instruments(today: date) -> Section:
    rows = Instrument.objects.filter(is_retired=False).filter(
        Q(due_on__isnull=True) | Q(due_on__lte=today + timedelta(days=AHEAD_DAYS))
    )
    count, found = _first(rows.order_by(F("due_on").asc(nulls_first=True), "code"))
    return Section(
        "instruments",
        f"Calibrations that run out within {AHEAD_DAYS} days",
        "Have them calibrated: results taken with them are flagged.",
        count,
        [
            Line(
                f"{one.code}, {one.get_kind_display()}",
                "",
                _runs_out(one.due_on, today) if one.due_on else "no calibration on record",
            )
            for one in found
        ],
    )


def _runs_out(day: date | None, today: date) -> str:
    if day is None:
        return ""
    return f"ran out {_day(day)}" if day < today else f"runs out {_day(day)}"
