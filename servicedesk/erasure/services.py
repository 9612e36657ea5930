"""Taking a person out: one transaction, no way back, and nothing else changes.

Words become ``[erased on …]``. A fenced row changes only to what ``ErasedField`` says; a service record
also gets a link in its unit's chain. Facts from which dates are worked out are not touched.
"""

from __future__ import annotations

import hashlib
import json
import secrets
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from axes.models import AccessAttempt, AccessLog
from django.apps import apps
from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.db.models import F
from rest_framework.authtoken.models import Token

from inventory.appendonly import AppendOnly
from inventory.errors import Conflict
from inventory.logbook.chain import ERASED, erasure_content, instant, sha256_of
from inventory.logbook.erasures import ErasedField, ErasedRecord, Erasure
from inventory.logbook.models import Photo, ServiceRecord
from inventory.logbook.services import record_link
from inventory.register.models import Unit
from schedules.surveys.report import outcome_digest
from servicedesk.accounts.models import User
from servicedesk.erasure.places import Found, Place, Words, all_rows, find
from servicedesk.notices.models import NoticeChoice
from servicedesk.portal.models import CalendarAddress


@transaction.atomic
def erase(words: Words, *, seen: int, legal_basis: str, reason: str, by: User, now: datetime) -> Erasure:
    """Erase everything of the person that ``find`` says can go, and return what was done.

    ``seen`` is how many places the preview showed. Raises ``Conflict`` when there are others by now (look
    again), ``ValidationError`` without legal basis or reason, or for the person who asks.
    """
    if not legal_basis.strip():
        raise ValidationError({"legal_basis": "Say by which rule or contract it is erased."})
    if not reason.strip():
        raise ValidationError({"reason": "Say why it is erased."})
    found = find(words, today=now.date())
    if found.is_empty:
        raise ValidationError("Nothing is found any more: there is nothing to erase.")
    if by.pk in {user.pk for user in found.accounts}:
        raise ValidationError("Nobody erases the own account. Ask another manager.")
    if seen != tally(found):
        raise Conflict(
            "changed_meanwhile", "More or less was found than a moment ago. Look at the list again."
        )
    if words.pattern.search(legal_basis) or words.pattern.search(reason):
        raise ValidationError("Legal basis and reason must not name the person: they are kept.")
    erasure = Erasure.objects.create(
        legal_basis=legal_basis.strip()[:300],
        reason=reason.strip()[:300],
        changed=_changed(found),
        kept=kept_lines(found),
        made_by=by,
        made_by_name=by.display_name,
        made_at=now,
    )
    # Names that are kept on records must stay readable there; the account can go all the same.
    rows: dict[tuple[str, int], list[Place]] = defaultdict(list)
    for place in found.erased:
        rows[place.label, place.pk].append(place)
    pattern = words.pattern
    marker = f"[erased on {now.date().isoformat()}]"
    records: dict[int, dict[str, tuple[str, str]]] = {}
    for (label, pk), places in rows.items():
        model = apps.get_model(label)
        changes: dict[str, Any] = {}
        removed: dict[str, tuple[str, str]] = {}
        for place in places:
            one: Any = model._meta.get_field(place.column)
            after = _without(place.value, pattern, marker, one, label, pk)
            changes[place.column] = after
            removed[place.column] = _note(erasure, model, pk, one, place.value, after)
        _also(label, pk, changes, erasure, model)
        if label == "inventory.ServiceRecord":
            records[pk] = removed
        all_rows(model).filter(pk=pk).update(**changes)
    # What the rows read as now stands in the rows; here a word could outlive the next erasure.
    all_rows(ErasedField).filter(erasure=erasure).exclude(reads_as="").update(reads_as="")
    _link(erasure, records, now)
    for user in found.accounts:
        close_account(user)
    for photo in found.photos:
        _erase_photo(photo, erasure)
    return erasure


def tally(found: Found) -> int:
    """How much a preview shows, so that a later press erases the same."""
    return len(found.erased) + len(found.accounts) + len(found.photos)


