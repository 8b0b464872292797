"""The demo's mouths are what its story needs: none is stopped, and most pass."""

from __future__ import annotations

from pathlib import Path

import pytest

from geometry.inspection import inspect_scan
from production.demo.pool import POOL, scan_bytes


@pytest.mark.parametrize("arch", ["upper", "lower"])
def test_no_mouth_of_the_pool_is_stopped(
    arch: str, tmp_path: Path, settings: pytest.FixtureRequest
) -> None:
    settings.DATA_DIR = tmp_path  # type: ignore[attr-defined]
    found = [
        inspect_scan(scan_bytes(arch, seed), "pool.stl", arch=arch).report["verdict"]
        for seed in POOL[arch]
    ]
    assert found[:2] == ["pass", "pass"]
    assert found[2] in ("pass", "check")
