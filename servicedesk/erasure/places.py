"""Everywhere a person stands: every text of every table is looked through, so that none is forgotten.

A new table or field is looked through by itself. What is found is either erased or kept for a reason that
is named: the name of whoever did the work for as long as the rule of the place keeps it, and papers that
were issued, because a change would break their signature.
"""

from __future__ import annotations

import json
import re
import uuid
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache
from typing import Any

from dateutil.relativedelta import relativedelta
from django.apps import apps
from django.db import models
from django.db.models import Q, QuerySet, TextField
from django.db.models.functions import Cast

from inventory.appendonly import AppendOnly
from inventory.logbook.models import Photo
from servicedesk.accounts.models import User
from servicedesk.portal.everything import Retention, retention

APPS = ("inventory", "schedules", "servicedesk")
LEAST_WORD = 3
MOST_WORDS = 6
# Codes, digests, names of files and of places in code: no person is named in them.
_NO_WORDS = frozenset((
    "password", "digest", "content_digest", "previous_digest", "record_digest", "reads_as_digest",
    "removed_digest", "sha256", "file_sha256", "certificate_sha256", "secret_sha256", "verify_code",
    "build_key", "import_key", "key", "time_zone", "media_type", "file_name", "stored_name",
    "table_key", "table_version", "rule_id", "rulebook_digest", "table_name", "column_name", "salt",
    "ref", "request_digest", "headings_digest", "seen_digest", "outcome_digest", "language", "currency",
    "country", "made_precision", "done_precision", "at_table", "file_length", "table_digest",
))  # fmt: skip
# Tables of this slice hold no names; those of the search are kept by triggers.
_NO_TABLES = frozenset(("inventory.Erasure", "inventory.ErasedField", "inventory.ErasedRecord"))
# Columns of append-only tables that may be erased, as the migrations say (``fence_but_erasing``).
ERASABLE: Mapping[str, frozenset[str]] = {
    "inventory.ServiceRecord": frozenset(
        ("performed_by_name", "instrument", "remarks", "correction_reason", "done_raw")
    ),
    "inventory.Move": frozenset(("reason",)),
    "inventory.StockMove": frozenset(("reason",)),
    "inventory.FactChange": frozenset(("old_value", "new_value", "old_words", "new_words", "reason")),
    "inventory.SameUnitDecision": frozenset(("before", "reason")),
    "inventory.Calibration": frozenset(("certificate_ref",)),
    "inventory.WorkshopDefault": frozenset(("reason",)),
    "inventory.LotDecision": frozenset(("reason",)),
    "inventory.RecallStep": frozenset(("note",)),
    "inventory.CardEntry": frozenset(
        ("values", "sentences", "flags", "remarks", "made_by_name", "correction_reason")
    ),
    "inventory.TermsVersion": frozenset(("values", "reason", "made_name")),
    "inventory.ContractMark": frozenset(("note", "made_name")),
    "schedules.FieldAct": frozenset(("content",)),
    "schedules.VisitEntry": frozenset(("replacement", "checks", "parts", "marks", "readings", "remarks")),
    "schedules.Withdrawal": frozenset(("reason",)),
    "schedules.LineDecision": frozenset(("remark", "decided_name")),
    "schedules.PlanChange": frozenset(("sentence", "before", "after")),
    "schedules.SurveyDecision": frozenset(("reason",)),
    "servicedesk.HandedRow": frozenset(("content",)),
    "servicedesk.LabelPrint": frozenset(("reason",)),
}
_PAPERS = frozenset(("schedules.Certificate",))
_NAMES_OF_WORK = {"inventory.ServiceRecord": "performed_by_name", "inventory.CardEntry": "made_by_name"}
FENCED = "It stands in a table that only grows, in a column from which nothing can be taken."


@dataclass(frozen=True, slots=True)
class Words:
    """What a person is called: name, sign-in name, e-mail address, telephone number."""

    texts: tuple[str, ...]

    @property
    def pattern(self) -> re.Pattern[str]:
        """Finds any of them as whole words, however they are spaced or capitalised."""
        parts = sorted(self.texts, key=len, reverse=True)
        spaced = (r"\s+".join(map(re.escape, part.split())) for part in parts)
        return re.compile(rf"(?<!\w)(?:{'|'.join(spaced)})(?!\w)", re.IGNORECASE)

    def condition(self, name: str) -> Q:
        """Rows that may hold one of them in ``name``; the pattern has the last word."""
        found = Q()
        for text in self.texts:
            # A database may fold the case of plain letters only, and writes JSON with escapes.
            word = max(text.split(), key=len)
            for spelled in {word, word.lower(), word.upper(), word.title()}:
                found |= Q(**{f"{name}__icontains": spelled})
                escaped = json.dumps(spelled)[1:-1]
                if escaped != spelled:
                    found |= Q(**{f"{name}__icontains": escaped})
        return found


