"""Plan, foresight and quote: what they promise to callers."""

from __future__ import annotations

import json
import random
from typing import Any

import numpy as np
import pytest

from production.planning import foresee, parse_problem, plan, quote
from production.planning.errors import ProblemError
from production.planning.promises.causes import causes
from production.planning.promises.rescue import rescue
from production.planning.promises.risk import pushed_past
from production.planning.solve import solve
from production.planning.solve.check.checker import violations
from tests.planning.days import random_bench, without_the_impossible

DAYS = [[d * 1440.0, d * 1440.0 + 540.0] for d in range(3)]
ROUTE = [
    {"kind": "print", "minutes": 50, "spread": 0.1, "attended": False},
    {"kind": "trim", "minutes": 12, "spread": 0.3},
]


def bench(jobs: int = 6, due: float | None = 400, **changes: Any) -> dict[str, Any]:
    return {
        "resources": [
            {"id": "P", "kind": "print", "capacity": 3, "batch": True, "open": DAYS},
            {"id": "T", "kind": "trim", "open": DAYS},
        ],
        "jobs": [{"id": f"J{i}", "due": due, "steps": ROUTE} for i in range(jobs)],
        **changes,
    }


def same(report: dict[str, Any]) -> str:
    return json.dumps({k: v for k, v in report.items() if k != "seconds"})


def test_every_immediate_plan_passes_the_independent_checker() -> None:
    for seed in range(60):
        data = random_bench(1000 + seed)
        data = without_the_impossible(data, plan(parse_problem(data))["infeasible"])
        assert violations(data, plan(parse_problem(data))) == [], f"bench {1000 + seed}"


def test_a_kind_that_is_needed_twice_asks_for_one_person() -> None:
    data = bench(1, due=100)
    data["resources"].append({"id": "W", "kind": "who"})
    data["jobs"][0]["steps"] = [{**ROUTE[1], "needs": ["who", "who"]}]
    assert plan(parse_problem(data))["infeasible"] == []
    assert foresee(parse_problem(data), 200)["jobs"][0]["p_late"] == 0


def test_the_same_state_and_seed_give_the_same_bytes() -> None:
    problem = parse_problem(bench(12))
    job = {"id": "new", "steps": ROUTE}
    assert same(plan(problem)) == same(plan(problem))
    assert same(foresee(problem, 3000, 7)) == same(foresee(problem, 3000, 7))
    assert same(foresee(problem, 3000, 7)) != same(foresee(problem, 3000, 8))
    assert same(quote(problem, job)) == same(quote(problem, job))


def test_foresight_reports_groups_by_their_last_member() -> None:
    data = bench(2, due=125)
    for job in data["jobs"]:
        job["group"] = "pair"
    report = foresee(parse_problem(data), 4000)
    jobs, group = report["jobs"], report["groups"][0]
    assert group["id"] == "pair"
    assert group["p_late"] >= max(job["p_late"] for job in jobs)
    assert group["finish"]["p50"] >= max(job["finish"]["p50"] for job in jobs)
    assert jobs[0]["finish"]["p10"] < jobs[0]["finish"]["p50"] < jobs[0]["finish"]["p90"]


def test_certain_durations_give_certain_answers() -> None:
    data = bench(1, due=62)
    data["jobs"][0]["steps"] = [{**step, "spread": 0} for step in ROUTE]
    report = foresee(parse_problem(data), 50)["jobs"][0]
    assert report["p_late"] == 0
    assert report["finish"] == {"p10": 62, "p50": 62, "p90": 62}
    data["jobs"][0]["due"] = 61.9
    assert foresee(parse_problem(data), 50)["jobs"][0]["p_late"] == 1


def test_few_futures_already_see_good_and_bad_days_in_their_proportion() -> None:
    # Closed form: all of a day is slower than its median every second time. A hundred
    # independent days would be off by 0.05 (one standard error), for all promises alike.
    route = [{"kind": "trim", "minutes": 100, "spread": 0}]
    for begins, due in ((0, 100), (1440, 1540)):  # today and tomorrow
        job = {"id": "J", "release": begins, "due": due, "steps": route}
        data = bench(0, day_spread=0.3) | {"jobs": [job]}
        for seed in range(8):
            report = foresee(parse_problem(data), 100, seed)["jobs"][0]
            assert report["p_late"] == pytest.approx(0.5, abs=0.02), f"seed {seed}"


