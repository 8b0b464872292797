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


def _view(context: Any, builder: Any, kind: Any, value: Any) -> Any:
    """Return a view of an array without its owner; other values as they are."""
    if not isinstance(kind, types.Array):
        return value
    lender = make_array(kind)(context, builder, value)
    view = make_array(kind)(context, builder)
    for name in ("data", "nitems", "itemsize", "shape", "strides"):
        setattr(view, name, getattr(lender, name))
    view.meminfo = get_null_value(view.meminfo.type)
    view.parent = get_null_value(view.parent.type)
    return view._getvalue()


@intrinsic
def borrowed(typing_context: Any, lender: Any) -> Any:
    """Return a view of an array, or of all arrays of a named tuple, that owns no memory."""
    if not isinstance(lender, types.Array | types.BaseNamedTuple):
        return None

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        kind = signature.args[0]
        if isinstance(kind, types.Array):
            return _view(context, builder, kind, arguments[0])
        members = [
            _view(context, builder, part, builder.extract_value(arguments[0], k))
            for k, part in enumerate(kind)
        ]
        return context.make_tuple(builder, signature.return_type, members)

    return lender(lender), generate
