"""QR codes (ISO/IEC 18004) that a 203 dpi label printer and a hand scanner both manage."""

from __future__ import annotations

import base64
import io

import segno

__all__ = ["MODULE_MM", "QUIET_MODULES", "qr_image", "qr_size_mm"]

# Six dots of a 203 dpi printer: modules stay square and even on paper.
MODULE_MM = 0.75
# ISO/IEC 18004 asks for four light modules around the symbol.
QUIET_MODULES = 4


def _symbol(text: str) -> segno.QRCode:
    # The highest level survives a smear over almost a third of it; the codes are short.
    return segno.make(text, error="h", micro=False, boost_error=False)


def qr_image(text: str) -> str:
    """Return ``text`` as a QR picture in a ``data:`` address, quiet zone included.

    Raises
    ------
    ValueError
        There is nothing to encode.
    """
    if not text:
        raise ValueError("a QR code needs a text")
    target = io.BytesIO()
    # One pixel a module: the page scales it without smoothing, so edges stay sharp.
    _symbol(text).save(target, kind="png", border=QUIET_MODULES, scale=1)
    return "data:image/png;base64," + base64.b64encode(target.getvalue()).decode()


def qr_size_mm(text: str) -> float:
    """Return the side of the picture in mm, quiet zone included."""
    modules = _symbol(text).symbol_size(scale=1, border=QUIET_MODULES)[0]
    return modules * MODULE_MM
