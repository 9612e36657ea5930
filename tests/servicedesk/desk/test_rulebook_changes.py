"""Adopting, varying and withdrawing: shown first, done when confirmed, by a manager only."""

from __future__ import annotations

import csv
import io
from datetime import date
from html import unescape
from typing import Any

import pytest

from inventory.measures.kinds import Agent, Construction, Shell
from schedules.due.models import Obligation
from schedules.due.services import stale_unit_ids
from schedules.rulebook.models import Adoption, Variation
from schedules.rulebook.services import confirm_table, vary_rule
from schedules.rules import load_tables
from servicedesk.desk.changes import HEADINGS, PERIODS
from servicedesk.desk.periods import period_text
from servicedesk.pages import STANDING_LINE
from tests.factories import NOW, make_model, make_unit
from tests.servicedesk.page_cast import ROLES, Cast, make_serviced_unit, text_of

pytestmark = pytest.mark.django_db
OSHA = "us-osha-1910-157@2026-1"
RULE = {"table": OSHA, "rule": "maintenance"}


def variation(cast: Cast, **changes: Any) -> dict[str, Any]:
    return {
        **RULE,
        "every": "6 months",
        "level": "site",
        "site": cast.site.public_id,
        "owner": "",
        "reason": "Plating shop",
        "reference": "Letter FM-17 of 2026-03-02",
        **changes,
    }


def adoption(cast: Cast, **changes: Any) -> dict[str, Any]:
    return {
        "table": "in-is-2190@2026-1",
        "level": "site",
        "site": cast.site.public_id,
        "owner": "",
        **changes,
    }


def stored() -> list[dict[str, Any]]:
    return list(Obligation.objects.order_by("pk").values())


# --- varying ---------------------------------------------------------------------------------------


def test_the_rule_is_shown_as_printed(cast: Cast) -> None:
    page = text_of(cast.get("manager", "desk:table-vary", **RULE))
    assert "(e)(3): Annual maintenance check" in page
    assert "Printed: <strong>every 1 year</strong>" in page
    assert 'value="1 year"' in page
    link = f"/desk/tables/vary/?table={OSHA}&amp;rule=maintenance"
    assert link in text_of(cast.get("manager", "desk:table", *OSHA.split("@")))
    assert link not in text_of(cast.get("dispatcher", "desk:table", *OSHA.split("@")))


def test_what_would_move_is_shown_and_nothing_is_stored(cast: Cast) -> None:
    before = stored()
    answer = cast.get("manager", "desk:table-vary", **variation(cast), look="1")
    page = text_of(answer)
    found = answer.context["found"]
    assert (found.total.earlier, found.total.newly_overdue, found.total.units) == (1, 1, 1)
    assert [line["site"] for line in answer.context["lines"]] == [cast.site]
    assert "interval 6 months, for Mill Lane works." in page
    assert "Nothing is stored yet." in page
    assert "unconfirmed" in page
    assert STANDING_LINE in page
    assert stored() == before
    assert not Variation.objects.exists()


def test_a_confirmed_variation_stands_and_its_dates_with_it(cast: Cast) -> None:
    answer = cast.client("manager").post("/desk/tables/vary/", variation(cast), follow=True)
    page = text_of(answer)
    assert "Annual maintenance check of United States workplaces is varied for Mill Lane works." in page
    row = Variation.objects.standing().get()
    assert (row.site, row.rule_id, row.changes, row.varied_by) == (
        cast.site,
        "maintenance",
        {"every": "P6M"},
        cast.people["manager"],
    )
    assert (row.reason, row.reference, row.table_version) == (
        "Plating shop",
        "Letter FM-17 of 2026-03-02",
        "",
    )
    owed = Obligation.objects.get(unit=cast.unit, task="maintenance", is_binding=True)
    assert owed.latest_on == date(2026, 9, 1)
    assert stale_unit_ids(now=NOW) == []
    # The history names who, what, where and on whose word.
    for words in ("Varied", "Rule maintenance. Plating shop. Authority: Letter FM-17", row.varied_name):
        assert words in page


