"""``manage.py check_records --data DIR``: is everything on record whole and consistent?"""

from __future__ import annotations

from typing import Any

from production.keeping import problems_on_record
from production.management.tool import DONE, NOT_ACCEPTABLE, ToolCommand


class Command(ToolCommand):
    help = "Check stored files against their digests, and stages against their events."

    def add_arguments(self, parser: Any) -> None:
        super().add_arguments(parser)
        parser.add_argument("--data", help="the data folder of the site (default: ./data)")

    def examine(self, **options: Any) -> tuple[dict[str, Any], int]:
        """Look at every file and every appliance."""
        problems = list(problems_on_record())
        return {"problems": problems}, NOT_ACCEPTABLE if problems else DONE

    def describe(self, report: dict[str, Any]) -> str:
        """One line for each problem."""
        return "\n".join(report["problems"]) or "Everything on record is whole."
