"""What is agreed where: reading terms for many sites at once, and writing new versions."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from itertools import product
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import Exists, F, Max, OuterRef, Q, QuerySet, Subquery

from inventory.access import Scope
from inventory.errors import Conflict
from inventory.measures.kinds import Task
from inventory.measures.terms import NOTHING_AGREED, TERM, Agreed, check, merged, read
from inventory.people import Person
from inventory.register.models import Owner, Site, local_today
from inventory.register.terms import CallOff, ContractMark, TermsVersion

LONGEST_CALL_OFF_DAYS = 731


# --- reading ------------------------------------------------------------------------------------------


class TermsBook:
    """Every version of the terms of some owners, read once; answers for any of their sites on any day.

    At most two queries whatever the number of sites and versions.
    """

    def __init__(self, owner_ids: Iterable[int]) -> None:
        owners = list(owner_ids)
        self._versions: dict[tuple[int, int | None], list[TermsVersion]] = defaultdict(list)
        for row in TermsVersion.objects.filter(owner__in=owners).order_by("from_on", "number"):
            self._versions[row.owner_id, row.site_id].append(row)
        self._orders: dict[int, list[CallOff]] = defaultdict(list)
        rows = [row for held in self._versions.values() for row in held]
        if not any("tasks_included" in row.values or "tasks_called_off" in row.values for row in rows):
            return  # Nothing is to be called off anywhere.
        for order in CallOff.objects.standing().filter(site__owner__in=owners):
            self._orders[order.site_id].append(order)

    def version(self, owner_id: int, site_id: int | None, day: date) -> TermsVersion | None:
        """The version of an owner, or of one site of it, that holds on ``day``."""
        held = [row for row in self._versions.get((owner_id, site_id), ()) if row.from_on <= day]
        return held[-1] if held else None

    def newest(self, owner_id: int, site_id: int | None) -> TermsVersion | None:
        """The version that was written last, also one that is yet to come."""
        return max(self._versions.get((owner_id, site_id), ()), key=lambda row: row.number, default=None)

    def versions(self, owner_id: int, site_id: int | None) -> list[TermsVersion]:
        """All versions, the one from the latest day first."""
        return self._versions.get((owner_id, site_id), [])[::-1]

    def at(self, owner_id: int, site_id: int, day: date) -> Agreed:
        """What is agreed for a site on ``day``."""
        common, own = self.version(owner_id, None, day), self.version(owner_id, site_id, day)
        orders = frozenset(
            order.task for order in self._orders.get(site_id, ()) if order.from_on <= day <= order.until_on
        )
        if common is None and own is None and not orders:
            return NOTHING_AGREED
        return merged(common.values if common else {}, own.values if own else {}, orders)


def agreed_for(sites: Sequence[Site], now: datetime) -> dict[int, Agreed]:
    """What is agreed for each of ``sites`` on its own civil day at ``now``; two queries."""
    book = TermsBook({site.owner_id for site in sites})
    return {site.pk: book.at(site.owner_id, site.pk, local_today(site, now)) for site in sites}


def extra_sites(now: datetime) -> dict[int, Agreed]:
    """What is agreed at those sites whose terms leave some task out; by site id.

    Only sites of owners whose terms speak of tasks are read.
    """
    owners = set(
        TermsVersion.objects.filter(
            Q(values__has_key="tasks_included") | Q(values__has_key="tasks_called_off")
        ).values_list("owner_id", flat=True)
    )
    if not owners:
        return {}
    sites = list(Site.objects.filter(owner__in=owners))
    return {
        pk: agreed
        for pk, agreed in agreed_for(sites, now).items()
        if agreed.get("tasks_included") is not None or agreed.get("tasks_called_off")
    }


def waiting_tasks(agreed: Agreed) -> list[str]:
    """Codes of the tasks that wait to be called off."""
    return [task.value for task in Task if agreed.awaits_call_off(task)]


def contracts(scope: Scope, day: date) -> QuerySet[TermsVersion]:
    """The version in force on ``day`` of every owner and site in scope, ``closed`` where it was closed.

    Of a site only what its present owner agreed; nothing of an owner that turned out to be another.
    ``closed`` is the kind of the mark that renewed or ended it, ``offered`` whether a renewal was offered.
    """
    newest_of_site = (
        TermsVersion.objects.filter(owner=OuterRef("owner"), site=OuterRef("site"), from_on__lte=day)
        .order_by("-from_on", "-number")
        .values("pk")[:1]
    )
    newest_of_owner = (
        TermsVersion.objects.filter(owner=OuterRef("owner"), site__isnull=True, from_on__lte=day)
        .order_by("-from_on", "-number")
        .values("pk")[:1]
    )
    marks = ContractMark.objects.filter(version=OuterRef("pk"))
    return (
        TermsVersion.objects.visible_to(scope)
        .filter(
            Q(site__isnull=False, site__owner=F("owner"), pk=Subquery(newest_of_site))
            | Q(site__isnull=True, pk=Subquery(newest_of_owner)),
            owner__merged_into__isnull=True,
        )
        .select_related("owner", "site")
        .annotate(
            closed=Subquery(
                marks.filter(kind__in=(ContractMark.Kind.RENEWED, ContractMark.Kind.ENDED)).values("kind")[:1]
            ),
            offered=Exists(marks.filter(kind=ContractMark.Kind.OFFERED)),
        )
    )


# --- writing ------------------------------------------------------------------------------------------


def read_values(given: Mapping[str, Any], *, of_site: bool = False) -> dict[str, Any]:
    """The terms in ``given`` as they are kept, those without a value left out.

    For a site ``None`` stays: not agreed there, whatever is agreed with the owner. Raises
    ``ValidationError`` by field for a term that is unknown or cannot be read.
    """
    values: dict[str, Any] = {}
    problems: dict[str, str] = {}
    for code, raw in given.items():
        term = TERM.get(code)
        if term is None:
            problems[code] = "There is no such term."
            continue
        try:
            value = read(term, raw)
        except ValueError as problem:
            problems[code] = str(problem)
            continue
        if value is not None or (of_site and raw is None):
            values[code] = value
    problems = {**check(values), **problems}
    if problems:
        raise ValidationError(problems)
    return values


@transaction.atomic
def agree(
    owner: Owner,
    site: Site | None,
    given: Mapping[str, Any],
    *,
    from_on: date,
    reason: str,
    seen: int,
    by: Person | None,
    now: datetime,
) -> TermsVersion:
    """Write a new version of the terms of ``owner``, or of its ``site``, that holds from ``from_on``.

    ``given`` is the whole set; what is left out is not agreed (for a site: as with the owner; ``None``: not
    agreed there, whatever the owner has). ``seen`` is the number of the version that was shown, 0 for none;
    when somebody wrote another meanwhile, or found the owner to be another, ``Conflict`` says so. Older
    versions stay. Raises ``ValidationError``.
    """
    if site is not None and site.owner_id != owner.pk:
        raise ValidationError({"site": "This site belongs to another owner."})
    values = read_values(given, of_site=site is not None)
    if not reason.strip():
        raise ValidationError({"reason": "Say why the terms change; it is kept with them."})
    held = TermsVersion.objects.filter(owner=owner, site=site)
    newest = held.order_by("-number").first()
    changed = Conflict(
        "terms_changed",
        f"Somebody else changed what was agreed for {site or owner} meanwhile. Look at it again before you "
        "change it.",
    )
    if (newest.number if newest else 0) != seen:
        raise changed
    # Whoever merges the owner meanwhile waits, and carries this version along; or was faster.
    if not Owner.objects.filter(pk=owner.pk, merged_into=None).update(merged_into=None):
        raise Conflict(
            "owner_merged", f"{owner.name} turned out to be another owner. Agree it with that one."
        )
    # A site that was sold goes on counting where its former owner's versions ended.
    last = held if site is None else TermsVersion.objects.filter(site=site)
    number = max(last.values_list("number", flat=True), default=0) + 1
    row = _version(owner, site, number, from_on, values, reason=reason.strip(), by=by, now=now)
    try:
        with transaction.atomic():
            row.save()
    except IntegrityError as twice:
        raise changed from twice
    row.refresh_from_db()
    put_in_force(now, owner_ids=[owner.pk])
    return row


def _version(
    owner: Owner,
    site: Site | None,
    number: int,
    from_on: date,
    values: Mapping[str, Any],
    *,
    reason: str,
    by: Person | None,
    now: datetime,
) -> TermsVersion:
    """An unsaved version; the columns that lists look at say what ``values`` say."""
    return TermsVersion(
        owner=owner,
        site=site,
        number=number,
        from_on=from_on,
        values=values,
        contract_number=values.get("contract_number") or "",
        begins_on=_as_day(values.get("begins_on")),
        ends_on=_as_day(values.get("ends_on")),
        reason=reason[:200],
        made_by_id=by.pk if by is not None else None,
        made_name=by.display_name if by is not None else "",
        made_at=now,
    )


def change_some(
    owner: Owner,
    site: Site | None,
    some: Mapping[str, Any],
    *,
    reason: str,
    seen: int,
    by: Person | None,
    now: datetime,
) -> TermsVersion:
    """Write a version from today on that differs from the newest in the terms of ``some`` alone."""
    book = TermsBook([owner.pk])
    newest = book.newest(owner.pk, site.pk if site else None)
    values = dict(newest.values) if newest else {}
    for code, value in some.items():
        if value in (None, ""):
            values.pop(code, None)
        else:
            values[code] = value
    today = local_today(site, now) if site is not None else now.date()
    from_on = max(today, newest.from_on) if newest else today
    return agree(owner, site, values, from_on=from_on, reason=reason, seen=seen, by=by, now=now)


def terms_to_carry(
    old: Owner, into: Owner, *, by: Person | None, now: datetime
) -> list[tuple[TermsVersion, frozenset[int]]]:
    """What has to be written so that the sites of ``old`` keep their terms once ``old`` is ``into``.

    Unsaved versions of the sites, by site and day, each with the ids of the versions it comes from. A site
    for which anything was agreed keeps exactly that from the day on which it held, also what is yet to
    come and what only ``into`` has agreed is not agreed there; one for which nothing was agreed follows
    the owner that stays. Four queries whatever the number of sites.
    """
    book = TermsBook([old.pk, into.pk])
    sites = list(Site.objects.filter(owner=old).order_by("pk"))
    numbers = dict(
        TermsVersion.objects.filter(site__in=sites).order_by().values_list("site").annotate(Max("number"))
    )
    found: list[tuple[TermsVersion, frozenset[int]]] = []
    for site in sites:
        number = numbers.get(site.pk, 0)
        for from_on, values, sources in _kept_terms(book, old, into, site, local_today(site, now)):
            number += 1
            told = " and ".join(
                f"version {row.number}{' of the site' if row.site_id else ''}" for row in sources
            )
            reason = f"As agreed with {old.name[:90]}{f' ({told})' if told else ''}, which is this owner."
            row = _version(into, site, number, from_on, values, reason=reason, by=by, now=now)
            found.append((row, frozenset(source.pk for source in sources)))
    return found


def _kept_terms(
    book: TermsBook, old: Owner, into: Owner, site: Site, today: date
) -> Iterator[tuple[date, dict[str, Any], list[TermsVersion]]]:
    """From which day which values are to be written for ``site``, the earliest first, and their sources."""
    ours = [*book.versions(old.pk, None), *book.versions(old.pk, site.pk)]
    theirs = [*book.versions(into.pk, None), *book.versions(into.pk, site.pk)]
    days = {row.from_on for row in ours}
    if book.versions(into.pk, site.pk):
        # It belonged to the owner that stays before: what was agreed then must not come back.
        days.add(site.owner_since or today)
    if not days:
        return
    start = max(min(days), site.owner_since or date.min)
    written: tuple[date, dict[str, Any]] | None = None
    for day in sorted({start} | {row.from_on for row in (*ours, *theirs) if row.from_on > start}):
        common, own = book.version(old.pk, None, day), book.version(old.pk, site.pk, day)
        values = dict(merged(common.values if common else {}, own.values if own else {}).values)
        with_them = book.version(into.pk, None, day)
        if values and with_them is not None:
            values |= {code: None for code in with_them.values if code not in values}
        before = book.version(into.pk, site.pk, day)
        holds: Mapping[str, Any] = before.values if before is not None else {}
        if written is not None and (before is None or before.from_on <= written[0]):
            holds = written[1]
        if values != holds:
            written = day, values
            yield day, values, [row for row in (common, own) if row is not None]


def carry_terms(carried: Sequence[tuple[TermsVersion, frozenset[int]]], *, now: datetime) -> None:
    """Write what ``terms_to_carry`` found, with what was noted on the contracts; the caller's transaction."""
    rows = TermsVersion.objects.bulk_create([row for row, _ in carried], batch_size=500)
    by_source: dict[tuple[int | None, int], list[TermsVersion]] = defaultdict(list)
    for row, (_, sources) in zip(rows, carried, strict=True):
        for source in sources:
            by_source[row.site_id, source].append(row)
    marks: dict[int, list[ContractMark]] = defaultdict(list)
    noted = ContractMark.objects.filter(version__in={source for _, sources in carried for source in sources})
    for mark in noted.select_related("version").order_by("pk"):
        marks[mark.version_id].append(mark)
    new: list[ContractMark] = []
    closed: set[int] = set()
    for (site_id, source), written in by_source.items():
        for mark, row in product(marks[source], written):
            # The end may be that of the site's own contract; a mark on the owner's says nothing of it.
            if row.ends_on is None or row.ends_on != mark.version.ends_on:
                continue
            if mark.kind != ContractMark.Kind.OFFERED:
                if row.pk in closed:
                    continue
                closed.add(row.pk)
            new.append(
                ContractMark(
                    version=row,
                    kind=mark.kind,
                    on=mark.on,
                    note=mark.note,
                    successor=next(iter(by_source.get((site_id, mark.successor_id or 0), ())), None),
                    made_by_id=mark.made_by_id,
                    made_name=mark.made_name,
                    made_at=now,
                )
            )
    ContractMark.objects.bulk_create(new, batch_size=500)


