"""Stage times learnt from the office's own records.

The logarithm of a duration is taken as a sum: the stage's level, what the machine, the
material and the person add, what the day adds to everything done on it, and a rest.
Every part but the level is drawn towards nothing in the measure in which few records
speak for it (empirical Bayes; Robinson 1991, Statistical Science 6, 15-32), so a
machine with two runs is treated nearly like the others and one with fifty by its own
times. A forgotten start or finish mark gives a duration far outside the others: it is
recognised by its distance from the median in robust standard deviations and not
believed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache, partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["DayFactor", "Fits", "Record", "StageTime", "day_so_far", "failure_rate", "fit_stages"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SHORTEST = 1.0 / 60.0  # minutes: below a second nothing was done
OUTLYING = 4.5  # robust standard deviations
LEAST_SCALE = 0.08  # of the log: nobody works more evenly than this
FEW = 8  # records below which a stage's scale is not judged by itself
ROUNDS = 30
DAY_ROUNDS = 8
PRIOR_SPREAD = 0.3  # of the log, where nothing is known
PRIOR_WEIGHT = 5.0  # records that the pooled spread counts for
MOST_TOGETHER = 64
PARTS = ("machine", "material", "person", "day")


class Record(NamedTuple):
    """One finished stage: how long it took, with what and by whom, on which day.

    ``together``: members of the run on a batch machine, which takes as long as its
    longest member: give one record for a run.
    """

    stage: str
    minutes: float
    machine: str | None = None
    material: str | None = None
    person: str | None = None
    day: str | None = None
    together: int = 1


class StageTime(NamedTuple):
    """Median minutes and the spread of the log, with the number of records believed."""

    minutes: float
    spread: float
    records: int


class DayFactor(NamedTuple):
    """What is known of today's common factor: mean and spread of its log."""

    shift: float
    spread: float


@dataclass(frozen=True)
class Fits:
    """What the records say; make it with ``fit_stages``.

    ``doubted``: positions of the records that were not believed; ``day_spread``: the
    spread of the log of the factor common to a day.
    """

    levels: dict[str, float] = field(default_factory=dict)
    spreads: dict[str, float] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)
    effects: dict[tuple[str, str, str], float] = field(default_factory=dict)
    unknown: dict[str, float] = field(default_factory=dict)
    differing: frozenset[tuple[str, str]] = frozenset()
    doubted: tuple[int, ...] = ()
    day_spread: float = 0.0

    def time(
        self,
        stage: str,
        *,
        machine: str | None = None,
        material: str | None = None,
        person: str | None = None,
    ) -> StageTime | None:
        """Return the time to expect on an ordinary day; None if the stage has no records.

        The spread leaves out the day's factor and includes what is not known of the
        level when records are few.
        """
        if stage not in self.levels:
            return None
        names = {"machine": machine, "material": material, "person": person}
        level, doubt = self.levels[stage], 0.0
        for part, name in names.items():
            effect = None if name is None else self.effects.get((stage, part, name))
            level += effect or 0.0
            if effect is None and (stage, part) in self.differing:
                doubt += self.unknown[part] ** 2
        count = self.counts[stage]
        variance = self.spreads[stage] ** 2 * (1 + 1 / count) + doubt
        return StageTime(math.exp(level), math.sqrt(variance), count)


def fit_stages(records: Sequence[Record]) -> Fits:
    """Learn stage times from records.

    Parameters
    ----------
    records : sequence of Record
        Finished stages, in any order; minutes of zero or less are not believed.

    Returns
    -------
    Fits
    """
    if not records:
        return Fits()
    minutes = np.array([r.minutes for r in records], dtype=np.float64)
    usable = np.isfinite(minutes) & (minutes >= SHORTEST)
    log = np.log(np.where(usable, minutes, 1.0))
    longest = np.array([_longest_of(min(max(r.together, 1), MOST_TOGETHER)) for r in records])
    stage, stages = _coded([r.stage for r in records])
    believed = usable & ~_outlying(log, stage, usable)
    parts = {
        "machine": _coded([_joined(r.stage, r.machine) for r in records]),
        "material": _coded([_joined(r.stage, r.material) for r in records]),
        "person": _coded([_joined(r.stage, r.person) for r in records]),
        "day": _coded([r.day for r in records]),
    }
    model = _Model(
        log, longest, stage, len(stages), {p: c for p, (c, _) in parts.items()}, believed
    )
    model.settle()
    rest = model.rest() / np.sqrt(longest[:, 1])
    believed &= ~_outlying(rest, stage, believed)
    model.believed = believed
    model.settle()
    seen = np.bincount(stage[believed], minlength=len(stages))
    effects = {
        (*name.split("\0", 1)[:1], part, name.split("\0", 1)[1]): float(model.effect[part][i])
        for part in PARTS[:3]
        for i, name in enumerate(parts[part][1])
        if name is not None
    }
    return Fits(
        levels={s: float(model.level[i]) for i, s in enumerate(stages) if s and seen[i]},
        spreads={s: float(model.spread[i]) for i, s in enumerate(stages) if s and seen[i]},
        counts={s: int(seen[i]) for i, s in enumerate(stages) if s and seen[i]},
        effects=effects,  # type: ignore[arg-type]
        unknown={part: model.between[part] for part in PARTS[:3]},
        differing=frozenset((name, part) for name, part, _ in effects),
        doubted=tuple(np.flatnonzero(~believed).tolist()),
        day_spread=model.between["day"],
    )


