"""The dispatch rules of the bench, by name, and their form for the kernel.

A policy is a rule that orders the waiting steps and the minutes a step waits for a
fuller batch. As the JSON object ``policy`` of a problem::

    {"rule": "edd", "wait": 20 | {"print": 40, "wash": 10}, "wait_share": 0.2,
     "look_ahead": 2, "order": [job id, ...], "hasten": [job id, ...],
     "prefer": [job id, ...], "defer": [job id, ...]}

``edd`` earliest due date, ``slack`` least slack, ``cr`` critical ratio, ``atc``
apparent tardiness cost, ``spt`` / ``lpt`` shortest / longest step first, ``wspt``
shortest over weight, ``most_work`` most work remaining, ``fifo`` first come, ``order``
the jobs as listed (others after them). A group counts with its earliest due. A step waits
``wait`` minutes and ``wait_share`` of its own median minutes besides. Jobs under ``hasten``
go before all others, among themselves by the rule, and wait for no fuller batch; those under
``prefer`` go before all others as well, but wait as the rule says; those under ``defer`` go as
if they were promised three hours later.

Where no rule is named, one stands for each objective (``standing_rule``), whatever is on
the bench: were it chosen by the work there, one more order could change the rule, and with
it the risk of every promise.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from production.planning import fields
from production.planning.entities import Label, Problem
from production.planning.errors import ProblemError
from production.planning.kernel.future import Policy
from production.planning.kernel.queues import AHEAD, APPARENT_COST, CRITICAL_RATIO, FIXED
from production.planning.kernel.shop import Shop

__all__ = [
    "RULES",
    "STANDING",
    "Rule",
    "among",
    "kernel_policy",
    "named_policy",
    "standing_rule",
]

RULES = ("fifo", "edd", "slack", "spt", "lpt", "wspt", "most_work", "atc", "cr", "order")
LONGEST_WAIT, LONGEST_SHARE = 10080.0, 1000.0
DEFERRED = 180.0  # minutes
LISTS = ("hasten", "prefer", "defer")  # of jobs, in any policy


@dataclass(frozen=True)
class Rule:
    """A dispatch rule of the bench.

    ``wait``: minutes for a fuller batch, for all kinds or by kind (others 0); ``wait_share``:
    more of them, as a share of the step's own median;
    ``look_ahead``: the constant of ``atc``, in mean step lengths; ``order``: job ids,
    for the rule ``order``; ``hasten``, ``prefer``, ``defer``: ids of jobs that go before the
    others without or with the rule's waits, or later than in their turn.
    """

    name: str = "edd"
    wait: float | Mapping[str, float] = 0.0
    look_ahead: float = 2.0
    order: tuple[Label, ...] = field(default=())
    wait_share: float = 0.0
    hasten: tuple[Label, ...] = field(default=())
    defer: tuple[Label, ...] = field(default=())
    prefer: tuple[Label, ...] = field(default=())

    def as_json(self) -> dict[str, Any]:
        """Return the rule as the problem's ``policy`` object."""
        wait = dict(self.wait) if isinstance(self.wait, Mapping) else self.wait
        told: dict[str, Any] = {"rule": self.name, "wait": wait}
        if self.wait_share:
            told["wait_share"] = self.wait_share
        if self.name == "atc":
            told["look_ahead"] = self.look_ahead
        if self.order:
            told["order"] = list(self.order)
        for key in LISTS:
            if names := getattr(self, key):
                told[key] = list(names)
        return told


# Earliest due with a short wait breaks about as few promises as the best of sixteen rules.
STANDING = {
    "promises": Rule("edd", wait_share=0.25),
    "weighted_tardiness": Rule("atc", wait_share=0.25),
    "makespan": Rule("most_work", wait_share=0.25),
}


