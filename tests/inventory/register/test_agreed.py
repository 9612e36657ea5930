"""Terms in time: versions hold from their day, are never changed, and two people at once lose nothing."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import connection, transaction
from django.db.utils import DatabaseError
from django.test.utils import CaptureQueriesContext

from inventory.access import EVERYTHING
from inventory.appendonly import HistoryIsAppendOnly
from inventory.errors import Conflict
from inventory.register import agreed as services
from inventory.register.agreed import TermsBook, agree, agreed_for, contracts
from inventory.register.custody import add_own_unit, add_store, bare_by_terms, exchange
from inventory.register.models import Owner, Site
from inventory.register.ownership import merge_owner
from inventory.register.terms import ContractMark, TermsVersion
from schedules.bundles.queries import bundles_of, figures_in_force
from tests.factories import NOW, TODAY, make_owner, make_site, make_unit

pytestmark = pytest.mark.django_db


def write(owner: Owner, site: Site | None = None, from_on: date = TODAY, seen: int = 0, **terms: Any) -> Any:
    return agree(owner, site, terms, from_on=from_on, reason="Signed", seen=seen, by=None, now=NOW)


def test_each_day_has_the_version_that_held_then() -> None:
    site = make_site()
    write(site.owner, from_on=date(2025, 1, 1), keys="Porter", price_basis="all_in")
    write(site.owner, from_on=date(2027, 1, 1), seen=1, keys="Lodge")
    write(site.owner, site, from_on=date(2026, 6, 1), keys="Cook")
    book = TermsBook([site.owner_id])
    at = [book.at(site.owner_id, site.pk, day) for day in (date(2024, 1, 1), date(2026, 5, 31), TODAY)]
    assert [one.get("keys") for one in at] == [None, "Porter", "Cook"]
    assert book.at(site.owner_id, make_site(site.owner).pk, date(2027, 1, 1)).values == {"keys": "Lodge"}


def test_versions_are_never_changed_and_two_at_once_are_told() -> None:
    owner = make_owner()
    first = write(owner, keys="Porter")
    with pytest.raises(Conflict, match="Somebody else changed"):
        write(owner, keys="Lodge")
    with pytest.raises(ValidationError, match="Say why"):
        agree(owner, None, {}, from_on=TODAY, reason=" ", seen=1, by=None, now=NOW)
    with pytest.raises(ValidationError, match="no such term"):
        write(owner, seen=1, colour="red")
    first.reason = "Another"
    with pytest.raises(HistoryIsAppendOnly):
        first.save()
    with pytest.raises(HistoryIsAppendOnly):
        TermsVersion.objects.all().delete()
    assert TermsVersion.objects.count() == 1


def test_the_database_refuses_too(request: pytest.FixtureRequest) -> None:
    if request.config.getoption("nomigrations", default=False):
        pytest.skip("triggers come with the migrations")
    write(make_owner())
    with (
        pytest.raises(DatabaseError, match="append-only"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute("UPDATE inventory_termsversion SET reason = 'x'")


def test_a_site_without_the_contract_of_its_owner_can_be_agreed_and_agreed_again() -> None:
    site = make_site()
    write(site.owner, contract_number="C-1", begins_on="2026-01-01", ends_on="2027-01-01")
    none = {"contract_number": None, "begins_on": None, "ends_on": None}
    for seen in (0, 1):
        row = write(site.owner, site, seen=seen, **none)
        assert (row.contract_number, row.begins_on, row.ends_on) == ("", None, None)
    assert agreed_for([site], NOW)[site.pk].values.get("contract_number") is None


def test_a_sold_site_begins_anew_with_its_new_owner() -> None:
    site = make_site()
    write(site.owner, site, keys="Porter")
    site.owner = make_owner()
    site.save()
    assert agreed_for([site], NOW)[site.pk].values == {}
    assert write(site.owner, site, keys="Lodge").number == 2


def test_who_looks_monthly_and_the_language_follow_the_terms_on_their_day() -> None:
    site, untouched = make_site(), make_site(language="fr")
    write(site.owner, from_on=TODAY + timedelta(days=3), language="de", monthly_checks_by="firm")
    site.refresh_from_db()
    assert (site.language, site.monthly_checks_by) == ("en", "owner")
    later = NOW + timedelta(days=3)
    assert [services.put_in_force(later), services.put_in_force(later)] == [1, 0]
    site.refresh_from_db()
    untouched.refresh_from_db()
    assert (site.language, site.monthly_checks_by, untouched.language) == ("de", "firm", "fr")


def test_a_task_outside_the_contract_gets_no_trip_until_it_is_called_off() -> None:
    site = make_site()
    make_unit(site)
    write(site.owner, tasks_included=["recharge"])

    def works() -> tuple[set[str], str]:
        found = next(bundles_of([site], now=NOW, figures=figures_in_force(), fixed={}, months=3))
        planned = {work.clock.task.value for trip in found.bundle.trips for work in trip.works}
        return planned, " ".join(found.problems)

    planned, said = works()
    assert "maintenance" not in planned
    assert "Maintenance of 1 unit falls due and is outside" in said
    given = {"from_on": TODAY, "until_on": TODAY + timedelta(days=60), "by": None, "now": NOW}
    order = services.call_off(site, "maintenance", ordered_by="Ms Reed, by phone", **given)
    assert "maintenance" in works()[0]
    services.take_back_call_off(order, "Too dear", now=NOW)
    assert "maintenance" not in works()[0]


def test_a_unit_that_must_come_back_is_not_exchanged_without_a_name() -> None:
    old = make_unit(refresh=False)
    home = old.location
    assert home is not None
    van = add_store("van", "Van 1")
    spare = add_own_unit(old.model, van, serial="N1", made=old.made, on=TODAY, by=None)
    write(home.site.owner, return_of_units="same", loaners_compulsory=True)
    assert bare_by_terms([old], TODAY) == [old]
    with pytest.raises(Conflict, match="the same unit comes back"):
        exchange(old, spare, home, on=TODAY, by=None, old_to=van)
    placed = exchange(old, spare, home, on=TODAY, by=None, old_to=van, despite="Ms Reed, by phone")
    assert placed.unit == spare
    assert "Ms Reed" in placed.reason


def test_renewing_writes_the_next_term_once() -> None:
    owner = make_owner()
    old = write(owner, from_on=date(2026, 1, 1), keys="Porter", begins_on="2026-01-01", ends_on="2026-12-31")
    given = {"on": TODAY, "by": None, "now": NOW}
    services.mark_contract(old, "offered", **given)
    with pytest.raises(ValidationError, match="new last day"):
        services.mark_contract(old, "renewed", ends_on=date(2026, 12, 31), **given)
    mark = services.mark_contract(old, "renewed", ends_on=date(2027, 12, 31), **given)
    new = mark.successor
    assert new is not None
    assert (new.from_on, new.begins_on, new.ends_on) == (
        date(2027, 1, 1),
        date(2027, 1, 1),
        date(2027, 12, 31),
    )
    assert new.values["keys"] == "Porter"
    with pytest.raises(Conflict, match="already"):
        services.mark_contract(old, "ended", **given)
    assert [m.kind for m in ContractMark.objects.all()] == ["offered", "renewed"]


def test_sites_of_an_owner_that_is_another_keep_the_terms_that_held_for_them() -> None:
    """Each day of each site reads as before, what is yet to come too; one without terms follows."""
    old, into = make_owner(name="Harrow Mills Ltd"), make_owner(name="Harrow Mills")
    plain, special, theirs = make_site(old), make_site(old), make_site(into)
    write(old, from_on=date(2025, 1, 1), keys="Porter", ends_on="2026-12-31", contract_number="C-7")
    ahead = TODAY + timedelta(days=60)
    write(old, from_on=ahead, seen=1, keys="Lodge", price_basis="all_in")
    write(old, special, from_on=date(2026, 6, 1), keys="Cook")
    write(into, from_on=date(2025, 6, 1), tasks_included=["maintenance"], keys="Desk", approver="Ann")
    offered = TermsVersion.objects.get(owner=old, site=None, number=1)
    services.mark_contract(offered, ContractMark.Kind.OFFERED, on=TODAY, note="By post", by=None, now=NOW)
    days = (date(2024, 1, 1), date(2025, 3, 1), date(2026, 5, 31), date(2026, 6, 2), TODAY, ahead)
    before = TermsBook([old.pk])
    held = {(s.pk, day): before.at(old.pk, s.pk, day).values for s in (plain, special) for day in days}
    with_them = agreed_for([theirs], NOW)[theirs.pk].values

    with CaptureQueriesContext(connection) as asked:
        merge_owner(old, into, "One firm, entered twice", by=None, at=NOW)
    assert len(asked) < 45

    after = TermsBook([into.pk])
    for (site_id, day), values in held.items():
        assert after.at(into.pk, site_id, day).values == values, (site_id, day)
    assert agreed_for([theirs], NOW)[theirs.pk].values == with_them
    row = after.version(into.pk, special.pk, TODAY)
    assert row is not None
    assert row.reason == (
        "As agreed with Harrow Mills Ltd (version 1 and version 1 of the site), which is this owner."
    )
    assert (row.contract_number, row.ends_on) == ("C-7", date(2026, 12, 31))
    assert [(mark.kind, mark.note) for mark in row.marks.all()] == [("offered", "By post")]
    # Of the owner that gave way nothing is in force any more; its versions stay as they were.
    listed = contracts(EVERYTHING, TODAY)
    assert {(one.owner_id, one.site_id) for one in listed} == {
        (into.pk, None),
        (into.pk, plain.pk),
        (into.pk, special.pk),
    }
    assert TermsVersion.objects.filter(owner=old).count() == 3
    with pytest.raises(Conflict, match="turned out to be another owner"):
        write(old, seen=2, keys="Porter")
    # A later version of the site goes on counting, and renewing keeps what is not agreed there.
    services.mark_contract(
        row, ContractMark.Kind.RENEWED, on=TODAY, ends_on=date(2027, 12, 31), by=None, now=NOW
    )
    again = TermsBook([into.pk]).at(into.pk, special.pk, date(2027, 3, 1))
    assert (again.day("ends_on"), again.get("tasks_included"), again.get("approver")) == (
        date(2027, 12, 31),
        None,
        None,
    )


def test_a_site_for_which_nothing_was_agreed_follows_the_owner_that_stays() -> None:
    old, into = make_owner(name="Harrow Mills Ltd"), make_owner(name="Harrow Mills")
    site, came_back = make_site(old), make_site(old)
    write(into, keys="Desk")
    # It was with that owner before: what was agreed for it then must not come back.
    Site.objects.filter(pk=came_back.pk).update(owner=into)
    came_back.refresh_from_db()
    write(into, came_back, from_on=date(2024, 1, 1), keys="Attic")
    Site.objects.filter(pk=came_back.pk).update(owner=old, owner_since=date(2026, 1, 1))
    merge_owner(old, into, "One firm", by=None, at=NOW)
    found = agreed_for(list(Site.objects.filter(pk__in=[site.pk, came_back.pk]).order_by("pk")), NOW)
    assert [one.get("keys") for one in found.values()] == ["Desk", "Desk"]
    assert TermsBook([into.pk]).at(into.pk, came_back.pk, date(2025, 1, 1)).get("keys") == "Attic"
    assert not TermsVersion.objects.filter(site=site).exists()
