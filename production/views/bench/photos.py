"""Photos of failures: taken in as they are checked, stored by content, given out again."""

from __future__ import annotations

import io
from dataclasses import dataclass, field

from django.core.files.uploadedfile import UploadedFile
from django.core.signing import BadSignature, Signer
from django.http import FileResponse, HttpRequest
from PIL import Image, ImageOps, UnidentifiedImageError

from clinic.permissions import needs
from production.models import Photo, StoredFile
from production.storage import store_bytes
from production.views.sending import send

MAX_BYTES = 15 * 2**20
MAX_SIDE = 2000
MAX_PHOTOS = 6
MAX_PIXELS = 80_000_000


_SIGNER = Signer(salt="kept-photo")


class PhotoRefused(Exception):
    """The file is no photo, or too large; the words say what to do."""


@dataclass
class Taken:
    """Photos that came with a form: those kept, and why others were not."""

    files: list[StoredFile] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)

    @property
    def tokens(self) -> list[str]:
        """What the form carries along when it is shown again, since its file field is empty."""
        return [_SIGNER.sign(str(file.pk)) for file in self.files]


def take_photos(request: HttpRequest) -> Taken:
    """Store the photos as JPEG, upright and without the camera's data about place and owner.

    A tablet's camera keeps no copy of its own: what can be used is kept also when another
    photo, or something else in the form, is refused, and comes again as a ``kept`` token.
    """
    taken = Taken()
    for token in request.POST.getlist("kept")[:MAX_PHOTOS]:
        try:
            pk = int(_SIGNER.unsign(token))
        except (BadSignature, ValueError):
            continue
        taken.files += StoredFile.objects.filter(pk=pk)
    for file in request.FILES.getlist("photo"):
        if len(taken.files) >= MAX_PHOTOS:
            taken.refused.append(f"At most {MAX_PHOTOS} photos at once; the others are left out.")
            break
        try:
            taken.files.append(store_bytes(_picture(file), "image/jpeg"))
        except PhotoRefused as error:
            taken.refused.append(f"{file.name}: {error}")
    return taken


def _picture(file: UploadedFile) -> bytes:
    if (file.size or 0) > MAX_BYTES:
        raise PhotoRefused("it is larger than 15 MB; take it at a lower resolution.")
    try:
        with Image.open(file) as opened:
            if opened.width * opened.height > MAX_PIXELS:
                raise PhotoRefused("it has too many pixels; take a smaller one.")
            image = ImageOps.exif_transpose(opened).convert("RGB")
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError) as error:
        raise PhotoRefused("that file is not a photo we can read; use JPEG or PNG.") from error
    image.thumbnail((MAX_SIDE, MAX_SIDE))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=85)
    return out.getvalue()


@needs("see_bench")
def photo(request: HttpRequest, pk: int) -> FileResponse:
    """Give out a photo of a failure."""
    row = Photo.objects.select_related("file").filter(pk=pk).first()
    return send(row.file if row else None)