def test_a_rule_is_taken_out_for_one_edition_and_all_sites_of_an_owner(cast: Cast) -> None:
    data = variation(
        cast, rule="recharge.after_use", off="on", level="owner", owner=cast.owner.public_id, is_pinned="on"
    )
    del data["every"]
    assert cast.post("manager", "desk:table-vary", **data).status_code == 302
    row = Variation.objects.standing().get()
    assert (row.owner, row.site, row.changes, row.table_version) == (
        cast.owner,
        None,
        {"off": True},
        "2026-1",
    )


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"every": "soon"}, '"soon" is no length of time. Write a whole number: 6 months'),
        ({"every": "1,5 years"}, '"1,5 years" is no length of time.'),
        ({"every": "1.5 years"}, "a year and a half is 18 months."),
        ({"every": "0 months"}, "is no time at all."),
        ({"every": "3 months, 6 months"}, "Write one length of time."),
        ({"every": "1 year"}, "Nothing is changed."),
        ({"every": "12 months"}, "Nothing is changed."),
        ({"reason": ""}, "Give the reason for the variation."),
        ({"reference": ""}, "Name what the local authority wrote, and its date."),
        ({"site": ""}, "Choose the site that it is for."),
        ({"level": "owner"}, "Choose the owner whose sites it is for."),
        ({"site": "mill"}, "This choice is not in the list."),
    ],
)
def test_a_variation_that_cannot_be_says_why(cast: Cast, changes: dict[str, str], said: str) -> None:
    for answer in (
        cast.get("manager", "desk:table-vary", **variation(cast, **changes), look="1"),
        cast.post("manager", "desk:table-vary", **variation(cast, **changes)),
    ):
        assert answer.status_code == 400
        assert said in unescape(text_of(answer))
    assert not Variation.objects.exists()


@pytest.mark.parametrize(
    "rule", [{}, {"table": OSHA}, {"table": OSHA, "rule": "no"}, {"table": "x@1", "rule": "look"}]
)
def test_a_rule_that_is_not_there_is_not_found(cast: Cast, rule: dict[str, str]) -> None:
    assert cast.get("manager", "desk:table-vary", **rule).status_code == 404


def test_every_length_of_time_of_a_rule_can_be_varied(cast: Cast) -> None:
    tables = [table for editions in load_tables().values() for table in editions]
    rules = {
        tuple(name for name in PERIODS if name in raw): (f"{table.key}@{table.version}", raw["id"])
        for table in tables
        for raw in table.raw["rule"]
    }
    assert {name for names in rules for name in names} >= {"every", "first", "at_ages"}
    for names, (table, rule) in rules.items():
        answer = cast.get("manager", "desk:table-vary", table=table, rule=rule)
        assert [name for name in PERIODS if name in answer.context["form"].fields] == list(names)
        data = variation(cast, table=table, rule=rule, **dict.fromkeys(names, "7 years, 14 years"))
        for name in names:
            if name != "at_ages":
                data[name] = "7 years"
        if not names:
            continue
        found = cast.get("manager", "desk:table-vary", **data, look="1")
        assert found.status_code == 200, (table, rule, found.context["form"].errors)


def test_lengths_of_time_as_people_write_them() -> None:
    for text, found in (
        ("6 months", "P6M"),
        ("1 Year", "P1Y"),
        ("30days", "P30D"),
        ("2 weeks", "P2W"),
        ("p18m", "P18M"),
    ):
        assert period_text(text) == found


# --- adopting --------------------------------------------------------------------------------------


def test_a_table_is_adopted_after_a_look(cast: Cast) -> None:
    answer = cast.get("manager", "desk:table-adopt", **adoption(cast), look="1")
    assert answer.context["found"].total.earlier == 1
    assert not Adoption.objects.filter(table_key="in-is-2190").exists()
    page = text_of(
        cast.client("manager").post("/desk/tables/adopt/", adoption(cast, is_pinned="on"), follow=True)
    )
    assert "India is adopted for Mill Lane works." in page
    row = Adoption.objects.standing().get(table_key="in-is-2190")
    assert (row.site, row.table_version, row.adopted_by) == (cast.site, "2026-1", cast.people["manager"])
    assert Obligation.objects.filter(unit=cast.unit, table_key="in-is-2190").exists()


