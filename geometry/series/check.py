"""Check a series of step models: what is there, what is missing, what is out of place."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.reading import read_mesh
from geometry.series.intake import entries, is_packed
from geometry.series.mirrored import is_mirrored, mirrored_steps
from geometry.series.mouths import Mouth, Step, crown_distances, nearest, reduced, sort_into_mouths
from geometry.series.movement import crown_tips, follow
from geometry.series.names import read_name
from geometry.series.order import Ordering, judge_order
from geometry.series.size import odd_sizes, other_size
from geometry.series.surface import Surface

LIMIT_MM = 0.25
"""Largest movement of a tooth from step to step; common practice, no source."""

LEAST_DOUBT_MM, DOUBT_TIMES = 0.005, 2.0
"""What a measured movement may be off: at least the first, or so many times what noise leaves. A
step over the limit by no more is let pass. Rigid crowns of generated series, in one pose or in
many, were measured to 0.006 mm, with noise of 0.02 mm to 0.015 mm."""

ARCHES = ("upper", "lower")

AT_THE_END = "; usual at the end, where an arch is moved no more: see that it is meant"
"""Where one arch is done before the other, its last model is used again (common practice)."""


def check_series(
    source: str | Path | Sequence[tuple[str, bytes]],
    *,
    limit_mm: float = LIMIT_MM,
    numbers: Mapping[str, int] | None = None,
) -> dict[str, Any]:
    """Check the step models of one patient.

    Parameters
    ----------
    source : folder, ZIP file, or (name, bytes) pairs
    limit_mm : float
        Largest tooth movement from step to step.
    numbers : mapping of file to step
        Steps that a person gave, in place of what the files' names say.

    Returns
    -------
    dict
        ``acceptable``, ``problems`` (one line each), ``files``, ``limit_mm``,
        ``unreadable [{file, reason}]``, ``ignored [file]``, ``unnumbered [file]``,
        ``other_units [{file, units}]`` and
        ``arches {"upper" or "lower": {steps, first, last, missing, doubled, swapped,
        misplaced, foreign, mirrored, wrong_arch, largest_movement_mm, largest_movement_at,
        movements, over_limit, found_arch}}``. ``movements`` are between steps in their right
        order. ``foreign`` lists what is no step of the arch: of another
        mouth, or with a ``size_ratio`` of another size than the rest.

    Raises
    ------
    GeometryError
        When the source cannot be opened or no file in it is a mesh.
    """
    if not limit_mm > 0.0:
        raise GeometryError(f"a limit of {limit_mm:g} mm makes no sense; use one above 0")
    stream, ignored = entries(source)
    steps, unreadable = [], []
    units: dict[str, str] = {}
    for entry in stream:
        if entry.fault is not None:
            unreadable.append({"file": entry.name, "reason": entry.fault})
            continue
        try:
            scan = read_mesh(entry.data, entry.name)
        except GeometryError as error:
            unreadable.append({"file": entry.name, "reason": str(error)})
            continue
        units[entry.name] = scan.units
        named = read_name(entry.name)
        surface = Surface.of(reduced(scan.mesh))
        number = (numbers or {}).get(entry.name, named.step)
        steps.append(Step(entry.name, named.arch, number, scan.sha256, surface))
    if not steps:
        raise GeometryError(unreadable[0]["reason"])
    steps.sort(key=lambda s: (s.arch or "", s.step is None, s.step or 0, s.file))
    arches = _by_arch(sort_into_mouths(steps))
    report: dict[str, Any] = {
        "acceptable": True,
        "problems": [],
        "files": len(steps) + len(unreadable),
        "limit_mm": limit_mm,
        "unreadable": unreadable,
        "ignored": sorted(ignored),
        "unnumbered": sorted(s.file for s in steps if s.step is None),
        "other_units": _unlike_most(units),
        "arches": {name: _examine(name, *found, limit_mm) for name, found in arches.items()},
    }
    report["problems"] = _problems(report)
    report["acceptable"] = not report["problems"]
    return report


def _unlike_most(units: Mapping[str, str]) -> list[dict[str, str]]:
    """Return files in another unit than most, by their size; printed so, they come out small."""
    usual = Counter(units.values()).most_common(1)[0][0]
    return [{"file": file, "units": unit} for file, unit in units.items() if unit != usual]


def _named(mouth: Mouth) -> str | None:
    """The arch that most of a mouth's names say."""
    counts = Counter(s.arch for s in mouth.steps if s.arch is not None)
    return counts.most_common(1)[0][0] if counts else None


def _found(mouth: Mouth) -> str | None:
    """The arch that the shape says, when it is clear."""
    frame = mouth.frame
    return frame.found_arch if frame is not None and frame.found_arch in ARCHES else None


