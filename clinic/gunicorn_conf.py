"""gunicorn settings: a few threads serve ten screens; each process warms up before it is asked."""

from __future__ import annotations

import os
import threading
import time
from typing import Any

WARM_AFTER_SECONDS = 5.0
bind = f"{os.environ.get('TRACKER_BIND', '127.0.0.1')}:{os.environ.get('TRACKER_PORT', '8000')}"
workers = int(os.environ.get("TRACKER_WEB_PROCESSES", "2"))
threads = 4
worker_class = "gthread"
# The code is loaded once and shared; nothing in it opens a connection or a thread on import.
preload_app = True
timeout = 120
graceful_timeout = 6
keepalive = 15
accesslog = None
errorlog = "-"
loglevel = "warning"
proc_name = "tracker-web"
control_socket_disable = True


def post_worker_init(worker: Any) -> None:
    """Settle memory; compile the planner meanwhile, so that the day's first quote is fast."""
    from clinic.collector import settle

    settle()

    def warm() -> None:
        # First let the workers come up: they are what the site waits for.
        time.sleep(WARM_AFTER_SECONDS)
        from django.utils.module_loading import import_string

        import_string("production.scheduling.warm")()

    threading.Thread(target=warm, name="warm", daemon=True).start()
