"""The demo: an invented office in an invented town, with three weeks behind it.

Everything here goes through the same actions as the pages do; the days of the past
are planned by the planner with durations drawn at random, then replayed. The only
part of the product that may use ``fixtures``.
"""
