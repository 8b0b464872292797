"""Why a promise is at risk, and what would help, in words for the people at the desk."""

from __future__ import annotations

import logging
import math
import re
from collections.abc import Sequence
from typing import Any

from clinic.templatetags.show import minutes, percent
from production.planning.entities import Problem
from production.planning.policy import named_policy
from production.planning.promises.causes import causes
from production.planning.promises.rescue import rescue
from production.scheduling.never import Never, never
from production.scheduling.standing import resource_names
from production.scheduling.state import Situation

log = logging.getLogger(__name__)

SEED = 20_26
ADVISED = 4  # trying what would help takes most of a second each
STANDS_BACK = "stands back so that other pickups are kept; it would be missed in its turn too"
LATER = "agree on a later time"
LONG = re.compile(r"\b(\d{3,}) min\b")
ID = re.compile(r"\b(?:m|p|chair)\d+\b")


def advise(
    situation: Situation, problem: Problem, foresight: dict[str, Any]
) -> dict[str, dict[str, str]]:
    """Return ``cause`` and ``rescue`` of each promise at risk, by order.

    The likeliest to be missed are tried to be rescued, the others have their cause alone.
    """
    limit = problem.risk_limit
    at_risk = [
        str(g["id"])
        for g in sorted(foresight["groups"], key=lambda g: -(g["p_late"] or 0.0))
        if g["p_late"] is not None and g["p_late"] > limit
    ]
    last = _last_of_groups(problem, foresight)
    rule = named_policy(problem)
    names = resource_names(situation.problem["resources"])
    stuck = _stuck(problem, foresight)
    found: dict[str, dict[str, str]] = {
        order: {"cause": why.cause, "rescue": why.remedy} for order, why in stuck.items()
    }
    for place, order in enumerate(order for order in at_risk if order not in stuck):
        try:
            if place < ADVISED:
                advice = rescue(problem, last[order], seed=SEED, rule=rule)
                waits = [wait["text"] for wait in advice["causes"]]
                helps = best_rescue(problem, advice["rescues"])
            else:
                waits = [wait.text for wait in causes(problem, last[order], rule=rule)]
                helps = ""
        except Exception:
            # The risk is known all the same; it is shown without its cause.
            log.exception("the cause of a risk could not be worked out")
            continue
        cause = LONG.sub(lambda found: minutes(float(found[1])), str(waits[0])) if waits else ""
        if rule is not None and last[order] in rule.defer:
            cause = STANDS_BACK
        found[order] = {"cause": _named(cause, names), "rescue": _sentence(_named(helps, names))}
    return found


def best_rescue(problem: Problem, rescues: Sequence[dict[str, Any]]) -> str:
    """Return what helps most of what was tried, and at whose cost.

    What breaks fewer promises in all comes first. Where all that would help breaks others,
    the one that harms the fewest is named with its cost, and the way out that costs nobody
    anything: a later time, agreed on while there is time.

    Parameters
    ----------
    problem : Problem
    rescues : sequence of dict
        As ``rescue`` returns them, best first.
    """
    for one in rescues:
        if not one["past_limit"] and one["broken_after"] < one["broken_before"]:
            return f"{one['text']}: kept with {_kept(one)}"
    group = {job.id: str(job.id if job.group is None else job.group) for job in problem.jobs}
    for one in rescues:
        harmed = len({group[job] for job in one["past_limit"]})
        if harmed:
            others = "one other pickup" if harmed == 1 else f"{harmed} other pickups"
            return f"{one['text']}: kept with {_kept(one)}, but {others} at risk for it; or {LATER}"
    return LATER


def _kept(one: dict[str, Any]) -> str:
    return percent(1.0 - one["p_late_after"])


def _named(text: str, names: dict[str, str]) -> str:
    """Return the text with the machines' names for their ids."""
    return ID.sub(lambda match: names.get(match[0], match[0]), text)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _stuck(problem: Problem, foresight: dict[str, Any]) -> dict[str, Never]:
    """Return, by order, why it can never be made as things stand."""
    known = {str(one["job"]): one["cause"] for one in foresight.get("infeasible", [])}
    found = {}
    for job in problem.jobs:
        why = never(known.get(str(job.id)))
        if why is not None:
            found[str(job.id if job.group is None else job.group)] = why
    return found


def _last_of_groups(problem: Problem, foresight: dict[str, Any]) -> dict[str, Any]:
    """Return of each group the job that is expected last: the patient waits for that one."""
    finish = {str(job["id"]): job["finish"]["p50"] for job in foresight["jobs"]}

    def end(job: Any) -> float:
        found = finish[str(job.id)]
        return math.inf if found is None else float(found)

    return {str(job.group): job.id for job in sorted(problem.jobs, key=end)}
