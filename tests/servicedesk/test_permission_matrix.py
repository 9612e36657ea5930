"""Who may call what: every operation of the API for every role, asked about data that could leak.

Each row asks about the premises *Alder*. The technician and the owner are Alder's own; the *other*
technician and the *other* owner belong to *Birch*. Whatever is answered to Alder's people must not
hold the word Birch, and the other way round.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from django.core.cache import cache
from django.db import transaction
from django.urls import URLPattern, URLResolver
from django.utils import timezone
from drf_spectacular.views import SpectacularAPIView

from inventory.register.agreed import agree
from inventory.register.custody import add_store
from inventory.register.terms import TermsVersion
from inventory.stock import services as stock
from inventory.stock.models import Item, Lot
from inventory.workshop.models import JobCard
from schedules.billing.models import BillingRun
from schedules.billing.services import make_run
from schedules.routes.models import RoutePlan
from schedules.visits.models import Visit
from schedules.visits.workshop import receive
from servicedesk import api
from servicedesk.accounts.models import User
from servicedesk.api import certificates, urls
from servicedesk.api.base import ScopedViewSet
from servicedesk.api.docs import NoSuchAddress
from servicedesk.api.session import TokenView
from tests.factories import NOW, TODAY, make_user
from tests.servicedesk.api.cast import COUNTS, Premises, client_of, entry, make_premises
from tests.servicedesk.desk.plan_cast import MONDAY, make_small_plan

pytestmark = pytest.mark.either_home

TABLE = "us-osha-1910-157@2026-1"
ROLES = (
    "stranger",
    "manager",
    "dispatcher",
    "technician",
    "other technician",
    "workshop",
    "owner",
    "other owner",
)


def _close(p: Premises) -> dict[str, Any]:
    return {"counts": COUNTS, "contact_name": "Robin Example"}


def _assign(p: Premises) -> dict[str, Any]:
    return {"technician": str(p.technician.public_id), "planned_on": str(TODAY), "version": 1}


def _acts(p: Premises) -> dict[str, Any]:
    act = {"id": str(uuid.uuid4()), "visit": str(p.visit.public_id), "kind": "not_found", "seq": 1}
    act |= {"unit": str(p.units[0].public_id), "device_at": NOW.isoformat()}
    return {"device": {"id": str(uuid.uuid4())}, "acts": [act]}


def _card(p: Premises) -> JobCard:
    """A job card of the first unit; rolled back with the call."""
    card = JobCard.objects.filter(unit=p.units[0]).first()
    return card or receive(p.units[0], reason="used", works=["recharge"], by=p.technician, now=NOW)


def _lot(p: Premises) -> Lot:
    """A lot of which the first unit got; rolled back with the call."""
    found = Lot.objects.first()
    if found is None:
        item = Item.objects.create(code="R", name="Ring", kind="part", base_unit="pcs", is_lot_tracked=True)
        given = {"store": add_store("store", "Shelf"), "by": None, "on": TODAY, "now": NOW}
        found = stock.receive(item, 9, lot_no="L1", client_ref=uuid.uuid4(), **given)
        assert found is not None
        line = stock.UseLine(item, 1, found)
        stock.consume([line], unit=p.units[0], client_ref=uuid.uuid4(), **given)
    return found


def _photo(p: Premises) -> dict[str, Any]:
    more = {"media_type": "image/png", "length": 90, "sha256": "0" * 64}
    return {"id": str(uuid.uuid4()), "visit": str(p.visit.public_id), **more}


def _terms(p: Premises) -> TermsVersion:
    """Terms of the premises' owner; rolled back with the call."""
    found = TermsVersion.objects.filter(owner=p.owner).first()
    given = {"from_on": TODAY, "reason": "Signed", "seen": 0, "by": None, "now": NOW}
    return found or agree(p.owner, None, {"keys": f"Porter of {p.owner.name}"}, **given)


def _run(p: Premises) -> BillingRun:
    """A billing run of the premises' owner; rolled back with the call."""
    found = BillingRun.objects.first()
    run = found or make_run([p.owner], first_on=date(2025, 1, 1), until_on=TODAY, by=None, now=NOW)
    assert run is not None
    return run


PLAN_DAYS = {"first_on": str(MONDAY), "days": 1, "propose": False}


def _plan() -> RoutePlan:
    """A plan of visits that are open now."""
    return RoutePlan.objects.first() or make_small_plan(1, 1, days=1)


def _planned() -> Visit:
    """A visit that has a place in the plan; the premises of the cast have no coordinates."""
    return _plan().stops.filter(technician__isnull=False).first().visit


