"""Run the site's processes together: start them, restart what dies, stop them all.

Knows nothing of what the children do. A child that keeps dying is restarted ever
more slowly, up to every half minute, and the reason stays on the terminal.
"""

from __future__ import annotations

import contextlib
import ctypes
import fcntl
import logging
import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

log = logging.getLogger(__name__)

PR_SET_PDEATHSIG = 1
SLOWEST_RESTART = 30.0
STEADY_AFTER = 20.0
GRACE = 8.0


class AlreadyRunning(RuntimeError):
    """Another supervisor holds this data folder."""


@dataclass
class Child:
    """One process to keep running."""

    name: str
    command: Sequence[str]
    environment: dict[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None
    started: float = 0.0
    next_start: float = 0.0
    pause: float = 0.5
    after: float = 0.0  # seconds to leave to the others at the first start

    def __post_init__(self) -> None:
        self.next_start = time.monotonic() + self.after

    def start(self) -> None:
        """Start the process; it is told to stop if this one dies."""
        self.process = subprocess.Popen(
            list(self.command),
            env=os.environ | self.environment,
            preexec_fn=_die_with_parent,
            start_new_session=True,
        )
        self.started = time.monotonic()

    def look(self) -> None:
        """Restart the process if it has ended and its pause is over."""
        now = time.monotonic()
        if self.process is None:
            if now >= self.next_start:
                self.start()
            return
        code = self.process.poll()
        if code is None:
            if now - self.started > STEADY_AFTER:
                self.pause = 0.5
            return
        log.warning("%s ended (%s); starting it again in %.1f s", self.name, code, self.pause)
        self._sweep_group()
        self.process = None
        self.next_start = now + self.pause
        self.pause = min(self.pause * 2, SLOWEST_RESTART)

    def stop(self) -> None:
        """Ask the process to end."""
        if self.process and self.process.poll() is None:
            self.process.terminate()

    def kill(self) -> None:
        """End the process and what it started."""
        if self.process:
            self._sweep_group()
            self.process.wait()

    def _sweep_group(self) -> None:
        """End children that a killed process left behind, such as a pool worker."""
        if self.process:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self.process.pid, signal.SIGKILL)


def _die_with_parent() -> None:
    ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGTERM)


class Supervisor:
    """Keeps ``children`` running until a stop signal comes."""

    def __init__(self, children: list[Child], data: Path) -> None:
        self.children = children
        self.data = data
        self.stopping = False

    def hold(self) -> None:
        """Take the data folder for this process.

        Raises
        ------
        AlreadyRunning
            Another process has it.
        """
        self._lock = open(self.data / "running.lock", "w")  # noqa: SIM115
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise AlreadyRunning(
                f"another server already runs on the data folder {self.data.name}/; "
                "stop it first, or give another folder with --data"
            ) from error
        self._lock.write(str(os.getpid()))
        self._lock.flush()

    def run(self) -> None:
        """Start everything and stay until SIGTERM or SIGINT."""
        signal.signal(signal.SIGTERM, self._on_signal)
        signal.signal(signal.SIGINT, self._on_signal)
        try:
            while not self.stopping:
                for child in self.children:
                    child.look()
                time.sleep(0.25)
        finally:
            self.stop()

    def stop(self) -> None:
        """Stop every child, the last one started first; then end what is left."""
        for child in reversed(self.children):
            child.stop()
        until = time.monotonic() + GRACE
        while time.monotonic() < until and any(
            c.process and c.process.poll() is None for c in self.children
        ):
            time.sleep(0.1)
        for child in self.children:
            child.kill()

    def _on_signal(self, number: int, frame: FrameType | None) -> None:
        self.stopping = True


def python(*arguments: str) -> list[str]:
    """Return the command line for a module of this environment's Python."""
    return [sys.executable, *arguments]