def _as_day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def put_in_force(now: datetime, *, owner_ids: Iterable[int] | None = None) -> int:
    """Bring the columns of sites that follow the terms up to the day; return how many sites changed.

    Who makes the monthly look and in which language is written are read off the site by everything else.
    Where nothing is agreed the site stays as it is. A second run writes nothing.
    """
    speaking = TermsVersion.objects.filter(
        Q(values__has_key="language") | Q(values__has_key="monthly_checks_by")
    )
    if owner_ids is not None:
        speaking = speaking.filter(owner__in=list(owner_ids))
    sites = list(Site.objects.filter(owner__in=speaking.values("owner")))
    terms = agreed_for(sites, now)
    changed = []
    for site in sites:
        agreed = terms[site.pk]
        wanted = {
            "language": agreed.get("language") or site.language,
            "monthly_checks_by": agreed.get("monthly_checks_by") or site.monthly_checks_by,
        }
        if any(getattr(site, name) != value for name, value in wanted.items()):
            for name, value in wanted.items():
                setattr(site, name, value)
            changed.append(site)
    Site.objects.bulk_update(changed, ["language", "monthly_checks_by"], batch_size=500)
    return len(changed)


def call_off(
    site: Site,
    task: str,
    *,
    from_on: date,
    until_on: date,
    ordered_by: str,
    reference: str = "",
    by: Person | None,
    now: datetime,
) -> CallOff:
    """Keep that the owner ordered ``task`` for ``site``; visits take it in from then on."""
    row = CallOff(
        site=site,
        task=task,
        from_on=from_on,
        until_on=until_on,
        ordered_by=ordered_by.strip(),
        reference=reference.strip(),
        made_by_id=by.pk if by is not None else None,
        made_at=now,
    )
    row.full_clean(exclude={"made_by"})
    if until_on - from_on > timedelta(days=LONGEST_CALL_OFF_DAYS):
        raise ValidationError({"until_on": f"A task is called off for at most {LONGEST_CALL_OFF_DAYS} days."})
    row.save()
    return row


