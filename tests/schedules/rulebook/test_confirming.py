"""Adopting tables and confirming them by name."""

from __future__ import annotations

import pytest
from django.core.exceptions import ValidationError

from schedules.due.models import Obligation
from schedules.due.services import refresh_stale, stale_unit_ids
from schedules.rulebook.books import rulebooks, tables_here
from schedules.rulebook.models import Adoption, Confirmation
from schedules.rulebook.queries import table_state
from schedules.rulebook.services import adopt_table, confirm_table, withdraw_confirmation
from schedules.rules import load_tables
from tests.factories import NOW, make_owner, make_site, make_unit, make_user

pytestmark = pytest.mark.django_db

OSHA = "us-osha-1910-157"


@pytest.fixture
def table():
    return load_tables()[OSHA][0]


def test_every_shipped_table_is_unconfirmed_at_first(table):
    state = table_state(table)
    assert not state.is_confirmed
    assert state.sentence.startswith("Unconfirmed")


def test_a_manager_confirms_by_name_against_a_local_code(table):
    confirm_table(
        OSHA,
        table.version,
        by=make_user("manager", first_name="M.", last_name="Holt"),
        name="M. Holt",
        local_code="Fire code of Port Calder",
        at=NOW,
    )
    state = table_state(table)
    assert state.is_confirmed
    assert state.sentence == "Confirmed by M. Holt on 2026-11-25 against Fire code of Port Calder."


def test_other_content_under_the_same_version_is_unconfirmed_again(table):
    confirm_table(
        OSHA,
        table.version,
        by=make_user("manager", first_name="M.", last_name="Holt"),
        name="M. Holt",
        local_code="Fire code",
        at=NOW,
    )
    assert table_state(table).is_confirmed
    Confirmation.objects.update(table_digest="0" * 64)
    assert not table_state(table).is_confirmed


@pytest.mark.parametrize(
    ("name", "code", "says"),
    [
        ("", "x", "Type your name"),
        ("Somebody Else", "x", "Nobody confirms"),
        ("maren  HOLT", " ", "local code"),
    ],
)
def test_a_confirmation_needs_a_name_and_a_code(table, name, code, says):
    with pytest.raises(ValidationError, match=says):
        confirm_table(
            OSHA,
            table.version,
            by=make_user("manager", first_name="Maren", last_name="Holt"),
            name=name,
            local_code=code,
            at=NOW,
        )
    assert not Confirmation.objects.exists()


def test_a_version_is_confirmed_once_and_again_after_withdrawal(table):
    manager = make_user("manager")
    first = confirm_table(OSHA, table.version, by=manager, name=manager.display_name, local_code="C", at=NOW)
    with pytest.raises(ValidationError, match="already confirmed"):
        confirm_table(OSHA, table.version, by=manager, name=manager.display_name, local_code="D", at=NOW)
    assert withdraw_confirmation(first.pk, by=manager, reason="The code changed", at=NOW)
    assert not withdraw_confirmation(first.pk, by=manager, reason="Twice", at=NOW)
    confirm_table(OSHA, table.version, by=manager, name=manager.display_name, local_code="D", at=NOW)
    assert table_state(table).confirmed_name == manager.display_name
    assert Confirmation.objects.count() == 2


def test_tables_of_firm_owner_and_site_add_up():
    owner = make_owner()
    site, other = make_site(owner, tables=(OSHA,)), make_site(tables=())
    adopt_table("us-nfpa-10", at=NOW)
    adopt_table("us-49cfr-180-209", owner=owner, at=NOW)
    books = rulebooks([site.pk, other.pk])
    assert [key for key, _ in books[site.pk].keys] == ["us-49cfr-180-209", "us-nfpa-10", OSHA]
    assert [key for key, _ in books[other.pk].keys] == ["us-nfpa-10"]
    assert {here.state.table.key for here in tables_here(other.pk)} == {"us-nfpa-10"}


def test_adopting_twice_is_one_adoption():
    site = make_site(tables=())
    assert adopt_table(OSHA, site=site, at=NOW) == adopt_table(OSHA, site=site, at=NOW)
    assert Adoption.objects.count() == 1


def test_a_table_that_is_not_shipped_is_refused():
    with pytest.raises(ValidationError, match="is shipped"):
        adopt_table("us-nothing", at=NOW)
    with pytest.raises(ValidationError, match="has no version"):
        adopt_table(OSHA, version="1999", at=NOW)


def test_adopting_a_table_makes_the_units_of_the_site_stale_and_adds_its_verdict():
    unit = make_unit(make_site(tables=(OSHA,)))
    make_unit(make_site(tables=(OSHA,)))
    assert stale_unit_ids(now=NOW) == []
    adopt_table("us-nfpa-10", site=unit.site, at=NOW)
    assert stale_unit_ids(now=NOW) == [unit.pk]
    refresh_stale(now=NOW)
    keys = set(Obligation.objects.filter(unit=unit, task="maintenance").values_list("table_key", flat=True))
    assert keys == {OSHA, "us-nfpa-10"}
    assert Obligation.objects.filter(unit=unit, task="maintenance", is_binding=True).count() == 1
