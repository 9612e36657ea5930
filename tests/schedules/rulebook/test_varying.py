"""One rule varied for a place: who may be varied, what is refused, and that it reaches the dates."""

from __future__ import annotations

import uuid
from datetime import date
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from inventory.measures.stamps import Stamp
from schedules.due.models import Obligation
from schedules.due.queries import explain
from schedules.due.services import refresh_stale, stale_unit_ids
from schedules.rulebook.books import NEW, Rulebook, VariedRule, rulebooks, standing
from schedules.rulebook.models import Variation
from schedules.rulebook.services import vary_rule, withdraw_variation
from schedules.rules import load_tables
from tests.factories import NOW, make_owner, make_record, make_site, make_unit, make_user

pytestmark = pytest.mark.django_db
KEY = "us-osha-1910-157"


def varied(site: Any = None, owner: Any = None, every: str = "P6M", **fields: Any) -> Variation:
    fields.setdefault("rule_id", "maintenance")
    fields.setdefault("reason", "Corrosive air from the plating shop")
    fields.setdefault("reference", "Fire marshal's letter FM-17 of 2026-03-02")
    fields.setdefault("changes", {"every": every})
    fields.setdefault("by", make_user("manager"))
    return vary_rule(
        KEY, fields.pop("rule_id"), fields.pop("changes"), at=NOW, site=site, owner=owner, **fields
    )


def every(book: Rulebook, rule_id: str = "maintenance") -> str:
    (table,) = (table for table in book.tables if table.key == KEY)
    return str(table.rule(rule_id).every)


def test_a_variation_moves_the_stored_date_and_says_why():
    unit = make_unit()
    make_record(unit, done=Stamp.of(2026, 1, 15))
    assert Obligation.objects.get(unit=unit, task="maintenance").latest_on == date(2027, 1, 15)

    row = varied(unit.site)
    assert stale_unit_ids(now=NOW) == [unit.pk]
    refresh_stale(now=NOW)

    assert Obligation.objects.get(unit=unit, task="maintenance").latest_on == date(2026, 7, 15)
    why = next(item.why for item in explain([unit.pk], NOW)[unit.pk] if item.task == "maintenance")
    said = next(line for line in why if line.startswith("Varied here"))
    assert "every P6M, printed: P1Y" in said
    assert "FM-17" in said
    assert row.varied_name in said

    assert withdraw_variation(row.pk, by=make_user("manager"), reason="Shop closed", at=NOW)
    assert not withdraw_variation(row.pk, by=make_user("manager"), reason="Shop closed", at=NOW)
    refresh_stale(now=NOW)
    assert Obligation.objects.get(unit=unit, task="maintenance").latest_on == date(2027, 1, 15)


def test_other_sites_stay_fresh_and_unvaried():
    site, other = make_unit().site, make_unit().site
    before = rulebooks([other.pk])[other.pk]
    varied(site)
    assert rulebooks([other.pk])[other.pk] == before
    assert every(rulebooks([site.pk])[site.pk]) == "6 months"
    assert every(before) == "1 year"


def test_the_nearest_level_counts():
    owner = make_owner()
    near, far, elsewhere = make_site(owner), make_site(owner), make_site()
    varied(every="P9M")
    varied(owner=owner, every="P6M")
    varied(near, every="P3M")
    books = rulebooks([near.pk, far.pk, elsewhere.pk])
    assert [every(books[s.pk]) for s in (near, far, elsewhere)] == ["3 months", "6 months", "9 months"]


def test_a_nearer_variation_of_every_edition_beats_a_farther_one_of_this_edition():
    site = make_site()
    varied(every="P9M", version="2026-1")
    varied(site, every="P3M")
    assert every(rulebooks([site.pk])[site.pk]) == "3 months"


def test_a_variation_of_this_edition_beats_that_of_every_edition_at_one_level():
    site = make_site()
    varied(site, every="P9M")
    varied(site, every="P3M", version="2026-1")
    assert every(rulebooks([site.pk])[site.pk]) == "3 months"


def test_a_rule_can_be_taken_out():
    site = make_site()
    varied(site, rule_id="recharge.after_use", changes={"off": True})
    (table,) = rulebooks([site.pk])[site.pk].tables
    assert "recharge.after_use" not in {rule.id for rule in table.rules}


def test_varying_again_takes_the_place_of_the_first():
    site = make_site()
    first = varied(site, every="P6M")
    second = varied(site, every="P3M")
    first.refresh_from_db()
    assert first.withdrawn_at == NOW
    assert [row.pk for row in Variation.objects.standing()] == [second.pk]


