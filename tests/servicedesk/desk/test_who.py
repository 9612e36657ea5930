"""Who opens which page of the desk, and that nobody sees what belongs to another owner."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from typing import Any

import pytest
from django.db import transaction
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from inventory.logbook.models import ServiceRecord
from inventory.recalls.models import Recall
from inventory.register.agreed import agree
from inventory.register.models import Unit
from inventory.register.terms import TermsVersion
from schedules.billing.models import BillingRun
from schedules.billing.services import make_run
from schedules.crew.models import Van
from schedules.routes.models import RoutePlan
from schedules.surveys.models import Survey
from schedules.surveys.services import plan_survey
from schedules.visits.models import Visit
from servicedesk.access import Act
from servicedesk.exchange.models import RegisterImport
from servicedesk.pages import PageView
from tests.factories import NOW, TODAY, make_unit
from tests.servicedesk.desk.plan_cast import make_small_plan
from tests.servicedesk.page_cast import ROLES, Cast, text_of

pytestmark = [pytest.mark.django_db, pytest.mark.either_home]

TABLE = ("us-osha-1910-157", "2026-1")


def record_of(cast: Cast) -> ServiceRecord:
    return ServiceRecord.objects.get(unit=cast.unit)


def visit_of(cast: Cast) -> Visit:
    return Visit.objects.get(number="V-100001")


def survey_of(cast: Cast) -> Survey:
    by = cast.people["dispatcher"]
    return Survey.objects.first() or plan_survey(cast.site, planned_on=TODAY, technician=None, by=by, now=NOW)


def import_of(cast: Cast) -> RegisterImport:
    given = {"file_name": "register.csv", "digest": "0" * 64, "length": 1, "state": "dropped"}
    return RegisterImport.objects.first() or RegisterImport.objects.create(asked_at=NOW, **given)


def plan_of(cast: Cast) -> Any:
    return RoutePlan.objects.first() or make_small_plan(1, 1)


def terms_of(cast: Cast) -> TermsVersion:
    given = {"from_on": TODAY, "reason": "Signed", "seen": 0, "by": None, "now": NOW}
    found = TermsVersion.objects.filter(owner=cast.owner).first()
    return found or agree(cast.owner, None, {"ends_on": "2026-12-31"}, **given)


def run_of(cast: Cast) -> BillingRun:
    found = BillingRun.objects.first()
    run = found or make_run([cast.owner], first_on=date(2026, 1, 1), until_on=TODAY, by=None, now=NOW)
    assert run is not None
    return run


def other_unit_of(cast: Cast) -> Unit:
    return Unit.objects.filter(number="U-100009").first() or make_unit(cast.site, number="U-100009")


def recall_of(cast: Cast) -> Recall:
    given = {"client_ref": uuid.UUID(int=7), "number": "RC-1", "title": "T", "notice": "N", "maker": "M"}
    return Recall.objects.first() or Recall.objects.create(opened_at=NOW, **given)


# Page, how its arguments come from the cast, and who gets in. Nobody else does.
DESK = {"manager", "dispatcher"}
PAGES: dict[str, tuple[Callable[[Cast], tuple[Any, ...]], set[str]]] = {
    "overview": (lambda c: (), DESK),
    "due": (lambda c: (), DESK),
    "due-export": (lambda c: (), DESK),
    "due-workbook": (lambda c: (), DESK),
    "owners": (lambda c: (), DESK),
    "sites": (lambda c: (), DESK),
    "unit-facts": (lambda c: (c.unit.public_id,), DESK),
    "kind-facts": (lambda c: (c.unit.model.public_id,), DESK),
    "alike": (lambda c: (), DESK),
    "pair": (lambda c: (c.unit.public_id, other_unit_of(c).public_id), DESK),
    "owner-new": (lambda c: (), DESK),
    "owner": (lambda c: (c.owner.public_id,), DESK),
    "owner-facts": (lambda c: (c.owner.public_id,), DESK),
    "owner-merge": (lambda c: (c.owner.public_id,), DESK),
    "site-new": (lambda c: (c.owner.public_id,), DESK),
    "site-facts": (lambda c: (c.site.public_id,), DESK),
    "site-owner": (lambda c: (c.site.public_id,), DESK),
    "site-merge": (lambda c: (c.site.public_id,), DESK),
    "site-split": (lambda c: (c.site.public_id,), DESK),
    "places": (lambda c: (c.site.public_id,), DESK),
    "place-new": (lambda c: (c.site.public_id,), DESK),
    "unit-new": (lambda c: (c.site.public_id,), DESK),
    "place-facts": (lambda c: (c.unit.location.public_id,), DESK),
    "recalls": (lambda c: (), DESK),
    "recall-new": (lambda c: (), DESK),
    "recall": (lambda c: (recall_of(c).public_id,), DESK),
    "site": (lambda c: (c.site.public_id,), DESK),
    "units": (lambda c: (), DESK | {"workshop"}),
    "unit": (lambda c: (c.unit.public_id,), DESK | {"workshop", "technician"}),
    "correct": (lambda c: (c.unit.public_id, record_of(c).client_ref), {"manager"}),
    "visits": (lambda c: (), DESK),
    "visit": (lambda c: (visit_of(c).public_id,), DESK),
    "surveys": (lambda c: (), DESK),
    "survey": (lambda c: (survey_of(c).public_id,), DESK),
    "survey-new": (lambda c: (c.site.public_id,), DESK),
    "certificates": (lambda c: (), DESK),
    "terms": (lambda c: (), DESK),
    "owner-terms": (lambda c: (c.owner.public_id,), DESK),
    "site-terms": (lambda c: (c.site.public_id,), DESK),
    "owner-terms-edit": (lambda c: (c.owner.public_id,), {"manager"}),
    "site-terms-edit": (lambda c: (c.site.public_id,), {"manager"}),
    "renewals": (lambda c: (), DESK),
    "renewals-export": (lambda c: (), DESK),
    "renewal": (lambda c: (terms_of(c).public_id,), DESK),
    "renewal-pdf": (lambda c: (terms_of(c).public_id,), DESK),
    "billing": (lambda c: (), {"manager"}),
    "billing-new": (lambda c: (), {"manager"}),
    "billing-run": (lambda c: (run_of(c).public_id,), {"manager"}),
    "billing-file": (lambda c: (run_of(c).public_id, "csv"), {"manager"}),
    "tables": (lambda c: (), set(ROLES)),
    "table": (lambda c: TABLE, set(ROLES)),
    "table-compare": (lambda c: (), set(ROLES)),
    "table-try": (lambda c: (), set(ROLES)),
    "table-history": (lambda c: (), DESK),
    "table-adopt": (lambda c: (), {"manager"}),
    "forecast": (lambda c: (), DESK),
    "outlook": (lambda c: (), DESK),
    "outlook-settings": (lambda c: (), DESK),
    "blackouts": (lambda c: (), DESK),
    "site-outlook": (lambda c: (c.site.public_id,), DESK),
    "figures": (lambda c: (), DESK),
    "condition": (lambda c: (), DESK | {"workshop"}),
    "condition-unit": (lambda c: (c.unit.public_id,), DESK | {"workshop"}),
    "demand": (lambda c: (), DESK | {"workshop"}),
    "findings": (lambda c: (), DESK),
    "defects": (lambda c: (), DESK),
    "doubts": (lambda c: (), DESK),
    "doubt-limits": (lambda c: (), {"manager"}),
    "find": (lambda c: ("site",), set(ROLES)),
    "import": (lambda c: (), DESK),
    "import-one": (lambda c: (import_of(c).public_id,), DESK),
    "claims": (lambda c: (), DESK),
    "site-visiting": (lambda c: (c.site.public_id,), DESK),
    "plans": (lambda c: (), DESK),
    "plan": (lambda c: (plan_of(c).public_id,), DESK),
    "plan-visit": (lambda c: (plan_of(c).public_id, plan_of(c).stops.first().visit.public_id), DESK),
    "plan-search": (lambda c: (plan_of(c).public_id,), DESK),
    "plan-map": (lambda c: (plan_of(c).public_id,), DESK),
    "plan-sheets": (lambda c: (plan_of(c).public_id,), DESK),
    "plan-sheets-pdf": (lambda c: (plan_of(c).public_id,), DESK),
    "plan-compare": (lambda c: (plan_of(c).public_id,), DESK),
    "plan-tell": (lambda c: (plan_of(c).public_id,), DESK),
    "plan-rules": (lambda c: (), DESK),
    "crew": (lambda c: (), DESK),
    "crew-member": (lambda c: (c.people["technician"].public_id,), DESK),
    "depots": (lambda c: (), DESK),
    "depot": (lambda c: (plan_of(c).depot.public_id,), DESK),
    "skills": (lambda c: (), DESK),
    "van-new": (lambda c: (), DESK),
    "exceptions": (lambda c: (), DESK),
    "deadlines": (lambda c: (), DESK),
    "mails": (lambda c: (), DESK),
    "labels": (lambda c: (c.site.public_id,), DESK),
    "site-papers": (lambda c: (c.site.public_id,), DESK),
    "quotations": (lambda c: (), DESK),
    "quotation-new": (lambda c: (c.site.public_id,), DESK),
    "prices": (lambda c: (), {"manager"}),
    "owner-people": (lambda c: (c.owner.public_id,), {"manager"}),
    "owner-person": (lambda c: (c.people["owner"].public_id,), {"manager"}),
    "handover": (lambda c: (), {"manager"}),
    "take-over": (lambda c: (), {"manager"}),
    "erase": (lambda c: (), {"manager"}),
    "service-end": (lambda c: (c.site.public_id,), {"manager"}),
    "van": (lambda c: (Van.objects.create(name="Van").public_id,), DESK),
}


def test_each_page_opens_for_its_roles_only(cast: Cast) -> None:
    wrong = []
    for name, (args, allowed) in PAGES.items():
        with undone():
            given = args(cast)
            for role in ROLES:
                with undone():
                    status = cast.get(role, f"desk:{name}", *given).status_code
                if status != (200 if role in allowed else 403):
                    wrong.append(f"{name}, {role}: {status}")
            address = reverse(f"desk:{name}", args=given)
            stranger = Client().get(address)
            if (stranger.status_code, stranger.headers["Location"]) != (302, f"/sign-in/?next={address}"):
                wrong.append(f"{name}, a stranger: {stranger.status_code}")
    assert wrong == []


@contextmanager
def undone() -> Iterator[None]:
    """Leave nothing behind: every role comes upon the same."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


