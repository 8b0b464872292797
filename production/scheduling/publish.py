"""Make a plan of the present state, and publish it while it is still true."""

from __future__ import annotations

import datetime as dt
import logging
from dataclasses import asdict, dataclass, replace
from typing import Any

from django.utils import timezone

from production import planning, work
from production.models import Appliance, Plan, Promise
from production.planning.keepback import kept_back
from production.planning.pace import at_todays_pace
from production.planning.policy import Rule, named_policy
from production.planning.promises.priorities import GAIN, group_risks, next_rule
from production.planning.solve import solve
from production.planning.solve.check.checker import violations
from production.scheduling.advice import advise
from production.scheduling.ahead import outlook
from production.scheduling.state import (
    Situation,
    digest,
    leave_alone,
    read_situation,
    standing_promises,
)

log = logging.getLogger(__name__)

FUTURES = 2000
SEED = 20_26
IMPROVE_SECONDS = 2.0
IMPROVED_JOBS = 500  # beyond them the rule's plan is published at once
GAIN_MINUTES = 5.0  # of weighted tardiness, for which the order may change
SEARCHED = "search"  # source of a plan that is no dispatch rule's
KEPT_PLANS = 200


@dataclass(frozen=True)
class MadePlan:
    """A plan, its foresight, and the state they were made for; not yet on record."""

    situation: Situation
    plan: dict[str, Any]
    foresight: dict[str, Any]
    advice: dict[str, dict[str, str]]

    def publish(self) -> None:
        """Put the plan on record, or ask for another one when the bench has moved on.

        Call inside the transaction that finishes the work.
        """
        if digest() != self.situation.state:
            work.ask("plan", coalesce=True)
            return
        problem = {k: v for k, v in self.situation.problem.items() if k != "jobs"}
        Plan.objects.create(
            origin=self.situation.origin,
            state=self.situation.state,
            problem=problem,
            steps=self.plan["steps"],
            objective=self.plan["objective"],
            foresight=self.foresight,
            source=self.plan.get("source", "dispatch"),
            seconds=self.plan.get("seconds", 0.0) + self.foresight.get("seconds", 0.0),
        )
        stale = Plan.objects.order_by("-pk").values_list("pk", flat=True)[KEPT_PLANS:][:50]
        Plan.objects.filter(pk__in=list(stale)).delete()
        self._risks()

    def _risks(self) -> None:
        now = timezone.now()
        groups = {str(g["id"]): g for g in self.foresight["groups"]}
        changed = []
        for promise in standing_promises().distinct():
            group = groups.get(str(promise.order_id))
            if group is not None:
                promise.p_late = group["p_late"]
                promise.expected_at = _moment(self.situation, group["finish"]["p50"])
                advice = self.advice.get(str(promise.order_id), {})
                promise.cause = advice.get("cause", "")[:200]
                promise.rescue = advice.get("rescue", "")[:300]
            else:
                held = promise.order.appliances.filter(status=Appliance.Status.HELD).exists()
                promise.p_late = 1.0 if held else None
                promise.expected_at = None
                promise.cause = "On hold: no plan until it is released" if held else ""
                promise.rescue = ""
            promise.assessed_at = now
            changed.append(promise)
        Promise.objects.bulk_update(
            changed, ["p_late", "expected_at", "cause", "rescue", "assessed_at"]
        )


def _moment(situation: Situation, minutes: float | None) -> dt.datetime | None:
    return None if minutes is None else situation.moment(minutes)


def make_plan() -> MadePlan:
    """Read the bench's state, plan it and foresee its promises; nothing is written."""
    situation = read_situation(anew=True)
    held = kept_back(planning.parse_problem(situation.problem), seed=SEED)
    until = situation.moment(held.until)
    leave_alone(situation, situation.problem["jobs"], held.jobs, until)
    problem = planning.parse_problem(situation.problem)
    problem = replace(problem, policy=next_rule(problem).as_json())
    plan = _best_plan(problem, at_todays_pace(situation.problem | {"policy": problem.policy}))
    followed = _followed(problem, plan)
    foresight = planning.foresee(problem, samples=FUTURES, seed=SEED, rule=followed)
    foresight["policy"] = dict(problem.policy)  # what a question about new work keeps to
    if held.jobs:
        foresight["kept_back"] = {"codes": list(held.jobs), "until": until.isoformat()}
    foresight["tight_weeks"] = [
        asdict(week) | {"starts": week.starts.isoformat()} for week in outlook(situation).short
    ]
    return MadePlan(situation, plan, foresight, advise(situation, problem, foresight))


def _followed(problem: Any, plan: dict[str, Any]) -> Rule | None:
    """Return the rule that a bench follows which keeps to the plan's order; None: its own.

    What is searched for is good on usual times; when they vary, people take the jobs in its
    order, as they come.
    """
    rule = named_policy(problem)
    if rule is None or plan["source"] != SEARCHED:
        return None
    starts: dict[str, list[float]] = {}
    for step in plan["steps"]:
        starts.setdefault(str(step["job"]), []).append(step["start"])
    order = sorted(starts, key=lambda job: sum(starts[job]) / len(starts[job]))
    return replace(rule, name="order", order=tuple(order), hasten=(), prefer=(), defer=())


def _best_plan(problem: Any, told: dict[str, Any]) -> dict[str, Any]:
    """Return the dispatched plan, or the improved one when it is better and feasible.

    ``told`` is the problem at today's pace. Better is what breaks fewer promises, or as few
    with noticeably less tardiness, both on usual times and by what is foreseen.
    """
    paced = planning.parse_problem(told)
    dispatched = planning.plan(paced) | {"source": "dispatch"}
    if any(step.first for job in paced.jobs for step in job.steps):
        return dispatched  # the search knows no "first of all"
    if len(paced.jobs) > IMPROVED_JOBS:
        return dispatched  # two seconds of search gain nothing, and its check takes many
    force = Plan.objects.order_by("-pk").values_list("source", "steps").first()
    searched = force[1] if force is not None and force[0] == SEARCHED else None
    try:
        improved = solve(paced, seconds=IMPROVE_SECONDS, previous=searched, gain=GAIN_MINUTES)
        improved["source"] = SEARCHED
        faults = violations(told, improved)
    except Exception:
        # The dispatched plan stands; a plan that could be better is not worth an empty bench.
        log.exception("the plan could not be improved")
        return dispatched
    if faults:
        log.error("the improved plan breaks a rule and is not used: %s", faults[0])
        return dispatched
    if searched is not None:
        # Its order stays as long as the rule's plan is not better by as much either.
        better = not _gains(dispatched["objective"], improved["objective"])
    else:
        better = _gains(improved["objective"], dispatched["objective"])
    if better:
        saved = _broken(problem, named_policy(problem)) - _broken(
            problem, _followed(problem, improved)
        )
        better = saved > (-GAIN if searched is not None else GAIN)
    return improved if better else dispatched


def _broken(problem: Any, rule: Rule | None) -> float:
    """Return how many promises are expected to be broken under a rule."""
    return sum(group_risks(problem, rule).values())


def _gains(one: dict[str, Any], other: dict[str, Any]) -> bool:
    """Whether a plan is so much better that the bench's order may change for it.

    It breaks fewer promises, or as few with noticeably less tardiness. For less than
    that the order stays what the dispatch rule makes it, so that it does not flutter.
    """
    if one["late_jobs"] != other["late_jobs"]:
        return bool(one["late_jobs"] < other["late_jobs"])
    return bool(one["weighted_tardiness"] < other["weighted_tardiness"] - GAIN_MINUTES)
