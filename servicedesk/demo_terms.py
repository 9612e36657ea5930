"""Terms in the invented scenario: one contract that ends soon, one site with terms of its own, one gap."""

from __future__ import annotations

from datetime import datetime, timedelta

from inventory.measures.kinds import Task
from inventory.register.agreed import agree
from inventory.register.models import Owner, Site
from inventory.register.terms import TermsVersion
from servicedesk.accounts.models import User


def agree_terms(people: dict[str, User], now: datetime) -> int:
    """Write the terms of the first two owners once; return how many versions stand. The rest stay open."""
    boss = people["manager"]
    today = now.date()
    owners = list(Owner.objects.filter(sites__isnull=False).distinct().order_by("name")[:2])
    for number, owner in enumerate(owners):
        if TermsVersion.objects.filter(owner=owner).exists():
            continue
        ends_on = today + timedelta(days=45 if number == 0 else 400)
        agree(
            owner,
            None,
            {
                "contract_number": f"C-{today.year}-{number + 1:03d}",
                "begins_on": ends_on - timedelta(days=364),
                "ends_on": ends_on,
                "notice_days": 30,
                "renews_itself": number == 1,
                "price_basis": "per_unit",
                "tasks_called_off": [Task.HYDROSTATIC_TEST.value, Task.EXTENDED_SERVICE.value],
                "permit_to_work": number == 0,
                "keys": "At the porter's lodge",
                "return_of_units": "same" if number == 0 else "exchange",
                "loaners_compulsory": True,
                "approval_limit": {"amount": "150.00", "currency": "EUR"},
                "approver": "The facility manager",
                "delivered": ["register", "certificate", "defects"],
                "papers_within_days": 7,
            },
            from_on=ends_on - timedelta(days=364),
            reason="Contract signed",
            seen=0,
            by=boss,
            now=now,
        )
        site = Site.objects.filter(owner=owner).order_by("code").first()
        if number == 0 and site is not None:
            agree(
                owner,
                site,
                {"induction_days": 365, "access_rules": "Hard hat and shoes beyond the gate."},
                from_on=today - timedelta(days=90),
                reason="Asked for by the site",
                seen=0,
                by=boss,
                now=now,
            )
    return TermsVersion.objects.count()
