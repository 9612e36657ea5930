"""Writes the notices that are to be told now and were not told yet.

Every function here reads off the data what is to be told and lets the unique key of a notice keep what
was told already, so that running one again, or in two workers at once, writes nothing twice. A job that
did not run in time catches up when it does. Days are those of the site; mornings and evenings of the
firm's own people are those of ``FIRM_TIME_ZONE``.
"""

from __future__ import annotations

import hashlib
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db.models import F
from django.template import TemplateDoesNotExist
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import translation
from django.utils.formats import date_format, time_format

from inventory.logbook.models import Defect
from inventory.measures.checks import defect_text
from inventory.register.models import Site
from inventory.register.service_end import ended_sites
from schedules.routes.models import VisitNotice
from schedules.visits.models import Visit
from schedules.visits.queries import loads, planned_within
from servicedesk.accounts.models import OwnerMembership, User
from servicedesk.notices.deadlines import open_deadlines
from servicedesk.notices.exceptions import day_list
from servicedesk.notices.kinds import ABOUT, NoticeKind
from servicedesk.notices.models import Notice, NoticeChoice
from servicedesk.portal.glance import Class, glances, no_units

VISIT_AHEAD_DAYS = 7
MORNING = time(6)
EVENING = time(16)
# A critical defect that is this old was told by word of mouth, paper or not at all: a mail would confuse.
CRITICAL_SINCE = timedelta(days=7)
DEADLINE_AHEAD = timedelta(hours=12)
_BATCH = 500


@dataclass(frozen=True, slots=True)
class Recipient:
    """One address; ``person`` is the sign-in behind it, if any."""

    address: str
    person: User | None = None


@dataclass(frozen=True, slots=True)
class Draft:
    """One thing to tell to several people in one language."""

    kind: NoticeKind
    key: str
    language: str
    context: Mapping[str, Any]
    owner_id: int | None = None
    site_id: int | None = None
    template: str = ""


def write_all(now: datetime) -> int:
    """Write every notice that is to be told at ``now`` and was not yet; return how many."""
    return sum(
        write(now)
        for write in (
            write_visits_ahead,
            write_critical,
            write_falls_due,
            write_overdue,
            write_clock,
            write_day_list,
            write_next_day,
        )
    )


# --- to owners ---------------------------------------------------------------------------------------


def write_visits_ahead(now: datetime) -> int:
    """Tell owners of confirmed visits of the coming week, of changed days and of visits called off."""
    coming = list(
        Visit.objects.filter(
            planned_within(now, first_day=0, last_day=VISIT_AHEAD_DAYS), state=Visit.State.CONFIRMED
        )
        .select_related("site__owner", "technician")
        .order_by("planned_on", "pk")
    )
    called_off = list(
        Visit.objects.filter(
            planned_within(now, first_day=0, last_day=VISIT_AHEAD_DAYS),
            state=Visit.State.CANCELLED,
            confirmed_at__isnull=False,
        ).select_related("site__owner", "technician")
    )
    before = _told_of([*coming, *called_off])
    held = loads(visit.pk for visit in coming)
    drafts = [
        _visit_draft(visit, held[visit.pk].units if visit.pk in held else 0, before[visit.pk])
        for visit in coming
        if _visit_key(visit) not in before[visit.pk]
    ]
    drafts += [
        Draft(
            NoticeKind.VISIT_AHEAD,
            f"visit:{visit.public_id}:off",
            visit.site.language,
            {
                "visit": visit,
                "site": visit.site,
                "day": visit.planned_on,
                "url": _url("portal:site", visit.site.public_id),
            },
            owner_id=visit.site.owner_id,
            site_id=visit.site_id,
            template="visit_off",
        )
        for visit in called_off
        # Whoever was told that we come is told that we do not; nobody else.
        if before[visit.pk] and f"visit:{visit.public_id}:off" not in before[visit.pk]
    ]
    return _store(drafts, now)


def visit_drafts(visits: Sequence[Visit]) -> list[Draft]:
    """What owners are told of these visits, in the language of each site; three queries."""
    before = _told_of(visits)
    held = loads(visit.pk for visit in visits)
    return [
        _visit_draft(visit, held[visit.pk].units if visit.pk in held else 0, before[visit.pk])
        for visit in visits
    ]


def store_draft(draft: Draft, recipients: list[Recipient], now: datetime) -> int:
    """Hand one draft to the outbox for those who were not told it yet; return how many mails are new."""
    return _write([(draft, recipients)], now)


