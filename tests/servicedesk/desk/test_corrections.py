"""Correcting the register at the desk: facts, kinds, places, owners, units that are one, recalls."""

from __future__ import annotations

import uuid
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.urls import reverse

from inventory.errors import Conflict
from inventory.logbook.models import Defect, ServiceRecord
from inventory.measures.kinds import Task
from inventory.measures.stamps import Stamp
from inventory.recalls.models import Recall, RecallUnit
from inventory.recalls.queries import Wanted, counted, matches, progress
from inventory.register.agreed import agree, agreed_for
from inventory.register.aliases import place_numbered
from inventory.register.changes import FactChange, LocationAlias, OwnerChange, SameUnitDecision
from inventory.register.facts import Because, as_seen, correct_units, facts_of
from inventory.register.models import Location, Owner, Placement, Site, Unit
from inventory.register.same import candidates, merge
from schedules.certificates.handing_over import apply_due_owner_changes
from schedules.certificates.merging import merge_units, undo_merge_of
from schedules.certificates.models import CertificateFlag
from schedules.certificates.services import close_with_certificate
from schedules.due.models import Obligation
from schedules.due.services import refresh_units
from schedules.visits.closing import Closing
from schedules.visits.models import Visit
from schedules.visits.recalls import recall_units_to_work
from schedules.visits.recording import EntryInput, add_entry
from servicedesk.access import scope_of
from tests.factories import NOW, make_location, make_model, make_record, make_site, make_unit
from tests.servicedesk.page_cast import Cast, text_of

pytestmark = pytest.mark.django_db


def certified(cast: Cast) -> Any:
    """The cast's visit, closed, with its certificate."""
    visit = Visit.objects.get(number="V-100001")
    person = cast.people["technician"]
    add_entry(
        visit,
        EntryInput(uuid.uuid4(), cast.unit, "failed", tasks=("maintenance",), remarks="Seal broken"),
        by=person,
        now=NOW,
    )
    visit.refresh_from_db()
    closing = Closing(counts={"failed": 1}, contact_name="Robin Example")
    return close_with_certificate(visit, closing, by=person, now=NOW)[1]


def send(cast: Cast, role: str, address: str, of: Any, sent: dict[str, Any], do: str = "save") -> Any:
    """A form sent to a page that changes something."""
    return cast.client(role).post(reverse(address, args=[of]), {**sent, "do": do})


def facts_sent(unit: Unit, **changes: Any) -> dict[str, Any]:
    """What the form of a unit sends."""
    sent = {
        name: ("yes" if value else "no") if isinstance(value, bool) else value
        for name, value in facts_of(unit).items()
        if value is not None
    }
    return {
        **sent,
        "made": str(unit.made),
        "seen": as_seen(facts_of(unit)),
        "reason": "Read again",
        "source": "shell_stamp",
        **changes,
    }


def latest(unit: Unit, task: str) -> date | None:
    rows = Obligation.objects.filter(unit=unit, task=task, is_binding=True)
    return rows.values_list("latest_on", flat=True).first()


# --- facts of a unit -------------------------------------------------------------------------------