def kept_lines(found: Found) -> list[dict[str, Any]]:
    """What is kept, by reason: without saying whom it names."""
    counts: Counter[tuple[str, str, str, str, str]] = Counter(
        (
            place.what,
            place.column,
            place.kept_because,
            place.kept_until.isoformat() if place.kept_until else "",
            place.source,
        )
        for place in found.kept
    )
    return [
        {
            "what": what,
            "column": column,
            "because": because,
            "until": until or None,
            "source": source,
            "places": n,
        }
        for (what, column, because, until, source), n in sorted(counts.items())
    ]


def close_account(user: User) -> None:
    """Leave of an account what history points at: it names nobody and nobody can sign in with it."""
    Token.objects.filter(user=user).delete()
    NoticeChoice.objects.filter(person=user).delete()
    CalendarAddress.objects.filter(user=user).delete()
    user.memberships.all().delete()
    user.groups.clear()
    user.user_permissions.clear()
    AccessAttempt.objects.filter(username=user.username).delete()
    AccessLog.objects.filter(username=user.username).delete()
    user.username = f"erased-{user.pk}"
    user.first_name, user.last_name, user.email, user.phone, user.licence_number = "", "Erased", "", "", ""
    user.licence_expires_on = None
    user.is_active = user.is_staff = user.is_superuser = False
    # A new unusable password also ends every session.
    user.set_unusable_password()
    user.save()


def report_lines(erasure: Erasure) -> list[str]:
    """The report of an erasure: what was done, in words, naming nobody."""
    lines = [
        f"Erasure of personal data {erasure.public_id}",
        f"Made at {erasure.made_at.isoformat(timespec='seconds')} by {erasure.made_by_name}.",
        f"Legal basis: {erasure.legal_basis}",
        f"Reason: {erasure.reason}",
        "",
        "Erased:",
        *(f"- {one['what']}, {one['column']}: {one['places']}" for one in erasure.changed),
        *([] if erasure.changed else ["- nothing"]),
        "",
        "Kept:",
        *(
            f"- {one['what']}, {one['column']}: {one['places']}"
            f"{', until ' + one['until'] if one['until'] else ''}. {one['because']}"
            f"{' Source: ' + one['source'] + '.' if one['source'] else ''}"
            for one in erasure.kept
        ),
        *([] if erasure.kept else ["- nothing"]),
        "",
        "Chains of records: each record that lost words has a link that holds its digest from before, its "
        "digest as it reads now, and salted digests of what went. Whoever still holds the words can prove "
        "them by these.",
        "Copies outside this installation (exported files, mails that were sent, backups) are not changed.",
    ]
    return [line.rstrip() for line in lines]


def _changed(found: Found) -> list[dict[str, Any]]:
    lines = [{"what": what, "column": column, "places": n} for what, column, n in found.by_table()]
    if found.accounts:
        lines.append({"what": "Account", "column": "all of it", "places": len(found.accounts)})
    if found.photos:
        lines.append({"what": "Photo", "column": "the picture", "places": len(found.photos)})
    return lines


def _without(value: Any, pattern: Any, marker: str, one: Any, label: str, pk: int) -> Any:
    if isinstance(value, str):
        if label == "servicedesk.Notice" and "@" in value and " " not in value:
            return f"erased-{pk}@erased.invalid"
        if "@" in value and label == "inventory.Owner":
            return ""
        most = getattr(one, "max_length", None)
        text = pattern.sub(marker, value)
        if getattr(one, "unique", False):
            text = f"{text} {pk}"
        if most is not None and len(text) > most:
            text = pattern.sub(ERASED, value)
        return text if most is None or len(text) <= most else text[:most]
    if isinstance(value, Mapping):
        after = {key: _without(part, pattern, marker, None, "", pk) for key, part in value.items()}
        if after.get("contact_name") != value.get("contact_name") and after.get("signature"):
            after["signature"] = None  # it goes with the name beneath it
        if isinstance(after.get("outcome"), dict) and after.get("outcome_digest"):
            # A survey of an earlier house, kept as a row of its own: the digest is of what it reads as.
            after["outcome_digest"] = outcome_digest(after["outcome"])
        return after
    if isinstance(value, Sequence):
        return [_without(part, pattern, marker, None, "", pk) for part in value]
    return value


