"""Server time and number of queries of the pages, over five years of history.

Builds a small and a large history (2,000 and 200,000 appliances, 40,000 and 4 million stage
events) on SQLite and on a PostgreSQL of its own, and asks for each page many times in this
process: wall and processor time of the median request, and the queries of the small and the
large history, which must agree.

Run: ``python -m tests.benchmarks.bench_pages [appliances] [years]``;
``python -m tests.benchmarks.bench_pages measure`` asks for the pages of an installation that
is there already (``TRACKER_DATA``, ``DATABASE_URL``).
"""

from __future__ import annotations

import json
import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from tests.browser.site import ROOT, environment
from tests.services.servers import postgres

SMALL = (2_000, 0.2)
LARGE = (200_000, 5.0)
TIMES, SELDOM = 30, 5


def main() -> None:
    """Build, measure and print."""
    large = (int(sys.argv[1]), float(sys.argv[2])) if len(sys.argv) > 2 else LARGE
    with tempfile.TemporaryDirectory(prefix="pages-") as name:
        folder = Path(name)
        compare("SQLite", folder / "sqlite", [{}, {}], large)
        with postgres(folder / "one") as small_url, postgres(folder / "two") as large_url:
            urls = [{"DATABASE_URL": small_url}, {"DATABASE_URL": large_url}]
            compare("PostgreSQL", folder / "postgres", urls, large)


def compare(
    title: str, folder: Path, where: list[dict[str, str]], large: tuple[int, float]
) -> None:
    """Build both histories and print the pages of the large one, with both query counts."""
    found = []
    for number, (appliances, years) in enumerate([SMALL, large]):
        env = environment(folder.with_name(f"{folder.name}-{number}"), **where[number])
        began = time.perf_counter()
        build = ["build_history", "--appliances", str(appliances), "--years", str(years)]
        subprocess.run(
            [sys.executable, "manage.py", *build],
            cwd=ROOT, env=env, check=True, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        print(f"{title}: {appliances} appliances built in {time.perf_counter() - began:.0f} s")
        out = subprocess.run(
            [sys.executable, "-m", "tests.benchmarks.bench_pages", "measure", "--json"],
            cwd=ROOT, env=env, check=True, stdout=subprocess.PIPE, text=True,
        ).stdout  # fmt: skip
        found.append(json.loads(out))
    show(found[1], found[0])


def show(rows: list[dict[str, Any]], small: list[dict[str, Any]] | None = None) -> None:
    """Print a table of pages."""
    for number, row in enumerate(rows):
        queries = f"{row['queries']:3d} queries"
        if small:
            queries = f"{small[number]['queries']:3d} and {queries} (small, large)"
        print(
            f"{row['page']:34s} {row['wall_ms']:8.1f} ms wall, {row['cpu_ms']:8.1f} ms processor, "
            f"{queries}, {row['times']} requests, {row['kilobytes']} kB"
        )


def measure() -> list[dict[str, Any]]:
    """Ask for every page many times; return what each took."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.settings")
    import django

    django.setup()
    from django.conf import settings
    from django.db import connection
    from django.test import Client
    from django.test.utils import CaptureQueriesContext

    from clinic.collector import settle
    from clinic.models import User

    settle()
    settings.ALLOWED_HOSTS = ["testserver"]
    clients: dict[str, Client] = {}
    rows = []
    for page, role, times, address in pages():
        if role not in clients:
            clients[role] = Client()
            user = User.objects.filter(role=role).order_by("pk")[0]
            clients[role].force_login(user, "django.contrib.auth.backends.ModelBackend")
        client = clients[role]

        def ask(client: Client = client, address: Callable[[], str] = address) -> int:
            answer = client.get(address())
            body = b"".join(answer.streaming_content) if answer.streaming else answer.content
            assert answer.status_code == 200, (answer.status_code, address())
            return len(body)

        size = ask()  # templates loaded, connection open
        with CaptureQueriesContext(connection) as asked:
            ask()
        queries = len(asked)
        walls, cpus = [], []
        for _ in range(times):
            wall, cpu = time.perf_counter(), time.process_time()
            ask()
            walls.append(time.perf_counter() - wall)
            cpus.append(time.process_time() - cpu)
        rows.append(
            {
                "page": page,
                "wall_ms": 1000 * statistics.median(walls),
                "cpu_ms": 1000 * statistics.median(cpus),
                "queries": queries,
                "times": times,
                "kilobytes": size // 1024,
            }
        )
    return rows


def pages() -> Iterator[tuple[str, str, int, Callable[[], str]]]:
    """Yield (page, role, how often, address) of what is measured."""
    import datetime as dt

    from django.db.models import Count
    from django.urls import reverse

    from clinic.models import Office, Patient
    from production.models import Appliance, LotUse

    rng = random.Random(5)
    today = Office.get().today()
    oldest = Appliance.objects.order_by("created_at").values_list("created_at", flat=True)[0]
    months = max(1, (today - oldest.date()).days // 30 - 1)
    last = Appliance.objects.order_by("-pk").values_list("pk", flat=True)[0]

    def appliance() -> str:
        while True:
            code = Appliance.objects.filter(pk=rng.randint(1, last)).values_list("code", flat=True)
            if code:
                return reverse("appliance", args=[code[0]])

    def month() -> str:
        end = today - dt.timedelta(days=30 * rng.randrange(months))
        return f"?from={end - dt.timedelta(days=29)}&to={end}"

    def years() -> str:
        return f"?from={today - dt.timedelta(days=1825)}&to={today}"

    used = LotUse.objects.order_by().values("lot").annotate(n=Count("id")).order_by("-n")
    most = used[0]["lot"]
    patient = Patient.objects.filter(orders__isnull=False)[0]
    yield "Today", "front_desk", TIMES, lambda: reverse("today")
    yield "Bench", "technician", TIMES, lambda: reverse("bench")
    yield "an appliance", "technician", TIMES, appliance
    yield "a patient", "front_desk", TIMES, lambda: reverse("patient", args=[patient.uuid])
    yield "Review, a month", "doctor", TIMES, lambda: reverse("review") + month()
    yield "Review, five years", "doctor", SELDOM, lambda: reverse("review") + years()
    for name in ("causes", "failures", "lead-time", "between", "apart", "reliability"):
        address = reverse("review-chart", args=[name])
        yield f"chart {name}, a month", "doctor", SELDOM, lambda a=address: a + month()
    lists = reverse("review-behind", args=["missed"])
    yield "list behind a figure, a month", "doctor", SELDOM, lambda: lists + month()
    yield "Stock", "technician", TIMES, lambda: reverse("stock")
    yield "Machines", "technician", TIMES, lambda: reverse("machines")
    size = LotUse.objects.filter(lot=most).count()
    yield f"lot of {size}, page", "doctor", SELDOM, lambda: reverse("lot", args=[most])
    yield f"lot of {size}, CSV", "doctor", SELDOM, lambda: reverse("lot-csv", args=[most])


if __name__ == "__main__":
    if sys.argv[1:2] == ["measure"]:
        measured = measure()
        if "--json" in sys.argv:
            print(json.dumps(measured))
        else:
            show(measured)
    else:
        main()
