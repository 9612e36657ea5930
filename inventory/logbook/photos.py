"""Photos from site: bytes that arrive in pieces, are checked when whole, and are kept once.

A piece is written to a partial file first and counted in the row after; a crash in between leaves a
file that is longer than the count, and the next piece overwrites what is beyond it. A whole photo is
moved to a name made of its SHA-256, so that the same photo sent twice is one file.
"""

from __future__ import annotations

import hashlib
import os
import uuid
import warnings
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from PIL import Image, UnidentifiedImageError

from inventory.errors import Conflict
from inventory.logbook.models import Photo
from inventory.people import Person

MAX_BYTES = 4 * 1024 * 1024
MAX_PIECE = 1024 * 1024
MAX_SIDE_PX = 4096
UNFINISHED_DAYS = 30
TYPES = {"image/jpeg": ("JPEG", "jpg"), "image/png": ("PNG", "png"), "image/webp": ("WEBP", "webp")}


@dataclass(frozen=True, slots=True)
class NewPhoto:
    """A photo that is about to be sent."""

    public_id: uuid.UUID
    site_id: int
    visit_ref: uuid.UUID | None
    act_ref: uuid.UUID | None
    media_type: str
    length: int
    sha256: str
    taken_at: datetime | None = None


def announce_photo(new: NewPhoto, *, by: Person, now: datetime) -> tuple[Photo, bool]:
    """Return the photo's row and whether it is new; where the same bytes are kept already, it is whole.

    Raises ``Conflict`` when the id was used for another photo.
    """
    stored = Photo.objects.filter(public_id=new.public_id).first()
    if stored is not None:
        return _same(stored, new), False
    photo = Photo(
        public_id=new.public_id,
        site_id=new.site_id,
        visit_ref=new.visit_ref,
        act_ref=new.act_ref,
        media_type=new.media_type,
        length=new.length,
        sha256=new.sha256,
        taken_at=new.taken_at,
        made_by_id=by.pk,
        created_at=now,
        changed_at=now,
    )
    # Only one's own: knowing a digest must not open somebody else's photo.
    twin = Photo.objects.filter(
        sha256=new.sha256, length=new.length, made_by=by.pk, completed_at__isnull=False
    ).first()
    if twin is not None and _path(twin.file_name).exists():
        photo.file_name, photo.width_px, photo.height_px = twin.file_name, twin.width_px, twin.height_px
        photo.received, photo.completed_at = new.length, now
    try:
        with transaction.atomic():
            photo.save()
    except IntegrityError:
        return _same(Photo.objects.get(public_id=new.public_id), new), False
    return photo, True


def append_piece(photo: Photo, piece: bytes, *, offset: int, is_last: bool, now: datetime) -> Photo:
    """Add ``piece`` at ``offset``; the last one makes the photo whole.

    Raises ``Conflict`` (``offset_differs``) when the photo stands at another offset, ``ValidationError``
    for more bytes than were announced or for what is no photo; then it starts again at 0.
    """
    if photo.completed_at is not None:
        return photo
    if offset != photo.received:
        raise Conflict(
            "offset_differs",
            f"{photo.received} bytes are here. Go on from there.",
            offset=photo.received,
        )
    end = offset + len(piece)
    if end > photo.length:
        raise ValidationError({"length": f"{photo.length} bytes were announced, {end} were sent."})
    partial = _partial(photo)
    partial.parent.mkdir(parents=True, exist_ok=True)
    with open(partial, "r+b" if partial.exists() else "w+b") as file:
        file.truncate(offset)
        file.seek(offset)
        file.write(piece)
        file.flush()
        os.fsync(file.fileno())
    moved = Photo.objects.filter(pk=photo.pk, received=offset, completed_at__isnull=True).update(
        received=end, changed_at=now
    )
    photo.refresh_from_db()
    if not moved:
        raise Conflict(
            "offset_differs",
            f"{photo.received} bytes are here. Go on from there.",
            offset=photo.received,
        )
    if end == photo.length:
        _complete(photo, now=now)
    elif is_last:
        _start_again(photo)
        raise ValidationError(
            {"length": f"Only {end} of {photo.length} announced bytes came. Send the photo from its start."}
        )
    return photo


