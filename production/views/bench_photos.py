"""Photos of failures: taken in as they are checked, stored by content, given out again."""

from __future__ import annotations

import io
from collections.abc import Sequence

from django.core.files.uploadedfile import UploadedFile
from django.http import FileResponse, HttpRequest
from PIL import Image, ImageOps, UnidentifiedImageError

from clinic.permissions import needs
from production.models import Photo, StoredFile
from production.storage import store_bytes
from production.views.scan_files import send

MAX_BYTES = 15 * 2**20
MAX_SIDE = 2000
MAX_PHOTOS = 6
MAX_PIXELS = 80_000_000


class PhotoRefused(Exception):
    """The file is no photo, or too large; the words say what to do."""


def keep_photos(files: Sequence[UploadedFile]) -> list[StoredFile]:
    """Store the photos as JPEG, upright and without the camera's data about place and owner.

    Raises
    ------
    PhotoRefused
        One of them cannot be used; nothing is stored.
    """
    if len(files) > MAX_PHOTOS:
        raise PhotoRefused(f"At most {MAX_PHOTOS} photos at once; choose the clearest.")
    pictures = [_picture(file) for file in files]
    return [store_bytes(data, "image/jpeg") for data in pictures]


def _picture(file: UploadedFile) -> bytes:
    if (file.size or 0) > MAX_BYTES:
        raise PhotoRefused("That photo is larger than 15 MB; take it at a lower resolution.")
    try:
        with Image.open(file) as opened:
            if opened.width * opened.height > MAX_PIXELS:
                raise PhotoRefused("That photo has too many pixels; take a smaller one.")
            image = ImageOps.exif_transpose(opened).convert("RGB")
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError) as error:
        raise PhotoRefused(
            "That file is not a photo this browser and we know; use JPEG."
        ) from error
    image.thumbnail((MAX_SIDE, MAX_SIDE))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=85)
    return out.getvalue()


@needs("see_bench")
def photo(request: HttpRequest, pk: int) -> FileResponse:
    """Give out a photo of a failure."""
    row = Photo.objects.select_related("file").filter(pk=pk).first()
    return send(row.file if row else None)
