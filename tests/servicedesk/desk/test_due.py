"""The due list: what it shows, how it is narrowed and sorted, and the file of the same rows."""

from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime
from typing import Any

import pytest
from pytest_django.fixtures import DjangoAssertNumQueries

from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp
from inventory.register.models import Site
from schedules.due.models import Obligation
from schedules.rulebook.services import adopt_table, confirm_table
from servicedesk.desk.due import HEADINGS
from servicedesk.pages import STANDING_LINE
from tests.factories import NOW, make_location, make_model, make_record, make_site, make_unit
from tests.servicedesk.page_cast import Cast, make_overdue_unit, make_serviced_unit, text_of

pytestmark = pytest.mark.django_db


def rows(answer: Any) -> list[tuple[str, str, str]]:
    """What a page shows: unit, task, status."""
    return [
        (row.obligation.unit.number, row.obligation.task, row.status.value) for row in answer.context["rows"]
    ]


def units(answer: Any) -> set[str]:
    return {number for number, _, _ in rows(answer)}


@pytest.fixture
def late(cast: Cast) -> Cast:
    """One unit of the first site is overdue with its maintenance."""
    make_overdue_unit(cast.site, number="U-300001", serial="SN-LATE")
    return cast


def test_what_is_to_be_done_is_shown_first(late: Cast) -> None:
    answer = late.get("dispatcher", "desk:due")
    assert rows(answer) == [("U-300001", "maintenance", "overdue")]
    page = text_of(answer)
    # Table L-1 and (e)(3): first maintenance a year after a month mark of March 2022.
    assert "31 Mar 2023" in page
    assert "unconfirmed" in page
    assert STANDING_LINE in page


@pytest.mark.parametrize(
    ("status", "shown"),
    [
        ("overdue", {"U-300001"}),
        ("due", set()),
        ("unknown", set()),
        ("uncovered", set()),
        ("in_date", {"U-100001", "U-200001", "U-300001"}),
        ("all", {"U-100001", "U-200001", "U-300001"}),
    ],
)
def test_each_status_has_its_list(late: Cast, status: str, shown: set[str]) -> None:
    answer = late.get("dispatcher", "desk:due", status=status)
    assert units(answer) == shown
    current = [tab for tab in answer.context["tabs"] if tab["is_current"]]
    assert [tab["count"] for tab in current] == [answer.context["page_obj"].paginator.count]


def test_an_unknown_date_and_a_kind_without_a_rule_have_lists_of_their_own(cast: Cast) -> None:
    make_unit(location=make_location(cast.site), made=Stamp.unknown(), number="U-300002")
    odd = make_model(agent="unknown", construction="unknown", shell="unknown")
    make_unit(location=make_location(cast.site), model=odd, number="U-300003")
    unknown = cast.get("dispatcher", "desk:due", status="unknown")
    assert units(unknown) == {"U-300002"}
    assert "Date unknown, due now" in text_of(unknown)
    assert units(cast.get("dispatcher", "desk:due", status="uncovered")) == {"U-300003"}
    assert units(cast.get("dispatcher", "desk:due")) == {"U-300002", "U-300003"}


@pytest.mark.parametrize(
    ("query", "shown"),
    [
        ({"q": "u-300001"}, {"U-300001"}),
        ({"q": "sn-mill"}, {"U-100001"}),
        ({"q": "quay foundry"}, {"U-200001"}),
        ({"q": "qs-01"}, {"U-200001"}),
        ({"q": "quay mill"}, set()),
        ({"task": "hydrostatic_test"}, {"U-100001", "U-200001", "U-300001"}),
        ({"task": "weighing"}, set()),
        ({"latest_to": "2026-11-24"}, {"U-300001"}),
        ({"latest_from": "2026-11-24", "latest_to": "2027-03-01"}, {"U-100001", "U-200001"}),
        ({"table": "us-osha-1910-157"}, {"U-100001", "U-200001", "U-300001"}),
        ({"table": "us-nfpa-10"}, set()),
    ],
)
def test_filters_narrow_the_list(late: Cast, query: dict[str, str], shown: set[str]) -> None:
    assert units(late.get("dispatcher", "desk:due", status="all", **query)) == shown


def test_owner_and_site_narrow_the_list(late: Cast) -> None:
    by_owner = late.get("dispatcher", "desk:due", status="all", owner=late.other_owner.public_id)
    assert units(by_owner) == {"U-200001"}
    by_site = late.get("dispatcher", "desk:due", status="all", site=late.site.public_id)
    assert units(by_site) == {"U-100001", "U-300001"}


