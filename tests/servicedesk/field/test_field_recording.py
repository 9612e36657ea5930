"""Recording one unit: every result, every refusal, and what a second press does."""

from __future__ import annotations

import html
import re
import uuid
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from inventory.measures.kinds import Agent, Construction, Shell
from inventory.measures.stamps import Stamp
from inventory.register.models import Site, Unit
from schedules.visits.models import Visit, VisitEntry
from tests.factories import PASSWORD, make_model, make_site, make_unit, make_user, make_visit
from tests.servicedesk.field.cast import Field, text_of

pytestmark = pytest.mark.django_db


def errors_of(page: str, field: str) -> list[str]:
    """The sentences beside ``field``."""
    found = re.search(rf'<ul class="errorlist[^"]*" id="id_{field}_error">(.*?)</ul>', page, re.S)
    return [html.unescape(line) for line in re.findall(r"<li>(.*?)</li>", found[1])] if found else []


def entry_of(unit: Unit) -> VisitEntry:
    return VisitEntry.objects.filter(unit=unit).order_by("-pk")[0]


def spare() -> Unit:
    unit = Unit(number="U-900001", model=make_model(), state=Unit.State.IN_STOCK)
    unit.save()
    return unit


@pytest.mark.parametrize(
    ("result", "fields"),
    [
        ("serviced", {}),
        ("failed", {"remarks": "Gauge below the zone"}),
        ("removed", {}),
        ("not_found", {}),
        ("no_access", {"remarks": "Door locked"}),
    ],
)
def test_every_result_is_kept_and_leads_on(crew: Field, result: str, fields: dict[str, str]) -> None:
    two, one = crew.units[1:]
    response = crew.save(one, result, **fields)
    assert response.status_code == 302
    assert response["Location"] == crew.at("unit", two)
    assert crew.entries() == [(one.number, result)]
    entry = entry_of(one)
    assert entry.tasks == (["maintenance"] if result == "serviced" else [])
    assert entry.remarks == fields.get("remarks", "")
    assert entry.made_by == crew.technician
    crew.visit.refresh_from_db()
    assert crew.visit.state == Visit.State.UNDER_WAY
    assert f"001: {entry.get_result_display().lower()}, saved." in text_of(
        crew.client.get(response["Location"])
    )


def test_a_unit_is_replaced_by_one_of_our_stock(crew: Field) -> None:
    spare()
    response = crew.save(crew.units[0], "replaced", spare_number="U-900001")
    assert response.status_code == 302
    assert entry_of(crew.units[0]).replacement == {"unit_number": "U-900001"}


def test_a_unit_is_replaced_by_a_new_one(crew: Field) -> None:
    model = make_model(agent=crew.units[0].model.agent)
    given = {"new_model": str(model.public_id), "new_serial": "N 77", "new_made": "2026-03"}
    assert crew.save(crew.units[0], "replaced", **given).status_code == 302
    assert entry_of(crew.units[0]).replacement == {
        "model": str(model.public_id),
        "serial": "N 77",
        "made": "2026-03",
    }


def test_a_new_unit_of_another_kind_can_be_named(crew: Field) -> None:
    model = make_model(agent=Agent.WET_CHEMICAL.value, charge_text="6 L")
    url = crew.at("unit", crew.units[0])
    assert str(model.public_id) not in text_of(crew.client.get(url))
    assert str(model.public_id) in text_of(crew.client.get(url, {"models": "all"}))
    assert crew.save(crew.units[0], "replaced", new_model=str(model.public_id)).status_code == 302


@pytest.mark.parametrize(
    ("fields", "field", "sentence"),
    [
        (
            {"spare_number": "U-000777"},
            "spare_number",
            "Unit U-000777 is not in our stock. Check the number on its label.",
        ),
        (
            {},
            "spare_number",
            "Choose the model of the new unit from the list of unit models.",
        ),
        (
            {"new_model": "{model}", "new_made": "31/02/2024"},
            "new_made",
            'Manufacture date of the new unit: "31/02/2024" does not exist: February 2024 has 29 days. '
            'Correct the date, or write "unknown".',
        ),
    ],
)
def test_a_replacement_that_cannot_be_is_refused_beside_its_field(
    crew: Field, fields: dict[str, str], field: str, sentence: str
) -> None:
    model = crew.units[0].model
    fields = {name: value.format(model=model.public_id) for name, value in fields.items()}
    response = crew.save(crew.units[0], "replaced", **fields)
    assert response.status_code == 400
    shown = errors_of(text_of(response), field)
    assert len(shown) == 1
    assert shown[0] == sentence or (not fields and "Name the unit that now hangs there" in shown[0])
    assert "_" not in shown[0]  # no name of a field of the API
    assert crew.entries() == []


