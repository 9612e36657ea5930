"""Corrections of the register with all that follows: dates move, and papers that said otherwise are flagged.

One transaction for the facts, their history, the flags and the dates. A certificate is never changed:
a flag beside it says which of its facts was corrected and when.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Q

from inventory.logbook.models import ServiceRecord
from inventory.register.aliases import known_as
from inventory.register.changes import FactChange
from inventory.register.facts import Corrected, field_label
from inventory.register.models import Unit
from schedules.certificates.models import Certificate, CertificateFlag
from schedules.due.services import refresh_units

# What no certificate states and nothing that it states follows from.
UNSTATED = frozenset({"maker", "name"})
STATED_OF_SITE = frozenset({"name", "code", "address_line", "city", "region", "postcode", "country"})
STATED_OF_OWNER = frozenset({"name"})
STATED_OF_PLACE = frozenset({"number", "building", "floor", "description"})
NAMED = 3


@transaction.atomic
def save_correction(make: Callable[[], Corrected], *, now: datetime) -> Corrected:
    """Run ``make``, flag the certificates that stated the old facts, and work the dates out again."""
    done = make()
    flag_certificates(done.changes, now=now)
    if done.unit_ids:
        refresh_units(done.unit_ids, now=now)
    return done


def flag_certificates(changes: Iterable[FactChange], *, now: datetime) -> int:
    """Flag every standing certificate that stated what ``changes`` say was wrong; return how many.

    ``changes`` were saved as one. What was right and has changed since flags nothing. The number of
    queries does not grow with the number of changes.
    """
    wrong = [change for change in changes if change.is_correction]
    flags: dict[int, _Flag] = {}
    _of_units([c for c in wrong if c.unit_id is not None and c.field not in UNSTATED], flags)
    for change in wrong:
        label = field_label(change).lower()
        if change.site_id is not None and change.field in STATED_OF_SITE:
            _add(flags, _standing(site=change.site_id), "the site", label)
        elif change.owner_id is not None and change.field in STATED_OF_OWNER:
            _add(flags, _standing(owner=change.owner_id), "the owner", label)
        elif change.location_id is not None and change.field in STATED_OF_PLACE:
            records = ServiceRecord.objects.filter(location=change.location_id, visit_ref__isnull=False)
            shown = _standing(visit__public_id__in=records.order_by().values("visit_ref"))
            _add(flags, shown, f"place {change.old_words or change.new_words}", label)
    if not flags:
        return 0
    together = wrong[0].together
    rows = [
        CertificateFlag(
            certificate_id=pk,
            together=together,
            flagged_at=now,
            corrected_on=now.astimezone(ZoneInfo(flag.zone)).date(),
            subject=_named(flag.subjects)[:200],
            fields=", ".join(sorted(flag.fields))[:300],
        )
        for pk, flag in flags.items()
    ]
    CertificateFlag.objects.bulk_create(rows, batch_size=500)
    return len(rows)


class _Flag:
    def __init__(self, zone: str) -> None:
        self.zone = zone
        self.subjects: set[str] = set()
        self.fields: set[str] = set()


def _standing(**where: object) -> Iterable[tuple[int, str]]:
    rows = Certificate.objects.filter(replaced_by__isnull=True, withdrawal__isnull=True, **where)
    return rows.order_by().values_list("pk", "site__time_zone")


def _add(flags: dict[int, _Flag], shown: Iterable[tuple[int, str]], subject: str, field: str) -> None:
    for pk, zone in shown:
        flag = flags.setdefault(pk, _Flag(zone))
        flag.subjects.add(subject)
        flag.fields.add(field)


def _of_units(changes: list[FactChange], flags: dict[int, _Flag]) -> None:
    fields: Mapping[int, set[str]] = defaultdict(set)
    for change in changes:
        assert change.unit_id is not None
        fields[change.unit_id].add(field_label(change).lower())
    if not fields:
        return
    numbers = dict(Unit.objects.filter(pk__in=fields).values_list("pk", "number"))
    records = ServiceRecord.objects.filter(unit__in=known_as(fields)).order_by()
    on_visit: dict[UUID, set[int]] = defaultdict(set)
    at_site: dict[int, list[tuple[int, date]]] = defaultdict(list)
    for own_id, survivor_id, visit, site_id, done in records.values_list(
        "unit_id", "unit__merged_into_id", "visit_ref", "site_id", "done_last"
    ):
        # A unit that was just merged is the subject itself; records of an older alias count for the survivor.
        unit_id = own_id if own_id in fields else survivor_id or own_id
        if visit is not None:
            on_visit[visit].add(unit_id)
        if site_id is not None and done is not None:
            at_site[site_id].append((unit_id, done))
    visits = ServiceRecord.objects.filter(unit__in=known_as(fields), visit_ref__isnull=False)
    shown = Certificate.objects.filter(
        Q(visit__public_id__in=visits.order_by().values("visit_ref")) | Q(visit=None, site__in=at_site),
        replaced_by__isnull=True,
        withdrawal__isnull=True,
    )
    rows: Iterable[tuple[int, str, UUID | None, int, date | None, date | None]] = (
        shown.order_by().values_list(
            "pk", "site__time_zone", "visit__public_id", "site_id", "first_on", "last_on"
        )
    )
    for pk, zone, visit, site_id, first, last in rows:
        if visit is not None:
            concerned = on_visit.get(visit, set())
        elif first is not None and last is not None:
            concerned = {unit_id for unit_id, done in at_site[site_id] if first <= done <= last}
        else:
            concerned = set()
        for unit_id in concerned:
            flag = flags.setdefault(pk, _Flag(zone))
            flag.subjects.add(f"unit {numbers[unit_id]}")
            flag.fields |= fields[unit_id]


def _named(subjects: set[str]) -> str:
    """Some of the subjects by name and how many more."""
    names = sorted(subjects)
    if len(names) <= NAMED:
        return ", ".join(names)
    return f"{', '.join(names[:NAMED])} and {len(names) - NAMED} more"