CONFIRM = {"name": "Dana Oakes", "local_code": "Port Calder fire code 2025"}
REASON = {"reason": "Wrong unit listed."}
CONTACT = {"contact_name": "X", **REASON}

# What is called: the address below /api/v1/, and the body of a POST.
CALLS: dict[str, tuple[Callable[[Premises], str], Callable[[Premises], Any]]] = {
    "owner-correct": (lambda p: f"owners/{p.owner.public_id}/correct/", lambda p: CONTACT),
    "site-correct": (lambda p: f"sites/{p.site.public_id}/correct/", lambda p: {"city": "X", **REASON}),
    "location-correct": (
        lambda p: f"locations/{p.units[0].location.public_id}/correct/",
        lambda p: {"floor": "X", **REASON},
    ),
    "unit-correct": (
        lambda p: f"units/{p.units[0].public_id}/correct/",
        lambda p: {"serial": "X", "known_from": "nameplate", **REASON},
    ),
    "owner-list": (lambda p: "owners/", lambda p: None),
    "owner-detail": (lambda p: f"owners/{p.owner.public_id}/", lambda p: None),
    "site-list": (lambda p: "sites/", lambda p: None),
    "site-detail": (lambda p: f"sites/{p.site.public_id}/", lambda p: None),
    "location-list": (lambda p: "locations/", lambda p: None),
    "location-detail": (lambda p: f"locations/{p.units[0].location.public_id}/", lambda p: None),
    "unit-model-list": (lambda p: "unit-models/", lambda p: None),
    "unit-model-detail": (lambda p: f"unit-models/{p.units[0].model.public_id}/", lambda p: None),
    "unit-list": (lambda p: "units/", lambda p: None),
    "unit-detail": (lambda p: f"units/{p.units[0].public_id}/", lambda p: None),
    "unit-why": (lambda p: f"units/{p.units[0].public_id}/why/", lambda p: None),
    "unit-records": (lambda p: f"units/{p.units[0].public_id}/records/", lambda p: None),
    "obligation-list": (lambda p: "obligations/", lambda p: None),
    "record-list": (lambda p: "records/", lambda p: None),
    "record-detail": (lambda p: f"records/{p.record.client_ref}/", lambda p: None),
    "record-correct": (
        lambda p: f"records/{p.record.client_ref}/correct/",
        lambda p: {"reason": "Wrong year read.", "done": "2025-11"},
    ),
    "interval-table-list": (lambda p: "interval-tables/", lambda p: None),
    "interval-table-detail": (lambda p: f"interval-tables/{TABLE}/", lambda p: None),
    "interval-table-confirm": (lambda p: f"interval-tables/{TABLE}/confirm/", lambda p: CONFIRM),
    "interval-table-withdraw": (lambda p: f"interval-tables/{TABLE}/withdraw/", lambda p: REASON),
    "visit-list": (lambda p: "visits/", lambda p: {"site": str(p.site.public_id)}),
    "visit-detail": (lambda p: f"visits/{p.visit.public_id}/", lambda p: None),
    # Proposals are the desk's own matter: neither the technician nor the owner sees one.
    "visit-detail, proposed": (lambda p: f"visits/{p.proposed.public_id}/", lambda p: None),
    "visit-assign": (lambda p: f"visits/{p.proposed.public_id}/assign/", _assign),
    "visit-confirm": (lambda p: f"visits/{p.proposed.public_id}/confirm/", lambda p: {"version": 1}),
    "visit-cancel": (lambda p: f"visits/{p.visit.public_id}/cancel/", lambda p: {"version": 1, **REASON}),
    "visit-entries": (lambda p: f"visits/{p.visit.public_id}/entries/", lambda p: entry(p.units[0])),
    "visit-close": (lambda p: f"visits/{p.visit.public_id}/close/", _close),
    "plan-list": (lambda p: "plans/", lambda p: {"depot": str(_plan().depot.public_id), **PLAN_DAYS}),
    "plan-detail": (lambda p: f"plans/{_plan().public_id}/", lambda p: None),
    "plan-change": (
        lambda p: f"plans/{_plan().public_id}/change/",
        lambda p: {"act": "pin", "version": 1, "visit": str(_planned().public_id)},
    ),
    "plan-take": (lambda p: f"plans/{_plan().public_id}/take/", lambda p: {"version": 1}),
    "plan-history": (lambda p: f"plans/{_plan().public_id}/history/", lambda p: None),
    "certificate-list": (lambda p: "certificates/", lambda p: None),
    "certificate-detail": (lambda p: f"certificates/{p.certificate.public_id}/", lambda p: None),
    "certificate-pdf": (lambda p: f"certificates/{p.certificate.public_id}/pdf/", lambda p: None),
    "certificate-withdraw": (lambda p: f"certificates/{p.certificate.public_id}/withdraw/", lambda p: REASON),
    "certificate-reissue": (lambda p: f"certificates/{p.certificate.public_id}/reissue/", lambda p: REASON),
    "lot-list": (lambda p: "lots/", lambda p: None),
    "lot-detail": (lambda p: f"lots/{_lot(p).public_id}/", lambda p: None),
    "lot-units": (lambda p: f"lots/{_lot(p).public_id}/units/", lambda p: None),
    "loan-list": (lambda p: "loans/", lambda p: None),
    "leak-estimate-list": (lambda p: "leak-estimates/", lambda p: None),
    "technician-list": (lambda p: "technicians/", lambda p: None),
    "technician-detail": (lambda p: f"technicians/{p.technician.public_id}/", lambda p: None),
    "job-card-list": (
        lambda p: "job-cards/",
        lambda p: {"unit": str(p.units[0].public_id), "reason": "used", "works": ["recharge"]},
    ),
    "job-card-detail": (lambda p: f"job-cards/{_card(p).public_id}/", lambda p: None),
    "job-card-steps": (
        lambda p: f"job-cards/{_card(p).public_id}/steps/",
        lambda p: {
            "step": "triage",
            "values": {"serial_read": p.units[0].serial, "serviceable": "yes"},
            "version": 1,
            "client_ref": str(uuid.uuid4()),
        },
    ),
    "terms-list": (
        lambda p: f"terms/?owner={_terms(p).owner.public_id}",
        lambda p: {
            "owner": str(p.owner.public_id),
            "from_on": str(TODAY),
            "terms": {"keys": "Gate"},
            "seen": _terms(p).number,
            **REASON,
        },
    ),
    "terms-detail": (lambda p: f"terms/{_terms(p).public_id}/", lambda p: None),
    "agreed-terms-list": (lambda p: "agreed-terms/", lambda p: None),
    "agreed-terms-detail": (lambda p: f"agreed-terms/{p.site.public_id}/", lambda p: None),
    # The cast holds no work of the firm's own that is not billed but the record; one run takes it.
    "billing-run-list": (
        lambda p: "billing-runs/",
        lambda p: {"owners": [str(p.owner.public_id)], "first_on": "2025-01-01", "until_on": str(TODAY)},
    ),
    "billing-run-detail": (lambda p: f"billing-runs/{_run(p).public_id}/", lambda p: None),
    "billing-run-take-back": (lambda p: f"billing-runs/{_run(p).public_id}/take-back/", lambda p: REASON),
    "billing-line-list": (lambda p: f"billing-lines/?run={_run(p).public_id}", lambda p: None),
    "me": (lambda p: "me/", lambda p: None),
    "field-pack": (lambda p: "field/pack/", lambda p: None),
    "field-photos": (lambda p: "field/photos/", _photo),
    # Nobody announced it, so there is nothing to show or to go on with.
    "field-photo": (lambda p: f"field/photos/{uuid.uuid4()}/", lambda p: None),
    "field-acts": (lambda p: "field/acts/", _acts),
}