def test_no_pass_without_the_value_that_it_needs(crew: Field) -> None:
    response = crew.save(crew.units[0], value_gauge_pressure="")
    assert response.status_code == 400
    page = text_of(response)
    assert len(errors_of(page, "value_gauge_pressure")) == 1
    assert errors_of(page, "value_gauge_pressure")[0].startswith("Enter the gauge pressure: ")
    assert "Nothing was saved yet." in page
    assert 'value="serviced" id="id_result_0" required checked' in page.replace(
        'checked=""', "checked"
    ).replace('required=""', "required")
    assert crew.entries() == []


@pytest.mark.parametrize(
    ("value", "unit", "part"),
    [
        ("195", "bar", "is outside 0.0 to 35.0 bar"),
        ("full", "psi", '"full" is not a number'),
        ("195", "kg", "Select a valid choice"),
        ("1,950", "psi", "can be read two ways"),
    ],
)
def test_a_figure_that_cannot_be_is_refused_beside_its_field(
    crew: Field, value: str, unit: str, part: str
) -> None:
    response = crew.save(crew.units[0], value_gauge_pressure=value, unit_gauge_pressure=unit)
    assert response.status_code == 400
    page = text_of(response)
    shown = errors_of(page, "value_gauge_pressure") + errors_of(page, "unit_gauge_pressure")
    assert any(part in sentence for sentence in shown)
    assert f'value="{value}"' in page
    assert crew.entries() == []


def test_a_value_outside_its_limit_cannot_pass(crew: Field) -> None:
    given = {
        "unit_gauge_pressure": "psi",
        "value_ambient_temperature": "20",
        "unit_ambient_temperature": "°C",
    }
    response = crew.save(crew.units[0], value_gauge_pressure="120", **given)
    assert response.status_code == 400
    shown = errors_of(text_of(response), "value_gauge_pressure")
    assert "too low" in shown[0]
    assert shown[0].endswith("It cannot pass: record it as failed or replaced.")
    assert crew.save(crew.units[0], "failed", value_gauge_pressure="120", **given).status_code == 302
    assert entry_of(crew.units[0]).readings[0] == {
        "quantity": "gauge_pressure",
        "value": "120",
        "unit": "psi",
    }


@pytest.mark.parametrize("result", ["failed", "no_access"])
def test_what_was_found_has_to_be_said(crew: Field, result: str) -> None:
    response = crew.save(crew.units[0], result, remarks=" ")
    assert response.status_code == 400
    assert errors_of(text_of(response), "remarks") == [
        "Say what was found: the owner reads it on the certificate."
    ]


def test_a_result_has_to_be_chosen(crew: Field) -> None:
    response = crew.client.post(crew.at("unit", crew.units[0]), {"client_ref": str(uuid.uuid4())})
    assert response.status_code == 400
    assert errors_of(text_of(response), "result") == [
        "Choose a result. Not found and no access are results too."
    ]


def test_a_unit_that_was_not_reached_has_no_measured_value(crew: Field) -> None:
    response = crew.save(crew.units[0], "not_found", value_gauge_pressure="195")
    assert response.status_code == 400
    assert "so the unit was reached" in errors_of(text_of(response), "result")[0]


def test_work_ticked_beforehand_does_not_count_for_a_unit_that_was_not_reached(crew: Field) -> None:
    assert crew.save(crew.units[0], "no_access", tasks=["maintenance"]).status_code == 302
    assert entry_of(crew.units[0]).tasks == []


def test_a_serviced_unit_names_the_work(crew: Field) -> None:
    response = crew.save(crew.units[0], tasks=[])
    assert errors_of(text_of(response), "tasks") == ["Name at least one task that was done on this unit."]


def ticked(page: str) -> list[str]:
    return re.findall(r'name="tasks" value="(\w+)" id="\w+" checked', page)


def test_light_work_of_the_list_is_ticked_and_heavy_work_is_not(crew: Field) -> None:
    unit = crew.units[0]
    for task in ("hydrostatic_test", "internal_examination", "weighing"):
        crew.visit.jobs.create(
            unit=unit, location=unit.location, task=task, table_key="t", table_version="1", rule_id=task
        )
    assert ticked(text_of(crew.client.get(crew.at("unit", unit)))) == ["maintenance", "weighing"]


def test_a_pressure_test_needs_its_pressure_and_its_method(crew: Field) -> None:
    unit = crew.units[0]
    unit.model.test_pressure_kpa = 4137
    unit.model.save()
    response = crew.save(unit, tasks=["hydrostatic_test"])
    assert "Enter the test pressure reached" in errors_of(text_of(response), "value_test_pressure")[0]
    given = {"tasks": ["hydrostatic_test"], "value_test_pressure": "600", "unit_test_pressure": "psi"}
    response = crew.save(unit, **given)
    assert errors_of(text_of(response), "method") == [
        "Say how the pressure test was made; the next interval may depend on it."
    ]
    assert crew.save(unit, method="proof_pressure", **given).status_code == 302
    assert entry_of(unit).method == "proof_pressure"