def day_so_far(fits: Fits, today: Sequence[Record], running: Sequence[Record] = ()) -> DayFactor:
    """Return what today's finished stages say about the day's common factor.

    Parameters
    ----------
    fits : Fits
    today : sequence of Record
        Stages finished today.
    running : sequence of Record
        Stages that run now, ``minutes`` being how long they have run so far: without
        them, mostly the quick ones would have been seen.
    """
    if fits.day_spread <= 0:
        return DayFactor(0.0, 0.0)
    seen = [_distance(fits, record) for record in today]
    ended = [pair for pair in seen if pair is not None]
    so_far = [pair for pair in map(partial(_distance, fits), running) if pair is not None]
    shift = spread = 0.0
    for _ in range(DAY_ROUNDS):
        precision, total = fits.day_spread**-2, 0.0
        for distance, scale in ended:
            precision += scale**-2
            total += distance * scale**-2
        for distance, scale in so_far:
            # Of a running stage only a lower bound is known: Newton's step on its
            # likelihood, the normal tail.
            z = (distance - shift) / scale
            hazard = _hazard(z)
            weight = min(max(hazard * (hazard - z), 0.0), 1.0) / scale**2
            precision += weight
            total += weight * shift + hazard / scale
        shift, spread = total / precision, precision**-0.5
    return DayFactor(shift, spread)


def _distance(fits: Fits, record: Record) -> tuple[float, float] | None:
    """Return how far the log of a duration lies from what is expected, and its scale.

    None for a stage without fits and for a mark that is not believed.
    """
    time = fits.time(
        record.stage, machine=record.machine, material=record.material, person=record.person
    )
    if time is None or record.minutes < SHORTEST:
        return None
    more, shrunk = _longest_of(min(max(record.together, 1), MOST_TOGETHER))
    scale = max(time.spread, LEAST_SCALE / 2)
    distance = math.log(record.minutes / time.minutes) - scale * more
    scale *= math.sqrt(shrunk)
    if abs(distance) > OUTLYING * math.hypot(scale, fits.day_spread):
        return None
    return distance, scale


def _hazard(z: float) -> float:
    """Return density over upper tail of the standard normal distribution."""
    if z > 30:
        return z
    return math.exp(-z * z / 2) / math.sqrt(2 * math.pi) / (0.5 * math.erfc(z / math.sqrt(2)))


def failure_rate(failures: int, runs: int, *, usual: float = 0.03, weight: float = 20.0) -> float:
    """Return the failure rate to expect: what was observed, pooled with a usual rate.

    ``weight`` is the number of runs that the usual rate counts for (mean of a Beta
    posterior).
    """
    return (failures + usual * weight) / (runs + weight)


