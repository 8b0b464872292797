"""Arrays lent to a compiled function without counting references.

Counting references costs an atomic operation each time an array is handed to a
helper, which was more than half of the kernel's time. A borrowed view counts nothing, so the
lender must stay alive meanwhile: borrow only what the caller holds for the whole call.
"""

from __future__ import annotations

from typing import Any

from numba.core import types
from numba.core.cgutils import get_null_value
from numba.extending import intrinsic
from numba.np.arrayobj import make_array

__all__ = ["borrowed"]


@intrinsic
def borrowed(typing_context: Any, array: Any) -> Any:
    """Return a view of an array that does not own its memory."""
    if not isinstance(array, types.Array):
        return None

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        kind = signature.args[0]
        lender = make_array(kind)(context, builder, arguments[0])
        view = make_array(kind)(context, builder)
        for name in ("data", "nitems", "itemsize", "shape", "strides"):
            setattr(view, name, getattr(lender, name))
        view.meminfo = get_null_value(view.meminfo.type)
        view.parent = get_null_value(view.parent.type)
        return view._getvalue()

    return array(array), generate
