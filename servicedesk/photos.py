"""Photos that come in by a form of a page: made plain, checked, and kept with a site.

The phone's app sends its photos in pieces (``servicedesk.api.field_photos``); both end in
``inventory.logbook.photos``.
"""

from __future__ import annotations

import hashlib
import io
import uuid
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile
from PIL import Image, ImageFile, ImageOps, UnidentifiedImageError

from inventory.logbook.models import Photo
from inventory.logbook.photos import NewPhoto, announce_photo, append_piece
from inventory.people import Person

MOST_BYTES = 20 * 1024 * 1024
SIDE_PX = 2000
FORMATS = ("JPEG", "PNG", "WEBP")
MOST_AT_ONCE = 6
HELP = (
    "JPEG, PNG or WebP up to 20 MB each. They are made smaller, and what they tell of place and camera "
    "is taken out."
)


def plain_picture(given: UploadedFile) -> bytes:
    """An uploaded picture, upright, at most 2,000 pixels a side, as JPEG without its metadata.

    Raises ``ValidationError`` for anything that is no whole picture of a known format.
    """
    if (given.size or 0) > MOST_BYTES:
        raise ValidationError("This file has more than 20 MB. Take the photo at a lower resolution.")
    out = io.BytesIO()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(given, formats=FORMATS) as picture, _whole_or_not_at_all():
                picture.load()
                upright = ImageOps.exif_transpose(picture).convert("RGB")
        upright.thumbnail((SIDE_PX, SIDE_PX))
        upright.save(out, "JPEG", quality=85)
    except (
        UnidentifiedImageError,
        OSError,
        ValueError,
        SyntaxError,
        Image.DecompressionBombWarning,
    ) as error:
        raise ValidationError("This is no whole JPEG, PNG or WebP picture. Take the photo again.") from error
    return out.getvalue()


@contextmanager
def _whole_or_not_at_all() -> Iterator[None]:
    """Refuse a picture without its end: the PDF engine tells Pillow, for the whole process, to fill it up."""
    before, ImageFile.LOAD_TRUNCATED_IMAGES = ImageFile.LOAD_TRUNCATED_IMAGES, False
    try:
        yield
    finally:
        ImageFile.LOAD_TRUNCATED_IMAGES = before


class _ManyFiles(forms.ClearableFileInput):
    allow_multiple_selected = True


class PhotosField(forms.FileField):
    """Some pictures at once; cleaned they are plain JPEGs, in the order given."""

    def __init__(self, **options: Any) -> None:
        widget = _ManyFiles(attrs={"accept": "image/*", "multiple": True})
        super().__init__(**{"required": False, "widget": widget, "help_text": HELP, **options})

    def clean(self, data: Any, initial: Any = None) -> list[bytes]:
        """The pictures as bytes; none when none was chosen."""
        given = [one for one in (data if isinstance(data, list | tuple) else [data]) if one]
        if len(given) > MOST_AT_ONCE:
            raise ValidationError(f"At most {MOST_AT_ONCE} photos at once. Choose those that show it best.")
        return [plain_picture(super(PhotosField, self).clean(one, initial)) for one in given]


def keep_photos(
    pictures: Sequence[bytes], *, site_id: int, ref: UUID, by: Person, now: datetime
) -> list[UUID]:
    """Store pictures under what they belong to (``ref``) and return their ids; twice is once."""
    return [
        _keep(data, uuid.uuid5(ref, f"photo {place}" if place else "photo"), site_id, ref, by, now)
        for place, data in enumerate(pictures)
    ]


def _keep(data: bytes, public_id: UUID, site_id: int, ref: UUID, by: Person, now: datetime) -> UUID:
    new = NewPhoto(
        public_id=public_id,
        site_id=site_id,
        visit_ref=None,
        act_ref=ref,
        media_type="image/jpeg",
        length=len(data),
        sha256=hashlib.sha256(data).hexdigest(),
    )
    photo, _ = announce_photo(new, by=by, now=now)
    if photo.completed_at is None:
        Photo.objects.filter(pk=photo.pk, completed_at__isnull=True).update(received=0)
        photo.refresh_from_db()
        append_piece(photo, data, offset=0, is_last=True, now=now)
    return photo.public_id
