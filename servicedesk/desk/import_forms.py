"""Settling a register file on screen: which column is which field, and what the file cannot say."""

from __future__ import annotations

from collections import defaultdict
from typing import Any
from zoneinfo import available_timezones

from django import forms

from servicedesk.exchange.book import DELIMITERS, ENCODINGS
from servicedesk.exchange.headings import FIELDS, REQUIRED
from servicedesk.exchange.models import RegisterImport

FOR_ALL_ROWS = ("owner_name", "site_code", "site_name", "country", "time_zone", "tables")
_SPOKEN = {
    "owner_name": "Owner", "site_code": "Site code", "site_name": "Site name", "country": "Country",
    "time_zone": "Time zone", "tables": "Interval tables",
}  # fmt: skip
_HELP = {
    "country": "Two letters or the name.",
    "time_zone": "As Europe/London or America/Chicago.",
    "tables": "Keys of the tables that apply, with a space between.",
}
_ORDER = [("", "As the file shows"), ("yes", "The day first: 03/04 is 3 April"),
          ("no", "The month first: 03/04 is 4 March")]  # fmt: skip
_COMMA = [("", "As the file shows"), ("yes", "A comma: 2,5"), ("no", "A point: 2.5")]
_SPLIT = [("", "Refuse it and ask"), ("yes", "Make that many units"), ("no", "Take it as one unit")]


def _field_choices() -> list[Any]:
    groups: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for field in FIELDS.values():
        groups[field.group].append((field.name, field.label))
    return [("", "Not taken"), *((group, choices) for group, choices in groups.items())]


class SettleForm(forms.Form):
    """Columns of one file and the answers to what it does not say."""

    sheet = forms.ChoiceField(label="Sheet", required=False)
    heading_row = forms.IntegerField(label="Headings stand in row", required=False, min_value=1)
    encoding = forms.ChoiceField(label="Letters are coded as", required=False, choices=())
    delimiter = forms.ChoiceField(label="Between cells stands", required=False, choices=())
    day_first = forms.ChoiceField(label="Dates of figures only have", required=False, choices=_ORDER)
    decimal_comma = forms.ChoiceField(label="Fractions are written with", required=False, choices=_COMMA)
    split_quantities = forms.ChoiceField(
        label="A row that says it is several units", required=False, choices=_SPLIT
    )

    def __init__(self, *args: Any, run: RegisterImport, **kwargs: Any) -> None:
        self.run = run
        self.looked = run.counts.get("looked", {})
        answers = run.answers
        defaults = answers.get("defaults") or {}
        initial: dict[str, Any] = {
            "sheet": answers.get("sheet") or self.looked.get("sheet", ""),
            "heading_row": answers.get("heading_row") or self.looked.get("heading_row"),
            "encoding": answers.get("encoding", ""),
            "delimiter": answers.get("delimiter", ""),
            "day_first": _said(answers.get("day_first")),
            "decimal_comma": _said(answers.get("decimal_comma")),
            "split_quantities": _said(answers.get("split_quantities")),
            **{f"all_{name}": defaults.get(name, "") for name in FOR_ALL_ROWS},
        }
        choices = _field_choices()
        columns = {}
        for column in self.looked.get("columns", []):
            name = f"column_{column['position']}"
            columns[name] = forms.ChoiceField(
                label=f"{column['letter']} {column['heading']}".strip(), required=False, choices=choices
            )
            initial[name] = run.columns.get(str(column["position"]), "")
        kwargs["initial"] = initial
        super().__init__(*args, **kwargs)
        sheets = [
            (name, f"{name} (hidden)" if hidden else name) for name, hidden in self.looked.get("sheets", [])
        ]
        self.fields["sheet"].choices = sheets  # type: ignore[attr-defined]
        auto = ("", "As found out")
        self.fields["encoding"].choices = [auto, *(c for c in ENCODINGS if c[0])]  # type: ignore[attr-defined]
        self.fields["delimiter"].choices = [auto, *(c for c in DELIMITERS if c[0])]  # type: ignore[attr-defined]
        is_text = self.looked.get("kind") == "text"
        for name in ("encoding", "delimiter") if not is_text else ("sheet",):
            del self.fields[name]
        if not is_text and len(sheets) < 2:
            del self.fields["sheet"]
        for name in FOR_ALL_ROWS:
            self.fields[f"all_{name}"] = forms.CharField(
                label=_SPOKEN[name], required=False, max_length=200, help_text=_HELP.get(name, "")
            )
        self.fields.update(columns)

    def clean_all_time_zone(self) -> str:
        """A zone that exists."""
        zone: str = self.cleaned_data["all_time_zone"].strip()
        if zone and zone not in available_timezones():
            raise forms.ValidationError(
                "This is no time zone of the IANA list. Write it like Europe/London, or leave it empty."
            )
        return zone

    def clean(self) -> dict[str, Any]:
        """Every field once, and every needed field from a column or from an answer for all rows."""
        cleaned: dict[str, Any] = super().clean() or {}
        taken: dict[str, str] = {}
        for name, field in self.fields.items():
            value = cleaned.get(name)
            if not name.startswith("column_") or not value:
                continue
            if value in taken:
                self.add_error(
                    name,
                    f"{FIELDS[value].label} is taken from column {taken[value]} already. Choose one of them.",
                )
            else:
                taken[value] = str(field.label)
        for name in REQUIRED:
            if name not in taken and not cleaned.get(f"all_{name}"):
                told = " or answer it for all rows" if name in FOR_ALL_ROWS else ""
                self.add_error(None, f"{FIELDS[name].label}: no column holds it. Choose its column{told}.")
        return cleaned

    def columns(self) -> dict[str, str]:
        """Field by position, as a run keeps it."""
        return {
            name.removeprefix("column_"): self.cleaned_data.get(name, "")
            for name in self.fields
            if name.startswith("column_")
        }

    def answers(self) -> dict[str, Any]:
        """What the file cannot say itself, as a run keeps it."""
        given = self.cleaned_data
        found: dict[str, Any] = {
            name: given[name] for name in ("sheet", "heading_row", "encoding", "delimiter") if given.get(name)
        }
        # A heading row that was found by itself is found again, also where the next file has it elsewhere.
        if found.get("heading_row") == self.looked.get("heading_row") and not self.run.answers.get(
            "heading_row"
        ):
            found.pop("heading_row", None)
        if found.get("sheet") == self.looked.get("sheet") and not self.run.answers.get("sheet"):
            found.pop("sheet", None)
        for name in ("day_first", "decimal_comma", "split_quantities"):
            if given.get(name):
                found[name] = given[name] == "yes"
        defaults = {name: given[f"all_{name}"].strip() for name in FOR_ALL_ROWS if given.get(f"all_{name}")}
        if defaults:
            found["defaults"] = defaults
        return found


def column_lines(form: SettleForm) -> list[dict[str, Any]]:
    """Each column of the file with its samples and its field of the form."""
    return [
        {"column": column, "field": form[f"column_{column['position']}"]}
        for column in form.looked.get("columns", [])
    ]


def _said(value: Any) -> str:
    return "" if value is None or value == "" else "yes" if value else "no"
