"""What the pictures of an owner's figures count."""

from __future__ import annotations

from datetime import date

import pytest

from inventory.access import EVERYTHING, Scope
from inventory.measures.stamps import Stamp
from inventory.register.models import Unit
from servicedesk.portal.plots import age_plot
from tests.factories import NOW, TODAY, make_site, make_unit

pytestmark = pytest.mark.django_db


def test_ages_go_by_the_last_year_that_a_mark_can_mean(django_assert_num_queries):
    site, other = make_site(), make_site()
    for made in (
        Stamp.on(TODAY),
        Stamp.on(date(2022, 1, 1)),
        Stamp.of(2021, 12),
        Stamp.of(2017),
        Stamp.of(2016),
        Stamp.of(2012, 1),
        Stamp.of(2007),
        Stamp.of(2006, 12),
        Stamp.of(1930),
        Stamp.unknown(),
    ):
        make_unit(site, made=made)
    make_unit(site, made=Stamp.of(2020), state=Unit.State.CONDEMNED)
    make_unit(other, made=Stamp.of(2014))
    with django_assert_num_queries(1):
        plot = age_plot(EVERYTHING, NOW, site)
    assert [(bar.word, bar.value) for bar in plot.bars] == [
        ("0–4", 2), ("5–9", 2), ("10–14", 2), ("15–19", 1), ("20 +", 2), ("unknown", 1),
    ]  # fmt: skip
    assert plot.sentence == "10 units by years since they were made, 1 of unknown age."
    assert [bar.value for bar in age_plot(EVERYTHING, NOW).bars] == [2, 2, 3, 1, 2, 1]
    assert age_plot(Scope(), NOW).sentence == "0 units by years since they were made, 0 of unknown age."
