"""Forms of the workshop's pages. What a step asks for comes from the file of steps."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.forms import BoundField

from inventory.measures.kinds import TASK_LABELS, TestMethod
from inventory.workshop.models import Instrument, JobCard
from inventory.workshop.queries import WORKS
from inventory.workshop.steps import PLAIN_NUMBERS, FieldSpec
from servicedesk.photos import PhotosField

WORK_CHOICES = [(task.value, TASK_LABELS[task]) for task in WORKS]
METHOD_LABELS = {
    TestMethod.PROOF_PRESSURE: "Proof pressure",
    TestMethod.WATER_JACKET: "Water jacket",
    TestMethod.DIRECT_EXPANSION: "Direct expansion",
    TestMethod.ULTRASONIC: "Ultrasonic",
}
_US = {"pressure": "psi", "mass": "lb", "temperature": "°F", "volume": "mL", "time": "s", "length": "in"}
_ELSEWHERE = {
    "pressure": "bar",
    "mass": "kg",
    "temperature": "°C",
    "volume": "mL",
    "time": "s",
    "length": "mm",
}
_INDIA = {**_ELSEWHERE, "pressure": "kgf/cm²"}
_HABITS: Mapping[str, Mapping[str, str]] = {"US": _US, "IN": _INDIA}


def habit_for(country: str, entered: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Unit of measure to offer first by dimension: last entered on the card, else usual in the country."""
    habit = dict(_HABITS.get(country, _ELSEWHERE))
    for values in entered:
        for value in values.values():
            unit = value.get("unit", "") if isinstance(value, dict) else ""
            for dimension in ("pressure", "mass", "temperature"):
                if unit in FieldSpec("", "", "number", dimension=dimension).units:
                    habit[dimension] = unit
    return habit


def day_widget() -> forms.DateInput:
    """A day with the browser's own calendar."""
    return forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


@dataclass(frozen=True, slots=True)
class StepRow:
    """One field of a step: what it is, its input, and its unit of measure where it has one."""

    spec: FieldSpec
    value: BoundField
    unit: BoundField | None = None
    suffix: str = ""


