"""From a register file to stored units: whole or not at all, and never twice."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import broken_links
from inventory.measures.stamps import Precision
from inventory.register.models import Location, Owner, Placement, Site, Unit, UnitModel
from schedules.due.models import Obligation
from schedules.rulebook.models import Adoption
from servicedesk.exchange.importing import import_register
from tests.factories import NOW

pytestmark = pytest.mark.django_db

FIXTURES = Path(__file__).resolve().parents[3] / "fixtures"

HEAD = (
    "owner,site code,site name,country,time zone,tables,location number,serial,maker,model,agent,"
    "construction,shell,charge,made,last maintenance,last hydrostatic test,unit number\n"
)


def row(**cells: str) -> str:
    base = {
        "owner": "Harrow Mill", "site code": "HM1", "site name": "Mill", "country": "US",
        "time zone": "America/Chicago", "tables": "us-osha-1910-157", "location number": "1", "serial": "A1",
        "maker": "Calder Works", "model": "C10", "agent": "ABC powder", "construction": "stored pressure",
        "shell": "mild steel", "charge": "10 lb", "made": "2021-06", "last maintenance": "2026-02-03",
        "last hydrostatic test": "", "unit number": "",
    }  # fmt: skip
    return ",".join({**base, **cells}.values()) + "\n"


def load(*rows: str, **options):
    return import_register((HEAD + "".join(rows)).encode(), by=None, now=NOW, **options)


def everything() -> tuple[int, ...]:
    models = (Owner, Site, Location, UnitModel, Unit, Placement, ServiceRecord, Adoption, Obligation)
    return tuple(model.objects.count() for model in models)


def test_a_row_becomes_a_unit_with_its_place_model_history_and_dates():
    report = load(row())
    assert report.is_stored
    assert report.created == 1
    unit = Unit.objects.select_related("site__owner", "location", "model").get()
    assert unit.number == "U-000001"
    assert unit.site.owner.name == "Harrow Mill"
    assert (unit.made_precision, str(unit.made), unit.made_raw) == (Precision.MONTH, "2021-06", "2021-06")
    assert unit.model.charge_mass_g == 4536
    assert Placement.objects.get(unit=unit, is_open=True).location == unit.location
    record = ServiceRecord.objects.get()
    assert (record.task, record.evidence, record.done_first) == (
        "maintenance",
        "owner_paper",
        date(2026, 2, 3),
    )
    latest = Obligation.objects.get(unit=unit, task="maintenance").latest_on
    assert latest >= date(2027, 2, 3)
    assert broken_links(unit) == []


def test_importing_the_same_file_again_changes_nothing():
    data = (FIXTURES / "samples" / "good.csv").read_bytes()
    first = import_register(data, by=None, now=NOW, accept_rest=True)
    before = everything()
    revisions = list(Unit.objects.order_by("pk").values_list("facts_revision", flat=True))
    again = import_register(data, by=None, now=NOW + timedelta(hours=1), accept_rest=True)
    assert first.created > 0
    assert (again.created, again.updated, again.records_added) == (0, 0, 0)
    assert again.unchanged == first.created
    assert everything() == before
    assert list(Unit.objects.order_by("pk").values_list("facts_revision", flat=True)) == revisions


def test_a_newer_file_adds_the_new_record_and_keeps_the_old():
    load(row())
    load(row(**{"last maintenance": "2026-11-02"}))
    assert Unit.objects.count() == 1
    days = list(ServiceRecord.objects.order_by("sequence").values_list("done_first", flat=True))
    assert days == [date(2026, 2, 3), date(2026, 11, 2)]
    assert Obligation.objects.get(task="maintenance").latest_on >= date(2027, 11, 2)


def test_the_same_date_spelt_otherwise_is_not_a_second_record():
    load(row(**{"last hydrostatic test": "2021-06"}))
    load(row(**{"last hydrostatic test": "06/2021"}))
    assert ServiceRecord.objects.filter(task="hydrostatic_test").count() == 1


def test_rows_that_share_a_place_do_not_turn_it_over_at_each_import():
    head = HEAD.replace("unit number", "unit number,building")
    data = head + row().rstrip() + ",East\n" + row(serial="B2").rstrip() + ",West\n"
    for _ in range(2):
        import_register(data.encode(), by=None, now=NOW)
        assert Location.objects.get().building == "East"
        assert set(Unit.objects.values_list("facts_revision", flat=True)) == {2}


def test_a_unit_moved_in_a_newer_file_keeps_its_former_place():
    load(row(), row(serial="B2", **{"location number": "2"}))
    load(row(**{"location number": "7"}), row(serial="B2", **{"location number": "2"}))
    unit = Unit.objects.get(serial="A1")
    assert unit.location.number == "7"
    former = Placement.objects.get(unit=unit, is_open=False)
    assert former.location.number == "1"
    assert Unit.objects.count() == 2


def test_one_refused_row_keeps_the_whole_file_out():
    before = everything()
    report = load(row(), row(serial="B2", **{"last maintenance": "31/02/2024"}))
    assert not report.is_stored
    assert report.refused_rows == (3,)
    assert "31/02/2024" in report.refused[0].text
    assert everything() == before


def test_the_good_rows_come_in_whole_when_a_person_says_so():
    report = load(row(), row(serial="B2", **{"last maintenance": "31/02/2024"}), accept_rest=True)
    assert report.is_stored
    assert report.created == 1
    assert list(Unit.objects.values_list("serial", flat=True)) == ["A1"]


def test_a_trial_stores_nothing_and_tells_the_same():
    before = everything()
    report = load(row(), dry_run=True)
    assert (report.created, report.is_stored) == (1, False)
    assert everything() == before


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("missing_column.csv", "column"),
        ("undecodable.csv", "Nothing was imported"),
        ("binary.csv", "Nothing was imported"),
        ("empty.csv", "Nothing was imported"),
        ("impossible_date.csv", "does not exist"),
        ("future_manufacture.csv", "lies in the future"),
        ("unknown_agent.csv", "is no agent known here"),
    ],
)
def test_a_broken_file_changes_nothing_and_says_what_to_do(name, says):
    before = everything()
    report = import_register((FIXTURES / "samples" / name).read_bytes(), by=None, now=NOW)
    assert not report.is_stored
    assert report.refused
    assert any(says in finding.text for finding in report.refused)
    assert everything() == before


def test_a_number_on_another_unit_is_refused():
    load(row())
    drawn = Unit.objects.get().number
    before = everything()
    report = load(row(serial="B2", **{"unit number": drawn}))
    assert [f.code for f in report.refused] == ["number_taken"]
    assert not report.is_stored
    assert everything() == before


def test_a_condemned_shell_does_not_come_back_by_file():
    load(row())
    unit = Unit.objects.get()
    Unit.objects.filter(pk=unit.pk).update(state=Unit.State.CONDEMNED, import_key="taken over otherwise")
    report = load(row())
    assert [f.code for f in report.refused] == ["serial_condemned"]
    assert Unit.objects.count() == 1


def test_a_site_does_not_change_its_owner_by_file():
    load(row())
    report = load(row(owner="Somebody Else", serial="B2"))
    assert [f.code for f in report.refused] == ["site_of_another_owner"]
    assert Site.objects.get().owner.name == "Harrow Mill"
    assert not Owner.objects.filter(name="Somebody Else").exists()


def test_a_unit_that_left_does_not_come_back_by_file():
    load(row())
    Unit.objects.update(state=Unit.State.CONDEMNED)
    report = load(row(**{"last maintenance": "2026-11-02"}))
    assert report.unchanged == 1
    assert Unit.objects.get().state == Unit.State.CONDEMNED
    assert ServiceRecord.objects.count() == 1


def test_the_number_of_queries_does_not_grow_with_the_rows(django_assert_max_num_queries):
    load(row(**{"site code": "X", "serial": "first"}))
    with django_assert_max_num_queries(80) as few:
        load(row(serial="S0", **{"site code": "Y0"}))
    rows = [row(serial=f"S{n}", **{"site code": "Z1", "location number": str(n)}) for n in range(1, 30)]
    # Four more at most: one INSERT takes no more than about a thousand values on SQLite.
    with django_assert_max_num_queries(len(few) + 4):
        load(*rows)


def test_the_demo_register_is_large_dirty_and_taken_over():
    data = (FIXTURES / "demo" / "register.csv").read_bytes()
    report = import_register(data, by=None, now=NOW, accept_rest=True, refresh=False)
    assert Site.objects.count() >= 60
    assert Unit.objects.count() >= 1500
    kinds = set(UnitModel.objects.values_list("agent", "construction", "is_wheeled"))
    assert len(kinds) >= 8
    assert {"two_digit_year", "duplicate_serial", "missing_date", "missing_agent"} <= {
        f.code for f in report.doubts
    }
    assert report.refused_rows


def test_a_file_is_taken_over_from_the_command_line_with_what_was_told(capsys):
    path = FIXTURES / "samples" / "dirty" / "ratings.csv"
    told = ("--month-first", "--set", "owner_name=Plover Mills", "--column", "M=", "--accept-rest")
    call_command("import_register", str(path), *told)
    assert "4 units added" in capsys.readouterr().out
    assert not ServiceRecord.objects.filter(task="internal_examination").exists()
    for wrong, says in (("--set=colour=red", "colour is no field"), ("--column=ZZ=made", "no column ZZ")):
        with pytest.raises(CommandError, match=says):
            call_command("import_register", str(path), wrong)
