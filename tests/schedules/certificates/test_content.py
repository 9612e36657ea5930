"""What a certificate says: every exception by name, counts that add up, nothing beyond the records."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest

from inventory.errors import Conflict
from inventory.logbook.models import ServiceRecord
from inventory.logbook.services import correct_record
from inventory.register.models import Site, Unit
from schedules.certificates.content import STANDING_LINE, canonical_json, digest_of, qr_text, say_day
from schedules.certificates.services import close_with_certificate, issue_certificate
from schedules.due.models import Obligation
from schedules.rulebook.services import confirm_table, vary_rule
from schedules.visits.closing import close_visit
from schedules.visits.models import Visit
from tests.factories import NOW, make_unit, make_user
from tests.schedules.certificates.scenario import full_day, small_day

pytestmark = pytest.mark.django_db


@pytest.fixture
def day():
    return full_day()


@pytest.fixture
def content(day):
    _, certificate = close_with_certificate(day.visit, day.closing(), by=day.technician, now=NOW)
    return certificate.content


def of_kind(content, kind):
    return {entry["number"]: entry["text"] for entry in content["exceptions"] if entry["kind"] == kind}


def line_of(content, unit):
    return next(line for line in content["units"] if line["number"] == unit.number)


def test_content_is_plain_json_with_iso_dates(content):
    assert json.loads(canonical_json(content)) == content
    assert (content["issued_on"], content["visit"]["done_on"]) == ("2026-11-25", "2026-11-25")
    assert content["issued_at"] == "2026-11-25T09:00:00Z"


def test_it_names_everybody_and_everything(content, day):
    assert content["owner"]["name"] == "Calder Valley Hospitals"
    assert content["site"]["address"] == "12 Quay Street, 40021 Port Calder, US"
    assert content["technicians"] == [{"name": "Ines Okoro", "licence": "EX-20931"}]
    assert content["visit"]["number"] == day.visit.number
    assert content["visit"]["reported_to"] == "R. Example, porter"
    assert content["firm"]["name"] == "Tarn & Alder Extinguisher Service"
    assert content["standing_line"] == STANDING_LINE
    assert content["statement"][0].startswith(
        "On 25 Nov 2026 Ines Okoro of Tarn & Alder Extinguisher Service visited"
    )


def test_counts_add_up(content, day):
    counts = content["counts"]
    assert counts == {
        "on_list": 7,
        "beyond_list": 1,
        "recorded": 8,
        "serviced": 3,
        "failed": 1,
        "replaced": 1,
        "removed": 1,
        "not_found": 1,
        "no_access": 1,
        # Thirteen less the replaced one, and the spare that hangs there now.
        "on_site": 13,
        "on_site_not_on_list": 5,
    }
    assert len(content["units"]) == counts["recorded"]


def test_a_passed_unit_shows_work_readings_and_the_next_date(content, day):
    unit = day.units["passed"]
    line = line_of(content, unit)
    owed = Obligation.objects.get(unit=unit, task="maintenance")
    assert line["place"]["number"] == unit.location.number
    assert (line["serial"], line["kind"]) == (unit.serial, "10 lb Dry chemical ABC, stored pressure")
    assert [task["label"] for task in line["tasks"]] == ["Maintenance"]
    gauge = line["readings"][0]
    assert (gauge["label"], gauge["value"], gauge["unit"], gauge["verdict_label"]) == (
        "Gauge pressure",
        "195",
        "psi",
        "inside",
    )
    # The temperature has no limit of its own: it is there so that the gauge can be judged.
    assert [(r["value"], r["unit"], r["verdict_label"]) for r in line["readings"][1:]] == [("70", "°F", "")]
    assert line["remarks"] == ["Seal and tag renewed."]
    assert (line["result"], line["result_label"]) == ("serviced", "Passed")
    due = line["next_due"]
    assert (due["task"], due["latest_on"], due["month"]) == (
        "maintenance",
        f"{owed.latest_on}",
        f"{owed.latest_on:%Y-%m}",
    )
    assert due["text"] == say_day(owed.latest_on)
    # Source: 29 CFR 1910.157(e)(3), the yearly maintenance check.
    assert (due["table"], due["clause"]) == ("A", "(e)(3)")


@pytest.mark.parametrize(
    ("name", "kind", "text"),
    [
        ("failed", "failed", "Maintenance failed. Dent at the foot ring, gauge at zero."),
        ("not_found", "not_found", "No such unit was found at its place. It remains due."),
        ("no_access", "no_access", "The unit could not be reached and remains due. Room locked."),
    ],
)
def test_a_unit_that_was_not_passed_is_an_exception(content, day, name, kind, text):
    unit = day.units[name]
    assert of_kind(content, kind) == {unit.number: text}
    assert line_of(content, unit)["result"] == kind


def test_nothing_is_shown_as_done_where_nothing_was_done(content, day):
    for name in ("not_found", "no_access", "removed", "replaced"):
        assert line_of(content, day.units[name])["tasks"] == []


def test_no_readable_serial_is_said(content, day):
    assert line_of(content, day.units["no_access"])["serial"] == "none readable"


def test_a_unit_taken_away_tells_what_covers_its_place(content, day):
    unit = day.units["removed"]
    place = unit.location.number
    assert of_kind(content, "removed") == {
        unit.number: "Taken away by the firm. "
        f"According to the register no unit hangs at place {place} meanwhile."
    }


def test_a_replaced_unit_names_the_one_that_hangs_there_now(content, day):
    unit = day.units["replaced"]
    text = of_kind(content, "replaced")[unit.number]
    assert text.startswith("Replaced by U-900001 (10 lb Dry chemical ABC, stored pressure, serial SPARE1).")
    assert line_of(content, unit)["next_due"] == {"state": "none", "text": "–"}
    assert "U-900001" not in of_kind(content, "not_on_list")


def test_planned_work_that_was_not_done_is_an_exception(content, day):
    assert of_kind(content, "task_not_done") == {
        day.units[
            "half_done"
        ].number: "Hydrostatic test was planned for this visit and was not recorded as done. "
        "Latest date 31 Mar 2027."
    }


def test_what_stays_overdue_unknown_or_uncovered_is_an_exception(content, day):
    overdue = of_kind(content, "overdue")
    # Source: 29 CFR 1910.157(e)(3): a year after 4 May 2020.
    assert "Maintenance overdue since 4 May 2021 (table A, (e)(3))" in overdue[day.units["overdue"].number]
    # A failed unit is due again on the day it failed, which is not past yet.
    assert day.units["failed"].number not in overdue
    undated = of_kind(content, "unknown_date")[day.units["undated"].number]
    assert undated.startswith("Last date unknown, so due now: ")
    assert "maintenance" in undated
    uncovered = of_kind(content, "uncovered")[day.units["uncovered"].number]
    assert uncovered == "Table A has no rule for hydrostatic test of this unit. No date can be stated."


def test_a_unit_away_in_the_workshop_is_an_exception(content, day):
    assert of_kind(content, "away") == {
        day.units["away"].number: "According to the register: in the workshop."
    }


def test_units_of_the_site_that_nobody_saw_are_named(content, day):
    unseen = of_kind(content, "not_on_list")
    assert set(unseen) == {
        day.units[name].number for name in ("unseen", "overdue", "undated", "away", "uncovered")
    }
    assert unseen[day.units["unseen"].number].startswith("Not seen on this visit. Maintenance due by ")
    assert line_of(content, day.units["beyond"])["on_list"] is False


def test_exceptions_stand_in_order_of_gravity(content):
    kinds = list(dict.fromkeys(entry["kind"] for entry in content["exceptions"]))
    assert kinds[0] == "failed"
    assert kinds[-1] == "not_on_list"


def test_it_never_claims_more_than_the_records(content):
    text = canonical_json(content).lower()
    for word in ("compliant", "compliance", "safe", "guarantee", "fit for use"):
        assert word not in text
    assert any("any law or code" in line for line in content["not_covered"])


def test_an_unconfirmed_table_is_said_near_the_top(content):
    assert content["is_confirmed"] is False
    assert content["warning"].startswith("Interval table A is unconfirmed: ")
    (table,) = content["tables"]
    assert (table["document"], table["version"], table["is_confirmed"]) == (
        "29 CFR 1910.157",
        "2026-1",
        False,
    )
    assert table["state"].startswith("Unconfirmed")


def test_a_confirmed_table_names_who_confirmed_it():
    day = small_day()
    manager = make_user("manager", first_name="Dana", last_name="Reyes")
    confirm_table(
        "us-osha-1910-157",
        "2026-1",
        by=manager,
        name="Dana Reyes",
        local_code="Port Calder fire code",
        at=NOW,
    )
    _, certificate = close_with_certificate(day.visit, day.closing(), by=day.technician, now=NOW)
    assert certificate.content["is_confirmed"] is True
    assert certificate.content["warning"] == ""
    assert certificate.content["tables"][0]["state"] == (
        "Confirmed by Dana Reyes on 2026-11-25 against Port Calder fire code."
    )


def test_a_varied_rule_is_named_beside_the_table():
    day = small_day()
    vary_rule(
        "us-osha-1910-157",
        "maintenance",
        {"every": "P6M"},
        by=make_user("manager", first_name="Maren", last_name="Holt"),
        at=NOW,
        reason="Plating shop",
        reference="Letter FM-17",
        site=day.site,
    )
    _, certificate = close_with_certificate(day.visit, day.closing(), by=day.technician, now=NOW)
    (state,) = [t["state"] for t in certificate.content["tables"] if t["key"] == "us-osha-1910-157"]
    assert state.endswith(
        "Varied here: (e)(3), interval 6 months. "
        "Reason: Plating shop. Authority: Letter FM-17. By Maren Holt on 2026-11-25."
    )


def test_without_a_table_no_dates_are_stated():
    day = small_day(tables=())
    Obligation.objects.all().delete()
    day.visit.jobs.all().delete()
    _, certificate = close_with_certificate(day.visit, day.closing(), by=day.technician, now=NOW)
    assert certificate.content["tables"] == []
    assert certificate.content["warning"].startswith("No interval table is in use")
    assert {line["next_due"]["text"] for line in certificate.content["units"]} == {"no date"}


def test_the_owners_monthly_look_is_left_to_the_owner():
    day = small_day()
    _, certificate = close_with_certificate(day.visit, day.closing(), by=day.technician, now=NOW)
    assert {line["next_due"]["task"] for line in certificate.content["units"]} == {"maintenance"}
    assert any("monthly visual inspections" in line for line in certificate.content["not_covered"])


def test_the_firms_monthly_look_counts():
    day = small_day(monthly_checks_by=Site.MonthlyChecks.FIRM)
    _, certificate = close_with_certificate(day.visit, day.closing(), by=day.technician, now=NOW)
    assert {line["next_due"]["task"] for line in certificate.content["units"]} == {"visual_inspection"}
    assert not any("monthly visual inspections" in line for line in certificate.content["not_covered"])


def test_dates_are_judged_on_the_day_at_the_site():
    # 03:00 UTC on the 26th is still the 25th in Chicago.
    day = small_day()
    late = datetime(2026, 11, 26, 3, 0, tzinfo=UTC)
    _, certificate = close_with_certificate(day.visit, day.closing(), by=day.technician, now=late)
    assert certificate.content["issued_on"] == "2026-11-25"


def test_a_correction_made_later_shows_on_the_next_certificate(day, content):
    record = ServiceRecord.objects.get(unit=day.units["passed"], visit_ref=day.visit.public_id)
    manager = make_user("manager", first_name="Dana", last_name="Reyes")
    correct_record(record, reason="Wrong unit", by=manager, at=NOW, outcome=ServiceRecord.Outcome.FAILED)
    from schedules.certificates.models import Certificate
    from schedules.certificates.services import reissue_certificate

    first = Certificate.objects.get(visit=day.visit)
    again = reissue_certificate(
        first, "A record was corrected.", by=manager, now=NOW + timedelta(days=1)
    ).content
    number = day.units["passed"].number
    assert (again["counts"]["serviced"], again["counts"]["failed"], again["counts"]["recorded"]) == (2, 2, 8)
    assert number in of_kind(again, "failed")
    assert of_kind(again, "corrected")[number] == (
        "Maintenance: recorded first as passed, now failed. Reason: Wrong unit (Dana Reyes)."
    )
    assert again["replaces"] == {"number": first.number, "reason": "A record was corrected."}
    first.refresh_from_db()
    assert first.content == content


def test_a_voided_record_counts_as_no_work(day, content):
    record = ServiceRecord.objects.get(unit=day.units["passed"], visit_ref=day.visit.public_id)
    manager = make_user("manager")
    correct_record(record, reason="Never visited", by=manager, at=NOW, outcome=ServiceRecord.Outcome.VOID)
    from schedules.certificates.models import Certificate
    from schedules.certificates.services import reissue_certificate

    again = reissue_certificate(Certificate.objects.get(visit=day.visit), "Void", by=manager, now=NOW).content
    line = line_of(again, day.units["passed"])
    assert (line["result_label"], line["tasks"]) == ("Record void", [])
    assert again["counts"]["void"] == 1
    assert day.units["passed"].number in of_kind(again, "void")


@pytest.mark.parametrize(
    "break_it",
    [
        lambda day: Visit.objects.filter(pk=day.visit.pk).update(counts={**day.visit.counts, "serviced": 3}),
        lambda day: Visit.objects.filter(pk=day.visit.pk).update(counts={**day.visit.counts, "on_list": 1}),
        lambda day: Visit.objects.filter(pk=day.visit.pk).update(counts={}),
    ],
    ids=["a result", "the list", "no counts"],
)
def test_counts_that_differ_from_the_records_are_refused(break_it):
    day = small_day()
    day.visit = close_visit(day.visit, day.closing(), by=day.technician, now=NOW)
    break_it(day)
    with pytest.raises(Conflict, match="No certificate was issued") as refused:
        issue_certificate(day.visit, by=day.technician, now=NOW)
    assert refused.value.code == "records_do_not_reconcile"


def test_a_unit_on_the_list_without_a_record_is_refused():
    day = small_day()
    day.visit = close_visit(day.visit, day.closing(), by=day.technician, now=NOW)
    extra = make_unit(day.site)
    day.visit.jobs.create(
        unit=extra, location=extra.location, task="maintenance", table_key="x", table_version="1", rule_id="r"
    )
    with pytest.raises(Conflict, match=extra.number) as refused:
        issue_certificate(day.visit, by=day.technician, now=NOW)
    assert refused.value.code == "records_do_not_reconcile"
    assert refused.value.extra["units"] == [extra.number]


def test_queries_do_not_grow_with_the_units(django_assert_num_queries, day):
    small = small_day()
    _, first = close_with_certificate(small.visit, small.closing(), by=small.technician, now=NOW)
    from schedules.certificates.content import Heading, visit_content

    for it in (small, day):
        if it is day:
            it.visit = close_visit(it.visit, it.closing(), by=it.technician, now=NOW)
        visit = Visit.objects.select_related("site__owner", "technician", "closed_by").get(pk=it.visit.pk)
        heading = Heading("C-1", "7K3MQ2ZD9XWA40TF", NOW, first.issued_on, it.technician)
        # Recount: records, list. Content: records, readings, jobs, units, obligations, defects, site's
        # adoptions (2), confirmations (2), rulebook with its variations (3); one more where a unit was
        # replaced.
        with django_assert_num_queries(12 + (it is day)):
            visit_content(visit, heading)


def test_the_digest_moves_with_any_value(content):
    before = digest_of(content)
    assert digest_of(json.loads(json.dumps(content))) == before
    content["units"][0]["serial"] += "1"
    assert digest_of(content) != before


def test_the_qr_address_keeps_its_case_behind_a_path(settings):
    assert qr_text("http://localhost:8000/verify/AB/") == "HTTP://LOCALHOST:8000/VERIFY/AB/"
    settings.PUBLIC_URL = "https://example.org/Desk"
    assert qr_text("https://example.org/Desk/verify/AB/") == "https://example.org/Desk/verify/AB/"


def test_every_state_of_absence_has_a_word():
    from schedules.certificates.content import _AWAY_WORDS

    told = set(_AWAY_WORDS) | set(Unit.HANGING) | set(Unit.GONE)
    assert told == set(Unit.State.values)