class StepForm(forms.Form):
    """What one step asks for. Whether it is right is decided where it is stored."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    client_ref = forms.UUIDField(widget=forms.HiddenInput)
    confirmed = forms.BooleanField(required=False, label="It is so: store it as entered")
    remarks = forms.CharField(
        required=False, max_length=1000, label="Remarks", widget=forms.Textarea(attrs={"rows": 2})
    )

    def __init__(
        self,
        data: Any = None,
        *,
        specs: Sequence[FieldSpec],
        habit: Mapping[str, str],
        instruments: Mapping[str, Sequence[Instrument]],
        goods: Mapping[str, Sequence[tuple[str, str]]],
        today: date,
        version: int,
        before: Mapping[str, Any] | None = None,
        files: Any = None,
    ) -> None:
        self.specs = specs
        initial: dict[str, Any] = {"version": version, "client_ref": uuid.uuid4()}
        for spec in specs:
            stored = (before or {}).get(spec.code)
            if spec.kind == "photos":
                continue
            if isinstance(stored, dict):
                initial[spec.code] = stored.get("value")
                initial[f"{spec.code}__unit"] = stored.get("unit")
            elif stored is not None:
                initial[spec.code] = stored
            elif spec.kind == "date":
                initial[spec.code] = today
        super().__init__(data, files, initial=initial)
        self.asks: dict[str, str] = {}
        for spec in specs:
            self.fields[spec.code] = self._field(spec, instruments, goods, today)
            if spec.units:
                favoured = habit.get(spec.dimension, spec.units[0])
                self.fields[f"{spec.code}__unit"] = forms.ChoiceField(
                    label=f"{spec.label}: unit of measure",
                    required=False,
                    choices=[(unit, unit) for unit in spec.units],
                    initial=favoured,
                )

    def _field(
        self,
        spec: FieldSpec,
        instruments: Mapping[str, Sequence[Instrument]],
        goods: Mapping[str, Sequence[tuple[str, str]]],
        today: date,
    ) -> forms.Field:
        common: dict[str, Any] = {"label": spec.label, "required": False, "help_text": spec.help}
        match spec.kind:
            case "check":
                return forms.BooleanField(**common)
            case "choice":
                return forms.ChoiceField(**common, choices=spec.choices, widget=forms.RadioSelect)
            case "many" | "all":
                return forms.MultipleChoiceField(
                    **common, choices=spec.choices, widget=forms.CheckboxSelectMultiple
                )
            case "date":
                return forms.CharField(**common, widget=day_widget(), max_length=10)
            case "instrument":
                rows = instruments.get(spec.instrument, ())
                choices = [("", "Choose"), *((row.code, _instrument_words(row, today)) for row in rows)]
                initial = rows[0].code if len(rows) == 1 else ""
                return forms.ChoiceField(**common, choices=choices, initial=initial)
            case "photos":
                return PhotosField(label=spec.label)
            case "goods":
                found = goods.get(spec.lot_of, ())
                return forms.ChoiceField(**common, choices=[("", "None, or not from stock"), *found])
            case "lot" | "drum":
                lots = goods.get(spec.lot_of or spec.kind, ())
                initial = lots[0][0] if len(lots) == 1 else ""
                return forms.ChoiceField(**common, choices=[("", "Choose"), *lots], initial=initial)
        is_number = spec.kind == "number"
        return forms.CharField(
            **common,
            max_length=24 if is_number else 200,
            widget=forms.TextInput(
                attrs={"autocomplete": "off", **({"inputmode": "decimal"} if is_number else {})}
            ),
        )

    @property
    def rows(self) -> list[StepRow]:
        """The fields in their order."""
        return [
            StepRow(
                spec,
                self[spec.code],
                self[f"{spec.code}__unit"] if spec.units else None,
                PLAIN_NUMBERS.get(spec.dimension, ""),
            )
            for spec in self.specs
        ]

    def raw(self) -> dict[str, Any]:
        """What was filled in, as a service takes it."""
        found: dict[str, Any] = {}
        for spec in self.specs:
            value = self.cleaned_data.get(spec.code)
            if value in (None, "", [], False) or spec.kind == "photos":
                continue
            if spec.kind == "number":
                found[spec.code] = {"value": value, "unit": self.cleaned_data.get(f"{spec.code}__unit", "")}
            else:
                found[spec.code] = value
        return found

    @property
    def pictures(self) -> dict[str, list[bytes]]:
        """Pictures that came with it, by field; they become ids before the step is stated."""
        return {
            spec.code: self.cleaned_data[spec.code]
            for spec in self.specs
            if spec.kind == "photos" and self.cleaned_data.get(spec.code)
        }

    def place(self, refused: ValidationError) -> None:
        """Put what the service refused beside the field that it is about."""
        if not hasattr(refused, "error_dict"):
            self.add_error(None, refused)
            return
        for name, errors in refused.error_dict.items():
            for error in errors:
                if name in self.fields:
                    self.add_error(name, [self._without_label(name, text) for text in error.messages])
                else:
                    self.add_error(None, error.messages)

    def _without_label(self, name: str, text: str) -> str:
        """``text`` without the label that it begins with: the form says it beside each field already."""
        rest = text.removeprefix(f"{self.fields[name].label}: ")
        return rest[:1].upper() + rest[1:]

    def ask(self, question: ValidationError) -> None:
        """Ask about figures that can be but hardly are; the next sending may confirm them."""
        self.asks = {name: " ".join(messages) for name, messages in question.message_dict.items()}
        self.add_error(None, "Some figures are unlikely. Correct them, or confirm below that they are so.")


def _instrument_words(row: Instrument, today: date) -> str:
    words = f"{row.code} {row.description}".strip()
    if row.due_on is None:
        return f"{words} – calibration not known"
    if row.due_on < today:
        return f"{words} – PAST its calibration ({row.due_on})"
    return words


class ReceiveForm(forms.Form):
    """Why a unit came in, what is to be done, and when it was promised."""

    reason = forms.ChoiceField(
        label="Why it came in", choices=JobCard.Reason.choices, widget=forms.RadioSelect
    )
    works = forms.MultipleChoiceField(
        label="What is to be done",
        choices=WORK_CHOICES,
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="Ticked is what falls due by the tables of its site. A pressure test that is owed is "
        "asked for whether or not it is ticked.",
    )
    promised_on = forms.DateField(
        label="Promised back on", required=False, widget=day_widget(), help_text="Left empty, the usual time."
    )
    accessories = forms.CharField(
        label="What came along",
        required=False,
        max_length=200,
        help_text="For instance: bracket, hose, loaner receipt.",
    )
    remarks = forms.CharField(
        label="Remarks", required=False, max_length=1000, widget=forms.Textarea(attrs={"rows": 2})
    )


class ChangeForm(forms.Form):
    """What the card is for and when the unit was promised."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    works = forms.MultipleChoiceField(
        label="What is to be done",
        choices=WORK_CHOICES,
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )
    promised_on = forms.DateField(label="Promised back on", required=False, widget=day_widget())
    remarks = forms.CharField(
        label="Remarks", required=False, max_length=1000, widget=forms.Textarea(attrs={"rows": 2})
    )


