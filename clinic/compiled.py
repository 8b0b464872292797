"""Compiled code in the cache, and whether it is that of the present sources.

The compiler looks only at the file of the function it caches, not at the functions called
from it: after a change elsewhere an old body would go on running. The two packages import
nothing of each other, so a change in one leaves what was compiled of the other.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
FOLDERS = ("geometry", "production/planning")


def _marker(folder: str) -> Path:
    digest = hashlib.sha256()
    for path in sorted((ROOT / folder).rglob("*.py")):
        digest.update(str(path.relative_to(ROOT)).encode() + path.read_bytes())
    name = folder.replace("/", "-")
    return ROOT / ".venv" / f"compiled-{name}-{digest.hexdigest()[:16]}"


def is_current() -> bool:
    """Whether everything has been compiled from the present sources."""
    return all(_marker(folder).exists() for folder in FOLDERS)


def forget_stale() -> None:
    """Drop what older sources left in the cache."""
    for folder in FOLDERS:
        if not _marker(folder).exists():
            for path in (ROOT / folder).rglob("__pycache__/*.nb[ic]"):
                path.unlink(missing_ok=True)


def remember() -> None:
    """Note that everything has been compiled from the present sources."""
    current = {_marker(folder) for folder in FOLDERS}
    for old in (ROOT / ".venv").glob("compiled-*"):
        if old not in current:
            old.unlink(missing_ok=True)
    for marker in current:
        if marker.parent.is_dir():
            marker.touch()
