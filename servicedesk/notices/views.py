"""Pages on notices: the own choices, the desk's exceptions and deadlines, and what was mailed."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from inventory.errors import Conflict
from servicedesk.access import Act
from servicedesk.notices.deadlines import deadlines_for, lines_of, meet_deadline
from servicedesk.notices.exceptions import day_list
from servicedesk.notices.kinds import ABOUT, NoticeKind, kinds_for
from servicedesk.notices.models import Notice, NoticeChoice
from servicedesk.notices.sending import try_again
from servicedesk.pages import PageView, paged, read_uuid

OWN_SHOWN = 20


class ChoicesView(PageView):
    """Which mails the signed-in person wants, and the last ones sent."""

    acts = (Act.SEE_REGISTER,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show the choices."""
        declined = set(
            NoticeChoice.objects.filter(person=self.person, is_wanted=False).values_list("kind", flat=True)
        )
        context = {
            "kinds": [
                {
                    "code": kind.value,
                    "label": kind.label,
                    "note": ABOUT[kind].note,
                    "is_fixed": ABOUT[kind].is_fixed,
                    "is_wanted": ABOUT[kind].is_fixed or kind.value not in declined,
                }
                for kind in kinds_for(self.person.role)
            ],
            "address": self.person.email,
            "latest": list(Notice.objects.filter(person=self.person)[:OWN_SHOWN]),
        }
        return self.page("notices/choices.html", context)

    def post(self, request: HttpRequest) -> HttpResponse:
        """Keep the choices; what cannot be switched off stays on."""
        for kind in kinds_for(self.person.role):
            if not ABOUT[kind].is_fixed:
                NoticeChoice.objects.update_or_create(
                    person=self.person, kind=kind, defaults={"is_wanted": kind.value in request.POST}
                )
        messages.success(request, "Your choices are kept.")
        return redirect("notices")


class ExceptionsView(PageView):
    """Everything that has left the usual path, in one list."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show it."""
        sections = day_list(self.now)
        context = {
            "sections": [section for section in sections if section.count],
            "quiet": [section.title for section in sections if not section.count],
        }
        return self.page("notices/exceptions.html", context)


class DeadlinesView(PageView):
    """Legal deadlines: open ones first, then those met."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them; ``met=1`` those that were met."""
        return self.show(request, {})

    def post(self, request: HttpRequest) -> HttpResponse:
        """Mark one as met."""
        self.demand(Act.PLAN_VISITS)
        row = self.found(deadlines_for(self.scope), read_uuid(request.POST.get("deadline", "")))
        note = request.POST.get("note", "")
        try:
            meet_deadline(row, note, by=self.person, now=self.now)
        except ValidationError as problem:
            wrong = {"id": row.public_id, "note": note, "problem": " ".join(problem.messages)}
            return self.show(request, wrong, status=400)
        except Conflict as problem:
            messages.warning(request, str(problem))
            return redirect("desk:deadlines")
        messages.success(request, "Marked as met.")
        return redirect("desk:deadlines")

    def show(self, request: HttpRequest, wrong: dict[str, Any], status: int = 200) -> HttpResponse:
        """The page, with what was wrong beside the deadline it is about."""
        met = request.GET.get("met") == "1"
        rows = deadlines_for(self.scope).filter(done_at__isnull=not met)
        if met:
            rows = rows.order_by("-done_at", "-pk")
        page = paged(request, rows)
        context = {
            "page_obj": page,
            "lines": lines_of(page.object_list),
            "is_met": met,
            "now": self.now,
            "wrong": wrong,
            "may_act": self.may(Act.PLAN_VISITS),
        }
        return self.page("notices/deadlines.html", context, status=status)


class MailsView(PageView):
    """What was written to whom, whether it was sent, and why not."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show one page of them, narrowed by state, kind and words."""
        rows = Notice.objects.select_related("owner", "person")
        state = request.GET.get("state", "")
        if state == "waiting":
            rows = rows.waiting()
        elif state == "sent":
            rows = rows.filter(sent_at__isnull=False)
        elif state == "failed":
            rows = rows.filter(given_up_at__isnull=False)
        kind = request.GET.get("kind", "")
        if kind in NoticeKind.values:
            rows = rows.filter(kind=kind)
        wanted = request.GET.get("q", "").strip()[:60]
        if wanted:
            rows = rows.filter(
                Q(address__icontains=wanted) | Q(subject__icontains=wanted) | Q(owner__name__icontains=wanted)
            )
        context = {
            "page_obj": paged(request, rows),
            "state": state,
            "kind": kind,
            "wanted": wanted,
            "kinds": NoticeKind.choices,
            "states": [("", "All"), ("waiting", "Waiting"), ("sent", "Sent"), ("failed", "Given up")],
            "may_act": self.may(Act.PLAN_VISITS),
        }
        return self.page("notices/mails.html", context)


class MailView(PageView):
    """One notice as it was written; POST has it tried again."""

    acts = (Act.SEE_DESK,)

    def get(self, request: HttpRequest, notice_id: UUID) -> HttpResponse:
        """Show it."""
        notice = self.found(Notice.objects.select_related("owner", "person", "site"), notice_id)
        context = {
            "notice": notice,
            "may_act": self.may(Act.PLAN_VISITS),
            "crumbs": [{"label": "Mails", "url": "../"}],
        }
        return self.page("notices/mail.html", context)

    def post(self, request: HttpRequest, notice_id: UUID) -> HttpResponse:
        """Try again."""
        self.demand(Act.PLAN_VISITS)
        notice = self.found(Notice.objects.all(), notice_id)
        if try_again(notice, now=self.now):
            messages.success(request, "It is tried again within a minute.")
        else:
            messages.info(request, "It was sent already.")
        return redirect("desk:mail", notice_id)
