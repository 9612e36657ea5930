"""Lists of the desk: order, files of all that match, acts on many rows, filters with a name."""

from __future__ import annotations

import csv
import io
import uuid
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from openpyxl import load_workbook

from inventory.register.changes import FactChange
from inventory.register.models import Depot, Owner, Unit
from inventory.register.places import Move
from schedules.due.models import Obligation
from schedules.visits.models import Visit
from servicedesk.desk import listing
from servicedesk.desk.models import ManyAct, SavedFilter
from tests.factories import make_location, make_owner, make_site, make_unit
from tests.servicedesk.page_cast import Cast, make_overdue_unit, text_of

pytestmark = pytest.mark.django_db


def act(
    cast: Cast, name: str, do: str, *picked: Any, role: str = "dispatcher", query: str = "", **data: Any
) -> str:
    data.setdefault("ref", str(uuid.uuid4()))
    answer = cast.client(role).post(
        f"{reverse(name)}?{query}",
        {"do": do, "pick": [str(row.public_id) for row in picked], **data},
        follow=True,
    )
    return text_of(answer)


def undo(cast: Cast, role: str = "dispatcher") -> str:
    newest = ManyAct.objects.order_by("-pk")[0]
    answer = cast.client(role).post(reverse("desk:undo-many", args=[newest.public_id]), follow=True)
    return text_of(answer) if answer.status_code == 200 else str(answer.status_code)


def file_rows(answer: Any) -> list[dict[str, str]]:
    text = b"".join(answer.streaming_content).decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text)))


@pytest.mark.parametrize(
    ("name", "sort", "up"),
    [
        ("desk:units", "serial", ["U-100001", "U-200001"]),
        ("desk:sites", "owner", ["Mill Lane works", "Quay Street foundry"]),
        ("desk:owners", "owner", ["Harrow Mills", "Pike Foundry"]),
        ("desk:sites", "overdue", ["Mill Lane works", "Quay Street foundry"]),
        ("desk:owners", "sites", ["Harrow Mills", "Pike Foundry"]),
    ],
)
def test_a_list_is_sorted_by_a_heading_both_ways(cast: Cast, name: str, sort: str, up: list[str]) -> None:
    if sort in ("overdue", "sites"):
        make_overdue_unit(cast.other_site, number="U-200002")
        make_site(cast.other_owner, name="A third")
    pages = [text_of(cast.get("dispatcher", name, sort=way)) for way in (sort, f"-{sort}")]
    orders = [page.index(up[0]) < page.index(up[1]) for page in pages]
    assert orders == [True, False]
    assert 'aria-sort="ascending"' in pages[0]
    assert cast.get("dispatcher", name, sort="nonsense").status_code == 200


