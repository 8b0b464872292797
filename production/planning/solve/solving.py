"""From a problem to a plan: first plans, annealing, constraint programming, bounds."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np

from production.planning.dispatch import choose_rule, dispatch_plan, expected_times
from production.planning.entities import Job, Problem
from production.planning.kernel import future
from production.planning.kernel.shop import make_shop
from production.planning.policy import among, kernel_policy, named_policy, standing_rule
from production.planning.reasons import Reason, no_room
from production.planning.solve import bounds, report
from production.planning.solve.constraints.exact import Bound, Exact, applies
from production.planning.solve.constraints.model import size_of
from production.planning.solve.constraints.rework import Rework
from production.planning.solve.sequences.hands import Hands
from production.planning.solve.sequences.openwork import OpenWork, open_work, scratch
from production.planning.solve.sequences.orders import OrderSearch
from production.planning.solve.sequences.permutation import FlowLine, flow_line, flow_line_state
from production.planning.solve.sequences.search import Best, Budget, Search, lead_weights, stages
from production.planning.solve.sequences.start import Bench
from production.planning.solve.sequences.timing import LATE, STUCK

__all__ = ["DEFAULT_SECONDS", "solve", "warm"]

Array = np.ndarray[Any, Any]
DEFAULT_SECONDS = 10.0
SMALL = 300  # literals up to which the constraint model gets most of the time
MIDDLE = 1000  # literals up to which parts find more than annealing however much is late
USUAL = 2500  # literals up to which it is asked about the whole where parts are not put anew
TRIALS_PER_SECOND = 100_000  # deterministic time of the constraint solver for given work


@dataclass(frozen=True)
class _Shares:
    """How the time is shared; what is left goes to annealing again."""

    orders: float
    anneal: float
    proof: float = 0.0
    rework: float = 0.0
    exact: float = 0.0


SMALL_DAY = _Shares(orders=0.08, anneal=0.1, exact=0.45)
# What the solver proves first is no goal of the parts, which find more than it finds in its time.
MIDDLE_DAY = _Shares(orders=0.06, anneal=0.22, proof=0.08, rework=0.36, exact=0.12)
# Of lateness alone the solver, looking at the whole at the end, finds most that parts left.
LATENESS_DAY = _Shares(orders=0.2, anneal=0.14, rework=0.25, exact=0.36)
# One long walk finds more than two short ones, and the solver needs its time at one go.
USUAL_DAY = _Shares(orders=0.08, anneal=0.5, exact=0.3)
LARGE_DAY = _Shares(orders=0.08, anneal=0.6)
# Annealing soon finds little more than what is put anew part by part; the solver, asked at the
# end about the whole plan, at times finds what hangs together across parts.
REWORKED_DAY = _Shares(orders=0.08, anneal=0.25, rework=0.37, exact=0.25)
# Where many are late, whose turn it is decides more than any one step's place.
QUEUED, QUEUED_DAY = 0.2, _Shares(orders=0.33, anneal=0.12, rework=0.3, exact=0.2)
# Where most is late, all hangs together, and the solver sees through small parts only.
CROWDED, CROWDED_DAY = 0.5, _Shares(orders=0.4, anneal=0.2, rework=0.25)
# Of people who run steps and load machines as well the whole model knows nothing, parts do;
# whose turn it is finds more than annealing, of which each trial takes long there.
HELPED_DAY = _Shares(orders=0.2, anneal=0.12, rework=0.55)
DAYS = ((SMALL, SMALL_DAY), (USUAL, USUAL_DAY))
SECONDS_PER_LITERAL = 2e-4  # to build the constraint model, with something to spare
BESIDE = "it beside the other work; extend the opening hours or postpone a job"
ALONE = "all its steps; extend the opening hours"
PUT_BACK = 20  # jobs left out that get another chance
PUT_BACK_SHARE = 0.1  # of the time, where any are left out
MEMORIES = (200, 1000)  # times that a search of orders forgets: the fewer, the wider it wanders
KEEPING = 0.25  # of the time, to put what is new into the plan in force
SPARE = 0.05  # seconds without which nothing new is begun
AT_ONCE = 0.1  # seconds that each of these may take however little time there is
REPORT_PER_STEP = 2.5e-5  # seconds to put a plan in words, kept free at the end
FORWARD_PER_PAIR, FORWARD = 2e-8, 0.1  # seconds to bring steps forward; the part it may take
BOUNDS_PER_STEP, BOUNDS = 6e-5, 0.25  # seconds of the simple bounds; the part they may take
CHOICE_PER_STEP, CHOICE = 5e-5, 0.4  # seconds to choose among the rules anew; the same
RUN_PER_STEP = 1e-5  # seconds to run a rule and to hold what comes of it as sequences
FLOW_LINE = 0.3  # of the time, for permutations where the work is a flow line


@dataclass(frozen=True)
class _Left:
    """A job that no plan can finish, and why."""

    job: Any
    reason: Reason


def solve(
    problem: Problem,
    *,
    seconds: float | None = None,
    work: int | None = None,
    seed: int = 1,
    previous: Sequence[Mapping[str, Any]] | None = None,
    gain: float = 0.0,
) -> dict[str, Any]:
    """Return the best plan found for a problem.

    Parameters
    ----------
    problem : Problem
        From ``parse_problem``.
    seconds : float, optional
        How long to search (default 10); it ends sooner once the plan is proved.
    work : int, optional
        Bound the search by this many trials instead of by the clock: the same problem,
        seed and work give the same plan, byte for byte.
    seed : int
        Of the random moves.
    previous : sequence of dict, optional
        The steps of the plan in force: its order stays, with what is new put in, unless
        another breaks fewer promises or saves more than ``gain`` minutes of what the
        objective counts. The plan says by ``kept`` which of the two it is.
    gain : float
        Minutes.

    Returns
    -------
    dict
        The contract's PLAN (see ``report.py``), and ``infeasible``: a list of
        ``{"job", "reason", "cause"}`` of jobs that no plan can finish, which are left out.
    """
    warm()
    began = time.monotonic()
    forward = np.inf
    if work is not None:
        budget = Budget(None, trials=work, deterministic=work / TRIALS_PER_SECOND)
    else:
        limit = DEFAULT_SECONDS if seconds is None else max(seconds, 0.0)
        steps = sum(len(job.steps) for job in problem.jobs)
        last = steps * steps * FORWARD_PER_PAIR
        most = max(AT_ONCE, FORWARD * limit)
        forward = most if last < most else 0.0
        spare = steps * REPORT_PER_STEP + (last if forward else 0.0)
        budget = Budget(began + max(limit - spare, 0.0), limit)
    left: list[_Left] = []
    plan: dict[str, Any] | None = None
    whole = problem
    while plan is None:
        never = [_Left(problem.jobs[j].id, why) for j, why in problem.impossible().items()]
        known = {str(x.job) for x in left}
        left += [x for x in never if str(x.job) not in known]
        # What is known already is cut to what runs, and not even that can be.
        problem = _without(problem, left, {str(x.job) for x in never} & known)
        searching = budget.but(PUT_BACK_SHARE) if left else budget
        plan = _plan(problem, searching, seed, left, forward, previous, gain)
    if left:
        plan = _put_back(whole, problem, plan, left, budget, seed, forward)
    plan["infeasible"] = [{"job": x.job, **_why(whole, x).as_json()} for x in left]
    plan["seconds"] = 0.0 if work is not None else round(time.monotonic() - began, 3)
    return plan


_warm: list[bool] = []


def warm() -> None:
    """Compile, or load from the cache, everything that a search runs."""
    if _warm:
        return
    _warm.append(True)
    from production.planning.problem import parse_problem

    step = {"kind": "a", "minutes": 1}
    jobs = [{"id": j, "due": 1, "steps": [step, step | {"kind": "b"}]} for j in range(2)]
    kinds = [{"id": "a", "kind": "a"}, {"id": "b", "kind": "b"}]
    for objective in ("promises", "makespan"):
        small = parse_problem({"objective": objective, "resources": kinds, "jobs": jobs})
        solve(small, work=300)
    work = open_work(small)
    turn, first = np.arange(len(work.steps)), work.arrays.choice[work.arrays.choice_from[:-1]]
    Hands(work).state(scratch(work.arrays), turn.astype(float), first, turn)


def _without(problem: Problem, left: list[_Left], gone: set[str]) -> Problem:
    """Leave those jobs out but for what runs of them, which holds its machine; ``gone`` wholly."""
    names = {str(x.job) for x in left}
    if not names:
        return problem
    jobs = [job if str(job.id) not in names else _what_runs(job) for job in problem.jobs]
    kept = tuple(job for job in jobs if job is not None and str(job.id) not in gone)
    rule = named_policy(problem)
    told = among(rule.as_json(), {str(job.id) for job in kept}) if rule is not None else {}
    return replace(problem, jobs=kept, policy=told)


def _what_runs(job: Job) -> Job | None:
    """Return a job up to the step that runs, promised to nobody; None where none runs."""
    for number, step in enumerate(job.steps):
        if step.started is not None and not step.done:
            return replace(job, steps=job.steps[: number + 1], due=None, group=None)
    return None


def _why(whole: Problem, left: _Left) -> Reason:
    """Return why a job is left out: other work need not be what takes its time."""
    jobs = tuple(job for job in whole.jobs if str(job.id) == str(left.job))
    alone = replace(whole, jobs=jobs, policy={})
    if not alone.impossible():
        shop = make_shop(alone)
        rule = kernel_policy(alone, shop, standing_rule(alone))
        if not np.isfinite(expected_times(shop, rule).finish).all():
            return no_room(left.job, ALONE)
    return left.reason


def _put_back(
    whole: Problem,
    problem: Problem,
    plan: dict[str, Any],
    left: list[_Left],
    budget: Budget,
    seed: int,
    forward: float,
) -> dict[str, Any]:
    """Take back what was left out where the plan has room for it; ``left`` loses it.

    Several that stand in each other's way are left out together, and what is found without
    them may be over sooner.
    """
    never = {str(whole.jobs[j].id) for j in whole.impossible()}
    jobs = {str(job.id): job for job in whole.jobs}
    present = {str(job.id): job for job in problem.jobs}
    waiting = [item for item in left if str(item.job) not in never]
    if budget.until is not None:
        budget = replace(budget, until=max(budget.until, time.monotonic() + AT_ONCE))
    for item in sorted(waiting, key=lambda item: _due(jobs[str(item.job)]))[:PUT_BACK]:
        if budget.left() <= 0:
            break
        there = present | {str(item.job): jobs[str(item.job)]}
        order = tuple(there[str(job.id)] for job in whole.jobs if str(job.id) in there)
        search = Search(open_work(replace(problem, jobs=order)), whole.objective, seed, forward)
        kept = search.keep(plan["steps"], budget)
        if kept is None:
            continue
        left.remove(item)
        present = there
        fuller = report.plan_of(search, kept.state, {str(x.job) for x in left})
        fuller["lower_bound"] = min(plan["lower_bound"], fuller["objective"]["value"])
        fuller["proved_optimal"] = False
        plan = {**plan, **fuller}
    return plan


def _due(job: Job) -> float:
    return np.inf if job.due is None else job.due


def _plan(
    problem: Problem,
    budget: Budget,
    seed: int,
    left: list[_Left],
    forward: float,
    previous: Sequence[Mapping[str, Any]] | None,
    gain: float,
) -> dict[str, Any] | None:
    """Return a plan, or None after adding jobs that found no place to ``left``.

    ``forward``: seconds in which to let its steps begin as soon as they can.
    """
    work = open_work(problem)
    search = Search(work, problem.objective, seed, forward)
    begin = _first(work, search, budget, at_once=not left)
    best = begin.best
    kept = None
    if previous is not None and work.steps:
        kept = search.keep(previous, budget.part(KEEPING))
    if kept is not None:
        search.offer(best, kept.state)
    quick = len(work.steps) * BOUNDS_PER_STEP < max(AT_ONCE, BOUNDS * budget.left())
    bound = Bound(bounds.simple(work) if quick else {})
    if len(work.steps) > 0:
        part = budget.part(1.0 if best.value[STUCK] == 0 else 0.4)
        _improve(search, begin, best, bound, part, seed)
    if best.value[STUCK] > 0:
        stuck, unfinished = _stuck(search, best), _unfinished(problem)
        # Without time for another look after each, all that the bench does not finish go.
        few = budget.left() > 0 and len(stuck) <= len(unfinished)
        left += stuck if few else unfinished
        return None
    if forward:
        search.bring_forward(best)
    proved = bound.proved
    if kept is not None and not search.gains(best.value, kept.value, gain):
        proved &= not search.better(best.value, kept.value)
        best = kept
    plan = report.plan_of(search, best.state, {str(x.job) for x in left})
    lower = bound.lower.get(report.FIRST[problem.objective], 0.0)
    proved |= bounds.reached(best.value, bound.lower, problem.objective)
    value = plan["objective"]["value"]
    plan["lower_bound"] = value if proved else report.clean(min(lower, value))
    plan["proved_optimal"] = bool(proved)
    if previous is not None:
        plan["kept"] = best is kept
    return plan


@dataclass(frozen=True)
class _Start:
    """What the dispatch rules make of the day.

    ``best`` is the best of their plans with every start as early as the plan's order
    allows; ``times`` the best of their runs as the bench itself would go, made with ``wait``.
    """

    best: Best
    bench: Bench
    times: future.Times
    wait: float


def _first(work: OpenWork, search: Search, budget: Budget, at_once: bool) -> _Start:
    """Return the best of the dispatch rules, the one that plans at once chosen first.

    ``at_once``: the plan is to be no worse than the plan at once, whatever that takes;
    with jobs left out that plan is another, and its rule is chosen only if there is time.
    """
    bench = Bench(work)
    times, wait = bench.run(bench.rules()["earliest due"], 0.0), 0.0
    state = bench.one_by_one()
    value = search.value(state)
    assert value is not None
    best = Best(state, value)
    search.offer(best, *bench.states(times))
    if at_once or len(work.steps) * CHOICE_PER_STEP < max(AT_ONCE, CHOICE * budget.left()):
        chosen = kernel_policy(work.problem, bench.shop, choose_rule(work.problem, bench.shop))
        search.offer(best, *bench.states(expected_times(bench.shop, chosen)))
    for rule, pause in product(bench.rules().values(), bench.waits()):
        if budget.left() < SPARE + len(work.steps) * RUN_PER_STEP:
            break
        run = bench.run(rule, pause)
        if search.better(bench.value(run), bench.value(times)):
            times, wait = run, pause
        search.offer(best, *bench.states(run))
    return _Start(best, bench, times, wait)


def _improve(
    search: Search, begin: _Start, best: Best, bound: Bound, budget: Budget, seed: int
) -> None:
    """Search orders, anneal, let the constraint solver prove, improve or rework, anneal the rest.

    Shares are of the whole time; what is left over goes to annealing again.
    """

    def done(value: Array) -> bool:
        return bounds.reached(value, bound.lower, search.objective)

    if done(best.value):
        return
    work = search.work
    literals = size_of(work) if applies(work) else USUAL + 1
    shares = next((day for most, day in DAYS if literals <= most), LARGE_DAY)
    if literals > SMALL and Rework.applies(work):
        large, late = REWORKED_DAY, best.value[LATE] / len(work.problem.jobs)
        if late > CROWDED:
            large = CROWDED_DAY
        elif late > QUEUED and search.objective != "makespan":
            large = QUEUED_DAY
        middle = LATENESS_DAY if search.objective == "weighted_tardiness" else MIDDLE_DAY
        shares = middle if literals <= MIDDLE else large
    if work.arrays.helped and shares is not CROWDED_DAY:
        shares = HELPED_DAY if Rework.applies(work) else shares
    line = search.objective == "makespan" and _flow_line(search, best, budget, done)
    if not line and budget.left() > SPARE + 2.0 * len(work.steps) * RUN_PER_STEP:
        _orders(search, begin, best, budget.part(shares.orders), seed)
    if work.arrays.helped:
        search.loosen(best.state, budget)
        search.offer(best, best.state)
    _anneal(search, best, bound, budget.part(shares.anneal))
    if done(best.value):
        return
    building = 2.0 * literals * SECONDS_PER_LITERAL + SPARE
    if shares.proof and budget.left() > building:
        Exact(search, seed).improve(best, bound, budget.part(shares.proof))
    exact, criteria = shares.exact, bounds.CRITERIA[search.objective]
    settled = bounds.settled(best.value, bound.lower, search.objective)
    if exact and settled == len(criteria) - 1 > 0:
        exact += shares.rework  # of lead time alone the solver finds more than parts do
    elif shares.rework and not bound.proved:
        Rework(search, seed, bound).improve(best, budget.part(shares.rework), done)
    if exact and not bound.proved and budget.left() > building:
        # Parts were asked whether one promise fewer can break; the whole is asked for the rest.
        asked = settled == 0 and search.objective == "promises" and shares.rework > 0
        Exact(search, seed).improve(best, bound, budget.part(exact), int(asked))
    if not bound.proved:
        spent = sum((shares.orders, shares.anneal, shares.proof, shares.rework, shares.exact))
        # Of what comes first, a walk finds little more than the parts did; they leave the last.
        least = len(bounds.CRITERIA[search.objective]) - 1 if shares.rework else 0
        _anneal(search, best, bound, budget.rest(1.0 - spent), least)


def _anneal(search: Search, best: Best, bound: Bound, budget: Budget, least: int = 0) -> None:
    """Anneal what is not settled, stage after stage; ``least`` criteria are taken as settled."""

    def done(value: Array) -> bool:
        return bounds.reached(value, bound.lower, search.objective)

    settled = max(bounds.settled(best.value, bound.lower, search.objective), least)
    closing = len(search.work.arrays.shut) > 0
    for stage in stages(search.objective, best.value, settled, closing):
        search.anneal(best, stage, budget.part(stage.share), done)


def _orders(search: Search, begin: _Start, best: Best, budget: Budget, seed: int) -> None:
    """Search orders twice side by side, once wandering farther; take what is better."""
    each = budget.split(len(MEMORIES))

    def improve(number: int) -> future.Times:
        orders = OrderSearch(
            begin.bench, lead_weights(search.objective), search.order, seed + number
        )
        return orders.improve(begin.times, begin.wait, each, MEMORIES[number])

    with ThreadPoolExecutor(len(MEMORIES)) as threads:
        for times in threads.map(improve, range(len(MEMORIES))):
            search.offer(best, *begin.bench.states(times))


def _flow_line(search: Search, best: Best, whole: Budget, done: Any) -> bool:
    """Search permutations if the work is a flow line; return whether it is."""
    work = search.work
    line = flow_line(work)
    if line is None:
        return False
    budget = whole.part(FLOW_LINE)
    flow = FlowLine(line, search.seed)
    rounds, chunk = 0, max(1, 100_000 // line[1].size)
    while True:
        search.offer(best, flow_line_state(work, line, flow.best))
        enough = budget.left() <= 0 or (budget.until is None and rounds * 4 > budget.trials)
        if done(best.value) or enough:
            return True
        flow.run(chunk)
        rounds += chunk


def _unfinished(problem: Problem) -> list[_Left]:
    """Return the jobs that the plan at once does not finish either; all of them if it does."""
    names = [item["job"] for item in dispatch_plan(problem)["infeasible"]]
    return [_Left(name, no_room(name, BESIDE)) for name in names or [j.id for j in problem.jobs]]


def _stuck(search: Search, best: Best) -> list[_Left]:
    """Return the jobs with a step for which no open time was found."""
    jobs = search.work.problem.jobs
    return [_Left(jobs[j].id, no_room(jobs[j].id, BESIDE)) for j in search.stuck_jobs(best.state)]
