"""What is written to whom, once; what is sent, and what happens when it cannot be."""

from __future__ import annotations

import smtplib
from datetime import UTC, datetime, timedelta

import pytest
from django.core import mail
from django.core.exceptions import ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from inventory.errors import Conflict
from inventory.logbook.models import Defect, ServiceRecord
from inventory.measures.stamps import Stamp
from inventory.register.models import Unit
from schedules.visits.models import Visit
from servicedesk.notices import sending, writing
from servicedesk.notices.deadlines import meet_deadline, start_deadlines
from servicedesk.notices.exceptions import day_list
from servicedesk.notices.kinds import NoticeKind
from servicedesk.notices.models import Deadline, Notice, NoticeChoice
from servicedesk.notices.sending import send_waiting
from tests.factories import (
    NOW,
    TODAY,
    make_owner,
    make_record,
    make_site,
    make_unit,
    make_user,
    make_visit,
)
from tests.servicedesk.page_cast import make_cast

pytestmark = pytest.mark.django_db
SOON = TODAY + timedelta(days=3)


@pytest.fixture
def owner():
    return make_owner(name="Weir Mills", contact_email="works@weir.example")


@pytest.fixture
def site(owner):
    return make_site(owner, name="Weir Road works", country="AU", region="Victoria")


@pytest.fixture
def visit(site):
    return make_visit(site, [make_unit(site)], planned_on=SOON, confirmed_at=NOW)


def make_defect(site, unit, **fields):
    fields.setdefault("severity", Defect.Severity.CRITICAL)
    fields.setdefault("code", "pressure_lost")
    return Defect.objects.create(site=site, unit=unit, opened_on=TODAY, opened_at=NOW, **fields)


def texts(kind):
    return [f"{notice.subject}\n{notice.text}" for notice in Notice.objects.filter(kind=kind)]


# --- before a visit ----------------------------------------------------------------------------------


def test_a_coming_visit_is_told_once(visit):
    assert writing.write_visits_ahead(NOW) == 1
    assert writing.write_visits_ahead(NOW + timedelta(hours=1)) == 0
    notice = Notice.objects.get()
    assert notice.address == "works@weir.example"
    assert "Weir Road works" in notice.subject
    assert "Saturday, Nov. 28, 2026" in notice.text
    assert "Units: 1" in notice.text


def test_a_changed_day_is_told_anew_and_a_cancelled_visit_called_off(visit):
    writing.write_visits_ahead(NOW)
    Visit.objects.filter(pk=visit.pk).update(planned_on=SOON + timedelta(days=1))
    assert writing.write_visits_ahead(NOW) == 1
    assert Notice.objects.first().subject.startswith("Changed:")
    Visit.objects.filter(pk=visit.pk).update(state=Visit.State.CANCELLED)
    assert writing.write_visits_ahead(NOW) == 1
    assert Notice.objects.first().subject.startswith("Called off:")
    assert writing.write_visits_ahead(NOW) == 0


def test_who_was_never_told_of_a_visit_is_not_told_that_it_is_off(visit):
    Visit.objects.filter(pk=visit.pk).update(state=Visit.State.CANCELLED)
    assert writing.write_visits_ahead(NOW) == 0


def test_proposals_and_far_visits_are_not_told(site):
    make_visit(site, state=Visit.State.PROPOSED, planned_on=SOON)
    make_visit(site, planned_on=TODAY + timedelta(days=20), confirmed_at=NOW)
    assert writing.write_visits_ahead(NOW) == 0


def test_people_of_the_owner_come_before_the_contact_and_may_decline(visit, owner):
    wants = make_user("owner", owner=owner, email="a@weir.example")
    declines = make_user("owner", owner=owner, email="b@weir.example")
    make_user("owner", owner=make_owner(), email="stranger@pike.example")
    NoticeChoice.objects.create(person=declines, kind=NoticeKind.VISIT_AHEAD, is_wanted=False)
    writing.write_visits_ahead(NOW)
    assert [notice.person for notice in Notice.objects.all()] == [wants]


def test_when_all_people_decline_the_contact_is_not_written_to_instead(visit, owner):
    declines = make_user("owner", owner=owner, email="b@weir.example")
    NoticeChoice.objects.create(person=declines, kind=NoticeKind.VISIT_AHEAD, is_wanted=False)
    assert writing.write_visits_ahead(NOW) == 0


