"""Errors that the planning package raises for problems it cannot work with."""


class ProblemError(ValueError):
    """A planning problem is malformed; the message names the place and the remedy."""