def mailed_keys(drafts: Iterable[Draft]) -> set[str]:
    """Those keys of ``drafts`` under which somebody was mailed; one query."""
    keys = [draft.key for draft in drafts]
    return set(Notice.objects.filter(key__in=keys).values_list("key", flat=True))


def _visit_draft(visit: Visit, units: int, before: set[str]) -> Draft:
    key = _visit_key(visit)
    return Draft(
        NoticeKind.VISIT_AHEAD,
        key,
        visit.site.language,
        {
            "visit": visit,
            "site": visit.site,
            "units": units,
            "is_change": bool(before - {key}),
            "day": visit.planned_on,
            "url": _url("portal:site", visit.site.public_id),
        },
        owner_id=visit.site.owner_id,
        site_id=visit.site_id,
    )


def write_critical(now: datetime) -> int:
    """Tell owners of each open critical defect, once."""
    found = (
        Defect.objects.open()
        .filter(severity=Defect.Severity.CRITICAL, opened_at__gte=now - CRITICAL_SINCE)
        .select_related("site__owner", "unit__model", "location")
    )
    return _store(
        [
            Draft(
                NoticeKind.CRITICAL,
                f"critical:{defect.public_id}",
                defect.site.language,
                {
                    "defect": defect,
                    "what": defect_text(defect.code),
                    "site": defect.site,
                    "place": defect.location or (defect.unit.location if defect.unit else None),
                    "day": defect.opened_on,
                    "url": _url("portal:site", defect.site.public_id),
                },
                owner_id=defect.site.owner_id,
                site_id=defect.site_id,
            )
            for defect in found
        ],
        now,
    )


def write_falls_due(now: datetime) -> int:
    """Once a month, from its first working day: how each owner's sites stand and what falls due."""
    today = _firm_today(now)
    if today < _first_working_day(today):
        return 0
    month = f"{today:%Y-%m}"
    return _store(_digests(NoticeKind.FALLS_DUE, f"due:{month}", now, (Class.DUE, Class.UNKNOWN)), now)


def write_overdue(now: datetime) -> int:
    """Once a week while there are any: the owner's overdue units, site by site."""
    week = "{0[0]}-{0[1]:02}".format(_firm_today(now).isocalendar())
    return _store(_digests(NoticeKind.OVERDUE, f"overdue:{week}", now, (Class.OVERDUE,)), now)


def _digests(kind: NoticeKind, key: str, now: datetime, classes: Sequence[Class]) -> Iterator[Draft]:
    """A digest for each owner who has units in one of ``classes`` and was not told under ``key``."""
    told = set(Notice.objects.filter(key__startswith=f"{key}:").values_list("owner_id", flat=True))
    sites: dict[int, list[Site]] = defaultdict(list)
    for site in Site.objects.exclude(owner__in=told).select_related("owner").order_by("owner_id", "name"):
        sites[site.owner_id].append(site)
    for owner_id, own in sites.items():
        lines = [line for line in glances(own, now) if any(line.counts.of[c] for c in classes)]
        if not lines:
            continue
        yield Draft(
            kind,
            f"{key}:{own[0].owner.public_id}",
            Counter(site.language for site in own).most_common(1)[0][0],
            {
                "owner": own[0].owner,
                "lines": [
                    {
                        "site": line.site,
                        "overdue": line.counts.of[Class.OVERDUE],
                        "due": line.counts.of[Class.DUE],
                        "unknown": line.counts.of[Class.UNKNOWN],
                    }
                    for line in lines
                ],
                "counts": sum((line.counts for line in lines), no_units()),
                "day": _firm_today(now),
                "url": _url("portal:home"),
            },
            owner_id=owner_id,
        )


# --- to the firm's own people ------------------------------------------------------------------------


def write_clock(now: datetime) -> int:
    """Warn the desk of each legal deadline that is close, and once more when it has passed."""
    drafts = []
    for line in open_deadlines(now, until=now + DEADLINE_AHEAD):
        state = "late" if line.row.due_at < now else "close"
        drafts.append(
            Draft(
                NoticeKind.CLOCK,
                f"clock:{line.row.public_id}:{state}",
                "en",
                {"line": line, "is_late": state == "late", "url": _url("desk:deadlines")},
                site_id=line.row.site_id,
            )
        )
    return _store(drafts, now)