def test_where_no_rule_is_named_a_quote_and_the_foresight_after_it_speak_of_the_same_one() -> None:
    for seed, objective in ((13, "weighted_tardiness"), (26, "promises"), (27, "promises")):
        rnd = random.Random(seed)
        data = bench(10, objective=objective)
        for job in data["jobs"]:
            job |= {"due": rnd.choice([100, 200, 300]), "weight": rnd.choice([1, 2])}
            job["release"] = rnd.choice([0, 0, 40])
            job["steps"] = [
                {**s, "minutes": s["minutes"] * rnd.choice([0.5, 1, 1.5]), "spread": 0.2}
                for s in ROUTE
            ]
        before = foresee(parse_problem(data), 1000)
        new = {"id": "new", "steps": ROUTE}
        answer = quote(parse_problem(data), new)
        data["jobs"].append({**new, "due": answer["earliest"]})
        later = foresee(parse_problem(data), 1000)
        assert before["policy"] == answer["policy"] == later["policy"]
        assert later["jobs"][-1]["p_late"] <= 0.05 + 3 * 0.0126, f"seed {seed}"


def test_a_push_counts_where_it_stands_out_from_chance() -> None:
    before = np.zeros((400, 3), dtype=bool)
    before[:36, :2] = True  # 9 %, near the limit of 10 %
    after = before.copy()
    after[36:43, 0] = True  # seven more of 400
    after[:36, 1], after[36:77, 1] = False, True  # 5 more, but all of them other days
    after[:30, 2] = True  # from never to 7.5 %, within the limit
    assert pushed_past(before, after, 0.1).tolist() == [True, False, False]


def test_where_nothing_is_sure_enough_a_less_sure_time_is_offered() -> None:
    data = bench(0, day_spread=0.3)
    ready = sum(step["minutes"] for step in ROUTE)
    data["resources"] = [r | {"open": [[0, ready * 1.1]]} for r in data["resources"]]
    answer = quote(parse_problem(data), {"id": "new", "steps": ROUTE})
    assert answer["earliest"] is None
    assert all(0.4 < other["p_kept"] < 0.95 for other in answer["alternatives"])
    assert answer["alternatives"]


def test_a_second_promise_that_would_break_the_first_of_its_group_is_refused_in_plain_words() -> (
    None
):
    data = bench(2, due=100)
    for job in data["jobs"]:
        job["group"] = "patient"
    answer = quote(parse_problem(data), {"id": "new", "group": "patient", "steps": 2 * ROUTE})
    assert answer["earliest"] is None
    assert "handed over together with work that is promised already" in answer["reason"]


def test_work_done_in_time_is_not_late_whatever_is_left_out_beside_it() -> None:
    done = [{**step, "done": True, "ended": -50} for step in ROUTE]
    data = bench(1)
    data["jobs"] = [
        {"id": "alone", "due": -30, "steps": done},
        {"id": "first", "due": -30, "group": "G", "steps": done},
        {"id": "never", "group": "G", "steps": [{"kind": "laser", "minutes": 1}]},
    ]
    for found in (plan(parse_problem(data)), solve(parse_problem(data), work=50)):
        assert [left["job"] for left in found["infeasible"]] == ["never"]
        assert found["objective"]["late_jobs"] == 0
        assert violations(data, found) == []


def test_quote_is_kept_as_often_as_it_says_on_other_futures() -> None:
    data = bench(8)
    answer = quote(parse_problem(data), {"id": "new", "steps": ROUTE}, 0.9, samples=2000)
    data["jobs"].append({"id": "new", "due": answer["earliest"], "steps": ROUTE})
    report = foresee(parse_problem(data), 4000, seed=99)
    late = next(job["p_late"] for job in report["jobs"] if job["id"] == "new")
    assert answer["p_kept"] >= 0.9
    assert 1 - late == pytest.approx(answer["p_kept"], abs=0.025)