def test_the_owners_own_look_is_apart_from_our_work(cast: Cast) -> None:
    ours = make_site(monthly_checks_by=Site.MonthlyChecks.FIRM)
    make_serviced_unit(ours, number="U-300004")
    looks = {"status": "all", "task": "visual_inspection"}
    assert units(cast.get("dispatcher", "desk:due", **looks)) == {"U-300004"}
    assert units(cast.get("dispatcher", "desk:due", work="owners", **looks)) == {"U-100001", "U-200001"}
    assert units(cast.get("dispatcher", "desk:due", work="all", **looks)) == {
        "U-100001",
        "U-200001",
        "U-300004",
    }


def test_where_several_tables_apply_the_binding_row_stands_for_all_unless_asked(cast: Cast) -> None:
    adopt_table("us-nfpa-10", site=cast.site, at=NOW)
    make_serviced_unit(cast.site, number="U-300005")
    asked = {"status": "all", "q": "U-300005", "task": "maintenance"}
    one = cast.get("dispatcher", "desk:due", **asked)
    assert len(rows(one)) == 1
    both = cast.get("dispatcher", "desk:due", rows="every", **asked)
    assert {row.table.title for row in both.context["rows"]} == {
        "United States workplaces",
        "United States, consensus intervals",
    }
    assert "another table asks for it sooner" in text_of(both)


@pytest.mark.parametrize(
    ("sort", "first"),
    [
        ("latest", "U-300001"),
        ("-latest", "U-200001"),
        ("unit", "U-100001"),
        ("-unit", "U-300001"),
        ("site", "U-300001"),
        ("-site", "U-200001"),
    ],
)
def test_columns_sort_the_list_both_ways(late: Cast, sort: str, first: str) -> None:
    Obligation.objects.filter(unit__number="U-200001", task="hydrostatic_test").update(
        latest_on=date(2050, 1, 1)
    )
    answer = late.get("dispatcher", "desk:due", status="all", sort=sort, table="us-osha-1910-157")
    assert rows(answer)[0][0] == first


def test_rows_without_a_date_come_last_whichever_way_dates_are_sorted(late: Cast) -> None:
    Obligation.objects.filter(unit__number="U-300001", task="hydrostatic_test").update(
        latest_on=None, knowledge="on_event"
    )
    for sort in ("latest", "-latest"):
        answer = late.get("dispatcher", "desk:due", status="all", sort=sort, task="hydrostatic_test")
        assert rows(answer)[-1] == ("U-300001", "hydrostatic_test", "no_date")


def test_the_heading_of_the_sorted_column_turns_the_order_around(late: Cast) -> None:
    page = text_of(late.get("dispatcher", "desk:due", sort="unit", q="U-3"))
    assert '<th scope="col" aria-sort="ascending"><a href="?sort=-unit&amp;q=U-3">Unit ↑</a></th>' in page


def test_each_row_is_judged_on_its_sites_own_day(cast: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    # At this instant it is 1 March in Chicago and already 2 March in Auckland.
    monkeypatch.setattr("servicedesk.pages.clock", lambda: datetime(2027, 3, 1, 18, tzinfo=UTC))
    ahead = make_site(time_zone="Pacific/Auckland")
    make_serviced_unit(ahead, number="U-300006")
    found = rows(cast.get("dispatcher", "desk:due", task="maintenance", status="all"))
    assert ("U-300006", "maintenance", "overdue") in found
    assert ("U-100001", "maintenance", "due") in found
    assert units(cast.get("dispatcher", "desk:due", task="maintenance", status="overdue")) == {"U-300006"}


def test_a_long_list_is_paged_and_keeps_its_filters(cast: Cast) -> None:
    unit = cast.unit
    Obligation.objects.bulk_create(
        Obligation(
            unit=unit,
            site=unit.site,
            table_key=f"table-{n:03d}",
            table_version="1",
            task=Task.WEIGHING,
            rule_id="r",
            latest_on=date(2026, 1, 1),
            knowledge="known",
            computed_at=NOW,
        )
        for n in range(120)
    )
    first = cast.get("dispatcher", "desk:due", task="weighing")
    assert len(rows(first)) == 50
    assert 'href="?task=weighing&amp;page=2"' in text_of(first)
    last = cast.get("dispatcher", "desk:due", task="weighing", page="3")
    assert len(rows(last)) == 20
    keys = [
        row.obligation.table_key
        for page in ("1", "2", "3")
        for row in cast.get("dispatcher", "desk:due", task="weighing", page=page).context["rows"]
    ]
    assert len(set(keys)) == 120
    assert len(rows(cast.get("dispatcher", "desk:due", task="weighing", page="99"))) == 20


@pytest.mark.parametrize("count", [1, 3])
def test_the_number_of_queries_does_not_grow(
    cast: Cast, count: int, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    for _ in range(count):
        make_overdue_unit(make_site())
    client = cast.client("dispatcher")
    # session, user; time zones, sites behind, sums, sites; time zones, their ids, rows; confirmations;
    # owners, sites; saved filters
    with django_assert_num_queries(14):
        answer = client.get("/desk/due/")
    assert len(rows(answer)) == count


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ({"latest_to": "31/02/2026"}, "Enter a day like 2026-11-30."),
        ({"owner": "nobody"}, "This choice is not in the list"),
        ({"status": "fine"}, "This choice is not in the list"),
        ({"sort": "colour"}, "This choice is not in the list"),
    ],
)
def test_a_filter_that_cannot_be_shows_nothing_and_says_why(
    late: Cast, query: dict[str, str], said: str
) -> None:
    for name in ("desk:due", "desk:due-export"):
        answer = late.get("dispatcher", name, **query)
        assert answer.status_code == 400
        assert said in text_of(answer)
        assert rows(answer) == []


