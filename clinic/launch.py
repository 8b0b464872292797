"""What ``manage.py`` does once inside the environment: pick a data folder, run the command."""

from __future__ import annotations

import os
import sys
from pathlib import Path

# Commands on the data of a site; without --data they take TRACKER_DATA or ./data.
ON_DATA = {"backup", "check_records"}
ROOT = Path(__file__).resolve().parent.parent


def run(argv: list[str]) -> int:
    """Run ``argv`` as a Django command; return the exit code."""
    command = argv[1] if len(argv) > 1 else "help"
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.settings")
    if command in {"demo", "serve"} or (command in ON_DATA and _option(argv, "--data")):
        data = _option(argv, "--data") or ("demo-data" if command == "demo" else "data")
        os.environ["TRACKER_DATA"] = str(Path(data).expanduser().resolve())
    if command == "test":
        from clinic.testing import main as run_tests

        return run_tests(argv[2:])
    from django.core.management import execute_from_command_line

    from clinic import compiled

    compiled.forget_stale()
    execute_from_command_line(argv)
    return 0


def _option(argv: list[str], name: str) -> str | None:
    for position, word in enumerate(argv):
        if word == name and position + 1 < len(argv):
            return argv[position + 1]
        if word.startswith(name + "="):
            return word.split("=", 1)[1]
    return None


if __name__ == "__main__":
    sys.exit(run(sys.argv))