def test_a_quote_pushes_no_promise_past_the_limit() -> None:
    data = bench(6, due=235)
    problem = parse_problem({**data, "risk_limit": 0.1})
    before = {j["id"]: j["p_late"] for j in foresee(problem, 1000, 0)["jobs"]}
    answer = quote(problem, {"id": "new", "steps": ROUTE})
    for item in answer["delayed"]:
        assert item["p_late_before"] == pytest.approx(before[item["id"]], abs=1e-9)
        if item["p_late_before"] <= 0.1:
            assert item["p_late_after"] <= 0.1
    higher = quote(problem, {"id": "new", "steps": ROUTE}, 0.99)
    assert higher["earliest"] >= answer["earliest"]


@pytest.mark.parametrize("confidence", [0.8, 0.95])
def test_no_earlier_time_that_is_told_beside_a_quote_is_as_good(confidence: float) -> None:
    for seed in (3, 6, 12):
        rng = random.Random(seed)

        def route(rng: random.Random = rng) -> list[dict[str, Any]]:
            return [
                {"kind": "hand", "minutes": rng.randint(5, 15), "spread": 0.2},
                {"kind": "print", "minutes": rng.randint(40, 90), "spread": 0.2}
                | {"attended": False, "family": rng.choice("ab")},
                {"kind": "hand", "minutes": rng.randint(10, 25), "spread": 0.2},
            ]

        data = {
            "resources": [
                {"id": "H", "kind": "hand"},
                {"id": "P", "kind": "print", "batch": True, "capacity": 3},
            ],
            "jobs": [
                {"id": f"J{i}", "due": rng.randint(120, 600), "steps": route()} for i in range(7)
            ],
        }
        new = {"id": "new", "steps": route()}
        answer = quote(parse_problem(data), new, confidence, samples=1500)
        for other in answer["alternatives"]:
            if other["due"] < answer["earliest"] and "held" not in other:
                assert other["p_kept"] < confidence or other["past_limit"], f"bench {seed}"


def test_several_arches_are_promised_together() -> None:
    problem = parse_problem(bench(2))
    one = quote(problem, {"id": "upper", "steps": ROUTE})
    two = quote(problem, [{"id": n, "steps": ROUTE, "group": "x"} for n in ("upper", "lower")])
    assert two["earliest"] > one["earliest"]


def test_promises_are_set_at_pickup_hours_and_on_the_grid() -> None:
    problem = parse_problem(bench(2, pickup=[[300, 500], [1500, 1900]], grid=15, clock=487))
    answer = quote(problem, {"id": "new", "steps": ROUTE})
    assert 300 <= answer["earliest"] <= 500
    assert (answer["earliest"] + 487) % 15 == pytest.approx(0)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"resources": [{"id": "T", "kind": "trim"}]}, "no resource of kind 'print'"),
        (
            {
                "resources": [
                    {"id": "P", "kind": "print", "open": []},
                    {"id": "T", "kind": "trim"},
                ]
            },
            "no open time left",
        ),
        (
            {
                "resources": [
                    {"id": "P", "kind": "print", "open": [[0, 20]]},
                    {"id": "T", "kind": "trim", "open": [[0, 40]]},
                ]
            },
            "no open time left",
        ),
        ({"pickup": [[-60, -1]]}, "no time for setting a promise"),
    ],
)
def test_what_cannot_be_promised_is_said_with_the_reason(
    changes: dict[str, Any], words: str
) -> None:
    data = bench(0, **changes)
    answer = quote(parse_problem(data), {"id": "new", "steps": ROUTE})
    assert answer["earliest"] is None
    assert words in answer["reason"]


def test_a_closed_office_and_impossible_jobs_never_hang() -> None:
    data = bench(3)
    for resource in data["resources"]:
        resource["open"] = []
    problem = parse_problem(data)
    assert len(plan(problem)["infeasible"]) == 3
    report = foresee(problem, 100)
    assert report["jobs"][0]["p_late"] == 1
    assert report["jobs"][0]["finish"]["p50"] is None


