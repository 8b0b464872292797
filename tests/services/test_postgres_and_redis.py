"""The same site on PostgreSQL and Redis: a scan goes from upload to verdict, moves stay whole."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import pytest

from fixtures.arches import make_arch, random_spec
from geometry.reading import write_stl
from tests.browser.client import Session
from tests.browser.site import furnish, start
from tests.services.servers import postgres, redis


@pytest.fixture
def folder():
    # Short and readable by the database's own account, which pytest's folders are not.
    path = Path(tempfile.mkdtemp(prefix="tracker-"))
    yield path
    shutil.rmtree(path, ignore_errors=True)


def test_a_scan_gets_its_verdict_on_postgresql_and_redis(folder):
    with postgres(folder) as database, redis(folder / "redis") as queue:
        where = {"DATABASE_URL": database, "REDIS_URL": queue}
        furnish(folder / "data", "3", **where)
        assert not (folder / "data" / "tracker.sqlite3").exists()
        site = start(folder / "data", **where)
        try:
            doctor = Session(site.address, "doctor")
            patient = doctor.patients()[0]
            spec = random_spec(3, arch="lower", clean=True, gaps="none").but(triangles=30_000)
            data = write_stl(make_arch(spec, 3).mesh)
            scan = doctor.upload(patient, "lower", data)
            assert doctor.upload(patient, "lower", data) == scan
            assert doctor.verdict(scan, 90.0)
        finally:
            site.stop()
