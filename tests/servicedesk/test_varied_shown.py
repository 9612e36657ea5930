"""What is varied at a site stands wherever its tables are named: with reason, authority, who and when."""

from __future__ import annotations

import pytest

from schedules.rulebook.services import vary_rule
from tests.factories import NOW
from tests.servicedesk.api.cast import client_of
from tests.servicedesk.page_cast import Cast, make_cast, text_of

pytestmark = pytest.mark.django_db

SENTENCE = (
    "Varied here: (e)(3), interval 6 months. Reason: Corrosive air from the plating shop. "
    "Authority: Letter FM-17 of the fire marshal. By "
)


@pytest.fixture
def cast() -> Cast:
    """The first site is varied, the other is not."""
    cast = make_cast()
    vary_rule(
        "us-osha-1910-157",
        "maintenance",
        {"every": "P6M"},
        site=cast.site,
        by=cast.people["manager"],
        at=NOW,
        reason="Corrosive air from the plating shop",
        reference="Letter FM-17 of the fire marshal",
    )
    return cast


def test_the_pages_of_the_desk_and_of_the_owner_tell_it(cast: Cast) -> None:
    for role, name in (("dispatcher", "desk:site"), ("owner", "portal:site")):
        page = " ".join(text_of(cast.get(role, name, cast.site.public_id)).replace("&#x27;", "'").split())
        assert SENTENCE in page, name
        assert "on 2026-11-25." in page
    assert "Varied here" not in text_of(cast.get("dispatcher", "desk:site", cast.other_site.public_id))
    assert "Varied here" not in text_of(cast.get("other_owner", "portal:site", cast.other_site.public_id))


def test_the_interface_tells_it_of_the_site(cast: Cast) -> None:
    client = client_of(cast.people["owner"])
    (table,) = client.get(f"/api/v1/sites/{cast.site.public_id}/").json()["tables"]
    (sentence,) = table["varied"]
    assert sentence.startswith(SENTENCE)
    other = client_of(cast.people["dispatcher"]).get(f"/api/v1/sites/{cast.other_site.public_id}/").json()
    assert [table["varied"] for table in other["tables"]] == [[]]
