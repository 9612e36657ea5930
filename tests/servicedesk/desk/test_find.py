"""Sites and owners in long lists: found by typing, offered while one types, and refused with their names."""

from __future__ import annotations

import pytest

from servicedesk.desk import fields
from tests.factories import make_owner, make_site
from tests.servicedesk.desk.test_due import units
from tests.servicedesk.page_cast import Cast, text_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def many(cast: Cast, monkeypatch: pytest.MonkeyPatch) -> Cast:
    """More sites and owners than a list to scroll through may hold."""
    monkeypatch.setattr(fields, "MOST_CHOICES", 2)
    for number in range(3):
        make_site(make_owner(name=f"Marsh Farm {number}"), name=f"Marsh barn {number}", code=f"MB-{number}")
    return cast


@pytest.mark.parametrize(
    "typed", ["Mill Lane works (ML-01)", "ML-01", "ml-01", "lane", "Mill works", "(ML-01)"]
)
def test_a_site_is_found_by_what_is_typed(many: Cast, typed: str) -> None:
    assert units(many.get("dispatcher", "desk:due", status="all", site=typed)) == {"U-100001"}


def test_an_owner_is_found_by_what_is_typed_and_an_address_still_names_by_id(many: Cast) -> None:
    assert units(many.get("dispatcher", "desk:due", status="all", owner="pike")) == {"U-200001"}
    by_id = many.get("dispatcher", "desk:due", status="all", site=many.site.public_id)
    assert units(by_id) == {"U-100001"}
    # The field then says whose list it is, in words that can be sent again.
    assert 'value="Mill Lane works (ML-01)"' in text_of(by_id)
    assert 'data-find="/desk/find/site/"' in text_of(by_id)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("marsh", "Several fit: Marsh barn 0 (MB-0), Marsh barn 1 (MB-1), Marsh barn 2 (MB-2). Type more"),
        ("no such place", "Nothing fits."),
        ("00000000-0000-4000-8000-000000000000", "Nothing fits."),
    ],
)
def test_what_fits_none_or_several_is_refused_with_what_to_do(many: Cast, typed: str, said: str) -> None:
    answer = many.get("dispatcher", "desk:due", site=typed)
    assert answer.status_code == 400
    assert said in text_of(answer)


def test_what_fits_is_offered_while_typing_and_nothing_of_others(many: Cast) -> None:
    offered = many.get("dispatcher", "desk:find", "site", q="barn").json()["found"]
    assert offered == ["Marsh barn 0 (MB-0)", "Marsh barn 1 (MB-1)", "Marsh barn 2 (MB-2)"]
    assert many.get("dispatcher", "desk:find", "owner", q="farm 1").json()["found"] == ["Marsh Farm 1"]
    assert many.get("dispatcher", "desk:find", "site", q=" ").json()["found"] == []
    assert many.get("owner", "desk:find", "site", q="barn").json()["found"] == []
    assert many.get("owner", "desk:find", "site", q="mill").json()["found"] == ["Mill Lane works (ML-01)"]
    assert many.get("dispatcher", "desk:find", "visit", q="x").status_code == 404


def test_a_change_of_the_rulebook_finds_its_site_by_typing(many: Cast) -> None:
    page = text_of(many.get("manager", "desk:table-adopt"))
    assert 'data-find="/desk/find/site/"' in page
    assert "<option" not in page.split('name="site"')[1].split(">")[0]