def test_a_table_is_adopted_for_all_sites_of_an_owner_or_of_the_firm(cast: Cast) -> None:
    cast.post("manager", "desk:table-adopt", **adoption(cast, level="owner", owner=cast.owner.public_id))
    row = Adoption.objects.get(table_key="in-is-2190")
    assert (row.owner, row.site, row.table_version) == (cast.owner, None, "")
    assert not Obligation.objects.filter(unit=cast.other_unit, table_key="in-is-2190").exists()
    cast.post("manager", "desk:table-adopt", **adoption(cast, level="firm"))
    assert Obligation.objects.filter(unit=cast.other_unit, table_key="in-is-2190").exists()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"site": ""}, "Choose the site that it is for."),
        ({"level": "owner"}, "Choose the owner whose sites it is for."),
        ({"site": "mill"}, "This choice is not in the list."),
        ({"level": "world"}, "Select a valid choice."),
        ({"table": "moon@1"}, "Select a valid choice."),
    ],
)
def test_an_adoption_that_cannot_be_says_why(cast: Cast, changes: dict[str, str], said: str) -> None:
    for answer in (
        cast.get("manager", "desk:table-adopt", **adoption(cast, **changes), look="1"),
        cast.post("manager", "desk:table-adopt", **adoption(cast, **changes)),
    ):
        assert answer.status_code == 400
        assert said in text_of(answer)
    assert not Adoption.objects.filter(table_key="in-is-2190").exists()


def test_a_kind_present_without_a_rule_is_named(cast: Cast) -> None:
    odd = make_model(agent=Agent.UNKNOWN, construction=Construction.UNKNOWN, shell=Shell.UNKNOWN)
    make_unit(cast.site, model=odd)
    page = text_of(cast.get("manager", "desk:table-adopt", **adoption(cast), look="1"))
    assert "Kinds of unit present there without a rule" in page
    assert (
        "Unknown agent, unknown construction, unknown shell: India does not say when hydrostatic test" in page
    )


def test_the_moves_are_a_file_that_can_be_read_back(cast: Cast) -> None:
    confirm_table(
        "us-osha-1910-157",
        "2026-1",
        by=cast.people["manager"],
        name=cast.people["manager"].display_name,
        local_code="City",
        at=NOW,
    )
    second = make_serviced_unit(cast.site, number="U-100002")
    answer = cast.get("manager", "desk:table-vary", **variation(cast), look="1", **{"as": "csv"})
    assert "attachment" in answer.headers["Content-Disposition"]
    rows = list(csv.DictReader(io.StringIO(text_of(answer).removeprefix("\ufeff"), newline="")))
    assert tuple(rows[0]) == HEADINGS
    assert [row["unit"] for row in rows] == [cast.unit.number, second.number]
    assert {(r["change"], r["latest_now"], r["latest_then"], r["newly_overdue"]) for r in rows} == {
        ("Earlier", "2027-03-01", "2026-09-01", "yes")
    }
    assert {(r["site"], r["owner"], r["task"], r["note"]) for r in rows} == {
        ("Mill Lane works", "Harrow Mills", "Maintenance", STANDING_LINE)
    }
    assert all(row["table_confirmation"].startswith("Confirmed by M") for row in rows)


# --- withdrawing -----------------------------------------------------------------------------------


def test_a_variation_is_withdrawn_after_a_look(cast: Cast) -> None:
    cast.post("manager", "desk:table-vary", **variation(cast))
    row = Variation.objects.get()
    data = {"what": f"variation-{row.pk}", "reason": "Shop closed"}
    answer = cast.get("manager", "desk:table-withdraw", **data, look="1")
    assert answer.context["found"].total.later == 1
    assert "Without the variation of rule maintenance of United States workplaces" in text_of(answer)
    page = text_of(cast.client("manager").post("/desk/tables/withdraw/", data, follow=True))
    assert (
        "The variation of rule maintenance of United States workplaces for Mill Lane works no longer counts."
        in page
    )
    row.refresh_from_db()
    assert (row.withdrawn_by, row.withdrawn_reason) == (cast.people["manager"], "Shop closed")
    owed = Obligation.objects.get(unit=cast.unit, task="maintenance", is_binding=True)
    assert owed.latest_on == date(2027, 3, 1)
    assert cast.post("manager", "desk:table-withdraw", **data).status_code == 404