def test_a_method_is_kept_only_for_a_pressure_test(crew: Field) -> None:
    assert crew.save(crew.units[0], method="water_jacket").status_code == 302
    assert entry_of(crew.units[0]).method == ""


def test_carbon_dioxide_is_weighed_not_read_off_a_gauge(crew: Field) -> None:
    model = make_model(
        agent=Agent.CARBON_DIOXIDE.value,
        construction=Construction.SELF_EXPELLING.value,
        shell=Shell.ALLOY_STEEL_SEAMLESS.value,
        charge_mass_g=5000,
        full_mass_g=14200,
    )
    unit = make_unit(crew.site, model=model)
    page = text_of(crew.client.get(crew.at("unit", unit)))
    assert page.index('id="id_value_gross_mass"') < page.index("Other values")
    assert page.index('id="id_value_gauge_pressure"') > page.index("Other values")
    assert "On the plate: 31.31 lb full, complete." in page
    response = crew.save(unit, value_gauge_pressure="", value_gross_mass="13.6", unit_gross_mass="kg")
    assert "over 10 %" in errors_of(text_of(response), "value_gross_mass")[0]


def test_the_last_unit_leads_to_the_count(crew: Field) -> None:
    for unit in crew.units[:2]:
        crew.save(unit)
    assert crew.save(crew.units[2])["Location"] == crew.at("close")


def test_a_unit_that_was_passed_over_comes_again_after_the_last_one(crew: Field) -> None:
    ten, two, one = crew.units
    assert crew.save(two)["Location"] == crew.at("unit", ten)
    assert crew.save(ten)["Location"] == crew.at("unit", one)


def test_a_unit_beyond_the_list_is_recorded_and_the_walk_goes_on(crew: Field) -> None:
    beyond = make_unit(crew.site)
    assert crew.save(beyond)["Location"] == crew.at("unit", crew.units[2])
    page = text_of(crew.client.get(crew.at("round")))
    assert "and 1 beyond the list" in page
    assert "Beyond the list</b>" in page


def test_pressing_save_twice_keeps_one_entry(crew: Field) -> None:
    ref = str(uuid.uuid4())
    first = crew.save(crew.units[0], client_ref=ref)
    second = crew.save(crew.units[0], client_ref=ref)
    assert (first.status_code, second.status_code) == (302, 302)
    assert first["Location"] == second["Location"]
    assert crew.entries() == [(crew.units[0].number, "serviced")]


def test_going_back_and_changing_what_was_saved_asks_once_more(crew: Field) -> None:
    unit, ref = crew.units[0], str(uuid.uuid4())
    crew.save(unit, client_ref=ref)
    response = crew.save(unit, "failed", client_ref=ref, remarks="Seal broken")
    assert response.status_code == 409
    page = text_of(response)
    assert "You had already saved this page with other values." in page
    assert "Seal broken" in page
    fresh = re.search(r'name="client_ref" value="([0-9a-f-]+)"', page)
    assert fresh is not None
    assert fresh[1] != ref
    assert crew.entries() == [(unit.number, "serviced")]
    crew.save(unit, "failed", client_ref=fresh[1], remarks="Seal broken")
    assert crew.entries() == [(unit.number, "serviced"), (unit.number, "failed")]


def test_a_new_entry_takes_the_place_of_the_old_one_and_both_are_kept(crew: Field) -> None:
    unit = crew.units[0]
    crew.save(unit, value_gauge_pressure="190", remarks="Dusty")
    page = text_of(crew.client.get(crew.at("unit", unit)))
    assert "Recorded: serviced" in page
    assert "What you save now takes its place; both are kept." in page
    assert 'id="id_value_gauge_pressure" value="190"' in page
    assert "Dusty</textarea>" in page
    # 09:00 UTC is 03:00 in the site's zone.
    assert "25 Nov, 03:00" in page
    crew.save(unit, "not_found")
    assert crew.entries() == [(unit.number, "serviced"), (unit.number, "not_found")]
    assert "Recorded: not found" in text_of(crew.client.get(crew.at("unit", unit)))


def chosen_unit(page: str, quantity: str) -> str:
    select = re.search(rf'<select name="unit_{quantity}".*?</select>', page, re.S)
    assert select is not None
    found = re.search(r'<option value="([^"]+)" selected', select[0])
    assert found is not None
    return found[1]