def views_under(prefix: str) -> dict[str, Any]:
    """Every view below an address, by its pattern's name."""
    found: dict[str, Any] = {}

    def walk(resolver: URLResolver, path: str) -> None:
        for entry in resolver.url_patterns:
            here = path + str(entry.pattern)
            if isinstance(entry, URLResolver):
                walk(entry, here)
            elif isinstance(entry, URLPattern) and here.startswith(prefix):
                found[str(entry.name)] = entry.callback

    walk(get_resolver(), "")
    return found


@pytest.mark.parametrize("prefix", ["desk/", "bench/"])
def test_every_view_names_the_acts_that_open_it(prefix: str) -> None:
    views = views_under(prefix)
    assert views
    for name, view in views.items():
        assert issubclass(view.view_class, PageView), name
        assert view.view_class.acts, name
        assert all(isinstance(act, Act) for act in view.view_class.acts), name


def test_the_matrix_names_every_page() -> None:
    # Their tests make a certificate first, or name a rule or a row in the address (test_rulebook_changes.py).
    apart = {
        "certificate",
        "certificate-file",
        "claim",  # posted to: tests/servicedesk/desk/test_import.py
        "pair-find",  # leads to a pair; both: tests/servicedesk/desk/test_corrections.py
        "unit-apart",
        "table-vary",
        "table-withdraw",
        "defect",
        "doubt",
        "condition-group",
        "mail",
        "saved-filters",  # these two are posted to: tests/servicedesk/desk/test_lists.py
        "undo-many",
        "quotation",
        "quotation-pdf",
        "handover-file",
        "taken-paper",
        "erasure",
    }
    assert set(views_under("desk/")) == set(PAGES) | apart


