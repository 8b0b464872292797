"""The whole site as a process of its own: pages, worker, planner, dispatcher, own data folder."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
READY_WITHIN = 300.0  # the first start after a change compiles
PASSWORD = "wrenmoor-demo-day"


def free_port() -> int:
    """Return a port nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class Site:
    """A running site."""

    address: str
    data: Path
    process: subprocess.Popen[bytes]
    log: Path

    def stop(self) -> None:
        """Stop it as Ctrl-C would."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            try:
                self.process.wait(20)
            except subprocess.TimeoutExpired:
                self.process.kill()

    def children(self) -> dict[str, int]:
        """Return the pids of the supervisor's children, by what they are."""
        listed = subprocess.run(
            ["ps", "-o", "pid=,args=", "--ppid", str(self.process.pid)],
            capture_output=True,
            text=True,
        ).stdout
        found = {}
        for line in listed.splitlines():
            pid, _, words = line.strip().partition(" ")
            for name, mark in (
                ("web", "gunicorn"),
                ("inspector", "-Q scan"),
                ("worker", "-Q work"),
                ("planner", "-Q plan"),
                ("dispatcher", "dispatch"),
            ):
                if mark in words:
                    found[name] = int(pid)
        return found


def environment(data: Path, **more: str) -> dict[str, str]:
    """Return the environment of a process that works on ``data``."""
    return os.environ | {
        "TRACKER_DATA": str(data),
        "DJANGO_SETTINGS_MODULE": "clinic.settings",
        **more,
    }


def furnish(data: Path, *words: str, **more: str) -> None:
    """Fill the data folder with the invented office's people, machines, materials, patients."""
    subprocess.run(
        [sys.executable, "-m", "tests.browser.furnish", *words],
        cwd=ROOT,
        env=environment(data, **more),
        check=True,
    )


def start(data: Path, **more: str) -> Site:
    """Start the site on ``data`` and wait until its health check says that it is ready."""
    port = free_port()
    log = data.parent / f"{data.name}.log"
    process = subprocess.Popen(
        [sys.executable, "manage.py", "serve", "--port", str(port), "--data", str(data)],
        cwd=ROOT,
        env=environment(data, **more),
        stdout=log.open("ab"),
        stderr=subprocess.STDOUT,
    )
    site = Site(f"http://127.0.0.1:{port}", data, process, log)
    wait_ready(site)
    return site


def wait_ready(site: Site, within: float = READY_WITHIN) -> None:
    """Wait for the health check; show the log when it does not come."""
    until = time.monotonic() + within
    while time.monotonic() < until:
        if site.process.poll() is not None:
            break
        try:
            with urllib.request.urlopen(f"{site.address}/healthz", timeout=3) as answer:
                if answer.status == 200:
                    return
        except OSError:
            pass
        time.sleep(0.3)
    site.stop()
    raise RuntimeError(f"the site did not become ready:\n{site.log.read_text()[-3000:]}")
