"""``manage.py backup FOLDER --data DIR``: copy database and files while the site runs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.db import connection

from production.keeping import DATABASE, back_up
from production.management.tool import DONE, NOT_ACCEPTABLE, ToolCommand


class Command(ToolCommand):
    help = "Copy the database and the stored files into a folder. Files already there stay."

    def add_arguments(self, parser: Any) -> None:
        super().add_arguments(parser)
        parser.add_argument("folder", type=Path)
        parser.add_argument("--data", help="the data folder of the site (default: ./data)")

    def examine(self, **options: Any) -> tuple[dict[str, Any], int]:
        """Copy; what could not be copied whole is a problem."""
        copied, problems = back_up(options["folder"])
        database = DATABASE if connection.vendor == "sqlite" else None
        report = {"copied": copied, "database": database, "problems": problems}
        return report, NOT_ACCEPTABLE if problems else DONE

    def describe(self, report: dict[str, Any]) -> str:
        """Say what is in the folder and what is still to be done by other means."""
        lines = [f"{report['copied']} new files copied."]
        if report["database"]:
            lines.append(f"The database is in {report['database']}.")
            lines.append("To restore, start with --data FOLDER on a copy of this folder.")
        else:
            lines.append("Back up the PostgreSQL database with pg_dump beside it.")
        return "\n".join(lines + report["problems"])
