"""The manager's page for personal data: search, see, erase, and the report of each erasure."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from inventory.errors import Conflict
from inventory.logbook.erasures import Erasure
from servicedesk.access import Act
from servicedesk.erasure.places import Found, find, words_of
from servicedesk.erasure.services import erase, report_lines, tally
from servicedesk.pages import PageView, paged, place_errors

PLACES_PER_PAGE = 100
PER_PAGE = 25


class SearchForm(forms.Form):
    """What the person is called."""

    q = forms.CharField(
        label="Names, e-mail addresses, telephone numbers",
        help_text="One a line: every spelling under which the person may stand. Whole words are found. "
        "A photo is found by its identity.",
        max_length=800,
        widget=forms.Textarea(attrs={"rows": 3}),
        error_messages={"required": "Type what the person is called."},
    )

    def clean_q(self) -> str:
        """At least one word that is long enough."""
        text: str = self.cleaned_data["q"]
        if not words_of(text).texts:
            raise forms.ValidationError("Type at least three letters of a name.")
        return text


class EraseForm(forms.Form):
    """Why it is erased, and the second word of it."""

    legal_basis = forms.CharField(
        label="Legal basis",
        max_length=300,
        help_text="The rule or contract. It is kept: do not name the person.",
    )
    reason = forms.CharField(label="Reason", max_length=300, help_text="It is kept: do not name the person.")
    again = forms.CharField(
        label="Type the first name of the list above again", max_length=120, help_text="There is no way back."
    )
    is_sure = forms.BooleanField(
        label="I have looked at every place below and erase all that can go",
        error_messages={"required": "Say that you have looked at it."},
    )


class EraseView(PageView):
    """Search a person and erase what can go."""

    acts = (Act.ERASE_PEOPLE,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show the search, and with ``q`` everything that it finds."""
        form = SearchForm(request.GET if "q" in request.GET else None)
        if not form.is_bound:
            return self.show(SearchForm())
        if not form.is_valid():
            return self.show(form, status=400)
        return self.show(form, found=self.look(form), erase_form=EraseForm())

    def post(self, request: HttpRequest) -> HttpResponse:
        """Erase what the page showed."""
        form = SearchForm(request.POST)
        given = EraseForm(request.POST)
        if not form.is_valid():
            return self.show(form, status=400)
        words = words_of(form.cleaned_data["q"])
        if given.is_valid() and given.cleaned_data["again"].split() != words.texts[0].split():
            given.add_error("again", f"Type “{words.texts[0]}” to say that you mean it.")
        if not given.is_valid():
            return self.show(form, found=self.look(form), erase_form=given, status=400)
        try:
            done = erase(
                words,
                seen=int(request.POST.get("seen") or 0),
                legal_basis=given.cleaned_data["legal_basis"],
                reason=given.cleaned_data["reason"],
                by=self.person,
                now=self.now,
            )
        except Conflict as problem:
            self.warn(problem.sentence)
            return self.show(form, found=self.look(form), erase_form=given, status=409)
        except (ValidationError, ValueError) as problem:
            if isinstance(problem, ValidationError):
                place_errors(given, problem)
            else:
                given.add_error(None, "Look at the list again.")
            return self.show(form, found=self.look(form), erase_form=given, status=400)
        self.told("Erased. The report names nobody; keep it with the request.")
        return redirect("desk:erasure", done.public_id)

    def look(self, form: SearchForm) -> Found:
        """Everywhere that the person stands."""
        return find(words_of(form.cleaned_data["q"]), today=self.now.date())

    def show(
        self,
        form: SearchForm,
        *,
        found: Found | None = None,
        erase_form: EraseForm | None = None,
        status: int = 200,
    ) -> HttpResponse:
        """The page."""
        context: dict[str, Any] = {"form": form, "found": found, "erase_form": erase_form}
        if found is not None:
            places = Paginator(found.places, PLACES_PER_PAGE).get_page(self.request.GET.get("page"))
            context |= {"page_obj": places, "seen": tally(found), "first": words_of(form.data["q"]).texts[0]}
        else:
            context["page_obj"] = paged(self.request, Erasure.objects.all(), PER_PAGE)
        return self.page("erasure/erase.html", context, status=status)


class ErasureView(PageView):
    """The report of one erasure, as a page and as a file."""

    acts = (Act.ERASE_PEOPLE,)

    def get(self, request: HttpRequest, erasure_id: UUID) -> HttpResponse:
        """Show it; with ``as=txt`` the file."""
        done = self.found(Erasure.objects.all(), erasure_id)
        lines = report_lines(done)
        if request.GET.get("as") == "txt":
            answer = HttpResponse("\n".join(lines) + "\n", content_type="text/plain; charset=utf-8")
            answer["Content-Disposition"] = (
                f'attachment; filename="erasure-{done.made_at:%Y%m%d}-{str(done.public_id)[:8]}.txt"'
            )
            answer["Cache-Control"] = "private, no-store"
            return answer
        return self.page("erasure/erasure.html", {"done": done, "lines": lines})