def test_an_empty_list_says_what_it_means(cast: Cast) -> None:
    assert "Nothing to be done" in text_of(cast.get("dispatcher", "desk:due"))
    assert "Nothing matches" in text_of(cast.get("dispatcher", "desk:due", q="no such unit"))


def read_csv(answer: Any) -> list[dict[str, str]]:
    assert answer.headers["Content-Type"] == "text/csv; charset=utf-8"
    text = text_of(answer)
    assert text.startswith("\ufeff")
    return list(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"))))


def test_the_file_holds_the_rows_of_the_list_and_says_what_they_rest_on(late: Cast) -> None:
    query = {"status": "all", "site": str(late.site.public_id), "sort": "unit"}
    page = late.get("dispatcher", "desk:due", **query)
    answer = late.get("dispatcher", "desk:due-export", **query)
    assert answer.headers["Content-Disposition"] == 'attachment; filename="due-2026-11-25.csv"'
    found = read_csv(answer)
    assert list(found[0]) == list(HEADINGS)
    assert [(row["unit"], row["latest_on"]) for row in found] == [
        (row.obligation.unit.number, str(row.obligation.latest_on or "")) for row in page.context["rows"]
    ]
    first = next(row for row in found if row["unit"] == "U-300001" and row["task"] == "Maintenance")
    assert first["status"] == "Overdue"
    assert first["latest_on"] == "2023-03-31"
    assert first["site"] == "Mill Lane works"
    assert first["counts_from"] == "manufacture, 2022-03"
    assert first["table_confirmation"].startswith("Unconfirmed")
    assert {row["note"] for row in found} == {STANDING_LINE}


def test_the_file_names_who_confirmed_a_table(late: Cast) -> None:
    confirm_table(
        "us-osha-1910-157",
        "2026-1",
        by=late.people["manager"],
        name="Maren Holt",
        local_code="City code 12",
        at=NOW,
    )
    found = read_csv(late.get("dispatcher", "desk:due-export"))
    assert found[0]["table_confirmation"] == "Confirmed by Maren Holt on 2026-11-25 against City code 12."


def test_the_file_holds_nothing_that_a_spreadsheet_would_run(cast: Cast) -> None:
    make_overdue_unit(cast.site, number="U-300007", serial="=1+1")
    found = read_csv(cast.get("dispatcher", "desk:due-export"))
    assert [row["serial"] for row in found] == ["'=1+1"]


@pytest.mark.parametrize("count", [1, 3])
def test_the_file_costs_the_same_queries_however_long(
    cast: Cast, count: int, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    for _ in range(count):
        make_overdue_unit(make_site())
    client = cast.client("dispatcher")
    answer = client.get("/desk/due.csv")
    # confirmations, time zones, rows; for each thousand rows records, units, adoptions, variations, sites
    with django_assert_num_queries(8):
        found = read_csv(answer)
    assert len(found) == count


def test_a_record_moves_its_unit_off_the_list(late: Cast) -> None:
    unit = Obligation.objects.filter(unit__number="U-300001")[0].unit
    make_record(unit, done=Stamp.of(2026, 11, 20))
    assert rows(late.get("dispatcher", "desk:due")) == []
