"""Forms of the technician's pages. They place what the services refuse beside the field it is about."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from inventory.measures import readings
from inventory.measures.kinds import TASK_LABELS, Agent, Construction, Task, TestMethod
from inventory.measures.readings import QUANTITY_LABELS, Quantity
from inventory.measures.units import Dimension, Measure, UnitOfMeasure, dimension_of
from inventory.register.models import UnitModel
from schedules.visits.closing import Closing
from schedules.visits.models import VisitEntry
from schedules.visits.recording import EntryInput, demands_of, judge_readings
from servicedesk.field.rounds import Stop

Result = VisitEntry.Result

# Done in the workshop as a rule, and some of them proved by no number: never ticked beforehand, so that
# two quick touches cannot state an opened or tested unit.
HEAVY_TASKS = frozenset(
    {
        Task.INTERNAL_EXAMINATION.value,
        Task.EXTENDED_SERVICE.value,
        Task.WORKSHOP_SERVICE.value,
        Task.DISCHARGE_TEST.value,
        Task.RECHARGE.value,
        Task.HYDROSTATIC_TEST.value,
        Task.HOSE_TEST.value,
        Task.REQUALIFICATION.value,
    }
)
TEST_TASKS = frozenset({Task.HYDROSTATIC_TEST.value, Task.REQUALIFICATION.value})
METHOD_LABELS = {
    TestMethod.PROOF_PRESSURE: "Proof pressure",
    TestMethod.WATER_JACKET: "Water jacket, volumetric",
    TestMethod.DIRECT_EXPANSION: "Direct expansion",
    TestMethod.ULTRASONIC: "Ultrasonic examination",
}
# Where nothing was reached, nothing was measured.
UNREACHED = frozenset({Result.NOT_FOUND.value, Result.NO_ACCESS.value})

Habit = Mapping[Dimension, UnitOfMeasure]

_HABITS: Mapping[str, dict[Dimension, UnitOfMeasure]] = {
    "US": {
        Dimension.PRESSURE: UnitOfMeasure.PSI,
        Dimension.MASS: UnitOfMeasure.POUND,
        Dimension.VOLUME: UnitOfMeasure.US_GALLON,
        Dimension.TEMPERATURE: UnitOfMeasure.FAHRENHEIT,
    },
    "IN": {
        Dimension.PRESSURE: UnitOfMeasure.KGF_PER_CM2,
        Dimension.MASS: UnitOfMeasure.KILOGRAM,
        Dimension.VOLUME: UnitOfMeasure.LITRE,
        Dimension.TEMPERATURE: UnitOfMeasure.CELSIUS,
    },
    "": {
        Dimension.PRESSURE: UnitOfMeasure.BAR,
        Dimension.MASS: UnitOfMeasure.KILOGRAM,
        Dimension.VOLUME: UnitOfMeasure.LITRE,
        Dimension.TEMPERATURE: UnitOfMeasure.CELSIUS,
    },
}


def habit_of(
    country: str, last_readings: Iterable[Iterable[Mapping[str, str]]]
) -> dict[Dimension, UnitOfMeasure]:
    """Units of measure to offer first: those this person entered last, else the usual ones of the country.

    ``last_readings`` holds the readings of the person's entries, newest first.
    """
    habit: dict[Dimension, UnitOfMeasure] = {}
    for entry in last_readings:
        for reading in entry:
            if reading.get("unit") in UnitOfMeasure.__members__.values():
                unit = UnitOfMeasure(reading["unit"])
                habit.setdefault(dimension_of(unit), unit)
    return {**_HABITS.get(country, _HABITS[""]), **habit}


_PLACES: Mapping[UnitOfMeasure, int] = {
    UnitOfMeasure.KILOPASCAL: 0,
    UnitOfMeasure.PSI: 0,
    UnitOfMeasure.GRAM: 0,
    UnitOfMeasure.BAR: 1,
    UnitOfMeasure.KGF_PER_CM2: 1,
}


def plate_of(model: UnitModel, habit: Habit) -> dict[Quantity, str]:
    """What the register knows from the nameplate about each measured value, in this person's units."""
    pressure, mass = habit[Dimension.PRESSURE], habit[Dimension.MASS]
    told: dict[Quantity, str] = {}
    # The pressure of a liquefied gas says nothing about its fill.
    if model.working_pressure_kpa and model.agent != Agent.CARBON_DIOXIDE:
        working = _in_unit(model.working_pressure_kpa, UnitOfMeasure.KILOPASCAL, pressure)
        told[Quantity.GAUGE_PRESSURE] = f"On the plate: {working} working pressure."
    if model.test_pressure_kpa:
        tested = _in_unit(model.test_pressure_kpa, UnitOfMeasure.KILOPASCAL, pressure)
        told[Quantity.TEST_PRESSURE] = f"On the plate: {tested} test pressure."
    if model.full_mass_g:
        full = _in_unit(model.full_mass_g, UnitOfMeasure.GRAM, mass)
        told[Quantity.GROSS_MASS] = f"On the plate: {full} full, complete."
    if model.charge_mass_g:
        charge = _in_unit(model.charge_mass_g, UnitOfMeasure.GRAM, mass)
        told[Quantity.CHARGE_MASS] = f"On the plate: {charge} charge."
    return told


