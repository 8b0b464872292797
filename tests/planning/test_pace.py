"""A plan at today's pace says what the foresight says of a day without other luck."""

from __future__ import annotations

import pytest

from production import planning
from production.planning.pace import at_todays_pace

EVENING = 8 * 60.0  # minutes from now to midnight


def bench(**day):
    """Two printers' worth of work today and one job that only comes tomorrow."""

    def job(name, release):
        return {
            "id": name,
            "release": release,
            "due": release + 300,
            "steps": [
                {"kind": "technician", "minutes": 10},
                {
                    "kind": "printer", "minutes": 40, "attended": False, "hands": 3,
                    "needs": ["technician"], "family": "print",
                    "alternatives": {"slow": 60, "fast": 35},
                },
                {"kind": "technician", "minutes": 15},
            ],
        }  # fmt: skip

    jobs = [job("a", 0), job("b", 5), job("c", 30), job("tomorrow", EVENING + 500)]
    jobs[0]["steps"][0] |= {"started": -4, "resource": "hand"}
    return {
        "objective": "promises",
        "clock": 1440 - EVENING,
        "policy": {"rule": "edd", "wait": 0},
        "resources": [
            {"id": "hand", "kind": "technician"},
            {"id": "slow", "kind": "printer", "capacity": 1, "batch": True},
            {"id": "fast", "kind": "printer", "capacity": 1, "batch": True},
        ],
        "jobs": jobs,
        **day,
    }


def ends(problem):
    """Return the end of each job in the plan."""
    found = {}
    for step in planning.plan(planning.parse_problem(problem))["steps"]:
        found[step["job"]] = max(found.get(step["job"], 0.0), step["end"])
    return found


@pytest.mark.parametrize("shift", [-0.25, 0.19, 0.6])
def test_the_plan_ends_where_the_foresight_expects(shift):
    slow = bench(day_shift=shift, day_spread_today=0.0, day_spread=0.0)
    foreseen = planning.foresee(planning.parse_problem(slow), samples=5, seed=1)
    expected = {job["id"]: job["finish"]["p50"] for job in foreseen["jobs"]}
    assert ends(at_todays_pace(slow)) == pytest.approx(expected)
    assert ends(slow) != pytest.approx(expected)


def test_work_of_another_day_keeps_its_minutes():
    slow = bench(day_shift=0.3)
    usual, paced = ends(bench()), ends(at_todays_pace(slow))
    assert paced["tomorrow"] == pytest.approx(usual["tomorrow"])
    assert paced["c"] > usual["c"] + 10


def test_without_knowledge_of_today_nothing_changes():
    assert at_todays_pace(bench()) == bench()
    kept = bench(day_shift=0.2)
    at_todays_pace(kept)
    assert kept == bench(day_shift=0.2)