# What each role is answered. 404 for those who may ask, but not about Alder; 409 where the call is let
# in and finds nothing to do: units without a result, a table that is not confirmed.
MATRIX = """
                             stranger manager dispatcher technician other-tech. workshop owner other-owner
get  owner-list                401      200       200        200        200        200    200      200
get  owner-detail              401      200       200        200        404        200    200      404
get  site-list                 401      200       200        200        200        200    200      200
get  site-detail               401      200       200        200        404        200    200      404
get  location-list             401      200       200        200        200        200    200      200
get  location-detail           401      200       200        200        404        200    200      404
get  unit-model-list           401      200       200        200        200        200    200      200
get  unit-model-detail         401      200       200        200        200        200    200      404
get  unit-list                 401      200       200        200        200        200    200      200
get  unit-detail               401      200       200        200        404        200    200      404
get  unit-why                  401      200       200        200        404        200    200      404
get  unit-records              401      200       200        200        404        200    200      404
post unit-correct              401      200       200        403        403        403    403      403
post owner-correct             401      200       200        403        403        403    403      403
post site-correct              401      200       200        403        403        403    403      403
post location-correct          401      200       200        403        403        403    403      403
get  obligation-list           401      200       200        200        200        200    200      200
get  record-list               401      200       200        200        200        200    200      200
get  record-detail             401      200       200        200        404        200    200      404
post record-correct            401      201       403        403        403        403    403      403
get  interval-table-list       401      200       200        200        200        200    200      200
get  interval-table-detail     401      200       200        200        200        200    200      200
post interval-table-confirm    401      200       403        403        403        403    403      403
post interval-table-withdraw   401      409       403        403        403        403    403      403
get  visit-list                401      200       200        200        200        403    200      200
post visit-list                401      201       201        403        403        403    403      403
get  visit-detail              401      200       200        200        404        403    200      404
get  visit-detail, proposed    401      200       200        404        404        403    404      404
post visit-assign              401      200       200        403        403        403    403      403
post visit-confirm             401      200       200        403        403        403    403      403
post visit-cancel              401      200       200        403        403        403    403      403
post visit-entries             401      403       403        201        404        403    403      403
post visit-close               401      403       403        409        404        403    403      403
get  plan-list                 401      200       200        403        403        403    403      403
post plan-list                 401      201       201        403        403        403    403      403
get  plan-detail               401      200       200        403        403        403    403      403
post plan-change               401      200       200        403        403        403    403      403
post plan-take                 401      200       200        403        403        403    403      403
get  plan-history              401      200       200        403        403        403    403      403
get  certificate-list          401      200       200        200        200        403    200      200
get  certificate-detail        401      200       200        200        404        403    200      404
get  certificate-pdf           401      200       200        200        404        403    200      404
post certificate-withdraw      401      200       403        403        403        403    403      403
post certificate-reissue       401      201       403        403        403        403    403      403
get  lot-list                  401      200       200        403        403        200    403      403
get  lot-detail                401      200       200        403        403        200    403      403
get  lot-units                 401      200       200        403        403        200    403      403
get  loan-list                 401      200       200        200        200        200    200      200
get  leak-estimate-list        401      200       200        403        403        200    403      403
get  technician-list           401      200       200        403        403        403    403      403
get  technician-detail         401      200       200        403        403        403    403      403
get  terms-list                401      200       200        403        403        403    200      200
post terms-list                401      201       403        403        403        403    403      403
get  terms-detail              401      200       200        403        403        403    200      404
get  agreed-terms-list         401      200       200        403        403        403    200      200
get  agreed-terms-detail       401      200       200        403        403        403    200      404
get  billing-run-list          401      200       403        403        403        403    403      403
post billing-run-list          401      201       403        403        403        403    403      403
get  billing-run-detail        401      200       403        403        403        403    403      403
post billing-run-take-back     401      200       403        403        403        403    403      403
get  billing-line-list         401      200       403        403        403        403    403      403
get  field-pack                401      403       403        200        200        403    403      403
post field-photos              401      403       403        201        400        403    403      403
get  field-photo               401      404       404        404        404        404    404      404
patch field-photo              401      403       403        404        404        403    403      403
post field-acts                401      403       403        200        200        403    403      403
get  field-acts                401      403       403        200        200        403    403      403
get  job-card-list             401      200       200        403        403        200    403      403
post job-card-list             401      201       403        403        403        201    403      403
get  job-card-detail           401      200       200        403        403        200    403      403
post job-card-steps            401      201       403        403        403        201    403      403
get  me                        401      200       200        200        200        200    200      200
"""


