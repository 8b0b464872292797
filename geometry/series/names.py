"""Arch and step number from the name of a step's file."""

from __future__ import annotations

import re
from dataclasses import dataclass

_UPPER = r"upper|maxillary|maxilla|max|u"
_LOWER = r"lower|mandibular|mandible|mand|l"
_STEP = r"step|stage|st|s|no|nr|n|model|aligner"
_ARCH = re.compile(rf"(?<![a-z])(?:({_UPPER})|({_LOWER}))(?![a-z])")
_AFTER_WORD = re.compile(rf"(?<![a-z])(?:{_STEP})[\s_.#-]*(0?\d{{1,3}})(?!\d)")
_AFTER_ARCH = re.compile(rf"(?<![a-z])(?:{_UPPER}|{_LOWER})[\s_.#-]*(0?\d{{1,3}})(?!\d)")
_BEFORE_ARCH = re.compile(rf"(?<![a-z\d])(\d{{1,3}})[\s_.#-]*(?:{_UPPER}|{_LOWER})(?![a-z])")
_RUN_TOGETHER = re.compile(
    r"(?<![a-z])(upper|lower|maxilla|mandible)(?=(?:jaw|arch|step|stage|model|aligner))"
)
_ALONE = re.compile(r"(?<![a-z\d])(\d{1,3})(?![a-z\d])")
"""A number that belongs to no code such as C401."""


@dataclass(frozen=True, slots=True)
class Named:
    """What a name says; None where it says nothing."""

    arch: str | None
    step: int | None


def read_name(path: str) -> Named:
    """Read a path such as ``upper/step_07.stl``, ``U07.stl`` or ``A123 lower 7.stl``.

    The file's own name is read first, then its folders for the arch. A number after a
    word for a step counts most, then one beside the arch, then the last that stands alone.
    """
    # UpperStep5 and lowerarch are two words each.
    words = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", path.replace("\\", "/")).lower()
    parts = _RUN_TOGETHER.sub(r"\1 ", words).split("/")
    base = re.sub(r"\.(stl|ply|obj)$", "", parts[-1])
    arch = None
    for part in [base, *reversed(parts[:-1])]:
        found = {"upper" if match[1] else "lower" for match in _ARCH.finditer(part)}
        if len(found) == 1:
            arch = found.pop()
            break
    for pattern in (_AFTER_WORD, _AFTER_ARCH, _BEFORE_ARCH, _ALONE):
        numbers = pattern.findall(base)
        if numbers:
            return Named(arch, int(numbers[-1]))
    return Named(arch, None)
