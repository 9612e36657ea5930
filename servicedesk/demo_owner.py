"""The owner's side of the demo: looks and reports by an owner's people, prices, and a quotation.

Everything goes through the services that real work uses; a second run meets what the first one left.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import datetime, timedelta
from decimal import Decimal

from inventory.access import Scope
from inventory.logbook.defects import open_defects
from inventory.measures.looks import Wrong
from inventory.register.models import Owner, Site, Unit, local_today
from schedules.due.looks import Look, record_look, report_unit, to_look_at
from schedules.due.months import fill_months, write_months
from schedules.quotations.models import PriceItem, Quotation
from schedules.quotations.services import quote_defects, save_price, send_quotation
from servicedesk.accounts.models import OwnerMembership, User
from servicedesk.portal.glance import WALKING_ORDER

_NAMESPACE = uuid.UUID("6f6d1b0e-0a44-5f6c-8a53-7d3a3c1f3f10")
LOOKS = 12
WELL = {"in_place": "yes", "reachable": "yes", "seal": "yes", "gauge": "ok", "damage": "no"}
# Invented prices of the invented firm.
PRICES = (
    ("SEAL", "New seal and check of the charge", "4.80", "seal_broken"),
    ("RECHARGE", "Recharge with loan of another unit meanwhile", "46.00", "used"),
    ("CLEAR", "Second visit after the way is cleared", "38.00", "blocked"),
)
REPORTS = (
    (Wrong("used", False), "Used on a bin fire in the yard, a few seconds."),
    (Wrong("blocked", True), "Pallets stand in front of it since Monday."),
    (Wrong("seal_broken", False), ""),
)


def fill_owner_side(people: Mapping[str, User], now: datetime) -> str:
    """Looks, reports, prices and a sent quotation for the first owner who signs in; say what there is."""
    membership = OwnerMembership.objects.select_related("user", "owner").order_by("pk").first()
    if membership is None:
        return "no owner signs in"
    OwnerMembership.objects.filter(pk=membership.pk).update(may_approve=True)
    site = _site_of(membership.owner)
    if site is None:
        return "the owner has no units"
    scope = Scope(owner_ids=frozenset({membership.owner_id}))
    looked = _look(site, scope, membership.user, now)
    reported = _report(site, membership.user, now)
    quotation = _quote(site, scope, people["manager"], now)
    write_months(now)
    left = fill_months(now)
    return (
        f"{looked} monthly looks and {reported} reports at {site.name}, quotation {quotation.number} sent"
        f"{'' if not left else f', months of {left} sites still to be worked out'}"
    )


def _site_of(owner: Owner) -> Site | None:
    units = Unit.objects.filter(site__owner=owner, state__in=Unit.HANGING, location__isnull=False)
    first = units.order_by("site__code", "pk").values_list("site", flat=True).first()
    return None if first is None else Site.objects.select_related("owner").get(pk=first)


def _look(site: Site, scope: Scope, by: User, now: datetime) -> int:
    """Look at some units; their references follow from unit and month, so that a second run adds nothing."""
    left, seen = to_look_at(scope, site, now)
    month = local_today(site, now).strftime("%Y-%m")
    wanted = max(LOOKS - seen.count(), 0)
    units = left.select_related("site", "model", "location").order_by(*WALKING_ORDER)[:wanted]
    for unit in list(units):
        ref = uuid.uuid5(_NAMESPACE, f"look:{unit.public_id}:{month}")
        record_look(unit, Look(ref, WELL), by=by, now=now)
    return to_look_at(scope, site, now)[1].count()


def _report(site: Site, by: User, now: datetime) -> int:
    units = (
        Unit.objects.filter(site=site, state__in=Unit.HANGING, location__isnull=False)
        .select_related("site", "location")
        .order_by("-number")[: len(REPORTS)]
    )
    for unit, (wrong, remarks) in zip(units, REPORTS, strict=False):
        ref = uuid.uuid5(_NAMESPACE, f"report:{site.code}:{wrong.code}")
        if not site.defects.filter(public_id=ref).exists():
            report_unit(unit, wrong, remarks, client_ref=ref, by=by, now=now)
    return site.defects.filter(opened_by__role=User.Role.OWNER).count()


def _quote(site: Site, scope: Scope, by: User, now: datetime) -> Quotation:
    stored = Quotation.objects.filter(site=site).order_by("pk").first()
    if stored is not None:
        return stored
    for code, text, price, defect_code in PRICES:
        if not PriceItem.objects.filter(code=code).exists():
            save_price(
                code=code,
                text=text,
                unit_word="piece",
                price=Decimal(price),
                currency="EUR",
                defect_code=defect_code,
                is_active=True,
                by=by,
                now=now,
            )
    priced = {code for _, _, _, code in PRICES}
    defects = [one for one in open_defects(scope).filter(site=site) if one.code in priced][:5]
    quotation = quote_defects(site, defects, currency="EUR", by=by, now=now)
    until = local_today(site, now) + timedelta(days=30)
    Quotation.objects.filter(pk=quotation.pk).update(valid_until=until)
    quotation.refresh_from_db()
    return send_quotation(quotation, version=quotation.version, by=by, now=now)