# --- posting ---------------------------------------------------------------------------------------

POSTS: dict[str, tuple[Callable[[Cast], tuple[Any, ...]], dict[str, str], set[str]]] = {
    "plan": (lambda c: (plan_of(c).public_id,), {"do": "aside", "version": "1"}, DESK),
    "plan-search": (lambda c: (plan_of(c).public_id,), {"do": "stop"}, DESK),
    "plan-rules": (lambda c: (), {"do": "defaults"}, {"manager"}),
    "skills": (lambda c: (), {"do": "remove", "need": "0"}, DESK),
    "site": (lambda c: (c.other_site.public_id,), {"horizon_days": "400"}, DESK),
    "visits": (lambda c: (), {"do": "propose", "all-horizon_days": "400"}, DESK),
    "visit": (
        lambda c: (visit_of(c).public_id,),
        {"do": "cancel", "cancel-reason": "Rain", "cancel-version": "1"},
        DESK,
    ),
    "table": (
        lambda c: TABLE,
        {"do": "confirm", "confirm-name": "Maren Holt", "confirm-local_code": "City"},
        {"manager"},
    ),
    "handover": (lambda c: (), {"form": "json"}, {"manager"}),
    "take-over": (lambda c: (), {"do": "drop"}, {"manager"}),
    "erase": (
        lambda c: (),
        {
            "q": "other_owner Person\nQuay Street foundry",
            "seen": "1",
            "legal_basis": "Law",
            "reason": "Asked",
            "again": "other_owner Person",
            "is_sure": "on",
        },
        {"manager"},
    ),
    "service-end": (
        lambda c: (c.other_site.public_id,),
        {
            "do": "end",
            "ended_on": str(TODAY),
            "portal_until": str(TODAY),
            "reason": "Ran out",
            "is_sure": "on",
        },
        {"manager"},
    ),
    "correct": (
        lambda c: (c.unit.public_id, record_of(c).client_ref),
        {"outcome": "failed", "task": "maintenance", "done": "2026-03-01", "reason": "Typed wrong"},
        {"manager"},
    ),
}


