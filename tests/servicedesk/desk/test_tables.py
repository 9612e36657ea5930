"""The rulebook: reading a table, confirming it by name, and using it somewhere."""

from __future__ import annotations

from typing import Any

import pytest
from pytest_django.fixtures import DjangoAssertNumQueries

from inventory.measures.kinds import Agent, Construction, Shell
from schedules.rulebook.models import Adoption, Confirmation
from schedules.rulebook.services import confirm_table
from schedules.rules import DayRange, Range, Selector, load_tables
from servicedesk.desk.kind_words import kind_words
from servicedesk.desk.tables import SOURCE_SHORT
from servicedesk.pages import STANDING_LINE
from tests.factories import NOW, make_site
from tests.servicedesk.page_cast import Cast, text_of

pytestmark = pytest.mark.django_db

OSHA = ("us-osha-1910-157", "2026-1")
INDIA = ("in-is-2190", "2026-1")
ALL_TABLES = [(t.key, t.version) for editions in load_tables().values() for t in editions]


def follow(cast: Cast, role: str, table: tuple[str, str], **data: Any) -> Any:
    return cast.client(role).post(f"/desk/tables/{table[0]}/{table[1]}/", data, follow=True)


# --- reading ---------------------------------------------------------------------------------------


def test_the_list_shows_every_table_with_those_in_use_first(cast: Cast) -> None:
    answer = cast.get("dispatcher", "desk:tables")
    (_, used), (_, others) = answer.context["groups"]
    assert [(line["state"].table.key, line["adoptions"]) for line in used] == [("us-osha-1910-157", 2)]
    assert len(used) + len(others) == len(ALL_TABLES)
    page = text_of(answer)
    assert STANDING_LINE in page
    assert "Tables are in use that nobody here has checked against local code yet." in page


def test_an_owner_is_not_told_how_many_others_use_a_table(cast: Cast) -> None:
    answer = cast.get("owner", "desk:tables")
    assert all(line["adoptions"] == 0 for _, lines in answer.context["groups"] for line in lines)
    assert "Used by" not in text_of(answer)


def test_a_table_reads_task_by_task_with_clause_and_how_it_was_read(cast: Cast) -> None:
    answer = cast.get("technician", "desk:table", *OSHA)
    page = text_of(answer)
    rows = {(group["label"], row.kinds): row for group in answer.context["tasks"] for row in group["rows"]}
    # 29 CFR 1910.157 Table L-1.
    carbon_dioxide = rows["Hydrostatic test", "Carbon dioxide"]
    assert (carbon_dioxide.interval, carbon_dioxide.rule.clause) == ("every 5 years", "Table L-1")
    assert carbon_dioxide.source_short == "Document read"
    assert rows["Maintenance", "All units"].interval == "every 1 year"
    for expected in (
        "(e)(3)",
        "Document read",
        "From memory",
        "not verified",
        STANDING_LINE.split(" are ")[1],
    ):
        assert expected in page
    assert "The local fire code, usually NFPA 10, applies on top of this text." in page


@pytest.mark.parametrize("table", ALL_TABLES)
def test_every_shipped_table_can_be_read(cast: Cast, table: tuple[str, str]) -> None:
    answer = cast.get("dispatcher", "desk:table", *table)
    shown = [row.rule.id for group in answer.context["tasks"] for row in group["rows"]]
    found = next(t for t in load_tables()[table[0]] if t.version == table[1])
    assert sorted(shown) == sorted([r.id for r in found.rules] + [q.id for q in found.quotas])
    counted = {line["word"]: line["count"] for line in answer.context["sources"]}
    assert counted == {
        SOURCE_SHORT[status]: sum(rule.source_status is status for rule in found.rules)
        for status in {rule.source_status for rule in found.rules}
    }
    assert all(row.kinds for group in answer.context["tasks"] for row in group["rows"])


@pytest.mark.parametrize(
    ("select", "words"),
    [
        (Selector(), "All units"),
        (
            Selector(
                agents=frozenset({Agent.DRY_CHEMICAL_ABC, Agent.DRY_CHEMICAL_BC}),
                constructions=frozenset({Construction.STORED_PRESSURE}),
                refillable=frozenset({"yes", "unknown"}),
            ),
            "Dry chemical, stored pressure, refillable or not known whether",
        ),
        (Selector(agents=frozenset({Agent.AFFF, Agent.WATER})), "Water or AFFF"),
        (
            Selector(shells=frozenset({Shell.MILD_STEEL, Shell.UNKNOWN}), wheeled=frozenset({"no"})),
            "Mild steel or unknown shell, not wheeled",
        ),
        (
            Selector(
                specs=frozenset({"3AA", "4BW", "none"}), water_capacity_ml=Range(over=9000, up_to=50000)
            ),
            "Stamped 3AA or 4BW or without a specification, water capacity over 9 l and up to 50 l",
        ),
        (
            Selector(charge_mass_g=Range(up_to=4500, or_unknown=True), made=DayRange(before=NOW.date())),
            "Charge up to 4.5 kg or not known, made before 2026-11-25",
        ),
    ],
)
def test_for_which_units_a_rule_is_in_words(select: Selector, words: str) -> None:
    assert kind_words(select) == words


