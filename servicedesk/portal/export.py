"""The register of one site as a CSV file for its owner."""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from collections.abc import Iterable
from datetime import date, datetime

from inventory.measures.kinds import Task
from inventory.register.models import Site, Unit, local_today
from schedules.due.models import Obligation
from servicedesk.pages import STANDING_LINE
from servicedesk.portal.glance import WALKING_ORDER, unit_standings
from servicedesk.portal.tables import table_lines

# In place of a date: nobody knows it, so the task counts as due.
UNKNOWN = "unknown, due now"
_FACTS = (
    "site_code",
    "location",
    "building",
    "floor",
    "place",
    "unit",
    "serial",
    "kind",
    "agent",
    "construction",
    "made",
    "state",
    "status",
    "next_task",
    "next_latest_on",
)


def register_csv(site: Site, now: datetime) -> str:
    """One row per unit on duty in walking order, one column per task; each row says what its dates rest on.

    Days are ISO dates: the latest date of each task, or ``UNKNOWN``. Text that a spreadsheet would
    run as a formula is made plain text.
    """
    today = local_today(site, now)
    units = list(
        Unit.objects.on_duty().filter(site=site).select_related("model", "location").order_by(*WALKING_ORDER)
    )
    standing = unit_standings([(unit.pk, unit.state) for unit in units], site, now)
    dates: dict[int, dict[str, str]] = defaultdict(dict)
    rows = Obligation.objects.ours().filter(site=site, is_binding=True, latest_on__isnull=False)
    columns = ("unit_id", "task", "knowledge", "latest_on")
    for unit_id, task, knowledge, latest_on in rows.order_by("-latest_on", "pk").values_list(*columns):
        dates[unit_id][task] = UNKNOWN if knowledge == "unknown_basis" else _iso(latest_on)
    tasks = [task for task in Task if any(task.value in found for found in dates.values())]
    tables = table_lines(site.pk, today)
    named = "; ".join(f"{line.title}, version {line.version}" for line in tables) or "none"
    states = (
        " ".join(" ".join((f"{line.title}: {line.sentence}", *line.varied)) for line in tables)
        or "No interval table applies."
    )
    out = io.StringIO()
    # Spreadsheets take a file without this mark for their own alphabet.
    out.write("\ufeff")
    sheet = csv.writer(out, lineterminator="\r\n")
    sheet.writerow(
        [
            *_FACTS,
            *(f"{task.value}_latest_on" for task in tasks),
            "as_of",
            "interval_tables",
            "confirmation",
            "note",
        ]
    )
    for unit in units:
        now_stands = standing[unit.pk]
        place = unit.location
        facts = [
            site.code,
            place.number if place else "",
            place.building if place else "",
            place.floor if place else "",
            place.description if place else "",
            unit.number,
            unit.serial,
            unit.model.kind_text,
            unit.model.get_agent_display(),
            unit.model.get_construction_display(),
            str(unit.made),
            unit.get_state_display(),
            now_stands.word,
            now_stands.next_task,
            _iso(now_stands.next_on),
        ]
        owed = [dates[unit.pk].get(task.value, "") for task in tasks]
        sheet.writerow(_plain([*facts, *owed, today.isoformat(), named, states, STANDING_LINE]))
    return out.getvalue()


def _iso(day: date | None) -> str:
    return day.isoformat() if day else ""


def _plain(cells: Iterable[str]) -> list[str]:
    """Cells that no spreadsheet runs: a leading sign of a formula gets an apostrophe before it."""
    return [f"'{cell}" if cell[:1] in ("=", "+", "-", "@", "\t", "\r") else cell for cell in cells]