@dataclass(frozen=True)
class Row:
    """One line of the matrix."""

    method: str
    name: str
    statuses: tuple[int, ...]


def _rows() -> list[Row]:
    found = []
    for line in MATRIX.strip().splitlines()[1:]:
        method, rest = line.split(maxsplit=1)
        *words, last = rest.rsplit(maxsplit=len(ROLES))
        found.append(Row(method, words[0], tuple(int(status) for status in [*words[1:], last])))
    return found


ROWS = _rows()


@pytest.fixture(autouse=True)
def _clock(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(timezone, "now", lambda: NOW)
    cache.clear()
    yield
    cache.clear()


@pytest.mark.django_db
def test_each_role_gets_its_answer_and_nothing_of_others(monkeypatch: pytest.MonkeyPatch) -> None:
    alder, birch = make_premises("Alder"), make_premises("Birch")
    people: dict[str, User | None] = {
        "stranger": None,
        "manager": make_user("manager", first_name="Dana", last_name="Oakes"),
        "dispatcher": make_user("dispatcher"),
        "technician": alder.technician,
        "other technician": birch.technician,
        "workshop": make_user("workshop"),
        "owner": alder.member,
        "other owner": birch.member,
    }
    never = {
        "stranger": ("Alder", "Birch"),
        "owner": ("Birch",),
        "technician": ("Birch",),
        "other owner": ("Alder",),
        "other technician": ("Alder",),
    }
    monkeypatch.setattr(
        certificates, "pdf_bytes", lambda certificate: f"%PDF {certificate.site.name}".encode()
    )
    wrong, leaks = [], []
    # Everything is taken back after each call, so that every role comes upon the same.
    for row in ROWS:
        path, body = CALLS[row.name]
        for (role, person), expected in zip(people.items(), row.statuses, strict=True):
            cache.clear()
            with transaction.atomic():
                call = getattr(client_of(person), row.method)
                sent = (body(alder),) if row.method == "post" else ()
                answer = call(f"/api/v1/{path(alder)}", *sent, headers={"Idempotency-Key": str(uuid.uuid4())})
                transaction.set_rollback(True)
            if answer.status_code != expected:
                wrong.append(f"{row.method} {row.name}, {role}: {answer.status_code} instead of {expected}")
            text = answer.content.decode(errors="replace")
            leaks += [
                f"{row.method} {row.name}, {role}: {name}" for name in never.get(role, ()) if name in text
            ]
    assert wrong == []
    assert leaks == []


def _patterns(found: list[Any]) -> Iterator[URLPattern]:
    for item in found:
        if isinstance(item, URLResolver):
            yield from _patterns(item.url_patterns)
        else:
            yield item


def test_every_operation_stands_in_the_matrix() -> None:
    operations = {
        (str(pattern.name), method)
        for pattern in _patterns(urls.urlpatterns)
        for method in getattr(pattern.callback, "actions", None) or ()
        if method != "head"
    }
    assert operations == {(row.name.split(",")[0], row.method) for row in ROWS}


def test_every_view_below_v1_is_scoped() -> None:
    """A view that is not a ``ScopedViewSet`` could hand out rows that its reader must not see."""
    free = {TokenView, SpectacularAPIView, NoSuchAddress}
    unscoped = []
    for pattern in _patterns(urls.urlpatterns):
        view = getattr(pattern.callback, "cls", None)
        if view is None:
            assert pattern.name in ("api-docs", "api-problem")
        elif not issubclass(view, ScopedViewSet) and view not in free:
            unscoped.append(view.__name__)
    assert unscoped == []


def test_every_action_names_the_act_it_needs() -> None:
    unnamed = [
        f"{pattern.callback.cls.__name__}.{action}"
        for pattern in _patterns(urls.urlpatterns)
        for action in (getattr(pattern.callback, "actions", None) or {}).values()
        if not pattern.callback.cls.acts.get(action)
    ]
    assert unnamed == []


def test_rows_meet_the_scope_in_one_place() -> None:
    """Only the base view asks a queryset for what its reader may see."""
    callers = {
        path.name
        for path in Path(api.__file__).parent.glob("*.py")
        if ".visible_to(" in path.read_text("utf-8")
    }
    assert callers == {"base.py"}


@pytest.mark.django_db
def test_an_owner_gets_no_internal_field() -> None:
    alder = make_premises("Alder")
    alder.technician.licence_number = "TL-77001"
    alder.technician.phone = "+00 555 0199"
    alder.technician.save()
    boss = make_user("manager", first_name="Quercus", last_name="Boss")
    desk = client_of(boss)
    corrected = desk.post(
        f"/api/v1/records/{alder.record.client_ref}/correct/", {"reason": "Misread.", "done": "2025-11"}
    )
    assert corrected.json()["correction_reason"] == "Misread. (Quercus Boss)"
    owner = client_of(alder.member)
    text = "".join(
        owner.get(f"/api/v1/{path}/").content.decode()
        for path in (
            "sites",
            "units",
            "records",
            "obligations",
            "visits",
            f"visits/{alder.visit.public_id}",
            "certificates",
        )
    )
    assert "TL-77001" not in text
    assert "0199" not in text
    assert "gate code" not in text
    assert "Quercus" not in text
    assert str(alder.technician.public_id) not in text
    visit = owner.get(f"/api/v1/visits/{alder.visit.public_id}/").json()
    assert visit["technician"] == {"name": alder.technician.display_name}
    assert {"version", "cancelled_reason", "quantities"} & set(visit) == set()
    assert {"entry", "offered", "state"} & set(visit["units"][0]) == set()