def _in_unit(value: int, stored: UnitOfMeasure, shown: UnitOfMeasure) -> str:
    return f"{Measure(Decimal(value), stored).rounded(shown, _PLACES.get(shown, 2))} {shown.value}"


@dataclass(frozen=True, slots=True)
class MeasureField:
    """A measured value on the form: figures, unit, and why it is asked for."""

    quantity: Quantity
    value: forms.BoundField
    unit: forms.BoundField
    why: str
    is_demanded: bool
    plate: str

    @property
    def label(self) -> str:
        """What is measured."""
        return QUANTITY_LABELS[self.quantity]


@dataclass(frozen=True, slots=True)
class TaskChoice:
    """A task on the form, with the due date that asks for it."""

    code: str
    label: str
    is_ticked: bool
    due: Any


class EntryForm(forms.Form):
    """What a technician states about one unit."""

    client_ref = forms.UUIDField(widget=forms.HiddenInput)
    result = forms.ChoiceField(
        choices=Result.choices,
        widget=forms.RadioSelect,
        error_messages={
            "required": "Choose a result. Not found and no access are results too.",
            "invalid_choice": "Choose one of the six results.",
        },
    )
    tasks = forms.MultipleChoiceField(
        choices=list(TASK_LABELS.items()),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        error_messages={"invalid_choice": "%(value)s is not a task of this list."},
    )
    method = forms.ChoiceField(
        label="How the pressure test was made",
        choices=[("", "Choose"), *((m.value, label) for m, label in METHOD_LABELS.items())],
        required=False,
    )
    remarks = forms.CharField(
        label="Remarks",
        required=False,
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Needed when the unit failed or you had no access. It stands on the certificate.",
    )
    spare_number = forms.CharField(
        label="Number of the unit from our stock",
        required=False,
        max_length=30,
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
        help_text="As on its label, for instance U-000123.",
    )
    new_model = forms.ModelChoiceField(
        label="Model of the new unit",
        queryset=UnitModel.objects.all(),
        to_field_name="public_id",
        required=False,
        empty_label="Choose",
        error_messages={"invalid_choice": "Choose a model from the list."},
    )
    new_serial = forms.CharField(
        label="Serial of the new unit",
        required=False,
        max_length=60,
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
    )
    new_made = forms.CharField(
        label="Manufacture date of the new unit",
        required=False,
        max_length=60,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
        help_text="As read: 2026-03-14, 2026-03 or 2026. Leave it empty if it cannot be read.",
    )

    def __init__(
        self,
        *args: Any,
        stop: Stop,
        habit: Habit,
        models: Sequence[UnitModel],
        **kwargs: Any,
    ) -> None:
        self.stop = stop
        self.unit = stop.unit
        kwargs["initial"] = {**_initial(stop), **kwargs.get("initial", {})}
        super().__init__(*args, **kwargs)
        model = self.unit.model
        asked = [task for task in stop.tasks if task != Task.RETIREMENT] or [Task.MAINTENANCE.value]
        agent, construction = Agent(model.agent), Construction(model.construction)
        offered: dict[Quantity, None] = {}
        for task in asked:
            offered.update(dict.fromkeys(readings.offered(Task(task), agent, construction)))
        self._asked = tuple(offered)
        self._reasons: dict[Quantity, str] = {}
        for task in asked:
            for demand in demands_of(model, task):
                names = " or ".join(QUANTITY_LABELS[q].lower() for q in demand.any_of)
                told = f"For {TASK_LABELS[Task(task)].lower()}: {demand.why}."
                if len(demand.any_of) > 1:
                    told += f" One of {names} is enough."
                for quantity in demand.any_of:
                    self._reasons.setdefault(quantity, told)
        for quantity in (*self._asked, *(q for q in Quantity if q not in offered)):
            self._add_measure(quantity, habit)
        self._plate = plate_of(model, habit)
        # Built from rows that were read once, so that neither showing nor choosing asks the database again.
        self._models = {str(m.public_id): m for m in models}
        field = self.fields["new_model"]
        assert isinstance(field, forms.ModelChoiceField)
        field.choices = [("", "Choose"), *((ref, _model_words(m)) for ref, m in self._models.items())]

    def _add_measure(self, quantity: Quantity, habit: Habit) -> None:
        units = readings.entry_units(quantity)
        self.fields[f"value_{quantity}"] = forms.CharField(
            label=QUANTITY_LABELS[quantity],
            required=False,
            max_length=24,
            widget=forms.TextInput(
                attrs={"inputmode": "decimal", "autocomplete": "off", "enterkeyhint": "next"}
            ),
        )
        self.fields[f"unit_{quantity}"] = forms.ChoiceField(
            label=f"{QUANTITY_LABELS[quantity]}: unit of measure",
            choices=[(unit.value, unit.value) for unit in units],
            initial=habit[readings.RANGES[quantity].dimension].value,
            required=False,
        )

    # --- for the page -----------------------------------------------------------------------------

    @property
    def measures(self) -> list[MeasureField]:
        """The measured values that the work at hand asks for, demanded ones first."""
        return [self._measure(quantity) for quantity in self._asked]

    @property
    def other_measures(self) -> list[MeasureField]:
        """Every other value that may have been measured."""
        return [self._measure(quantity) for quantity in Quantity if quantity not in self._asked]

    def _measure(self, quantity: Quantity) -> MeasureField:
        return MeasureField(
            quantity=quantity,
            value=self[f"value_{quantity}"],
            unit=self[f"unit_{quantity}"],
            why=self._reasons.get(quantity, ""),
            is_demanded=quantity in self._reasons,
            plate=self._plate.get(quantity, ""),
        )

    @property
    def has_open_others(self) -> bool:
        """Whether one of the rarer values is filled in or wrong, so that it must not hide."""
        return any(m.value.value() or m.value.errors for m in self.other_measures)

    @property
    def listed_tasks(self) -> list[TaskChoice]:
        """Tasks that the visit is to do here, or maintenance where the list names none."""
        dues = {due.task: due for due in self.stop.dues}
        listed = [task for task in self.stop.tasks if task != Task.RETIREMENT] or [Task.MAINTENANCE.value]
        return [self._task(task, dues.get(task)) for task in listed]

    @property
    def other_tasks(self) -> list[TaskChoice]:
        """Every other task of the trade that may have been done."""
        shown = {choice.code for choice in self.listed_tasks} | {Task.RETIREMENT.value}
        dues = {due.task: due for due in self.stop.dues}
        return [self._task(task.value, dues.get(task.value)) for task in Task if task.value not in shown]

    @property
    def has_ticked_others(self) -> bool:
        """Whether a task beyond the list is ticked, so that it must not hide."""
        return any(choice.is_ticked for choice in self.other_tasks)

    def _task(self, code: str, due: Any) -> TaskChoice:
        ticked = self["tasks"].value() or []
        return TaskChoice(code, TASK_LABELS[Task(code)], code in ticked, due)

    @property
    def ends_life(self) -> bool:
        """Whether the unit is due to be retired, so that it cannot be passed."""
        return any(
            due.task == Task.RETIREMENT and due.chip["tone"] in ("overdue", "soon") for due in self.stop.dues
        )

    @property
    def is_tested(self) -> bool:
        """Whether a pressure test is asked for, stated, or its method is wrong."""
        asked = TEST_TASKS & {*self.stop.tasks, *(self["tasks"].value() or [])}
        return bool(asked or self["method"].value() or self["method"].errors)

    @property
    def has_replacement(self) -> bool:
        """Whether anything about a replacement is filled in or wrong."""
        names = ("spare_number", "new_model", "new_serial", "new_made")
        return self["result"].value() == Result.REPLACED or any(
            self[name].value() or self[name].errors for name in names
        )

    # --- checking ---------------------------------------------------------------------------------

    def clean(self) -> dict[str, Any]:
        """Read the measured values and place what a pass lacks beside the value it lacks."""
        cleaned = super().clean() or {}
        result = cleaned.get("result")
        self.given: list[dict[str, str]] = []
        is_measured = False
        for quantity in Quantity:
            entered = (cleaned.get(f"value_{quantity}") or "").strip()
            if not entered:
                continue
            is_measured = True
            unit = cleaned.get(f"unit_{quantity}") or ""
            try:
                readings.read_value(quantity, entered, unit)
            except readings.ReadingError as error:
                self.add_error(f"value_{quantity}", error.sentence)
                continue
            self.given.append({"quantity": quantity.value, "value": entered, "unit": unit})
        if result in UNREACHED and is_measured:
            self.add_error(
                "result",
                "A measured value is filled in, so the unit was reached. "
                "Clear the value or choose another result.",
            )
        if result == Result.SERVICED:
            self._check_pass(cleaned.get("tasks") or [])
        return cleaned

    def _check_pass(self, tasks: Sequence[str]) -> None:
        wrong = {q for q in Quantity if self.has_error(f"value_{q}")}
        given = {Quantity(reading["quantity"]) for reading in self.given} | wrong
        wanted = [demand for task in tasks for demand in demands_of(self.unit.model, task)]
        for demand in dict.fromkeys(readings.missing(wanted, given)):
            self.add_error(f"value_{demand.any_of[0]}", demand.sentence)
        if wrong:
            return
        for judged in judge_readings(self.unit, self.given):
            if judged.verdict == "outside":
                self.add_error(
                    f"value_{judged.quantity}",
                    f"{judged.verdict_reason} It cannot pass: record it as failed or replaced.",
                )

    def entry(self) -> EntryInput:
        """What is handed to the service."""
        cleaned = self.cleaned_data
        result = str(cleaned["result"])
        # Ticked before the result was known; only work that was done is stated.
        tasks = tuple(cleaned["tasks"]) if result in (Result.SERVICED, Result.FAILED) else ()
        replacement: dict[str, str] | None = None
        if cleaned["spare_number"]:
            replacement = {"unit_number": cleaned["spare_number"].strip()}
        elif cleaned["new_model"] or cleaned["new_serial"] or cleaned["new_made"]:
            replacement = {
                "model": str(cleaned["new_model"].public_id) if cleaned["new_model"] else "",
                "serial": cleaned["new_serial"].strip(),
                "made": cleaned["new_made"].strip(),
            }
        return EntryInput(
            client_ref=cleaned["client_ref"],
            unit=self.unit,
            result=result,
            tasks=tasks,
            readings=tuple(self.given),
            method=cleaned["method"] if TEST_TASKS & set(tasks) else "",
            replacement=replacement,
            remarks=cleaned["remarks"].strip(),
        )

    def place(self, refused: ValidationError) -> None:
        """Put what the service refused beside the field that it is about."""
        if not hasattr(refused, "error_dict"):
            self.add_error(None, refused)
            return
        for name, errors in refused.error_dict.items():
            for error in errors:
                for sentence in error.messages:
                    self.add_error(self._field_for(name), sentence)

    def _field_for(self, name: str) -> str | None:
        if name == "replacement":
            if self.data.get("spare_number"):
                return "spare_number"
            return "new_made" if self.data.get("new_model") else "spare_number"
        if name == "readings":
            return f"value_{self._asked[0]}" if self._asked else None
        return name if name in self.fields else None


