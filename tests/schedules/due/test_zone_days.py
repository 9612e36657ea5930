"""The civil day of each time zone that has a site."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from inventory.register.models import Site
from schedules.due.queries import zone_days
from tests.factories import make_owner, make_site

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 11, 30, 23, 30, tzinfo=UTC)


def test_every_zone_is_named_once_whoever_looks_there() -> None:
    assert zone_days(NOW) == {}
    owner = make_owner()
    zones = ("Europe/London", "Asia/Kolkata", "America/Chicago", "Europe/London", "Asia/Kolkata", "UTC")
    for n, (zone, looks) in enumerate(
        zip(zones, ("owner", "firm", "owner", "firm", "firm", "x"), strict=True)
    ):
        Site.objects.filter(pk=make_site(owner, code=f"Z-{n}").pk).update(
            time_zone=zone, monthly_checks_by=looks
        )
    assert zone_days(NOW) == {
        "America/Chicago": date(2026, 11, 30),
        "Asia/Kolkata": date(2026, 12, 1),
        "Europe/London": date(2026, 11, 30),
        "UTC": date(2026, 11, 30),
    }
