"""Long lists: read by an index and not by sorting, counted no further than is shown, and never wrong."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.db.models import QuerySet

from inventory.access import EVERYTHING
from schedules.due import lists
from schedules.due.lists import Listed, counts_of
from schedules.due.models import Obligation
from schedules.due.queries import OPEN_STATUSES, DueWanted, Status, due_list, with_statuses
from schedules.due.services import refresh_stale
from servicedesk.desk import due
from tests.factories import NOW
from tests.schedules.due.test_sweep import make_many
from tests.servicedesk.desk.test_due import rows
from tests.servicedesk.page_cast import Cast, make_overdue_unit, text_of

pytestmark = pytest.mark.django_db

SETS: tuple[tuple[Status, ...] | None, ...] = (None, OPEN_STATUSES, *((status,) for status in Status))


def plan_of(query: QuerySet[Any]) -> str:
    """How the database would find the rows of a page."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            # A handful of rows is read whole and sorted; what counts is how a long table would be read.
            cursor.execute("SET LOCAL enable_seqscan = off")
            cursor.execute("SET LOCAL enable_sort = off")
            cursor.execute("SET LOCAL enable_bitmapscan = off")
    return query.explain()


def listed(statuses: tuple[Status, ...] | None, order: tuple[str, ...], *, is_long: bool) -> Listed:
    everything = due_list(EVERYTHING, DueWanted())
    return Listed(everything, statuses, order, NOW, everything.count(), is_long=is_long)


def test_every_page_of_every_status_holds_its_rows_once_and_in_order() -> None:
    make_many(40, seed=8)
    refresh_stale(now=NOW)
    Obligation.objects.filter(task="maintenance", latest_on__lt=NOW.date() - timedelta(days=900)).update(
        is_deferred=True
    )
    everything = due_list(EVERYTHING, DueWanted())
    for statuses in SETS:
        wanted = everything if statuses is None else with_statuses(everything, statuses, NOW)
        want = set(wanted.values_list("pk", flat=True))
        for order in (("latest_on", "unit__number", "task", "pk"), ("-latest_on", "unit__number", "pk")):
            for is_long in (False, True):
                found = listed(statuses, order, is_long=is_long)
                got: list[Obligation] = []
                for start in range(0, len(want) + 7, 7):
                    got += found[start : start + 7]
                assert len(got) == len(want)
                assert {row.pk for row in got} == want
                days = [row.latest_on for row in got]
                dated = [day for day in days if day is not None]
                assert days == dated + [None] * (len(days) - len(dated))
                assert dated == sorted(dated, reverse=order[0].startswith("-"))


@pytest.mark.parametrize("statuses", [OPEN_STATUSES, (Status.OVERDUE,), None])
def test_a_page_of_a_long_list_is_read_by_the_index_of_dates_without_sorting(statuses: Any) -> None:
    make_many(5)
    refresh_stale(now=NOW)
    for part in listed(statuses, ("latest_on", "pk"), is_long=True)._parts[:1]:
        plan = plan_of(part.values_list("pk")[:50])
        assert "obligation_by_latest" in plan, plan
        assert "TEMP B-TREE" not in plan.replace("TEMP B-TREE FOR RIGHT PART", ""), plan
        assert "Seq Scan on schedules_obligation" not in plan, plan


@pytest.mark.parametrize(
    ("condition", "index"),
    [
        ({"knowledge": "unknown_basis"}, "obligation_unknown"),
        ({"knowledge": "uncovered"}, "obligation_uncovered"),
        ({"is_deferred": True}, "obligation_deferred"),
    ],
)
def test_rare_rows_are_found_by_an_index_of_their_own(condition: dict[str, Any], index: str) -> None:
    assert index in plan_of(Obligation.objects.filter(**condition).order_by().values_list("pk"))


def test_counts_are_exact_for_short_lists_and_capped_for_long_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    make_many(30, seed=9)
    refresh_stale(now=NOW)
    wanted = DueWanted(task="maintenance")
    real = due_list(EVERYTHING, wanted).count()
    assert real > 10
    exact = counts_of(EVERYTHING, wanted, None, NOW)
    assert (exact.wanted.number, exact.wanted.is_more) == (real, False)
    assert exact.all() == exact.wanted
    monkeypatch.setattr(lists, "MOST_COUNTED", 10)
    capped = counts_of(EVERYTHING, wanted, None, NOW)
    assert str(capped.wanted) == "10+"
    assert (capped.open(), capped.all()) == (None, None)
    # The tallies know the whole list whatever its length.
    whole = counts_of(EVERYTHING, DueWanted(), None, NOW)
    assert whole.wanted.number == due_list(EVERYTHING, DueWanted()).count()
    assert not whole.wanted.is_more


def test_a_list_too_long_to_turn_over_says_so_and_goes_on_by_date(
    cast: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    for _ in range(8):
        make_overdue_unit(cast.site)
    for module in (lists, due):
        monkeypatch.setattr(module, "MOST_COUNTED", 4)
    monkeypatch.setattr(due, "PAGE_SIZE", 2)
    monkeypatch.setattr(due, "MOST_PAGES", 2)
    answer = cast.get("dispatcher", "desk:due", task="maintenance", sort="unit", page="9")
    page = text_of(answer)
    assert len(rows(answer)) == 2
    assert "of 4+ rows" in page
    assert "Narrow the list to sort it" in page
    assert "?sort=" not in page.split("<thead>")[1].split('<th scope="col">Task')[0]
    last = answer.context["rows"][-1].obligation.latest_on
    assert f"?task=maintenance&amp;latest_from={last}" in page
    unfiltered = cast.get("dispatcher", "desk:due")
    assert "of 8 rows" in text_of(unfiltered)
    assert {tab["label"]: tab["count"] for tab in unfiltered.context["tabs"]}["Overdue"] == 8
