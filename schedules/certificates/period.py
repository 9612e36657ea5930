"""What the papers of a period say: certificate of service for a period, and yearly condition statement.

Both stand on the closed visits of the period and on the register as it is on the day of issue. A visit
whose counts do not add up stops them, as it stops its own certificate.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import date
from typing import Any

from dateutil.relativedelta import relativedelta
from django.conf import settings

from inventory.logbook.models import Defect, ServiceRecord
from inventory.measures.checks import defect_text
from inventory.register.models import Site
from schedules.certificates.content import (
    RESULT_OF,
    RESULT_WORDS,
    DoesNotReconcile,
    Heading,
    Premises,
    exception_entry,
    gravest,
    place_words,
    recount,
    say_day,
    task_label,
    walking_key,
)
from schedules.certificates.forms import filled_form
from schedules.certificates.models import Certificate
from schedules.certificates.queries import standing_of
from schedules.due.models import SiteMonth
from schedules.visits.models import Visit

NOT_SEEN = "not_seen"
MOST_MONTHS = 13


def period_content(site: Site, first_on: date, last_on: date, heading: Heading, kind: str) -> dict[str, Any]:
    """Everything that the paper of ``kind`` on ``site`` for the days ``first_on`` to ``last_on`` prints.

    The number of queries grows with the visits of the period (each is counted again), not with the
    units. Raises ``DoesNotReconcile``.
    """
    return _OfPeriod(site, first_on, last_on, heading).content(kind)


class _OfPeriod(Premises):
    def __init__(self, site: Site, first_on: date, last_on: date, heading: Heading) -> None:
        self.first_on, self.last_on = first_on, last_on
        self.visits = list(
            Visit.objects.filter(site=site, state=Visit.State.CLOSED, kind=Visit.Kind.SERVICE)
            .filter(done_on__gte=first_on, done_on__lte=last_on)
            .select_related("technician")
            .order_by("done_on", "number")
        )
        for visit in self.visits:
            recount(visit)
        super().__init__(
            site,
            heading,
            ServiceRecord.objects.standing().filter(
                visit_ref__in=[visit.public_id for visit in self.visits], site=site
            ),
        )
        self.left_open = list(
            Visit.objects.filter(
                site=site,
                kind=Visit.Kind.SERVICE,
                state=Visit.State.UNDER_WAY,
                planned_on__gte=first_on,
                planned_on__lte=last_on,
            ).values_list("number", flat=True)
        )

    def content(self, kind: str) -> dict[str, Any]:
        """The frozen content."""
        units = self._units()
        counts = self._counts(units)
        statement = (
            [
                "Routine service of the portable fire extinguishers of the premises named above was recorded "
                f"for {self._days()} as the table of units shows, except for what the exceptions name.",
                "On the day of issue the units stand as their next due dates and the exceptions say. Each "
                "statement is about its own unit; none is given for the premises as a whole.",
            ]
            if kind == Certificate.Kind.CONDITION
            else [
                f"{settings.FIRM_NAME} visited the premises named above {len(self.visits)} "
                f"time{'' if len(self.visits) == 1 else 's'} in the period {self._days()}.",
                "The work shown in the table of units was recorded as done on those visits. Each result "
                "stands for its own unit on the day shown; none is given for the premises as a whole.",
            ]
        )
        if self.left_open:
            statement.append(
                f"Not closed and so not counted: {', '.join(self.left_open)}. What was found there is not "
                "part of this paper."
            )
        content = {
            **self.head(f"{kind}_certificate"),
            "period": {"first_on": self.first_on.isoformat(), "last_on": self.last_on.isoformat()},
            "visits": self._visits(),
            "counts": counts,
            "units": units,
            "exceptions": self._exceptions(units),
            "statement": statement,
            "not_covered": self.not_covered(
                "Units that the table does not name, and work that it does not show.",
                "The condition of any unit after its last visit: use, damage, tampering or moving.",
            ),
        }
        if kind == Certificate.Kind.CONDITION:
            content["figures"] = self._figures()
        return {**content, "form": filled_form(self.site.country, self.site.region, content)}

    def _figures(self) -> dict[str, Any]:
        """How the units stood month by month up to the last day, and the open defects by kind."""
        first = self.last_on.replace(day=1) - relativedelta(months=MOST_MONTHS - 1)
        months = SiteMonth.objects.filter(site=self.site, month__gte=first, month__lte=self.last_on)
        return {
            "months": [
                {
                    "month": row.month.isoformat(),
                    "counted_on": row.counted_on.isoformat(),
                    "units": row.units,
                    "in_date": row.in_date,
                    "due": row.due,
                    "overdue": row.overdue,
                    "unknown": row.unknown,
                    "is_worked_out": row.is_worked_out,
                }
                for row in months.order_by("month")
            ],
            "defects": [
                {"text": defect_text(code), "count": count}
                for code, count in Counter(defect.code for defect in self.defects).most_common()
            ],
        }

    def _days(self) -> str:
        return f"{say_day(self.first_on)} to {say_day(self.last_on)}"

    def _visits(self) -> list[dict[str, Any]]:
        """The visits counted, each with its own certificate and whether that stands."""
        papers: dict[int, list[str]] = {}
        rows = (
            Certificate.objects.filter(visit__in=self.visits)
            .select_related("withdrawal", "replaced_by")
            .defer("content", "replaced_by__content")
            .order_by("pk")
        )
        for row in rows:
            assert row.visit_id is not None
            word = {"withdrawn": " (withdrawn)", "replaced": " (replaced)"}.get(standing_of(row).standing, "")
            papers.setdefault(row.visit_id, []).append(f"{row.number}{word}")
        return [
            {
                "number": visit.number,
                "done_on": visit.done_on.isoformat() if visit.done_on else "",
                "done_by": visit.technician.display_name if visit.technician else "",
                "certificates": papers.get(visit.pk, []),
            }
            for visit in self.visits
        ]

    def _units(self) -> list[dict[str, Any]]:
        """A line for every unit that is at the premises or was recorded there in the period."""
        gone = [rows[0].unit for pk, rows in self.records.items() if pk not in self.on_site]
        lines = []
        for unit in [*self._everyone(), *sorted(gone, key=lambda u: u.number)]:
            rows = self.records.get(unit.pk, [])
            location = unit.location or (rows[-1].location if rows else None)
            last_ref = rows[-1].visit_ref if rows else None
            result = (
                RESULT_OF[gravest([row for row in rows if row.visit_ref == last_ref])] if rows else NOT_SEEN
            )
            lines.append(
                {
                    "place": place_words(location),
                    "number": unit.number,
                    "serial": unit.serial or "none readable",
                    "kind": unit.model.kind_text,
                    "tasks": [
                        {
                            "task": row.task,
                            "label": task_label(row.task),
                            "outcome": row.outcome,
                            "done_on": row.done_last.isoformat() if row.done_last else "",
                            "text": self._work_text(row),
                        }
                        for row in rows
                        if row.outcome in (ServiceRecord.Outcome.PASSED, ServiceRecord.Outcome.FAILED)
                    ],
                    "result": result,
                    "result_label": RESULT_WORDS.get(result, "Not seen in the period"),
                    "next_due": self._next_due(unit.pk),
                    "is_here": unit.pk in self.on_site,
                }
            )
        return lines

    @staticmethod
    def _work_text(row: ServiceRecord) -> str:
        day = say_day(row.done_last) if row.done_last else "date unknown"
        failed = " failed" if row.outcome == ServiceRecord.Outcome.FAILED else ""
        return f"{task_label(row.task)}{failed}, {day}"

    def _counts(self, units: Sequence[dict[str, Any]]) -> dict[str, int]:
        found = Counter(line["result"] for line in units)
        counts = {result: found.get(result, 0) for result in (*RESULT_WORDS, NOT_SEEN)}
        if sum(counts.values()) != len(units):
            raise DoesNotReconcile("The results of the period do not add up to its units.")
        if not counts["void"]:
            del counts["void"]
        return {
            "visits": len(self.visits),
            "units": len(units),
            **counts,
            "on_site": len(self.on_site),
            "open_defects": len(self.defects),
            "critical_defects": sum(d.severity == Defect.Severity.CRITICAL for d in self.defects),
        }

    def _exceptions(self, units: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
        """What a reader must not overlook, gravest sort first."""
        found: list[dict[str, Any]] = []
        by_number = {line["number"]: line for line in units}
        for _, rows in sorted(self.records.items(), key=lambda item: walking_key(item[1][-1])):
            unit = rows[-1].unit
            line = by_number[unit.number]
            if line["result"] not in ("serviced", NOT_SEEN):
                last = rows[-1]
                told = f"On {say_day(last.done_last)}. " if last.done_last else ""
                found.append(
                    exception_entry(line["result"], unit, last.location, f"{told}{last.remarks.strip()}")
                )
        for unit in self._everyone():
            if unit.pk not in self.records:
                found.append(
                    exception_entry(
                        NOT_SEEN,
                        unit,
                        unit.location,
                        f"No visit of the period saw it. {self._due_sentence(unit.pk)}",
                    )
                )
            found += self._standing_exceptions(unit)
        found += self.defect_exceptions()
        return found