def test_a_corrected_mark_moves_the_dates_and_leaves_a_row(cast: Cast) -> None:
    unit = Unit.objects.select_related("model").get(pk=cast.unit.pk)
    before = latest(unit, Task.HYDROSTATIC_TEST)
    look = send(
        cast, "dispatcher", "desk:unit-facts", unit.public_id, facts_sent(unit, made="2019-05"), "look"
    )
    assert look.status_code == 200
    assert look.context["found"].total.earlier >= 1
    assert not FactChange.objects.exists()
    sent = facts_sent(unit, made="2019-05", serial="SN-NEW")
    answer = send(cast, "dispatcher", "desk:unit-facts", unit.public_id, sent)
    assert answer.status_code == 302
    unit.refresh_from_db()
    assert (str(unit.made), unit.serial) == ("2019-05", "SN-NEW")
    after = latest(unit, Task.HYDROSTATIC_TEST)
    assert after is not None
    assert before is not None
    assert after < before
    rows = {row.field: row for row in FactChange.objects.filter(unit=unit)}
    assert set(rows) == {"made", "serial"}
    assert (rows["serial"].old_value, rows["serial"].new_value) == ("SN-MILL", "SN-NEW")
    assert rows["serial"].changed_by_id == cast.people["dispatcher"].pk
    assert len({row.together for row in rows.values()}) == 1
    page = cast.get("dispatcher", "desk:unit", unit.public_id)
    assert "SN-MILL → SN-NEW" in text_of(page)
    # The form that was open meanwhile must not overwrite it.
    late = send(cast, "dispatcher", "desk:unit-facts", unit.public_id, {**sent, "serial": "SN-LATE"})
    assert late.status_code == 409
    unit.refresh_from_db()
    assert unit.serial == "SN-NEW"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"made": "first of never"}, "is not a date"),
        ({"reason": " ", "serial": "X"}, "Say why it is changed"),
        ({"source": "", "serial": "X"}, "required"),
        ({}, "Nothing is different"),
        ({"commissioned_on": "2001-01-01"}, "cannot have been placed in service before"),
        ({"commissioned_on": "2030-01-01"}, "lies ahead of us"),
        ({"working_pressure_kpa": "1344", "test_pressure_kpa": "100"}, "below the working pressure"),
        ({"charge_mass_g": "4536", "full_mass_g": "1"}, "cannot weigh less"),
    ],
)
def test_what_cannot_be_saved_says_why_and_changes_nothing(
    cast: Cast, changes: dict[str, str], said: str
) -> None:
    unit = Unit.objects.select_related("model").get(pk=cast.unit.pk)
    answer = send(cast, "dispatcher", "desk:unit-facts", unit.public_id, facts_sent(unit, **changes))
    assert answer.status_code == 400
    assert said in text_of(answer)
    assert not FactChange.objects.exists()


def test_two_corrections_at_once_lose_nothing(cast: Cast) -> None:
    mine = Unit.objects.select_related("model").get(pk=cast.unit.pk)
    theirs = Unit.objects.select_related("model").get(pk=cast.unit.pk)
    correct_units([mine], {"serial": "A"}, Because("Read"), by=None, at=NOW)
    with pytest.raises(Conflict):
        correct_units([theirs], {"serial": "B"}, Because("Read"), by=None, at=NOW)
    assert Unit.objects.get(pk=cast.unit.pk).serial == "A"


def test_a_certificate_that_stated_the_old_fact_is_flagged_everywhere_and_not_changed(cast: Cast) -> None:
    paper = certified(cast)
    unit = Unit.objects.select_related("model").get(pk=cast.unit.pk)
    send(cast, "dispatcher", "desk:unit-facts", unit.public_id, facts_sent(unit, serial="SN-9"))
    flag = CertificateFlag.objects.get()
    assert (flag.certificate_id, flag.subject, flag.fields) == (paper.pk, "unit U-100001", "serial")
    said = "a fact it states was corrected on"
    assert "unit U-100001: serial" in text_of(cast.get("dispatcher", "desk:certificate", paper.public_id))
    assert said in text_of(cast.get("owner", "portal:certificates"))
    checked = cast.client("owner").get(reverse("verify-certificate", args=[paper.verify_code]), follow=True)
    assert said in text_of(checked)
    before = paper.content_digest
    paper.refresh_from_db()
    assert paper.content_digest == before
    assert "SN-MILL" in str(paper.content)


def test_a_wrong_kind_is_corrected_for_all_units_at_once(cast: Cast, django_assert_num_queries: Any) -> None:
    model = make_model(agent="dry_chemical_abc")
    units = [make_unit(cast.site, model=model) for _ in range(4)]
    elsewhere = make_unit(cast.other_site, model=model)
    sent = {
        "maker": model.maker, "name": model.name, "agent": "carbon_dioxide", "construction": "self_expelling",
        "shell": "mild_steel", "charge_text": "5 lb", "charge_mass_g": "2268", "is_wheeled": "no",
        "is_refillable": "yes", "reason": "Plates read again", "source": "nameplate",
        "site": str(cast.site.public_id),
    }  # fmt: skip
    answer = send(cast, "manager", "desk:kind-facts", model.public_id, sent)
    assert answer.status_code == 302, text_of(answer)
    for unit in units:
        unit.refresh_from_db()
        assert unit.model.agent == "carbon_dioxide"
    assert len({unit.model_id for unit in units}) == 1
    elsewhere.refresh_from_db()
    assert elsewhere.model_id == model.pk
    assert FactChange.objects.filter(field="agent").count() == 4
    fresh = [make_unit(cast.site, model=model, refresh=False) for _ in range(5)]
    correct_units(fresh[:1], {"agent": "water"}, Because("Read"), by=None, at=NOW)
    for some in (fresh[1:2], fresh[2:]):
        rows = list(Unit.objects.filter(pk__in=[u.pk for u in some]).select_related("model"))
        # savepoint, the model that is made or found, the units, the rows of history, release
        with django_assert_num_queries(5):
            correct_units(rows, {"agent": "water"}, Because("Read"), by=None, at=NOW)


