"""The end of service: nothing falls due, nothing is deleted, and it can be taken up again."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from django.core.exceptions import ValidationError

from inventory.access import EVERYTHING
from inventory.errors import Conflict
from inventory.logbook.models import Defect, ServiceRecord
from inventory.register.custody_queries import uncovered
from inventory.register.models import Placement, Unit
from inventory.register.places import Move
from schedules.due.models import Obligation
from schedules.visits.ending import end_of, end_service, reopen_service
from schedules.visits.models import Visit
from servicedesk.access import may_decide_for, scope_of
from servicedesk.handover.rows import read_rows
from servicedesk.handover.tables import table_of
from servicedesk.notices.models import Notice
from servicedesk.notices.writing import write_all
from tests.factories import NOW, TODAY, make_owner, make_record, make_site, make_unit, make_user, make_visit

GIVEN: dict[str, Any] = {
    "ended_on": TODAY,
    "portal_until": TODAY + timedelta(days=90),
    "reason": "Contract ran out",
    "now": NOW,
}


def test_a_site_is_closed_and_opened_again(db: None) -> None:
    manager, owner = make_user("manager"), make_owner()
    site = make_site(owner)
    units = [make_unit(site) for _ in range(2)]
    Unit.objects.filter(pk=units[1].pk).update(state=Unit.State.NOT_FOUND)
    make_record(units[0])
    proposed = make_visit(site, units, state=Visit.State.PROPOSED, technician=None)
    Defect.objects.create(
        site=site, unit=units[0], code="other_unit", severity="critical", opened_on=TODAY, opened_at=NOW
    )
    counts = (ServiceRecord.objects.count(), Placement.objects.filter(is_open=True).count())
    due = list(Obligation.objects.order_by("unit", "task").values_list("unit", "task", "latest_on"))
    assert due

    end = end_service(site, by=manager, **GIVEN)

    assert not Obligation.objects.exists()
    assert set(Unit.objects.values_list("state", flat=True)) == {Unit.State.WITHDRAWN}
    proposed.refresh_from_db()
    assert proposed.state == Visit.State.CANCELLED
    assert (ServiceRecord.objects.count(), Placement.objects.filter(is_open=True).count()) == counts
    assert not uncovered(EVERYTHING).exists()
    make_user("owner", owner=owner, email="o@example.com")
    write_all(NOW)
    assert not Notice.objects.filter(site=site).exists()
    # Handed over, the units are in the state that the next house will find them in.
    handed = [row["state"] for row in read_rows(table_of("units"), Unit.objects.order_by("pk"))]
    assert handed == ["in_service", "not_found"]
    with pytest.raises(Conflict):
        end_service(site, by=manager, **GIVEN)

    assert reopen_service(end, reason="Came back", by=manager, now=NOW) == 2
    assert [unit.state for unit in Unit.objects.order_by("pk")] == ["in_service", "not_found"]
    assert list(Obligation.objects.order_by("unit", "task").values_list("unit", "task", "latest_on")) == due
    assert end_of(site) is None
    assert Move.objects.count() == 4
    with pytest.raises(Conflict):
        reopen_service(end, reason="Twice", by=manager, now=NOW)


def test_the_owner_reads_until_the_day_and_decides_nothing(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    owner = make_owner()
    site, other = make_site(owner), make_site(owner)
    person = make_user("owner", owner=owner)
    person.memberships.update(may_approve=True)
    assert may_decide_for(person, site)
    end_service(site, by=make_user("manager"), **GIVEN)
    monkeypatch.setattr("django.utils.timezone.now", lambda: NOW)
    assert scope_of(person).owner_ids == {owner.pk}
    assert not may_decide_for(person, site)
    assert may_decide_for(person, other)
    monkeypatch.setattr("django.utils.timezone.now", lambda: NOW + timedelta(days=92))
    scope = scope_of(person)
    assert scope.owner_ids == frozenset()
    assert scope.site_ids == {other.pk}


def test_it_waits_for_what_is_open_and_refuses_nonsense(db: None) -> None:
    manager, site = make_user("manager"), make_site()
    unit = make_unit(site)
    visit = make_visit(site, [unit])
    with pytest.raises(Conflict, match=visit.number):
        end_service(site, by=manager, **GIVEN)
    Visit.objects.filter(pk=visit.pk).update(state=Visit.State.CANCELLED)
    for wrong in (
        {"reason": " "},
        {"ended_on": TODAY + timedelta(days=2)},
        {"portal_until": date(2020, 1, 1)},
    ):
        with pytest.raises(ValidationError):
            end_service(site, by=manager, **(GIVEN | wrong))
    assert Obligation.objects.filter(unit=unit).exists()
