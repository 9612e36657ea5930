"""What a certificate of service says, frozen as plain values.

``visit_content`` reads a closed visit once and returns everything that its certificate prints:
text, whole numbers, lists and mappings, days as ISO dates. What is issued keeps these values, so
that the paper can be made again years later from them alone. The certificate repeats the records:
it names each unit and each exception one by one and gives no verdict on the site as a whole.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any
from urllib.parse import urlsplit

from django.conf import settings
from django.db.models import QuerySet

from inventory.logbook.models import Defect, Reading, ServiceRecord
from inventory.measures.checks import defect_text
from inventory.measures.kinds import TASK_LABELS
from inventory.measures.readings import QUANTITY_LABELS, Quantity
from inventory.people import Person
from inventory.register.models import Location, Placement, Site, Unit
from schedules.certificates.forms import filled_form
from schedules.certificates.signing import seal
from schedules.due.models import Obligation
from schedules.due.queries import Status, status_on
from schedules.engine import Knowledge
from schedules.rulebook.books import rulebooks
from schedules.rulebook.queries import confirmations, table_state, table_version, tables_of
from schedules.rules import IntervalTable
from schedules.visits.models import Job, Visit, VisitEntry

SCHEMA = 1
STANDING_LINE = "Interval tables are defaults to confirm against local code."
NO_SERIAL = "none readable"

# Worst first: a unit whose records differ after a correction shows the gravest.
_GRAVITY = (
    ServiceRecord.Outcome.FAILED,
    ServiceRecord.Outcome.REMOVED,
    ServiceRecord.Outcome.REPLACED,
    ServiceRecord.Outcome.NOT_FOUND,
    ServiceRecord.Outcome.NO_ACCESS,
    ServiceRecord.Outcome.PASSED,
    ServiceRecord.Outcome.VOID,
)
RESULT_OF: Mapping[str, str] = {
    ServiceRecord.Outcome.PASSED.value: VisitEntry.Result.SERVICED.value,
    ServiceRecord.Outcome.FAILED.value: VisitEntry.Result.FAILED.value,
    ServiceRecord.Outcome.REPLACED.value: VisitEntry.Result.REPLACED.value,
    ServiceRecord.Outcome.REMOVED.value: VisitEntry.Result.REMOVED.value,
    ServiceRecord.Outcome.NOT_FOUND.value: VisitEntry.Result.NOT_FOUND.value,
    ServiceRecord.Outcome.NO_ACCESS.value: VisitEntry.Result.NO_ACCESS.value,
    ServiceRecord.Outcome.VOID.value: "void",
}
RESULT_WORDS: Mapping[str, str] = {
    "serviced": "Passed",
    "failed": "Failed",
    "replaced": "Replaced",
    "removed": "Taken away",
    "not_found": "Not found",
    "no_access": "No access",
    "void": "Record void",
}
EXCEPTION_WORDS: Mapping[str, str] = {
    "failed": "Failed",
    "not_found": "Not found",
    "no_access": "No access",
    "removed": "Taken away",
    "replaced": "Replaced",
    "void": "Record void",
    "corrected": "Record corrected",
    "task_not_done": "Task not done",
    "away": "Out of service",
    "overdue": "Overdue",
    "unknown_date": "Date unknown",
    "barred": "Not to be done",
    "uncovered": "No rule",
    "defect": "Open defect",
    "not_on_list": "Not on the list",
    "not_seen": "Not seen",
}
_TASK_LABELS = {task.value: label for task, label in TASK_LABELS.items()}
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_VERDICT_WORDS: Mapping[str, str] = {
    Reading.Verdict.INSIDE.value: "inside",
    Reading.Verdict.OUTSIDE.value: "outside",
    Reading.Verdict.UNJUDGED.value: "not judged",
}
# Read so that another value can be judged; "not judged" beside it would only alarm.
_WITHOUT_LIMIT = frozenset({Quantity.AMBIENT_TEMPERATURE.value})
_AWAY_WORDS: Mapping[str, str] = {
    Unit.State.AWAITING_RECHARGE.value: "used or failed, awaiting recharge",
    Unit.State.IN_WORKSHOP.value: "in the workshop",
    Unit.State.AT_TEST_HOUSE.value: "at an outside test house",
    Unit.State.READY_TO_RETURN.value: "ready to return from the workshop",
    Unit.State.NOT_FOUND.value: "not found at an earlier visit",
    Unit.State.IN_STOCK.value: "in stock, not hanging",
    Unit.State.LOANER_FREE.value: "a loaner of the firm, not hanging",
}


class DoesNotReconcile(Exception):
    """The visit's counts and its records tell different things; ``sentence`` says where."""

    def __init__(self, sentence: str, **extra: Any) -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.extra = extra


