"""The search index follows whatever is written, and both databases fold alike."""

from __future__ import annotations

import uuid
from typing import Any

import pytest
from django.core.management import call_command
from django.db import connection, transaction

from inventory.bulk import draw_ids, insert_rows
from inventory.register.models import Location, Owner, Site, Unit
from inventory.search import index
from inventory.search.queries import any_holds, first_ids, holding
from inventory.search.text import DROPPED, LETTERS, fold, squeezed, words_of
from tests.factories import make_location, make_owner, make_site, make_unit

pytestmark = pytest.mark.django_db


def found(name: str, text: str, rows: Any = None) -> list[int]:
    rows = {"unit": Unit, "place": Location, "site": Site}[name].objects.all() if rows is None else rows
    return first_ids(rows, name, words_of(text), 20, is_all=True)


def differences() -> dict[str, int]:
    return {one.name: n for one in index.documents() if (n := index.differences(one))}


def test_a_text_is_folded_to_bare_small_letters() -> None:
    assert fold("  Café\u00a0AB-12.3/4  Straße ŁÓDŹ ") == " cafe ab1234 strasse lodz "
    assert words_of("b B a-b 'x") == ("b", "ab", "x")
    assert squeezed("AB 12 34") == "ab1234"
    assert squeezed("north wing") == ""


def test_the_database_folds_as_the_program_does() -> None:
    letters = "".join(LETTERS) + "ßẞæÆœŒþÞ" + "Aé"
    with connection.cursor() as cursor:
        for text in (f"x{letters}y", f"q{DROPPED}u\u0301r", "A  b\tc", "U-000123 AB 12/3"):
            cursor.execute(f"SELECT {index.FOLD}(%s)", [text])
            assert cursor.fetchone()[0] == fold(text)


def test_fragments_are_found_in_any_order_and_case_with_or_without_marks() -> None:
    site = make_site(name="Quarry")
    place = make_location(site, number="K-7", description="Küche, north wing")
    other = make_location(site, number="K-8", description="North stairs")
    unit = make_unit(site, number="U-000123", serial="AB 12-34/5", location=place)
    for text in ("u-000123", "U000123", "0123", "ab 12-34/5", "AB12345", "b1234", "ab-12 345"):
        assert found("unit", text) == [unit.pk], text
    assert found("place", "wing kuche") == [place.pk]
    assert sorted(found("place", "nort")) == [place.pk, other.pk]
    assert found("place", "wing k8") == []
    assert found("unit", '"%_ \\') == []
    assert any_holds("place", "stair")
    assert not any_holds("place", "cellar")
    assert list(holding(Unit.objects.all(), "place", "kuche", field="location")) == [unit]


def test_a_row_that_stands_whole_comes_first() -> None:
    site = make_site()
    late = [make_unit(site, number=f"U-12{n}", serial="") for n in range(3)]
    exact = make_unit(site, number="U-12", serial="")
    inside = make_unit(site, number="XU-12", serial="")
    assert found("unit", "u-12") == [exact.pk, *(unit.pk for unit in late), inside.pk]


def test_bulk_writes_and_deletions_keep_the_index() -> None:
    site = make_site()
    units = [make_unit(site, number=f"B-{n}", serial=f"OLD{n}") for n in range(3)]
    for unit in units:
        unit.serial = unit.serial.replace("OLD", "NEW")
    Unit.objects.bulk_update(units, ["serial"])
    Location.objects.bulk_create(
        Location(site=site, number=f"Z{n}", description="Cellar") for n in range(150)
    )
    Unit.objects.filter(pk=units[0].pk).update(serial="Ünlü 9")
    Location.objects.filter(number="Z7").delete()
    Owner.objects.filter(pk=site.owner_id).update(contact_email="kim.öz@example.com")
    assert found("unit", "old1") == []
    assert found("unit", "unlu9") == [units[0].pk]
    assert len(first_ids(Location.objects.all(), "place", ("cellar",), 200, is_all=True)) == 149
    assert differences() == {}


def test_many_rows_at_once_are_indexed_all() -> None:
    """More than one statement takes."""
    site = make_site(name="Harrow")
    with transaction.atomic():
        ids = draw_ids(Location, 1_203)
        rows = [(pk, uuid.uuid4(), site.pk, f"K{pk}", "Kiln hall") for pk in ids]
        assert insert_rows(Location, ("id", "public_id", "site_id", "number", "building"), rows) == 1_203
    assert holding(Location.objects.all(), "place", "kiln hall").count() == 1_203
    assert differences() == {}


def test_what_somebody_may_not_see_does_not_take_up_the_room() -> None:
    mine, theirs = make_site(owner=make_owner(name="Mine")), make_site(owner=make_owner(name="Theirs"))
    for n in range(5):
        make_unit(theirs, number=f"T-77{n}")
    unit = make_unit(mine, number="M-770")
    rows = Unit.objects.filter(site=mine)
    assert first_ids(rows, "unit", ("77",), 2, is_all=False) == [unit.pk]
    assert first_ids(rows, "unit", ("770",), 2, is_all=False) == [unit.pk]


def test_a_lost_trigger_is_noticed_and_what_it_missed_is_made_up() -> None:
    site = make_site(name="Before")
    with connection.cursor() as cursor:
        on = "" if connection.vendor == "sqlite" else " ON inventory_site"
        cursor.execute(f"DROP TRIGGER search_site_on_update{on}")
        if connection.vendor != "sqlite":
            cursor.execute("DELETE FROM search_state WHERE name = 'site'")
    Site.objects.filter(pk=site.pk).update(name="Afterwards")
    assert differences() == {"site": 1}
    assert index.ensure() == ["site"]
    assert index.ensure() == []
    assert found("site", "afterw") == [site.pk]
    Site.objects.filter(pk=site.pk).update(name="Once more")
    assert found("site", "once") == [site.pk]


def test_the_command_makes_it_anew_and_says_what_it_holds(capsys: pytest.CaptureFixture[str]) -> None:
    make_unit(make_site(), number="U-1")
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM search_unit")
    call_command("rebuild_search", "--check")
    assert "unit: 1 row differs" in capsys.readouterr().out
    call_command("rebuild_search")
    assert "unit: 1" in capsys.readouterr().out
    assert differences() == {}
