"""How long each part of the work took."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager


class Stopwatch:
    """Adds up durations by name, in milliseconds."""

    def __init__(self) -> None:
        self._begin = time.perf_counter()
        self.parts: dict[str, float] = {}

    @contextmanager
    def part(self, name: str) -> Iterator[None]:
        """Time the block under ``name``."""
        begin = time.perf_counter()
        try:
            yield
        finally:
            spent = (time.perf_counter() - begin) * 1000.0
            self.parts[name] = round(self.parts.get(name, 0.0) + spent, 2)

    def total(self) -> dict[str, float]:
        """Return all parts and the time since the start."""
        whole = (time.perf_counter() - self._begin) * 1000.0
        return {**self.parts, "total": round(whole, 2)}
