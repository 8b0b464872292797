"""Measure a printed check model, and judge what a printer's checks say.

The alarm rules are stated on the page: limits of an individuals chart (3 sigma from the
mean moving range, constants of ASTM MNL 7), runs after Nelson (J. Qual. Technol. 16 (1984)
237-239), and two fixed limits for working models, ±0.25 mm on a tooth for 98 % of the
surface and ±0.50 mm across the arch (Biomimetics 2024;9(4):217).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from geometry.accuracy import check_body, compare_print
from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.reading import read_mesh
from production import storage
from production.models import AccuracyCheck, StoredFile
from production.statistics import individuals_chart

TOOTH_MM = 0.25
SHARE_WITHIN = 0.98
ACROSS_MM = 0.50
CHARTS = {"mean": "mean deviation", "precision": "precision", "growth": "even growth"}
"""What a chart follows from check to check. Even growth is what an open arch hardly shows in its
mean deviation, since it fits the file as well when it is a little wider."""
AXES = {"x": "width", "y": "depth", "z": "height"}


@dataclass(frozen=True)
class Measured:
    """What a check came to, not yet on record."""

    report: dict[str, Any]
    picture: StoredFile


@dataclass(frozen=True)
class Alarm:
    """What is wrong with a check, by which rule, and what to do next."""

    words: str
    next_step: str


def measure(check: AccuracyCheck) -> Measured:
    """Compare a check's rescans with what was printed, outside any transaction.

    Raises
    ------
    geometry.errors.GeometryError
        A file cannot be read, or shows another model; the message says what to do.
    """
    reference = _reference(check)
    rescans = [
        read_mesh(file.read(), f"rescan {number}").mesh
        for number, file in enumerate(check.rescans.order_by("pk"), start=1)
    ]
    found = compare_print(reference, rescans)
    size = (reference.vertices.max(axis=0) - reference.vertices.min(axis=0)).tolist()
    prints = found.report["prints"]
    report = found.report | {
        "bias_mm": sum(p["bias_mm"] for p in prints) / len(prints),
        "size_mm": dict(zip("xyz", size, strict=True)),
    }
    return Measured(report, storage.store_bytes(found.picture(), "image/png"))


def _reference(check: AccuracyCheck) -> Mesh:
    if check.model is None:
        return check_body()
    if check.model.file is None:
        raise GeometryError("the model that was printed is no longer on file; take the check body")
    return read_mesh(check.model.file.read(), "printed model").mesh


def record_of(measured: Measured) -> dict[str, Any]:
    """Return the fields of a measured check.

    The precision of a single print is the spread of its deviations over the surface: how
    well prints repeat shows only with several.
    """
    report = measured.report
    precision = report["precision_mm"]
    if precision is None:
        precision = report["prints"][0]["sd_mm"]
    return {
        "status": AccuracyCheck.Status.MEASURED,
        "problem": "",
        "report": report,
        "picture": measured.picture,
        "trueness_mm": report["trueness_mm"],
        "precision_mm": precision,
    }


def mean_deviation(check: AccuracyCheck) -> float:
    """Signed mean deviation, mm; the trueness of checks that were recorded without a sign."""
    return float(check.report.get("bias_mm", check.trueness_mm or 0.0))


def comparable(checks: list[AccuracyCheck]) -> list[AccuracyCheck]:
    """Return the checks whose precision means the same as the newest's.

    Between several prints it is another quantity than over the surface of one.
    """
    if not checks:
        return []
    several = _several(checks[-1])
    return [check for check in checks if _several(check) == several]


def followed(checks: list[AccuracyCheck], what: str) -> tuple[list[AccuracyCheck], list[float]]:
    """Return the checks that have a figure of a chart, and the figures, mm.

    Parameters
    ----------
    checks : list of AccuracyCheck
        Measured ones, oldest first.
    what : str
        A key of ``CHARTS``.
    """
    if what == "precision":
        same = comparable(checks)
        return same, [check.precision_mm or 0.0 for check in same]
    if what == "growth":
        known = [check for check in checks if check.report.get("growth_mm") is not None]
        return known, [float(check.report["growth_mm"]) for check in known]
    return checks, [mean_deviation(check) for check in checks]


def _several(check: AccuracyCheck) -> bool:
    return len(check.report.get("prints", [])) > 1


def together(found: list[Alarm]) -> list[tuple[list[str], str]]:
    """Group alarms by what to do next: (words of each, next step)."""
    steps: dict[str, list[str]] = {}
    for alarm in found:
        steps.setdefault(alarm.next_step, []).append(alarm.words)
    return [(words, step) for step, words in steps.items()]


def alarms(checks: list[AccuracyCheck]) -> list[Alarm]:
    """Return what the newest of a printer's checks with one resin says is wrong.

    Parameters
    ----------
    checks : list of AccuracyCheck
        Measured ones, oldest first.
    """
    if not checks:
        return []
    newest = checks[-1]
    out = []
    for what, name in CHARTS.items():
        known, values = followed(checks, what)
        if not known or known[-1] is not newest:
            continue
        chart, _ = individuals_chart(values, judged=1)
        # Prints that have come to repeat better are no alarm.
        better = what == "precision" and values[-1] < chart.centre[-1]
        out += [
            Alarm(f"The {name} of the last check is {signal.rule}.", _advice(newest))
            for signal in chart.signals
            if signal.index == len(values) - 1 and not chart.few and not better
        ]
    within = newest.report.get("within", {}).get(f"{TOOTH_MM:.2f}")
    if within is not None and within < SHARE_WITHIN:
        out.append(
            Alarm(
                f"Only {100 * within:.1f}\u00a0% of the surface lies within ±{TOOTH_MM} mm; "
                f"{100 * SHARE_WITHIN:.0f}\u00a0% are wanted.",
                _advice(newest),
            )
        )
    for axis, percent in newest.report.get("scale_error_percent", {}).items():
        across = percent / 100.0 * newest.report.get("size_mm", {}).get(axis, 0.0)
        if abs(across) > ACROSS_MM:
            way = "large" if across > 0 else "small"
            out.append(
                Alarm(
                    f"The {AXES[axis]} comes out {abs(across):.2f} mm too {way} across the model; "
                    f"the limit is {ACROSS_MM:.2f} mm.",
                    "Check the printer's scale for this resin as its maker prescribes, print the"
                    " check model again, and compare.",
                )
            )
    return out


def _advice(check: AccuracyCheck) -> str:
    """What to look at first, by the sign of the deviation (common practice, no source)."""
    bias = mean_deviation(check)
    if bias > 0.05:
        first = "Surfaces stand too far out: check wash time and fresh alcohol, then exposure."
    elif bias < -0.05:
        first = "Surfaces lie too far in: check exposure and lamp, resin lot, then curing time."
    else:
        first = "Check film, glass, plate level and resin."
    return (
        first + " Follow the manufacturers' instructions. Print the check model again; until it"
        " agrees, have a doctor look at models from this printer before forming."
    )
