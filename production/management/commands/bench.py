"""``manage.py bench``: run the benchmarks and studies, or those named."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand

FOLDER = Path(settings.BASE_DIR) / "tests" / "benchmarks"
PREFIX = "bench_"


class Command(BaseCommand):
    help = "Run benchmarks: all, or those named. Arguments after -- go to each of them."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("names", nargs="*", help="such as inspection, planning, model")
        parser.add_argument("--list", action="store_true", help="name them and end")

    def handle(self, *args: Any, **options: Any) -> None:
        known = {p.stem.removeprefix(PREFIX): p for p in sorted(FOLDER.glob(f"{PREFIX}*.py"))}
        if options["list"]:
            self.stdout.write("\n".join(known))
            return
        # The parser counts what follows -- among the names.
        more = sys.argv[sys.argv.index("--") + 1 :] if "--" in sys.argv else []
        names = options["names"][: len(options["names"]) - len(more)]
        unknown = [n for n in names if n not in known]
        if unknown:
            sys.stderr.write(f"no benchmark named {unknown[0]}; there are {', '.join(known)}\n")
            raise SystemExit(2)
        failed = []
        for name in names or known:
            self.stdout.write(f"── {name}")
            self.stdout.flush()
            began = time.perf_counter()
            module = f"tests.benchmarks.{PREFIX}{name}"
            done = subprocess.run([sys.executable, "-m", module, *more], cwd=settings.BASE_DIR)
            self.stdout.write(f"   {time.perf_counter() - began:.0f} s")
            if done.returncode:
                failed.append(name)
        if failed:
            self.stdout.write(f"failed: {', '.join(failed)}")
            raise SystemExit(1)
