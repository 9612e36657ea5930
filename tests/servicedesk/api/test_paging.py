"""Pages neither repeat nor lose a row, whatever happens between them."""

from __future__ import annotations

import base64
import json
from datetime import date, timedelta
from typing import Any

import pytest
from rest_framework.test import APIClient

from schedules.due.models import Obligation
from tests.factories import NOW, make_record, make_site, make_unit, make_user
from tests.servicedesk.api.cast import client_of


@pytest.fixture
def desk(db: None) -> APIClient:
    return client_of(make_user("dispatcher"))


def walk(client: APIClient, url: str, **params: Any) -> list[list[dict[str, Any]]]:
    """All pages from ``url`` on."""
    pages = []
    answer = client.get(url, params)
    while True:
        assert answer.status_code == 200, answer.content
        body = answer.json()
        pages.append(body["results"])
        if body["next"] is None:
            return pages
        answer = client.get(body["next"])


def test_following_next_gives_every_row_once_in_order(desk: APIClient) -> None:
    site = make_site()
    made = [make_unit(site, refresh=False).number for _ in range(7)]
    pages = walk(desk, "/api/v1/units/", page_size=3)
    assert [len(page) for page in pages] == [3, 3, 1]
    assert [row["number"] for page in pages for row in page] == sorted(made)


def test_a_full_last_page_has_no_empty_one_after_it(desk: APIClient) -> None:
    site = make_site()
    for _ in range(4):
        make_unit(site, refresh=False)
    assert [len(page) for page in walk(desk, "/api/v1/units/", page_size=2)] == [2, 2]


def test_a_filter_goes_along_with_next(desk: APIClient) -> None:
    here, there = make_site(), make_site()
    wanted = [make_unit(here, refresh=False).number for _ in range(3)]
    make_unit(there, refresh=False)
    pages = walk(desk, "/api/v1/units/", page_size=2, site=str(here.public_id))
    assert [row["number"] for page in pages for row in page] == wanted


def test_rows_that_come_and_go_between_pages_shift_nothing(desk: APIClient) -> None:
    site = make_site()
    for number in ("B", "C", "D", "E"):
        make_unit(site, refresh=False, number=number)
    first = desk.get("/api/v1/units/", {"page_size": 2}).json()
    make_unit(site, refresh=False, number="A")
    second = desk.get(first["next"]).json()
    assert [row["number"] for row in first["results"]] == ["B", "C"]
    assert [row["number"] for row in second["results"]] == ["D", "E"]


def test_records_of_one_instant_page_by_their_reference(desk: APIClient) -> None:
    """An import writes thousands of records with one instant; a page must not start over within it."""
    unit = make_unit(refresh=False)
    for _ in range(5):
        make_record(unit, refresh=False)
    later = make_record(unit, refresh=False, received_at=NOW + timedelta(microseconds=1))
    pages = walk(desk, "/api/v1/records/", page_size=2)
    ids = [row["id"] for page in pages for row in page]
    assert len(ids) == len(set(ids)) == 6
    assert ids[0] == str(later.client_ref)
    assert ids[1:] == sorted(ids[1:])


@pytest.mark.parametrize("page_size", [1, 2, 3, 4, 5, 6])
def test_the_due_list_ends_with_rows_that_have_no_date(desk: APIClient, page_size: int) -> None:
    unit = make_unit(refresh=False)
    days = [None, date(2027, 3, 1), None, date(2026, 1, 1), date(2027, 3, 1)]
    for table, day in enumerate(days):
        Obligation.objects.create(
            unit=unit,
            site=unit.site,
            table_key=f"t{table}",
            table_version="1",
            task="recharge",
            rule_id="r",
            latest_on=day,
            knowledge="known" if day else "on_event",
            computed_at=NOW,
        )
    pages = walk(desk, "/api/v1/obligations/", page_size=page_size)
    assert [row["table"]["key"] for page in pages for row in page] == ["t3", "t1", "t4", "t0", "t2"]
    assert all(len(page) == page_size for page in pages[:-1])


@pytest.mark.parametrize("size", ["0", "201", "-1", "ten", "1.5", "", "９"])
def test_a_page_size_that_cannot_be_is_named(desk: APIClient, size: str) -> None:
    answer = desk.get("/api/v1/units/", {"page_size": size})
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["field"] == "page_size"


def _cursor(values: Any) -> str:
    return base64.urlsafe_b64encode(json.dumps(values).encode()).decode()


@pytest.mark.parametrize(
    ("path", "cursor"),
    [
        ("units", "not a cursor"),
        ("units", "é"),
        ("units", _cursor({"number": "U-1"})),
        ("units", _cursor(["U-1", "U-2"])),
        ("units", _cursor([None])),
        ("locations", _cursor(["S1", "ten", "1"])),
        ("locations", _cursor(["S1", float("inf"), "1"])),
        ("obligations", _cursor(["2026-13-01", "U-1", "recharge", "t"])),
        ("obligations", _cursor([None, None, "recharge", "t"])),
        ("records", _cursor([5, "x"])),
    ],
)
def test_a_cursor_that_was_made_up_is_refused(desk: APIClient, path: str, cursor: str) -> None:
    answer = desk.get(f"/api/v1/{path}/", {"cursor": cursor})
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["field"] == "cursor"


def test_a_cursor_holds_no_internal_number(desk: APIClient) -> None:
    site = make_site()
    made = [make_unit(site, refresh=False) for _ in range(2)]
    link = desk.get("/api/v1/units/", {"page_size": 1}).json()["next"]
    cursor = link.partition("cursor=")[2].partition("&")[0]
    held = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
    assert held == [made[0].number]
