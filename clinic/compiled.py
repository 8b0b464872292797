"""Compiled code in the cache, and whether it is that of the present sources.

The compiler looks only at the file of the function it caches, not at the functions called
from it: after a change elsewhere an old body would go on running.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
FOLDERS = ("geometry", "production/planning")


def _marker() -> Path:
    digest = hashlib.sha256()
    for folder in FOLDERS:
        for path in sorted((ROOT / folder).rglob("*.py")):
            digest.update(str(path.relative_to(ROOT)).encode() + path.read_bytes())
    return ROOT / ".venv" / f"compiled-{digest.hexdigest()[:16]}"


def is_current() -> bool:
    """Whether everything has been compiled from the present sources."""
    return _marker().exists()


def forget() -> None:
    """Drop what older sources left in the cache."""
    for folder in FOLDERS:
        for path in (ROOT / folder).rglob("__pycache__/*.nb[ic]"):
            path.unlink(missing_ok=True)


def remember() -> None:
    """Note that everything has been compiled from the present sources."""
    marker = _marker()
    if marker.parent.is_dir():
        for old in marker.parent.glob("compiled-*"):
            old.unlink(missing_ok=True)
        marker.touch()