def write_day_list(now: datetime) -> int:
    """The day's exceptions to the desk, in the morning; nothing when there are none."""
    if _firm_now(now).time() < MORNING:
        return 0
    key = f"day:{_firm_today(now)}"
    if Notice.objects.filter(key=key).exists():
        return 0
    sections = [section for section in day_list(now) if section.count]
    if not sections:
        return 0
    context = {"sections": sections, "day": _firm_today(now), "url": _url("desk:exceptions")}
    return _store([Draft(NoticeKind.DAY_LIST, key, "en", context)], now)


def write_next_day(now: datetime) -> int:
    """Tomorrow's visits to each technician, in the evening, and again if they change after that."""
    if _firm_now(now).time() < EVENING:
        return 0
    tomorrow = _firm_today(now) + timedelta(days=1)
    visits: dict[User, list[Visit]] = defaultdict(list)
    rows = (
        Visit.objects.filter(
            planned_on=tomorrow,
            state__in=(Visit.State.CONFIRMED, Visit.State.UNDER_WAY),
            technician__isnull=False,
        )
        .select_related("site__owner", "technician")
        .order_by("technician_id", F("planned_start").asc(nulls_last=True), "number")
    )
    held = loads(visit.pk for visit in rows)
    for visit in rows:
        if visit.technician is not None:
            visits[visit.technician].append(visit)
    drafts: list[tuple[Draft, list[Recipient]]] = []
    for technician, own in visits.items():
        told = ";".join(f"{visit.public_id},{_moment_of(visit)}" for visit in own)
        digest = hashlib.sha256(told.encode()).hexdigest()[:12]
        draft = Draft(
            NoticeKind.NEXT_DAY,
            f"next:{technician.public_id}:{tomorrow}:{digest}",
            "en",
            {
                "person": technician,
                "day": tomorrow,
                "visits": [
                    {"visit": visit, "units": held[visit.pk].units if visit.pk in held else 0}
                    for visit in own
                ],
                "url": _url("field:home"),
            },
        )
        drafts.append((draft, [Recipient(technician.email, technician)]))
    return _write(drafts, now)


# --- to whom, and down on paper ----------------------------------------------------------------------


def recipients_of(drafts: Sequence[Draft]) -> list[list[Recipient]]:
    """Who gets each draft: people of the owner or of the desk who want the kind; else the owner's contact.

    Somebody limited to some sites is told of those alone. Five queries whatever their number.
    """
    wanted_roles = {role for draft in drafts for role in ABOUT[draft.kind].roles if role != "owner"}
    desk = list(User.objects.filter(is_active=True, role__in=wanted_roles).exclude(email="").order_by("pk"))
    owners = {draft.owner_id for draft in drafts if draft.owner_id is not None}
    members: dict[int, list[OwnerMembership]] = defaultdict(list)
    for membership in (
        OwnerMembership.objects.filter(owner__in=owners, user__is_active=True)
        .exclude(user__email="")
        .select_related("user", "owner")
        .prefetch_related("sites")
        .order_by("pk")
    ):
        members[membership.owner_id].append(membership)
    contacts: dict[int, str] = dict(
        Site.objects.filter(owner__in=owners)
        .exclude(owner__contact_email="")
        .order_by()
        .values_list("owner_id", "owner__contact_email")
        .distinct()
    )
    declined = set(NoticeChoice.objects.filter(is_wanted=False).values_list("person_id", "kind"))

    def wants(person: User, kind: NoticeKind) -> bool:
        return ABOUT[kind].is_fixed or (person.pk, str(kind)) not in declined

    found = []
    for draft in drafts:
        if draft.owner_id is None:
            people = [person for person in desk if person.role in ABOUT[draft.kind].roles]
        else:
            people = [
                membership.user for membership in members[draft.owner_id] if membership.covers(draft.site_id)
            ]
        chosen = [Recipient(person.email, person) for person in people if wants(person, draft.kind)]
        if not people and draft.owner_id in contacts:
            chosen = [Recipient(contacts[draft.owner_id])]
        found.append(chosen)
    return found


def _store(drafts: Iterable[Draft], now: datetime) -> int:
    drafts = list(drafts)
    ended = set(ended_sites().values_list("site", flat=True)) if drafts else set()
    drafts = [draft for draft in drafts if draft.site_id not in ended]
    return _write(list(zip(drafts, recipients_of(drafts), strict=True)), now) if drafts else 0


