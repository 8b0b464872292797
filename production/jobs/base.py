"""What a kind of background work provides."""

from __future__ import annotations

from production.models import Work


class Job:
    """One kind of background work.

    ``run`` computes outside any transaction and finishes the row.
    """

    def warm(self) -> None:
        """Compile what ``run`` needs, before anybody waits for it."""

    def run(self, row: Work) -> None:
        """Do the work; end the claim with ``work.finishing(row)`` around the writes."""
        raise NotImplementedError

    def refused(self, row: Work, problem: str) -> None:
        """Note on the subject that its input cannot be used (in the finishing transaction)."""

    def gave_up(self, row: Work) -> None:
        """Note on the subject that the work failed for good."""