@dataclass(frozen=True, slots=True)
class Heading:
    """What a certificate says of itself."""

    number: str
    verify_code: str
    issued_at: datetime
    issued_on: date
    issued_by: Person
    replaces_number: str = ""
    replaces_reason: str = ""


def say_day(day: date) -> str:
    """The day in words that no reader takes for another, e.g. ``3 Nov 2027``."""
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def say_month(day: date) -> str:
    """Month and year of ``day``, e.g. ``Nov 2027``."""
    return f"{_MONTHS[day.month - 1]} {day.year}"


def canonical_json(content: Mapping[str, Any]) -> str:
    """The one text of ``content``: sorted keys, no blanks, no escapes beyond JSON's own."""
    return json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def digest_of(content: Mapping[str, Any]) -> str:
    """SHA-256 of the canonical text, as hexadecimal digits."""
    return hashlib.sha256(canonical_json(content).encode()).hexdigest()


def group_code(code: str) -> str:
    """A verification code as it is printed: groups of four."""
    return "-".join(code[start : start + 4] for start in range(0, len(code), 4))


def verify_url(code: str) -> str:
    """The public address that tells what was issued under ``code``."""
    return f"{settings.PUBLIC_URL}/verify/{group_code(code)}/"


def qr_text(url: str) -> str:
    """``url`` in capitals where that leads to the same page: the QR symbol gets smaller and surer to read.

    Scheme and host do not mind capitals, and the verify page does not; a path in front of it might.
    """
    return url if urlsplit(settings.PUBLIC_URL).path.strip("/") else url.upper()


def recount(visit: Visit) -> dict[str, int]:
    """Counts per result of the records as they were written when ``visit`` was closed.

    Corrections made since are left out: they change what stands, not what was counted. Raises
    ``DoesNotReconcile`` when the records contradict each other, the visit's list or its counts.
    """
    # What arrived after closing was not counted either; it stands in the logbook and is told to the desk.
    written = ServiceRecord.objects.filter(
        visit_ref=visit.public_id, corrects__isnull=True, received_at__lte=visit.closed_at
    )
    outcomes: dict[int, set[str]] = defaultdict(set)
    numbers: dict[int, str] = {}
    for unit_id, number, outcome in written.order_by("unit_id").values_list(
        "unit_id", "unit__number", "outcome"
    ):
        outcomes[unit_id].add(outcome)
        numbers[unit_id] = number
    torn = sorted(numbers[unit_id] for unit_id, found in outcomes.items() if len(found) > 1)
    if torn:
        raise DoesNotReconcile(
            f"Visit {visit.number} has records that contradict each other on {_some(torn)}.", units=torn
        )
    listed = dict(visit.jobs.order_by().values_list("unit_id", "unit__number"))
    missing = sorted(number for unit_id, number in listed.items() if unit_id not in outcomes)
    if missing:
        raise DoesNotReconcile(
            f"{len(missing)} of {len(listed)} units on the list of visit {visit.number} have no record: "
            f"{_some(missing)}.",
            units=missing,
        )
    found = Counter(RESULT_OF[next(iter(outcome))] for outcome in outcomes.values())
    counts = {result: found.get(result, 0) for result in VisitEntry.Result.values}
    counts["on_list"] = len(listed)
    differing = {
        name: {"stated": visit.counts.get(name), "recorded": count}
        for name, count in counts.items()
        if visit.counts.get(name) != count
    }
    if found.keys() - counts.keys():
        differing["void"] = {"stated": None, "recorded": found["void"]}
    if differing:
        parts = [
            f"{name.replace('_', ' ')} {pair['stated']} stated, {pair['recorded']} recorded"
            for name, pair in differing.items()
        ]
        raise DoesNotReconcile(
            f"The counts of visit {visit.number} differ from its records: {'; '.join(parts)}.",
            counts=differing,
        )
    return counts


