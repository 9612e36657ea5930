"""Correcting what the register says of a unit, of many of one kind, and entering one by hand."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.urls import reverse

from inventory.measures.kinds import Agent, Construction, Shell
from inventory.measures.stamps import Stamp, StampError, read_stamp
from inventory.register.facts import (
    BUILD_FACTS,
    UNIT_FACTS,
    add_unit,
    as_seen,
    changes_of,
    correct_units,
    facts_of,
)
from inventory.register.models import (
    AGENT_CHOICES,
    CONSTRUCTION_CHOICES,
    SHELL_CHOICES,
    Location,
    Site,
    Unit,
    UnitModel,
)
from inventory.register.queries import sites_for, units_for
from schedules.certificates.corrections import save_correction
from schedules.due.preview import Preview, preview_units
from schedules.due.queries import UnitInput
from schedules.due.services import refresh_units
from servicedesk.desk.facts_base import (
    SHOWN_CHANGES,
    BecauseForm,
    FactsView,
    change_lines,
    differing,
)
from servicedesk.desk.fields import PickField, day_field

YES_NO = [("", "Not known"), ("yes", "Yes"), ("no", "No")]
UNCHOSEN = ("", "Choose")
MOST_UNITS = 5000
"""So many units of one kind are corrected at once; more are taken site by site."""


def _number(label: str, unit: str) -> forms.IntegerField:
    return forms.IntegerField(
        label=f"{label}, {unit}",
        required=False,
        min_value=1,
        max_value=100_000_000,
        error_messages={"invalid": "Enter a whole number.", "min_value": "Enter a number above 0."},
    )


def _maybe(label: str) -> forms.TypedChoiceField:
    return forms.TypedChoiceField(
        label=label,
        required=False,
        choices=YES_NO,
        coerce=lambda text: {"yes": True, "no": False}[text],
        empty_value=None,
    )


class BuildForm(BecauseForm):
    """Build data: of the kind of a unit."""

    maker = forms.CharField(label="Maker", required=False, max_length=100)
    name = forms.CharField(label="Model", required=False, max_length=120)
    # Nothing of it is chosen beforehand: what nobody looked at is "unknown", and somebody says so.
    agent = forms.ChoiceField(label="Agent", choices=[UNCHOSEN, *AGENT_CHOICES])
    construction = forms.ChoiceField(label="Construction", choices=[UNCHOSEN, *CONSTRUCTION_CHOICES])
    shell = forms.ChoiceField(label="Shell", choices=[UNCHOSEN, *SHELL_CHOICES])
    cylinder_spec = forms.CharField(
        label="Cylinder specification", required=False, max_length=20, help_text="As stamped, e.g. 3AA."
    )
    charge_text = forms.CharField(
        label="Charge as printed", required=False, max_length=30, help_text="E.g. 10 lb or 6 kg."
    )
    charge_mass_g = _number("Charge", "grams")
    charge_volume_ml = _number("Charge", "millilitres")
    water_capacity_ml = _number("Water capacity", "millilitres")
    working_pressure_kpa = _number("Working pressure", "kPa gauge at 20 °C")
    test_pressure_kpa = _number("Test pressure", "kPa")
    full_mass_g = _number("Gross mass when full", "grams")
    is_wheeled = forms.TypedChoiceField(
        label="Wheeled", choices=[UNCHOSEN, *YES_NO[1:]], coerce=lambda text: text == "yes"
    )
    is_refillable = _maybe("Refillable")
    has_shutoff_hose = _maybe("Hose with shut-off")


def _as_choice(value: Any) -> Any:
    return ("yes" if value else "no") if isinstance(value, bool) else value


class MarkField(forms.CharField):
    """A date mark, read as precisely as it is typed; what was read stays beside it."""

    def __init__(self, **kwargs: Any) -> None:
        self.today = date.max
        self.stored: Stamp | None = None
        super().__init__(
            required=False,
            max_length=60,
            help_text="As it is on the shell: 2021-06-15, 2021-06, Q2 2019, 2019, or unknown.",
            **kwargs,
        )

    def shown(self, stamp: Stamp) -> str:
        """What stands in the field for ``stamp``."""
        return str(stamp)

    def clean(self, value: Any) -> Stamp:
        """The mark as a stamp; an ambiguous one is asked for again, not guessed."""
        text = super().clean(value)
        if self.stored is not None and text == self.shown(self.stored):
            return self.stored
        try:
            reading = read_stamp(text, today=self.today)
        except StampError as error:
            raise ValidationError(error.sentence) from error
        if reading.doubts:
            raise ValidationError(f"{reading.doubts[0]} Write it like 2026-03-14 or 2026-03.")
        return reading.stamp


class UnitFactsForm(BuildForm):
    """Every fact of one unit."""

    serial = forms.CharField(
        label="Serial", required=False, max_length=60, help_text="As read; empty when none is readable."
    )
    made = MarkField(label="Manufacture mark")
    commissioned_on = day_field("Placed in service")
    seen = forms.CharField(widget=forms.HiddenInput, required=False, max_length=24)

    def __init__(self, *args: Any, unit: Unit | None, today: date, **kwargs: Any) -> None:
        if unit is not None:
            facts = facts_of(unit)
            kwargs["initial"] = {
                name: str(value) if isinstance(value, Stamp) else _as_choice(value)
                for name, value in facts.items()
            } | {"seen": as_seen(facts)}
        super().__init__(*args, **kwargs)
        made = self.fields["made"]
        assert isinstance(made, MarkField)
        made.today = today
        made.stored = unit.made if unit is not None else None


GROUPS = (
    ("On this shell", ("serial", "made", "commissioned_on")),
    ("What it is", ("agent", "construction", "shell", "charge_text", "is_wheeled", "is_refillable")),
    ("Maker and model", ("maker", "name", "cylinder_spec", "has_shutoff_hose")),
    (
        "Measures",
        (
            "charge_mass_g",
            "charge_volume_ml",
            "water_capacity_ml",
            "working_pressure_kpa",
            "test_pressure_kpa",
            "full_mass_g",
        ),
    ),
)


def altered_by(changes: Mapping[str, Any]) -> Any:
    """A function that gives a unit's plain facts the corrected values."""
    engine = {"water_capacity_ml", "charge_mass_g", "charge_volume_ml", "cylinder_spec", "is_wheeled"}
    engine |= {"is_refillable", "has_shutoff_hose"}
    facts: dict[str, Any] = {name: value for name, value in changes.items() if name in engine}
    for name, kind in (("agent", Agent), ("construction", Construction), ("shell", Shell)):
        if name in changes:
            facts[name] = kind(changes[name])
    if "made" in changes:
        facts["made"] = changes["made"]
    if "commissioned_on" in changes:
        day = changes["commissioned_on"]
        facts["commissioned"] = Stamp.on(day) if day else Stamp.unknown()

    def altered(item: UnitInput) -> UnitInput:
        return replace(item, facts=replace(item.facts, **facts))

    return altered