@pytest.mark.parametrize(
    ("fields", "name"),
    [
        ({"rule_id": "no.such"}, "rule_id"),
        ({"reason": " "}, "reason"),
        ({"reference": ""}, "reference"),
        ({"changes": {}}, "changes"),
        ({"changes": {"every": "twelve"}}, "changes"),
        ({"changes": {"every": "P1Y"}}, "changes"),
        ({"changes": {"colour": "red"}}, "changes"),
        ({"changes": {"task": "recharge"}}, "changes"),
        ({"version": "1999-1"}, "rule_id"),
    ],
    ids=[
        "no rule",
        "no reason",
        "no reference",
        "nothing",
        "no period",
        "the same",
        "no field",
        "task",
        "edition",
    ],
)
def test_what_does_not_fit_is_refused_and_named(fields, name):
    site = make_site()
    with pytest.raises(ValidationError) as problem:
        varied(site, **fields)
    assert set(problem.value.message_dict) == {name}
    assert not Variation.objects.exists()


def test_an_unknown_table_is_refused():
    with pytest.raises(ValidationError) as problem:
        vary_rule("none", "x", {"every": "P1Y"}, by=make_user("manager"), at=NOW, reason="r", reference="r")
    assert set(problem.value.message_dict) == {"table_key"}


def test_withdrawing_needs_a_reason():
    row = varied(make_site())
    with pytest.raises(ValidationError):
        withdraw_variation(row.pk, by=make_user("manager"), reason=" ", at=NOW)
    assert Variation.objects.standing().count() == 1


def test_the_database_refuses_a_second_standing_variation_and_one_without_ground():
    row = varied(make_site())
    fields = {f.name: getattr(row, f.name) for f in Variation._meta.concrete_fields if f.name not in ("id",)}
    with pytest.raises(IntegrityError), transaction.atomic():
        Variation.objects.create(**fields)
    with pytest.raises(IntegrityError), transaction.atomic():
        Variation.objects.create(**{**fields, "rule_id": "look", "reference": ""})
    with pytest.raises(IntegrityError), transaction.atomic():
        Variation.objects.create(**{**fields, "rule_id": "look", "owner": make_owner()})


def test_a_variation_that_no_edition_can_take_is_told_and_stops_nothing():
    gone = VariedRule(NEW, KEY, "", "gone.rule", (("every", "P6M"),), "r", "r", "b", None, None)
    bad = VariedRule(NEW, KEY, "", "maintenance", (("every", "soon"),), "r", "r", "b", None, None)
    good = VariedRule(NEW, KEY, "", "look", (("every", "P2M"),), "r", "r", "b", None, None)
    book = Rulebook(((KEY, ""),), (gone, bad, good))
    assert set(book.unfit) == {gone, bad}
    assert every(book, "look") == "2 months"
    assert every(book) == "1 year"


def test_what_is_varied_is_told_in_sentences_for_papers():
    site = make_site()
    row = varied(site)
    varied(site, rule_id="recharge.after_use", changes={"off": True}, reason="By contract.")
    book = rulebooks([site.pk])[site.pk]
    table = load_tables()[KEY][-1]
    assert book.varied_sentences(table) == (
        "Varied here: (e)(3), interval 6 months. Reason: Corrosive air from the plating shop. "
        f"Authority: Fire marshal's letter FM-17 of 2026-03-02. By {row.varied_name} on 2026-11-25.",
        "Varied here: (c)(4), does not apply. Reason: By contract. "
        f"Authority: Fire marshal's letter FM-17 of 2026-03-02. By {Variation.objects.last().varied_name} "
        "on 2026-11-25.",
    )
    assert book.varied_sentences(load_tables()["us-nfpa-10"][-1]) == ()
    assert rulebooks([make_site().pk]).popitem()[1].varied_sentences(table) == ()


def test_proposals_leave_the_standing_alone():
    site = make_site()
    now = standing()
    owner_of = {site.pk: site.owner_id}
    row = VariedRule(NEW, KEY, "", "maintenance", (("every", "P6M"),), "r", "r", "b", site.pk, None)
    then = now.with_variation(row).with_table("us-nfpa-10", site_id=site.pk)
    assert every(then.books(owner_of)[site.pk]) == "6 months"
    assert [key for key, _ in then.books(owner_of)[site.pk].keys] == ["us-nfpa-10", KEY]
    assert then.without_variation(NEW).without_table(NEW) == now
    assert now.books(owner_of)[site.pk] == rulebooks([site.pk])[site.pk]


def test_rulebooks_cost_three_queries_whatever_the_number(django_assert_num_queries):
    sites = [make_site().pk for _ in range(3)]
    varied(None)
    # sites with their owners, adoptions, variations
    with django_assert_num_queries(3):
        assert len(rulebooks(sites)) == 3
    with django_assert_num_queries(3):
        assert len(rulebooks(sites[:1])) == 1
    assert rulebooks([int(uuid.uuid4()) >> 96]) == {}