def visit_content(visit: Visit, heading: Heading) -> dict[str, Any]:
    """Everything the certificate of a closed ``visit`` prints, as plain values.

    The number of queries does not grow with the number of units. Due dates are judged on
    ``heading.issued_on``, the civil day at the site, from stored obligations that must be fresh.
    Raises ``DoesNotReconcile``.
    """
    recount(visit)
    return _OfVisit(visit, heading).content()


class Premises:
    """The rows behind one paper about one site, read once. ``standing`` are the records it is about."""

    def __init__(self, site: Site, heading: Heading, standing: QuerySet[ServiceRecord]) -> None:
        self.heading = heading
        self.site = site
        self.today = heading.issued_on
        self.records: dict[int, list[ServiceRecord]] = defaultdict(list)
        rows = (
            standing.select_related("unit__model", "location", "performed_by", "corrects")
            .prefetch_related("readings")
            .order_by("unit_id", "sequence")
        )
        for row in rows:
            self.records[row.unit_id].append(row)
        self.on_site: dict[int, Unit] = {
            unit.pk: unit
            for unit in Unit.objects.on_duty()
            .filter(site=self.site)
            .select_related("model", "location")
            .order_by("number")
        }
        self.obligations: dict[int, list[Obligation]] = defaultdict(list)
        for owed in Obligation.objects.ours().filter(site=self.site).order_by("unit_id", "latest_on", "pk"):
            self.obligations[owed.unit_id].append(owed)
        self.hanging: dict[int, list[Unit]] = defaultdict(list)
        for unit in self.on_site.values():
            if unit.location_id is not None:
                self.hanging[unit.location_id].append(unit)
        self.defects = list(
            Defect.objects.open()
            .filter(site=self.site)
            .select_related("unit", "unit__location", "location")
            .order_by("opened_on", "pk")
        )
        self.tables = self._tables()
        self.refs = {(t["key"], t["version"]): t["ref"] for t in self.tables}

    def _tables(self) -> list[dict[str, Any]]:
        """The table versions behind the work and the dates, each with its state of confirmation."""
        used = {(row.table_key, row.table_version) for rows in self.obligations.values() for row in rows}
        used |= self.worked_by()
        book = rulebooks([self.site.pk])[self.site.pk]
        used_keys = {key for key, _ in used}
        # A table that made no date for any unit here still applies: the edition in force stands for it.
        used |= {
            (table.key, table.version)
            for table in tables_of(book.keys)
            if table.key not in used_keys and table.in_force(self.today)
        }
        standing = confirmations()
        found: list[dict[str, Any]] = []
        for key, version in sorted(used):
            table = table_version(key, version)
            if table is None:
                found.append(
                    {
                        "key": key,
                        "version": version,
                        "title": key,
                        "document": key,
                        "edition": "",
                        "jurisdiction": "",
                        "digest": "",
                        "is_confirmed": False,
                        "state": "Unconfirmed: this version is no longer at hand.",
                    }
                )
                continue
            state = table_state(table, standing)
            found.append(
                {
                    "key": key,
                    "version": version,
                    "title": table.title,
                    "document": table.document,
                    "edition": table.edition,
                    "jurisdiction": table.jurisdiction,
                    "digest": table.digest,
                    "is_confirmed": state.is_confirmed,
                    # A paper that names the table must not hide where its rules are not the printed ones.
                    "state": " ".join([state.sentence, *book.varied_sentences(table)]),
                }
            )
        return [{"ref": _letters(position), **entry} for position, entry in enumerate(found)]

    def worked_by(self) -> set[tuple[str, str]]:
        """Table versions behind the work itself, beside those behind the dates."""
        return set()

    def head(self, kind: str) -> dict[str, Any]:
        """What every paper says of itself, of the firm, the owner and the premises."""
        heading = self.heading
        return {
            "schema": SCHEMA,
            "kind": kind,
            "language": "en",
            "paper": settings.PAPER_SIZE,
            "number": heading.number,
            "issued_on": heading.issued_on.isoformat(),
            "issued_at": _instant(heading.issued_at),
            "issued_by": heading.issued_by.display_name,
            "replaces": {"number": heading.replaces_number, "reason": heading.replaces_reason}
            if heading.replaces_number
            else None,
            "firm": {
                "name": settings.FIRM_NAME,
                "address": settings.FIRM_ADDRESS,
                "phone": settings.FIRM_PHONE,
                "email": settings.FIRM_EMAIL,
                "licence": settings.FIRM_LICENCE,
            },
            "signature": seal().statement,
            "owner": {"name": self.site.owner.name},
            "site": {
                "name": self.site.name,
                "code": self.site.code,
                "address": self.site.address,
                "time_zone": self.site.time_zone,
            },
            "tables": self.tables,
            "is_confirmed": bool(self.tables) and all(t["is_confirmed"] for t in self.tables),
            "warning": _warning(self.tables),
            "standing_line": STANDING_LINE,
            "verify": {"code": group_code(heading.verify_code), "url": verify_url(heading.verify_code)},
        }

    def not_covered(self, *more: str) -> list[str]:
        """What no paper of ours states, with ``more`` of the paper at hand in front."""
        owners_look = self.site.monthly_checks_by == Site.MonthlyChecks.OWNER
        return [
            *more,
            "Whether units of the right kind, size and number hang in the right places.",
            "Any other fire protection equipment.",
            *(
                [
                    "The monthly visual inspections, which the owner's own people make: nothing is said "
                    "here about whether they were made."
                ]
                if owners_look
                else []
            ),
            "Whether any law or code is met. Due dates are worked out from the interval tables named "
            "here; local codes, the maker's manual and licensed practice come first.",
        ]

    def _in_walking_order(self) -> list[tuple[int, list[ServiceRecord]]]:
        return sorted(self.records.items(), key=lambda item: walking_key(item[1][0]))

    def _status(self, row: Obligation) -> Status:
        return status_on(
            knowledge=row.knowledge,
            is_deferred=row.is_deferred,
            latest_on=row.latest_on,
            target_on=row.target_on,
            today=self.today,
        )

    def _next_due(self, unit_id: int) -> dict[str, Any]:
        """The binding task that comes first after closing, with the table and clause that set it."""
        if unit_id not in self.on_site:
            return {"state": "none", "text": "–"}
        rows = [row for row in self.obligations.get(unit_id, []) if row.is_binding]
        dated = [row for row in rows if row.latest_on is not None]
        dated.sort(key=lambda row: (self._status(row) != Status.UNKNOWN, row.latest_on, row.pk))
        if not dated:
            uncovered = any(self._status(row) == Status.UNCOVERED for row in rows)
            return {
                "state": "uncovered" if uncovered else "none",
                "text": "no rule" if uncovered else "no date",
            }
        first = dated[0]
        assert first.latest_on is not None
        status = self._status(first)
        reference = {"task": first.task, "label": task_label(first.task), **self._rule_of(first)}
        if status == Status.UNKNOWN:
            return {"state": "unknown", "text": "due now", **reference}
        state = "overdue" if status == Status.OVERDUE else "dated"
        return {
            "state": state,
            "text": say_day(first.latest_on),
            "latest_on": first.latest_on.isoformat(),
            "month": f"{first.latest_on:%Y-%m}",
            "knowledge": first.knowledge,
            **reference,
        }

    def _rule_of(self, row: Obligation) -> dict[str, str]:
        clause = ""
        table = table_version(row.table_key, row.table_version)
        if table is not None:
            clause = _clause(table, row.rule_id)
        return {
            "table": self.refs.get((row.table_key, row.table_version), ""),
            "table_key": row.table_key,
            "clause": clause,
        }

    def _everyone(self) -> list[Unit]:
        return sorted(self.on_site.values(), key=lambda unit: (*_walk(unit.location), unit.number))

    def _standing_exceptions(self, unit: Unit) -> list[dict[str, Any]]:
        """What stays open on a unit of the site after the visit."""
        found: list[dict[str, Any]] = []
        if unit.state in _AWAY_WORDS and unit.pk not in self.records:
            state = f"According to the register: {_AWAY_WORDS[unit.state]}."
            found.append(exception_entry("away", unit, unit.location, state))
        by_status: dict[Status, list[Obligation]] = defaultdict(list)
        for row in self.obligations.get(unit.pk, []):
            status = self._status(row)
            if row.is_binding or status == Status.UNCOVERED:
                by_status[status].append(row)
        location = unit.location or (self.records[unit.pk][0].location if unit.pk in self.records else None)
        if rows := by_status[Status.OVERDUE]:
            parts = [
                f"{task_label(row.task)} overdue since {say_day(row.latest_on)} ({self._said_by(row)})"
                for row in rows
                if row.latest_on
            ]
            found.append(exception_entry("overdue", unit, location, f"{'; '.join(parts)}."))
        if rows := by_status[Status.UNKNOWN]:
            parts = [f"{task_label(row.task).lower()} ({self._said_by(row)})" for row in rows]
            found.append(
                exception_entry(
                    "unknown_date",
                    unit,
                    location,
                    f"Last date unknown, so due now: {'; '.join(parts)}.",
                )
            )
        barred = [row for row in self.obligations.get(unit.pk, []) if row.knowledge == Knowledge.BARRED]
        if barred:
            parts = [f"{task_label(row.task).lower()} ({self._said_by(row)})" for row in barred]
            found.append(
                exception_entry(
                    "barred", unit, location, f"Must not be done on this unit: {'; '.join(parts)}."
                )
            )
        if rows := by_status[Status.UNCOVERED]:
            by_table: dict[str, list[str]] = defaultdict(list)
            for row in rows:
                ref = self.refs.get((row.table_key, row.table_version), row.table_key)
                by_table[ref].append(task_label(row.task).lower())
            parts = [
                f"table {ref} has no rule for {_join(tasks)} of this unit" for ref, tasks in by_table.items()
            ]
            text = "; ".join(parts)
            found.append(
                exception_entry(
                    "uncovered", unit, location, f"{text[0].upper()}{text[1:]}. No date can be stated."
                )
            )
        return found

    def _said_by(self, row: Obligation) -> str:
        rule = self._rule_of(row)
        return f"table {rule['table'] or rule['table_key']}" + (
            f", {rule['clause']}" if rule["clause"] else ""
        )

    def _due_sentence(self, unit_id: int) -> str:
        due = self._next_due(unit_id)
        if due["state"] == "dated":
            return f"{due['label']} due by {due['text']}."
        if due["state"] == "overdue":
            return f"{due['label']} overdue since {due['text']}."
        if due["state"] == "unknown":
            return f"{due['label']} due now, last date unknown."
        return "No date can be stated." if due["state"] == "uncovered" else "No date falls due."

    def _cover(self, location: Location | None) -> str:
        """What hangs in the place of a unit that was taken away, as far as the register says."""
        if location is None:
            return "The register names no place for it."
        there = self.hanging.get(location.pk, [])
        if not there:
            return f"According to the register no unit hangs at place {location.number} meanwhile."
        named = _join([f"{unit.number} ({unit.model.kind_text})" for unit in there])
        return f"At place {location.number} hangs {named}."

    def defect_exceptions(self) -> list[dict[str, Any]]:
        """Open defects of the premises, critical ones first."""
        order = {severity.value: position for position, severity in enumerate(Defect.Severity)}
        found = []
        for defect in sorted(self.defects, key=lambda d: order[d.severity]):
            location = defect.location or (defect.unit.location if defect.unit else None)
            text = (
                f"{defect.get_severity_display()}: {_sentence(defect_text(defect.code))} "
                f"Found {say_day(defect.opened_on)}. {_sentence(defect.action)}"
            )
            found.append(exception_entry("defect", defect.unit, location, text))
        return found


