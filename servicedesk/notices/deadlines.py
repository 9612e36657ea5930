"""Legal deadlines: started by what happened, met by a person or by the mail that was due."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.core.exceptions import ValidationError
from django.db.models import QuerySet

from inventory.access import Scope
from inventory.errors import Conflict
from inventory.logbook.models import Defect
from inventory.measures.checks import defect_text
from inventory.people import Person
from inventory.register.models import Site
from schedules.visits.models import Visit
from servicedesk.notices.clocks import Clock, clocks, clocks_at
from servicedesk.notices.models import Deadline

# Of what is older the time has passed on paper long ago: installing this starts no thousand clocks.
LOOK_BACK = timedelta(days=30)


@dataclass(frozen=True, slots=True)
class DeadlineLine:
    """A deadline with the clock behind it. ``clock`` is None where a later release ships it no more."""

    row: Deadline
    clock: Clock | None

    @property
    def action(self) -> str:
        """What must be done."""
        return self.clock.action if self.clock else self.row.clock

    @property
    def about(self) -> str:
        """What it is about, in a few words."""
        if self.row.defect is None:
            return self.row.site.name
        where = self.row.defect.unit or self.row.defect.location
        return f"{defect_text(self.row.defect.code)}, {where}, {self.row.site.name}"


def start_deadlines(now: datetime) -> int:
    """Start the clocks of everything that happened lately; return how many deadlines are new."""
    wanted = {row.key: row for row in _started(now)}
    known: set[str] = set()
    keys = list(wanted)
    for start in range(0, len(keys), 500):
        known |= set(Deadline.objects.filter(key__in=keys[start : start + 500]).values_list("key", flat=True))
    new = [row for key, row in wanted.items() if key not in known]
    Deadline.objects.bulk_create(new, batch_size=500, ignore_conflicts=True)
    return len(new)


def _started(now: datetime) -> Iterator[Deadline]:
    since = now - LOOK_BACK
    defects = Defect.objects.filter(is_void=False, opened_at__gte=since).select_related("site")
    for defect in defects:
        critical = defect.severity == Defect.Severity.CRITICAL
        event = "critical_defect" if critical else "other_defect"
        yield from _deadlines(event, defect.site, defect.opened_at, str(defect.public_id), defect)
    settled = Defect.objects.filter(
        is_void=False, severity=Defect.Severity.CRITICAL, settled_at__gte=since
    ).select_related("site")
    for defect in settled:
        assert defect.settled_at is not None
        yield from _deadlines(
            "critical_settled", defect.site, defect.settled_at, str(defect.public_id), defect
        )
    for visit in Visit.objects.filter(state=Visit.State.CLOSED, closed_at__gte=since).select_related("site"):
        assert visit.closed_at is not None
        yield from _deadlines("visit_closed", visit.site, visit.closed_at, str(visit.public_id))


def _deadlines(
    event: str, site: Site, started_at: datetime, ref: str, defect: Defect | None = None
) -> Iterator[Deadline]:
    for clock in clocks_at(site.country, site.region, event):
        yield Deadline(
            key=f"{clock.code}:{ref}",
            clock=clock.code,
            site=site,
            defect=defect,
            unit_id=defect.unit_id if defect else None,
            started_at=started_at,
            due_at=clock.due_at(started_at, site.time_zone),
        )


def deadlines_for(scope: Scope) -> QuerySet[Deadline]:
    """Deadlines that ``scope`` may see, the nearest first, with what a list shows."""
    return (
        Deadline.objects.visible_to(scope)
        .select_related("site__owner", "defect__unit", "defect__location", "done_by")
        .order_by("due_at", "pk")
    )


def lines_of(rows: Iterable[Deadline]) -> list[DeadlineLine]:
    """Each of ``rows`` with its clock."""
    by_code = {clock.code: clock for clock in clocks()}
    return [DeadlineLine(row, by_code.get(row.clock)) for row in rows]


def open_deadlines(now: datetime, *, until: datetime) -> list[DeadlineLine]:
    """Open deadlines that run out by ``until`` or have run out within the last month."""
    rows = Deadline.objects.open().filter(due_at__lte=until, due_at__gte=now - LOOK_BACK)
    return lines_of(rows.select_related("site", "defect__unit", "defect__location").order_by("due_at", "pk"))


def meet_deadline(row: Deadline, note: str, *, by: Person, now: datetime) -> None:
    """State that ``row`` was met, by whom and how.

    Raises ``ValidationError`` without a note and ``Conflict`` when somebody met it before.
    """
    note = note.strip()
    if not note:
        raise ValidationError({"note": "Say to whom it was told or given, and how."})
    longest = Deadline._meta.get_field("done_note").max_length or 0
    if len(note) > longest:
        raise ValidationError({"note": f"Say it in at most {longest} characters."})
    met = Deadline.objects.open().filter(pk=row.pk).update(done_at=now, done_by=by.pk, done_note=note)
    if not met:
        raise Conflict("deadline_met", "Somebody marked this deadline as met a moment ago.")


def met_by_mail(defect_key: str, address: str, now: datetime) -> int:
    """Meet the deadlines towards the owner that a mail on a critical defect was for."""
    codes = [clock.code for clock in clocks() if clock.event == "critical_defect" and clock.to == "owner"]
    return (
        Deadline.objects.open()
        .filter(defect__public_id=defect_key, clock__in=codes)
        .update(done_at=now, done_note=f"Written notice mailed to {address}.")
    )
