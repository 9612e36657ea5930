"""The search box of the frame: what is found for whom, and how many questions it takes."""

from __future__ import annotations

from itertools import product
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from servicedesk.finder import find
from tests.factories import make_location, make_owner, make_site, make_unit, make_visit
from tests.servicedesk.page_cast import Cast, text_of

pytestmark = pytest.mark.django_db


def offers(cast: Cast, role: str, text: str) -> dict[str, list[str]]:
    groups = cast.get(role, "find-offers", q=text).json()["groups"]
    return {group["label"]: [hit["title"] for hit in group["hits"]] for group in groups}


def test_the_desk_finds_everything(cast: Cast) -> None:
    for text, label, title in (
        ("sn mill", "Units", "U-100001"),
        ("U100001", "Units", "U-100001"),
        ("snmi", "Units", "U-100001"),
        ("1000 01", "Units", "U-100001"),
        ("ml01", "Sites", "Mill Lane works"),
        ("LÁNE harrow", "Sites", "Mill Lane works"),
        ("harr", "Owners", "Harrow Mills"),
        ("v-100001", "Visits", "V-100001"),
        ("000 harrow", "Visits", "V-100001"),
        ("000 mill lane", "Units", "U-100001"),
    ):
        assert offers(cast, "dispatcher", text)[label] == [title], text
    assert "Makers and models" in offers(cast, "dispatcher", "calder works")
    for text in ("ml", "", "pike lane", "s n m i l l"):
        assert offers(cast, "dispatcher", text) == {}, text


def test_words_may_stand_partly_on_a_place_and_partly_on_its_site(cast: Cast) -> None:
    empty = make_location(cast.site, number="K-9", description="Kitchen")
    make_location(cast.other_site, number="K-9", description="Kitchen")
    assert offers(cast, "manager", "kitchen")["Places"] == ["K-9 · Main, Ground, Kitchen"] * 2
    assert offers(cast, "manager", "kitchen harrow") == {"Places": ["K-9 · Main, Ground, Kitchen"]}
    page = text_of(cast.get("manager", "find-everything", q="kitchen harrow"))
    assert f"/desk/sites/{empty.site.public_id}/" in page
    assert "nothing hangs there" in page


def test_nobody_finds_what_is_anothers(cast: Cast) -> None:
    make_visit(cast.other_site, [cast.other_unit], number="V-200001")
    texts = ("sn-", "quay street", "pike", "200001", "v-2", "main ground", "found")
    for role, text in product(("owner", "technician"), texts):
        found = str(cast.get(role, "find-offers", q=text).json())
        page = text_of(cast.get(role, "find-everything", q=text))
        for secret in ("Quay Street", "Pike", "SN-QUAY", "V-200001", "U-200001"):
            assert secret not in found
            assert secret not in page.replace(f"“{text}”", "")
    assert "Mill" not in str(cast.get("other_owner", "find-offers", q="sn-").json())


def test_each_role_is_led_to_its_own_pages(cast: Cast) -> None:
    def urls(role: str, text: str) -> set[str]:
        groups = cast.get(role, "find-offers", q=text).json()["groups"]
        return {hit["url"] for group in groups for hit in group["hits"]}

    assert Client().get("/find/offers/?q=mill").status_code == 302
    assert urls("owner", "u-100001") == {f"/portal/units/{cast.unit.public_id}/"}
    assert urls("technician", "u-100001") == {f"/desk/units/{cast.unit.public_id}/"}
    assert urls("workshop", "lane works") == set()
    assert urls("owner", "lane works") == {f"/portal/sites/{cast.site.public_id}/"}
    for role in ("owner", "technician", "workshop", "dispatcher"):
        for url in urls(role, "100001"):
            assert cast.client(role).get(url).status_code == 200, (role, url)


def test_the_page_says_what_it_found_what_is_missing_and_where_there_is_more(
    cast: Cast, monkeypatch: Any
) -> None:
    monkeypatch.setattr("servicedesk.find_pages.ON_PAGE", 1)
    make_unit(cast.site, number="U-100002", refresh=False)
    page = text_of(cast.get("dispatcher", "find-everything", q="u-1000"))
    assert "/desk/units/?q=u-1000" in page
    assert "Type a little more" in text_of(cast.get("dispatcher", "find-everything", q="u-"))
    assert "Nothing found" in text_of(cast.get("dispatcher", "find-everything", q="<b>none"))
    assert "What are you looking for?" in text_of(cast.get("dispatcher", "find-everything"))
    assert 'data-find-everything="/find/offers/"' in text_of(cast.get("owner", "portal:home"))


def test_a_search_takes_as_many_questions_for_three_rows_as_for_one(cast: Cast) -> None:
    person = cast.people["manager"]

    def asked() -> int:
        with CaptureQueriesContext(connection) as captured:
            assert find(person, "zephyr hall", limit=8)
        return len(captured)

    site = make_site(make_owner(name="Zephyr"), name="Hall")
    make_location(site, number="1", description="Zephyr hall")
    for n in range(1):
        make_unit(site, number=f"ZEPHYR-HALL-{n}", refresh=False)
    one = asked()
    for n in range(1, 3):
        make_unit(site, number=f"ZEPHYR-HALL-{n}", refresh=False)
        make_location(site, number=f"1{n}", description="Zephyr hall")
    assert asked() == one
    assert one <= 52  # PostgreSQL is told its limits by questions too
