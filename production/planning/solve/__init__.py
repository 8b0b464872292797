"""Optimised plans: ``solve`` for a plan, ``checker.violations`` to check one."""

from production.planning.solve.solving import DEFAULT_SECONDS, solve, warm

__all__ = ["DEFAULT_SECONDS", "solve", "warm"]
