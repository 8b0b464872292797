"""An appliance or a load at the bench: what it is, where it stands, what its card says."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

from django.http import HttpRequest
from django.urls import reverse

from clinic.models import User
from production.actions.bench.finishing import card_of
from production.actions.bench.loading import WITH_ORDER, run_of
from production.actions.errors import Refused
from production.bench.fold import HANDOVER_STAGE
from production.bench.training import trained_for, training_faults
from production.models import Appliance, InstructionCard, Load, Stage
from production.views.bench.draft import Draft


@dataclass
class Standing:
    """An appliance or a load, with the draft of its present step."""

    request: HttpRequest
    appliance: Appliance | None = None
    load: Load | None = None

    @property
    def name(self) -> str:
        """How a page says what its scans are about: ``appliance:CODE`` or ``load:CODE``."""
        return f"load:{self.load.code}" if self.load else f"appliance:{self.code}"

    @property
    def code(self) -> str:
        """The printed code."""
        if self.load:
            return self.load.code
        return self.appliance.code if self.appliance else ""

    @property
    def stage(self) -> Stage:
        """The stage it is at."""
        if self.load:
            return self.load.stage
        stage = self.appliance.stage if self.appliance else None
        if stage is None:
            raise Refused("It stands at no stage.")
        return stage

    @property
    def url(self) -> str:
        """Its page."""
        return reverse("load" if self.load else "appliance", args=[self.code])

    @cached_property
    def draft(self) -> Draft:
        """What was ticked and scanned for its present step."""
        return Draft(self.request.session, self.name, self._version)

    @property
    def _version(self) -> str:
        if self.load:
            return str(self.load.status)
        return str(self.appliance.seq if self.appliance else 0)

    @property
    def shown(self) -> str:
        """What a page shows of it: where it stands, and the card in which wording.

        A page sends this along with every scan, so that a code is not taken for a step or a
        card that the person has not seen.
        """
        return f"{self._version}.{self.card.version if self._stands and self.card else 0}"

    @property
    def _stands(self) -> bool:
        return self.load is not None or bool(self.appliance and self.appliance.stage_id)

    @property
    def waiting(self) -> bool:
        """Whether its next step is a start."""
        if self.load:
            return self.load.status == Load.Status.FILLING
        assert self.appliance is not None
        return (
            self.appliance.status == Appliance.Status.WAITING and self.stage.code != HANDOVER_STAGE
        )

    @property
    def running(self) -> bool:
        """Whether its next step is a finish."""
        if self.load:
            return self.load.status == Load.Status.RUNNING
        return bool(self.appliance and self.appliance.status == Appliance.Status.RUNNING)

    @cached_property
    def members(self) -> list[Appliance]:
        """The appliances it stands for, with their orders."""
        if self.load:
            rows = self.load.appliances.select_related(*WITH_ORDER).order_by("code")
            return list(rows)
        return [self.appliance] if self.appliance else []

    @cached_property
    def run(self) -> Load | None:
        """The running load an appliance is in; the load itself."""
        if self.load:
            return self.load
        return run_of(self.appliance) if self.appliance and self.running else None

    @cached_property
    def card(self) -> InstructionCard | None:
        """The instruction card of its stage."""
        return card_of(self.stage)

    @cached_property
    def trained(self) -> list[User]:
        """Those its stage is kept for; empty where everyone at the bench may begin it."""
        return trained_for(self.stage) if self.waiting else []

    @cached_property
    def training_faults(self) -> list[str]:
        """Why the person who looks at it may not begin it."""
        user = self.request.user
        return training_faults(user, self.stage) if isinstance(user, User) else []

    @cached_property
    def lines(self) -> list[dict[str, Any]]:
        """The card's lines with their ticks."""
        items = self.card.items if self.card else []
        return [{**item, "ticked": item["id"] in self.draft.ticks} for item in items]
