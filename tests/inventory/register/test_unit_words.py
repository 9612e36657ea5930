"""Units by the words on them, their place, site, owner and model: one answer, however many hold a word."""

from __future__ import annotations

import pytest

from inventory.register import searching
from inventory.register.models import Unit
from inventory.register.searching import units_holding
from tests.factories import make_location, make_owner, make_site, make_unit

pytestmark = pytest.mark.django_db

TEXTS = (
    "boiler",
    "boiler mill",
    "zz",
    "zz1 pike",
    "oi",
    "mill pike",
    "nowhere",
    "calder",
    "boiler nowhere",
    "",
)


@pytest.mark.parametrize("common", [0, 2, 10_000])
def test_words_are_found_wherever_they_stand(monkeypatch: pytest.MonkeyPatch, common: int) -> None:
    monkeypatch.setattr(searching, "COMMON", common)
    texts = {}
    for o, owner_name in enumerate(("Mill", "Pike")):
        owner = make_owner(name=owner_name)
        for n in range(2):
            site = make_site(owner, name=f"Quay {n}", code=f"Q{o}{n}")
            # An empty place holds the word as well and leads to no unit.
            make_location(site, number="9", description="Boiler")
            place = make_location(site, number="1", description="Boiler room" if n else "Hall")
            unit = make_unit(site, number=f"ZZ{o}{n}", location=place, refresh=False)
            parts = (unit.number, unit.serial, place.number, place.place, site.name, site.code, site.city)
            model = (unit.model.maker, unit.model.name, unit.model.kind_text)
            texts[unit.pk] = " ".join((*parts, *model, owner_name)).lower().replace("-", "")
    for text in TEXTS:
        expected = {pk for pk, held in texts.items() if all(word in held for word in text.split())}
        found = Unit.objects.filter(units_holding(text)).values_list("pk", flat=True)
        assert sorted(found) == sorted(expected), text
