"""The open work as a constraint model, for proofs and for small days.

Times become whole numbers. Where no common unit makes every figure whole, the model
rounds so that each constraint only loosens: its bound stays a bound, and what it
finds is timed again from the real figures.

Resources that no step can tell apart are one *class* with a count, so that no
symmetric copies of a plan are searched. A batch is named by its *leader*, the member
with the lowest number: ``follows[o, l]`` says that step ``o`` runs in the batch led
by ``l``. Helpers are left out (a relaxation, too).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from ortools.sat.python import cp_model

from production.planning.solve.sequences.openwork import INFINITE, OpenWork

Array = np.ndarray[Any, Any]
UNITS = (1, 2, 4, 5, 10, 12, 20, 60, 100, 120, 1000)
ROUGH = 20
TOO_FAR = 1 << 40


@dataclass(frozen=True)
class Scale:
    """Whole numbers for minutes: ``per_minute`` of them; ``exact`` if nothing is lost."""

    per_minute: int
    exact: bool

    def low(self, value: float) -> int:
        """Round down, or to the nearest where that is exact."""
        return self._whole(value, math.floor)

    def high(self, value: float) -> int:
        """Round up, or to the nearest where that is exact."""
        return self._whole(value, math.ceil)

    def _whole(self, value: float, rough: Any) -> int:
        scaled = min(max(value * self.per_minute, -TOO_FAR), TOO_FAR)
        return round(scaled) if self.exact else int(rough(scaled))


def find_scale(values: Iterable[float]) -> Scale:
    """Return the coarsest unit in which all values are whole."""
    v = np.array([x for x in values if abs(x) < 1e11], float)
    for unit in UNITS:
        if np.all(np.abs(v * unit - np.round(v * unit)) < 1e-6):
            return Scale(unit, True)
    return Scale(ROUGH, False)


@dataclass
class Model:
    """Variables of the constraint model; index by step, class or job."""

    work: OpenWork
    scale: Scale
    cp: cp_model.CpModel
    classes: list[list[int]]
    start: list[Any]
    end: list[Any]
    at: list[dict[int, Any]]  # by step: class -> literal (of the leader, in a batch)
    follows: dict[tuple[int, int], Any]
    unit_end: list[Any]
    late: dict[int, Any] = field(default_factory=dict)
    tardy: dict[int, Any] = field(default_factory=dict)
    span: Any = None

    def hint(self, start: Array, end: Array, resource: Array, leader: Array) -> None:
        """Give the solver a plan (times in minutes, leader by step) to begin from."""
        self.cp.clear_hints()
        home = {r: c for c, members in enumerate(self.classes) for r in members}
        told: dict[int, tuple[Any, int]] = {}  # a variable may stand for several steps

        def tell(variable: Any, value: int) -> None:
            told[variable.index] = (variable, value)

        for o in range(len(self.start)):
            tell(self.start[o], self.scale.low(start[o]))
            if isinstance(self.end[o], cp_model.IntVar):
                tell(self.end[o], self.scale.low(end[o]))
            for c, literal in self.at[o].items():
                if len(self.at[o]) > 1:
                    tell(literal, int(home[int(resource[o])] == c and leader[o] == o))
        for (o, lead), literal in self.follows.items():
            tell(literal, int(leader[o] == lead))
        for variable, value in told.values():
            self.cp.add_hint(variable, value)

    def read(self, solver: cp_model.CpSolver) -> tuple[Array, Array, Array]:
        """Return (start, resource, run) of the solver's plan, by step."""
        n = len(self.start)
        start = np.array([solver.value(s) for s in self.start], float)
        end = np.array([solver.value(e) for e in self.end], float)
        run = np.arange(n)
        for (o, lead), literal in self.follows.items():
            if solver.boolean_value(literal):
                run[o] = lead
        home = np.full(n, -1)
        for o in range(n):
            for c, literal in self.at[o].items():
                if run[o] == o and solver.boolean_value(literal):
                    home[o] = c
        resource = np.zeros(n, np.int64)
        for c, members in enumerate(self.classes):
            free = {r: self.work.arrays.free_from[r] * self.scale.per_minute for r in members}
            leaders = [o for o in np.lexsort((end, start)) if home[o] == c]
            for o in leaders:
                if self.work.arrays.shared[members[0]] >= 0:
                    resource[o] = members[0]
                    continue
                fitting = [r for r in members if free[r] <= start[o] + 0.5]
                r = max(fitting or members, key=lambda m: (free[m] if fitting else -free[m], -m))
                resource[o] = r
                free[r] = end[o]
        return start, resource[run], run


def build(work: OpenWork) -> Model:
    """Return the model of the open work, without an objective."""
    return Builder(work).build()


