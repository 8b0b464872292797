"""State changes, one small file each: permission, change and log in one transaction.

``open_order`` and ``agree_promise`` are for the desk; ``move`` holds what happens at
the bench and at the hand-over. Errors with words for the person are in ``errors``.
"""

from production.actions.opening import open_order
from production.actions.promising import agree_promise

__all__ = ["agree_promise", "open_order"]