class _OfVisit(Premises):
    """The rows behind the certificate of one visit."""

    def __init__(self, visit: Visit, heading: Heading) -> None:
        self.visit = visit
        self.jobs: dict[int, list[Job]] = defaultdict(list)
        for job in visit.jobs.order_by("pk"):
            self.jobs[job.unit_id].append(job)
        super().__init__(
            visit.site, heading, ServiceRecord.objects.standing().filter(visit_ref=visit.public_id)
        )
        self.successors = self._successors()

    def worked_by(self) -> set[tuple[str, str]]:
        """The table versions for which the visit was proposed."""
        return {(job.table_key, job.table_version) for jobs in self.jobs.values() for job in jobs}

    # --- parts -------------------------------------------------------------------------------

    def _successors(self) -> dict[int, Unit]:
        """The unit that was hung in place of each replaced one, by the replaced unit's id."""
        replaced = {
            f"Replaces {rows[0].unit.number}": unit_id
            for unit_id, rows in self.records.items()
            if any(row.outcome == ServiceRecord.Outcome.REPLACED for row in rows)
        }
        if not replaced:
            return {}
        hung = Placement.objects.filter(
            location__site=self.site, from_on=self.visit.done_on, reason__in=replaced
        ).select_related("unit__model")
        return {replaced[placement.reason]: placement.unit for placement in hung}

    def content(self) -> dict[str, Any]:
        visit = self.visit
        assert visit.done_on is not None
        assert visit.closed_at is not None
        units = [self._unit_line(unit_id, rows) for unit_id, rows in self._in_walking_order()]
        exceptions = self._exceptions()
        technicians = self._technicians()
        counts = self._counts(units)
        content = {
            **self.head("service_certificate"),
            "technicians": technicians,
            "visit": {
                "number": visit.number,
                "done_on": visit.done_on.isoformat(),
                "closed_at": _instant(visit.closed_at),
                "closed_by": visit.closed_by.display_name if visit.closed_by else "",
                "reported_to": visit.contact_name,
                "no_signature_reason": visit.no_signature_reason,
            },
            "counts": counts,
            "units": units,
            "exceptions": exceptions,
            "statement": [
                f"On {say_day(visit.done_on)} {_join([t['name'] for t in technicians])} of "
                f"{settings.FIRM_NAME} visited the premises named above (visit {visit.number}).",
                "The work shown in the table of units was recorded as done on the units named there, with "
                "the readings and results shown. Each result stands for its own unit on that day; none is "
                "given for the premises as a whole.",
            ],
            "not_covered": self.not_covered(
                "Units that the table does not name, and work that it does not show.",
                "The condition of any unit after the day of the visit: use, damage, tampering or moving.",
            ),
        }
        return {**content, "form": filled_form(self.site.country, self.site.region, content)}

    def _counts(self, units: Sequence[Mapping[str, Any]]) -> dict[str, int]:
        """What the certificate itself lists, counted; the results add up to ``recorded``."""
        found = Counter(line["result"] for line in units)
        counts = {result: found.get(result, 0) for result in VisitEntry.Result.values}
        if found.get("void"):
            counts["void"] = found["void"]
        if sum(counts.values()) != len(units):
            raise DoesNotReconcile(f"The results of visit {self.visit.number} do not add up to its units.")
        on_list = sum(1 for unit_id in self.records if unit_id in self.jobs)
        return {
            "on_list": on_list,
            "beyond_list": len(units) - on_list,
            "recorded": len(units),
            **counts,
            "on_site": len(self.on_site),
            "on_site_not_on_list": len(self._not_on_list()),
        }

    def _technicians(self) -> list[dict[str, str]]:
        """The visit's technician first, then everybody else who made a record on it."""
        people: dict[int, dict[str, str]] = {}
        if self.visit.technician is not None:
            person = self.visit.technician
            people[person.pk] = {"name": person.display_name, "licence": person.licence_number}
        for rows in self.records.values():
            for row in rows:
                if row.performed_by_id is not None and row.performed_by_id not in people and row.performed_by:
                    people[row.performed_by_id] = {
                        "name": row.performed_by_name,
                        "licence": row.performed_by.licence_number,
                    }
        return list(people.values())

    def _unit_line(self, unit_id: int, rows: Sequence[ServiceRecord]) -> dict[str, Any]:
        unit = rows[0].unit
        result = RESULT_OF[gravest(rows)]
        worked = result in (VisitEntry.Result.SERVICED, VisitEntry.Result.FAILED)
        tasks = [
            {
                "task": row.task,
                "label": task_label(row.task),
                "method": row.method.replace("_", " "),
                "outcome": row.outcome,
                **({"done_on": row.done.first.isoformat()} if self._differs(row) and row.done.first else {}),
            }
            for row in rows
            if worked and row.outcome in (ServiceRecord.Outcome.PASSED, ServiceRecord.Outcome.FAILED)
        ]
        return {
            "place": place_words(rows[0].location),
            "number": unit.number,
            "serial": unit.serial or NO_SERIAL,
            "kind": unit.model.kind_text,
            "on_list": unit_id in self.jobs,
            "tasks": tasks,
            "readings": [_reading(reading) for row in rows for reading in row.readings.all()],
            "remarks": list(dict.fromkeys(row.remarks.strip() for row in rows if row.remarks.strip())),
            "instruments": list(dict.fromkeys(row.instrument for row in rows if row.instrument)),
            "result": result,
            "result_label": RESULT_WORDS[result],
            "next_due": self._next_due(unit_id),
        }

    def _differs(self, row: ServiceRecord) -> bool:
        return (row.done_first, row.done_last) != (self.visit.done_on, self.visit.done_on)

    # --- exceptions --------------------------------------------------------------------------

    def _not_on_list(self) -> list[Unit]:
        """Units of the site that neither stood on the visit's list nor were recorded, in walking order."""
        hung = {unit.pk for unit in self.successors.values()}
        rest = [
            unit
            for unit in self.on_site.values()
            if unit.pk not in self.jobs and unit.pk not in self.records and unit.pk not in hung
        ]
        return sorted(rest, key=lambda unit: (*_walk(unit.location), unit.number))

    def _exceptions(self) -> list[dict[str, Any]]:
        """Everything a reader must not overlook, one entry for one unit, gravest kind first."""
        found: list[dict[str, Any]] = []
        for unit_id, rows in self._in_walking_order():
            found += self._result_exceptions(unit_id, rows)
        for unit in self._everyone():
            found += self._standing_exceptions(unit)
        found += self.defect_exceptions()
        for unit in self._not_on_list():
            found.append(
                exception_entry(
                    "not_on_list",
                    unit,
                    unit.location,
                    f"Not seen on this visit. {self._due_sentence(unit.pk)}",
                )
            )
        order = {kind: position for position, kind in enumerate(EXCEPTION_WORDS)}
        return sorted(found, key=lambda entry: order[entry["kind"]])

    def _result_exceptions(self, unit_id: int, rows: Sequence[ServiceRecord]) -> list[dict[str, Any]]:
        unit, location = rows[0].unit, rows[0].location
        result = RESULT_OF[gravest(rows)]
        remarks = " ".join(dict.fromkeys(_sentence(row.remarks) for row in rows if row.remarks.strip()))
        found: list[dict[str, Any]] = []
        text = ""
        if result == "failed":
            failed = [task_label(row.task) for row in rows if row.outcome == ServiceRecord.Outcome.FAILED]
            text = f"{_join(failed)} failed. {remarks}"
        elif result == "not_found":
            text = f"No such unit was found at its place. It remains due. {remarks}"
        elif result == "no_access":
            text = f"The unit could not be reached and remains due. {remarks}"
        elif result == "removed":
            text = f"Taken away by the firm. {self._cover(location)} {remarks}"
        elif result == "replaced":
            text = f"{self._successor_sentence(unit_id)} {remarks}"
        elif result == "void":
            text = f"The record made on this visit does not stand, so it shows no work. {remarks}"
        if text:
            found.append(exception_entry(result, unit, location, text))
        found += [
            exception_entry(
                "corrected",
                unit,
                location,
                f"{task_label(row.task)}: recorded first as {row.corrects.get_outcome_display().lower()}, "
                f"now {row.get_outcome_display().lower()}. Reason: {_sentence(row.correction_reason)}",
            )
            for row in rows
            if row.corrects is not None
        ]
        if result == "serviced":
            done = {row.task for row in rows if row.outcome == ServiceRecord.Outcome.PASSED}
            for job in self.jobs.get(unit_id, []):
                if job.task not in done:
                    until = f" Latest date {say_day(job.latest_on)}." if job.latest_on else ""
                    found.append(
                        exception_entry(
                            "task_not_done",
                            unit,
                            location,
                            f"{task_label(job.task)} was planned for this visit and was not recorded as "
                            f"done. {until}",
                        )
                    )
        return found

    def _successor_sentence(self, unit_id: int) -> str:
        successor = self.successors.get(unit_id)
        if successor is None:
            return "Replaced; the register names no unit that took its place."
        serial = f"serial {successor.serial}" if successor.serial else f"serial {NO_SERIAL}"
        return (
            f"Replaced by {successor.number} ({successor.model.kind_text}, {serial}). Of the new unit: "
            f"{self._due_sentence(successor.pk)}"
        )


