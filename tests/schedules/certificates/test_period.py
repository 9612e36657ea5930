"""Papers of a period: what they count, what they name as exceptions, and when there is none."""

from __future__ import annotations

import io
from datetime import date, timedelta

import pypdf
import pytest
from django.core.exceptions import ValidationError

from inventory.errors import Conflict
from inventory.logbook.models import Defect, ServiceRecord
from schedules.certificates.models import Certificate
from schedules.certificates.queries import corrections_since
from schedules.certificates.services import (
    close_with_certificate,
    issue_period_certificate,
    pdf_bytes,
    reissue_certificate,
    withdraw_certificate,
)
from schedules.visits.models import Visit
from tests.factories import NOW, TODAY, make_unit, make_user, make_visit
from tests.schedules.certificates.scenario import full_day

pytestmark = pytest.mark.django_db
FIRST = TODAY - timedelta(days=200)


@pytest.fixture(autouse=True)
def own_files(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path / "media"


@pytest.fixture
def day():
    day = full_day()
    close_with_certificate(day.visit, day.closing(), by=day.technician, now=NOW)
    return day


def issue(day, kind=Certificate.Kind.PERIOD, first=FIRST, last=TODAY):
    return issue_period_certificate(day.site, first, last, kind, by=make_user("manager"), now=NOW)


def test_each_unit_is_counted_once_and_the_results_add_up(day):
    content = issue(day).content
    counts = content["counts"]
    results = ("serviced", "failed", "replaced", "removed", "not_found", "no_access", "not_seen")
    assert sum(counts[name] for name in results) == counts["units"] == len(content["units"])
    assert counts["visits"] == 1
    assert content["visits"][0]["certificates"] == [Certificate.objects.get(visit=day.visit).number]


def test_what_did_not_pass_and_what_was_not_seen_is_named(day):
    unseen = make_unit(day.site)
    Defect.objects.create(
        site=day.site,
        unit=unseen,
        code="pressure_lost",
        severity=Defect.Severity.CRITICAL,
        opened_on=TODAY,
        opened_at=NOW,
    )
    content = issue(day).content
    named = {(entry["kind"], entry["number"]) for entry in content["exceptions"]}
    assert ("not_seen", unseen.number) in named
    assert ("defect", unseen.number) in named
    assert {kind for kind, _ in named} >= {"failed", "not_found", "no_access"}
    assert content["counts"]["critical_defects"] == 1


def test_a_period_without_a_visit_sees_nobody(day):
    content = issue(day, last=TODAY - timedelta(days=1)).content
    assert content["counts"]["visits"] == 0
    assert content["counts"]["not_seen"] == content["counts"]["units"]


def test_a_withdrawn_certificate_of_a_visit_is_told_as_withdrawn(day):
    paper = Certificate.objects.get(visit=day.visit)
    withdraw_certificate(paper, "Wrong unit", by=day.technician, now=NOW)
    assert issue(day).content["visits"][0]["certificates"] == [f"{paper.number} (withdrawn)"]


def test_a_visit_that_is_not_closed_is_named_and_not_counted(day):
    going = make_visit(day.site, state=Visit.State.UNDER_WAY, technician=day.technician)
    content = issue(day).content
    assert content["counts"]["visits"] == 1
    assert any(going.number in line for line in content["statement"])


def test_records_that_do_not_reconcile_stop_it(day):
    Visit.objects.filter(pk=day.visit.pk).update(counts={})
    with pytest.raises(Conflict, match="No certificate was issued"):
        issue(day)


def test_asking_twice_gives_the_same_and_reissuing_replaces_it(day):
    first = issue(day)
    assert issue(day) == first
    assert issue(day, Certificate.Kind.CONDITION) != first
    new = reissue_certificate(first, "A record was corrected", by=day.technician, now=NOW)
    assert (new.kind, new.first_on, new.last_on, new.replaces) == (first.kind, FIRST, TODAY, first)
    assert issue(day) == new
    assert list(corrections_since(new)) == []


@pytest.mark.parametrize(
    ("first", "last", "told"),
    [
        (TODAY, FIRST, "lies before the first"),
        (FIRST, TODAY + timedelta(days=1), "must be over"),
        (date(2025, 10, 1), TODAY, "at most 13 months"),
    ],
)
def test_a_period_that_cannot_be_is_refused(day, first, last, told):
    with pytest.raises(ValidationError, match=told):
        issue(day, first=first, last=last)
    assert not Certificate.objects.exclude(kind="visit").exists()


def test_the_paper_says_what_the_content_says(day):
    paper = issue(day, Certificate.Kind.CONDITION)
    pages = pypdf.PdfReader(io.BytesIO(pdf_bytes(paper))).pages
    told = " ".join(" ".join(page.extract_text() for page in pages).split())
    for text in (
        "Yearly condition statement",
        paper.number,
        "9 May 2026 to 25 Nov 2026",
        day.visit.number,
        "UNCONFIRMED TABLES",
        "Not seen",
        "Each unit is counted once",
        "confirm against local code",
        paper.content_digest,
    ):
        assert text in told, text


def test_records_of_other_sites_and_days_stay_out(day):
    other = ServiceRecord.objects.exclude(visit_ref=day.visit.public_id)
    content = issue(day).content
    dates = {task["done_on"] for unit in content["units"] for task in unit["tasks"]}
    assert other.exists()
    assert all(FIRST.isoformat() <= text <= TODAY.isoformat() for text in dates if text)
