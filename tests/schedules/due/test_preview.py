"""Consequences of a change of the rulebook, before it takes effect."""

from __future__ import annotations

from datetime import date

import pytest

from inventory.measures.kinds import Agent, Construction, Shell, Task
from inventory.measures.stamps import Stamp
from schedules.due.models import Obligation
from schedules.due.preview import Change, moves, preview
from schedules.due.services import refresh_stale
from schedules.rulebook.books import NEW, VariedRule, standing
from schedules.rulebook.models import Adoption, Variation
from schedules.rulebook.services import adopt_table, vary_rule
from tests.factories import NOW, make_model, make_owner, make_record, make_site, make_unit, make_user

pytestmark = pytest.mark.django_db
KEY = "us-osha-1910-157"


def vary_row(site, every="P6M", rule_id="maintenance"):
    return VariedRule(NEW, KEY, "", rule_id, (("every", every),), "why", "letter", "M", site.pk, None)


JANUARY = Stamp.of(2026, 1, 15)


def checked_unit(site, maintained=JANUARY):
    unit = make_unit(site)
    for task in (Task.VISUAL_INSPECTION, Task.MAINTENANCE):
        make_record(unit, task, maintained)
    return unit


def test_an_earlier_date_that_is_newly_overdue():
    unit = checked_unit(make_site())
    now = standing()
    found = preview(now, now.with_variation(vary_row(unit.site)), [unit.site_id], at=NOW)
    (move,) = found.sample
    assert (move.unit, move.task, move.change) == (unit.number, Task.MAINTENANCE, Change.EARLIER)
    assert (move.old_on, move.new_on) == (date(2027, 1, 15), date(2026, 7, 15))
    assert move.is_newly_overdue
    assert (found.total.earlier, found.total.newly_overdue, found.total.units) == (1, 1, 1)
    assert found.units_looked_at == 1
    (site,) = found.sites
    assert (site.site_id, site.earlier, site.newly_overdue) == (unit.site_id, 1, 1)


def test_a_later_date_is_not_newly_overdue():
    unit = checked_unit(make_site(), Stamp.of(2025, 1, 15))
    now = standing()
    found = preview(now, now.with_variation(vary_row(unit.site, "P18M")), [unit.site_id], at=NOW)
    assert [(m.change, m.is_newly_overdue) for m in found.sample] == [(Change.LATER, False)]


def test_the_preview_says_what_then_happens_and_writes_nothing():
    site = make_site()
    for day in (1, 15, 28):
        checked_unit(site, Stamp.of(2026, 2, day))
    checked_unit(make_site())

    def stored():
        return set(Obligation.objects.values_list("unit_id", "table_key", "task", "latest_on", "is_binding"))

    before = stored()
    now = standing()
    proposed = now.with_table("us-nfpa-10", site_id=site.pk).with_variation(vary_row(site))
    told = list(moves(now, proposed, [site.pk], at=NOW))
    assert stored() == before
    assert not Variation.objects.exists()
    assert Adoption.objects.filter(table_key="us-nfpa-10").count() == 0

    adopt_table("us-nfpa-10", site=site, at=NOW)
    vary_rule(
        KEY,
        "maintenance",
        {"every": "P6M"},
        by=make_user("manager"),
        at=NOW,
        reason="why",
        reference="letter",
        site=site,
    )
    refresh_stale(now=NOW)
    then = {(u, task): day for u, _, task, day, binds in stored() if binds}
    was = {(u, task): day for u, _, task, day, binds in before if binds}
    differing = {key for key in then.keys() | was.keys() if then.get(key) != was.get(key)}
    assert differing == {(m.unit_id, m.task.value) for m in told if m.change is not Change.UNCOVERED}
    assert all(then.get((m.unit_id, m.task.value)) == m.new_on for m in told)
    assert all(was.get((m.unit_id, m.task.value)) == m.old_on for m in told)


def test_withdrawing_the_only_table_drops_every_date():
    unit = checked_unit(make_site())
    now = standing()
    adoption = Adoption.objects.get()
    found = preview(now, now.without_table(adoption.pk), [unit.site_id], at=NOW)
    assert found.total.dropped == Obligation.objects.filter(latest_on__isnull=False).count() > 0
    assert set(found.total.counts) == {Change.DROPPED}
    assert all(m.new_on is None and m.new_table is None for m in found.sample)


def test_a_table_without_a_rule_for_a_kind_present_is_named():
    site = make_site(tables=())
    odd = make_model(agent=Agent.UNKNOWN, construction=Construction.UNKNOWN, shell=Shell.UNKNOWN)
    make_unit(site, model=odd)
    make_unit(site, model=odd)
    checked_unit(site)
    now = standing()
    found = preview(now, now.with_table(KEY, site_id=site.pk), [site.pk], at=NOW)
    gaps = [(gap.table.key, gap.task, gap.kind, gap.units) for gap in found.gaps]
    assert (KEY, Task.HYDROSTATIC_TEST, "Unknown agent, unknown construction, unknown shell", 2) in gaps
    assert found.total.uncovered == sum(units for *_, units in gaps)
    # A gap that was there already is no consequence of another table.
    adopt_table(KEY, site=site, at=NOW)
    again = preview(standing(), standing().with_variation(vary_row(site)), [site.pk], at=NOW)
    assert again.total.uncovered == 0


def test_only_the_place_is_looked_at_and_a_change_of_nothing_costs_nothing(django_assert_num_queries):
    owner = make_owner()
    here, there = make_site(owner), make_site()
    checked_unit(here)
    checked_unit(there)
    now = standing()
    found = preview(now, now.with_table("us-nfpa-10", owner_id=owner.pk), [here.pk, there.pk], at=NOW)
    assert {count.site_id for count in found.sites} == {here.pk}
    assert found.units_looked_at == 1
    # sites with their owners; no rulebook differs, so no unit is read
    with django_assert_num_queries(1):
        same = preview(now, now.with_table(KEY, site_id=here.pk), [here.pk], at=NOW)
    assert same.is_nothing


def test_the_cost_in_queries_does_not_grow_with_the_units(django_assert_num_queries):
    site = make_site()
    checked_unit(site)
    now = standing()
    proposed = now.with_variation(vary_row(site))
    # sites, ids of units, records, units, numbers of those that move
    with django_assert_num_queries(5):
        preview(now, proposed, [site.pk], at=NOW)
    checked_unit(site)
    checked_unit(site)
    with django_assert_num_queries(5):
        assert preview(now, proposed, [site.pk], at=NOW).total.units == 3
