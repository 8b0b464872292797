"""Plans that keep promises: problems in, plans and probabilities out.

Pure: no Django, no database, no clock. Times are minutes from now. The JSON objects
(PROBLEM, PLAN, FORESIGHT, QUOTE) are those of the outer contract; ``problem.py`` tells
all keys of a problem.

``parse_problem(data) -> Problem``
    Validate a PROBLEM; ProblemError names the place and the remedy.
``plan(problem, rule=None) -> PLAN``
    A feasible plan at once, from the best of several dispatch rules.
``foresee(problem, samples=2000, seed=0, *, rule=None) -> FORESIGHT``
    How likely each promise is kept.
``quote(problem, job, confidence=0.95, *, samples=600, seed=0, rule=None) -> QUOTE``
    The earliest due time that can be promised for a new job (or several together).
``rescue(problem, job_id, *, samples=500, seed=0, rule=None)`` (``rescue.py``)
    Causes of a job's risk, and what helps, found by trying it.
``causes(problem, job_id, *, rule=None)`` (``causes.py``)
    Where a job waits on the expected day, and for what.
``fit_stages(records) -> Fits``, ``day_so_far(fits, today, running)`` (``fits.py``)
    Stage times from the office's records; what today's stages say about the day.
``needs(series)``, ``weekly_load(...)``, ``fill_slack(...)`` (``makeahead.py``)
    Which steps of a series are needed by when; four weeks' load; filling slack.
``kept_back(problem)`` (``keepback.py``)
    What of the work made ahead waits until today's promises are over.
``reliability(predicted, happened, days)`` (``reliability.py``)
    The promise record.
``warm()``
    Compile or load every compiled entry point, so that the first request is as fast
    as the next.

A ``rule`` (``policy.Rule``) pins the dispatch rule; else the problem's own ``policy``
holds. Where that names none, a plan takes the best of several rules; quote, foresight,
rescue and causes speak of the one that stands for the objective, so that they agree.
"""

from production.planning.dispatch import dispatch_plan as plan
from production.planning.policy import Rule
from production.planning.problem import Problem, parse_job, parse_problem
from production.planning.promises.causes import causes
from production.planning.promises.foresight import foresee
from production.planning.promises.quoting import quote
from production.planning.promises.rescue import rescue
from production.planning.warming import warm

__all__ = [
    "Problem",
    "Rule",
    "causes",
    "foresee",
    "parse_job",
    "parse_problem",
    "plan",
    "quote",
    "rescue",
    "warm",
]
