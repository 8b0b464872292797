"""State changes, one small file each, by the room where they are made: permission, change and
log in one transaction.

``bench.move`` gathers what happens at the bench and at the hand-over; ``recording`` alone adds
stage events; errors with words for the person are in ``errors``.
"""

from production.actions.desk.opening import open_order
from production.actions.desk.promising import agree_promise

__all__ = ["agree_promise", "open_order"]