@pytest.mark.parametrize(
    ("language", "subject"),
    [
        ("de", "Unser Besuch bei Weir Road works am Samstag, 28. November 2026"),
        ("fr", "Notre visite à Weir Road works, samedi, 28 novembre 2026"),
        ("es", "Nuestra visita a Weir Road works, sábado, 28 de noviembre de 2026"),
    ],
)
def test_the_site_is_written_to_in_its_language(visit, language, subject):
    visit.site.language = language
    visit.site.save()
    writing.write_visits_ahead(NOW)
    assert Notice.objects.get().subject == subject


# --- due, overdue, critical --------------------------------------------------------------------------


def test_overdue_units_are_told_weekly_and_due_ones_monthly(site):
    unit = make_unit(site)
    make_record(unit, done=Stamp.of(2024, 1, 5))
    assert writing.write_overdue(NOW) == 1
    assert writing.write_overdue(NOW + timedelta(days=2)) == 0
    assert writing.write_overdue(NOW + timedelta(days=7)) == 1
    assert "Weir Road works: 1" in texts(NoticeKind.OVERDUE)[0]
    assert "confirm against local code" in texts(NoticeKind.OVERDUE)[0]


def test_the_month_begins_with_its_first_working_day(site):
    make_record(make_unit(site), done=Stamp.of(2025, 12, 10))
    sunday = datetime(2026, 11, 1, 12, tzinfo=UTC)
    assert writing.write_falls_due(sunday) == 0
    assert writing.write_falls_due(NOW) == 1
    assert writing.write_falls_due(NOW + timedelta(days=1)) == 0


def test_a_critical_defect_reaches_the_owner_although_all_mail_was_declined(site, owner):
    person = make_user("owner", owner=owner, email="a@weir.example")
    for kind in NoticeKind:
        NoticeChoice.objects.create(person=person, kind=kind, is_wanted=False)
    make_defect(site, make_unit(site, number="U-77"))
    assert writing.write_critical(NOW) == 1
    assert writing.write_critical(NOW) == 0
    assert "U-77" in Notice.objects.get().text


def test_lesser_settled_and_void_defects_are_not_told_at_once(site):
    unit = make_unit(site)
    make_defect(site, unit, severity=Defect.Severity.NON_CRITICAL)
    make_defect(site, unit, is_void=True)
    make_defect(site, unit, settled_at=NOW, settled_how="Exchanged.")
    assert writing.write_critical(NOW) == 0


# --- the firm's own people ---------------------------------------------------------------------------


def test_technicians_get_the_next_day_in_the_evening_and_again_when_it_changes(site):
    technician = make_user("technician", email="t@firm.example")
    tomorrow = TODAY + timedelta(days=1)
    visit = make_visit(site, [make_unit(site)], technician=technician, planned_on=tomorrow)
    assert writing.write_next_day(NOW) == 0
    evening = NOW + timedelta(hours=9)
    assert writing.write_next_day(evening) == 1
    assert writing.write_next_day(evening) == 0
    make_visit(site, technician=technician, planned_on=tomorrow)
    assert writing.write_next_day(evening) == 1
    assert visit.number in texts(NoticeKind.NEXT_DAY)[0]


def test_the_day_list_goes_to_the_desk_once_a_day_and_only_with_something_to_tell(site):
    make_user("dispatcher", email="d@firm.example")
    make_user("technician", email="t@firm.example")
    assert writing.write_day_list(NOW) == 0
    make_record(make_unit(site), done=Stamp.of(2024, 1, 5))
    assert writing.write_day_list(NOW - timedelta(hours=4)) == 0
    assert writing.write_day_list(NOW) == 1
    assert writing.write_day_list(NOW + timedelta(hours=1)) == 0
    assert Notice.objects.get().address == "d@firm.example"
    assert "Overdue tasks: 1" in Notice.objects.get().text


def found(code):
    return next(section for section in day_list(NOW) if section.code == code)


def test_no_access_twice_is_an_exception_until_somebody_got_in(site):
    unit = make_unit(site)
    for visit_ref in (make_visit(site).public_id, make_visit(site).public_id):
        assert found("no_access").count == 0
        make_record(unit, outcome=ServiceRecord.Outcome.NO_ACCESS, visit_ref=visit_ref)
    assert found("no_access").count == 1
    make_record(unit, received_at=NOW + timedelta(hours=1))
    assert found("no_access").count == 0


