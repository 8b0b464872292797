"""Compile everything before a person waits for it."""

from __future__ import annotations

from geometry import reading, sampling, topology, undercut


def warm() -> None:
    """Run every compiled part once on a small shape."""
    reading.warm()
    topology.warm()
    undercut.warm()
    sampling.warm()