def test_a_file_holds_every_row_that_matches_and_nothing_a_spreadsheet_runs(
    cast: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(listing, "PAGE_SIZE", 1)
    monkeypatch.setattr(listing, "PIECE", 1)
    Unit.objects.filter(pk=cast.unit.pk).update(serial="=1+1")
    rows = file_rows(cast.get("dispatcher", "desk:units", **{"as": "csv"}))
    assert [(row["unit"], row["serial"]) for row in rows] == [("U-100001", "'=1+1"), ("U-200001", "SN-QUAY")]
    assert "confirm against local code" in rows[0]["note"]
    only = file_rows(cast.get("dispatcher", "desk:units", **{"as": "csv", "site": cast.site.public_id}))
    assert [row["unit"] for row in only] == ["U-100001"]
    for name, first in (
        ("desk:sites", "ML-01"),
        ("desk:owners", "Harrow Mills"),
        ("desk:visits", "V-100001"),
        ("desk:units", "U-100001"),
        ("desk:certificates", None),
    ):
        book = load_workbook(
            io.BytesIO(b"".join(cast.get("manager", name, **{"as": "xlsx"}).streaming_content))
        )
        cells = list(book.worksheets[0].values)
        assert cells[0][-1] == "note"
        assert (cells[1][0] if len(cells) > 1 else None) == first


def test_units_are_withdrawn_with_a_reason_once_and_put_back_by_undo(cast: Cast) -> None:
    loose = make_unit(cast.other_site, number="U-200009")
    place = cast.other_unit.location
    Unit.objects.filter(pk=loose.pk).update(state=Unit.State.CONDEMNED)
    rows = (cast.other_unit, cast.unit, loose)
    assert "Say why" in act(cast, "desk:units", "withdraw", *rows)
    ref = str(uuid.uuid4())
    for _ in range(2):  # the same form sent twice
        page = act(cast, "desk:units", "withdraw", *rows, query="state=all", reason="Sold the hall", ref=ref)
        assert "1 unit is withdrawn." in page
        assert "U-100001: is on the open visit V-100001" in page
        assert "U-200009: is condemned already" in page
    cast.other_unit.refresh_from_db()
    assert (cast.other_unit.state, cast.other_unit.location) == (Unit.State.WITHDRAWN, None)
    assert Move.objects.filter(reason="Sold the hall").count() == 1
    assert not Obligation.objects.filter(unit=cast.other_unit).exists()
    assert undo(cast, role="manager") == "404"
    assert "Undone: 1 unit is as before." in undo(cast)
    cast.other_unit.refresh_from_db()
    assert (cast.other_unit.state, cast.other_unit.location) == (Unit.State.IN_SERVICE, place)
    assert cast.other_unit.placements.filter(is_open=True).count() == 1
    assert Obligation.objects.filter(unit=cast.other_unit).exists()
    assert "undone already" in undo(cast)


def test_a_withdrawn_unit_is_put_back_where_it_hung_unless_another_hangs_there(cast: Cast) -> None:
    unit, place = cast.other_unit, cast.other_unit.location
    act(cast, "desk:units", "withdraw", unit, reason="By mistake")
    page = act(cast, "desk:units", "back", unit, query="state=gone", reason="Found again")
    assert "1 unit is back in service." in page
    unit.refresh_from_db()
    assert (unit.state, unit.location) == (Unit.State.IN_SERVICE, place)
    act(cast, "desk:units", "withdraw", unit, reason="Gone")
    make_unit(location=place, number="U-200010", refresh=False)
    page = act(cast, "desk:units", "back", unit, query="state=gone", reason="Found again")
    assert "U-200001: unit U-200010 hangs at" in page
    assert Unit.objects.get(pk=unit.pk).state == Unit.State.WITHDRAWN


def test_all_that_match_are_meant_not_the_page_and_nobody_else(
    cast: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(listing, "PAGE_SIZE", 1)
    second = make_unit(location=make_location(cast.site, number="77"), number="U-100002", refresh=False)
    page = act(
        cast, "desk:units", "surroundings", query=f"site={cast.site.public_id}", everything="yes",
        **{"value-surroundings": "corrosive"},
    )  # fmt: skip
    assert "2 places have other surroundings now." in page
    assert {u.location.environment for u in Unit.objects.filter(site=cast.site)} == {"corrosive"}
    assert Unit.objects.get(pk=cast.other_unit.pk).location.environment == "normal"
    assert FactChange.objects.filter(location=second.location, field="environment").count() == 1
    undo(cast)
    assert {u.location.environment for u in Unit.objects.filter(site=cast.site)} == {"normal"}
    monkeypatch.setattr(listing, "MOST_AT_ONCE", 1)
    page = act(cast, "desk:units", "surroundings", everything="yes", **{"value-surroundings": "corrosive"})
    assert "More than 1 rows at once; nothing was changed." in page
    assert cast.client("workshop").post(reverse("desk:units"), {"do": "withdraw"}).status_code == 403


def test_sites_are_given_a_depot_a_language_and_who_looks_and_undo_leaves_later_changes(cast: Cast) -> None:
    depot = Depot.objects.create(name="North yard", time_zone="America/Chicago")
    both = (cast.site, cast.other_site)
    assert "2 sites belong to North yard now." in act(
        cast, "desk:sites", "depot", *both, **{"value-depot": str(depot.public_id)}
    )
    type(cast.site).objects.filter(pk=cast.site.pk).update(depot=None)
    assert "was changed since" in undo(cast)
    for field, do, value in (("language", "language", "de"), ("monthly_checks_by", "looks", "firm")):
        page = act(cast, "desk:sites", do, *both, **{f"value-{do}": value})
        assert "2 sites have" in page
        for site in both:
            site.refresh_from_db()
            assert getattr(site, field) == value
        assert "is so already" in act(cast, "desk:sites", do, cast.site, **{f"value-{do}": value})
    assert "Choose a value" in act(cast, "desk:sites", "language", *both, **{"value-language": "xx"})


def test_visits_are_proposed_for_ticked_sites_and_for_sites_of_due_rows(cast: Cast) -> None:
    third = make_site(cast.other_owner, name="Third")
    for site in (cast.other_site, third):
        make_overdue_unit(site)
    page = act(cast, "desk:sites", "propose", cast.site, cast.other_site, **{"value-propose": "30"})
    assert "1 visit is proposed" in page
    assert "Mill Lane works: nothing falls due" in page
    page = act(cast, "desk:due", "propose", third, **{"value-propose": "30"})
    assert "1 visit is proposed" in page
    assert Visit.objects.filter(state=Visit.State.PROPOSED).count() == 2


def test_labels_of_ticked_units_are_a_paper_and_printed_again_only_for_a_reason(cast: Cast) -> None:
    data = {"do": "labels", "pick": [str(cast.unit.public_id)], "ref": str(uuid.uuid4())}
    page = text_of(cast.get("dispatcher", "desk:units"))
    stock = page.split('name="value-labels"')[1].split('value="')[1].split('"')[0]
    data["value-labels"] = stock
    answer = cast.client("dispatcher").post(reverse("desk:units"), data)
    assert answer["Content-Type"] == "application/pdf"
    again = cast.client("dispatcher").post(reverse("desk:units"), data, follow=True)
    assert "again" in text_of(again)


def test_a_filter_is_kept_shared_changed_and_deleted(cast: Cast) -> None:
    query = f"site={cast.site.public_id}&state=all"

    def post(role: str, **data: str) -> Any:
        given = {"listing": "desk:units", "query": query, **data}
        return cast.client(role).post(reverse("desk:saved-filters"), given, follow=True)

    assert "is kept." in text_of(post("dispatcher", do="save", name="Mill  Lane"))
    assert "You have a filter of this name" in text_of(post("dispatcher", do="save", name="Mill Lane"))
    assert "Mill Lane" in text_of(cast.get("dispatcher", "desk:units")).split("Saved filters")[1]
    assert 'aria-label="Saved filters"' not in text_of(cast.get("manager", "desk:units"))
    kept = SavedFilter.objects.get()
    post("dispatcher", do="change", id=str(kept.public_id), name="The mill", is_shared="yes")
    assert "The mill" in text_of(cast.get("manager", "desk:units"))
    assert post("manager", do="delete", id=str(kept.public_id)).status_code == 404
    assert "is deleted" in text_of(post("dispatcher", do="delete", id=str(kept.public_id)))
    assert post("dispatcher", do="save", name="x", listing="desk:tables").status_code == 404
    assert post("workshop", do="save", name="x", listing="desk:due").status_code == 403
    assert post("owner", do="save", name="x").status_code == 403


@pytest.mark.parametrize("name", ["desk:units", "desk:sites", "desk:owners"])
def test_a_list_takes_as_many_questions_for_three_rows_as_for_one(cast: Cast, name: str) -> None:
    client = cast.client("dispatcher")

    def asked(**query: str) -> int:
        with CaptureQueriesContext(connection) as captured:
            answer = client.get(reverse(name), query)
            if query:
                b"".join(answer.streaming_content)
        return len(captured)

    Owner.objects.filter(pk=cast.other_owner.pk).update(name="Zz")
    asked()
    before = asked(), asked(**{"as": "csv"})
    for n in range(2):
        make_unit(make_site(make_owner(name=f"More {n}")), number=f"U-30{n}", refresh=False)
    assert (asked(), asked(**{"as": "csv"})) == before