def _also(label: str, pk: int, changes: dict[str, Any], erasure: Erasure, model: type[models.Model]) -> None:
    """What goes with a name: the signature above it, the address of a contact, the digest over both."""
    if label == "schedules.Visit" and "contact_name" in changes:
        before = all_rows(model).filter(pk=pk).values_list("signature", flat=True).get()
        if before is not None:
            changes["signature"] = None
            _note(erasure, model, pk, model._meta.get_field("signature"), before, None)
    if label == "schedules.Survey" and "outcome" in changes:
        # The report is made from these words: what it is held against has to fit what they read as now.
        before = all_rows(model).filter(pk=pk).values_list("outcome_digest", flat=True).get()
        changes["outcome_digest"] = outcome_digest(changes["outcome"])
        one = model._meta.get_field("outcome_digest")
        _note(erasure, model, pk, one, before, changes["outcome_digest"])
    if label == "inventory.Owner" and "contact_name" in changes:
        for name in ("contact_name", "contact_email", "contact_phone"):
            before = all_rows(model).filter(pk=pk).values_list(name, flat=True).get()
            if before:
                changes[name] = ""
                _note(erasure, model, pk, model._meta.get_field(name), before, "")


def _note(
    erasure: Erasure, model: type[models.Model], pk: int, one: Any, before: Any, after: Any
) -> tuple[str, str]:
    salt = secrets.token_hex(16)
    text = before if isinstance(before, str) else json.dumps(before, sort_keys=True, ensure_ascii=False)
    digest = hashlib.sha256(f"{salt}{text}".encode()).hexdigest()
    reads_as = json.dumps(after, cls=getattr(one, "encoder", None))
    ErasedField.objects.create(
        erasure=erasure,
        table_name=model._meta.db_table,
        row_id=pk,
        column_name=one.column,
        # Of a plain row nothing has to be allowed: what it reads as stands in the row.
        reads_as=reads_as if issubclass(model, AppendOnly) else "",
        salt=salt,
        removed_digest=digest,
    )
    return salt, digest


def _link(erasure: Erasure, records: Mapping[int, dict[str, tuple[str, str]]], now: datetime) -> None:
    """Add the links that say which records lost words."""
    rows = (
        ServiceRecord.objects.filter(pk__in=list(records))
        .select_related("origin")
        .prefetch_related("readings")
        .order_by("unit_id", "sequence")
    )
    by_unit: dict[int, list[ServiceRecord]] = defaultdict(list)
    for row in rows:
        by_unit[row.unit_id].append(row)
    # Nobody adds a record to these chains meanwhile; the number goes back, for no date moves.
    Unit.objects.filter(pk__in=list(by_unit)).update(facts_revision=F("facts_revision"))
    for unit_id, lost in by_unit.items():
        last = ServiceRecord.objects.filter(unit=unit_id).order_by("-sequence").first()
        assert last is not None
        end = (
            ErasedRecord.objects.filter(unit=unit_id, after_sequence=last.sequence)
            .order_by("-position")
            .first()
        )
        previous, position = (end.digest, end.position) if end else (last.digest, 0)
        for row in lost:
            position += 1
            link = ErasedRecord(
                erasure=erasure,
                unit_id=unit_id,
                record=row,
                after_sequence=last.sequence,
                position=position,
                record_digest=row.digest,
                reads_as_digest=record_link(row).gives,
                removed=[
                    {"field": name, "salt": salt, "sha256": digest}
                    for name, (salt, digest) in sorted(records[row.pk].items())
                ],
                made_at=now,
                previous_digest=previous,
            )
            link.digest = sha256_of(
                erasure_content(
                    record=str(row.client_ref),
                    after_sequence=link.after_sequence,
                    position=position,
                    record_digest=link.record_digest,
                    reads_as_digest=link.reads_as_digest,
                    removed=link.removed,
                    made_at=instant(now),
                    previous=previous,
                )
            )
            link.save()
            previous = link.digest


def _erase_photo(photo: Photo, erasure: Erasure) -> None:
    """Take the picture away; its row says that there was one. The same picture of somebody else stays."""
    name = photo.file_name
    field = Photo._meta.get_field("file_name")
    _note(erasure, Photo, photo.pk, field, name, "")
    Photo.objects.filter(pk=photo.pk).update(file_name="")
    if not Photo.objects.filter(file_name=name).exists():
        path = Path(settings.MEDIA_ROOT) / name
        transaction.on_commit(lambda: path.unlink(missing_ok=True))
