"""The outbox: ask for work, claim it, finish it, and find what was left behind.

The row in ``Work`` is the truth; a broker message only wakes a worker early. A
claim is one conditional update that sets a token, a lease and the attempt count.
Results are written in one transaction with the conditional update that ends the
claim, so a worker that lost its lease changes nothing.
"""

from __future__ import annotations

import datetime as dt
import logging
import threading
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from django.conf import settings
from django.db import close_old_connections, connection, transaction
from django.db.models import F, Q
from django.utils import timezone

from clinic.celery import app
from production.models import Work

log = logging.getLogger(__name__)

MAX_ATTEMPTS = 3

# A patient in the chair waits for the inspection, and a promise for the plan: neither
# queues behind a model that takes seconds to make. Every other kind goes to "work".
QUEUES = {"inspect": "scan", "plan": "plan", "fit": "plan"}


class LeaseLost(Exception):
    """Another worker took over; the result must not be written."""


def ask(kind: str, subject_id: int = 0, *, coalesce: bool = False) -> Work:
    """Add a row for ``kind`` in the caller's transaction and wake a worker after commit.

    With ``coalesce`` a row of the same kind and subject that nobody has started yet
    serves this request too.
    """
    if coalesce:
        waiting = Work.objects.filter(
            kind=kind, subject_id=subject_id, status=Work.Status.PENDING
        ).first()
        if waiting:
            return waiting
    row = Work.objects.create(kind=kind, subject_id=subject_id)
    transaction.on_commit(lambda: wake(row.pk, kind))
    return row


def wake(pk: int, kind: str) -> None:
    """Send the id to the broker; a broker that is away costs time, not work."""
    try:
        # By its name: the task knows every kind of work, and whoever asks knows none.
        app.send_task("production.perform", (pk,), queue=QUEUES.get(kind, "work"), retry=False)
    except Exception:
        log.warning("queue not reachable; work %s waits for the dispatcher", pk, exc_info=True)


def claim(pk: int) -> Work | None:
    """Take a pending row, or one whose lease ran out; None when somebody else has it."""
    now = timezone.now()
    token = uuid.uuid4().hex
    taken = Work.objects.filter(
        Q(status=Work.Status.PENDING) | Q(status=Work.Status.RUNNING, lease_until__lt=now),
        pk=pk,
        attempts__lt=MAX_ATTEMPTS,
    ).update(
        status=Work.Status.RUNNING,
        token=token,
        lease_until=now + dt.timedelta(seconds=settings.WORK_LEASE_SECONDS),
        attempts=F("attempts") + 1,
        started_at=now,
    )
    return Work.objects.get(pk=pk) if taken else None


@contextmanager
def keeping(row: Work) -> Iterator[None]:
    """Renew the lease of ``row`` in the background while the caller computes."""
    done = threading.Event()

    def renew() -> None:
        try:
            while not done.wait(settings.WORK_RENEW_SECONDS):
                until = timezone.now() + dt.timedelta(seconds=settings.WORK_LEASE_SECONDS)
                Work.objects.filter(pk=row.pk, token=row.token, status=Work.Status.RUNNING).update(
                    lease_until=until
                )
        except Exception:
            # Not renewed: another worker may take over, which the token makes harmless.
            log.warning("lease of work %s could not be renewed", row.pk, exc_info=True)
        finally:
            connection.close()

    thread = threading.Thread(target=renew, name="lease", daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


@contextmanager
def finishing(row: Work, problem: str = "") -> Iterator[None]:
    """One transaction that ends the claim and holds the caller's result.

    Raises
    ------
    LeaseLost
        The claim is no longer ours; nothing of the block is kept.
    """
    status = Work.Status.FAILED if problem else Work.Status.DONE
    with transaction.atomic():
        ours = Work.objects.filter(pk=row.pk, token=row.token, status=Work.Status.RUNNING).update(
            status=status, finished_at=timezone.now(), problem=problem
        )
        if not ours:
            raise LeaseLost(f"work {row.pk}")
        yield


def give_back(row: Work, problem: str) -> None:
    """Return a row after an unexpected error; the last attempt ends as failed, with reason."""
    final = row.attempts >= MAX_ATTEMPTS
    Work.objects.filter(pk=row.pk, token=row.token, status=Work.Status.RUNNING).update(
        status=Work.Status.FAILED if final else Work.Status.PENDING,
        problem=problem,
        finished_at=timezone.now() if final else None,
    )


def retry(row: Work) -> None:
    """Start a failed row again, as a person asked."""
    changed = Work.objects.filter(pk=row.pk, status=Work.Status.FAILED).update(
        status=Work.Status.PENDING, attempts=0, problem="", created_at=timezone.now()
    )
    if changed:
        transaction.on_commit(lambda: wake(row.pk, row.kind))


def sweep(on_given_up: Callable[[Work], None]) -> int:
    """Wake workers for old pending rows and expired leases; end rows out of attempts.

    Returns the number of rows woken. Run every few seconds by the dispatcher.
    """
    now = timezone.now()
    stale = now - dt.timedelta(seconds=settings.WORK_STALE_SECONDS)
    exhausted = Work.objects.filter(
        status=Work.Status.RUNNING, lease_until__lt=now, attempts__gte=MAX_ATTEMPTS
    )
    for row in exhausted:
        ended = Work.objects.filter(pk=row.pk, token=row.token, status=Work.Status.RUNNING).update(
            status=Work.Status.FAILED,
            finished_at=now,
            problem="The worker stopped three times while doing this.",
        )
        if ended:
            on_given_up(row)
    left = Work.objects.filter(
        Q(status=Work.Status.PENDING, created_at__lt=stale)
        | Q(status=Work.Status.RUNNING, lease_until__lt=now),
        attempts__lt=MAX_ATTEMPTS,
    ).order_by("pk")[:200]
    count = 0
    for row in left:
        wake(row.pk, row.kind)
        count += 1
    close_old_connections()
    return count


def release_orphans() -> int:
    """Make every running row pending again: called once at start, when no worker runs yet.

    Sound only where this supervisor starts the only workers (the embedded default).
    """
    return Work.objects.filter(status=Work.Status.RUNNING).update(
        status=Work.Status.PENDING, lease_until=None, created_at=F("created_at")
    )
