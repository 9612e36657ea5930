"""Who sees what and who may do what: the one place that decides.

``scope_of`` turns a user into a plain value that querysets take; ``may`` answers whether a role
may act. Pages, API, exports and documents all use these two.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta
from enum import StrEnum
from typing import TYPE_CHECKING
from uuid import UUID

from django.contrib.auth.models import AnonymousUser
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone

from inventory.access import EVERYTHING, NOTHING, Scope
from inventory.register.models import Site
from inventory.register.service_end import ServiceEnd, ended_sites
from schedules.visits.models import HeldVisit, Visit

if TYPE_CHECKING:
    from servicedesk.accounts.models import User

# A technician keeps sight of a site for a while after the last visit, to answer questions about it.
LOOK_BACK_DAYS = 60


class Act(StrEnum):
    """What a person may be allowed to do; each page and endpoint names one."""

    SEE_DESK = "see_desk"
    SEE_REGISTER = "see_register"
    CHANGE_REGISTER = "change_register"
    IMPORT_REGISTER = "import_register"
    PLAN_VISITS = "plan_visits"
    RECORD_VISITS = "record_visits"
    SEE_BENCH = "see_bench"
    WORK_BENCH = "work_bench"
    SET_WORKSHOP_VALUES = "set_workshop_values"
    KEEP_STOCK = "keep_stock"
    DECIDE_LOTS = "decide_lots"
    MOVE_UNITS = "move_units"
    SEE_PORTAL = "see_portal"
    REPORT_UNITS = "report_units"
    CHECK_UNITS = "check_units"
    DECIDE_QUOTATIONS = "decide_quotations"
    MAKE_QUOTATIONS = "make_quotations"
    SET_PRICES = "set_prices"
    SEE_TERMS = "see_terms"
    SET_TERMS = "set_terms"
    MAKE_BILLING = "make_billing"
    MANAGE_OWNER_PEOPLE = "manage_owner_people"
    SEE_CERTIFICATES = "see_certificates"
    WITHDRAW_CERTIFICATES = "withdraw_certificates"
    SEE_RULEBOOK = "see_rulebook"
    CONFIRM_TABLES = "confirm_tables"
    CORRECT_RECORDS = "correct_records"
    SET_PLANNING_RULES = "set_planning_rules"
    HAND_OVER = "hand_over"
    TAKE_OVER = "take_over"
    ERASE_PEOPLE = "erase_people"
    END_SERVICE = "end_service"


_MAY: dict[str, frozenset[Act]] = {
    "manager": frozenset(
        {
            Act.SEE_DESK,
            Act.SEE_REGISTER,
            Act.CHANGE_REGISTER,
            Act.IMPORT_REGISTER,
            Act.PLAN_VISITS,
            Act.SEE_BENCH,
            Act.WORK_BENCH,
            Act.SET_WORKSHOP_VALUES,
            Act.KEEP_STOCK,
            Act.DECIDE_LOTS,
            Act.MOVE_UNITS,
            Act.SEE_CERTIFICATES,
            Act.WITHDRAW_CERTIFICATES,
            Act.SEE_RULEBOOK,
            Act.CONFIRM_TABLES,
            Act.CORRECT_RECORDS,
            Act.SET_PLANNING_RULES,
            Act.MAKE_QUOTATIONS,
            Act.SET_PRICES,
            Act.SEE_TERMS,
            Act.SET_TERMS,
            Act.MAKE_BILLING,
            Act.MANAGE_OWNER_PEOPLE,
            Act.HAND_OVER,
            Act.TAKE_OVER,
            Act.ERASE_PEOPLE,
            Act.END_SERVICE,
        }
    ),
    "dispatcher": frozenset(
        {
            Act.SEE_DESK,
            Act.SEE_REGISTER,
            Act.CHANGE_REGISTER,
            Act.IMPORT_REGISTER,
            Act.PLAN_VISITS,
            Act.SEE_BENCH,
            Act.MOVE_UNITS,
            Act.SEE_CERTIFICATES,
            Act.SEE_RULEBOOK,
            Act.MAKE_QUOTATIONS,
            Act.SEE_TERMS,
        }
    ),
    "technician": frozenset({Act.SEE_REGISTER, Act.RECORD_VISITS, Act.SEE_CERTIFICATES, Act.SEE_RULEBOOK}),
    "workshop": frozenset(
        {
            Act.SEE_REGISTER,
            Act.SEE_BENCH,
            Act.WORK_BENCH,
            Act.KEEP_STOCK,
            Act.MOVE_UNITS,
            Act.SEE_RULEBOOK,
        }
    ),
    "owner": frozenset(
        {
            Act.SEE_REGISTER,
            Act.SEE_PORTAL,
            Act.REPORT_UNITS,
            Act.CHECK_UNITS,
            Act.DECIDE_QUOTATIONS,
            Act.SEE_TERMS,
            Act.SEE_CERTIFICATES,
            Act.SEE_RULEBOOK,
        }
    ),
}


def may(user: User | AnonymousUser, act: Act) -> bool:
    """Whether ``user`` may do ``act``; nobody who is not signed in and active may do anything."""
    if not user.is_authenticated or not user.is_active:
        return False
    return act in _MAY.get(user.role, frozenset())


def scope_of(user: User | AnonymousUser) -> Scope:
    """The rows that ``user`` may see.

    Manager, dispatcher and workshop see the whole firm; a technician the sites of own visits that
    are open or closed within the last 60 days; an owner's person the owner's premises, or those of
    them to which the person is limited. A user without a role sees nothing. Costs one query for
    technicians and owners, none otherwise.
    """
    if not user.is_authenticated or not user.is_active:
        return NOTHING
    if user.role in ("manager", "dispatcher", "workshop"):
        return EVERYTHING
    if user.role == "technician":
        since = timezone.now().date() - timedelta(days=LOOK_BACK_DAYS)
        sites = (
            Visit.objects.filter(Q(technician=user.pk) | Q(companions=user.pk), planned_on__gte=since)
            .exclude(state__in=(Visit.State.PROPOSED, Visit.State.CANCELLED))
            .values_list("site_id", flat=True)
        )
        return Scope(site_ids=frozenset(sites), technician_id=user.pk)
    if user.role == "owner":
        return _premises_of(user)
    return NOTHING


def _premises_of(user: User) -> Scope:
    # Where the service ended the owner reads on until a set day; a day early nowhere, for any zone.
    over = ServiceEnd.objects.standing().filter(portal_until__lt=timezone.now().date() - timedelta(days=1))
    found = list(
        user.memberships.order_by().values_list(
            "owner_id",
            "is_limited",
            "sites",
            "sites__owner_id",
            "owner__aliases",
            Exists(over.filter(site__owner=OuterRef("owner"))),
        )
    )
    rows = [row[:5] for row in found]
    shut = {row[0] for row in found if row[5]}
    whole = {owner for owner, is_limited, _, _, _ in rows if not is_limited}
    # Papers issued to an owner that turned out to be this one are this one's.
    aliases = {alias for owner, _, _, _, alias in rows if owner in whole and alias is not None}
    owner_ids = frozenset(whole | aliases)
    # A site that went to another owner meanwhile is no longer theirs.
    site_ids = frozenset(
        site for owner, is_limited, site, site_owner, _ in rows if is_limited and site_owner == owner
    )
    if shut:
        gone = set(over.values_list("site", flat=True))
        left = Site.objects.filter(owner__in=owner_ids & shut).exclude(pk__in=gone)
        site_ids = frozenset((site_ids | set(left.values_list("pk", flat=True))) - gone)
        owner_ids -= shut
    return Scope(owner_ids=owner_ids, site_ids=site_ids)


def may_decide_for(user: User | AnonymousUser, site: Site) -> bool:
    """Whether ``user`` may approve or decline what is offered to the owner of ``site``."""
    if not may(user, Act.DECIDE_QUOTATIONS) or not isinstance(user.pk, int):
        return False
    # What is offered where the service ended can be read, not decided.
    open_sites = Site.objects.visible_to(scope_of(user)).exclude(pk__in=ended_sites())
    if not open_sites.filter(pk=site.pk).exists():
        return False
    return user.memberships.filter(owner=site.owner_id, may_approve=True).exists()


def visits_to_record_on(user: User, refs: Iterable[UUID]) -> QuerySet[Visit]:
    """Those of these visits on which acts of ``user`` are taken.

    Own and shared ones that are settled, and any that the person has carried on a phone: what was done
    on site before plans changed is not lost.
    """
    carried = HeldVisit.objects.filter(person=user.pk).values("visit")
    return Visit.objects.filter(
        Q(pk__in=Visit.objects.visible_to(scope_of(user)).values("pk")) | Q(pk__in=carried),
        public_id__in=list(refs),
    )