class UnitFactsView(FactsView):
    """Correct the facts of one unit."""

    groups = GROUPS
    button = "Correct the unit"
    can_move_dates = True
    unit: Unit

    def find(self, **kwargs: Any) -> None:
        """The unit in scope; one that was merged is corrected as the unit it is."""
        self.unit = self.found(units_for(self.scope).filter(merged_into=None), kwargs["unit_id"])

    def form(self, data: Any = None) -> UnitFactsForm:
        """What the register says, to be corrected."""
        zone = self.unit.site.time_zone if self.unit.site else "UTC"
        return UnitFactsForm(data, unit=self.unit, today=self.today_in(zone))

    def preview(self, form: UnitFactsForm) -> Preview:
        """Which of its dates would move."""
        return preview_units([self.unit.pk], at=self.now, altered=altered_by(differing(form, UNIT_FACTS)))

    def save(self, form: UnitFactsForm) -> tuple[str, str]:
        """Correct it."""
        done = save_correction(
            lambda: correct_units(
                [self.unit],
                differing(form, UNIT_FACTS),
                form.because(),
                by=self.person,
                at=self.now,
                seen=form.cleaned_data["seen"],
            ),
            now=self.now,
        )
        count = len(done.changes)
        return (
            f"{count} fact{'s' if count != 1 else ''} of {self.unit.number} corrected; "
            "the dates were worked out again.",
            reverse("desk:unit", args=[self.unit.public_id]),
        )

    def context(self) -> dict[str, Any]:
        """The unit and what was corrected before."""
        address = reverse("desk:unit", args=[self.unit.public_id])
        alike = Unit.objects.on_duty().filter(model=self.unit.model_id).count()
        links = []
        if alike > 1:
            kind = reverse("desk:kind-facts", args=[self.unit.model.public_id])
            links.append({"label": f"Wrong for all {alike} of this kind?", "url": kind})
        return {
            "title": f"Correct the facts of {self.unit.number}",
            "lead": "What was wrong stays on record beside what is right. "
            "Certificates that state the old fact are flagged, never changed.",
            "crumbs": [
                {"label": "Units", "url": reverse("desk:units")},
                {"label": self.unit.number, "url": address},
            ],
            "links": links,
            "back": address,
            "changes": change_lines(changes_of(self.unit)[:SHOWN_CHANGES]),
        }


class KindFactsForm(BuildForm):
    """Build data of many units of one kind."""

    site = forms.Field(required=False)

    def __init__(self, *args: Any, model: UnitModel, sites: Any, **kwargs: Any) -> None:
        kwargs["initial"] = {name: _as_choice(getattr(model, name)) for name in BUILD_FACTS}
        super().__init__(*args, **kwargs)
        self.fields["site"] = PickField(
            queryset=sites, label="Only at this site", required=False, empty_label="At all sites"
        )