# --- units that are one ------------------------------------------------------------------------------


def test_two_units_become_one_with_one_history_and_back_again(cast: Cast) -> None:
    site, boss = cast.site, cast.people["manager"]
    place, other_place = make_location(site), make_location(site)
    old = make_unit(location=place, number="U-700001", serial="K-77", made=Stamp.of(2020, 3))
    new = make_unit(
        location=other_place, number="U-700002", serial="k 77", made=Stamp.of(2020, 3), model=old.model
    )
    make_record(old, done=Stamp.of(2024, 1, 1))
    make_record(new, done=Stamp.of(2026, 10, 1))
    assert latest(old, Task.MAINTENANCE) == date(2025, 1, 1)
    pairs = candidates()
    assert {(pair.first, pair.second) for pair in pairs} == {(old.pk, new.pk)}
    assert "U-700002" in text_of(cast.get("dispatcher", "desk:alike"))
    page = cast.post(
        "dispatcher",
        "desk:pair",
        old.public_id,
        new.public_id,
        stays=str(old.public_id),
        reason="Seen",
        do="look",
    )
    assert page.context["found"].total.later == 1
    answer = cast.post(
        "dispatcher",
        "desk:pair",
        old.public_id,
        new.public_id,
        stays=str(old.public_id),
        reason="Seen",
        do="same",
    )
    assert answer.status_code == 302
    old.refresh_from_db()
    new.refresh_from_db()
    assert (new.state, new.merged_into_id, new.location_id) == ("merged", old.pk, None)
    assert latest(old, Task.MAINTENANCE) == date(2027, 10, 1)
    assert latest(new, Task.MAINTENANCE) is None
    # The scalar answer and the set-based one must say the same.
    many = [make_unit(site, refresh=False) for _ in range(101)]
    Unit.objects.filter(pk=old.pk).update(facts_revision=99)
    refresh_units([old.pk, *(unit.pk for unit in many)], now=NOW)
    assert latest(old, Task.MAINTENANCE) == date(2027, 10, 1)
    # Number and link of the one that gave way lead to the survivor, whose page tells both histories.
    led = cast.client("dispatcher").get(reverse("desk:unit", args=[new.public_id]), follow=True)
    assert led.redirect_chain[-1][0] == reverse("desk:unit", args=[old.public_id])
    assert len(led.context["events"]) == 2
    assert "U-700002" in text_of(led)
    found = cast.client("dispatcher").get(reverse("desk:units"), {"q": "U-700002"}, follow=True)
    assert found.redirect_chain[-1][0] == reverse("desk:unit", args=[old.public_id])
    assert ServiceRecord.objects.filter(unit=new).count() == 1
    assert not candidates()
    for role, status in (("dispatcher", 200), ("technician", 403), ("workshop", 403), ("owner", 403)):
        assert cast.get(role, "desk:unit-apart", new.public_id).status_code == status
    undo_merge_of(new, "Two shells after all", by=boss, now=NOW)
    old.refresh_from_db()
    new.refresh_from_db()
    assert (new.state, new.merged_into_id, new.location_id) == ("in_service", None, other_place.pk)
    assert latest(old, Task.MAINTENANCE) == date(2025, 1, 1)
    assert latest(new, Task.MAINTENANCE) == date(2027, 10, 1)
    verdicts = list(SameUnitDecision.objects.order_by("pk").values_list("verdict", flat=True))
    assert verdicts == ["same", "undone"]


