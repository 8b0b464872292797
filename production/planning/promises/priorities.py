"""Which jobs are taken before or after their turn, so that fewer promises are broken.

No rule suits every promise: one that waits for a fuller plate may be broken for it, and
would be kept if its job went first and waited for nobody; and one that is lost whatever is
done may take others with it. What helps is found by trying it in futures that all tries
share.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from production.planning.dispatch import choose_rule
from production.planning.entities import Label, Problem
from production.planning.kernel.future import Floats, Ints
from production.planning.kernel.shop import Shop, make_shop
from production.planning.policy import Rule, kernel_policy, named_policy
from production.planning.promises.foresight import foresee, lateness
from production.planning.promises.risk import allowed_risk
from production.planning.sampling import run_futures
from production.planning.score import handed_over

__all__ = ["GAIN", "group_risks", "next_rule", "prioritise"]

SAMPLES = 300
RULE_FUTURES = 500  # in which a change of the rule is judged
SEED = 20_26
TRIED = 6  # hand-overs in each round
DOUBTFUL = 0.6  # risk near which there is most to gain
ROUNDS = 4
GAIN = 0.02  # broken promises: what a change of the order must be worth
LOST = 0.9  # risk from which a promise may be deferred for others
DEFERRING_GAIN = 0.3  # broken promises: what that must be worth
LONGEST_DELAY = 90.0  # minutes that it may end later, on average
NEVER = 1e5  # minutes that stand for no end


@dataclass(frozen=True)
class _Tried:
    """A rule, and what comes of it: (J,) each, for the hand-over of each job's group."""

    rule: Rule
    risk: Floats
    end: Floats


def next_rule(problem: Problem) -> Rule:
    """Return the dispatch rule for the bench as it is now, and who goes before or after his turn.

    The best one, unless changing from the one that the problem names pushes a promise past
    the risk limit and brings no more of them back within it, or gains too little: then that
    one stays, and whom it takes first.
    """
    kept = named_policy(problem)
    anew = replace(problem, policy={})
    chosen = prioritise(anew, choose_rule(anew, make_shop(anew)), seed=SEED)
    if kept is None or chosen.as_json() == kept.as_json():
        return chosen
    kept = prioritise(anew, kept, seed=SEED)
    before, after = group_risks(anew, kept), group_risks(anew, chosen)
    limit = problem.risk_limit
    pushed = any(after[group] > allowed_risk(risk, limit) for group, risk in before.items())
    saves = sum(r > limit for r in after.values()) < sum(r > limit for r in before.values())
    gains = sum(before.values()) - sum(after.values()) > GAIN
    return chosen if saves or (gains and not pushed) else kept


def group_risks(problem: Problem, rule: Rule | None) -> dict[str, float]:
    """Return how likely each group's hand-over is late under a rule, by the group's name."""
    seen = foresee(problem, samples=RULE_FUTURES, seed=SEED, rule=rule)
    return {str(group["id"]): group["p_late"] for group in seen["groups"]}


def prioritise(problem: Problem, rule: Rule, *, samples: int = SAMPLES, seed: int = 0) -> Rule:
    """Return the rule with jobs to hasten, prefer or defer, where fewer promises are broken by it.

    Hand-overs are tried one at a time, the doubtful first: to go before all others and wait
    for no fuller batch, or, where they are lost anyway, to stand back, several of them
    together as well; where none of it helps, to go first and wait like the others. What
    lowers the expected number of broken promises most is taken, as long as it pushes no other
    promise past the problem's risk limit; then again, up to four of them. To defer one must
    keep others to a stated amount for each that stands back, without delaying it long, and
    never one whose time has passed: somebody waits for it. Whom the rule takes first already
    stays so, what it defers is asked anew. Repeatable: a fixed seed and a fixed number of
    tries.

    Parameters
    ----------
    problem : Problem
    rule : Rule
    samples, seed : int
        Futures simulated for each try.
    """
    shop = make_shop(problem)

    def look(tried: Rule) -> _Tried:
        policy = kernel_policy(problem, shop, tried)
        over = handed_over(shop, run_futures(problem, shop, policy, samples, seed))
        return _Tried(tried, lateness(over, shop.promise), np.minimum(over, NEVER).mean(axis=0))

    _, first = np.unique(shop.group, return_index=True)  # one job stands for a hand-over
    first = first[np.isfinite(shop.promise[first])]
    begun = now = look(replace(rule, defer=()))
    for _ in range(ROUNDS):
        best, most = now, GAIN
        # No more in all than one change may add, however many are made.
        allowed = allowed_risk(np.minimum(begun.risk, now.risk), problem.risk_limit)
        for mine, changed in _changes(problem, shop, now, first):
            if best is not now and changed.prefer != now.rule.prefer:
                break  # only where nothing else helps: every event waits for these tries
            after = look(changed)
            if (after.risk > allowed).any():
                continue
            gain = float((now.risk - after.risk)[first].sum())
            if len(changed.defer) > len(now.rule.defer):
                least = DEFERRING_GAIN * len(np.unique(shop.group[mine]))
                if gain < least or (after.end - now.end)[mine].max() > LONGEST_DELAY:
                    continue
            if gain > most:
                best, most = after, gain
        if best is now:
            break
        now = best
    return now.rule


def _changes(problem: Problem, shop: Shop, now: _Tried, first: Ints) -> Iterator[tuple[Ints, Rule]]:
    """Yield what is worth trying: the jobs of the hand-overs, and the rule changed for them."""
    rule = now.rule
    named = {str(name) for name in (*rule.hasten, *rule.prefer, *rule.defer)}
    left = [j for j in first if now.risk[j] > GAIN and str(problem.jobs[j].id) not in named]

    def chosen(jobs: list[int]) -> tuple[Ints, tuple[Label, ...]]:
        mine = np.flatnonzero(np.isin(shop.group, shop.group[jobs]))
        return mine, tuple(problem.jobs[j].id for j in mine)

    doubtful = sorted(left, key=lambda j: abs(now.risk[j] - DOUBTFUL))[:TRIED]
    for job in doubtful:
        mine, names = chosen([job])
        yield mine, replace(rule, hasten=(*rule.hasten, *names))
    # One alone may help nobody as long as the next that is lost takes its place.
    lost = [j for j in left if now.risk[j] >= LOST and shop.promise[j] > 0.0]
    lost.sort(key=lambda j: -now.risk[j])
    alone = [[j] for j in doubtful if j in lost]
    for jobs in (*alone, *(lost[:n] for n in sorted({2, 3, len(lost)}) if 1 < n <= len(lost))):
        mine, names = chosen(jobs)
        yield mine, replace(rule, defer=(*rule.defer, *names))
    for job in doubtful:
        mine, names = chosen([job])
        yield mine, replace(rule, prefer=(*rule.prefer, *names))
