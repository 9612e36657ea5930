"""Coming visits, and the same as a calendar (RFC 5545) at a secret address that a person can end."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterable
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db import IntegrityError, transaction
from django.db.models import Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import path, reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe
from icalendar import Calendar, Event

from inventory.access import Scope
from schedules.visits.models import Visit
from servicedesk.access import Act, may, scope_of
from servicedesk.accounts.models import User
from servicedesk.pages import clock, paged
from servicedesk.portal.models import CalendarAddress
from servicedesk.portal.views import PortalView

LOOK_BACK_DAYS = 60
MOST_EVENTS = 2000
_FRESH = "calendar_secret"
_STATUS = {
    Visit.State.CANCELLED: "CANCELLED",
    Visit.State.CONFIRMED: "CONFIRMED",
    Visit.State.UNDER_WAY: "CONFIRMED",
    Visit.State.CLOSED: "CONFIRMED",
}


def digest_of(secret: str) -> str:
    """What is kept of a secret."""
    return hashlib.sha256(secret.encode()).hexdigest()


def new_address(user: User, now: datetime) -> str:
    """Give ``user`` a new secret and return it; the one before ends with it."""
    secret = secrets.token_urlsafe(24)
    given = {"secret_sha256": digest_of(secret), "made_at": now, "last_read_on": None}
    if not CalendarAddress.objects.filter(user=user).update(**given):
        try:
            with transaction.atomic():
                CalendarAddress.objects.create(user=user, **given)
        except IntegrityError:  # made by another window meanwhile; this later one takes its place
            CalendarAddress.objects.filter(user=user).update(**given)
    return secret


def events_for(scope: Scope, now: datetime) -> QuerySet[Visit]:
    """Visits that a calendar shows: confirmed ones to come, what was called off, and the last 60 days."""
    return (
        Visit.objects.visible_to(scope)
        .filter(planned_on__gte=now.date() - timedelta(days=LOOK_BACK_DAYS))
        .select_related("site")
        .order_by("planned_on", "pk")[:MOST_EVENTS]
    )


def calendar_of(visits: Iterable[Visit], now: datetime) -> bytes:
    """The visits as a calendar. A visit keeps its UID whatever moves; SEQUENCE rises with every change.

    With a window an event has times in the zone of its site; without one it is of the whole day, because
    nobody promised an hour.
    """
    calendar = Calendar()
    calendar.add("prodid", f"-//{settings.FIRM_NAME}//visits//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", f"{settings.FIRM_NAME}: visits")
    calendar.add("refresh-interval", timedelta(hours=6), parameters={"VALUE": "DURATION"})
    for visit in visits:
        calendar.add_component(_event(visit, now))
    calendar.add_missing_timezones()
    return calendar.to_ical()


def _event(visit: Visit, now: datetime) -> Event:
    event = Event()
    event.add("uid", f"{visit.public_id}@{_host()}")
    event.add("sequence", visit.version)
    event.add("dtstamp", now)
    event.add("summary", f"Extinguisher service, {visit.site.name}")
    state = Visit.State(visit.state)
    event.add("status", _STATUS.get(state, "TENTATIVE"))
    begins = visit.window_from
    if begins is not None and visit.window_until is not None:
        zone = ZoneInfo(visit.site.time_zone)
        event.add("dtstart", _local(visit, begins, zone))
        # The window is that of the arrival; one that is a single moment lasts a quarter of an hour.
        ends = _local(visit, visit.window_until, zone)
        event.add("dtend", max(ends, _local(visit, begins, zone) + timedelta(minutes=15)))
        said = "The technician arrives in this window."
    else:
        event.add("dtstart", visit.planned_on)
        event.add("dtend", visit.planned_on + timedelta(days=1))
        event.add("transp", "TRANSPARENT")
        said = "No hour is agreed yet."
    if state == Visit.State.CANCELLED:
        said = "This visit was called off."
    event.add("description", f"Visit {visit.number} of {settings.FIRM_NAME}. {said}")
    if visit.site.address:
        event.add("location", visit.site.address)
    event.add("url", f"{settings.PUBLIC_URL}{reverse('portal:site', args=[visit.site.public_id])}")
    return event


def _local(visit: Visit, at: time, zone: ZoneInfo) -> datetime:
    return datetime.combine(visit.planned_on, at, tzinfo=zone)


def _host() -> str:
    return str(settings.PUBLIC_URL).split("//", 1)[-1].split("/", 1)[0].split(":", 1)[0]


class VisitsView(PortalView):
    """All coming visits, and the person's calendar address."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show them; a new address is shown once."""
        visits = (
            Visit.objects.visible_to(self.scope)
            .filter(self.to_come() | Q(state=Visit.State.CANCELLED, planned_on__gte=self.now.date()))
            .select_related("site", "technician")
            .order_by("planned_on", "number")
        )
        secret = request.session.pop(_FRESH, "")
        page = paged(request, visits)
        context = {
            "crumbs": self.crumbs(),
            "page_obj": page,
            "visits": list(page.object_list),
            "address": CalendarAddress.objects.filter(user=self.person.pk).first(),
            "secret_url": f"{settings.PUBLIC_URL}{reverse('calendar', args=[secret])}" if secret else "",
        }
        return self.page("portal/visits.html", context)

    def post(self, request: HttpRequest) -> HttpResponse:
        """Make a new address, or end the one there is."""
        if self.pressed("make", "end") == "end":
            CalendarAddress.objects.filter(user=self.person.pk).delete()
            self.told("The address has ended. Calendars that read it find nothing any more.")
        else:
            request.session[_FRESH] = new_address(self.person, self.now)
        return redirect("portal:visits")


@require_safe
@never_cache
def feed(request: HttpRequest, secret: str) -> HttpResponse:
    """The calendar behind a secret address; an unknown or ended one is not found."""
    row = CalendarAddress.objects.select_related("user").filter(secret_sha256=digest_of(secret)).first()
    if row is None or not may(row.user, Act.SEE_PORTAL):
        raise Http404
    now = clock()
    if row.last_read_on != now.date():
        CalendarAddress.objects.filter(pk=row.pk, secret_sha256=row.secret_sha256).update(
            last_read_on=now.date()
        )
    response = HttpResponse(
        calendar_of(events_for(scope_of(row.user), now), now), content_type="text/calendar; charset=utf-8"
    )
    response["Content-Disposition"] = 'inline; filename="visits.ics"'
    response["X-Robots-Tag"] = "noindex"
    return response


urlpatterns = [path("calendar/<str:secret>.ics", feed, name="calendar")]