def exception_entry(kind: str, unit: Unit | None, location: Location | None, text: str) -> dict[str, Any]:
    return {
        "kind": kind,
        "label": EXCEPTION_WORDS[kind],
        "number": unit.number if unit else "",
        "place": place_words(location),
        "text": " ".join(text.split()),
    }


def place_words(location: Location | None) -> dict[str, str]:
    return (
        {"number": location.number, "text": location.place}
        if location
        else {"number": "", "text": "no place"}
    )


def walking_key(row: ServiceRecord) -> tuple[Any, ...]:
    """Where the unit of ``row`` comes when one walks the site."""
    return (*_walk(row.location), row.unit.number)


def _walk(location: Location | None) -> tuple[bool, int, str]:
    return (location is None, location.walking_order if location else 0, location.number if location else "")


def _reading(reading: Reading) -> dict[str, str]:
    try:
        label = QUANTITY_LABELS[Quantity(reading.quantity)]
    except (KeyError, ValueError):
        label = reading.quantity.replace("_", " ").capitalize()
    return {
        "quantity": reading.quantity,
        "label": label,
        "value": reading.entered_value,
        "unit": reading.entered_unit,
        "verdict": reading.verdict,
        "verdict_label": "" if reading.quantity in _WITHOUT_LIMIT else _VERDICT_WORDS[reading.verdict],
        "reason": reading.verdict_reason,
    }


