"""One search over everything a person may see: what is found, grouped by kind.

The words of a search may stand on the thing itself or on its site and the site's owner: "calder kitchen"
finds the places called kitchen on Calder's sites. Which rows a person may see is part of every query, so
that a foreign row never takes the room of an own one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any
from urllib.parse import urlencode

from django.db.models import QuerySet
from django.urls import reverse

from inventory.access import EVERYTHING, Scope
from inventory.register.models import Location, Owner, Site, Unit, UnitModel
from inventory.register.searching import SiteWords
from inventory.search.queries import Sample, any_holds, first_ids
from inventory.search.text import LEAST_LETTERS, squeezed, words_of
from inventory.stock.models import Lot
from inventory.workshop.models import JobCard
from schedules.certificates.models import Certificate
from schedules.visits.models import Visit
from servicedesk.access import Act, may, scope_of
from servicedesk.accounts.models import User

MOST_SITES = 500
"""More sites than these are not listed one by one when words are split between a thing and its site."""

NEAR = (40, 200)
"""So many rows are looked at, the less the better, before words that stand on most sites are looked up
properly."""

MOST_SPLITS = 12
"""So many ways are tried in which words can stand partly on a thing and partly on its site."""


@dataclass(frozen=True, slots=True)
class Hit:
    """One thing that was found."""

    title: str
    detail: str
    url: str


@dataclass(frozen=True, slots=True)
class Group:
    """What was found of one kind; ``is_more`` says that there is more of it, ``all_url`` where."""

    label: str
    hits: list[Hit]
    is_more: bool = False
    all_url: str = ""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of thing: its document, the rows a scope sees, and how a row is shown to whom."""

    document: str
    label: str
    rows: Callable[[Scope], QuerySet[Any]]
    related: tuple[str, ...]
    show: Callable[[Any, Ways], Hit]
    is_on_site: bool = False
    newest: bool = False
    is_number: bool = False
    list_name: str = ""
    acts: tuple[Act, ...] = (Act.SEE_DESK,)


@dataclass(frozen=True, slots=True)
class Ways:
    """Where the pages of a person are."""

    user: User
    desk: bool
    portal: bool

    def unit(self, unit: Unit) -> str:
        """The page of a unit."""
        return reverse("portal:unit" if self.portal else "desk:unit", args=[unit.public_id])

    def site(self, site: Site | None) -> str:
        """The page of a site, or nothing where the person has none."""
        if site is None or not (self.desk or self.portal):
            return ""
        return reverse("portal:site" if self.portal else "desk:site", args=[site.public_id])


def _joined(*parts: str | None) -> str:
    return " · ".join(part for part in parts if part)


def _unit(unit: Unit, ways: Ways) -> Hit:
    place = unit.location
    where = (
        _joined(unit.site.name, f"{place.number} {place.place}".strip() if place else "") if unit.site else ""
    )
    serial = f"serial {unit.serial}" if unit.serial else "no readable serial"
    state = "" if unit.state == Unit.State.IN_SERVICE else unit.get_state_display()
    return Hit(unit.number, _joined(serial, unit.model.kind_text, where, state), ways.unit(unit))


def _place(place: Location, ways: Ways) -> Hit:
    unit = next(iter(place.units.all()), None)
    url = ways.unit(unit) if unit is not None else ways.site(place.site)
    hangs = f"unit {unit.number}" if unit is not None else "nothing hangs there"
    return Hit(_joined(place.number, place.place), _joined(place.site.name, hangs), url)


def _last(row: Any) -> Any:
    """What ``row`` is part of by now; an old name still leads there."""
    while row.merged_into is not None:
        row = row.merged_into
    return row


def _site(site: Site, ways: Ways) -> Hit:
    now = _last(site)
    moved = f"now part of {now.name}" if now != site and not ways.portal else ""
    return Hit(site.name, _joined(moved, site.code, site.owner.name, site.address), ways.site(now))


def _owner(owner: Owner, ways: Ways) -> Hit:
    now = _last(owner)
    moved = f"the same as {now.name}" if now != owner else ""
    url = f"{reverse('desk:sites')}?{urlencode({'q': now.name})}"
    return Hit(owner.name, _joined(moved, owner.contact_name, owner.contact_email, owner.contact_phone), url)


def _person(person: User, ways: Ways) -> Hit:
    owners = ", ".join(one.owner.name for one in person.memberships.all())
    return Hit(
        person.display_name,
        _joined(person.email, owners),
        reverse("desk:owner-person", args=[person.public_id]),
    )


