"""The constraint model of a part of a plan: some steps are free, the others keep their order.

A run that is kept stays on its resource, with its members, behind the kept run before it;
its times may change, and a free step may join it where it is a batch with room. Whoever
loads a machine is seen as well, by number among those who are alike.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from production.planning.solve.constraints.model import Builder, Model
from production.planning.solve.sequences.openwork import INFINITE, OpenWork
from production.planning.solve.sequences.start import runs
from production.planning.solve.sequences.timing import HEAD, NEXT, RES

Array = np.ndarray[Any, Any]


class PartBuilder(Builder):
    """Makes models of parts of plans of the same open work, one after another."""

    def __init__(self, work: OpenWork) -> None:
        super().__init__(work)
        self.kept: dict[int, list[int]] = {}  # first member -> members of a run that stays
        self.home_of = np.zeros(self.n, np.int64)  # the resource of every step in the plan

    def part(self, state: Array, free: Array) -> Model:
        """Return the model in which the steps of a mask may go anywhere.

        Parameters
        ----------
        state : (ROWS, width) int32
            The plan.
        free : (n,) bool
        """
        self.free = free
        self.kept.clear()
        by_block: dict[int, int] = {}
        for block, members in runs(state, self.n).items():
            self.home_of[members] = state[RES, block]
            staying = [o for o in members if not free[o]]
            if staying:
                by_block[block] = staying[0]
                self.kept[staying[0]] = staying
        model = self.build()
        for r in range(len(self.a.batch)):
            self._keep_order(state, r, by_block)
        return model

    def hint_plan(self, model: Model, start: Array, end: Array, state: Array) -> None:
        """Let the solver begin from the plan (times by step) that the part is of."""
        leader = np.arange(self.n)
        for members in runs(state, self.n).values():
            leader[members] = min(members, key=lambda o: (self.free[o], o))
        model.hint(start, end, self.home_of, leader)

    def _starts(self) -> list[Any]:
        starts = super()._starts()
        for lead, members in self.kept.items():
            for o in members[1:]:
                self.cp.add(starts[lead] >= max(self.scale.low(self.a.step_ready[o]), 0))
                starts[o] = starts[lead]
        return starts

    def _options(self, o: int) -> dict[int, int]:
        if self.free[o]:
            return super()._options(o)
        r = int(self.home_of[o])
        return {self.home[r]: self.scale.low(self.a.minutes[o, r])}

    def _batches(self, lots: list[list[int]]) -> None:
        near = {int(self.a.step_lot[members[0]]): members for members in lots}
        for lead, members in self.kept.items():
            if self.batched[lead]:
                self._keep_batch(lead, members, near.get(int(self.a.step_lot[lead]), []))
        super()._batches(lots)

    def _keep_batch(self, lead: int, members: list[int], near: list[int]) -> None:
        """Add a batch that stays, which steps of ``near`` may join as far as it has room."""
        a, cp = self.a, self.cp
        (c,) = self.options[lead]
        self.at[lead] = {c: self.true}
        sizes = {o: self.size(a.step_size[o], INFINITE) for o in (*members, *near)}
        room = self.room(self.classes[c][0]) - sum(sizes[o] for o in members)
        joining = [o for o in near if c in self.options[o] and sizes[o] <= room]
        longest = max(self.options[o][c] for o in members)
        self.end[lead] = (
            cp.new_int_var(0, self.horizon, "") if joining else self.start[lead] + longest
        )
        for o in members:
            self.follows[o, lead] = self.true
            self.end[o] = self.end[lead]
        if not joining:
            attended = any(a.step_attended[o] for o in members)
            self._run(lead, c, longest, attended)
            return
        cp.add(sum(sizes[o] * self._join(o, lead) for o in joining) <= room)
        self._batch_run(c, lead, [*members, *joining])

    def _help(self) -> None:
        """Let every run hold its helpers: any of a class that is named, for the leader's time."""
        a, cp = self.a, self.cp
        for o in range(self.n):
            runs_alone = not self.batched[o]
            if not runs_alone and (o, o) not in self.follows:
                continue
            here = self.true if runs_alone else self.follows[o, o]
            for kind in a.need[a.need_from[o] : a.need_from[o + 1]]:
                named = a.help[a.help_from[kind] : a.help_from[kind + 1]]
                classes = sorted({self.home[int(h)] for h in named})
                chosen = [cp.new_bool_var("") for _ in classes]
                cp.add(sum(chosen) == here)
                for c, literal in zip(classes, chosen, strict=True):
                    self._hold(o, c, literal)

    def _hold(self, o: int, c: int, literal: Any) -> None:
        """Let a run hold one of a class of helpers, as long as its leader asks, if ``literal``."""
        cp, start = self.cp, self.start[o]
        length = max(self.options[o].values())
        if self.a.hands[o] >= 0:
            length = min(length, self.scale.low(self.a.hands[o]))
        elif not self.a.step_attended[o]:
            return
        self.holding[c].append(
            cp.new_optional_interval_var(start, length, start + length, literal, "")
        )
        if not self._always(c):
            calendar = self._calendar(c, length, True)
            cp.add_linear_expression_in_domain(start, calendar).only_enforce_if(literal)

    def _keep_order(self, state: Array, r: int, by_block: dict[int, int]) -> None:
        before, block = -1, int(state[HEAD, r])
        while block >= 0:
            lead = by_block.get(block, -1)
            if lead >= 0:
                if before >= 0:
                    side_by_side = self.a.shared[r] >= 0
                    over = self.start[before] if side_by_side else self.end[before]
                    self.cp.add(self.start[lead] >= over)
                before = lead
            block = int(state[NEXT, block])