@pytest.mark.parametrize(
    ("resources", "job"),
    [
        # Unattended work may begin before the close, not at it.
        (
            [{"id": "r", "kind": "a", "open": [[0, 10]]}],
            {"release": 10, "steps": [{"kind": "a", "minutes": 5, "attended": False}]},
        ),
        # The machine has time, whoever has to load it has not.
        (
            [{"id": "r", "kind": "a"}, {"id": "p", "kind": "hand", "open": [[0, 9]]}],
            {"release": 5, "steps": [{"kind": "a", "minutes": 5, "needs": ["hand"]}]},
        ),
        (
            [{"id": "r", "kind": "a", "open": [[0, 12]], "down": [[3, 11]]}],
            {"release": 1, "steps": [{"kind": "a", "minutes": 3}]},
        ),
    ],
)
@pytest.mark.parametrize("work", [0, 50])
def test_work_that_misses_the_last_open_time_is_left_out_and_the_search_ends(
    resources: list[dict[str, Any]], job: dict[str, Any], work: int
) -> None:
    early = {"id": "early", "steps": [{"kind": "a", "minutes": 2}]}
    found = solve(
        parse_problem({"resources": resources, "jobs": [early, {"id": "late", **job}]}), work=work
    )
    assert [item["job"] for item in found["infeasible"]] == ["late"]
    assert {step["job"] for step in found["steps"]} == {"early"}


def test_a_refusal_names_the_promise_and_not_the_pickup_hours() -> None:
    # Ready in time only before the promised work, which then misses the close.
    resources = [{"id": "r", "kind": "a", "open": [[0, 30]]}]
    promised = {"id": "promised", "due": 25, "steps": [{"kind": "a", "minutes": 20}]}
    new = {"id": "new", "steps": [{"kind": "a", "minutes": 12}]}
    answer = quote(parse_problem({"resources": resources, "jobs": [promised]}), new, samples=50)
    assert answer["earliest"] is None
    assert "promised" in answer["reason"]
    assert answer["alternatives"][0]["past_limit"] == ["promised"]


def test_a_name_that_is_no_text_for_other_programs_is_taken_as_it_is() -> None:
    job = {"id": "\ud83d", "due": 70, "steps": ROUTE}
    assert foresee(parse_problem(bench(1) | {"jobs": [job]}), 50)["jobs"][0]["id"] == "\ud83d"


def test_an_unattended_step_runs_over_midnight_an_attended_one_waits() -> None:
    late = {"id": "late", "release": 535, "steps": ROUTE}
    steps = plan(parse_problem({**bench(0), "jobs": [late]}))["steps"]
    assert (steps[0]["start"], steps[0]["end"]) == (535, 585)
    assert steps[1]["start"] == 1440


def test_bad_requests_are_told() -> None:
    problem = parse_problem(bench(1))
    for job, confidence in (
        ({"id": "J0", "steps": ROUTE}, 0.95),
        ({"id": "x", "steps": ROUTE}, 1.0),
        ({"id": "x"}, 0.95),
        ([], 0.95),
    ):
        with pytest.raises(ProblemError):
            quote(problem, job, confidence)
    with pytest.raises(ProblemError):
        foresee(problem, 0)


def test_rescue_finds_that_make_ahead_work_stands_in_the_way() -> None:
    data = bench(3, due=130)
    ahead = [{"id": f"A{i}", "due": 100, "steps": ROUTE} for i in range(3)]
    for job in ahead:
        job["due"] = None
    data["jobs"] = [*data["jobs"], *ahead]
    data["policy"] = {"rule": "order", "order": ["A0", "A1", "A2"]}
    found = rescue(parse_problem(data), "J2")
    assert found["p_late"] > 0.5
    assert found["causes"][0]["waits_for"] in ("machine", "fuller batch")
    best = {item["what"]: item["p_late_after"] for item in found["rescues"]}
    assert best["postpone make-ahead"] < found["p_late"] - 0.3


def test_what_waits_nowhere_is_told_by_its_own_work() -> None:
    """ROUTE done by one job alone on the bench, due before it can be made."""
    problem = parse_problem(bench(1, due=5))
    [cause] = causes(problem, "J0")
    finish = 50 + 12
    assert cause.waits_for == "work"
    assert cause.minutes == pytest.approx(finish, rel=0.01)
    assert f"{finish:.0f} min" in cause.text