def test_each_form_is_taken_from_its_roles_only(cast: Cast) -> None:
    wrong = []
    for name, (args, data, allowed) in POSTS.items():
        with undone():
            given = args(cast)
            for role in ROLES:
                with undone():
                    status = cast.post(role, f"desk:{name}", *given, **data).status_code
                if status != (302 if role in allowed else 403):
                    wrong.append(f"{name}, {role}: {status}")
    assert wrong == []


def test_a_word_that_no_button_has_does_nothing(cast: Cast) -> None:
    names = (
        "plan-search plan-tell plan-rules skills crew-member outlook-settings blackouts site-outlook "
        "site-terms site-owner site-merge unit-facts kind-facts pair service-end handover take-over"
    )
    given = {"reason": "R", "ended_on": str(TODAY), "portal_until": str(TODAY), "is_sure": "on"}
    wrong = []
    for name in names.split():
        with undone():
            answer = cast.post("manager", f"desk:{name}", *PAGES[name][0](cast), do="replace", **given)
            if answer.status_code != 400 or "Nothing was changed." not in text_of(answer):
                wrong.append(f"{name}: {answer.status_code}")
    assert wrong == []


def test_a_form_sent_after_the_session_ended_comes_back_to_its_page(cast: Cast) -> None:
    address = reverse("desk:visit", args=[visit_of(cast).public_id])
    answer = Client().post(address, {"do": "cancel", "cancel-reason": "Rain", "cancel-version": "1"})
    assert answer.headers["Location"] == f"/sign-in/?next={address}"
    assert visit_of(cast).state == Visit.State.CONFIRMED


# --- scope -----------------------------------------------------------------------------------------


def test_a_technician_finds_only_units_of_own_visits(cast: Cast) -> None:
    assert cast.get("technician", "desk:unit", cast.unit.public_id).status_code == 200
    assert cast.get("technician", "desk:unit", cast.other_unit.public_id).status_code == 404


def test_owners_see_of_the_rulebook_only_their_own_use(cast: Cast) -> None:
    page = text_of(cast.get("owner", "desk:table", *TABLE))
    assert "Mill Lane works" in page
    assert "Quay Street foundry" not in page
    other = text_of(cast.get("other_owner", "desk:table", *TABLE))
    assert "Quay Street foundry" in other
    assert "Mill Lane works" not in other
    assert "Mill Lane works" not in text_of(cast.get("other_owner", "desk:tables"))


def test_what_nobody_has_is_not_found(cast: Cast) -> None:
    for name in ("site", "unit", "visit", "certificate", "certificate-file"):
        assert cast.get("manager", f"desk:{name}", uuid.uuid4()).status_code == 404, name
    assert cast.get("manager", "desk:table", "us-osha-1910-157", "1999-1").status_code == 404
    assert cast.get("manager", "desk:correct", cast.unit.public_id, uuid.uuid4()).status_code == 404
    other = ServiceRecord.objects.get(unit=cast.other_unit)
    assert cast.get("manager", "desk:correct", cast.unit.public_id, other.client_ref).status_code == 404