def test_a_unit_not_found_that_hangs_elsewhere_under_a_new_number_hangs_there(cast: Cast) -> None:
    place = make_location(cast.site)
    lost = make_unit(cast.site, serial="L-1")
    Placement.objects.filter(unit=lost).update(is_open=False)
    Unit.objects.filter(pk=lost.pk).update(state="not_found", location=None)
    seen = make_unit(location=place, serial="L-1")
    defect = Defect.objects.create(
        site=cast.site, unit=seen, code="other_unit", severity="critical", opened_on=NOW.date(), opened_at=NOW
    )
    merge_units(seen, lost, "Shell seen", by=cast.people["manager"], now=NOW)
    lost.refresh_from_db()
    defect.refresh_from_db()
    assert (lost.state, lost.location_id, defect.unit_id) == ("in_service", place.pk, lost.pk)
    undo_merge_of(seen, "No", by=cast.people["manager"], now=NOW)
    lost.refresh_from_db()
    seen.refresh_from_db()
    defect.refresh_from_db()
    assert (lost.state, lost.location_id) == ("not_found", None)
    assert (seen.state, seen.location_id, defect.unit_id) == ("in_service", place.pk, seen.pk)


def test_merging_is_refused_where_it_would_hide_something(cast: Cast) -> None:
    boss = cast.people["manager"]
    condemned = make_unit(cast.site)
    Unit.objects.filter(pk=condemned.pk).update(state="condemned")
    with pytest.raises(Exception, match="condemned shell must not go on"):
        merge_units(condemned, cast.unit, "Same", by=boss, now=NOW)
    one, other, third = (make_unit(cast.site) for _ in range(3))
    stale = Unit.objects.get(pk=one.pk)
    merge_units(one, other, "Same", by=boss, now=NOW)
    stale.merged_into_id = None
    with pytest.raises(Conflict):
        merge(stale, third, "Same", on=NOW.date(), by=boss, at=NOW)
    merge_units(other, third, "Same", by=boss, now=NOW)
    one.refresh_from_db()
    assert one.merged_into_id == third.pk


def test_two_numbers_typed_lead_to_the_pair(cast: Cast) -> None:
    typed = {"one": "u-100001", "other": "U-200001"}
    found = cast.get("dispatcher", "desk:pair-find", **typed)
    assert found.headers["Location"] == reverse(
        "desk:pair", args=[cast.unit.public_id, cast.other_unit.public_id]
    )
    same = cast.get("dispatcher", "desk:pair-find", one="U-100001", other="U-100001")
    assert same.headers["Location"] == reverse("desk:alike")
    assert cast.get("owner", "desk:pair-find", **typed).status_code == 403


def test_told_apart_leaves_the_list(cast: Cast) -> None:
    one = make_unit(cast.site, serial="T-5")
    other = make_unit(cast.other_site, serial="T5", model=one.model)
    assert len(candidates()) == 1
    answer = cast.post(
        "dispatcher", "desk:pair", one.public_id, other.public_id, stays=str(one.public_id),
        reason="Both seen", do="apart",
    )  # fmt: skip
    assert answer.status_code == 302
    assert candidates() == []


@pytest.mark.parametrize("pairs", [1, 3])
def test_pairs_are_found_in_as_many_queries_whatever_their_number(
    cast: Cast, pairs: int, django_assert_num_queries: Any
) -> None:
    model = make_model()
    for n in range(pairs):
        make_unit(cast.site, serial=f"P{n}", model=model, refresh=False)
        make_unit(cast.site, serial=f"P-{n}", model=model, refresh=False)
    # by label, by serial, by place, told apart
    with django_assert_num_queries(4):
        assert len(candidates()) == pairs
    client = cast.client("dispatcher")
    # session, user, the four, units of the page
    with django_assert_num_queries(7):
        client.get(reverse("desk:alike"))


# --- places, sites, owners -----------------------------------------------------------------------------