def take_back_call_off(row: CallOff, reason: str, *, now: datetime) -> None:
    """Note that the order no longer stands; a second time nothing changes."""
    if not reason.strip():
        raise ValidationError({"reason": "Say why it is taken back."})
    CallOff.objects.standing().filter(pk=row.pk).update(
        withdrawn_at=now, withdrawn_reason=reason.strip()[:200]
    )


@transaction.atomic
def mark_contract(
    version: TermsVersion,
    kind: str,
    *,
    on: date,
    note: str = "",
    ends_on: date | None = None,
    by: Person | None,
    now: datetime,
) -> ContractMark:
    """Mark that a renewal was offered, that the contract was renewed until ``ends_on``, or that it ended.

    Renewing writes a new version of the same terms from the day after the old end. Raises ``Conflict`` when
    it was renewed or ended already, ``ValidationError`` for a kind that does not fit.
    """
    if kind not in ContractMark.Kind.values:
        raise ValidationError({"kind": "Choose what became of the contract."})
    if version.ends_on is None:
        raise ValidationError("These terms have no end, so nothing is to be renewed.")
    successor = None
    twice = Conflict("contract_closed", "This contract was renewed or ended already. Look again.")
    if kind != ContractMark.Kind.OFFERED and version.marks.exclude(kind=ContractMark.Kind.OFFERED).exists():
        raise twice
    if kind == ContractMark.Kind.RENEWED:
        first = version.ends_on + timedelta(days=1)
        if ends_on is None or ends_on < first:
            raise ValidationError({"ends_on": f"Give the new last day, {first} or later."})
        newest = (
            TermsVersion.objects.filter(owner=version.owner, site=version.site).order_by("-number").first()
        )
        base = newest or version
        successor = agree(
            version.owner,
            version.site,
            {**base.values, "begins_on": first, "ends_on": ends_on},
            from_on=max(first, base.from_on),
            reason=f"Renewed. {note}".strip(),
            seen=base.number,
            by=by,
            now=now,
        )
    try:
        with transaction.atomic():
            return ContractMark.objects.create(
                version=version,
                kind=kind,
                on=on,
                note=note.strip()[:300],
                successor=successor,
                made_by_id=by.pk if by is not None else None,
                made_name=by.display_name if by is not None else "",
                made_at=now,
            )
    except IntegrityError as again:
        raise twice from again
