"""Telling owners the day and the window of planned visits: by mail, or by letters to print."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.template.loader import render_to_string

from inventory.errors import Conflict
from schedules.routes.models import PlanStop, RoutePlan, VisitNotice
from schedules.routes.queries import stops_of
from schedules.visits.models import Visit
from schedules.visits.planned import promise_window
from schedules.visits.queries import loads
from servicedesk.accounts.models import User
from servicedesk.desk.plans import PlanPage, read_uuids
from servicedesk.documents.paper import document_pdf, pdf_response
from servicedesk.notices.kinds import NoticeKind
from servicedesk.notices.models import Notice

TELLABLE = (Visit.State.PROPOSED, Visit.State.CONFIRMED)
Channel = VisitNotice.Channel


@dataclass(frozen=True, slots=True)
class Letter:
    """What one owner is told of one visit."""

    visit: Visit
    subject: str
    body: str


def letter_of(visit: Visit, units: int) -> Letter:
    """The letter for a visit that has a window."""
    context = {
        "visit": visit,
        "site": visit.site,
        "owner": visit.site.owner,
        "units": units,
        "firm_name": settings.FIRM_NAME,
        "firm_phone": settings.FIRM_PHONE,
        "firm_email": settings.FIRM_EMAIL,
    }
    body = render_to_string("letters/visit_window.txt", context).strip()
    day = f"{visit.planned_on:%A} {visit.planned_on.day} {visit.planned_on:%B %Y}"
    return Letter(visit, f"Our visit to {visit.site.name} on {day}"[:200], body)


class TellView(PlanPage):
    """Visits of a plan with their windows: who was told, and telling the rest."""

    def get(self, request: HttpRequest, plan_id: UUID) -> HttpResponse:
        """Show them."""
        return self.show(self.plan(plan_id))

    def post(self, request: HttpRequest, plan_id: UUID) -> HttpResponse:
        """Mail the ticked ones, or hand out their letters as one PDF."""
        plan = self.plan(plan_id)
        channel = Channel.MAIL if request.POST.get("do") == "mail" else Channel.LETTER
        wanted = read_uuids(request.POST.getlist("pick"))
        stops = [stop for stop in self.stops(plan) if stop.visit.public_id in wanted]
        held = loads(stop.visit_id for stop in stops)
        letters, refused = [], []
        for stop in stops:
            load = held.get(stop.visit_id)
            letter = letter_of(stop.visit, load.units if load else 0)
            try:
                self.tell(letter, channel)
                letters.append(letter)
            except (Conflict, ValidationError) as problem:
                refused.append(f"{stop.visit.number}: {problem}")
        if channel == Channel.LETTER and letters:
            data = document_pdf(
                "visit_letters",
                {"letters": letters},
                title="Our visit",
                at=self.now,
                zone=plan.depot.time_zone if plan.depot is not None else "UTC",
                page_style=".new-page { break-before: page }",
            )
            return pdf_response(data, f"letters-{plan.number}.pdf")
        if letters:
            self.told(
                f"{len(letters)} mail{'s' if len(letters) != 1 else ''} handed to the outbox. "
                "Day and window are now promised; planning keeps them."
            )
        for line in refused[:8]:
            self.warn(line)
        if not stops:
            self.warn("No visit was ticked; nobody was told anything.")
        return redirect("desk:plan-tell", plan_id)

    def tell(self, letter: Letter, channel: VisitNotice.Channel) -> None:
        """Note that the owner is told, promise day and window, and put a mail into the outbox."""
        visit = letter.visit
        assert visit.window_from is not None
        assert visit.window_until is not None
        address = visit.site.owner.contact_email
        if channel == Channel.MAIL and not address:
            raise ValidationError("No address is on the register; print a letter instead.")
        said = {
            "planned_on": visit.planned_on,
            "window_from": visit.window_from,
            "window_until": visit.window_until,
        }
        with transaction.atomic():
            try:
                with transaction.atomic():
                    VisitNotice.objects.create(
                        visit=visit,
                        channel=channel,
                        sent_to=address if channel == Channel.MAIL else "",
                        subject=letter.subject,
                        body=letter.body,
                        made_by=self.person,
                        **said,
                    )
            except IntegrityError:
                # Told already, in just this way: a letter may be printed again, a mail is not sent twice.
                if channel == Channel.MAIL:
                    raise ValidationError("Was mailed already for this day and window.") from None
            if channel == Channel.MAIL:
                Notice.objects.get_or_create(
                    key=f"window {visit.public_id} {visit.planned_on} {visit.window_from:%H%M}",
                    address=address,
                    defaults={
                        "kind": NoticeKind.VISIT_AHEAD,
                        "owner": visit.site.owner,
                        "site": visit.site,
                        "language": "en",
                        "subject": letter.subject,
                        "text": letter.body,
                        "written_at": self.now,
                        "next_try_at": self.now,
                    },
                )
            if visit.promised_at is None:
                promise_window(
                    visit,
                    window_from=visit.window_from,
                    window_until=visit.window_until,
                    version=visit.version,
                    now=self.now,
                )

    def stops(self, plan: RoutePlan) -> list[PlanStop]:
        """Stops whose visit has the plan's day and a window, in order of day and time."""
        found = [
            stop
            for stop in stops_of(plan)
            if stop.on is not None
            and stop.visit.planned_on == stop.on
            and stop.visit.window_from is not None
            and stop.visit.state in TELLABLE
        ]
        return sorted(found, key=lambda s: (s.on, s.starts_s or 0, s.pk))

    def show(self, plan: RoutePlan) -> HttpResponse:
        """The page."""
        stops = self.stops(plan)
        ids = [stop.visit_id for stop in stops]
        held = loads(ids)
        told: dict[int, list[VisitNotice]] = {}
        for notice in VisitNotice.objects.filter(visit__in=ids).order_by("pk"):
            told.setdefault(notice.visit_id, []).append(notice)
        lines = []
        for stop in stops:
            visit = stop.visit
            load = held.get(stop.visit_id)
            here = [
                n
                for n in told.get(stop.visit_id, [])
                if (n.planned_on, n.window_from) == (visit.planned_on, visit.window_from)
            ]
            lines.append(
                {
                    "visit": visit,
                    "technician": stop.technician,
                    "letter": letter_of(visit, load.units if load else 0),
                    "told": here,
                    "is_old": bool(told.get(stop.visit_id)) and not here,
                }
            )
        context = {
            "crumbs": self.crumbs(plan),
            "plan": plan,
            "lines": lines,
            "is_taken": plan.state == RoutePlan.State.TAKEN,
            "people": User.objects.none(),
        }
        return self.page("desk/plan_tell.html", context)
