"""``manage.py test``: the checks and the test suite in one command."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BIN = Path(sys.executable).parent

CHECKS = [
    ["ruff", "check", "."],
    ["mypy"],
    ["lint-imports"],
]


def main(arguments: list[str]) -> int:
    """Run ruff, mypy and import-linter, then pytest with ``arguments``; 0 when all pass.

    With arguments (a path, ``-k …``) only pytest runs, for a quick look at one test.
    """
    os.chdir(ROOT)
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    failed = []
    if not arguments:
        for check in CHECKS:
            print("·", " ".join(check), flush=True)
            if subprocess.run([str(BIN / check[0]), *check[1:]]).returncode:
                failed.append(check[0])
    print("· pytest", flush=True)
    code = subprocess.run([sys.executable, "-m", "pytest", *arguments]).returncode
    if code:
        failed.append("pytest")
    if failed:
        print("failed:", ", ".join(failed), flush=True)
        return 1
    return 0
