"""Units that may be one and the same: the list, deciding on a pair, taking a merge back."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from inventory.logbook.queries import records_of
from inventory.register.models import Unit
from inventory.register.same import (
    ALIKE_LABELS,
    Alike,
    candidates,
    decisions_on,
    grouped,
    standing_merge,
    tell_apart,
    units_of,
)
from schedules.certificates.merging import merge_units, preview_merge, undo_merge_of
from servicedesk.access import Act
from servicedesk.desk.facts_base import consequences, reason_field
from servicedesk.pages import PageView, place_errors, refusal

PAIRS_PER_PAGE = 25
ALIKE_CODES = frozenset(alike.value for alike in Alike)


class AlikeView(PageView):
    """The list of pairs."""

    acts = (Act.CHANGE_REGISTER,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show one page of it, of all sorts or one."""
        pairs = candidates()
        counts = grouped(pairs)
        sort = request.GET.get("by", "")
        if sort in ALIKE_CODES:
            pairs = [pair for pair in pairs if pair.alike == sort]
        page = Paginator(pairs, PAIRS_PER_PAGE).get_page(request.GET.get("page"))
        units = units_of(page.object_list)
        tabs = [
            {
                "label": "All",
                "count": sum(counts.values()),
                "query": "?",
                "is_current": sort not in ALIKE_CODES,
            }
        ]
        tabs += [
            {
                "label": ALIKE_LABELS[alike],
                "count": count,
                "query": f"?by={alike}",
                "is_current": sort == alike,
            }
            for alike, count in counts.items()
        ]
        context = {
            "tabs": tabs,
            "page_obj": page,
            "lines": [
                {"why": ALIKE_LABELS[pair.alike], "first": units[pair.first], "second": units[pair.second]}
                for pair in page.object_list
            ],
        }
        return self.page("desk/alike.html", context)