@dataclass(slots=True)
class Place:
    """One column of one row in which the person stands."""

    label: str
    pk: int
    column: str
    what: str
    snippet: str
    value: Any
    kept_because: str = ""
    kept_until: date | None = None
    source: str = ""

    @property
    def is_kept(self) -> bool:
        """Whether it must stay for now."""
        return bool(self.kept_because)


@dataclass(slots=True)
class Found:
    """Everything that was found."""

    accounts: list[User] = field(default_factory=list)
    photos: list[Photo] = field(default_factory=list)
    places: list[Place] = field(default_factory=list)

    @property
    def erased(self) -> list[Place]:
        """What can go."""
        return [place for place in self.places if not place.is_kept]

    @property
    def kept(self) -> list[Place]:
        """What must stay for now."""
        return [place for place in self.places if place.is_kept]

    @property
    def is_empty(self) -> bool:
        """Whether the person stands nowhere."""
        return not (self.accounts or self.photos or self.places)

    def by_table(self) -> list[tuple[str, str, int]]:
        """How many places by table and column."""
        counts = Counter((place.what, place.column) for place in self.erased)
        return [(what, column, number) for (what, column), number in sorted(counts.items())]


def words_of(text: str) -> Words:
    """What to look for, one a line or parted by semicolons; too short ones find too much and are left out."""
    texts = [" ".join(part.split()) for part in re.split(r"[;\n]+", text)]
    return Words(tuple(dict.fromkeys(part[:120] for part in texts if len(part) >= LEAST_WORD))[:MOST_WORDS])


def find(words: Words, *, today: date) -> Found:
    """Everywhere that the person called ``words`` stands."""
    found = Found()
    if not words.texts:
        return found
    found.accounts = _accounts(words)
    found.photos = _photos(words)
    pattern = words.pattern
    for model, columns in searched():
        if model is User:
            continue
        found.places += _places(model, columns, words, pattern)
    _keep(found.places, today)
    found.places.sort(key=lambda place: (place.is_kept, place.label, place.pk, place.column))
    return found


@lru_cache(maxsize=1)
def searched() -> tuple[tuple[type[models.Model], tuple[Any, ...]], ...]:
    """Every table of ours and its columns of free words."""
    found = []
    for model in apps.get_models():
        if model._meta.app_label not in APPS or model._meta.label in _NO_TABLES:
            continue
        columns = tuple(
            one
            for one in model._meta.concrete_fields
            if isinstance(one, (models.CharField, models.TextField, models.JSONField))
            and not getattr(one, "choices", None)
            and not isinstance(one, models.FileField)
            and one.name not in _NO_WORDS
        )
        if columns:
            found.append((model, columns))
    return tuple(found)


def strings(value: Any) -> Iterator[str]:
    """Every text in a JSON value."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for part in value.values():
            yield from strings(part)
    elif isinstance(value, Sequence):
        for part in value:
            yield from strings(part)


def all_rows(model: type[models.Model]) -> QuerySet[Any]:
    """Rows of ``model`` past the fence of its own manager; the database's fence stands."""
    return QuerySet(model)


def _places(
    model: type[models.Model], columns: Sequence[Any], words: Words, pattern: re.Pattern[str]
) -> list[Place]:
    rows = all_rows(model).order_by("pk")
    where = Q()
    for one in columns:
        name = one.name
        if isinstance(one, models.JSONField):
            name = f"text_of_{one.name}"
            rows = rows.annotate(**{name: Cast(one.name, TextField())})
        where |= words.condition(name)
    label, found = model._meta.label, []
    fenced = issubclass(model, AppendOnly)
    for row in rows.filter(where).values("pk", *(one.name for one in columns)).iterator(500):
        for one in columns:
            value = row[one.name]
            hit = next((text for text in strings(value) if pattern.search(text)), None)
            if hit is None:
                continue
            place = Place(
                label,
                row["pk"],
                one.name,
                str(model._meta.verbose_name).capitalize(),
                _snippet(hit, pattern),
                value,
            )
            if fenced and label not in _PAPERS and one.name not in ERASABLE.get(label, ()):
                place.kept_because = FENCED
            found.append(place)
    return found


