"""Put bytes into the data folder, once per content.

The file is complete and flushed to disk under its final name before any row
speaks of it; a crash in between leaves at most a file that nothing names, which
the same upload finds and uses again.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterable
from pathlib import Path

from django.conf import settings

from production.models import StoredFile


def store(chunks: Iterable[bytes], media_type: str) -> StoredFile:
    """Write ``chunks`` under their SHA-256 and return the row.

    Raises
    ------
    OSError
        The disk is full or not writable; nothing is left behind.
    """
    root = Path(settings.FILES_DIR)
    root.mkdir(parents=True, exist_ok=True)
    digest = hashlib.sha256()
    size = 0
    handle = tempfile.NamedTemporaryFile(dir=root, prefix="incoming-", delete=False)  # noqa: SIM115
    try:
        with handle:
            for chunk in chunks:
                digest.update(chunk)
                size += len(chunk)
                handle.write(chunk)
            handle.flush()
            os.fsync(handle.fileno())
        name = digest.hexdigest()
        folder = root / name[:2] / name[2:4]
        folder.mkdir(parents=True, exist_ok=True)
        os.replace(handle.name, folder / name)
        _sync_folder(folder)
    except BaseException:
        Path(handle.name).unlink(missing_ok=True)
        raise
    row, _ = StoredFile.objects.get_or_create(
        sha256=name, defaults={"size": size, "media_type": media_type}
    )
    return row


def store_bytes(data: bytes, media_type: str) -> StoredFile:
    """Store one piece of bytes."""
    return store([data], media_type)


def _sync_folder(folder: Path) -> None:
    """Make the new name durable, not only the content."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
