"""Who can be sent: depots, technicians with shifts, absences and skills, and vans."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import time
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django import forms
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from inventory.register.models import AGENT_CHOICES, Depot
from schedules.crew.models import Absence, CrewMember, Skill, Van, VanStock
from schedules.crew.queries import crew, gaps_of
from schedules.crew.services import (
    HeldInput,
    add_absence,
    change_member,
    change_van,
    crew_member,
    set_shifts,
    set_skills,
)
from servicedesk.access import Act
from servicedesk.accounts.models import User
from servicedesk.desk.fields import DegreesField, PickField
from servicedesk.pages import PageView, place_errors

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
BLANK_SKILLS = 2
BLANK_STOCK = 2


def time_field(label: str, **kwargs: Any) -> forms.TimeField:
    """A wall time."""
    return forms.TimeField(
        label=label,
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        error_messages={"invalid": "Enter a time like 08:30."},
        **kwargs,
    )


class CrewPage(PageView):
    """Base of these pages."""

    acts = (Act.PLAN_VISITS,)

    def crumbs(self, *more: tuple[str, str]) -> list[dict[str, str]]:
        """The way back up."""
        found = [("Routes", reverse("desk:plans")), *more]
        return [{"label": label, "url": url} for label, url in found]


# --- depots ------------------------------------------------------------------------------------------


class DepotForm(forms.ModelForm):
    """A depot."""

    class Meta:
        model = Depot
        fields = (
            "name",
            "address_line",
            "postcode",
            "city",
            "region",
            "country",
            "latitude",
            "longitude",
            "time_zone",
        )
        field_classes = {"latitude": DegreesField, "longitude": DegreesField}
        labels = {"address_line": "Address", "country": "Country, two letters"}
        help_texts = {
            "latitude": "Degrees north, like 38.645. South is negative.",
            "longitude": "Degrees east, like -99.71. West is negative.",
            "time_zone": "Like America/Chicago; shifts are wall times of this zone.",
        }

    def clean_time_zone(self) -> str:
        """A zone that exists."""
        zone = str(self.cleaned_data["time_zone"]).strip()
        try:
            ZoneInfo(zone)
        except (KeyError, OSError, ValueError) as unknown:
            raise ValidationError(f"{zone!r} is no time zone. Enter one like Europe/Madrid.") from unknown
        return zone


class DepotsView(CrewPage):
    """All depots; posting enters one."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them."""
        return self.show(DepotForm())

    def post(self, request: HttpRequest) -> HttpResponse:
        """Enter a depot."""
        form = DepotForm(request.POST)
        if not form.is_valid():
            return self.show(form, status=400)
        depot = form.save()
        self.told(f"{depot.name} is entered. Now say who starts there.")
        return redirect("desk:depots")

    def show(self, form: DepotForm, status: int = 200) -> HttpResponse:
        """The page."""
        depots = Depot.objects.order_by("name").prefetch_related("crew", "sites")
        lines = [
            {"depot": depot, "crew": len(depot.crew.all()), "sites": len(depot.sites.all())}
            for depot in depots
        ]
        return self.page(
            "desk/depots.html", {"crumbs": self.crumbs(), "lines": lines, "form": form}, status=status
        )


class DepotView(CrewPage):
    """One depot."""

    def get(self, request: HttpRequest, depot_id: UUID) -> HttpResponse:
        """Show its form."""
        depot = self.found(Depot.objects.all(), depot_id)
        return self.show(depot, DepotForm(instance=depot))

    def post(self, request: HttpRequest, depot_id: UUID) -> HttpResponse:
        """Change it."""
        depot = self.found(Depot.objects.all(), depot_id)
        form = DepotForm(request.POST, instance=depot)
        if not form.is_valid():
            return self.show(self.found(Depot.objects.all(), depot_id), form, status=400)
        form.save()
        self.told(f"{depot.name} is changed. Plans made before keep their times until they are changed.")
        return redirect("desk:depots")

    def show(self, depot: Depot, form: DepotForm, status: int = 200) -> HttpResponse:
        """The page."""
        crumbs = self.crumbs(("Depots", reverse("desk:depots")))
        return self.page("desk/depot.html", {"crumbs": crumbs, "depot": depot, "form": form}, status=status)


