"""The processes of the site, and what is done before they start. Used by ``serve`` and ``demo``."""

from __future__ import annotations

import os
import secrets
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path

from django.conf import settings
from django.core.management import call_command

from clinic import compiled
from clinic.models import Role, User
from clinic.supervisor import AlreadyRunning, Child, Supervisor, python
from production import work
from production.seed import seed


def prepare_folder() -> None:
    """Make the data folder's parts, bring the database up to date, put in the catalogue."""
    data = Path(settings.DATA_DIR)
    for folder in (
        data,
        Path(settings.FILES_DIR),
        Path(settings.QUEUE_DIR),
        data / "incoming",
        data / "static",
    ):
        folder.mkdir(parents=True, exist_ok=True)
    (data / "queue-control").mkdir(exist_ok=True)
    os.chmod(data, 0o700)
    call_command("migrate", interactive=False, verbosity=0)
    seed()


def compile_once(say: Callable[[str], None]) -> None:
    """Compile the geometry and the planner unless this version of them has been compiled.

    Later starts load what was compiled; the workers then are ready in seconds.
    """
    if compiled.is_current():
        return
    say("Compiling the geometry and the planner (once, a minute or two) …")
    subprocess.run(python("manage.py", "warm"), cwd=settings.BASE_DIR)


def first_account() -> tuple[str, str] | None:
    """Make the first account in an installation that has none; return name and password once."""
    if User.objects.exists():
        return None
    password = "-".join(secrets.token_hex(3) for _ in range(4))
    User.objects.create_user(
        "manager", password=password, role=Role.MANAGER, first_name="Office", last_name="Manager"
    )
    return "manager", password


def children(port: int, bind: str) -> list[Child]:
    """Return the site's processes: web, a worker for each queue, dispatcher.

    Pages and the inspection come first: they are what the health check waits for.
    """
    environment = {"TRACKER_PORT": str(port), "TRACKER_BIND": bind, "NUMBA_NUM_THREADS": "2"}
    scratch = tempfile.gettempdir()

    def celery(queue: str) -> list[str]:
        return python(
            "-W", "ignore:You're running the worker with superuser",  # ``serve`` says it once
            "-m", "celery", "-q", "-A", "clinic.celery", "worker", "-Q", queue, "-c", "1",
            "-n", f"{queue}@%h", "--without-gossip", "--without-mingle", "--without-heartbeat",
            "-l", "WARNING",
        )  # fmt: skip

    return [
        Child(
            "web",
            python(
                "-m", "gunicorn", "-c", "python:clinic.gunicorn_conf",
                "--worker-tmp-dir", "/dev/shm" if Path("/dev/shm").is_dir() else scratch,
                "clinic.wsgi:application",
            ),
            environment,
        ),
        Child("inspector", celery("scan"), environment | {"TRACKER_QUEUE": "scan"}),
        Child("worker", celery("work"), environment | {"TRACKER_QUEUE": "work"}, after=7.0),
        Child("planner", celery("plan"), environment | {"TRACKER_QUEUE": "plan"}, after=8.0),
        Child("dispatcher", python("manage.py", "dispatch"), environment, after=4.0),
    ]  # fmt: skip


def run(port: int, bind: str, extra: list[Child], announce: Callable[[], None]) -> None:
    """Hold the data folder, start the processes, and stay until stopped.

    ``announce`` is called once the health check answers 200.
    """
    data = Path(settings.DATA_DIR)
    supervisor = Supervisor(children(port, bind) + extra, data)
    try:
        supervisor.hold()
    except AlreadyRunning as error:
        sys.stderr.write(f"{error}\n")
        raise SystemExit(2) from error
    # Nobody else works on this folder: what was under way when it stopped starts again now.
    if not settings.REDIS_URL:
        work.release_orphans()
    (data / "worker-alive").unlink(missing_ok=True)
    os.chdir(settings.BASE_DIR)
    threading.Thread(
        target=_announce_when_ready,
        args=(f"http://127.0.0.1:{port}/healthz", announce),
        daemon=True,
    ).start()
    supervisor.run()


def port_is_free(port: int, bind: str) -> bool:
    """Whether a server may listen there."""
    import socket

    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((bind, port))
        except OSError:
            return False
    return True


def _announce_when_ready(url: str, announce: Callable[[], None]) -> None:
    while True:
        try:
            with urllib.request.urlopen(url, timeout=2) as answer:
                if answer.status == 200:
                    announce()
                    return
        except OSError:
            pass
        time.sleep(0.25)
