"""Coming visits as a calendar: read back by icalendar."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from icalendar import Calendar

from schedules.visits.models import Visit
from servicedesk.portal.models import CalendarAddress
from tests.factories import TODAY, make_site, make_visit
from tests.servicedesk.portal.cast import Premises, text_of

pytestmark = pytest.mark.django_db


def subscribe(own: Premises) -> str:
    """Make an address and return its path."""
    response = own.client.post(reverse("portal:visits"), {"do": "make"}, follow=True)
    found = re.search(r'value="http[^"]*?(/calendar/[^"]+\.ics)"', text_of(response))
    assert found
    return found[1]


def events(path: str) -> dict[str, Any]:
    """The events at an address, by summary, as anybody's calendar program reads them."""
    response = Client().get(path)
    assert response["Content-Type"] == "text/calendar; charset=utf-8"
    calendar = Calendar.from_ical(response.content)
    assert calendar.errors == []
    return {str(event["summary"]): event for event in calendar.walk("VEVENT")}


def test_a_window_has_times_in_the_sites_zone_and_no_window_is_the_whole_day(own: Premises) -> None:
    day = TODAY + timedelta(days=5)
    timed = make_visit(own.site, planned_on=day, window_from=time(9), window_until=time(12))
    far = make_site(own.owner, name="Far barn", time_zone="Asia/Kolkata")
    make_visit(far, planned_on=day)
    path = subscribe(own)
    found = events(path)
    one = found[f"Extinguisher service, {own.site.name}"]
    assert one.start.astimezone(UTC) == datetime(2026, 11, 30, 15, tzinfo=UTC)  # Chicago, in winter
    assert one.end - one.start == timedelta(hours=3)
    assert one["dtstart"].params["TZID"] == "America/Chicago"
    barn = found["Extinguisher service, Far barn"]
    assert (barn.start, barn.end) == (day, day + timedelta(days=1))
    assert type(barn.start) is date
    assert b"BEGIN:VTIMEZONE" in Client().get(path).content
    assert str(one["uid"]).startswith(str(timed.public_id))


def test_a_moved_visit_keeps_its_uid_and_its_sequence_rises(own: Premises) -> None:
    visit = make_visit(own.site, planned_on=TODAY + timedelta(days=5))
    path = subscribe(own)
    (before,) = events(path).values()
    Visit.objects.filter(pk=visit.pk).update(planned_on=TODAY + timedelta(days=9), version=visit.version + 1)
    (after,) = events(path).values()
    assert after["uid"] == before["uid"]
    assert after["sequence"] == before["sequence"] + 1
    assert after.start == TODAY + timedelta(days=9)
    Visit.objects.filter(pk=visit.pk).update(
        state="cancelled", confirmed_at=datetime(2026, 11, 1, tzinfo=UTC)
    )
    (off,) = events(path).values()
    assert off["status"] == "CANCELLED"


def test_the_secret_is_kept_as_a_digest_shown_once_and_can_be_ended(own: Premises, strange: Premises) -> None:
    make_visit(own.site, planned_on=TODAY + timedelta(days=5))
    make_visit(strange.site, planned_on=TODAY + timedelta(days=5))
    first = subscribe(own)
    secret = first.removeprefix("/calendar/").removesuffix(".ics")
    assert secret not in str(CalendarAddress.objects.values().get())
    assert secret not in text_of(own.get("visits"))
    assert list(events(first)) == [f"Extinguisher service, {own.site.name}"]
    second = subscribe(own)
    assert CalendarAddress.objects.count() == 1
    assert Client().get(first).status_code == 404
    assert events(second)
    own.client.post(reverse("portal:visits"), {"do": "end"})
    assert Client().get(second).status_code == 404


def test_who_may_not_sign_in_any_more_has_no_calendar(own: Premises) -> None:
    path = subscribe(own)
    user = own.owner.memberships.get().user
    user.is_active = False
    user.save()
    assert Client().get(path).status_code == 404


def test_proposed_visits_stay_out(own: Premises) -> None:
    make_visit(own.site, planned_on=TODAY + timedelta(days=5), state="proposed")
    assert events(subscribe(own)) == {}
