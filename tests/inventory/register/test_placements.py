"""Where a unit hangs, since when; and numbers that nobody gets twice."""

from __future__ import annotations

from datetime import date

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from inventory.access import EVERYTHING, NOTHING, Scope
from inventory.register.models import Location, Owner, Placement, Site, Unit
from inventory.register.services import draw_numbers, hang_unit, take_down_unit
from tests.factories import make_location, make_owner, make_site, make_unit, make_user

pytestmark = pytest.mark.django_db


def test_hanging_a_unit_elsewhere_closes_the_placement_before():
    unit, by = make_unit(), make_user("dispatcher")
    other = make_location(make_site())
    hang_unit(unit, other, on=date(2026, 3, 4), by=by, reason="Moved")
    rows = list(Placement.objects.filter(unit=unit).order_by("pk").values_list("until_on", "is_open"))
    assert rows == [(date(2026, 3, 4), False), (None, True)]
    assert (unit.site_id, unit.location_id) == (other.site_id, other.pk)


def test_a_unit_hangs_in_one_place_only():
    unit = make_unit()
    with pytest.raises(IntegrityError), transaction.atomic():
        Placement.objects.create(unit=unit, location=make_location(make_site()))


def test_a_condemned_unit_is_not_hung_again():
    unit = make_unit(state=Unit.State.CONDEMNED)
    with pytest.raises(ValidationError, match="cannot be hung again"):
        hang_unit(unit, make_location(make_site()), on=date(2026, 3, 4), by=None)
    assert Placement.objects.filter(unit=unit, is_open=True).count() == 1


def test_a_unit_in_the_workshop_keeps_its_site_and_leaves_its_location():
    unit = make_unit()
    site = unit.site
    take_down_unit(unit, on=date(2026, 3, 4), to_state=Unit.State.IN_WORKSHOP, keep_site=True)
    assert (unit.site, unit.location, unit.state) == (site, None, "in_workshop")
    assert not Placement.objects.filter(unit=unit, is_open=True).exists()


def test_moving_a_unit_raises_its_revision():
    unit = make_unit()
    before = unit.facts_revision
    hang_unit(unit, make_location(unit.site), on=date(2026, 3, 4), by=None)
    assert unit.facts_revision == before + 1


def test_numbers_are_drawn_once():
    assert list(draw_numbers("test", 3)) == [1, 2, 3]
    assert list(draw_numbers("test")) == [4]
    assert list(draw_numbers("other")) == [1]


def test_a_rolled_back_draw_leaves_no_gap():
    with transaction.atomic():
        draw_numbers("test", 5)
        transaction.set_rollback(True)
    assert list(draw_numbers("test")) == [1]


def test_a_scope_sees_its_own_premises_only():
    mine, theirs = make_owner(), make_owner()
    here, there = make_site(mine), make_site(theirs)
    seen, unseen = make_unit(here), make_unit(there)
    scope = Scope(owner_ids=frozenset({mine.pk}))
    assert list(Owner.objects.visible_to(scope)) == [mine]
    assert list(Site.objects.visible_to(scope)) == [here]
    assert list(Unit.objects.visible_to(scope)) == [seen]
    assert list(Unit.objects.visible_to(Scope(site_ids=frozenset({there.pk})))) == [unseen]
    assert Unit.objects.visible_to(EVERYTHING).count() == 2
    assert not Unit.objects.visible_to(NOTHING).exists()


def test_a_location_number_stands_once_per_site():
    location = make_location(make_site())
    with pytest.raises(IntegrityError), transaction.atomic():
        Location.objects.create(site=location.site, number=location.number)
