"""The filters of the due list."""

from __future__ import annotations

from typing import Any

from django import forms

from inventory.access import Scope
from inventory.logbook.models import TASK_CHOICES
from inventory.register.queries import owners_for, sites_for
from schedules.due.queries import OPEN_STATUSES, STATUS_LABELS, DueWanted, Status, Work
from schedules.rules import load_tables
from servicedesk.desk.fields import day_field, pick_field

OPEN = "open"
EVERYTHING = "all"
STATUS_CHOICES = [
    ("", "To be done"),
    *((status.value, STATUS_LABELS[status]) for status in Status),
    (EVERYTHING, "Everything"),
]
WORK_CHOICES = [
    ("", "Ours"),
    (Work.OWNERS.value, "The owners' monthly look"),
    (Work.ALL.value, "Ours and the owners'"),
]
ROWS_CHOICES = [("", "The table that binds first"), ("every", "Every table")]
SORTS = {
    "": ("latest_on", "unit__number", "task", "pk"),
    "latest": ("latest_on", "unit__number", "task", "pk"),
    "-latest": ("-latest_on", "unit__number", "task", "pk"),
    "unit": ("unit__number", "latest_on", "pk"),
    "-unit": ("-unit__number", "latest_on", "pk"),
    "site": ("site__name", "latest_on", "unit__number", "pk"),
    "-site": ("-site__name", "latest_on", "unit__number", "pk"),
    "task": ("task", "latest_on", "unit__number", "pk"),
    "-task": ("-task", "latest_on", "unit__number", "pk"),
}


class DueFilterForm(forms.Form):
    """What the due list is narrowed to; everything stands in the address, so a list can be sent on."""

    q = forms.CharField(
        label="Search",
        required=False,
        max_length=80,
        widget=forms.TextInput(attrs={"type": "search", "placeholder": "Unit, serial or site"}),
    )
    status = forms.ChoiceField(label="Status", required=False, choices=STATUS_CHOICES)
    task = forms.ChoiceField(label="Task", required=False)
    owner = forms.Field(required=False)
    site = forms.Field(required=False)
    latest_from = day_field("Latest date from")
    latest_to = day_field("Latest date to")
    table = forms.ChoiceField(label="Interval table", required=False)
    work = forms.ChoiceField(label="Whose work", required=False, choices=WORK_CHOICES)
    rows = forms.ChoiceField(label="Where several tables apply", required=False, choices=ROWS_CHOICES)
    sort = forms.ChoiceField(required=False, choices=[(key, key) for key in SORTS], widget=forms.HiddenInput)

    def __init__(self, *args: Any, scope: Scope, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        fields = self.fields
        fields["owner"] = pick_field(owners_for(scope), label="Owner", empty_label="All owners")
        fields["site"] = pick_field(
            sites_for(scope).select_related(None), label="Site", empty_label="All sites"
        )
        fields["task"].choices = [("", "All tasks"), *TASK_CHOICES]  # type: ignore[attr-defined]
        titles = {key: editions[-1].title for key, editions in load_tables().items()}
        fields["table"].choices = [("", "All tables"), *sorted(titles.items(), key=lambda item: item[1])]  # type: ignore[attr-defined]
        wrong = {"invalid_choice": "This choice is not in the list. Choose another."}
        for name in ("task", "table", "status", "work", "rows", "sort"):
            fields[name].error_messages |= wrong

    def wanted(self) -> DueWanted:
        """What the valid form asks for, but for the status."""
        given = self.cleaned_data
        return DueWanted(
            text=given["q"],
            owner=given["owner"],
            site=given["site"],
            task=given["task"],
            table_key=given["table"],
            latest_from=given["latest_from"],
            latest_to=given["latest_to"],
            work=Work(given["work"] or Work.OURS),
            every_table=given["rows"] == "every",
        )

    def statuses(self) -> tuple[Status, ...] | None:
        """The statuses that the valid form asks for; None for all of them."""
        chosen = self.cleaned_data["status"]
        if not chosen:
            return OPEN_STATUSES
        return None if chosen == EVERYTHING else (Status(chosen),)

    def order(self) -> tuple[str, ...]:
        """The order that the valid form asks for."""
        return SORTS[self.cleaned_data["sort"]]

    @property
    def is_sorted_by_words(self) -> bool:
        """Whether the valid form asks for an order by anything but the date."""
        return self.is_valid() and self.order()[0].lstrip("-") != "latest_on"

    @property
    def is_narrowed(self) -> bool:
        """Whether any of the rarer filters is set, so that they are shown unfolded."""
        return any(self.data.get(name) for name in ("latest_from", "latest_to", "table", "work", "rows"))
