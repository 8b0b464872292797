"""A PostgreSQL and a Redis server of the test's own, on this machine, in a temporary folder."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.browser.site import free_port


def _as_postgres() -> list[str]:
    """PostgreSQL refuses to run as root; Debian's package brings an account for it."""
    return ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []


@contextmanager
def postgres(folder: Path) -> Iterator[str]:
    """Run a database server; yield its DATABASE_URL."""
    programs = max(Path("/usr/lib/postgresql").glob("*/bin"))
    data = folder / "postgres"
    data.mkdir(parents=True)
    if os.geteuid() == 0:
        for path in (data, *data.parents):
            if path == Path("/tmp"):
                break
            path.chmod(path.stat().st_mode | 0o011)
        shutil.chown(data, "postgres")
    prefix = _as_postgres()
    subprocess.run(
        [*prefix, str(programs / "initdb"), "-D", str(data), "-U", "tracker", "-A", "trust", "-N"],
        check=True, capture_output=True, cwd="/",
    )  # fmt: skip
    port = free_port()
    server = subprocess.Popen(
        [*prefix, str(programs / "postgres"), "-D", str(data), "-p", str(port), "-k", str(data),
         "-c", "listen_addresses=127.0.0.1", "-c", "fsync=off"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd="/",
    )  # fmt: skip
    try:
        _wait(
            [*prefix, str(programs / "createdb"), "-h", "127.0.0.1", "-p", str(port), "-U",
             "tracker", "tracker"]
        )  # fmt: skip
        yield f"postgres://tracker@127.0.0.1:{port}/tracker"
    finally:
        server.terminate()
        server.wait(20)


@contextmanager
def redis(folder: Path) -> Iterator[str]:
    """Run a Redis server; yield its REDIS_URL."""
    port = free_port()
    folder.mkdir(parents=True, exist_ok=True)
    server = subprocess.Popen(
        ["redis-server", "--port", str(port), "--bind", "127.0.0.1", "--save", "",
         "--dir", str(folder)],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        _wait(["redis-cli", "-p", str(port), "ping"])
        yield f"redis://127.0.0.1:{port}/0"
    finally:
        server.terminate()
        server.wait(10)


def _wait(command: list[str]) -> None:
    """Repeat a command until the server behind it answers."""
    for _ in range(100):
        if subprocess.run(command, capture_output=True, cwd="/").returncode == 0:
            return
        time.sleep(0.2)
    raise RuntimeError(f"no answer to {' '.join(command[-6:])}")