# --- technicians ---------------------------------------------------------------------------------------


class MemberForm(forms.ModelForm):
    """Where a technician starts and ends, lunch, overtime."""

    depot = PickField(label="Depot", queryset=Depot.objects.none(), required=False, empty_label="None yet")
    lunch_from = time_field("Lunch starts from")
    lunch_until = time_field("Lunch starts by")
    version = forms.IntegerField(widget=forms.HiddenInput)

    class Meta:
        model = CrewMember
        fields = (
            "depot",
            "is_planned",
            "starts_from",
            "ends_at",
            "home_place",
            "home_latitude",
            "home_longitude",
            "lunch_from",
            "lunch_until",
            "lunch_minutes",
            "overtime_minutes",
        )
        field_classes = {"home_latitude": DegreesField, "home_longitude": DegreesField}
        labels = {
            "is_planned": "Takes part in new plans",
            "starts_from": "Starts the day at",
            "ends_at": "Ends the day at",
            "lunch_minutes": "Minutes of lunch",
            "overtime_minutes": "Minutes of overtime a day at most",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["depot"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = Depot.objects.order_by("name")


class AbsenceForm(forms.ModelForm):
    """When a technician is away."""

    from_time = time_field("From, on the first day", required=False, help_text="Empty: all day.")

    class Meta:
        model = Absence
        fields = ("kind", "first_on", "last_on", "from_time", "note")
        labels = {"kind": "Why", "first_on": "First day", "last_on": "Last day"}
        widgets = {
            "first_on": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
            "last_on": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        }


class CrewView(CrewPage):
    """All technicians, and the vans."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them."""
        people = list(
            User.objects.filter(role=User.Role.TECHNICIAN, is_active=True).order_by(
                "first_name", "last_name", "username"
            )
        )
        members = {
            member.technician_id: member
            for member in crew().prefetch_related("shifts", "absences", "skills__skill")
        }
        gaps = gaps_of(members.values())
        today = self.now.date()
        lines = []
        for person in people:
            member = members.get(person.pk)
            lines.append(
                {
                    "person": person,
                    "member": member,
                    "gaps": gaps.get(member.pk, []) if member else ["no shifts", "no depot"],
                    "hours": hours_in_words(member) if member else "",
                    "skills": [held.skill.name for held in member.skills.all()] if member else [],
                    "away": [a for a in member.absences.all() if a.last_on >= today and not a.is_void][:2]
                    if member
                    else [],
                    "van": getattr(member, "van", None) if member else None,
                }
            )
        vans = list(Van.objects.select_related("driver__technician", "depot").prefetch_related("stock"))
        context = {"crumbs": self.crumbs(), "lines": lines, "vans": vans, "skills": list(Skill.objects.all())}
        return self.page("desk/crew.html", context)


def hours_in_words(member: CrewMember) -> str:
    """Mon to Fri 08:00–16:30, for a member with shifts fetched."""
    runs: list[tuple[int, int, str]] = []
    for shift in sorted(member.shifts.all(), key=lambda s: s.weekday):
        text = f"{shift.starts_at:%H:%M}–{shift.ends_at:%H:%M}"
        if runs and runs[-1][1] == shift.weekday - 1 and runs[-1][2] == text:
            runs[-1] = (runs[-1][0], shift.weekday, text)
        else:
            runs.append((shift.weekday, shift.weekday, text))
    return "; ".join(
        f"{WEEKDAYS[a][:3]}{f' to {WEEKDAYS[b][:3]}' if b != a else ''} {text}" for a, b, text in runs
    )


class MemberView(CrewPage):
    """One technician: base, shifts, skills, absences."""

    def get(self, request: HttpRequest, person_id: UUID) -> HttpResponse:
        """Show the forms."""
        return self.show(self.person_of(person_id))

    def post(self, request: HttpRequest, person_id: UUID) -> HttpResponse:
        """Save the part that was sent."""
        do = self.pressed("base", "shifts", "skills", "absence", "void")
        person = self.person_of(person_id)
        member = crew_member(person)
        forms_given: dict[str, Any] = {}
        try:
            if do == "base":
                form = forms_given["form"] = MemberForm(
                    request.POST, instance=CrewMember.objects.get(pk=member.pk)
                )
                if not form.is_valid():
                    return self.show(person, status=400, **forms_given)
                version = form.cleaned_data.pop("version")
                change_member(member, version=version, **form.cleaned_data)
            elif do == "shifts":
                set_shifts(member, read_shifts(request.POST), version=_version(request.POST))
            elif do == "skills":
                set_skills(member, read_skills(request.POST), version=_version(request.POST))
            elif do == "absence":
                absence_form = forms_given["absence_form"] = AbsenceForm(request.POST)
                if not absence_form.is_valid():
                    return self.show(person, status=400, **forms_given)
                add_absence(member, by=self.person, **absence_form.cleaned_data)
            elif do == "void":
                absence_id = _uuid(request.POST.get("absence"))
                if absence_id is not None:
                    Absence.objects.filter(member=member, public_id=absence_id).update(is_void=True)
        except ValidationError as problem:
            if "form" in forms_given:
                place_errors(forms_given["form"], problem)
            elif "absence_form" in forms_given:
                place_errors(forms_given["absence_form"], problem)
            else:
                self.refused(problem)
            return self.show(person, status=400, **forms_given)
        except Conflict as problem:
            self.refused(problem)
            return self.show(person, status=409)
        self.told(f"Saved for {person.display_name}. Make or change a plan to use it.")
        return redirect("desk:crew-member", person.public_id)

    def person_of(self, person_id: UUID) -> User:
        """The technician."""
        return self.found(User.objects.filter(role=User.Role.TECHNICIAN), person_id)

    def show(
        self,
        person: User,
        form: MemberForm | None = None,
        absence_form: AbsenceForm | None = None,
        status: int = 200,
    ) -> HttpResponse:
        """The page."""
        member = CrewMember.objects.filter(technician=person).first() or CrewMember(technician=person)
        shifts = {shift.weekday: shift for shift in member.shifts.all()} if member.pk else {}
        held = list(member.skills.select_related("skill")) if member.pk else []
        absences = list(member.absences.filter(is_void=False).order_by("-first_on")[:12]) if member.pk else []
        context = {
            "crumbs": self.crumbs(("Crew", reverse("desk:crew"))),
            "technician": person,
            "member": member,
            "form": form
            or MemberForm(
                instance=member,
                initial={
                    "version": member.version,
                    "depot": member.depot.public_id if member.depot is not None else None,
                },
            ),
            "absence_form": absence_form or AbsenceForm(),
            "week": [{"number": n, "name": name, "shift": shifts.get(n)} for n, name in enumerate(WEEKDAYS)],
            "held": [*held, *([None] * BLANK_SKILLS)],
            "skills": list(Skill.objects.all()),
            "absences": absences,
            "gaps": gaps_of([member]).get(member.pk, []) if member.pk else ["no depot", "no shifts"],
        }
        return self.page("desk/crew_member.html", context, status=status)


def _version(post: Mapping[str, Any]) -> int:
    text = str(post.get("version", ""))
    return int(text) if text.isdigit() else 0


def _uuid(text: str | None) -> UUID | None:
    try:
        return UUID(text or "")
    except ValueError:
        return None


def _time(text: str, what: str) -> time:
    try:
        return time.fromisoformat(text)
    except ValueError as error:
        raise ValidationError(f"{what}: {text!r} is no time of day. Enter it like 08:30.") from error


def read_shifts(post: Any) -> dict[int, tuple[time, time]]:
    """Hours of each weekday that has both ends; ``ValidationError`` names the day otherwise."""
    found = {}
    for number, name in enumerate(WEEKDAYS):
        a, b = post.get(f"from-{number}", "").strip(), post.get(f"until-{number}", "").strip()
        if not a and not b:
            continue
        if not a or not b:
            raise ValidationError(f"{name}: enter both the start and the end, or neither.")
        found[number] = (_time(a, name), _time(b, name))
    return found


def read_skills(post: Any) -> list[HeldInput]:
    """The lines of held skills that name one."""
    known = {str(skill.public_id): skill for skill in Skill.objects.all()}
    found = []
    for at, text in enumerate(post.getlist("skill")):
        if not text:
            continue
        if text not in known:
            raise ValidationError("This skill is no longer on the list. Load the page again.")

        def part(name: str, line: int = at) -> str:
            values = post.getlist(name)
            return str(values[line]).strip() if line < len(values) else ""

        expires = part("expires_on")
        field = forms.DateField(required=False)
        found.append(
            HeldInput(
                known[text],
                part("country")[:2],
                part("region")[:100],
                part("reference")[:80],
                field.clean(expires) if expires else None,
            )
        )
    return found


# --- vans ------------------------------------------------------------------------------------------------


class VanForm(forms.ModelForm):
    """A van."""

    depot = PickField(label="Depot", queryset=Depot.objects.none(), required=False, empty_label="None")
    driver = forms.ModelChoiceField(
        label="Driven by", queryset=CrewMember.objects.none(), required=False, empty_label="Nobody"
    )
    version = forms.IntegerField(widget=forms.HiddenInput, initial=0)

    class Meta:
        model = Van
        fields = ("name", "depot", "driver", "unit_places")
        labels = {"unit_places": "Places for units"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        depot, driver = self.fields["depot"], self.fields["driver"]
        assert isinstance(depot, forms.ModelChoiceField)
        assert isinstance(driver, forms.ModelChoiceField)
        depot.queryset = Depot.objects.order_by("name")
        driver.queryset = crew()
        driver.label_from_instance = lambda member: member.technician.display_name  # type: ignore[assignment, method-assign]


class VanView(CrewPage):
    """One van, or a new one."""

    def get(self, request: HttpRequest, van_id: UUID | None = None) -> HttpResponse:
        """Show its form."""
        van = self.van(van_id)
        first = {
            "version": van.version if van.pk else 0,
            "depot": van.depot.public_id if van.depot is not None else None,
        }
        return self.show(van, VanForm(instance=van, initial=first))

    def post(self, request: HttpRequest, van_id: UUID | None = None) -> HttpResponse:
        """Save it with what it carries."""
        van = self.van(van_id)
        form = VanForm(request.POST, instance=self.van(van_id))
        if not form.is_valid():
            return self.show(van, form, status=400)
        version = form.cleaned_data.pop("version")
        try:
            with transaction.atomic():
                van = change_van(van, read_stock(request.POST), version=version, **form.cleaned_data)
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(van, form, status=400)
        except Conflict as problem:
            self.refused(problem)
            return self.show(van, form, status=409)
        self.told(f"{van.name} is saved.")
        return redirect("desk:crew")

    def van(self, van_id: UUID | None) -> Van:
        """The van, or a new one."""
        return self.found(Van.objects.all(), van_id) if van_id is not None else Van()

    def show(self, van: Van, form: VanForm, status: int = 200) -> HttpResponse:
        """The page."""
        stock = list(van.stock.all()) if van.pk else []
        context = {
            "crumbs": self.crumbs(("Crew", reverse("desk:crew"))),
            "van": van,
            "form": form,
            "stock": [*stock, *([None] * BLANK_STOCK)],
            "kinds": VanStock.Kind.choices,
            "agents": AGENT_CHOICES,
        }
        return self.page("desk/van.html", context, status=status)


def read_stock(post: Any) -> list[tuple[str, str, int]]:
    """Lines of what a van carries that say how much."""
    found = []
    rows = zip(post.getlist("kind"), post.getlist("agent"), post.getlist("amount"), strict=False)
    for kind, agent, text in rows:
        if not text.strip() or not agent:
            continue
        if not text.strip().isdigit():
            raise ValidationError(
                f"{text!r} is no amount. Enter whole pieces, or whole grams of loose agent."
            )
        if kind not in VanStock.Kind.values or agent not in dict(AGENT_CHOICES):
            raise ValidationError("Choose what the van carries from the lists.")
        found.append((kind, agent, int(text)))
    return found