def test_a_licence_that_runs_out_is_an_exception(site):
    make_user("technician", licence_expires_on=TODAY + timedelta(days=20))
    make_user("technician", licence_expires_on=TODAY + timedelta(days=90))
    make_user("technician", licence_expires_on=TODAY - timedelta(days=1), is_active=False)
    assert found("licences").count == 1


def test_a_window_that_closes_without_a_visit_is_an_exception(site):
    unit = make_unit(site)
    make_record(unit, done=Stamp.of(2025, 12, 10))
    assert found("closing").count == 1
    make_visit(site, [unit], planned_on=TODAY + timedelta(days=2))
    assert found("closing").count == 0


@pytest.mark.parametrize(("sites", "more"), [(2, ""), (11, "1 more site"), (13, "3 more sites")])
def test_a_list_of_sites_counts_the_sites_that_are_not_listed(owner, sites, more):
    make_user("dispatcher", email="d@firm.example")
    for number in range(sites):
        at = make_site(owner, name=f"Yard {number}")
        for _ in range(2):
            make_record(make_unit(at), done=Stamp.of(2025, 12, 10))
    assert (found("closing").count, found("closing").more) == (sites * 2, more)
    writing.write_day_list(NOW)
    assert (" more" in Notice.objects.get().text) == bool(more)
    assert f"- and {more}\n" in Notice.objects.get().text if more else True


def test_no_access_counts_only_what_still_hangs(site):
    unit = make_unit(site)
    for visit_ref in (make_visit(site).public_id, make_visit(site).public_id):
        make_record(unit, outcome=ServiceRecord.Outcome.NO_ACCESS, visit_ref=visit_ref)
    Unit.objects.filter(pk=unit.pk).update(state="disposed", location=None)
    assert (found("no_access").count, found("no_access").more) == (0, "")


def test_days_are_written_as_on_the_other_pages(site):
    make_defect(site, make_unit(site))
    make_user("technician", licence_expires_on=TODAY + timedelta(days=20))
    details = [line.detail for section in day_list(NOW) for line in section.lines]
    assert f"Weir Road works, since {TODAY:%-d %b %Y}" in details
    assert not [detail for detail in details if TODAY.strftime("%Y-") in detail]


# --- deadlines ---------------------------------------------------------------------------------------


def test_a_critical_defect_starts_the_clock_of_its_place_once(site):
    defect = make_defect(site, make_unit(site))
    assert start_deadlines(NOW) == 1
    assert start_deadlines(NOW) == 0
    deadline = Deadline.objects.get()
    assert deadline.clock == "au-critical-written"
    assert deadline.due_at == NOW + timedelta(hours=24)
    assert deadline.defect == defect


def test_the_desk_is_warned_before_and_once_more_after(site):
    make_user("manager", email="m@firm.example")
    make_defect(site, make_unit(site))
    start_deadlines(NOW)
    assert writing.write_clock(NOW) == 0
    assert writing.write_clock(NOW + timedelta(hours=13)) == 1
    assert writing.write_clock(NOW + timedelta(hours=14)) == 0
    assert writing.write_clock(NOW + timedelta(hours=25)) == 1
    assert Notice.objects.first().subject.startswith("Past:")


def test_the_mail_on_the_defect_meets_the_deadline_towards_the_owner(site):
    make_defect(site, make_unit(site))
    start_deadlines(NOW)
    writing.write_critical(NOW)
    assert send_waiting(NOW) == 1
    deadline = Deadline.objects.get()
    assert deadline.done_at == NOW
    assert deadline.done_note == "Written notice mailed to works@weir.example."


def test_a_deadline_is_met_once_and_with_a_word_on_how(site):
    make_defect(site, make_unit(site))
    start_deadlines(NOW)
    person, deadline = make_user("dispatcher"), Deadline.objects.get()
    with pytest.raises(ValidationError, match="Say to whom"):
        meet_deadline(deadline, " ", by=person, now=NOW)
    meet_deadline(deadline, "Told by phone.", by=person, now=NOW)
    with pytest.raises(Conflict):
        meet_deadline(deadline, "Told again.", by=person, now=NOW)


# --- sending -----------------------------------------------------------------------------------------


@pytest.fixture
def notice(visit):
    writing.write_visits_ahead(NOW)
    return Notice.objects.get()


