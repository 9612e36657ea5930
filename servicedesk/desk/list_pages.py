"""Keeping a list's filter under a name, and taking back an act on many rows."""

from __future__ import annotations

from uuid import UUID

from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from servicedesk.access import Act
from servicedesk.desk.certificates import CertificatesView
from servicedesk.desk.due import DueView
from servicedesk.desk.listing import ListView
from servicedesk.desk.many import undo_many
from servicedesk.desk.models import ManyAct, SavedFilter
from servicedesk.desk.owners import OwnersView
from servicedesk.desk.sites import SitesView
from servicedesk.desk.units import UnitsView
from servicedesk.desk.visits import VisitsView
from servicedesk.pages import PageView, read_uuid, refusal

LISTS: dict[str, type[PageView]] = {
    "desk:units": UnitsView,
    "desk:sites": SitesView,
    "desk:owners": OwnersView,
    "desk:visits": VisitsView,
    "desk:certificates": CertificatesView,
    "desk:due": DueView,
}


class SavedFiltersView(PageView):
    """Keeps, changes and deletes own filters; what colleagues share can only be used."""

    acts = (Act.SEE_DESK, Act.SEE_BENCH)

    def post(self, request: HttpRequest) -> HttpResponse:
        """Do what the pressed button says, and go back to the list."""
        post = request.POST
        listing, query = post.get("listing", ""), post.get("query", "")[:1000]
        if listing not in LISTS:
            raise Http404
        self.demand(*LISTS[listing].acts)
        own = SavedFilter.objects.filter(kept_by=self.person, listing=listing)
        kept = own.filter(public_id=read_uuid(post.get("id", ""))).first()
        do = self.pressed("save", "change", "delete")
        if do != "save" and kept is None:
            raise Http404
        if do == "delete" and kept is not None:
            kept.delete()
            self.told(f"The filter “{kept.name}” is deleted.")
        else:
            kept = (
                kept
                if kept is not None and do == "change"
                else SavedFilter(kept_by=self.person, listing=listing, query=query)
            )
            kept.name = " ".join(post.get("name", "").split())
            kept.is_shared = post.get("is_shared") == "yes"
            try:
                kept.full_clean()
            except ValidationError as problem:
                self.warn(refusal(problem))
            else:
                kept.save()
                self.told(f"The filter “{kept.name}” is kept{' for all' if kept.is_shared else ''}.")
        return redirect(f"{reverse(listing)}?{query}" if query else reverse(listing))


class UndoManyView(PageView):
    """Takes back the person's own act on many rows."""

    acts = (Act.CHANGE_REGISTER,)

    def post(self, request: HttpRequest, act_id: UUID) -> HttpResponse:
        """Do it, and say which rows were changed since."""
        act = self.found_act(act_id)
        view = LISTS.get(act.listing)
        ways = view.ways if view is not None and issubclass(view, ListView) else ()
        way = next((way for way in ways if way.code == act.act), None)
        if way is None:
            raise Http404
        try:
            done = undo_many(act, way, by=self.person, now=self.now)
        except Conflict as problem:
            self.refused(problem)
        else:
            self.told(f"Undone: {done.said}")
            if done.refused:
                told = "; ".join(f"{what}: {why}" for what, why in done.refused[:10])
                self.warn(f"Left as they are: {told}")
        return redirect(act.listing)

    def found_act(self, act_id: UUID) -> ManyAct:
        """An own act, or 404."""
        act = ManyAct.objects.filter(public_id=act_id, made_by=self.person).first()
        if act is None:
            raise Http404
        return act
