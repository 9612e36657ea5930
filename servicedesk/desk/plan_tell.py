"""Telling owners the day and the window of planned visits: by mail, or by letters to print.

What is said, in which language and to whom is that of the notice before a visit
(``servicedesk.notices.writing``): an owner who was told here is not told the same again a week before.
"""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from inventory.errors import Conflict
from schedules.routes.models import PlanStop, RoutePlan, VisitNotice
from schedules.routes.queries import stops_of
from schedules.visits.models import Visit
from schedules.visits.planned import promise_window
from servicedesk.accounts.models import User
from servicedesk.desk.plans import PlanPage, read_uuids
from servicedesk.documents.paper import document_pdf, pdf_response
from servicedesk.notices.writing import (
    Draft,
    Recipient,
    mailed_keys,
    recipients_of,
    store_draft,
    told,
    visit_drafts,
)

TELLABLE = (Visit.State.PROPOSED, Visit.State.CONFIRMED)
Channel = VisitNotice.Channel
# Each letter goes to somebody else: no page counts the others, and none is headed by another's name.
LETTER_STYLE = (
    ".new-page { break-before: page } .addressee { margin: 8mm 0 12mm }"
    " @page { @top-left { content: none } @top-right { content: none } @bottom-right { content: none } }"
)


@dataclass(frozen=True, slots=True)
class Letter:
    """What one owner is told of one visit, in the language of the site, and who gets the mail."""

    visit: Visit
    draft: Draft
    recipients: list[Recipient]
    subject: str
    body: str

    @property
    def language(self) -> str:
        """The language it is written in."""
        return self.draft.language

    @property
    def addresses(self) -> str:
        """The addresses of the mail, in one line."""
        return ", ".join(dict.fromkeys(one.address for one in self.recipients if one.address))


def letters_of(visits: list[Visit]) -> list[Letter]:
    """The letters for visits that have a window; queries do not grow with their number."""
    drafts = visit_drafts(visits)
    found = zip(visits, drafts, recipients_of(drafts), strict=True)
    return [Letter(visit, draft, people, *told(draft)) for visit, draft, people in found]


class TellView(PlanPage):
    """Visits of a plan with their windows: who was told, and telling the rest."""

    def get(self, request: HttpRequest, plan_id: UUID) -> HttpResponse:
        """Show them."""
        return self.show(self.plan(plan_id))

    def post(self, request: HttpRequest, plan_id: UUID) -> HttpResponse:
        """Mail the ticked ones, or hand out their letters as one PDF."""
        plan = self.plan(plan_id)
        channel = Channel.MAIL if self.pressed("mail", "letters") == "mail" else Channel.LETTER
        wanted = read_uuids(request.POST.getlist("pick"))
        visits = [stop.visit for stop in self.stops(plan) if stop.visit.public_id in wanted]
        letters, refused = [], []
        for letter in letters_of(visits):
            try:
                self.tell(letter, channel)
                letters.append(letter)
            except (Conflict, ValidationError) as problem:
                said = problem.sentence if isinstance(problem, Conflict) else " ".join(problem.messages)
                refused.append(f"{letter.visit.number}: {said}")
        if channel == Channel.LETTER and letters:
            data = document_pdf(
                "visit_letters",
                {"letters": letters},
                title="Letters to owners",
                number=plan.number,
                at=self.now,
                zone=plan.depot.time_zone if plan.depot is not None else "UTC",
                page_style=LETTER_STYLE,
            )
            return pdf_response(data, f"letters-{plan.number}.pdf")
        if letters:
            self.told(
                f"{len(letters)} owner{'s' if len(letters) != 1 else ''} told by mail. "
                "Day and window are now promised; planning keeps them."
            )
        for line in refused[:8]:
            self.warn(line)
        if not visits:
            self.warn("No visit was ticked; nobody was told anything.")
        return redirect("desk:plan-tell", plan_id)

    def tell(self, letter: Letter, channel: VisitNotice.Channel) -> None:
        """Note that the owner is told, promise day and window, and put a mail into the outbox."""
        visit = letter.visit
        assert visit.window_from is not None
        assert visit.window_until is not None
        if channel == Channel.MAIL and not letter.addresses:
            raise ValidationError("Nobody there has an address that takes this mail; print a letter instead.")
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
                        sent_to=letter.addresses[:254] if channel == Channel.MAIL else "",
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
                store_draft(letter.draft, letter.recipients, self.now)
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
        letters = letters_of([stop.visit for stop in stops])
        mailed = mailed_keys(letter.draft for letter in letters)
        before: dict[int, list[VisitNotice]] = {}
        for notice in VisitNotice.objects.filter(visit__in=[s.visit_id for s in stops]).order_by("pk"):
            before.setdefault(notice.visit_id, []).append(notice)
        lines = []
        for stop, letter in zip(stops, letters, strict=True):
            visit = stop.visit
            here = [
                n
                for n in before.get(stop.visit_id, [])
                if (n.planned_on, n.window_from, n.window_until)
                == (visit.planned_on, visit.window_from, visit.window_until)
            ]
            by_mail = any(notice.channel == Channel.MAIL for notice in here)
            lines.append(
                {
                    "visit": visit,
                    "technician": stop.technician,
                    "letter": letter,
                    "told": here,
                    # The notice that goes out a week before tells the same and is not sent again.
                    "is_noticed": letter.draft.key in mailed and not by_mail,
                    "is_old": letter.draft.context["is_change"] and not here,
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
