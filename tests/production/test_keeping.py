"""Backups are whole, and what is not whole on record is found."""

from __future__ import annotations

import sqlite3

import pytest

from production import storage
from production.actions.desk.opening import open_order
from production.keeping import back_up, problems_on_record
from production.models import Appliance, ApplianceKind

pytestmark = pytest.mark.django_db


def test_a_backup_holds_every_file_and_the_second_only_adds(tmp_path, monkeypatch):
    monkeypatch.setattr("production.keeping._copy_database", lambda live, target: None)
    one = storage.store_bytes(b"one", "model/stl")
    assert back_up(tmp_path / "copy") == (1, [])
    two = storage.store_bytes(b"two", "model/stl")
    assert back_up(tmp_path / "copy") == (1, [])
    kept = {p.name: p.read_bytes() for p in (tmp_path / "copy" / "files").rglob("*") if p.is_file()}
    assert kept == {one.sha256: b"one", two.sha256: b"two"}


def test_a_changed_or_missing_file_is_named_and_not_copied(tmp_path, monkeypatch):
    monkeypatch.setattr("production.keeping._copy_database", lambda live, target: None)
    changed, missing = (storage.store_bytes(d, "model/stl") for d in (b"right", b"gone"))
    changed.path.write_bytes(b"wrong")
    missing.path.unlink()
    copied, problems = back_up(tmp_path / "copy")
    assert copied == 0
    assert [str(changed) in problems[0], str(missing) in problems[1]] == [True, True]
    assert len(list(problems_on_record())) == 2


def test_the_database_copy_is_complete_while_somebody_writes(tmp_path):
    from production.keeping import _copy_database

    source = tmp_path / "live.sqlite3"
    with sqlite3.connect(source) as live:
        live.execute("pragma journal_mode=wal")
        live.execute("create table t (x)")
        live.executemany("insert into t values (?)", [(n,) for n in range(1000)])
        live.commit()
        live.execute("insert into t values (1)")  # not committed
        _copy_database(source, tmp_path / "copy.sqlite3")
        live.rollback()
    with sqlite3.connect(tmp_path / "copy.sqlite3") as copy:
        assert copy.execute("select count(*) from t").fetchone() == (1000,)


def test_a_stage_that_disagrees_with_its_events_is_found(office, person, patient):
    kind = ApplianceKind.objects.get(code="retainer")
    code = open_order(person("doctor"), patient, kind, ["upper"], key="k").appliances.get().code
    assert list(problems_on_record()) == []
    Appliance.objects.filter(code=code).update(seq=9)
    assert [code in line for line in problems_on_record()] == [True]