def test_a_renumbered_place_is_found_by_its_old_number(cast: Cast) -> None:
    place = make_location(cast.site, number="A1")
    make_location(cast.site, number="A2")
    sent = {
        "number": "B7", "building": place.building, "floor": place.floor, "description": "", "hazard": "",
        "environment": "normal", "walking_order": place.walking_order, "was_wrong": "no",
        "reason": "New signs",
    }  # fmt: skip
    assert cast.post("dispatcher", "desk:place-facts", place.public_id, **sent, do="save").status_code == 302
    assert place_numbered(cast.site, "A1") == place_numbered(cast.site, "B7") == place
    assert "before: A1" in text_of(cast.get("dispatcher", "desk:places", cast.site.public_id, q="A1"))
    # The old number cannot be given to another place, where it would lead two ways.
    taken = cast.post(
        "dispatcher", "desk:place-new", cast.site.public_id, **{**sent, "number": "A1"}, do="save"
    )
    assert taken.status_code == 400
    assert "had the number A1 before" in text_of(taken)
    back = cast.post("dispatcher", "desk:place-facts", place.public_id, **{**sent, "number": "A1"}, do="save")
    assert back.status_code == 302
    assert list(LocationAlias.objects.values_list("number", flat=True)) == ["B7"]


def test_a_sold_site_shows_the_new_owner_only_what_came_after(cast: Cast) -> None:
    paper = certified(cast)
    sold_on = date(2026, 11, 26)
    sent = {"owner": cast.other_owner.name, "from_on": str(sold_on), "reason": "Sold"}
    answer = cast.post("dispatcher", "desk:site-owner", cast.site.public_id, **sent, do="save")
    assert answer.status_code == 302, text_of(answer)
    change = OwnerChange.objects.get()
    if change.applied_at is None:
        assert apply_due_owner_changes(now=datetime(2026, 11, 26, 12, tzinfo=UTC)) == 1
    assert apply_due_owner_changes(now=NOW + timedelta(days=9)) == 0
    new, old = scope_of(cast.people["other_owner"]), scope_of(cast.people["owner"])
    unit = cast.unit
    assert Unit.objects.visible_to(new).filter(pk=unit.pk).exists()
    assert not Unit.objects.visible_to(old).filter(pk=unit.pk).exists()
    assert not ServiceRecord.objects.visible_to(new).filter(unit=unit).exists()
    assert not Visit.objects.visible_to(new).filter(site=cast.site, planned_on__lt=sold_on).exists()
    later = make_record(Unit.objects.get(pk=unit.pk), done=Stamp.on(date(2026, 11, 26)))
    assert list(ServiceRecord.objects.visible_to(new).filter(unit=unit)) == [later]
    papers = text_of(cast.get("owner", "portal:certificates"))
    assert paper.number in papers
    assert paper.number not in text_of(cast.get("other_owner", "portal:certificates"))
    page = text_of(cast.get("other_owner", "portal:unit", unit.public_id))
    assert "before it came here" in page
    assert Obligation.objects.filter(unit=unit, is_binding=True).exists()


def test_an_owner_does_not_see_what_happened_at_anothers_premises(cast: Cast) -> None:
    unit = Unit.objects.get(pk=cast.unit.pk)
    there = make_location(cast.other_site, number="Q9")
    from inventory.register.services import hang_unit

    hang_unit(unit, there, on=NOW.date(), by=None, reason="Moved between owners")
    refresh_units([unit.pk], now=NOW)
    page = text_of(cast.get("other_owner", "portal:unit", unit.public_id))
    assert "before it came here" in page
    for private in ("Mill Lane", "Harrow"):
        assert private not in page


def test_two_sites_become_one_and_one_becomes_two(cast: Cast) -> None:
    second = make_site(cast.owner, name="Mill annex", code="ML-02")
    same = make_location(second, number=cast.unit.location.number)
    moved = make_unit(location=same)
    clash = cast.post(
        "dispatcher",
        "desk:site-merge",
        second.public_id,
        into="ML-01",
        front="",
        reason="One gate",
        do="save",
    )
    assert clash.status_code == 400
    assert "has places numbered" in text_of(clash)
    done = cast.post(
        "dispatcher",
        "desk:site-merge",
        second.public_id,
        into="ML-01",
        front="X-",
        reason="One gate",
        do="save",
    )
    assert done.status_code == 302, text_of(done)
    same.refresh_from_db()
    moved.refresh_from_db()
    second.refresh_from_db()
    assert (same.site_id, same.number) == (cast.site.pk, f"X-{cast.unit.location.number}")
    assert (moved.site_id, second.merged_into_id) == (cast.site.pk, cast.site.pk)
    assert Obligation.objects.filter(unit=moved, site=cast.site).exists()
    led = cast.client("dispatcher").get(reverse("desk:site", args=[second.public_id]), follow=True)
    assert led.redirect_chain[-1][0] == reverse("desk:site", args=[cast.site.public_id])
    apart = {"name": "North gate", "code": "ML-03", "places": [str(same.public_id)], "reason": "Own gate"}
    split = send(cast, "dispatcher", "desk:site-split", cast.site.public_id, apart)
    assert split.status_code == 302, text_of(split)
    new = Site.objects.get(code="ML-03")
    moved.refresh_from_db()
    assert (moved.site_id, new.owner_id, new.time_zone) == (new.pk, cast.owner.pk, cast.site.time_zone)
    # The table that was adopted for the old site alone goes along: the work is still demanded.
    assert Obligation.objects.filter(unit=moved, site=new, is_binding=True).exists()