class PairForm(forms.Form):
    """What was found out about two units."""

    stays = forms.ChoiceField(label="The one that stays", widget=forms.RadioSelect)
    reason = reason_field("How it is known", "E.g. one shell seen, both numbers on it.")

    def __init__(self, *args: Any, first: Unit, second: Unit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        stays = self.fields["stays"]
        assert isinstance(stays, forms.ChoiceField)
        stays.choices = [(str(unit.public_id), unit.number) for unit in (first, second)]
        # What hangs is what people see; of two that hang the one that was entered first.
        hangs = [unit for unit in (first, second) if unit.location_id is not None]
        stays.initial = str((hangs or [first])[0].public_id)


class PairView(PageView):
    """Two units side by side: the same, or told apart."""

    acts = (Act.CHANGE_REGISTER,)

    def get(self, request: HttpRequest, first_id: UUID, second_id: UUID) -> HttpResponse:
        """Show both."""
        first, second = self.pair(first_id, second_id)
        return self.show(first, second, PairForm(first=first, second=second))

    def post(self, request: HttpRequest, first_id: UUID, second_id: UUID) -> HttpResponse:
        """Show what would move, merge them, or tell them apart."""
        doing, status = self.pressed("look", "same", "apart"), 400
        first, second = self.pair(first_id, second_id)
        form = PairForm(request.POST, first=first, second=second)
        if not form.is_valid():
            return self.show(first, second, form, status=400)
        reason = form.cleaned_data["reason"]
        stays = form.cleaned_data["stays"]
        alias, survivor = (second, first) if stays == str(first.public_id) else (first, second)
        try:
            if doing == "look":
                found = preview_merge(alias, survivor, at=self.now)
                more = {"looked": True, "survivor": survivor, **consequences(found)}
                return self.show(first, second, form, more=more)
            if doing == "apart":
                tell_apart(first, second, reason, by=self.person, at=self.now)
                self.told(f"{first.number} and {second.number} are two units and leave the list.")
                return redirect("desk:alike")
            done = merge_units(alias, survivor, reason, by=self.person, now=self.now)
        except ValidationError as problem:
            place_errors(form, problem)
        except Conflict as problem:
            form.add_error(None, refusal(problem))
            status = 409
        else:
            self.told(
                f"{alias.number} is {survivor.number} from now on; its number still leads here. "
                "The dates were worked out from the history of both."
            )
            if done.visits:
                self.warn(f"The lists of visits {', '.join(done.visits)} were changed with it.")
            return redirect("desk:unit", survivor.public_id)
        return self.show(first, second, form, status=status)

    def pair(self, first_id: UUID, second_id: UUID) -> tuple[Unit, Unit]:
        """Both units, in scope; merged ones are no pair."""
        rows = (
            Unit.objects.visible_to(self.scope)
            .filter(public_id__in=(first_id, second_id), merged_into=None)
            .select_related("model", "site__owner", "location")
        )
        found = {unit.public_id: unit for unit in rows}
        if len(found) != 2:
            raise Http404
        return found[first_id], found[second_id]

    def show(
        self,
        first: Unit,
        second: Unit,
        form: PairForm,
        *,
        more: dict[str, Any] | None = None,
        status: int = 200,
    ) -> HttpResponse:
        """The page."""
        context = {
            "crumbs": [{"label": "Alike", "url": reverse("desk:alike")}],
            "first": first,
            "second": second,
            "sides": [
                {"unit": unit, "records": list(records_of(unit, self.scope)[:6])} for unit in (first, second)
            ],
            "decisions": [row for row in decisions_on(first) if second.pk in (row.alias_id, row.survivor_id)],
            "form": form,
            **(more or {}),
        }
        return self.page("desk/pair.html", context, status=status)


class FindPairView(PageView):
    """Two units that are not on the list, by their numbers."""

    acts = (Act.CHANGE_REGISTER,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Lead to the pair of the two numbers typed."""
        numbers = [request.GET.get(name, "").strip() for name in ("one", "other")]
        rows = Unit.objects.visible_to(self.scope).filter(merged_into=None)
        found = [rows.filter(number__iexact=number).first() for number in numbers]
        first, second = found
        if first is None or second is None or first == second:
            self.warn("Type the numbers of two different units as they stand in the register.")
            return redirect("desk:alike")
        return redirect("desk:pair", first.public_id, second.public_id)


class UndoForm(forms.Form):
    """Why a merge is taken back."""

    reason = reason_field("How it is known that they are two")


class UndoMergeView(PageView):
    """Take a merge back."""

    acts = (Act.CHANGE_REGISTER,)

    def get(self, request: HttpRequest, unit_id: UUID) -> HttpResponse:
        """Ask for the reason."""
        return self.show(self.alias(unit_id), UndoForm())

    def post(self, request: HttpRequest, unit_id: UUID) -> HttpResponse:
        """Take it back."""
        alias = self.alias(unit_id)
        form, status = UndoForm(request.POST), 400
        if form.is_valid():
            try:
                undo_merge_of(alias, form.cleaned_data["reason"], by=self.person, now=self.now)
            except ValidationError as problem:
                place_errors(form, problem)
            except Conflict as problem:
                form.add_error(None, refusal(problem))
                status = 409
            else:
                self.told(f"{alias.number} stands for itself again, with the records that were made on it.")
                return redirect("desk:unit", alias.public_id)
        return self.show(alias, form, status=status)

    def alias(self, unit_id: UUID) -> Unit:
        """The merged unit, in scope."""
        rows = Unit.objects.visible_to(self.scope).filter(merged_into__isnull=False)
        return self.found(rows.select_related("merged_into", "model"), unit_id)

    def show(self, alias: Unit, form: UndoForm, status: int = 200) -> HttpResponse:
        """The page."""
        survivor = alias.merged_into
        assert survivor is not None
        address = reverse("desk:unit", args=[survivor.public_id])
        context = {
            "title": f"Is {alias.number} not {survivor.number} after all?",
            "lead": "It goes back where it was, with the records that were made on it. What was recorded "
            "since the merge stays with the one that stayed.",
            "crumbs": [{"label": survivor.number, "url": address}],
            "decision": standing_merge(alias),
            "form": form,
            "groups": [("", list(form.visible_fields()))],
            "button": "They are two units",
            "errors_title": "Nothing was changed. Please correct:",
            "back": address,
            "changes": None,
        }
        return self.page("desk/facts.html", context, status=status)
