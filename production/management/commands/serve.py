"""``manage.py serve``: the site for a real office, web and workers together."""

from __future__ import annotations

import os
import sys
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand

from production import running


class Command(BaseCommand):
    help = "Run the site: pages, worker, planner and dispatcher. Stop it with Ctrl-C."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: Any) -> None:
        parser.add_argument("--port", type=int, default=8000)
        parser.add_argument("--data", default="data", help="data folder (default: ./data)")
        parser.add_argument(
            "--bind", default="127.0.0.1", help="0.0.0.0 lets the office's tablets in"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        port, bind = options["port"], options["bind"]
        if not running.port_is_free(port, bind):
            sys.stderr.write(f"port {port} is in use; stop what uses it or give --port N\n")
            raise SystemExit(2)
        running.prepare_folder()
        running.compile_once(lambda words: self.stdout.write(words))
        account = running.first_account()
        if account:
            self.stdout.write(
                "First account (shown once; change the password under Settings):\n"
                f"  name      {account[0]}\n  password  {account[1]}"
            )
        if os.geteuid() == 0:
            self.stdout.write("Running as root; a user of its own is safer for a real office.")
        self.stdout.write(f"Starting … data in {settings.DATA_DIR}")

        def announce() -> None:
            self.stdout.write(
                f"Ready: http://{'localhost' if bind == '127.0.0.1' else bind}:{port}/"
            )

        running.run(port, bind, [], announce)
