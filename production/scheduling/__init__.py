"""Between the records and the planner: the bench's state as a problem, the plan as a record.

The planner knows minutes from now and no database; this package turns one into
the other. Views and actions use ``quote_pickup`` and ``requote``; the worker uses
``publish.make_plan``.
"""

from production.scheduling.quoting import Offer, quote_pickup, requote, warm

__all__ = ["Offer", "quote_pickup", "requote", "warm"]
