"""What the bench's pages say of what was done, or why it was not."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest

from production.actions.bench.undoing import failed_together
from production.actions.errors import ActionError, Moved
from production.models import StageEvent


def say(request: HttpRequest, error: ActionError) -> None:
    """Show why nothing happened, where the eye is."""
    level = "moved bad" if isinstance(error, Moved) else "bad"
    messages.error(request, error.words, extra_tags=level)


def tell(request: HttpRequest, words: str) -> None:
    """Say what has just moved; the offer to undo stands beside it and need not repeat it."""
    messages.success(request, words, extra_tags="step")


def since_words(event: StageEvent) -> str:
    """Say in a few words what an event was, for the offer to take it back."""
    if event.action == StageEvent.Action.DELIVER:
        return f"{event.appliance.code}: handed over"
    what = event.get_action_display().lower()
    where = f" {event.stage}" if event.stage else ""
    if len(together := failed_together(event)) > 1:
        return f"{len(together)} of {event.load}:{where} failed"
    of = event.load.code if event.load and event.action in ("start", "finish") else None
    return f"{of or event.appliance.code}:{where} {what}"
