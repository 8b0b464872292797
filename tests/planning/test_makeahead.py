"""Make-ahead: what is needed by when, the load of four weeks, filling slack."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from production.planning import Rule, parse_problem
from production.planning.errors import ProblemError
from production.planning.kernel.shop import make_shop
from production.planning.makeahead import DAY, MARGIN, Series, fill_slack, needs, weekly_load
from production.planning.policy import kernel_policy
from production.planning.problem import parse_job
from production.planning.sampling import run_futures

SERIES = Series(
    id="s1",
    arches=("upper", "lower"),
    last_step=20,
    worn=4,
    worn_since=-3 * DAY,
    wear=7 * DAY,
    visits=(8 * DAY, 22 * DAY),
    made=frozenset({("upper", 5), ("lower", 5)}),
)
ROUTE = [
    {"kind": "print", "minutes": 60, "spread": 0.1, "attended": False},
    {"kind": "trim", "minutes": 20, "spread": 0.3},
]


def steps_by_visit(series: Series) -> dict[float, list[int]]:
    found: dict[float, list[int]] = {}
    for need in needs([series]):
        if need.arch == "upper":
            found.setdefault(need.by + MARGIN, []).append(need.step)
    return found


def test_a_visit_hands_over_what_is_worn_until_the_next_one() -> None:
    # Step 5 begins on day 4 (made); 6 on day 11, 7 on day 18, 8 on day 25, 9 on day 32.
    found = steps_by_visit(SERIES)
    assert found[8 * DAY] == [6, 7]
    assert found[22 * DAY][:2] == [8, 9]
    assert {n.arch for n in needs([SERIES])} == {"upper", "lower"}


def test_lost_steps_pauses_and_refinements() -> None:
    lost = replace(SERIES, again=frozenset({("upper", 5)}))
    first = needs([lost])[0]
    assert (first.arch, first.step, first.by, first.again) == ("upper", 5, 4 * DAY, True)
    paused = replace(SERIES, pauses=((0.0, 14 * DAY),))
    assert 8 * DAY not in steps_by_visit(paused)  # step 6 is worn only from day 25
    refined = replace(SERIES, replaced_from=8)
    assert [n.step for n in needs([refined]) if n.arch == "lower"] == [6, 7]
    beyond = replace(SERIES, replaced_from=SERIES.last_step + 9)
    assert needs([beyond]) == needs([SERIES]), "there is nothing after the last step"
    with pytest.raises(ProblemError, match="wear"):
        needs([replace(SERIES, wear=0.0)])


def test_what_is_worn_before_any_visit_says_so() -> None:
    late = replace(SERIES, made=frozenset())  # step 5 begins on day 4, the visit is on day 8
    assert [(n.step, n.visit) for n in needs([late]) if n.arch == "upper"][:3] == [
        (5, None),
        (6, 8 * DAY),
        (7, 8 * DAY),
    ]


def test_a_pause_that_begins_as_a_step_is_worn_down_delays_the_next() -> None:
    once = replace(SERIES, visits=(), arches=("upper",), made=frozenset())
    change = SERIES.worn_since + SERIES.wear
    paused = replace(once, pauses=((change, change + 30 * DAY),))
    assert needs([once])[0].step == SERIES.worn + 1
    assert needs([paused], horizon=60 * DAY)[0].by == max(change + 30 * DAY - 2 * DAY, 0.0)


def bench(jobs: int, due: float) -> Any:
    opening = [[d * DAY, d * DAY + 540] for d in range(28) if d % 7 < 5]
    return parse_problem(
        {
            "resources": [
                {"id": "P", "kind": "print", "capacity": 4, "batch": True, "open": opening},
                {"id": "T", "kind": "trim", "open": opening},
            ],
            "jobs": [{"id": f"J{i}", "due": due, "steps": ROUTE} for i in range(jobs)],
        }
    )


def test_four_weeks_of_load_against_open_time() -> None:
    problem = bench(3, 3 * DAY)
    route = parse_job({"id": "r", "steps": ROUTE}, problem.resources)
    weeks = {(w.number, w.kind): w for w in weekly_load(problem, needs([SERIES]), route)}
    assert weeks[0, "trim"].capacity == 5 * 540
    assert weeks[0, "print"].capacity == 5 * 540
    # Three open jobs and both arches of steps 6 and 7 (by day 6) fall into the first week.
    assert weeks[0, "trim"].needed == (3 + 4) * 20
    assert all(w.fits for w in weeks.values())
    many = [replace(SERIES, id=f"s{i}") for i in range(40)]
    crowded = {(w.number, w.kind): w for w in weekly_load(problem, needs(many), route)}
    assert not crowded[0, "trim"].fits
    assert crowded[0, "print"].fits


def test_what_is_down_has_no_room_and_a_skill_is_work_of_those_who_have_it() -> None:
    opening = [[d * DAY, d * DAY + 540] for d in range(28)]
    careful = {"kind": "trim", "minutes": 20, "needs": ["careful"], "hands": 15}
    problem = parse_problem(
        {
            "resources": [
                # Down from the middle of the first day's hours to the end of the second's.
                {"id": "T", "kind": "trim", "open": opening, "down": [[270, DAY + 540]]},
                {"id": "A", "kind": "person", "open": opening, "skills": ["careful"]},
            ],
            "jobs": [{"id": "J", "due": DAY, "steps": [careful, careful]}],
        }
    )
    route = parse_job({"id": "r", "steps": [careful]}, problem.resources)
    weeks = {(w.number, w.kind): w for w in weekly_load(problem, [], route)}
    assert weeks[0, "trim"].capacity == 270 + 5 * 540
    assert weeks[1, "trim"].capacity == 7 * 540
    assert weeks[0, "person"].needed == 30


def test_a_full_batch_shares_its_machine_and_the_hands_that_load_it() -> None:
    load = {"kind": "print", "minutes": 40, "needs": ["person"], "hands": 6}
    problem = parse_problem(
        {
            "resources": [
                {"id": "P1", "kind": "print", "capacity": 4, "batch": True},
                {"id": "P2", "kind": "print", "capacity": 8, "batch": True},
                {"id": "A", "kind": "person"},
            ],
            "jobs": [{"id": f"J{i}", "due": DAY, "steps": [load]} for i in range(12)],
        }
    )
    route = parse_job({"id": "r", "steps": [load]}, problem.resources)
    weeks = {(w.number, w.kind): w for w in weekly_load(problem, [], route)}
    # Twelve pieces fill both plates once: two loads of 40 minutes, two times six by hand.
    assert weeks[0, "print"].needed == 2 * 40
    assert weeks[0, "print"].capacity == 2 * 7 * DAY
    assert weeks[0, "person"].needed == 2 * 6


def test_slack_is_filled_only_while_todays_promises_bear_it() -> None:
    problem = bench(4, 190)
    rule = Rule("fifo")
    ahead = [
        parse_job({"id": f"A{i}", "due": 5 * DAY, "steps": ROUTE}, problem.resources)
        for i in range(12)
    ]
    calm = fill_slack(problem, ahead, samples=2000, rule=Rule("edd"))
    tight = fill_slack(problem, ahead, samples=2000, rule=rule)
    assert len(tight["take"]) <= len(calm["take"])
    assert tight["added_risk"]["worst"] <= 0.01
    # The claim, checked without the function: same futures, with and without.
    joint = replace(problem, jobs=problem.jobs + tuple(ahead[: len(calm["take"])]))
    late = []
    for bench_ in (problem, joint):
        shop = make_shop(bench_)
        finish = run_futures(bench_, shop, kernel_policy(bench_, shop, Rule("edd")), 2000, 0)
        late.append((finish[:, :4] > 190).mean(axis=0))
    assert float(np.max(late[1] - late[0])) <= 0.01
    assert fill_slack(problem, [], samples=100)["take"] == []
