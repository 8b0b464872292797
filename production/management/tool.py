"""Base of the commands that examine files without a database.

Every such command prints human text, or JSON with ``--json``. It exits 0 when
done, 1 when the thing examined is not acceptable, and 2 on bad input, with one
clear line on stderr and no traceback.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand

from geometry.errors import GeometryError
from production.planning.errors import ProblemError

BAD_INPUT = 2
NOT_ACCEPTABLE = 1
DONE = 0


class ToolCommand(BaseCommand):
    """A command whose ``examine`` returns ``(report, exit_code)``."""

    requires_system_checks: list[str] = []
    requires_migrations_checks = False

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Add ``--json``; subclasses call this and add their own."""
        parser.add_argument("--json", action="store_true", help="print JSON instead of text")

    def handle(self, *args: Any, **options: Any) -> None:
        """Run ``examine``, print the report, and exit with the contract's code."""
        try:
            report, code = self.examine(**options)
        except (GeometryError, ProblemError) as error:
            self._stop(str(error))
        except MemoryError:
            self._stop("not enough memory for this input; use a smaller file")
        except OSError as error:
            name = Path(error.filename).name if error.filename else "file"
            self._stop(f"{name}: {error.strerror or error}; check the path and its permissions")
        text = json.dumps(report, allow_nan=False) if options["json"] else self.describe(report)
        try:
            sys.stdout.write(text + "\n")
            sys.stdout.flush()
        except BrokenPipeError:
            pass
        raise SystemExit(code)

    def examine(self, **options: Any) -> tuple[dict[str, Any], int]:
        """Do the work; return a JSON-ready report and the exit code."""
        raise NotImplementedError

    def describe(self, report: dict[str, Any]) -> str:
        """Return the report as text for a person."""
        return json.dumps(report, indent=2)

    def _stop(self, message: str) -> None:
        sys.stderr.write(" ".join(message.split()) + "\n")
        raise SystemExit(BAD_INPUT)
