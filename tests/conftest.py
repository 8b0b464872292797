"""Fixtures that more than one package's tests use."""

from __future__ import annotations

import datetime as dt
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
