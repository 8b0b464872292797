"""Kill the site's processes at random moments during uploads and moves; count what is lost.

``python3 manage.py bench kills``: 20 kills with SIGKILL. Each time a random process (web,
inspector, worker, planner, dispatcher) is killed while scans are uploaded and appliances moved by
repeated requests with idempotency keys. Afterwards every acknowledged scan must have a
verdict within a minute, and no event may be lost or doubled.
"""

from __future__ import annotations

import os
import random
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

from fixtures.arches import make_arch, random_spec
from geometry.reading import write_stl
from tests.browser.client import Session
from tests.browser.site import ROOT, Site, environment, furnish, start, wait_ready

KILLS = 20
PACE_SECONDS = 1.5


def main(kills: int = KILLS, seed: int = 5) -> int:
    """Run the study; return 1 when anything was lost."""
    rng = random.Random(seed)
    folder = Path(tempfile.mkdtemp())
    furnish(folder / "data", "60")
    site = start(folder / "data")
    try:
        return study(site, rng, kills)
    finally:
        site.stop()


def study(site: Site, rng: random.Random, kills: int) -> int:
    """Upload and move while processes are killed, then count."""
    files = [_scan(seed) for seed in range(3)]
    acknowledged: list[str] = []
    moves: list[tuple[str, str]] = []
    stop = threading.Event()
    hands = [
        threading.Thread(target=_uploader, args=(site, files, acknowledged, stop, rng.random())),
        threading.Thread(target=_mover, args=(site, moves, stop)),
    ]
    for hand in hands:
        hand.start()
    killed: dict[str, int] = {}
    for _ in range(kills):
        _until_work_goes_on(lambda: len(acknowledged) + len(moves))
        time.sleep(rng.uniform(0.2, 4.0))
        children = site.children()
        if not children:
            continue
        name = rng.choice(sorted(children))
        try:
            os.kill(children[name], signal.SIGKILL)
            killed[name] = killed.get(name, 0) + 1
        except ProcessLookupError:
            pass
    stop.set()
    for hand in hands:
        hand.join(120)
    wait_ready(site)
    began = time.monotonic()
    person = Session(site.address, "doctor")
    without = [
        s for s in acknowledged if not person.verdict(s, max(1.0, 60 - (time.monotonic() - began)))
    ]
    waited = time.monotonic() - began
    counted = _count(site, moves)
    print(
        f"killed {sum(killed.values())} ({killed}); {len(acknowledged)} scans acknowledged, "
        f"{len(without)} without a verdict after {waited:.0f} s; {len(moves)} moves acknowledged, "
        f"{counted}"
    )
    return int(bool(without) or "0 lost, 0 doubled, 0 disagreeing" not in counted)


def _until_work_goes_on(done: Callable[[], int], within: float = 60.0) -> None:
    """Wait for the next answer: a slow machine would only see its processes start."""
    before, until = done(), time.monotonic() + within
    while done() == before and time.monotonic() < until:
        time.sleep(0.05)


def _scan(seed: int) -> bytes:
    spec = random_spec(seed, arch="lower", clean=True, gaps="none").but(triangles=30_000)
    return write_stl(make_arch(spec, seed).mesh)


def _uploader(
    site: Site, files: list[bytes], acknowledged: list[str], stop: threading.Event, salt: float
) -> None:
    person = _session(site, "doctor")
    patients = person.patients()
    number = 0
    while not stop.is_set():
        data = files[number % len(files)]
        # A comment in the header makes every file a content of its own.
        head = f"{salt}-{number}".encode()[:80].ljust(80, b" ")
        patient = patients[number % len(patients)]
        acknowledged.append(person.upload(patient, "lower", head + data[80:]))
        number += 1
        time.sleep(PACE_SECONDS)


def _mover(site: Site, moves: list[tuple[str, str]], stop: threading.Event) -> None:
    """Put appliances on hold and let them go on, each request repeated until it is answered."""
    person = _session(site, "lab")
    codes = _appliances(site)
    number = 0
    while not stop.is_set():
        code = codes[number % len(codes)]
        action = "hold" if (number // len(codes)) % 2 == 0 else "release"
        key = f"kill-{number}"
        while not stop.is_set():
            try:
                page = person.get(f"/appliance/{code}/")
                seen = re.search(r'name="seen" value="(\d+)"', page)
                person.post(
                    f"/appliance/{code}/do/",
                    {
                        "action": action,
                        "key": key,
                        "seen": seen[1] if seen else "",
                        "note": "study",
                    },
                )
                moves.append((code, key))
                break
            except OSError:
                time.sleep(0.3)
        number += 1


def _session(site: Site, name: str) -> Session:
    while True:
        try:
            return Session(site.address, name)
        except OSError:
            time.sleep(0.3)


def _appliances(site: Site) -> list[str]:
    """Open a few orders directly and return the appliances' codes."""
    words = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.kill_orders", "open"],
        cwd=ROOT, env=environment(site.data), capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    return words.split()


def _count(site: Site, moves: list[tuple[str, str]]) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.kill_orders", "count", *(k for _, k in moves)],
        cwd=ROOT, env=environment(site.data), capture_output=True, text=True, check=True,
    )  # fmt: skip
    return done.stdout.strip()


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else KILLS))
