"""What sources say otherwise than the register: the list, and a person's word on one of them."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from inventory.errors import Conflict
from inventory.register.claims import Claim, fact_of, settle_claim, shown_fact
from inventory.register.models import FactRank, Unit
from schedules.due.services import refresh_units
from servicedesk.access import Act
from servicedesk.pages import PageView, paged


class SettleClaimForm(forms.Form):
    """How it is known."""

    reason = forms.CharField(label="How do you know?", max_length=200)


class ClaimsView(PageView):
    """Facts on which sources contradict each other and that nobody has settled."""

    acts = (Act.CHANGE_REGISTER,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show one page of them."""
        claims = (
            Claim.objects.visible_to(self.scope)
            .open()
            .select_related("unit__model", "unit__site")
            .order_by("unit__number", "pk")
        )
        page = paged(request, claims, 25)
        lines = claim_lines(list(page.object_list))
        return self.page("desk/claims.html", {"page_obj": page, "lines": lines})


class SettleClaimView(PageView):
    """Take what a source says, or leave what stands."""

    acts = (Act.CHANGE_REGISTER,)

    def post(self, request: HttpRequest, claim_id: UUID) -> HttpResponse:
        """Settle one claim; both values stay on record."""
        takes = self.pressed("take", "leave") == "take"
        claim = self.found(Claim.objects.visible_to(self.scope).select_related("unit"), claim_id)
        form = SettleClaimForm(request.POST)
        if not form.is_valid():
            self.warn("Nothing was settled: say how you know.")
            return redirect("desk:unit", claim.unit.public_id)
        try:
            unit = settle_claim(
                claim, takes=takes, reason=form.cleaned_data["reason"], by=self.person, now=self.now
            )
            refresh_units([unit.pk], now=self.now)
            what = claim.get_fact_display()
            self.told(f"{what}: {claim.shown} taken." if takes else f"{what}: left as it stands.")
        except (Conflict, ValidationError) as problem:
            self.refused(problem)
        return redirect("desk:unit", claim.unit.public_id)


def claim_lines(claims: list[Claim]) -> list[dict[str, Any]]:
    """Open claims with what stands against them; one query for all."""
    standing = {
        (claim.unit_id, claim.fact): claim
        for claim in Claim.objects.filter(unit__in={c.unit_id for c in claims}, is_standing=True)
    }
    lines = []
    for claim in claims:
        stands = standing.get((claim.unit_id, claim.fact))
        value = fact_of(claim.unit, claim.fact)
        lines.append(
            {
                "claim": claim,
                "stands": shown_fact(claim.fact, value),
                "stands_by": stands.get_rank_display() if stands else _rank_of(claim.unit),
            }
        )
    return lines


def claims_of(unit: Unit) -> dict[str, Any]:
    """What the page of a unit shows: open claims, and those that were settled."""
    claims = list(Claim.objects.filter(unit=unit).select_related("settled_by").order_by("fact", "pk"))
    for claim in claims:
        claim.unit = unit
    open_ones = [claim for claim in claims if not claim.is_standing and claim.settled_at is None]
    stands = {claim.fact: claim for claim in claims if claim.is_standing}
    return {
        "claims": [
            {
                "claim": claim,
                "stands": shown_fact(claim.fact, fact_of(unit, claim.fact)),
                "stands_by": stands[claim.fact].get_rank_display()
                if claim.fact in stands
                else _rank_of(unit),
            }
            for claim in open_ones
        ],
        "claims_settled": [claim for claim in claims if claim.settled_at is not None],
    }


def _rank_of(unit: Unit) -> str:
    return str(FactRank(unit.facts_rank or FactRank.OWNER_LIST).label)