def size_of(work: OpenWork) -> int:
    """Return about how many literals the model would have."""
    a = work.arrays
    lots: dict[int, int] = {}
    for o in range(len(a.step_job)):
        if a.batch[a.choice[a.choice_from[o]]]:
            lots[int(a.step_lot[o])] = lots.get(int(a.step_lot[o]), 0) + 1
    return len(a.choice) + sum(k * k // 2 for k in lots.values())


class Builder:
    """Makes the model; all steps may go anywhere."""

    def __init__(self, work: OpenWork) -> None:
        self.work = work
        self.a = work.arrays
        a = self.a
        self.n = len(a.step_job)
        self.free = np.ones(self.n, bool)
        self.scale = find_scale(
            [
                *a.minutes.ravel(), *a.window.ravel(), *a.down.ravel(), *a.step_ready, *a.job_due,
                *a.free_from, *a.busy_until.ravel(), *a.setup, *a.job_end,
            ]
        )  # fmt: skip
        self.classes = self._classes()
        self.home = {r: c for c, members in enumerate(self.classes) for r in members}
        self.horizon = self._horizon()
        sizes = [*a.step_size, *a.capacity, *a.busy_size.ravel()]
        self.size_unit = 1 if all(abs(x - round(x)) < 1e-9 for x in sizes) else 1000

    def size(self, value: float, room: float) -> int:
        """Return a size as a whole number, rounded down."""
        return math.floor(min(value, room) * self.size_unit + 1e-6)

    def room(self, r: int) -> int:
        """Return a capacity as a whole number, rounded up."""
        return math.ceil(float(self.a.capacity[r]) * self.size_unit - 1e-6)

    def build(self) -> Model:
        """Add all variables and constraints."""
        a = self.a
        self.cp = cp = cp_model.CpModel()
        self.true = cp.new_constant(1)
        self.intervals: list[list[tuple[int, Any, Any]]] = [[] for _ in self.classes]
        self.holding: list[list[Any]] = [[] for _ in self.classes]  # runs that only need a helper
        self.start = self._starts()
        self.options = [self._options(o) for o in range(self.n)]
        self.batched = [bool(a.batch[self.classes[next(iter(c))][0]]) for c in self.options]
        self.end: list[Any] = [None] * self.n
        self.at: list[dict[int, Any]] = [{} for _ in range(self.n)]
        self.follows: dict[tuple[int, int], Any] = {}
        self.joins: list[list[Any]] = [[] for _ in range(self.n)]
        for o in range(self.n):
            if not self.batched[o]:
                self._single(o)
        self._batches(self._lots())
        self._help()
        for c in range(len(self.classes)):
            self._occupy(c)
        for o in range(self.n):
            if a.step_prev[o] >= 0:
                cp.add(self.start[o] >= self.end[a.step_prev[o]])
        return self._objectives()

    def _starts(self) -> list[Any]:
        ready = [max(self.scale.low(t), 0) for t in self.a.step_ready]
        return [self.cp.new_int_var(t, self.horizon, "") for t in ready]

    def _classes(self) -> list[list[int]]:
        a = self.a
        groups: dict[Any, list[int]] = {}
        for r in range(len(a.batch)):
            windows = a.window[a.window_from[r] : a.window_from[r + 1]]
            downs = a.down[a.down_from[r] : a.down_from[r + 1]]
            alone = a.setup[r] > 0 or a.shared[r] >= 0
            key = (
                bool(a.batch[r]), float(a.capacity[r]) if a.batch[r] else 0.0,
                windows.tobytes(), downs.tobytes(), a.minutes[:, r].tobytes(), r if alone else -1,
            )  # fmt: skip
            groups.setdefault(key, []).append(r)
        return list(groups.values())

    def _horizon(self) -> int:
        """Return a time by which some best plan has ended.

        After the last finite closing and opening time, release and downtime, somebody
        works at any moment until all is done.
        """
        a = self.a
        finite = a.window[np.abs(a.window) < 1e11]
        quiet = max(
            [0.0, *finite, *a.step_ready, *a.free_from, *a.busy_until.ravel(), *a.down.ravel()]
        )
        longest = a.minutes.max(axis=1, initial=0.0).sum() + a.setup.max(initial=0.0) * self.n
        return self.scale.high(quiet + longest) + self.n

    def _options(self, o: int) -> dict[int, int]:
        """Return class -> length of a step."""
        a = self.a
        found: dict[int, int] = {}
        for r in a.choice[a.choice_from[o] : a.choice_from[o + 1]]:
            found[self.home[int(r)]] = self.scale.low(a.minutes[o, r])
        return found

    def _calendar(self, c: int, length: int, attended: bool) -> cp_model.Domain:
        """Return the starts that a class's windows allow."""
        a, r = self.a, self.classes[c][0]
        pairs = []
        for low, high in a.window[a.window_from[r] : a.window_from[r + 1]]:
            begin = self.scale.low(low)
            stop = self.scale.high(high) - (length if attended else 1)
            if stop >= begin:
                pairs.append([begin, stop])
        return cp_model.Domain.from_intervals(pairs)

    def _always(self, c: int) -> bool:
        a, r = self.a, self.classes[c][0]
        windows = a.window[a.window_from[r] : a.window_from[r + 1]]
        return len(windows) == 1 and windows[0, 0] <= 0 and windows[0, 1] >= INFINITE

    def _help(self) -> None:
        """Leave helpers out: a relaxation, so that a bound stays one."""

    def _single(self, o: int) -> None:
        """Add a step that runs by itself."""
        cp, choices = self.cp, self.options[o]
        lengths = set(choices.values())
        if len(lengths) == 1:
            self.end[o] = self.start[o] + next(iter(lengths))
        else:
            self.end[o] = cp.new_int_var(0, self.horizon, "")
        literals = {c: cp.new_bool_var("") for c in choices} if len(choices) > 1 else {}
        if literals:
            cp.add_exactly_one(literals.values())
        for c, length in choices.items():
            self._run(o, c, length, bool(self.a.step_attended[o]), literals.get(c))
        self.at[o] = literals or {next(iter(choices)): self.true}

    def _run(self, o: int, c: int, length: int, attended: bool, literal: Any = None) -> None:
        """Add a run of known length on a class, if ``literal`` holds."""
        cp, start, end = self.cp, self.start[o], self.end[o]
        if literal is None:
            interval = cp.new_interval_var(start, length, end, "")
        else:
            interval = cp.new_optional_interval_var(start, length, end, literal, "")
        self.intervals[c].append((o, interval, self.true if literal is None else literal))
        if not self._always(c):
            calendar = self._calendar(c, length, attended)
            bound = cp.add_linear_expression_in_domain(start, calendar)
            if literal is not None:
                bound.only_enforce_if(literal)

    def _lots(self) -> list[list[int]]:
        """Return the free steps that may share a batch with one another, their ends added."""
        lots: dict[int, list[int]] = {}
        for o in range(self.n):
            if self.batched[o] and self.free[o]:
                lots.setdefault(int(self.a.step_lot[o]), []).append(o)
                self.end[o] = self.cp.new_int_var(0, self.horizon, "")
                self.cp.add(self.end[o] >= self.start[o] + min(self.options[o].values()))
        return list(lots.values())

    def _batches(self, lots: list[list[int]]) -> None:
        """Add the steps that may share a batch."""
        for members in lots:
            for k, lead in enumerate(members):
                self._lead(lead, members[k:])
            for o in members:
                self.cp.add_exactly_one(self.joins[o])

    def _join(self, o: int, lead: int) -> Any:
        """Return the literal by which a step runs in the batch that another leads."""
        joins = self.follows[o, lead] = self.cp.new_bool_var("")
        self.joins[o].append(joins)
        if o != lead:
            self.cp.add(self.start[o] == self.start[lead]).only_enforce_if(joins)
            self.cp.add(self.end[o] == self.end[lead]).only_enforce_if(joins)
        return joins

    def _lead(self, lead: int, members: list[int]) -> None:
        """Add the batch that a step leads if it leads one."""
        a, cp = self.a, self.cp
        leads = self._join(lead, lead)
        choices = self.options[lead]
        self.at[lead] = (
            {c: cp.new_bool_var("") for c in choices}
            if len(choices) > 1
            else {next(iter(choices)): leads}
        )
        if len(choices) > 1:
            cp.add(sum(self.at[lead].values()) == leads)
        for o in members:
            if o == lead:
                continue
            common = [c for c in choices if c in self.options[o]]
            if not common:
                continue
            joins = self._join(o, lead)
            cp.add_implication(joins, leads)
            for c in choices:
                if c not in common:
                    cp.add_bool_or(~joins, ~self.at[lead][c])
        company = [o for o in members if (o, lead) in self.follows]
        load = sum(self.size(a.step_size[o], INFINITE) * self.follows[o, lead] for o in company)
        for c in choices:
            fill = cp.add(load <= self.room(self.classes[c][0]))
            if len(choices) > 1:
                fill.only_enforce_if(self.at[lead][c])
            self._batch_run(c, lead, company)

    def _batch_run(self, c: int, lead: int, company: list[int]) -> None:
        a, cp, here = self.a, self.cp, self.at[lead][c]
        longest = max(self.options[o][c] for o in company if c in self.options[o])
        length = cp.new_int_var(self.options[lead][c], longest, "")
        interval = cp.new_optional_interval_var(self.start[lead], length, self.end[lead], here, "")
        self.intervals[c].append((lead, interval, here))
        for o in company:
            if o != lead and c in self.options[o]:
                both = [here, self.follows[o, lead]]
                cp.add(length >= self.options[o][c]).only_enforce_if(both)
        if self._always(c):
            return
        r = self.classes[c][0]
        chosen = []
        for low, high in a.window[a.window_from[r] : a.window_from[r + 1]]:
            inside = cp.new_bool_var("")
            chosen.append(inside)
            cp.add(self.start[lead] >= self.scale.low(low)).only_enforce_if(inside)
            stop = min(self.scale.high(high), self.horizon + 1)
            cp.add(self.start[lead] <= stop - (0 if a.step_attended[lead] else 1)).only_enforce_if(
                inside
            )
            for o in company:
                if a.step_attended[o]:
                    both = [inside, self.follows[o, lead]]
                    cp.add(self.end[lead] <= stop).only_enforce_if(both)
        cp.add(sum(chosen) == here)

    def _occupy(self, c: int) -> None:
        """Keep the runs of a class from overlapping more than it can hold."""
        a, cp = self.a, self.cp
        members = self.classes[c]
        r = members[0]
        runs = [interval for _, interval, _ in self.intervals[c]] + self.holding[c]
        if not runs:
            return
        closed = [
            (self.scale.high(low), self.scale.low(high))
            for low, high in a.down[a.down_from[r] : a.down_from[r + 1]]
        ]
        downs = [
            cp.new_fixed_size_interval_var(low, high - low, "")
            for low, high in closed
            if high > low
        ]
        if a.shared[r] >= 0:
            self._side_by_side(r, c, downs)
            return
        busy = [
            cp.new_fixed_size_interval_var(0, self.scale.low(a.free_from[m]), "")
            for m in members
            if self.scale.low(a.free_from[m]) > 0
        ]
        if len(members) == 1:
            cp.add_no_overlap([*runs, *busy, *downs])
            if a.setup[r] > 0:
                self._setups(r, c)
            return
        heights = [1] * (len(runs) + len(busy)) + [len(members)] * len(downs)
        cp.add_cumulative([*runs, *busy, *downs], heights, len(members))

    def _side_by_side(self, r: int, c: int, downs: list[Any]) -> None:
        a, cp = self.a, self.cp
        row = a.shared[r]
        cap = self.room(r)
        sizes = [self.size(a.step_size[o], a.capacity[r]) for o, _, _ in self.intervals[c]]
        sizes += [self.size(x, a.capacity[r]) for x in a.busy_size[row] if x > 0]
        held = [
            cp.new_fixed_size_interval_var(0, max(self.scale.low(u), 0), "")
            for u, x in zip(a.busy_until[row], a.busy_size[row], strict=True)
            if x > 0
        ]
        runs = [interval for _, interval, _ in self.intervals[c]]
        heights = [*sizes, *([cap] * len(downs))]
        cp.add_cumulative([*runs, *held, *downs], heights, cap)

    def _setups(self, r: int, c: int) -> None:
        """Keep runs of different family apart by the set-up time."""
        a, cp = self.a, self.cp
        gap = self.scale.low(a.setup[r])
        runs = self.intervals[c]
        for k, (o, _, here) in enumerate(runs):
            if a.last_family[r] >= 0 and a.last_family[r] != a.step_family[o]:
                cp.add(self.start[o] >= self.scale.low(a.free_from[r]) + gap).only_enforce_if(here)
            for q, _, there in runs[:k]:
                if a.step_family[o] == a.step_family[q]:
                    continue
                first = cp.new_bool_var("")
                cp.add(self.start[o] >= self.end[q] + gap).only_enforce_if([first, here, there])
                cp.add(self.start[q] >= self.end[o] + gap).only_enforce_if([~first, here, there])

    def _objectives(self) -> Model:
        a, cp = self.a, self.cp
        far = self.horizon + max(0, *[self.scale.high(x) for x in a.job_end], 0)
        over = min(0, *[self.scale.low(x) for x in a.job_end], 0)  # of what was done before now
        unit_end = [cp.new_int_var(over, far, "") for _ in a.units]
        model = Model(
            self.work, self.scale, cp, self.classes, self.start, self.end, self.at, self.follows,
            unit_end,
        )  # fmt: skip
        model.span = cp.new_int_var(0, far, "")
        for j, last in enumerate(a.job_last):
            end = self.scale.low(a.job_end[j]) if last < 0 else self.end[last]
            unit = unit_end[a.job_unit[j]]
            cp.add(unit >= end)
            cp.add(model.span >= end)
            if a.job_due[j] >= INFINITE:
                continue
            due = self.scale.high(a.job_due[j])
            late = model.late[j] = cp.new_bool_var("")
            cp.add(unit <= due).only_enforce_if(~late)
            if a.job_weight[j] > 0:
                tardy = model.tardy[j] = cp.new_int_var(0, max(0, far - due), "")
                cp.add(tardy >= unit - due)
        return model