@pytest.mark.parametrize("count", [1, 3])
def test_a_table_costs_the_same_queries_however_many_use_it(
    cast: Cast, count: int, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    for _ in range(count):
        make_site(tables=("in-is-2190",))
    client = cast.client("dispatcher")
    # session, user; confirmations; adoptions
    with django_assert_num_queries(4):
        answer = client.get("/desk/tables/in-is-2190/2026-1/")
    assert len(answer.context["adoptions"]) == count


# --- confirming ------------------------------------------------------------------------------------


def confirm(cast: Cast, role: str = "manager", **changes: str) -> Any:
    data = {"confirm-name": "Maren Holt", "confirm-local_code": "City fire code 12", **changes}
    return follow(cast, role, OSHA, do="confirm", **data)


def test_a_manager_confirms_by_name_and_every_page_says_so(cast: Cast) -> None:
    page = text_of(confirm(cast))
    assert "is confirmed in your name." in page
    assert "Confirmed by Maren Holt on 2026-11-25 against City fire code 12." in page
    standing = Confirmation.objects.standing().get()
    assert (standing.confirmed_by, standing.confirmed_name) == (cast.people["manager"], "Maren Holt")
    unit = text_of(cast.get("dispatcher", "desk:unit", cast.unit.public_id))
    assert "confirmed by Maren Holt" in unit
    assert "unconfirmed" not in unit


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"confirm-name": " "}, "Type your name: a confirmation is a statement of a person."),
        ({"confirm-local_code": ""}, "Name the local code or authority that you checked the table against."),
    ],
)
def test_a_confirmation_without_name_or_code_is_refused(
    cast: Cast, changes: dict[str, str], said: str
) -> None:
    answer = confirm(cast, **changes)
    assert answer.status_code == 400
    assert said in text_of(answer)
    assert not Confirmation.objects.exists()


def test_a_table_is_not_confirmed_twice(cast: Cast) -> None:
    confirm(cast)
    again = confirm(cast, **{"confirm-name": "Somebody else"})
    assert again.status_code == 400
    assert Confirmation.objects.get().confirmed_name == "Maren Holt"


def test_a_confirmation_is_withdrawn_with_its_reason(cast: Cast) -> None:
    confirm(cast)
    refused = follow(cast, "manager", OSHA, do="withdraw", **{"withdraw-reason": ""})
    assert refused.status_code == 400
    assert "Say why the confirmation is withdrawn." in text_of(refused)
    page = text_of(follow(cast, "manager", OSHA, do="withdraw", **{"withdraw-reason": "Code changed"}))
    assert "is withdrawn." in page
    assert "unconfirmed" in page
    assert Confirmation.objects.get().withdrawn_reason == "Code changed"
    page = text_of(follow(cast, "manager", OSHA, do="withdraw", **{"withdraw-reason": "Again"}))
    assert "there was nothing to withdraw" in page


@pytest.mark.parametrize("do", ["confirm", "withdraw"])
def test_only_a_manager_confirms_and_withdraws(cast: Cast, do: str) -> None:
    for role in ("dispatcher", "technician", "workshop", "owner"):
        data = {"confirm-name": "X", "confirm-local_code": "Y", "withdraw-reason": "Z"}
        assert follow(cast, role, OSHA, do=do, **data).status_code == 403
    assert not Confirmation.objects.exists()
    assert "Confirm in my name" not in text_of(cast.get("dispatcher", "desk:table", *OSHA))


# --- using -----------------------------------------------------------------------------------------


def test_a_manager_is_led_to_adopting_and_ending_it(cast: Cast) -> None:
    adoption = Adoption.objects.get(site=cast.site)
    links = (
        f"/desk/tables/adopt/?table={OSHA[0]}@{OSHA[1]}",
        f"/desk/tables/withdraw/?what=adoption-{adoption.pk}",
    )
    for role in ("manager", "dispatcher"):
        page = text_of(cast.get(role, "desk:table", *OSHA))
        assert [link in page for link in links] == [role == "manager"] * 2
        assert "Mill Lane works" in page


def test_only_rules_can_be_varied_and_not_demands_on_groups(cast: Cast) -> None:
    key, version = next((t.key, t.version) for e in load_tables().values() for t in e if t.quotas)
    page = text_of(cast.get("manager", "desk:table", key, version))
    table = next(t for t in load_tables()[key] if t.version == version)
    assert page.count("/desk/tables/vary/?") == len(table.rules)


def test_a_confirmation_does_not_move_to_another_table(cast: Cast) -> None:
    confirm_table(
        *INDIA, by=cast.people["manager"], name=cast.people["manager"].display_name, local_code="C", at=NOW
    )
    assert "unconfirmed" in text_of(cast.get("dispatcher", "desk:table", *OSHA))


def test_a_button_that_does_not_exist_does_nothing(cast: Cast) -> None:
    assert follow(cast, "manager", OSHA, do="burn").status_code == 400