def photo_bytes(photo: Photo) -> bytes | None:
    """The bytes of a whole photo; None when it is not whole or its file is lost."""
    if photo.completed_at is None:
        return None
    try:
        return _path(photo.file_name).read_bytes()
    except FileNotFoundError:
        return None


def forget_unfinished(*, now: datetime) -> int:
    """Drop photos that were begun long ago and never finished, and files nobody names; return how many."""
    old = Photo.objects.filter(
        completed_at__isnull=True, changed_at__lt=now - timedelta(days=UNFINISHED_DAYS)
    )
    gone = 0
    for photo in old:
        _partial(photo).unlink(missing_ok=True)
        photo.delete()
        gone += 1
    known = {
        str(ref)
        for ref in Photo.objects.filter(completed_at__isnull=True).values_list("public_id", flat=True)
    }
    folder = _path("photos/partial")
    if folder.is_dir():
        for file in folder.iterdir():
            aged = now.timestamp() - file.stat().st_mtime > UNFINISHED_DAYS * 86_400
            if file.name not in known and aged:
                file.unlink(missing_ok=True)
                gone += 1
    return gone


def _same(stored: Photo, new: NewPhoto) -> Photo:
    if (stored.sha256, stored.length, stored.visit_ref) != (new.sha256, new.length, new.visit_ref):
        raise Conflict("reference_reused", "This id was used for another photo. Make a new one.")
    return stored


def _complete(photo: Photo, *, now: datetime) -> None:
    partial = _partial(photo)
    data = partial.read_bytes()
    if hashlib.sha256(data).hexdigest() != photo.sha256:
        _start_again(photo)
        raise ValidationError(
            {"sha256": "The bytes that arrived are not those announced. Send the photo from its start."}
        )
    size = _size(partial, photo.media_type)
    if size is None:
        _start_again(photo)
        raise ValidationError(
            {
                "media_type": f"This is no {TYPES[photo.media_type][0]} picture of at most {MAX_SIDE_PX} "
                "pixels a side. Take the photo again."
            }
        )
    name = f"photos/{photo.sha256[:2]}/{photo.sha256}.{TYPES[photo.media_type][1]}"
    place = _path(name)
    place.parent.mkdir(parents=True, exist_ok=True)
    os.replace(partial, place)
    photo.file_name, photo.completed_at, photo.changed_at = name, now, now
    photo.width_px, photo.height_px = size
    photo.save(update_fields=["file_name", "completed_at", "changed_at", "width_px", "height_px"])


def _size(file: Path, media_type: str) -> tuple[int, int] | None:
    """Width and height of a picture that can be read to its end; None for anything else."""
    if not _ends(file, media_type):
        return None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(file, formats=[TYPES[media_type][0]]) as picture:
                if max(picture.size) > MAX_SIDE_PX:
                    return None
                picture.load()
                return picture.size
    except (UnidentifiedImageError, OSError, ValueError, Image.DecompressionBombWarning, SyntaxError):
        return None


def _ends(file: Path, media_type: str) -> bool:
    """Whether the file ends as its kind must.

    The PDF engine tells Pillow, for the whole process, to fill up what is missing of a picture.
    """
    data = file.read_bytes()
    if media_type == "image/jpeg":
        # Inside the picture's data this pair cannot occur; some cameras pad behind it.
        return b"\xff\xd9" in data[-64:]
    if media_type == "image/png":
        return b"IEND" in data[-64:]
    return data[:4] == b"RIFF" and len(data) >= 8 + int.from_bytes(data[4:8], "little")


def _start_again(photo: Photo) -> None:
    _partial(photo).unlink(missing_ok=True)
    Photo.objects.filter(pk=photo.pk).update(received=0)
    photo.received = 0


def _partial(photo: Photo) -> Path:
    return _path(f"photos/partial/{photo.public_id}")


def _path(name: str) -> Path:
    return Path(settings.MEDIA_ROOT) / name