def _write(addressed: Sequence[tuple[Draft, list[Recipient]]], now: datetime) -> int:
    """Store what is not stored yet, in batches, and return how many are new."""
    keys = [draft.key for draft, _ in addressed]
    known = set(Notice.objects.filter(key__in=keys).values_list("key", "address"))
    rows = []
    for draft, recipients in addressed:
        new = {r.address: r for r in recipients if r.address and (draft.key, r.address) not in known}
        if not new:
            continue
        subject, text = told(draft)
        rows += [
            Notice(
                kind=draft.kind,
                key=draft.key,
                address=address,
                person=recipient.person,
                owner_id=draft.owner_id,
                site_id=draft.site_id,
                language=draft.language,
                subject=subject,
                text=text,
                written_at=now,
                next_try_at=now,
            )
            for address, recipient in new.items()
        ]
    # Another worker may have written some meanwhile: the unique key keeps the first.
    Notice.objects.bulk_create(rows, batch_size=_BATCH, ignore_conflicts=True)
    refs = [row.public_id for row in rows]
    return sum(
        Notice.objects.filter(public_id__in=refs[start : start + _BATCH]).count()
        for start in range(0, len(refs), _BATCH)
    )


def told(draft: Draft) -> tuple[str, str]:
    """Subject and text of ``draft`` in its language, in English where there is no translation."""
    name = draft.template or str(draft.kind)
    with translation.override(draft.language):
        context = {
            **draft.context,
            "firm": settings.FIRM_NAME,
            "firm_phone": settings.FIRM_PHONE,
            "firm_email": settings.FIRM_EMAIL,
            "day_text": _say_day(draft.context["day"]) if "day" in draft.context else "",
            "window_text": _say_window(draft.context.get("visit")),
        }
        try:
            text = render_to_string(f"mail/{draft.language}/{name}.txt", context)
        except TemplateDoesNotExist:
            text = render_to_string(f"mail/en/{name}.txt", context)
    subject, _, body = text.strip().partition("\n")
    return subject.strip()[:200], body.strip() + "\n"


def _say_day(day: date) -> str:
    return f"{date_format(day, 'l')}, {date_format(day, 'DATE_FORMAT')}"


def _say_window(visit: Visit | None) -> str:
    if visit is None or visit.window_from is None or visit.window_until is None:
        return ""
    return f"{time_format(visit.window_from, 'H:i')}–{time_format(visit.window_until, 'H:i')}"


def _moment_of(visit: Visit) -> str:
    return _moment(visit.planned_on, visit.window_from, visit.window_until)


def _moment(on: date | None, first: time | None, last: time | None) -> str:
    window = f"T{first:%H%M}-{last:%H%M}" if first and last else ""
    return f"{on}{window}"


def _visit_key(visit: Visit) -> str:
    """One telling of one visit: whoever tells it, for this day and window it is told once."""
    return f"visit:{visit.public_id}:{_moment_of(visit)}"


def _told_of(visits: Sequence[Visit]) -> dict[int, set[str]]:
    """Keys of what was told of each of these visits, by mail or by letter; two queries."""
    found: dict[int, set[str]] = defaultdict(set)
    by_ref = {str(visit.public_id): visit.pk for visit in visits}
    mails = Notice.objects.filter(key__startswith="visit:", site__in={v.site_id for v in visits})
    for key in mails.values_list("key", flat=True):
        if (pk := by_ref.get(key.split(":", 2)[1])) is not None:
            found[pk].add(key)
    letters = VisitNotice.objects.filter(visit__in=[visit.pk for visit in visits])
    for letter in letters.select_related("visit"):
        moment = _moment(letter.planned_on, letter.window_from, letter.window_until)
        found[letter.visit_id].add(f"visit:{letter.visit.public_id}:{moment}")
    return found


def _url(name: str, *args: Any) -> str:
    return settings.PUBLIC_URL.rstrip("/") + reverse(name, args=args)


def _firm_now(now: datetime) -> datetime:
    return now.astimezone(ZoneInfo(settings.FIRM_TIME_ZONE))


def _firm_today(now: datetime) -> date:
    return _firm_now(now).date()


def _first_working_day(day: date) -> date:
    first = day.replace(day=1)
    return first + timedelta(days=(0, 0, 0, 0, 0, 2, 1)[first.weekday()])