def test_a_mail_goes_out_once_and_names_itself(notice):
    assert send_waiting(NOW) == 1
    assert send_waiting(NOW) == 0
    (sent,) = mail.outbox
    assert sent.to == ["works@weir.example"]
    assert sent.extra_headers["Message-ID"] == f"<{notice.public_id}@localhost>"
    assert sent.extra_headers["Auto-Submitted"] == "auto-generated"


def test_what_another_worker_has_claimed_is_left_alone_until_its_claim_runs_out(notice):
    Notice.objects.update(claimed_until=NOW + timedelta(minutes=1))
    assert send_waiting(NOW) == 0
    assert send_waiting(NOW + timedelta(minutes=1)) == 1


def test_a_mail_that_cannot_be_sent_is_tried_with_pauses_and_then_given_up(notice, monkeypatch):
    def refuse(self, fail_silently=False):
        raise smtplib.SMTPServerDisconnected("no route to the server")

    monkeypatch.setattr(sending.EmailMessage, "send", refuse)
    now = NOW
    for pause in sending.PAUSES:
        assert send_waiting(now) == 0
        notice.refresh_from_db()
        assert notice.next_try_at == now + pause
        assert notice.last_error == "no route to the server"
        assert send_waiting(now) == 0
        now += pause
    send_waiting(now)
    notice.refresh_from_db()
    assert notice.given_up_at == now
    monkeypatch.undo()
    assert send_waiting(now + timedelta(days=1)) == 0
    assert sending.try_again(notice, now=now)
    assert send_waiting(now) == 1


# --- pages -------------------------------------------------------------------------------------------


def test_everybody_chooses_among_own_kinds_and_the_fixed_ones_stay():
    cast = make_cast()
    assert b"Before a visit" in cast.get("owner", "notices").content
    assert b"The day&#x27;s exceptions" in cast.get("dispatcher", "notices").content
    assert cast.post("owner", "notices", falls_due="on").status_code == 302
    kept = dict(NoticeChoice.objects.filter(person=cast.people["owner"]).values_list("kind", "is_wanted"))
    assert kept == {"visit_ahead": False, "falls_due": True, "overdue": False}


@pytest.mark.parametrize("name", ["exceptions", "deadlines", "mails"])
def test_pages_of_the_desk_are_for_the_desk(name):
    cast = make_cast()
    codes = {role: cast.get(role, f"desk:{name}").status_code for role in cast.people}
    assert codes == {
        "manager": 200,
        "dispatcher": 200,
        "technician": 403,
        "workshop": 403,
        "owner": 403,
        "other_owner": 403,
    }


def test_a_deadline_is_marked_on_its_page_and_wrong_input_stands_beside_it(site):
    cast = make_cast()
    make_defect(site, make_unit(site))
    start_deadlines(NOW)
    deadline = Deadline.objects.get()
    answer = cast.post("dispatcher", "desk:deadlines", deadline=str(deadline.public_id), note=" ")
    assert answer.status_code == 400
    assert b"Say to whom it was told" in answer.content
    assert cast.post("dispatcher", "desk:deadlines", deadline="x", note="y").status_code == 404
    answer = cast.post("dispatcher", "desk:deadlines", deadline=str(deadline.public_id), note="By phone")
    assert answer.status_code == 302
    assert b"By phone" in cast.get("manager", "desk:deadlines", met="1").content


def test_a_mail_can_be_read_found_and_tried_again(notice):
    cast = make_cast()
    Notice.objects.update(given_up_at=NOW)
    assert notice.subject.encode() in cast.get("manager", "desk:mails", state="failed", q="weir").content
    assert b"No mail found" in cast.get("manager", "desk:mails", state="sent").content
    assert b"Try again now" in cast.get("manager", "desk:mail", notice.public_id).content
    assert cast.post("manager", "desk:mail", notice.public_id).status_code == 302
    notice.refresh_from_db()
    assert notice.given_up_at is None


def test_the_list_of_exceptions_asks_no_more_for_more(site, django_assert_num_queries):
    client = make_cast().client("dispatcher")

    def late_unit():
        unit = make_unit(site)
        make_record(unit, done=Stamp.of(2024, 1, 5))
        make_defect(site, unit)

    late_unit()
    with CaptureQueriesContext(connection) as few:
        client.get(reverse("desk:exceptions"))
    for _ in range(3):
        late_unit()
    with django_assert_num_queries(len(few)):
        client.get(reverse("desk:exceptions"))