def _by_arch(mouths: list[Mouth]) -> dict[str, tuple[Mouth, list[tuple[Step, str | None]]]]:
    """Give each arch its largest mouth; steps of others are foreign to the arch they name.

    A foreign step comes with the arch it really belongs to, when it is here too.
    """
    main: dict[str, Mouth] = {}
    rest: list[Mouth] = []
    for mouth in mouths:
        name = _named(mouth) or _found(mouth)
        free = [a for a in ARCHES if a not in main]
        if name is None and free:
            name = free[0]
        if name is not None and name not in main:
            main[name] = mouth
        else:
            rest.append(mouth)
    out: dict[str, tuple[Mouth, list[tuple[Step, str | None]]]] = {}
    for name in (a for a in ARCHES if a in main):
        own = [s for s in main[name].steps if s.arch in (None, name)]
        out[name] = (Mouth(own), [])
    for name, mouth in main.items():
        for step in mouth.steps:
            if step.arch is not None and step.arch != name:
                out.setdefault(step.arch, (Mouth(), []))[1].append((step, name))
    for mouth in rest:
        for step in mouth.steps:
            name = step.arch or _found(mouth) or next(iter(out))
            out.setdefault(name, (Mouth(), []))[1].append((step, None))
    return out


def _examine(
    name: str, mouth: Mouth, foreign: list[tuple[Step, str | None]], limit: float
) -> dict[str, Any]:
    numbered = sorted(
        (s for s in mouth.steps if s.step is not None), key=lambda s: (s.step, s.file)
    )
    numbers = [int(s.step) for s in numbered if s.step is not None]
    # A number whose model is foreign is there by name: told once, as foreign.
    taken = set(numbers) | {s.step for s, _ in foreign if s.step is not None}
    missing = [k for k in range(min(taken), max(taken) + 1) if k not in taken] if taken else []
    doubled: list[dict[str, Any]] = []
    singles: list[Step] = []
    for number in sorted(set(numbers)):
        same = [s for s in numbered if s.step == number]
        singles.append(same[0])
        if len(same) > 1:
            doubled.append(
                {"steps": [number], "files": [s.file for s in same], "reason": "one number twice"}
            )
    ordered = Mouth(singles)
    distances = crown_distances(ordered)
    found = judge_order(distances)
    doubted = _doubted(found)
    mirrored = mirrored_steps(ordered, distances, doubted)
    sizes = {k: one for k, one in _other_sizes(ordered, doubted).items() if k not in mirrored}
    strange = [_strange(singles[k], ratio) for k, ratio in sizes.items()]
    turned = [singles[k] for k in mirrored]
    if sizes or mirrored:
        # Where their shapes belong says nothing, nor how far they seem to have moved.
        others = [k for k in range(len(singles)) if k not in sizes and k not in mirrored]
        ordered = Mouth([singles[k] for k in others])
        singles = ordered.steps
        distances = distances[np.ix_(others, others)]
        found = judge_order(distances)
    for step, belongs in foreign:
        if belongs is None and singles and is_mirrored(step, ordered, distances):
            turned.append(step)
        elif belongs is None:
            ratio = other_size(step, nearest(singles, step)[0]) if singles else None
            strange.append(_strange(step, ratio))
    movements, tips = _movements(ordered, found.order)
    for alike in _groups([pair for pair in found.doubled if not _apart(ordered, pair, tips)]):
        one_file = len({singles[k].sha256 for k in alike}) == 1
        reason = "the same file" if one_file else "the same shape"
        if alike[0] > 0 and alike == list(range(alike[0], len(singles))):
            reason += AT_THE_END
        doubled.append(
            {
                "steps": [singles[k].step for k in alike],
                "files": [singles[k].file for k in alike],
                "reason": reason,
            }
        )
    largest = max(movements, key=lambda m: m["mm"], default=None)
    return {
        "steps": sorted(set(numbers)),
        "first": min(numbers, default=None),
        "last": max(numbers, default=None),
        "missing": missing,
        "doubled": doubled,
        "swapped": [[singles[i].step, singles[j].step] for i, j in found.swapped],
        "misplaced": [
            {
                "step": singles[k].step,
                "belongs_after": None if before is None else singles[before].step,
                "belongs_before": None if after is None else singles[after].step,
            }
            for k, before, after in found.misplaced
        ],
        "foreign": strange,
        "mirrored": [{"file": s.file, "step": s.step} for s in turned],
        "wrong_arch": [
            {"file": s.file, "step": s.step, "belongs_to": belongs}
            for s, belongs in foreign
            if belongs is not None
        ],
        "largest_movement_mm": None if largest is None else largest["mm"],
        "largest_movement_at": None if largest is None else [largest["from"], largest["to"]],
        "movements": movements,
        "over_limit": [
            m for m in movements if m["mm"] > limit * (m["to"] - m["from"]) + m["doubt_mm"]
        ],
        "found_arch": _found(mouth),
        "named_arch": name if any(s.arch == name for s in mouth.steps) else None,
    }


def _doubted(found: Ordering) -> set[int]:
    """Return the places of the steps that belong elsewhere by their shapes."""
    return {k for pair in found.swapped for k in pair} | {one[0] for one in found.misplaced}


def _other_sizes(mouth: Mouth, doubted: set[int]) -> dict[int, float]:
    """Return the steps of a mouth that were enlarged or reduced, and by how much."""
    frame = mouth.frame
    return {} if frame is None else odd_sizes(mouth.steps, sorted(doubted), frame)