def test_an_adoption_is_withdrawn_with_all_its_dates(cast: Cast) -> None:
    row = Adoption.objects.get(site=cast.site)
    data = {"what": f"adoption-{row.pk}", "reason": "Sold"}
    dropped = Obligation.objects.filter(unit=cast.unit, latest_on__isnull=False).count()
    assert (
        cast.get("manager", "desk:table-withdraw", **data, look="1").context["found"].total.dropped == dropped
    )
    assert cast.post("manager", "desk:table-withdraw", **data).status_code == 302
    assert not Obligation.objects.filter(unit=cast.unit).exists()
    assert Obligation.objects.filter(unit=cast.other_unit).exists()


def test_withdrawing_needs_a_reason_and_a_row(cast: Cast) -> None:
    row = Adoption.objects.get(site=cast.site)
    answer = cast.post("manager", "desk:table-withdraw", what=f"adoption-{row.pk}", reason="")
    assert answer.status_code == 400
    assert "Say why it is withdrawn." in text_of(answer)
    for what in ("", "adoption-", "adoption-x", "visit-1", f"variation-{row.pk}", "adoption-" + "9" * 30):
        assert cast.get("manager", "desk:table-withdraw", what=what).status_code == 404
    assert Adoption.objects.standing().filter(pk=row.pk).exists()


# --- who, and what it costs ------------------------------------------------------------------------


@pytest.mark.parametrize("role", [role for role in ROLES if role != "manager"])
def test_only_a_manager_changes_the_rulebook(cast: Cast, role: str) -> None:
    row = Adoption.objects.get(site=cast.site)
    given: tuple[tuple[str, dict[str, Any]], ...] = (
        ("desk:table-vary", variation(cast)),
        ("desk:table-adopt", adoption(cast)),
        ("desk:table-withdraw", {"what": f"adoption-{row.pk}", "reason": "x"}),
    )
    for name, data in given:
        assert cast.get(role, name, **data).status_code == 403
        assert cast.get(role, name, **data, look="1").status_code == 403
        assert cast.post(role, name, **data).status_code == 403
    assert not Variation.objects.exists()
    assert Adoption.objects.standing().count() == 2


def test_who_decided_what_is_told_with_variations_that_cannot_be_applied(cast: Cast) -> None:
    row = vary_rule(
        "us-osha-1910-157",
        "look",
        {"every": "P2M"},
        by=cast.people["manager"],
        at=NOW,
        reason="r",
        reference="letter",
        site=cast.site,
    )
    page = text_of(cast.get("dispatcher", "desk:table-history"))
    assert "Interval: 2 months" in page
    assert "Cannot be applied" not in page
    assert "Withdraw" not in page
    Variation.objects.filter(pk=row.pk).update(rule_id="gone")
    assert "Cannot be applied" in text_of(cast.get("manager", "desk:table-history"))


def test_the_history_costs_the_same_for_any_number(cast: Cast, django_assert_num_queries: Any) -> None:
    client = cast.client("manager")
    for _ in range(2):
        cast.post(
            "manager", "desk:table-vary", **variation(cast, every=f"{Variation.objects.count() + 2} months")
        )
        cast.post("manager", "desk:table-adopt", **adoption(cast))
        # session, person; confirmations; adoptions, confirmations and variations as history; adoptions and
        # variations that stand, sites with owners; variations that stand with their places
        with django_assert_num_queries(10):
            assert client.get("/desk/tables/history/").status_code == 200


def test_the_cost_in_queries_does_not_grow(cast: Cast, django_assert_num_queries: Any) -> None:
    client = cast.client("manager")

    def look() -> None:
        assert client.get("/desk/tables/vary/", {**variation(cast), "look": "1"}).status_code == 200

    # session, person, the site chosen; adoptions and variations, as proposed and as they stand; ids and
    # owners of sites; ids of units, records, facts, numbers; sites of counts and of moves; confirmations;
    # sites and owners to choose from
    with django_assert_num_queries(18):
        look()
    make_serviced_unit(cast.site, number="U-100002")
    make_serviced_unit(cast.site, number="U-100003")
    with django_assert_num_queries(18):
        look()