def test_units_of_measure_are_those_of_the_last_entry(crew: Field) -> None:
    page = text_of(crew.client.get(crew.at("unit", crew.units[1])))
    assert (chosen_unit(page, "gauge_pressure"), chosen_unit(page, "gross_mass")) == ("psi", "lb")
    assert "On the plate: 195 psi working pressure." in page
    crew.save(crew.units[0], value_gauge_pressure="13.4", unit_gauge_pressure="bar")
    page = text_of(crew.client.get(crew.at("unit", crew.units[1])))
    assert (chosen_unit(page, "gauge_pressure"), chosen_unit(page, "gross_mass")) == ("bar", "lb")
    assert "On the plate: 13.4 bar working pressure." in page


@pytest.mark.parametrize(
    ("country", "units"), [("IN", ("kgf/cm²", "kg")), ("IE", ("bar", "kg")), ("", ("bar", "kg"))]
)
def test_a_new_technician_begins_with_the_units_of_the_country(
    crew: Field, country: str, units: tuple[str, str]
) -> None:
    Site.objects.filter(pk=crew.site.pk).update(country=country)
    page = text_of(crew.client.get(crew.at("unit", crew.units[0])))
    assert (chosen_unit(page, "gauge_pressure"), chosen_unit(page, "gross_mass")) == units


def test_a_unit_of_another_own_site_is_refused_with_its_name(crew: Field) -> None:
    elsewhere = make_unit(make_site(name="Quay Street"))
    make_visit(elsewhere.site, [elsewhere], technician=crew.technician)
    response = crew.save(elsewhere)
    assert response["Location"] == crew.at("round")
    assert (
        f"Unit {elsewhere.number} belongs to Quay Street, not to Mill Lane works. Nothing was saved."
        in text_of(crew.client.get(response["Location"]))
    )
    assert VisitEntry.objects.count() == 0


@pytest.mark.parametrize("method", ["get", "post"])
def test_a_unit_of_a_stranger_is_not_found(crew: Field, method: str) -> None:
    elsewhere = make_unit(make_site())
    assert getattr(crew.client, method)(crew.at("unit", elsewhere)).status_code == 404
    assert crew.client.get(crew.at("why", elsewhere)).status_code == 404
    assert VisitEntry.objects.count() == 0


@pytest.mark.parametrize("state", [Visit.State.CLOSED, Visit.State.CANCELLED])
def test_nothing_is_recorded_on_a_visit_that_is_not_open(crew: Field, state: str) -> None:
    done: dict[str, Any] = {"confirmed_at": crew.visit.created_at}
    if state == Visit.State.CLOSED:
        done |= {
            "closed_at": crew.visit.created_at,
            "closed_by": crew.technician,
            "done_on": crew.visit.planned_on,
        }
    Visit.objects.filter(pk=crew.visit.pk).update(state=state, **done)
    assert "<form class=" not in text_of(crew.client.get(crew.at("unit", crew.units[0]))).split("<main")[1]
    response = crew.save(crew.units[0])
    assert response["Location"] == crew.at("round")
    assert f"Visit {crew.visit.number} is {state}; nothing more can be recorded on it." in text_of(
        crew.client.get(response["Location"])
    )
    assert crew.entries() == []


def test_a_unit_at_the_end_of_its_life_cannot_pass(crew: Field) -> None:
    old = make_unit(
        crew.site,
        model=make_model(is_refillable=False),
        made=Stamp.of(2005, 1),
    )
    crew.visit.jobs.create(
        unit=old, location=old.location, task="retirement", table_key="t", table_version="1", rule_id="r",
        latest_on=crew.visit.planned_on,
    )  # fmt: skip
    page = text_of(crew.client.get(crew.at("unit", old)))
    assert "End of life." in page
    assert 'value="retirement"' not in page


def test_an_expired_session_saves_nothing_and_leads_back(crew: Field) -> None:
    url = crew.at("unit", crew.units[0])
    crew.client.logout()
    response = crew.save(crew.units[0])
    assert response.status_code == 302
    assert response["Location"] == f"{reverse('sign-in')}?next={url}"
    assert crew.entries() == []
    signed_in = crew.client.post(
        response["Location"], {"username": crew.technician.username, "password": PASSWORD, "next": url}
    )
    assert signed_in["Location"] == url
    assert crew.client.get(url).status_code == 200


def test_a_form_from_elsewhere_is_refused(crew: Field) -> None:
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(crew.technician)
    crew.client = strict
    assert crew.save(crew.units[0]).status_code == 403
    assert crew.entries() == []


def test_only_one_person_at_a_visit_whoever_else_is_signed_in(crew: Field) -> None:
    crew.client.force_login(make_user("technician"))
    assert crew.save(crew.units[0]).status_code == 404
    assert crew.entries() == []