class KindFactsView(FactsView):
    """Correct a kind that is wrong for many units at once."""

    groups = (("Which units", ("site",)), *GROUPS[1:])
    button = "Correct all of them"
    can_move_dates = True
    model: UnitModel

    def find(self, **kwargs: Any) -> None:
        """The kind."""
        self.model = self.found(UnitModel.objects.all(), kwargs["model_id"])

    def form(self, data: Any = None) -> KindFactsForm:
        """The kind as it is, to be corrected."""
        here = Unit.objects.on_duty().filter(model=self.model).values("site")
        return KindFactsForm(data, model=self.model, sites=sites_for(self.scope).filter(pk__in=here))

    def units(self, form: KindFactsForm) -> list[Unit]:
        """The units that are corrected; raises ``ValidationError`` when they are too many or none."""
        rows = Unit.objects.visible_to(self.scope).on_duty().filter(model=self.model)
        if form.cleaned_data["site"] is not None:
            rows = rows.filter(site=form.cleaned_data["site"])
        found = list(rows.select_related("model", "site").order_by("pk")[: MOST_UNITS + 1])
        if len(found) > MOST_UNITS:
            raise ValidationError(
                {"site": f"More than {MOST_UNITS} units are of this kind. Correct them site by site."}
            )
        if not found:
            raise ValidationError({"site": "No unit on duty is of this kind any more."})
        return found

    def preview(self, form: KindFactsForm) -> Preview:
        """Which dates of these units would move."""
        ids = [unit.pk for unit in self.units(form)]
        return preview_units(ids, at=self.now, altered=altered_by(differing(form, BUILD_FACTS)))

    def save(self, form: KindFactsForm) -> tuple[str, str]:
        """Correct them all."""
        units = self.units(form)
        done = save_correction(
            lambda: correct_units(
                units, differing(form, BUILD_FACTS), form.because(), by=self.person, at=self.now
            ),
            now=self.now,
        )
        return (
            f"{len(done.unit_ids)} units corrected; their dates were worked out again.",
            reverse("desk:units"),
        )

    def context(self) -> dict[str, Any]:
        """The kind and how many units are of it."""
        count = Unit.objects.on_duty().filter(model=self.model).count()
        name = " ".join(part for part in (self.model.maker, self.model.name) if part)
        return {
            "title": "Correct a kind of unit",
            "lead": f"{name + ': ' if name else ''}{self.model.kind_text}. "
            f"{count} unit{'s' if count != 1 else ''} on duty.",
            "crumbs": [{"label": "Units", "url": reverse("desk:units")}],
            "back": reverse("desk:units"),
            "changes": None,
        }


def place_label(place: Location) -> str:
    """A place as lists name it."""
    return f"{place.number}, {place.place}" if place.place else place.number


class NewUnitForm(UnitFactsForm):
    """A unit that is not in the register yet."""

    asks_source = False
    place = forms.Field()
    from_on = day_field("Hangs there since")
    ref = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, site: Site, **kwargs: Any) -> None:
        super().__init__(*args, unit=None, **kwargs)
        places = Location.objects.filter(site=site).order_by("walking_order", "number")
        place = PickField(queryset=places, label="Place", empty_label="Choose a place")
        place.label_from_instance = place_label  # type: ignore[method-assign, assignment]
        self.fields["place"] = place
        del self.fields["reason"]
        self.fields["ref"].initial = uuid.uuid4()


class NewUnitView(FactsView):
    """Enter a unit by hand."""

    groups = (("Where it hangs", ("place", "from_on")), *GROUPS)
    button = "Enter the unit"
    errors_title = "Nothing was entered. Please correct:"
    site: Site

    def find(self, **kwargs: Any) -> None:
        """The site in scope."""
        self.site = self.found(sites_for(self.scope), kwargs["site_id"])

    def form(self, data: Any = None) -> NewUnitForm:
        """An empty form."""
        return NewUnitForm(data, site=self.site, today=self.today_in(self.site.time_zone))

    def save(self, form: NewUnitForm) -> tuple[str, str]:
        """Take it into the register."""
        given = form.cleaned_data
        beside = (
            Unit.objects.filter(location=given["place"]).exclude(public_id=given["ref"]).order_by("number")
        )
        unit = add_unit(
            given["place"],
            differing(form, UNIT_FACTS),
            from_on=given["from_on"],
            by=self.person,
            today=self.today_in(self.site.time_zone),
            client_ref=given["ref"],
        )
        refresh_units([unit.pk], now=self.now)
        if others := [other.number for other in beside[:5]]:
            self.warn(
                f"{', '.join(others)} hang{'s' if len(others) == 1 else ''} at place "
                f"{given['place'].number} too. If one of them is gone, say so on its page."
            )
        return f"Unit {unit.number} is in the register.", reverse("desk:unit", args=[unit.public_id])

    def context(self) -> dict[str, Any]:
        """Where it will hang."""
        address = reverse("desk:site", args=[self.site.public_id])
        notices = []
        if not Location.objects.filter(site=self.site).exists():
            notices.append("This site has no place yet. Enter a place first.")
        return {
            "title": f"New unit at {self.site.name}",
            "lead": "It gets the next number of ours. What is not known stays unknown and is due now.",
            "crumbs": [
                {"label": "Sites", "url": reverse("desk:sites")},
                {"label": self.site.name, "url": address},
            ],
            "notices": notices,
            "back": address,
            "changes": None,
        }