def named_policy(problem: Problem) -> Rule | None:
    """Return the rule that the problem itself names, if it does.

    Raises
    ------
    ProblemError
        When the object is malformed.
    """
    told = problem.policy
    if not told:
        return None
    place = "problem: policy"
    name = told.get("rule", "edd")
    if name not in RULES:
        raise ProblemError(f"{place}: rule is {fields.shown(name)}; use one of {', '.join(RULES)}")
    wait: float | dict[str, float]
    if isinstance(told.get("wait"), Mapping):
        wait = {
            kind: fields.number(
                told["wait"], kind, f"{place}: wait", None, low=0, high=LONGEST_WAIT
            )
            for kind in told["wait"]
        }
    else:
        wait = fields.number(told, "wait", place, 0.0, low=0.0, high=LONGEST_WAIT)
    listed = {
        key: fields.a_list(told, key, place) if wanted else ()
        for key, wanted in (("order", name == "order"), *((key, key in told) for key in LISTS))
    }
    known = {str(job.id) for job in problem.jobs}
    for key, items in listed.items():
        for item in items:
            if str(item) not in known:
                raise ProblemError(
                    f"{place}: {key} names {fields.shown(item)}, which is no job; take it out"
                )
    return Rule(
        name=name,
        wait=wait,
        look_ahead=fields.number(told, "look_ahead", place, 2.0, low=1e-3, high=1e3),
        order=tuple(listed["order"]),
        wait_share=fields.number(told, "wait_share", place, 0.0, low=0.0, high=LONGEST_SHARE),
        hasten=tuple(listed["hasten"]),
        prefer=tuple(listed["prefer"]),
        defer=tuple(listed["defer"]),
    )


def among(policy: Mapping[str, Any], jobs: Collection[str]) -> dict[str, Any]:
    """Return a policy object that names only those of its jobs that are among ``jobs``."""
    told = dict(policy)
    for key in {"order", *LISTS} & set(policy):
        told[key] = [name for name in policy[key] if str(name) in jobs]
        if not told[key] and key in LISTS:
            del told[key]
    return told


def standing_rule(problem: Problem) -> Rule:
    """Return the rule that the problem names, else the one that stands for its objective."""
    return named_policy(problem) or STANDING[problem.objective]


def kernel_policy(problem: Problem, shop: Shop, rule: Rule) -> Policy:
    """Return a rule in the kernel's form, for this problem."""
    promise = shop.promise[shop.step_job]
    count = shop.step_job.size
    moving = {"atc": APPARENT_COST, "cr": CRITICAL_RATIO}.get(rule.name, FIXED)
    if rule.name == "edd":
        key = promise
    elif rule.name == "slack":
        key = promise - shop.remaining
    elif rule.name == "atc":
        weight = np.maximum(shop.weight[shop.step_job], 1e-12)
        key = np.log(np.maximum(shop.minutes, 1e-6) / weight)
    elif rule.name == "spt":
        key = shop.minutes
    elif rule.name == "lpt":
        key = -shop.minutes
    elif rule.name == "wspt":
        key = shop.minutes / np.maximum(shop.weight[shop.step_job], 1e-12)
    elif rule.name == "most_work":
        key = -shop.remaining
    elif rule.name == "order":
        rank = {str(name): float(i) for i, name in enumerate(rule.order)}
        ranks = [rank.get(str(job.id), math.inf) for job in problem.jobs]
        key = np.array(ranks, dtype=np.float64)[shop.step_job]
    else:
        key = np.zeros(count)
    steps = [step for job in problem.jobs for step in job.steps]
    if isinstance(rule.wait, Mapping):
        waits = rule.wait
        wait = np.array([float(waits.get(step.kind, 0.0)) for step in steps], dtype=np.float64)
    else:
        wait = np.full(count, float(rule.wait))
    wait += rule.wait_share * shop.minutes
    if rule.hasten or rule.prefer:
        ahead = _among(problem, (*rule.hasten, *rule.prefer))[shop.step_job]
        key = np.where(ahead, np.minimum(key, 0.5 * AHEAD) - AHEAD, key)
        wait = np.where(_among(problem, rule.hasten)[shop.step_job], 0.0, wait)
    if rule.defer:
        key = key + np.where(_among(problem, rule.defer)[shop.step_job], DEFERRED, 0.0)
    typical = float(shop.minutes.mean()) if count else 1.0
    return Policy(
        moving=moving,
        look_ahead=max(rule.look_ahead * typical, 1e-6),
        key=np.where(shop.first == 1, -math.inf, key),
        wait=wait,
        hold=shop.not_before,
    )


def _among(problem: Problem, names: Collection[Label]) -> NDArray[np.bool_]:
    """Mark the jobs (J,) that are named."""
    known = {str(name) for name in names}
    return np.array([str(job.id) in known for job in problem.jobs], dtype=bool)
