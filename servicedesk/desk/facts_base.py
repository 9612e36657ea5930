"""What the pages that change the register share: form, what would move, saving, what was changed."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, ClassVar

from django import forms
from django.core.exceptions import ValidationError
from django.db import transaction
from django.forms import BoundField
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from inventory.errors import Conflict
from inventory.measures.kinds import TASK_LABELS
from inventory.register.changes import FactChange, FactSource
from inventory.register.facts import Because, field_label
from inventory.register.models import Site
from schedules.due.preview import CHANGE_LABELS, Preview
from servicedesk.access import Act
from servicedesk.pages import PageView, place_errors, refusal

SHOWN_SITES = 30
SHOWN_MOVES = 50
SHOWN_CHANGES = 50

REASON = "reason"


def reason_field(
    label: str = "Why", help_text: str = "Stays beside the change, with your name."
) -> forms.CharField:
    """The reason that every change asks for."""
    return forms.CharField(
        label=label,
        max_length=300,
        help_text=help_text,
        error_messages={"required": "Say why it is changed: it stays beside the change."},
    )


class BecauseForm(forms.Form):
    """Base of the forms that change facts: the reason, the source, and whether it was wrong before."""

    asks_source: ClassVar[bool] = True
    asks_wrong: ClassVar[bool] = False

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.asks_wrong:
            self.fields["was_wrong"] = forms.ChoiceField(
                label="What happened",
                choices=[
                    ("no", "It has changed: the old one was right until now"),
                    ("yes", "It was wrong: papers that state it are flagged"),
                ],
                widget=forms.RadioSelect,
                initial="no",
            )
        self.fields[REASON] = reason_field()
        if self.asks_source:
            self.fields["source"] = forms.ChoiceField(
                label="Where the right fact was read", choices=[("", "Choose"), *FactSource.choices]
            )

    def because(self) -> Because:
        """The reason of a valid form."""
        given = self.cleaned_data
        return Because(given[REASON], given.get("source", ""), given.get("was_wrong", "yes") == "yes")


class FactsView(PageView):
    """Base of a page that changes facts: shows the form, what would move, and saves."""

    acts = (Act.CHANGE_REGISTER,)
    template = "desk/facts.html"
    button = "Save"
    errors_title = "Nothing was changed. Please correct:"
    groups: ClassVar[Sequence[tuple[str, Sequence[str]]]] = ()

    @abstractmethod
    def form(self, data: Any = None) -> forms.Form:
        """The form, bound to ``data`` when given."""

    @abstractmethod
    def save(self, form: Any) -> tuple[str, str]:
        """Save what a valid form holds; a sentence to tell, and the address to go to."""

    def preview(self, form: Any) -> Preview | None:
        """What would move, where dates can; raises ``ValidationError``."""
        return None

    can_move_dates: ClassVar[bool] = False

    def context(self) -> dict[str, Any]:
        """Title, lead, crumbs, what was changed before, and what else the page shows."""
        return {}

    def find(self, **kwargs: Any) -> None:
        """Look up what the address names."""

    def get(self, request: HttpRequest, **kwargs: Any) -> HttpResponse:
        """Show the form."""
        self.find(**kwargs)
        return self.show(self.form())

    def post(self, request: HttpRequest, **kwargs: Any) -> HttpResponse:
        """Show what would move, or save."""
        do = self.pressed("", "look", "save")
        self.find(**kwargs)
        form = self.form(request.POST)
        if not form.is_valid():
            return self.show(form, status=400)
        status = 400
        try:
            if do == "look":
                return self.show(form, found=self.preview(form), looked=True)
            with transaction.atomic():
                sentence, address = self.save(form)
        except ValidationError as problem:
            place_errors(form, problem)
        except Conflict as problem:
            form.add_error(None, refusal(problem))
            status = 409
        else:
            self.told(sentence)
            return redirect(address)
        return self.show(form, status=status)

    def show(
        self, form: forms.Form, *, found: Preview | None = None, looked: bool = False, status: int = 200
    ) -> HttpResponse:
        """The page."""
        context = {
            "button": self.button,
            "errors_title": self.errors_title,
            "can_move_dates": self.can_move_dates,
            "form": form,
            "groups": self.grouped(form),
            "looked": looked,
            **self.context(),
        }
        if found is not None:
            context |= consequences(found)
        return self.page(self.template, context, status=status)

    def grouped(self, form: forms.Form) -> list[tuple[str, list[BoundField]]]:
        """The visible fields in groups with a heading each; the rest comes last."""
        left = {field.name: field for field in form.visible_fields()}
        groups = [(title, [left.pop(name) for name in names if name in left]) for title, names in self.groups]
        return [group for group in (*groups, ("", list(left.values()))) if group[1]]


def consequences(found: Preview) -> dict[str, Any]:
    """What ``desk/_moves.html`` takes: two queries."""
    sites = Site.objects.in_bulk(
        {count.site_id for count in found.sites[:SHOWN_SITES]}
        | {move.site_id for move in found.sample[:SHOWN_MOVES]}
    )
    return {
        "found": found,
        "lines": [{"site": sites[c.site_id], "count": c} for c in found.sites[:SHOWN_SITES]],
        "more_sites": max(len(found.sites) - SHOWN_SITES, 0),
        "moves": [
            {
                "move": move,
                "site": sites[move.site_id],
                "task": TASK_LABELS[move.task],
                "change": CHANGE_LABELS[move.change],
            }
            for move in found.sample[:SHOWN_MOVES]
        ],
        "more_moves": max(found.total.counts.total() - SHOWN_MOVES, 0),
    }


def change_lines(changes: Iterable[FactChange]) -> list[dict[str, Any]]:
    """Changes as ``desk/_changes.html`` shows them, those saved as one together."""
    lines: dict[Any, dict[str, Any]] = {}
    for change in changes:
        line = lines.setdefault(change.together, {"change": change, "facts": []})
        line["facts"].append(
            {
                "label": field_label(change),
                "old": change.old_words or "nothing",
                "new": change.new_words or "nothing",
            }
        )
    return list(lines.values())


def differing(form: forms.Form, names: Iterable[str]) -> Mapping[str, Any]:
    """What a valid form says of each of ``names``."""
    return {name: form.cleaned_data[name] for name in names if name in form.cleaned_data}
