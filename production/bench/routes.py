"""The route of an appliance kind: which stage comes next, how far back a failure may send."""

from __future__ import annotations

from production.models import RouteStage, Stage


def route_of(kind_id: int) -> list[RouteStage]:
    """Return the stages of a kind's route in order. One query."""
    return list(RouteStage.objects.filter(kind_id=kind_id).select_related("stage"))


def place(route: list[RouteStage], stage: Stage) -> RouteStage | None:
    """Return the route's entry for ``stage``; None when the route has lost it since."""
    return next((r for r in route if r.stage_id == stage.pk), None)


def after(route: list[RouteStage], stage: Stage) -> Stage | None:
    """Return the stage that follows; None at the end.

    A stage that was taken off the route while an appliance stood at it is followed by
    the first stage of the route that comes later at the bench.
    """
    here = place(route, stage)
    if here is not None:
        return next((r.stage for r in route if r.position > here.position), None)
    return next((r.stage for r in route if r.stage.position > stage.position), None)


def up_to(route: list[RouteStage], stage: Stage) -> list[Stage]:
    """Return the stages at which work on an appliance that stands at ``stage`` may restart."""
    here = place(route, stage)
    if here is None:
        return [r.stage for r in route if r.stage.position <= stage.position]
    return [r.stage for r in route if r.position <= here.position]
