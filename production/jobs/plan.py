"""Make and publish a plan of the bench."""

from __future__ import annotations

from production import work
from production.jobs.base import Job
from production.models import Work


class MakePlan(Job):
    """Plan, foresee, and publish if still true to the present state."""

    def warm(self) -> None:
        """Compile the planner, the search that betters its plans included."""
        from production import planning
        from production.planning.solve import warm as warm_search

        planning.warm()
        warm_search()

    def run(self, row: Work) -> None:
        """Make a plan for the state as it is now."""
        from production.scheduling.publish import make_plan

        plan = make_plan()
        with work.finishing(row):
            plan.publish()
