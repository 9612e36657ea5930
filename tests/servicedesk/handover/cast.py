"""A register with something in every corner, and ways to hand it over and take it over."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, time
from typing import Any

from django.db import transaction

from inventory.logbook.models import Defect, Reading, ServiceRecord
from inventory.logbook.services import NewReading, correct_record
from inventory.measures.stamps import Precision, Stamp
from inventory.register.models import AccessWindow, BlackoutPeriod, Depot, Owner, Placement, Site, Unit
from schedules.certificates.models import Certificate
from schedules.certificates.services import render_pdf
from schedules.rulebook.models import Variation
from servicedesk.handover.reading import Handed, open_handed
from servicedesk.handover.tables import Cover
from servicedesk.handover.writing import REGISTER, write_handover
from tests.factories import NOW, make_location, make_record, make_unit, make_user
from tests.servicedesk.portal.cast import make_premises

ODD = "Ünïcode „quoted“ \u202eright to left\u202c 🧯, comma; line\nfeed\ttab 'and' \"more\" ="


class Undo(Exception):
    """Takes back what was built."""


@dataclass
class Built:
    """What the register holds."""

    owner: Owner
    site: Site
    unit: Unit
    record: ServiceRecord
    certificate: Certificate


def build(name: str = "Harrow Mills", *, with_paper: bool = True) -> Built:
    """An owner with one site, odd values, a corrected record, a certificate with its PDF, a defect."""
    own = make_premises(name, site=f"{name} works")
    desk = make_user("dispatcher", first_name="Dora", last_name="Ashby")
    depot = Depot.objects.create(name=f"Depot of {name}", time_zone="America/Chicago")
    Site.objects.filter(pk=own.site.pk).update(
        depot=depot, access_notes=ODD, latitude="38.610000", longitude="-99.700000"
    )
    AccessWindow.objects.create(site=own.site, weekday=0, opens_at=time(8), closes_at=time(16, 30))
    BlackoutPeriod.objects.create(
        owner=own.owner, label="Summer", first_on=date(2026, 7, 1), last_on=date(2026, 7, 20), made_by=desk
    )
    record = ServiceRecord.objects.get(unit=own.unit)
    correct_record(
        record,
        reason="Wrong month read",
        by=desk,
        at=NOW,
        done=Stamp.of(2025, 11),
        remarks=ODD,
        readings=(
            NewReading("gauge_pressure", "195", "psi", 1344.477, Reading.Verdict.INSIDE, "as printed"),
        ),
    )
    certificate = own.serve(own.unit)
    if with_paper:
        render_pdf(certificate)
    unknown = make_unit(
        location=make_location(own.site, number="A/7", description=ODD, walking_order=9),
        made=Stamp(None, None, Precision.UNKNOWN, "illegible"),
        serial="",
        doubts=[{"about": ODD}],
        refresh=False,
    )
    Placement.objects.filter(unit=unknown).update(opened_by=desk, from_on=None)
    make_record(unknown, task="hydrostatic_test", done=Stamp.of(2019), method="", refresh=False)
    Defect.objects.create(
        site=own.site,
        unit=unknown,
        code="other_unit",
        severity="critical",
        remarks=ODD,
        opened_on=date(2026, 3, 1),
        opened_at=NOW,
        opened_by=desk,
    )
    Variation.objects.create(
        table_key="us-osha-1910-157",
        rule_id="(e)(3)",
        changes={"every": "P6M"},
        site=own.site,
        reason="Ordered",
        reference="Letter 7",
        varied_by=desk,
        varied_name="Dora Ashby",
        varied_at=NOW,
    )
    return Built(own.owner, own.site, own.unit, record, certificate)


def handed_bytes(cover: Cover | None = None, form: str = "json", **more: Any) -> bytes:
    """A handover as a file; papers that have no file are made only where a test asks for them."""
    target = io.BytesIO()
    write_handover(target, cover or Cover(), form, at=NOW, **{"makes_papers": False} | more)
    return target.getvalue()


def opened(data: bytes) -> Handed:
    """The file, looked at."""
    return open_handed(io.BytesIO(data))


def register_of(data: bytes) -> dict[str, Any]:
    """The JSON of a file."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        found: dict[str, Any] = json.loads(archive.read(REGISTER))
    return found


def made_elsewhere(make: Callable[[], Any]) -> tuple[bytes, Any]:
    """The handover of a house that ``make`` builds; afterwards this house is as empty as before."""
    kept: list[Any] = []
    try:
        with transaction.atomic():
            built = make()
            kept += [handed_bytes(), built]
            raise Undo
    except Undo:
        return kept[0], kept[1]
