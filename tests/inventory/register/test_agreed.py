"""Terms in time: versions hold from their day, are never changed, and two people at once lose nothing."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import connection, transaction
from django.db.utils import DatabaseError

from inventory.appendonly import HistoryIsAppendOnly
from inventory.errors import Conflict
from inventory.register import agreed as services
from inventory.register.agreed import TermsBook, agree, agreed_for
from inventory.register.custody import add_own_unit, add_store, bare_by_terms, exchange
from inventory.register.models import Owner, Site
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
