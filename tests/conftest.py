"""Fixtures that more than one package's tests use."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Callable
from pathlib import Path

import pytest
from django.test import Client

from clinic.models import Office, Patient, Role, User


@pytest.fixture(autouse=True)
def data_folder(tmp_path: Path, settings):
    """Every test has a data folder of its own."""
    settings.DATA_DIR = tmp_path
    settings.FILES_DIR = tmp_path / "files"
    settings.QUEUE_DIR = tmp_path / "queue"
    return tmp_path


@pytest.fixture(autouse=True)
def codes(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Codes are drawn anew in every test but the same in each of its runs.

    The luck of simulated futures hangs on them: a probability near a limit must not lie
    on this side of it in one run and on the other in the next.
    """
    monkeypatch.setattr("production.bench.codes.secrets", random.Random(request.node.nodeid))


@pytest.fixture
def office(db) -> Office:
    """An office with the starting catalogue."""
    from production.seed import seed

    seed()
    return Office.get()


@pytest.fixture
def person(db) -> Callable[[str], User]:
    """``person("doctor")``: a user with that role, the same one each time."""

    def make(role: str) -> User:
        user, made = User.objects.get_or_create(
            username=f"test-{role}", defaults={"role": Role(role), "first_name": role.title()}
        )
        if made:
            user.set_unusable_password()
            user.save()
        return user

    return make


@pytest.fixture
def signed_in(person) -> Callable[[str], Client]:
    """``signed_in("doctor")``: a test client with that person's session."""

    def make(role: str) -> Client:
        client = Client()
        client.force_login(person(role), backend="django.contrib.auth.backends.ModelBackend")
        return client

    return make


@pytest.fixture
def patient(db) -> Patient:
    """One patient."""
    return Patient.objects.create(
        chart_number="T-1001",
        given_name="Ida",
        family_name="Brandt",
        date_of_birth=dt.date(2009, 4, 17),
    )
