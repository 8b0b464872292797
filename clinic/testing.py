"""``manage.py test``: the checks and the test suite in one command."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BIN = Path(sys.executable).parent

PYTEST = [sys.executable, "-m", "pytest"]
CHECKS = [
    ["ruff", "check", "."],
    ["mypy"],
    ["lint-imports"],
]

# Two halves side by side use both cores; neither needs anything of the other's.
BESIDE = ["tests/geometry", "tests/fixtures", "tests/outside"]


def main(arguments: list[str]) -> int:
    """Run ruff, mypy and import-linter, then pytest with ``arguments``; 0 when all pass.

    With arguments (a path, ``-k …``) only pytest runs, for a quick look at one test.
    """
    os.chdir(ROOT)
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    failed = []
    if arguments:
        code = subprocess.run([*PYTEST, *arguments]).returncode
    else:
        # Compiled once, for both halves, while the checks run.
        with subprocess.Popen([sys.executable, "manage.py", "warm"]):
            failed += [check[0] for check in CHECKS if not _passes(check)]
        code = _in_halves()
    if code:
        failed.append("pytest")
    if failed:
        print("failed:", ", ".join(failed), flush=True)
        return 1
    return 0


def _passes(check: list[str]) -> bool:
    print("·", " ".join(check), flush=True)
    return subprocess.run([str(BIN / check[0]), *check[1:]]).returncode == 0


def _in_halves() -> int:
    """Run everything; the output of the second half is shown when the first has ended."""
    with tempfile.TemporaryFile() as output:
        beside = subprocess.Popen([*PYTEST, *BESIDE], stdout=output, stderr=subprocess.STDOUT)
        print("· pytest, all but", " ".join(BESIDE), flush=True)
        first = subprocess.run([*PYTEST, *(f"--ignore={path}" for path in BESIDE)]).returncode
        second = beside.wait()
        print("· pytest", " ".join(BESIDE), flush=True)
        output.seek(0)
        print(output.read().decode(errors="replace"), end="", flush=True)
    return first or second