def test_rescue_tries_two_things_where_one_is_not_enough() -> None:
    # Too long for the hour that is open, and behind work that could wait.
    hour = [[0, 60], [1440, 2000]]
    data = {
        "resources": [
            {"id": "m", "kind": "a", "open": hour},
            {"id": "sam", "kind": "hand", "open": hour},
        ],
        "jobs": [
            {"id": name, "due": due, "steps": [{"kind": "a", "minutes": long, "needs": ["hand"]}]}
            for name, due, long in (("ahead", None, 40), ("mine", 100, 70))
        ],
        "policy": {"rule": "order", "order": ["ahead"]},
    }
    found = rescue(parse_problem(data), "mine")
    assert found["p_late"] == 1
    assert all("," in item["what"] and item["p_late_after"] == 0 for item in found["rescues"])
    best = found["rescues"][0]["text"]
    assert "sam stays 60 min longer today" in best
    assert " and " in best


def test_a_refusal_says_what_promising_all_the_same_would_do() -> None:
    # The new work is there first and would be begun; the promised work comes five minutes later.
    promised = {"id": "promised", "release": 5, "due": 30, "steps": [{"kind": "b", "minutes": 20}]}
    bench = parse_problem(
        {"resources": [{"id": "p", "kind": "b"}], "jobs": [promised], "risk_limit": 0.1}
    )
    new = {"id": "new", "steps": [{"kind": "b", "minutes": 30}]}
    refused = quote(bench, new, samples=50)
    assert refused["earliest"] is None
    assert "hold_until" not in refused
    assert "promised" in refused["reason"]
    assert [d["id"] for d in refused["delayed"]] == ["promised"]
    held, *others = refused["alternatives"]
    assert others
    for other in others:
        assert other["past_limit"] == ["promised"]
        assert other["p_kept"] >= 0.95
        assert "hold_until" not in other
    # Left alone it blocks nobody: told beside the refusal, the answer where somebody sees to it.
    assert held["past_limit"] == []
    assert 5 <= held["hold_until"] < held["due"]
    kept_back = quote(bench, new, samples=50, may_hold=True)
    assert kept_back["earliest"] == held["due"]
    assert kept_back["hold_until"] == held["hold_until"]
    assert kept_back["held"] == held["held"] == [{"id": "new", "index": 0}]


def test_whoever_promises_what_was_quoted_finds_it_kept_and_nobody_pushed() -> None:
    """The new work starts early and may block what comes later; nobody holds it back."""
    quoted = 0
    for seed in range(12):
        rnd = random.Random(f"crowded {seed}")
        data = bench(5, risk_limit=0.1, day_spread=0.1)
        for job in data["jobs"]:
            job["release"] = rnd.choice([0, 10, 25])
            job["due"] = job["release"] + rnd.uniform(90, 220)
        new = {"id": "new", "steps": ROUTE}
        answer = quote(parse_problem(data), new)
        assert "hold_until" not in answer
        if answer["earliest"] is None:
            continue
        quoted += 1
        before = foresee(parse_problem(data), 2000, seed=9)["jobs"]
        data["jobs"].append({**new, "due": answer["earliest"]})
        *after, mine = foresee(parse_problem(data), 2000, seed=9)["jobs"]
        assert mine["p_late"] <= 0.06, f"seed {seed}"
        for was, now in zip(before, after, strict=True):
            if was["p_late"] <= 0.09:
                assert now["p_late"] <= 0.12, f"seed {seed}: {now['id']}"
    assert quoted >= 6


def test_a_time_behind_all_that_it_would_push_is_found_though_those_are_due_sooner() -> None:
    # Begun at once it blocks what is due before it; behind the filler that work is there first.
    jobs = [
        {"id": "soon", "release": 5, "due": 30, "steps": [{"kind": "b", "minutes": 20}]},
        {"id": "filler", "due": 500, "steps": [{"kind": "b", "minutes": 9}]},
    ]
    resources = [{"id": "p", "kind": "b"}]
    new = {"id": "new", "steps": [{"kind": "b", "minutes": 26}]}
    answer = quote(parse_problem({"resources": resources, "jobs": jobs}), new, samples=50)
    # Level with the filler: of two promises for one time the older goes first.
    assert answer["earliest"] == 500
    assert answer["delayed"] == []
    held = answer["alternatives"][0]
    assert (held["due"], held["hold_until"], held["past_limit"]) == (56, 30, [])
