"""Sites by the words on them and on their owners: one answer, whichever way they are looked for."""

from __future__ import annotations

import pytest

from inventory.access import EVERYTHING, Scope
from inventory.register import searching
from inventory.register.models import Site
from inventory.register.searching import SiteWords
from tests.factories import make_owner, make_site

pytestmark = pytest.mark.django_db

WORDS = ("mill", "lane", "harrow", "ml0", "01", "x1", "nowhere")


@pytest.fixture
def sites() -> dict[int, str]:
    """Sites by id with all that stands on each and on its owner."""
    found = {}
    for o, owner_name in enumerate(("Harrow Mills", "Pike", "Lane 01")):
        owner = make_owner(name=owner_name, contact_email="desk@example.com")
        for n in range(3):
            site = make_site(owner, name=f"{'Mill' if n else 'Quay'} Lane {n}", code=f"ML-0{n}-X{o}")
            found[site.pk] = f"{site.name} {site.code} {site.city} {owner_name}".lower().replace("-", "")
    return found


@pytest.mark.parametrize("common", [0, 2, 500])
@pytest.mark.parametrize("is_narrow", [False, True])
def test_words_are_found_on_a_site_or_its_owner(
    sites: dict[int, str], monkeypatch: pytest.MonkeyPatch, common: int, is_narrow: bool
) -> None:
    monkeypatch.setattr(searching, "COMMON_ON_SITES", common)
    owners = sorted(set(Site.objects.values_list("owner", flat=True)))[:2]
    scope = Scope(owner_ids=frozenset(owners)) if is_narrow else EVERYTHING
    seen = set(Site.objects.visible_to(scope).values_list("pk", flat=True))
    asked = SiteWords(scope)
    for words in [(one,) for one in WORDS] + [(one, two) for one in WORDS for two in WORDS if one != two]:
        expected = {pk for pk, text in sites.items() if pk in seen and all(word in text for word in words)}
        # Whole and cut short; a short answer is never a wrong one.
        assert set(asked.first(words, 100)) == expected, words
        for limit in (1, 3):
            some = asked.first(words, limit)
            assert len(some) == min(limit, len(expected)), words
            assert set(some) <= expected, words
        assert asked.among(words, list(sites)) == expected, words
        assert set(asked.rows(words).values_list("pk", flat=True)) == expected, words
    assert asked.stands("harrow")
    assert not asked.stands("nowhere")