class _Model:
    """Levels, effects and spreads, settled by going round until nothing moves."""

    def __init__(
        self,
        log: Floats,
        longest: Floats,
        stage: Ints,
        stages: int,
        parts: dict[str, Ints],
        believed: NDArray[np.bool_],
    ) -> None:
        self.log, self.stage, self.parts, self.believed = log, stage, parts, believed
        self.more, self.shrunk = longest[:, 0], longest[:, 1]
        self.level = np.zeros(stages)
        self.spread = np.full(stages, PRIOR_SPREAD)
        self.effect = {p: np.zeros(max(int(c.max(initial=-1)) + 1, 1)) for p, c in parts.items()}
        self.between = dict.fromkeys(parts, 0.1)

    def rest(self, without: str | None = None) -> Floats:
        """Return what level and effects (but one part) leave unexplained."""
        left = self.log - self.level[self.stage] - self.spread[self.stage] * self.more
        for part, code in self.parts.items():
            if part != without:
                left = left - np.where(code >= 0, self.effect[part][code], 0.0)
        return left

    def settle(self) -> None:
        use = self.believed
        for _ in range(ROUNDS):
            weight = np.where(use, 1.0 / (self.spread[self.stage] ** 2 * self.shrunk), 0.0)
            left = self.rest() + self.level[self.stage]
            sums = np.bincount(self.stage, weight * left, self.level.size)
            weights = np.bincount(self.stage, weight, self.level.size)
            self.level = np.where(weights > 0, sums / np.maximum(weights, 1e-300), 0.0)
            for part, code in self.parts.items():
                self._draw_in(part, code, weight)
            self._spreads(use)

    def _draw_in(self, part: str, code: Ints, weight: Floats) -> None:
        """Estimate one part's effects, drawn in, and how much they differ (EM step)."""
        size = self.effect[part].size
        known = code >= 0
        if not size or not known.any():
            self.between[part] = 0.0
            return
        precision = np.bincount(code[known], weight[known], size)
        left = self.rest(part)
        total = np.bincount(code[known], (weight * left)[known], size)
        between = max(self.between[part], 1e-4) ** 2
        posterior = 1.0 / (precision + 1.0 / between)
        self.effect[part] = total * posterior
        if part != "day":
            # Within a stage the effects add up to nothing: what they share is its level.
            self._centre(part, code)
        seen = precision > 0
        if seen.sum() >= 2:
            moment = (self.effect[part][seen] ** 2 + posterior[seen]).mean()
            self.between[part] = math.sqrt(moment)
        else:
            self.between[part] = 0.0
            self.effect[part][:] = 0.0

    def _centre(self, part: str, code: Ints) -> None:
        known = (code >= 0) & self.believed
        if not known.any():
            return
        size = self.level.size
        count = np.bincount(self.stage[known], minlength=size)
        shared = np.bincount(self.stage[known], self.effect[part][code[known]], size)
        mean = shared / np.maximum(count, 1)
        owner = np.zeros(self.effect[part].size, dtype=np.int64)
        owner[code[known]] = self.stage[known]
        self.effect[part] -= mean[owner]

    def _spreads(self, use: NDArray[np.bool_]) -> None:
        size = self.spread.size
        square = np.where(use, self.rest() ** 2 / self.shrunk, 0.0)
        count = np.bincount(self.stage[use], minlength=size)
        sums = np.bincount(self.stage, square, size)
        # Each estimated effect uses up a part of a record.
        used = sum(
            len(np.unique(code[use & (code >= 0)])) * min(1.0, self.between[p] / 0.1) * 0.5
            for p, code in self.parts.items()
        )
        total = max(float(count.sum()) - used, 1.0)
        pooled = (sums.sum() + PRIOR_SPREAD**2) / (total + 1.0)
        shares = np.maximum(count * total / max(float(count.sum()), 1.0), 0.5)
        variance = (sums + PRIOR_WEIGHT * pooled) / (shares + PRIOR_WEIGHT)
        self.spread = np.sqrt(np.maximum(variance, 1e-4))


@lru_cache(maxsize=MOST_TOGETHER)
def _longest_of(count: int) -> tuple[float, float]:
    """Return mean and variance of the largest of so many standard normal numbers."""
    z = np.linspace(-8.0, 8.0, 4001)
    step = float(z[1] - z[0])
    density = np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi)
    below = np.cumsum(density) * step - density * step / 2
    weight = count * density * below ** (count - 1) * step
    mean = float((z * weight).sum() / weight.sum())
    return mean, float(((z - mean) ** 2 * weight).sum() / weight.sum())


def _joined(stage: str, name: str | None) -> str | None:
    return None if name is None else f"{stage}\0{name}"


def _coded(names: Sequence[str | None]) -> tuple[Ints, list[str | None]]:
    """Number names by first appearance; -1 for none."""
    seen: dict[str | None, int] = {}
    codes = [-1 if n is None else seen.setdefault(n, len(seen)) for n in names]
    return np.array(codes, dtype=np.int64), list(seen)


def _outlying(values: Floats, stage: Ints, use: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Mark values far from their stage's median, in robust standard deviations."""
    marked = np.zeros(values.size, dtype=bool)
    scales, groups = [], []
    for number in np.unique(stage):
        mine = use & (stage == number)
        middle = np.median(values[mine]) if mine.any() else 0.0
        away = np.abs(values - middle)
        groups.append((mine, away))
        if mine.sum() >= FEW:
            scales.append(1.4826 * float(np.median(away[mine])))
    usual = max(float(np.median(scales)) if scales else PRIOR_SPREAD, LEAST_SCALE)
    for mine, away in groups:
        own = 1.4826 * float(np.median(away[mine])) if mine.sum() >= FEW else usual
        marked |= mine & (away > OUTLYING * max(own, LEAST_SCALE))
    return marked