def _initial(stop: Stop) -> dict[str, Any]:
    """What the form begins with: the entry that counts now, or the list's light tasks ticked."""
    initial: dict[str, Any] = {"client_ref": uuid.uuid4()}
    entry = stop.entry
    if entry is None:
        listed = stop.tasks or [Task.MAINTENANCE.value]
        initial["tasks"] = [t for t in listed if t not in HEAVY_TASKS and t != Task.RETIREMENT]
        return initial
    initial |= {
        "result": entry.result,
        "tasks": list(entry.tasks),
        "method": entry.method,
        "remarks": entry.remarks,
    }
    for reading in entry.readings:
        initial[f"value_{reading['quantity']}"] = reading["value"]
        initial[f"unit_{reading['quantity']}"] = reading["unit"]
    given = entry.replacement or {}
    initial |= {
        "spare_number": given.get("unit_number", ""),
        "new_model": given.get("model", ""),
        "new_serial": given.get("serial", ""),
        "new_made": given.get("made", ""),
    }
    return initial


def _model_words(model: UnitModel) -> str:
    maker = " ".join(part for part in (model.maker, model.name) if part)
    return f"{model.kind_text}: {maker}" if maker else model.kind_text


class CloseForm(forms.Form):
    """The technician's own count of each result, who was told, and the day."""

    contact_name = forms.CharField(
        label="Who you reported to",
        required=False,
        max_length=120,
        help_text="Print the name of the person on site.",
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "words"}),
    )
    no_signature_reason = forms.CharField(
        label="Or why there was nobody",
        required=False,
        max_length=200,
        help_text="For instance: nobody at the gate after 17:00.",
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    done_on = forms.DateField(
        label="Day on which the work was done",
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={"required": "Enter the day on which the work was done."},
    )

    def __init__(self, *args: Any, recorded: Mapping[str, int], today: date, **kwargs: Any) -> None:
        self.recorded = recorded
        kwargs["initial"] = {"done_on": today, **kwargs.get("initial", {})}
        super().__init__(*args, **kwargs)
        self.fields["done_on"].widget.attrs["max"] = today.isoformat()
        for result in Result:
            self.fields[f"count_{result}"] = forms.IntegerField(
                label=result.label,
                required=False,
                min_value=0,
                max_value=100_000,
                widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off", "size": 4}),
                error_messages={"invalid": "Enter a whole number, for instance 28."},
            )

    @property
    def counts(self) -> list[dict[str, Any]]:
        """One line per result: its word, what was recorded, the field for the technician's own count."""
        return [
            {
                "result": r.value,
                "label": r.label,
                "recorded": self.recorded[r.value],
                "field": self[f"count_{r}"],
            }
            for r in Result
        ]

    def clean(self) -> dict[str, Any]:
        """Ask for an own count of every result that was recorded."""
        cleaned = super().clean() or {}
        for result in Result:
            name = f"count_{result}"
            if self.recorded[result.value] and cleaned.get(name) is None and not self.has_error(name):
                self.add_error(
                    name, f"Count the units you recorded as {result.label.lower()} and enter the number."
                )
        return cleaned

    def closing(self) -> Closing:
        """What is handed to the service."""
        cleaned = self.cleaned_data
        return Closing(
            counts={r.value: cleaned.get(f"count_{r}") or 0 for r in Result},
            done_on=cleaned["done_on"],
            contact_name=cleaned["contact_name"],
            no_signature_reason=cleaned["no_signature_reason"],
        )

    def place(self, refused: ValidationError) -> None:
        """Put what the service refused beside the field that it is about."""
        if not hasattr(refused, "error_dict"):
            self.add_error(None, refused)
            return
        for name, errors in refused.error_dict.items():
            for error in errors:
                self.add_error(name if name in self.fields else None, error.messages)

    def place_counts(self, differing: Mapping[str, Mapping[str, int]]) -> None:
        """Put each count that differs from the records beside its field."""
        for result, pair in differing.items():
            if f"count_{result}" in self.fields:
                self.add_error(
                    f"count_{result}",
                    f"You counted {pair['stated']}, recorded are {pair['recorded']}. Look through the list.",
                )
