"""Codes of the bench sheet: what a hand in a glove scans instead of touching the screen."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Command:
    """One code of the sheet, what it does, and its picture."""

    code: str
    words: str
    icon: str


COMMANDS = (
    Command("DO-OK", "Do the one next step", "ok"),
    Command("DO-START", "Start", "play"),
    Command("DO-FINISH", "Finish", "ok"),
    Command("DO-TICK", "Tick the next line of the card", "edit"),
    Command("DO-TICK-ALL", "I have checked every line of the card", "edit"),
    Command("DO-LOAD", "Begin a load with this one", "plus"),
    Command("DO-FILL", "Fill the load in the order of the plan", "plus"),
    Command("DO-NEXT", "Open what the plan wants next", "next"),
    Command("DO-BENCH", "Back to the bench", "bench"),
    Command("DO-UNDO", "Take back my last move", "undo"),
    Command("DO-SKIP", "This stage is not needed", "next"),
    Command("DO-HOLD", "Put on hold", "pause"),
    Command("DO-RELEASE", "Let it go on", "play"),
    Command("DO-FAIL", "It failed", "stop"),
    Command("SINCE-5", "It started 5 minutes ago", "clock"),
    Command("SINCE-10", "It started 10 minutes ago", "clock"),
    Command("SINCE-20", "It started 20 minutes ago", "clock"),
    Command("SINCE-45", "It started 45 minutes ago", "clock"),
    Command("SINCE-UNKNOWN", "Nobody knows when it started", "question"),
    Command("ENDED-NOW", "It ended just now", "clock"),
    Command("ENDED-THEN", "It ended when it was to end", "clock"),
    Command("ENDED-FULL", "It ran its full time, or the print is complete", "clock"),
    Command("ENDED-UNKNOWN", "Nobody knows when it ended", "question"),
)
BY_CODE = {command.code: command for command in COMMANDS}
CAUSE_PREFIX = "WHY-"
PROGRAM_PREFIX = "PG-"