def test_an_owner_entered_twice_becomes_one_with_its_people_and_papers(cast: Cast) -> None:
    paper = certified(cast)
    for owner, terms in (
        (cast.owner, {"keys": "Porter"}),
        (cast.other_owner, {"keys": "Desk", "approver": "Ann"}),
    ):
        agree(owner, None, terms, from_on=NOW.date(), reason="Signed", seen=0, by=None, now=NOW)
    given = {"into": cast.other_owner.name, "reason": "Renamed"}
    told = "1 site of Harrow Mills keeps what was agreed for it, as terms of its own."
    looked = cast.post("dispatcher", "desk:owner-merge", cast.owner.public_id, **given, do="look")
    assert told in text_of(looked)
    address = reverse("desk:owner-merge", args=[cast.owner.public_id])
    answer = cast.client("dispatcher").post(address, {**given, "do": "save"}, follow=True)
    assert told in text_of(answer)
    # The site's page says where its terms come from, and what its owner has and it has not.
    page = text_of(cast.get("manager", "desk:site-terms", cast.site.public_id))
    assert "As agreed with Harrow Mills (version 1), which is this owner." in page
    assert "Approves by phone: as with the owner → not agreed yet" in page
    address = reverse("desk:site-terms-edit", args=[cast.site.public_id])
    form = cast.client("manager").get(address).context["form"]
    assert form.initial["not_here"] == ["approver"]
    kept = {"keys": "Porter", "from_on": NOW.date(), "reason": "Looked at", "seen": 1, "not_here": "approver"}
    both = cast.client("manager").post(address, kept | {"approver": "Bo"})
    assert "Ticked below as not agreed here" in text_of(both)
    assert cast.client("manager").post(address, kept).status_code == 302
    site = Site.objects.get(pk=cast.site.pk)
    assert agreed_for([site], NOW)[site.pk].values == {"keys": "Porter"}
    for who in ("owner", "other_owner"):
        assert Site.objects.visible_to(scope_of(cast.people[who])).count() == 2
        assert paper.number in text_of(cast.get(who, "portal:certificates"))
    led = cast.client("dispatcher").get(reverse("desk:owner", args=[cast.owner.public_id]), follow=True)
    assert "Also known as Harrow Mills" in text_of(led)


def test_owner_site_place_and_unit_are_entered_by_hand(cast: Cast) -> None:
    client = cast.client("dispatcher")
    client.post(reverse("desk:owner-new"), {"name": "Alder Dairy"})
    owner = Owner.objects.get(name="Alder Dairy")
    site = {
        "name": "Dairy", "code": "AD-1", "time_zone": "America/Chicago", "language": "en",
        "monthly_checks_by": "owner", "country": "us",
    }  # fmt: skip
    wrong = client.post(reverse("desk:site-new", args=[owner.public_id]), {**site, "latitude": "45"})
    assert "both latitude and longitude" in text_of(wrong)
    degrees = {"latitude": "45,1234", "longitude": "-93.5"}
    client.post(reverse("desk:site-new", args=[owner.public_id]), site | degrees)
    here = Site.objects.get(code="AD-1")
    assert (here.latitude, here.longitude) == (Decimal("45.1234"), Decimal("-93.5"))
    place = {"number": "1", "environment": "normal", "walking_order": "10"}
    client.post(reverse("desk:place-new", args=[here.public_id]), place)
    unit = {
        "place": str(Location.objects.get(site=here).public_id), "ref": str(uuid.uuid4()), "made": "2024-02",
        "agent": "water", "construction": "stored_pressure", "shell": "stainless_steel", "is_wheeled": "no",
    }  # fmt: skip
    address = reverse("desk:unit-new", args=[here.public_id])
    for _ in range(2):
        answer = client.post(address, unit)
        assert answer.status_code == 302, text_of(answer)
    made = Unit.objects.get(site=here)
    assert (made.location.number, str(made.made), made.model.agent) == ("1", "2024-02", "water")


