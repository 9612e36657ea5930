"""Figures that people would rather look at: pictures in SVG with the same numbers as a table.

A picture has no colour of its own: its parts carry classes that the style sheet gives theirs, and outlines,
so that no part is told by colour alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from dateutil.relativedelta import relativedelta
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse

from inventory.access import Scope
from inventory.logbook.models import Defect
from inventory.measures.checks import defect_text
from inventory.register.models import Site, Unit
from schedules.due.months import MonthStood, coming_months, months_of
from schedules.due.plots import Plot, plot
from servicedesk.pages import read_uuid
from servicedesk.portal.views import PortalView

MONTHS_AHEAD = 12
MOST_KINDS = 8


def share_plot(months: Sequence[MonthStood]) -> Plot:
    """Share of units in date or due (not overdue, not unknown) at the end of each month."""
    rows = []
    for line in months:
        good = line.stood.in_date + line.stood.due
        share = 100 * good / line.stood.units if line.stood.units else 0
        rows.append((f"{line.month:%b %y}", share, f"{share:.0f} %" if line.stood.units else "–"))
    last = rows[-1][2] if rows else "–"
    return plot(
        "Share in date",
        f"Units not overdue and not unknown at each month's end, now {last}. Hollow bars were worked out "
        "later from the records, for the units that hang there today.",
        rows,
        heads=("Month", "Share in date"),
        most=100,
        notes=["worked" if line.is_worked_out else "" for line in months],
    )


def coming_plot(scope: Scope, now: datetime, site: Site | None = None) -> Plot:
    """How many tasks have their latest date in each coming month; the first holds what is late."""
    first = now.date().replace(day=1)
    found = coming_months(scope, first, MONTHS_AHEAD, site=site)
    months = [first + relativedelta(months=n) for n in range(MONTHS_AHEAD)]
    lines = [(f"{month:%b %y}", float(found[month]), str(found[month])) for month in months]
    return plot(
        "What is coming",
        f"Tasks by the month of their latest date, {sum(found.values())} in the coming {MONTHS_AHEAD} "
        "months; the first month also holds what is overdue or unknown.",
        lines,
        heads=("Month", "Tasks"),
    )


def defects_plot(scope: Scope, site: Site | None = None) -> Plot:
    """Open defects by kind, the most frequent first."""
    rows = Defect.objects.visible_to(scope).open()
    if site is not None:
        rows = rows.filter(site=site)
    counted = list(rows.order_by().values_list("code").annotate(n=Count("pk")).order_by("-n", "code"))
    lines = [(defect_text(code), float(number), str(number)) for code, number in counted[:MOST_KINDS]]
    rest = sum(number for _, number in counted[MOST_KINDS:])
    if rest:
        lines.append(("All others", float(rest), str(rest)))
    total = sum(number for _, number in counted)
    return plot(
        "Defects by kind",
        f"{total} open defect{'' if total == 1 else 's'}." if total else "No open defect.",
        lines,
        heads=("Defect", "Open"),
    )


_AGES = ((4, "0–4"), (9, "5–9"), (14, "10–14"), (19, "15–19"), (200, "20 +"))


def age_plot(scope: Scope, now: datetime, site: Site | None = None) -> Plot:
    """Units on duty by years since the last day that their mark can mean; unknown has its own bar."""
    rows = Unit.objects.visible_to(scope).on_duty()
    if site is not None:
        rows = rows.filter(site=site)
    # By ranges of days: to take the year out of every date costs SQLite more than to find the rows.
    counted = rows.order_by().aggregate(
        all=Count("pk"),
        **{
            f"to_{high}": Count("pk", filter=Q(made_last__gte=date(now.year - high, 1, 1)))
            for high, _ in _AGES
        },
    )
    total, younger = counted["all"], 0
    found: dict[str, int] = {}
    for high, word in _AGES:
        found[word] = counted[f"to_{high}"] - younger
        younger = counted[f"to_{high}"]
    found["unknown"] = total - younger
    return plot(
        "Age of the units",
        f"{total} units by years since they were made, {found['unknown']} of unknown age.",
        [(word, float(number), str(number)) for word, number in found.items()],
        heads=("Years", "Units"),
    )


def plots_for(scope: Scope, now: datetime, site: Site | None = None) -> list[Plot]:
    """The four pictures."""
    return [
        share_plot(months_of(scope, now, site=site)),
        coming_plot(scope, now, site),
        defects_plot(scope, site),
        age_plot(scope, now, site),
    ]


class FiguresView(PortalView):
    """The pictures, of all own sites or of one."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them."""
        sites = Site.objects.visible_to(self.scope)
        chosen = read_uuid(request.GET.get("site", ""))
        site = sites.filter(public_id=chosen).first()
        context = {
            "crumbs": self.crumbs(),
            "sites": [
                (str(public_id), name, public_id == chosen)
                for public_id, name in sites.order_by("name", "pk").values_list("public_id", "name")
            ],
            "site": site,
            "plots": plots_for(self.scope, self.now, site),
        }
        return self.page("portal/figures.html", context)