def _model(model: UnitModel, ways: Ways) -> Hit:
    name = " ".join(part for part in (model.maker, model.name) if part)
    url = f"{reverse('desk:units')}?{urlencode({'q': name or model.kind_text})}"
    return Hit(name or model.kind_text, model.kind_text, url)


def _certificate(certificate: Certificate, ways: Ways) -> Hit:
    if ways.portal:
        url = reverse("portal:certificate", args=[certificate.public_id])
    elif ways.desk:
        url = reverse("desk:certificate", args=[certificate.public_id])
    else:
        url = reverse("field:certificate", args=[certificate.public_id])
    detail = _joined(certificate.site.name, certificate.owner.name, f"issued {certificate.issued_on}")
    return Hit(certificate.number, detail, url)


def _visit(visit: Visit, ways: Ways) -> Hit:
    if ways.portal:
        url = reverse("portal:visits")
    elif ways.desk:
        url = reverse("desk:visit", args=[visit.public_id])
    else:
        url = reverse("field:round", args=[visit.public_id])
    return Hit(visit.number, _joined(visit.site.name, str(visit.planned_on), visit.get_state_display()), url)


def _card(card: JobCard, ways: Ways) -> Hit:
    detail = _joined(
        f"unit {card.unit.number}", card.site.name if card.site else "", card.get_state_display()
    )
    return Hit(card.number, detail, reverse("bench:card", args=[card.public_id]))


def _lot(lot: Lot, ways: Ways) -> Hit:
    detail = _joined(lot.item.name, lot.maker, f"received {lot.received_on}", lot.get_state_display())
    return Hit(lot.lot_no, detail, reverse("bench:lot", args=[lot.public_id]))


def _all(model: Any) -> Callable[[Scope], QuerySet[Any]]:
    """Rows that belong to nobody's premises: for people of the firm who see all."""
    return lambda scope: model.objects.all() if scope.everything else model.objects.none()


_DESK_AND_PORTAL = (Act.SEE_DESK, Act.SEE_PORTAL)
_BENCH = (Act.SEE_BENCH,)
KINDS = (
    Kind(
        "unit", "Units", Unit.objects.visible_to, ("model", "site", "location"), _unit, is_on_site=True,
        is_number=True, list_name="desk:units", acts=(Act.SEE_REGISTER,),
    ),
    Kind(
        "place", "Places", lambda scope: Location.objects.filter(site__in=Site.objects.visible_to(scope))
        if not scope.everything else Location.objects.all(), ("site",), _place, is_on_site=True,
        acts=(Act.SEE_REGISTER,),
    ),
    Kind(
        "site", "Sites", Site.objects.visible_to, ("owner", "merged_into"), _site, list_name="desk:sites",
        acts=_DESK_AND_PORTAL,
    ),
    Kind("owner", "Owners", _all(Owner), ("merged_into",), _owner),
    Kind(
        "person", "Owners' people", lambda scope: User.objects.filter(role=User.Role.OWNER)
        if scope.everything else User.objects.none(), (), _person, acts=(Act.MANAGE_OWNER_PEOPLE,),
    ),
    Kind(
        "visit", "Visits", Visit.objects.visible_to, ("site",), _visit, is_on_site=True, newest=True,
        is_number=True, list_name="desk:visits", acts=(*_DESK_AND_PORTAL, Act.RECORD_VISITS),
    ),
    Kind(
        "certificate", "Certificates", Certificate.objects.visible_to, ("site", "owner"), _certificate,
        is_on_site=True, newest=True, is_number=True, list_name="desk:certificates",
        acts=(Act.SEE_CERTIFICATES,),
    ),
    Kind(
        "card", "Job cards", JobCard.objects.visible_to, ("unit", "site"), _card, is_on_site=True,
        newest=True, is_number=True, acts=_BENCH,
    ),
    Kind("lot", "Lots", _all(Lot), ("item",), _lot, newest=True, is_number=True, acts=_BENCH),
    Kind("model", "Makers and models", _all(UnitModel), (), _model, list_name="", acts=_BENCH),
)  # fmt: skip