def test_a_new_unit_says_what_it_is_and_nothing_that_cannot_be(cast: Cast) -> None:
    client = cast.client("dispatcher")
    address = reverse("desk:unit-new", args=[cast.site.public_id])
    held = cast.unit.location
    unit = {"place": str(held.public_id), "ref": str(uuid.uuid4()), "made": "2020-05"}
    # Whoever chooses nothing is asked, not taken to mean the first of the list.
    answer = client.post(address, unit)
    assert answer.status_code == 400
    assert {"agent", "construction", "shell", "is_wheeled"} <= set(answer.context["form"].errors)
    unit |= {"agent": "unknown", "construction": "unknown", "shell": "unknown", "is_wheeled": "no"}
    for field, value, said in (
        ("commissioned_on", "2015-03-01", "cannot have been placed in service before"),
        ("commissioned_on", "2035-01-01", "lies ahead of us"),
        ("from_on", "2030-01-01", "since when it hangs there"),
        ("charge_text", "\N{FIRE}", "with its number and unit"),
    ):
        refused = client.post(address, unit | {field: value})
        assert refused.status_code == 400
        assert said in " ".join(refused.context["form"].errors[field]), field
    assert Unit.objects.filter(site=cast.site).count() == 1
    assert client.post(address, unit).status_code == 302
    assert f"{cast.unit.number} hangs at place {held.number} too" in text_of(client.get(address))


# --- recalls -------------------------------------------------------------------------------------------


@pytest.fixture
def recalled(cast: Cast) -> dict[str, Unit]:
    """Units around a recall of serials VX100 to VX199 of one maker, built in 2023."""
    model = make_model(maker="Calder Works", name="C9")
    anonymous = make_model(maker="", name="")
    return {
        "certain": make_unit(cast.site, model=model, serial="VX150", made=Stamp.of(2023, 5)),
        "unread": make_unit(cast.site, model=model, serial="", made=Stamp.of(2023, 5)),
        "undated": make_unit(cast.other_site, model=model, serial="VX151", made=Stamp.unknown()),
        "nameless": make_unit(cast.other_site, model=anonymous, serial="VX152", made=Stamp.of(2023, 1)),
        "outside": make_unit(cast.site, model=model, serial="VX250", made=Stamp.of(2023, 5)),
        "later": make_unit(cast.site, model=model, serial="VX153", made=Stamp.of(2024, 5)),
        "other": make_unit(cast.site, model=make_model(maker="Else"), serial="VX154", made=Stamp.of(2023, 5)),
    }


WANTED = Wanted("calder works", "", "", date(2023, 1, 1), date(2023, 12, 31), "VX100", "VX199")


def test_what_is_not_known_never_rules_a_unit_out(
    recalled: dict[str, Unit], django_assert_num_queries: Any
) -> None:
    # the units, where they are
    with django_assert_num_queries(2):
        found = {match.unit_id: match for match in matches(WANTED)}
    said = {name: found[unit.pk].certainty for name, unit in recalled.items() if unit.pk in found}
    assert said == {"certain": "certain", "unread": "possible", "undated": "possible", "nameless": "possible"}
    assert "no serial is readable" in found[recalled["unread"].pk].why
    counts = counted(matches(WANTED))
    assert (counts.certain, counts.possible) == (1, 3)


