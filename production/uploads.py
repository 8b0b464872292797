"""Uploads in parts, so that a dropped connection costs a part and not the file.

The browser names an upload by a random key, asks how much has arrived, and sends
the rest from there. Parts are appended under a lock; a part that arrives twice
changes nothing. Only a whole file becomes a scan.
"""

from __future__ import annotations

import fcntl
import re
import time
from collections.abc import Iterator
from pathlib import Path

from django.conf import settings

PART_BYTES = 1 << 20
KEY = re.compile(r"^[0-9a-zA-Z-]{16,64}$")
FORGOTTEN_AFTER = 24 * 3600.0


class UploadError(ValueError):
    """The upload cannot go on; the message says what to do."""


class WrongOffset(UploadError):
    """The part does not continue what has arrived; ``arrived`` tells where to go on."""

    def __init__(self, arrived: int) -> None:
        super().__init__(f"{arrived} bytes have arrived; continue from there")
        self.arrived = arrived


def _path(owner: int, key: str) -> Path:
    if not KEY.match(key):
        raise UploadError("the upload has no valid key; reload the page and drop the file again")
    folder = Path(settings.DATA_DIR) / "incoming"
    folder.mkdir(parents=True, exist_ok=True)
    return folder / f"{owner}-{key}.part"


def arrived(owner: int, key: str) -> int:
    """Return how many bytes of the upload are here."""
    try:
        return _path(owner, key).stat().st_size
    except FileNotFoundError:
        return 0


def append(owner: int, key: str, offset: int, data: bytes) -> int:
    """Add ``data`` at ``offset``; return how many bytes are here.

    Raises
    ------
    WrongOffset
        The part starts beyond what has arrived.
    UploadError
        The file would be larger than the site takes.
    """
    if offset < 0 or offset + len(data) > settings.SCAN_MAX_BYTES:
        raise UploadError(
            f"the file is larger than {settings.SCAN_MAX_BYTES // 2**20} MB; "
            "export the scan with fewer triangles"
        )
    with open(_path(owner, key), "ab") as handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        here = handle.seek(0, 2)
        if offset > here:
            raise WrongOffset(here)
        fresh = data[here - offset :]
        handle.write(fresh)
        handle.flush()
        return here + len(fresh)


def read(owner: int, key: str) -> Iterator[bytes]:
    """Yield the content in pieces."""
    with open(_path(owner, key), "rb") as handle:
        while chunk := handle.read(PART_BYTES):
            yield chunk


def drop(owner: int, key: str) -> None:
    """Forget the parts."""
    _path(owner, key).unlink(missing_ok=True)


def forget_old() -> int:
    """Remove parts that nobody continued for a day; return how many."""
    folder = Path(settings.DATA_DIR) / "incoming"
    old = [
        path
        for path in folder.glob("*.part")
        if time.time() - path.stat().st_mtime > FORGOTTEN_AFTER
    ]
    for path in old:
        path.unlink(missing_ok=True)
    return len(old)
