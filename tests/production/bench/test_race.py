"""Hands that move at the same moment, each in a thread with a connection of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

RACE = Path(__file__).with_name("race.py")


def test_one_hand_wins_and_nothing_is_lost_or_doubled(tmp_path):
    run = subprocess.run(
        [sys.executable, str(RACE)],
        env={**os.environ, "TRACKER_DATA": str(tmp_path / "data"), "DATABASE_URL": ""},
        capture_output=True,
        text=True,
        timeout=180,
    )
    assert run.returncode == 0, run.stderr[-2000:]
    found = json.loads(run.stdout.splitlines()[-1])
    assert found["one_wins"] == {"started": 1, "moved by Technician": 5}
    assert (found["one_effect"], found["events"]) == (1, 1)
    assert found["loads"] == {"started": 1, "refused": 5}
    assert found["running"] == 1
    assert found["side_by_side"] == {"done": 6}
    assert found["disagreements"] == []
