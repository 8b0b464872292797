"""The outbox: one claim, one result, nothing lost."""

from __future__ import annotations

import datetime as dt

import pytest
from django.utils import timezone

from clinic.models import Office
from production import tasks, work
from production.jobs.base import Job
from production.models import Work


class Counting(Job):
    """A job that counts its results in the row's own transaction."""

    def __init__(self) -> None:
        self.results = 0
        self.given_up = 0
        self.fail = 0
        self.zone = ""

    def run(self, row: Work) -> None:
        self.zone = timezone.get_current_timezone_name()
        if self.fail:
            self.fail -= 1
            raise RuntimeError("the disk is full")
        with work.finishing(row):
            self.results += 1

    def gave_up(self, row: Work) -> None:
        self.given_up += 1


@pytest.fixture
def job(monkeypatch, db) -> Counting:
    counting = Counting()
    monkeypatch.setitem(tasks.JOBS, "count", counting)
    monkeypatch.setattr(work, "wake", lambda pk, kind: None)
    return counting


def test_a_row_is_done_once_however_often_it_is_delivered(job):
    row = work.ask("count")
    for _ in range(3):
        tasks.perform(row.pk)
    row.refresh_from_db()
    assert (job.results, row.status, row.attempts) == (1, Work.Status.DONE, 1)


def test_what_is_done_in_the_background_goes_by_the_offices_clock(job):
    Office.objects.update_or_create(defaults={"time_zone": "Pacific/Auckland"})
    tasks.perform(work.ask("count").pk)
    assert job.zone == "Pacific/Auckland"


def test_only_one_of_two_claims_wins(job):
    row = work.ask("count")
    assert work.claim(row.pk) is not None
    assert work.claim(row.pk) is None


def test_a_claim_whose_lease_ran_out_can_be_taken_and_the_late_result_is_refused(job):
    row = work.ask("count")
    first = work.claim(row.pk)
    Work.objects.filter(pk=row.pk).update(lease_until=timezone.now() - dt.timedelta(seconds=1))
    second = work.claim(row.pk)
    assert first is not None
    assert second is not None
    with pytest.raises(work.LeaseLost), work.finishing(first):
        pytest.fail("the block of a lost lease must not be kept")
    with work.finishing(second):
        pass
    row.refresh_from_db()
    assert row.status == Work.Status.DONE


def test_an_error_is_tried_three_times_then_ends_with_a_reason(job):
    job.fail = 9
    row = work.ask("count")
    for _ in range(5):
        tasks.perform(row.pk)
    row.refresh_from_db()
    assert (row.status, row.attempts, job.given_up) == (Work.Status.FAILED, 3, 1)
    assert "disk is full" in row.problem


def test_a_failed_row_can_be_started_again_by_a_person(job, django_capture_on_commit_callbacks):
    job.fail = 3
    row = work.ask("count")
    for _ in range(3):
        tasks.perform(row.pk)
    row.refresh_from_db()
    work.retry(row)
    tasks.perform(row.pk)
    row.refresh_from_db()
    assert (row.status, job.results) == (Work.Status.DONE, 1)


def test_the_sweep_wakes_old_pending_rows_and_expired_leases_but_not_fresh_ones(job, monkeypatch):
    woken: list[int] = []
    monkeypatch.setattr(work, "wake", lambda pk, kind: woken.append(pk))
    fresh, old, expired = (work.ask("count") for _ in range(3))
    long_ago = timezone.now() - dt.timedelta(minutes=5)
    Work.objects.filter(pk=old.pk).update(created_at=long_ago)
    work.claim(expired.pk)
    Work.objects.filter(pk=expired.pk).update(lease_until=long_ago)
    woken.clear()
    assert work.sweep(job.gave_up) == 2
    assert woken == [old.pk, expired.pk]
    assert fresh.pk not in woken


def test_the_sweep_ends_rows_whose_workers_died_three_times(job):
    row = work.ask("count")
    Work.objects.filter(pk=row.pk).update(
        status=Work.Status.RUNNING,
        token="gone",
        attempts=3,
        lease_until=timezone.now() - dt.timedelta(seconds=1),
    )
    work.sweep(job.gave_up)
    row.refresh_from_db()
    assert row.status == Work.Status.FAILED
    assert "three times" in row.problem


def test_requests_for_the_same_thing_share_one_row_until_it_is_started(job):
    first = work.ask("count", coalesce=True)
    assert work.ask("count", coalesce=True).pk == first.pk
    work.claim(first.pk)
    assert work.ask("count", coalesce=True).pk != first.pk


def test_a_queue_that_is_away_does_not_lose_the_request(db, monkeypatch):
    def away(*args, **kwargs):
        raise OSError("no queue")

    monkeypatch.setattr(work.app, "send_task", away)
    row = work.ask("count")
    work.wake(row.pk, "count")
    row.refresh_from_db()
    assert row.status == Work.Status.PENDING
