"""What a person works on at the bench: an appliance, or a load of them. Start and finish it."""

from __future__ import annotations

import datetime as dt
from functools import cached_property
from typing import Any

from django.http import HttpRequest
from django.utils import timezone

from clinic.models import User
from clinic.templatetags.show import clock
from production.actions.bench import move
from production.actions.errors import Refused
from production.bench.acting import acts_until, runs_until, started_by
from production.bench.routes import place, route_of
from production.models import Appliance, Downtime, InstructionCard, Load, Stage
from production.selectors.office.machines import cut_off, down_now
from production.views.bench.choices import Choices

FORGOTTEN = dt.timedelta(minutes=15)
FULL_TIME = "The program had its full time; its start was marked late."
COMPLETE = "The print was complete sooner than expected, or its start was marked late."


class EndUnknown(Refused):
    """The finish was forgotten: ask when it was, do not guess."""


class EndsEarly(Refused):
    """The program set cannot have run its time yet: ask whether it did."""


class Subject(Choices):
    """An appliance or a load, to be started and finished."""

    @cached_property
    def acts_until(self) -> dt.datetime | None:
        """Until when what was taken by hand must act or cure; None when nothing has to."""
        if self.appliance is None or not self.running or self.run is not None:
            return None
        start = started_by(self.appliance)
        return acts_until(start) if start else None

    @cached_property
    def should_have_ended(self) -> dt.datetime | None:
        """When the run was to end, once that is so long ago that the finish was forgotten.

        The person is then asked when it really ended; the present time would be a guess.
        """
        if not self.running:
            return None
        slack = FORGOTTEN
        if self.run is not None:
            end = self.run.expected_end
        else:
            assert self.appliance is not None
            entry = place(route_of(self.appliance.kind_id), self.stage)
            usual = dt.timedelta(minutes=entry.minutes if entry else 0.0)
            end = self.appliance.stage_since + usual
            if self.acts_until is not None:
                end = max(end, self.acts_until)
            slack = max(2 * FORGOTTEN, usual)
        return end if end is not None and timezone.now() - end > slack else None

    @cached_property
    def runs_until(self) -> dt.datetime | None:
        """Until when the program of its run has not had its time; None once it is over."""
        return runs_until(self.run) if self.running and self.run is not None else None

    @property
    def prints(self) -> bool:
        """Whether what runs is a printer's plate."""
        return self.stage.machine_kind == Stage.MachineKind.PRINTER

    def start(self, user: User, key: str) -> None:
        """Start with what the draft holds."""
        options: dict[str, Any] = {
            "machine": self.machine,
            "lots": self.lots,
            "program": self.program,
        }
        if self.load:
            self.load = move.start_load(user, self.load, key=key, **options)
        elif self.appliance:
            move.start(user, self.appliance, key=key, seen=self.appliance.seq, **options)
        self.__dict__.pop("run", None)
        # What was checked before the start need not be checked again.
        self.draft.version = self._version
        self.draft.save()

    @property
    def broken_off(self) -> Downtime | None:
        """The span out of service that its machine fell into while it runs."""
        return down_now(self.run.machine) if self.run else None

    @property
    def cut_off(self) -> str:
        """What to say when its machine goes out of service before the run ends; mostly nothing."""
        span = cut_off(self.run) if self.run else None
        if span is None or self.run is None:
            return ""
        return (
            f"{self.run.machine} goes out of service {clock(span.starts_at)} ({span.reason}), "
            f"before this ends {clock(self.run.expected_end)}."
        )

    def finish(
        self,
        user: User,
        key: str,
        *,
        card: InstructionCard | None = None,
        started_at: dt.datetime | None = None,
        start_unknown: bool = False,
        ended: str = "",
    ) -> None:
        """Finish with the draft's ticks.

        ``ended`` answers when a finish was forgotten: "now", "then" (when it was to end),
        or "unknown"; and when a program seems cut short: "full" (it ran its time).

        Raises
        ------
        EndUnknown
            The run was to end long ago, and nobody has said when it did.
        EndsEarly
            The program has not had its time since the start that was marked.
        """
        until = self.runs_until
        if until is not None and ended != "full":
            raise EndsEarly(self._early(until))
        then = self.should_have_ended
        if then is not None and ended not in {"now", "then", "unknown"}:
            raise EndUnknown(
                f"{self.code} was to end at {timezone.localtime(then):%H:%M}. When did it?"
            )
        ticks = self.draft.ticks
        at = then if ended == "then" else None
        certain = (then is None or ended == "now") and until is None
        note = (COMPLETE if self.prints else FULL_TIME) if until is not None else ""
        if self.load:
            move.finish_load(
                user,
                self.load,
                key=key,
                ticks=ticks,
                card=card,
                at=at,
                time_certain=certain,
                note=note,
            )
        elif self.appliance:
            move.finish(
                user,
                self.appliance,
                key=key,
                seen=self.appliance.seq,
                ticks=ticks,
                card=card,
                started_at=started_at,
                start_unknown=start_unknown,
                machine=self.machine,
                lots=self.lots,
                program=self.program,
                at=at,
                time_certain=certain,
                note=note,
            )


    def _early(self, until: dt.datetime) -> str:
        """Ask whether what should still run has really ended."""
        if self.prints:
            return f"{self.code} was expected to print until {clock(until)}. Is the print complete?"
        program = self.run.program if self.run else ""
        return f"{self.code} runs “{program}” until {clock(until)}. Did it run its full time?"


def appliance_subject(request: HttpRequest, code: str) -> Subject | None:
    """Return the appliance with this code, ready to work on."""
    # What only some pages and stages ask for is read when they do: a join of all of it costs
    # more than the few rows read by their keys.
    wanted = ("order__patient", "stage", "kind")
    appliance = Appliance.objects.select_related(*wanted).filter(code=code).first()
    return Subject(request, appliance=appliance) if appliance else None


def load_subject(request: HttpRequest, code: str) -> Subject | None:
    """Return the load with this code, ready to work on."""
    load = Load.objects.select_related("stage", "machine", "program").filter(code=code).first()
    return Subject(request, load=load) if load else None


def subject_of(request: HttpRequest, context: str) -> Subject | None:
    """Return what a page's ``context`` names, or None."""
    kind, _, code = context.partition(":")
    if kind in {"appliance", "fail", "handover"}:
        return appliance_subject(request, code)
    if kind == "load":
        return load_subject(request, code)
    return None