def test_a_recall_is_looked_at_opened_made_work_followed_up_and_closed(
    cast: Cast, recalled: dict[str, Unit]
) -> None:
    client = cast.client("dispatcher")
    form = {
        "title": "Valve may break", "notice": "Replace the valve.", "maker": "Calder Works",
        "ref": str(uuid.uuid4()),
        "made_from": "2023-01-01", "made_to": "2023-12-31", "serial_from": "VX100", "serial_to": "VX199",
    }  # fmt: skip
    look = client.post(reverse("desk:recall-new"), {**form, "do": "look"})
    assert (look.context["counts"].certain, look.context["counts"].possible) == (1, 3)
    assert not Recall.objects.exists()
    seen = look.context["seen"]
    for _ in range(2):
        client.post(reverse("desk:recall-new"), {**form, "do": "save", "seen": seen})
    recall = Recall.objects.get()
    address = reverse("desk:recall", args=[recall.public_id])
    assert progress(recall)["open"] == 4
    for _ in range(2):
        client.post(address, {"do": "work"})
    unit = recalled["certain"]
    defect = Defect.objects.get(unit=unit)
    assert defect.severity == "critical"
    visit = Visit.objects.get(jobs__unit=unit)
    assert (visit.is_urgent, visit.call_reason) == (True, f"Recall {recall.number}: Valve may break")
    assert recall_units_to_work(recall, with_possible=True, by=cast.people["manager"], now=NOW).defects == 3
    assert "Recalled: " in text_of(client.get(reverse("desk:unit", args=[unit.public_id])))
    line = RecallUnit.objects.get(recall=recall, unit=unit)
    said = {
        "do": "line",
        "unit": str(line.public_id),
        "state": "done",
        "note": "Valve changed",
        "version": "1",
    }
    assert client.post(address, said).status_code == 302
    # Somebody who had the page open before learns that it was answered already.
    assert client.post(address, {**said, "state": "not_found"}).status_code == 409
    Unit.objects.filter(pk=recalled["unread"].pk).update(state="disposed", location=None)
    counts = progress(recall)
    assert (counts["done"], counts["gone"], counts["open"]) == (1, 1, 2)
    rows = b"".join(client.get(address, {"as": "csv"}).streaming_content).decode().splitlines()
    assert len(rows) == 5
    assert client.post(address, {"do": "close", "note": ""}).status_code == 400
    client.post(address, {"do": "close", "note": "Two are still to be found"})
    recall.refresh_from_db()
    assert recall.state == "closed"
    assert cast.get("owner", "desk:recall", recall.public_id).status_code == 403


def test_a_recall_opens_only_with_the_units_that_were_shown(cast: Cast, recalled: dict[str, Unit]) -> None:
    client = cast.client("dispatcher")
    form = {
        "title": "Valve may break", "notice": "Replace the valve.", "maker": "Calder Works",
        "ref": str(uuid.uuid4()), "serial_from": "VX100", "serial_to": "VX199",
    }  # fmt: skip
    address = reverse("desk:recall-new")
    seen = client.post(address, {**form, "do": "look"}).context["seen"]
    other = {**form, "maker": "Else", "serial_from": "", "serial_to": ""}
    again = client.post(address, {**other, "do": "save", "seen": seen})
    assert again.status_code == 409
    assert "changed since they were shown" in text_of(again)
    assert again.context["counts"].certain == 1
    # What the page shows now is what it opens next; never shown opens nothing, nor does one unit more.
    assert f'name="seen" value="{again.context["seen"]}"' in again.content.decode()
    assert client.post(address, {**other, "do": "save"}).status_code == 409
    make_unit(cast.site, model=make_model(maker="Else"))
    assert client.post(address, {**other, "do": "save", "seen": again.context["seen"]}).status_code == 409
    assert not Recall.objects.exists()
    last = client.post(address, {**other, "do": "look"}).context["seen"]
    assert client.post(address, {**other, "do": "save", "seen": last}).status_code == 302
    assert RecallUnit.objects.filter(certainty="certain").count() == 2


@pytest.mark.parametrize("many", [1, 3])
def test_a_recall_page_costs_as_much_whatever_its_length(
    cast: Cast, many: int, django_assert_num_queries: Any
) -> None:
    recall = Recall.objects.create(
        client_ref=uuid.uuid4(), number="RC-1", title="T", notice="N", maker="M", opened_at=NOW
    )
    for _ in range(many):
        RecallUnit.objects.create(
            recall=recall, unit=make_unit(cast.site, refresh=False), certainty="certain", why="It fits."
        )
    client = cast.client("dispatcher")
    # session, user, recall, progress, count, lines, possible
    with django_assert_num_queries(7):
        assert client.get(reverse("desk:recall", args=[recall.public_id])).status_code == 200
