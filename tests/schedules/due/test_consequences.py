"""What a change of tables moves, tried out and carried out."""

from __future__ import annotations

from datetime import date

import pytest

from inventory.measures.stamps import Stamp
from inventory.register.models import Site
from schedules.due.models import Obligation
from schedules.due.services import Consequence, consequences, stale_unit_ids
from schedules.rulebook.models import Adoption
from schedules.rulebook.services import adopt_table, withdraw_adoption
from tests.factories import NOW, make_location, make_record, make_site, make_unit, make_user

pytestmark = pytest.mark.django_db


def serviced_unit(site: Site) -> None:
    """A unit whose maintenance is in date and whose monthly look was never made."""
    unit = make_unit(location=make_location(site), made=Stamp.of(2025, 3))
    make_record(unit, done=Stamp.of(2026, 3, 1))


def test_a_trial_tells_what_would_move_and_stores_nothing() -> None:
    site = make_site(tables=())
    serviced_unit(site)
    before = list(Obligation.objects.order_by("pk").values())
    moved = consequences(
        lambda: adopt_table("us-osha-1910-157", site=site, at=NOW), site_ids=[site.pk], now=NOW, keep=False
    )
    # 29 CFR 1910.157(e)(2), (e)(3), (e)(4), Table L-1: look (late, never made), maintenance, emptying, test.
    assert moved == [Consequence(site.pk, added=4, newly_overdue=1)]
    assert not Adoption.objects.exists()
    assert list(Obligation.objects.order_by("pk").values()) == before


def test_carried_out_the_change_and_its_dates_stand_together() -> None:
    site = make_site(tables=())
    serviced_unit(site)
    moved = consequences(
        lambda: adopt_table("us-osha-1910-157", site=site, at=NOW), site_ids=[site.pk], now=NOW, keep=True
    )
    assert moved == [Consequence(site.pk, added=4, newly_overdue=1)]
    assert Obligation.objects.filter(site=site, task="maintenance").get().latest_on == date(2027, 3, 1)
    assert stale_unit_ids(now=NOW) == []


def test_a_second_table_moves_a_date_sooner_and_its_end_moves_it_back() -> None:
    site = make_site()
    serviced_unit(site)
    # Dry chemical is pressure tested every 3 years by IS 2190 (as a secondary page states it) and every
    # 12 by 29 CFR 1910.157 Table L-1.
    sooner = consequences(
        lambda: adopt_table("in-is-2190", site=site, at=NOW), site_ids=[site.pk], now=NOW, keep=True
    )
    assert [(item.sooner, item.later, item.dropped) for item in sooner] == [(1, 0, 0)]
    test = Obligation.objects.get(site=site, task="hydrostatic_test", is_binding=True)
    assert (test.table_key, test.latest_on) == ("in-is-2190", date(2028, 3, 31))
    adoption = Adoption.objects.get(table_key="in-is-2190")
    later = consequences(
        lambda: withdraw_adoption(adoption.pk, by=make_user("manager"), at=NOW),
        site_ids=[site.pk],
        now=NOW,
        keep=True,
    )
    assert [(item.sooner, item.later) for item in later] == [(0, 1)]
    assert later[0].dropped == sooner[0].added


def test_a_date_that_was_stale_is_no_consequence_of_the_change() -> None:
    site = make_site()
    unit = make_unit(location=make_location(site), made=Stamp.of(2025, 3))
    make_record(unit, done=Stamp.of(2026, 3, 1), refresh=False)
    moved = consequences(
        lambda: adopt_table("us-osha-1910-157", site=site, at=NOW), site_ids=[site.pk], now=NOW, keep=False
    )
    assert moved == []


def test_an_adoption_is_withdrawn_once() -> None:
    site = make_site()
    adoption = Adoption.objects.get()
    assert withdraw_adoption(adoption.pk, by=make_user("manager"), at=NOW)
    assert not withdraw_adoption(adoption.pk, by=make_user("manager"), at=NOW)
    assert not Adoption.objects.standing().filter(site=site).exists()
