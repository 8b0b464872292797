"""``manage.py demo``: the site with an invented office in it, its data apart from yours."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand

from clinic.models import Office, Visit
from clinic.supervisor import Child, python
from production import running


class Command(BaseCommand):
    help = "Run the site with an invented office and three weeks of history. Stop with Ctrl-C."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--port", type=int, default=8000)
        parser.add_argument("--data", default="demo-data", help="folder (default: ./demo-data)")
        parser.add_argument("--bind", default="127.0.0.1")
        parser.add_argument("--seed", type=int, default=7)
        parser.add_argument("--fresh", action="store_true", help="begin the demo anew")
        parser.add_argument("--build-only", action="store_true", help="make the data and end")

    def handle(self, *args: Any, **options: Any) -> None:
        from production.demo.build import build, is_stale, wipe

        port, bind = options["port"], options["bind"]
        if not options["build_only"] and not running.port_is_free(port, bind):
            sys.stderr.write(f"port {port} is in use; stop what uses it or give --port N\n")
            raise SystemExit(2)
        done = Path(settings.DATA_DIR) / "demo-built"
        if options["fresh"] or (Path(settings.DATA_DIR).exists() and is_stale(done)):
            wipe()
        running.prepare_folder()
        running.compile_once(lambda words: self.stdout.write(words))
        if not done.exists():
            build(options["seed"], lambda words: self.stdout.write(words))
            done.touch()
        if options["build_only"]:
            return

        def announce() -> None:
            from production.demo.office import PASSWORD, PEOPLE

            lines = [f"Ready: http://localhost:{port}/", "", f"  password for all  {PASSWORD}"]
            lines += [f"  {name:<9}{role.label}" for name, _, _, role in PEOPLE]
            office = Office.get()
            lines += [
                "",
                f"The office's clock shows {office.time_zone}. Scans arrive by themselves.",
            ]
            self.stdout.write("\n".join(lines))

        arrivals = Child("arrivals", python("manage.py", "demo_arrivals"), after=8.0)
        extra = [arrivals] if Visit.objects.exists() else []
        running.run(port, bind, extra, announce)