def _snippet(text: str, pattern: re.Pattern[str]) -> str:
    hit = pattern.search(text)
    assert hit is not None
    start, end = max(hit.start() - 30, 0), min(hit.end() + 30, len(text))
    return f"{'…' if start else ''}{text[start:end]}{'…' if end < len(text) else ''}"


def _accounts(words: Words) -> list[User]:
    exact = {text.casefold() for text in words.texts}
    where = Q()
    for text in words.texts:
        where |= Q(email__iexact=text) | Q(username__iexact=text) | Q(phone__iexact=text)
        last = text.split()[-1]
        where |= Q(last_name__icontains=last) | Q(first_name__icontains=text.split()[0])
    return [
        user
        for user in User.objects.filter(where).order_by("pk")
        if exact
        & {
            user.display_name.casefold(),
            user.get_full_name().casefold(),
            user.username.casefold(),
            user.email.casefold(),
            user.phone.casefold(),
        }
        - {""}
    ]


def _photos(words: Words) -> list[Photo]:
    """Photos named by their identity: nobody can search a picture for a face."""
    ids = []
    for text in words.texts:
        try:
            ids.append(uuid.UUID(text))
        except ValueError:
            continue
    return list(Photo.objects.filter(public_id__in=ids).exclude(file_name="").select_related("site"))


# --- what must be kept -----------------------------------------------------------------------------------


def rule_for(country: str, region: str, task: str, *, is_paper: bool = False) -> Retention | None:
    """The longest rule of the place, or the program's own default."""
    fitting = [
        rule
        for rule in retention()
        if rule.years is not None
        and rule.is_of_papers == is_paper
        and (not rule.country or rule.country == country)
        and (not rule.region or rule.region.casefold() == region.casefold())
        and (not rule.tasks or task in rule.tasks)
    ]
    of_place = [rule for rule in fitting if not rule.is_default]
    return max(of_place or fitting, key=lambda rule: rule.years or 0, default=None)


def _keep(places: Sequence[Place], today: date) -> None:
    for label, column in _NAMES_OF_WORK.items():
        named = [place for place in places if place.label == label and place.column == column]
        facts = _facts_of_work(label, [place.pk for place in named])
        for place in named:
            on, country, region, task = facts[place.pk]
            if task != "visual_inspection":
                _hold(place, rule_for(country, region, task), on, today, "It says who did the work.")
    papers = [place for place in places if place.label in _PAPERS]
    rows = apps.get_model("schedules.Certificate")._default_manager.filter(pk__in=[p.pk for p in papers])
    issued = {
        pk: (on, c, r)
        for pk, on, c, r in rows.values_list("pk", "issued_on", "site__country", "site__region")
    }
    for place in papers:
        on, country, region = issued[place.pk]
        _hold(
            place,
            rule_for(country, region, "", is_paper=True),
            on,
            today,
            "It is a signed paper that was issued.",
        )
        if not place.is_kept:
            place.kept_because = (
                "It is a signed paper that was issued and cannot be changed. "
                "Withdraw it if it must not be shown."
            )
    kept_papers = [place for place in places if place.label == "servicedesk.HandedRow"]
    tables = dict(
        all_rows(apps.get_model("servicedesk.HandedRow"))
        .filter(pk__in=[place.pk for place in kept_papers])
        .values_list("pk", "table_name")
    )
    for place in kept_papers:
        if tables[place.pk] == "certificates":
            place.kept_because = "It is a paper of an earlier house, and cannot be changed."


def _facts_of_work(label: str, pks: list[int]) -> dict[int, tuple[date, str, str, str]]:
    model = apps.get_model(label)
    if label == "inventory.ServiceRecord":
        paths = ("pk", "done_last", "received_at", "site__country", "site__region", "task")
    else:
        paths = ("pk", "done_on", "made_at", "card__site__country", "card__site__region", "step")
    facts = {}
    for start in range(0, len(pks), 500):
        for pk, on, at, country, region, task in (
            all_rows(model).filter(pk__in=pks[start : start + 500]).values_list(*paths)
        ):
            facts[pk] = (on or at.date(), country or "", region or "", task)
    return facts


def _hold(place: Place, rule: Retention | None, on: date, today: date, why: str) -> None:
    if rule is None or rule.years is None:
        return
    until = on + relativedelta(years=rule.years)
    if until > today:
        place.kept_because = f"{why} {rule.place}: {rule.record.lower()}, {rule.keep}."
        place.kept_until, place.source = until, rule.source