def find(user: User, text: str, *, limit: int) -> list[Group]:
    """What ``user`` may see of what holds every word of ``text``, at most ``limit`` of each kind.

    Without a word of three letters nothing is looked for.
    """
    words = words_of(text)
    whole = squeezed(text)
    if not whole and not any(len(word) >= LEAST_LETTERS for word in words):
        return []
    ways = Ways(user, desk=may(user, Act.SEE_DESK), portal=may(user, Act.SEE_PORTAL))
    scope = scope_of(user)
    sites, sample = SiteWords(scope), Sample((*words, whole))
    known: dict[tuple[str, ...], list[int]] = {}
    groups = []
    for kind in KINDS:
        if not any(may(user, act) for act in kind.acts):
            continue
        ids = _ids(kind, scope, words, whole, sites, sample, known, limit + 1)
        if not ids:
            continue
        hits = [kind.show(row, ways) for row in _rows(kind, ids[:limit])]
        url = f"{reverse(kind.list_name)}?{urlencode({'q': text})}" if ways.desk and kind.list_name else ""
        groups.append(Group(kind.label, hits, len(ids) > limit, url))
    return groups


def _rows(kind: Kind, ids: Sequence[int]) -> list[Any]:
    """The rows of these ids, in their order, with what is shown of each."""
    rows = kind.rows(EVERYTHING).select_related(*kind.related)
    if kind.document == "place":
        rows = rows.prefetch_related("units")
    if kind.document == "person":
        rows = rows.prefetch_related("memberships__owner")
    found = rows.in_bulk(list(ids))
    return [found[pk] for pk in ids if pk in found]


def _ids(
    kind: Kind, scope: Scope, words: Sequence[str], whole: str, sites: SiteWords,
    sample: Sample, known: dict[tuple[str, ...], list[int]], limit: int,
) -> list[int]:  # fmt: skip
    """Ids of what was found of one kind; ``known`` keeps the sites of words from kind to kind."""
    rows = kind.rows(scope)
    found: list[int] = []

    def take(more: Iterable[int]) -> None:
        found.extend(pk for pk in more if pk not in found)

    is_all = scope.everything and kind.document != "person"

    def look(narrowed: QuerySet[Any], parts: Sequence[str], *, is_all: bool) -> None:
        wanted = limit - len(found)
        take(
            first_ids(
                narrowed, kind.document, parts, wanted, is_all=is_all, newest=kind.newest, sample=sample
            )
        )

    if whole and kind.is_number:
        look(rows, [whole], is_all=is_all)
    if len(found) < limit and any(len(word) >= LEAST_LETTERS for word in words):
        look(rows, words, is_all=is_all)
    if len(found) < limit and len(words) > 1:
        if kind.document == "site":
            take(sites.first(words, limit - len(found)))
        elif kind.is_on_site:
            for own, at_site in _splits(kind.document, words, sites, sample):
                if at_site not in known:
                    known[at_site] = sites.first(at_site, MOST_SITES + 1)
                here = known[at_site]
                if len(here) > MOST_SITES:
                    # Most sites: the first rows that hold the other words are probably on one of them.
                    for most in NEAR:
                        near = first_ids(
                            rows,
                            kind.document,
                            own,
                            most,
                            is_all=is_all,
                            newest=kind.newest,
                            best=limit,
                            sample=sample,
                        )
                        # Asked in two steps: with both conditions at once SQLite would go by the sites.
                        site_of = dict(rows.order_by().filter(pk__in=near).values_list("pk", "site"))
                        on_them = sites.among(at_site, {pk for pk in site_of.values() if pk is not None})
                        take([pk for pk in near if site_of.get(pk) in on_them])
                        if len(found) >= limit or len(near) < most:
                            break
                    else:
                        look(rows.filter(site__in=sites.rows(at_site).values("pk")), own, is_all=False)
                elif here:
                    look(rows.filter(site__in=here), own, is_all=False)
                if len(found) >= limit:
                    break
    return found[:limit]


def _splits(
    document: str, words: Sequence[str], sites: SiteWords, sample: Sample
) -> Iterable[tuple[tuple[str, ...], tuple[str, ...]]]:
    """Ways to read ``words``: some on the thing itself and the rest on its site, most on the thing first."""
    on_sites = frozenset(word for word in words if sites.stands(word))
    if not on_sites:
        return
    on_thing = {word for word in words if len(word) < LEAST_LETTERS or any_holds(document, word, sample)}
    tried = 0
    for size in range(len(words) - 1, 0, -1):
        for own in combinations(words, size):
            at_site = tuple(word for word in words if word not in own)
            if not on_thing.issuperset(own) or not on_sites.issuperset(at_site):
                continue
            if not any(len(word) >= LEAST_LETTERS for word in own):
                continue
            yield own, at_site
            tried += 1
            if tried >= MOST_SPLITS:
                return
