"""Compiled code in the cache, and whether it is that of the present sources.

The compiler looks only at the file of the function it caches, not at the functions called
from it: after a change elsewhere an old body would go on running. The two packages import
nothing of each other, so a change in one leaves what was compiled of the other.
"""

from __future__ import annotations

import contextlib
import hashlib
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
FOLDERS = ("geometry", "production/planning")


def _note(folder: str, what: str) -> Path:
    """Where it is noted beside the cache that it is of the present sources."""
    digest = hashlib.sha256()
    for path in sorted((ROOT / folder).rglob("*.py")):
        digest.update(str(path.relative_to(ROOT)).encode() + path.read_bytes())
    return ROOT / folder / "__pycache__" / f"{what}-{digest.hexdigest()[:16]}"


def is_current() -> bool:
    """Whether everything has been compiled from the present sources."""
    return all(_note(folder, "compiled").exists() for folder in FOLDERS)


def forget_stale() -> None:
    """Drop what other sources left in the cache; every command begins with it."""
    for folder in FOLDERS:
        note = _note(folder, "sources")
        # A program folder that nobody may write to has no cache of its own either.
        with contextlib.suppress(OSError):
            if not note.exists():
                for pattern in ("*.nb[ic]", "sources-*", "compiled-*"):
                    for path in (ROOT / folder).rglob(f"__pycache__/{pattern}"):
                        path.unlink(missing_ok=True)
                note.parent.mkdir(exist_ok=True)
                note.touch()


def remember() -> None:
    """Note that everything has been compiled from the present sources."""
    for folder in FOLDERS:
        with contextlib.suppress(OSError):
            _note(folder, "compiled").touch()