def _strange(step: Step, ratio: float | None) -> dict[str, Any]:
    rounded = None if ratio is None else round(ratio, 4)
    return {"file": step.file, "step": step.step, "size_ratio": rounded}


def _groups(pairs: list[tuple[int, int]]) -> list[list[int]]:
    """Join pairs that share a step; each group rising, in the order of their first steps."""
    groups: list[set[int]] = []
    for pair in pairs:
        joined = set(pair).union(*(group for group in groups if group & set(pair)))
        groups = [group for group in groups if not group & joined] + [joined]
    return sorted(sorted(group) for group in groups)


def _movements(
    mouth: Mouth, order: list[int]
) -> tuple[list[dict[str, Any]], list[NDArray[np.float64]]]:
    """Return the largest movement between steps, and the crowns' tips on each step.

    Steps are taken in the order of their shapes, numbered by their place in it: beside a
    step in the wrong place the teeth would seem to move on and back again.
    """
    frame = mouth.frame
    if frame is None:
        return [], []
    there = crown_tips(mouth)
    tips = [there] * len(order)
    numbers = [step.step for step in mouth.steps]
    out = []
    for place, (one, other) in enumerate(pairwise(order)):
        before, after = mouth.steps[one].surface, mouth.steps[other].surface
        moved, there = follow(before, after, there, frame.occlusal)
        tips[other] = there
        if moved is not None:
            out.append(
                {
                    "from": numbers[place],
                    "to": numbers[place + 1],
                    "mm": moved.largest_mm,
                    "doubt_mm": max(LEAST_DOUBT_MM, DOUBT_TIMES * moved.noise_mm),
                    "at": np.round(moved.at, 3).tolist(),
                }
            )
    return out, tips


def _apart(mouth: Mouth, pair: tuple[int, int], tips: list[NDArray[np.float64]]) -> bool:
    """Whether a single crown stands elsewhere, which the arch as a whole hardly shows."""
    frame = mouth.frame
    first, second = (mouth.steps[k] for k in pair)
    if frame is None or first.sha256 == second.sha256:
        return False
    moved, _ = follow(first.surface, second.surface, tips[pair[0]], frame.occlusal)
    return moved is not None and moved.clear


def _shown(file: str) -> str:
    """A file's path with nothing in it that could break a line."""
    return "".join(c if c.isprintable() else "?" for c in file)


def _steps(numbers: list[int]) -> str:
    *first, last = map(str, numbers)
    return f"steps {', '.join(first)} and {last}" if first else f"step {last}"


def _why_strange(entry: dict[str, Any]) -> str:
    ratio = entry["size_ratio"]
    if ratio is None:
        return "is of another mouth or arch"
    size = f"{100.0 * abs(ratio - 1.0):.1f} % {'larger' if ratio > 1.0 else 'smaller'}"
    return f"is {size} than the rest; export it again at its true size"


def _problems(report: dict[str, Any]) -> list[str]:
    """Return what a person has to look at, one line each."""
    out = [one["reason"] for one in report["unreadable"]]
    out += [
        f"{_shown(file)}: not looked into; unpack it, and check the series again"
        for file in report["ignored"]
        if is_packed(file)
    ]
    out += [f"{_shown(file)}: no step number in its name" for file in report["unnumbered"]]
    out += [
        f"{_shown(one['file'])}: by its size in {one['units']}, unlike most others; "
        "export it in their unit"
        for one in report["other_units"]
    ]
    for name, arch in report["arches"].items():
        if arch["missing"]:
            out.append(f"{name}: {_steps(arch['missing'])} missing")
        for one in arch["doubled"]:
            files = ", ".join(map(_shown, one["files"]))
            out.append(f"{name}: {_steps(one['steps'])}: {one['reason']} ({files})")
        for first, second in arch["swapped"]:
            out.append(f"{name}: steps {first} and {second} are swapped")
        for one in arch["misplaced"]:
            after, before = one["belongs_after"], one["belongs_before"]
            place = (
                f"before {before}" if after is None
                else f"after {after}" if before is None
                else f"between {after} and {before}"
            )  # fmt: skip
            out.append(f"{name}: step {one['step']} belongs {place} by its shape")
        out += [f"{name}: {_shown(one['file'])} {_why_strange(one)}" for one in arch["foreign"]]
        out += [
            f"{name}: {_shown(one['file'])} is mirrored; export it again as it is in the mouth"
            for one in arch["mirrored"]
        ]
        out += [
            f"{name}: {_shown(one['file'])} is a model of the {one['belongs_to']} arch"
            for one in arch["wrong_arch"]
        ]
        ordered = ", in their right order" if arch["swapped"] or arch["misplaced"] else ""
        for one in arch["over_limit"]:
            out.append(
                f"{name}: a tooth moves {one['mm']:.2f} mm from step {one['from']} to "
                f"{one['to']}{ordered}, more than {report['limit_mm']:g} mm a step"
            )
        if arch["named_arch"] and arch["found_arch"] not in (None, name):
            out.append(f"{name}: the models look like the {arch['found_arch']} arch; check names")
    return out