class ReasonForm(forms.Form):
    """A reason, for what cannot be taken back silently."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    reason = forms.CharField(label="Why", max_length=200)


class TakeBackForm(forms.Form):
    """Why a released unit goes back to the bench."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    reason = forms.ChoiceField(
        label="What brings it back", choices=JobCard.Reason.choices, widget=forms.RadioSelect
    )
    why = forms.CharField(label="In words", max_length=200)


class SendForm(forms.Form):
    """Sending a shell to a test house."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    house = forms.CharField(label="Test house", max_length=120)
    due_back_on = forms.DateField(label="Due back on", widget=day_widget())


class BackForm(forms.Form):
    """What came back from the test house with the shell."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    passed = forms.ChoiceField(
        label="Result", choices=[("yes", "Passed"), ("no", "Failed")], widget=forms.RadioSelect
    )
    done_on = forms.DateField(label="Day of the test", widget=day_widget())
    method = forms.ChoiceField(label="Method", choices=[(m.value, w) for m, w in METHOD_LABELS.items()])
    test_pressure = forms.CharField(
        label="Test pressure", max_length=24, help_text="With its unit, for instance 3000 psi or 250 bar."
    )
    certificate_number = forms.CharField(label="Number of the certificate", max_length=60)
    mark_read = forms.CharField(
        label="Mark on the shell as read", max_length=60, help_text="Month, tester, year as stamped."
    )
    file = forms.FileField(
        label="The certificate", help_text="PDF, or a photograph as JPEG or PNG; 10 MB at most."
    )


class InstrumentForm(forms.Form):
    """A new instrument."""

    code = forms.CharField(label="Our number", max_length=30)
    kind = forms.ChoiceField(label="Kind", choices=Instrument.Kind.choices)
    description = forms.CharField(label="What it is", required=False, max_length=120)
    serial = forms.CharField(label="Serial", required=False, max_length=60)
    due_on = forms.DateField(label="Calibration runs out on", required=False, widget=day_widget())


class CalibrationForm(forms.Form):
    """A calibration of an instrument."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    done_on = forms.DateField(label="Calibrated on", widget=day_widget())
    due_on = forms.DateField(label="Runs out on", widget=day_widget())
    certificate_ref = forms.CharField(label="Certificate", required=False, max_length=80)


class ValueForm(forms.Form):
    """A manager's figures in the place of shipped ones."""

    key = forms.CharField(widget=forms.HiddenInput)
    value = forms.CharField(
        label="New figures",
        required=False,
        max_length=24,
        help_text="Left empty, the shipped value comes back.",
    )
    reason = forms.CharField(label="Where they come from", max_length=200)


class QueueForm(forms.Form):
    """What the queue is narrowed to."""

    q = forms.CharField(
        label="Card, unit, serial or site",
        required=False,
        max_length=80,
        widget=forms.TextInput(attrs={"type": "search"}),
    )
    state = forms.ChoiceField(
        label="State",
        required=False,
        choices=[("", "In our hands"), *JobCard.State.choices, ("all", "All")],
    )


class RegisterForm(forms.Form):
    """The days of a test register."""

    since = forms.DateField(label="From", required=False, widget=day_widget())
    until = forms.DateField(label="To", required=False, widget=day_widget())
