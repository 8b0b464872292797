"""A problem at today's pace, for a plan that shows when things are to be expected.

Foresights and quotes draw the factor of each day themselves (``day_shift`` is what is known
of today's). A plan is made of single times: on a morning that is known to run a fifth slower,
one made of the usual times would be wrong about every block and every hand-over.
"""

from __future__ import annotations

import math
from typing import Any

__all__ = ["at_todays_pace"]

DAY = 1440.0


def at_todays_pace(problem: dict[str, Any]) -> dict[str, Any]:
    """Return the problem with the minutes of today's open steps as long as today makes them.

    Parameters
    ----------
    problem : dict
        A valid problem (see :mod:`production.planning.problem`); it is not changed.

    Returns
    -------
    dict
        Jobs released by midnight have the ``minutes`` and ``alternatives`` of their open steps
        multiplied by ``exp(day_shift)``; ``hands`` stay, as in the kernel.
    """
    pace = math.exp(problem.get("day_shift", 0.0))
    if pace == 1.0:
        return problem
    tonight = DAY - problem.get("clock", 0.0) % DAY
    jobs = [
        job
        if job.get("release", 0.0) >= tonight
        else job | {"steps": [_paced(step, pace) for step in job["steps"]]}
        for job in problem["jobs"]
    ]
    return problem | {"jobs": jobs}


def _paced(step: dict[str, Any], pace: float) -> dict[str, Any]:
    if step.get("done"):
        return step
    told = step | {"minutes": step["minutes"] * pace}
    if step.get("alternatives"):
        told["alternatives"] = {
            resource: minutes * pace for resource, minutes in step["alternatives"].items()
        }
    return told
