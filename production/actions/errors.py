"""Why an action did not happen, in words for the person at the bench."""

from __future__ import annotations

import datetime as dt

from django.utils import timezone


class ActionError(Exception):
    """Nothing was changed; ``words`` say why and what to do next."""

    def __init__(self, words: str) -> None:
        super().__init__(words)
        self.words = words


class Refused(ActionError):
    """A rule of the bench forbids it."""


class StartUnknown(Refused):
    """The finish has no start: ask when the work began, do not guess."""


class TicksMissing(Refused):
    """Required lines of the instruction card are not ticked."""

    def __init__(self, lines: list[str]) -> None:
        super().__init__("Still to check: " + "; ".join(lines) + ".")
        self.lines = lines


class LotNeeded(Refused):
    """The step asks for a material's lot first."""

    def __init__(self, words: str, kind: str) -> None:
        super().__init__(words)
        self.kind = kind


class WrongMaterial(Refused):
    """The material must not be used here: wrong, expired, withdrawn, or an allergy."""


class Moved(ActionError):
    """Somebody else moved the appliance since the page was drawn."""

    def __init__(self, code: str, who: str, what: str, when: dt.datetime) -> None:
        local = timezone.localtime(when)
        super().__init__(
            f"{code} was moved by {who} at {local:%H:%M:%S}: {what}. Nothing of yours was "
            "recorded; look at where it stands now."
        )
        self.code, self.who, self.what, self.when = code, who, what, when
