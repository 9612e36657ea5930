"""People of an owner who see only some of its sites."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.urls import reverse

from servicedesk.access import may_decide_for, scope_of
from tests.factories import TODAY, make_site, make_unit, make_user, make_visit
from tests.servicedesk.portal.cast import Premises, text_of

pytestmark = pytest.mark.django_db


def limit(premises: Premises) -> None:
    """The person sees the premises' first site alone from now on."""
    membership = premises.owner.memberships.get()
    membership.is_limited = True
    membership.save()
    membership.sites.set([premises.site])


def test_a_limited_person_sees_the_chosen_sites_and_nothing_else_of_the_owner(own: Premises) -> None:
    other = make_site(own.owner, name="Far barn")
    unit = make_unit(other)
    make_visit(other, [unit], planned_on=TODAY + timedelta(days=2), number="V-BARN")
    paper = own.serve(own.unit)
    assert "Far barn" in text_of(own.get("home"))
    limit(own)
    text = text_of(own.get("home"))
    assert "Far barn" not in text
    assert "V-BARN" not in text
    assert own.site.name in text
    assert paper.number in text
    assert own.get("site", other.public_id).status_code == 404
    assert own.get("unit", unit.public_id).status_code == 404
    assert own.client.get(reverse("paper-register", args=[other.public_id])).status_code == 404
    assert own.get("certificate", paper.public_id).status_code == 200


def test_a_site_that_went_to_another_owner_is_lost_and_opens_nothing_else(
    own: Premises, strange: Premises
) -> None:
    limit(own)
    own.site.owner = strange.owner
    own.site.save()
    scope = scope_of(own.owner.memberships.get().user)
    assert (scope.owner_ids, scope.site_ids) == (frozenset(), frozenset())
    assert own.get("site", own.site.public_id).status_code == 404


def test_only_who_may_decides_and_only_for_own_sites(own: Premises, strange: Premises) -> None:
    membership = own.owner.memberships.get()
    assert not may_decide_for(membership.user, own.site)
    membership.may_approve = True
    membership.save()
    assert may_decide_for(membership.user, own.site)
    assert not may_decide_for(membership.user, strange.site)
    far = make_site(own.owner)
    limit(own)
    assert may_decide_for(membership.user, own.site)
    assert not may_decide_for(membership.user, far)
    assert not may_decide_for(make_user("manager"), own.site)