def gravest(rows: Iterable[ServiceRecord]) -> str:
    found = {row.outcome for row in rows}
    return next(outcome.value for outcome in _GRAVITY if outcome in found)


def task_label(task: str) -> str:
    return _TASK_LABELS.get(task) or task.replace("_", " ").capitalize()


def _clause(table: IntervalTable, rule_id: str) -> str:
    try:
        return table.rule(rule_id).clause
    except KeyError:
        return ""


def _letters(position: int) -> str:
    """A, B, … Z, AA, AB, …"""
    text = ""
    position += 1
    while position:
        position, rest = divmod(position - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def _warning(tables: Sequence[Mapping[str, Any]]) -> str:
    """The sentence near the top when a table behind the dates is unconfirmed; empty when none is."""
    if not tables:
        return "No interval table is in use for these premises, so no due dates can be stated."
    open_ones = [t["ref"] for t in tables if not t["is_confirmed"]]
    if not open_ones:
        return ""
    noun = "Interval table" if len(open_ones) == 1 else "Interval tables"
    verb = "is" if len(open_ones) == 1 else "are"
    return (
        f"{noun} {_join(open_ones)} {verb} unconfirmed: shipped defaults that nobody has yet checked against "
        "local code. Due dates by them may be wrong at this place."
    )


def _sentence(text: str) -> str:
    text = text.strip()
    return text if not text or text[-1] in ".!?" else f"{text}."


def _join(parts: Sequence[str]) -> str:
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def _some(numbers: Sequence[str]) -> str:
    shown = ", ".join(numbers[:10])
    return shown + (f" and {len(numbers) - 10} more" if len(numbers) > 10 else "")


def _instant(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
