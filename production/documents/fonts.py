"""Which characters this computer's fonts can print."""

from __future__ import annotations

import ctypes
import ctypes.util
import unicodedata
from functools import cache, lru_cache

#: Latin, Greek and Cyrillic: in every font that the papers name.
ALWAYS = 0x0530


def unprintable(text: str) -> str:
    """Return the characters of ``text`` for which no font is installed, each once, in order.

    Asked of fontconfig, which the layout engine takes its fonts from; where that cannot be
    asked, everything counts as printable.
    """
    return "".join(c for c in dict.fromkeys(text) if ord(c) >= ALWAYS and not _in_a_font(c))


@cache
def _fontconfig() -> ctypes.CDLL | None:
    name = ctypes.util.find_library("fontconfig")
    if name is None:
        return None
    library = ctypes.CDLL(name)
    pointer = ctypes.c_void_p
    for function, result, arguments in [
        ("FcCharSetCreate", pointer, []),
        ("FcCharSetAddChar", ctypes.c_int, [pointer, ctypes.c_uint32]),
        ("FcCharSetDestroy", None, [pointer]),
        ("FcPatternCreate", pointer, []),
        ("FcPatternAddCharSet", ctypes.c_int, [pointer, ctypes.c_char_p, pointer]),
        ("FcPatternDestroy", None, [pointer]),
        ("FcObjectSetCreate", pointer, []),
        ("FcObjectSetDestroy", None, [pointer]),
        ("FcFontList", pointer, [pointer, pointer, pointer]),
        ("FcFontSetDestroy", None, [pointer]),
    ]:
        declared = getattr(library, function)
        declared.restype, declared.argtypes = result, arguments
    return library


@lru_cache(maxsize=4096)
def _in_a_font(character: str) -> bool:
    fc = _fontconfig()
    if fc is None or unicodedata.category(character)[0] in "CZM":
        return True  # spaces, marks and what directs the writing need no glyph of their own
    wanted, pattern, objects = fc.FcCharSetCreate(), fc.FcPatternCreate(), fc.FcObjectSetCreate()
    fc.FcCharSetAddChar(wanted, ord(character))
    fc.FcPatternAddCharSet(pattern, b"charset", wanted)
    found = fc.FcFontList(None, pattern, objects)
    # The number of fonts is the first field of what is returned (FcFontSet.nfont).
    has = bool(found) and ctypes.cast(found, ctypes.POINTER(ctypes.c_int)).contents.value > 0
    if found:
        fc.FcFontSetDestroy(found)
    fc.FcObjectSetDestroy(objects)
    fc.FcPatternDestroy(pattern)
    fc.FcCharSetDestroy(wanted)
    return has
