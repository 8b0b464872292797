"""What the inspection has to say, and what follows from it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

STOP, CHECK, NOTE = "stop", "check", "note"
SEVERITIES = (STOP, CHECK, NOTE)

# Every code the inspection can give, with a short title for lists and legends.
CODES: dict[str, str] = {
    "added_wall": "Straight wall around the scan",
    "arch_contradiction": "Other arch than stated",
    "arch_unknown": "Upper or lower not clear",
    "bonded_parts": "Something bonded on the teeth",
    "bubble": "Blister or film of moisture",
    "closed_solid": "Closed solid, not a scan",
    "coarse_mesh": "Triangles too large",
    "crossing_triangles": "Surface passes through itself",
    "curve_of_spee": "Deep curve of Spee",
    "cut_tooth": "Scan ends on a tooth",
    "faulty_edges": "Faulty edges",
    "filled_hole": "Hole filled by software?",
    "few_teeth": "Only part of an arch",
    "file_elsewhere": "File on record elsewhere",
    "front_unsure": "Front of the arch not certain",
    "gap": "Gap between teeth",
    "hole": "Hole in the scan",
    "loose_piece": "Loose piece",
    "margin_uncertain": "Gum line not certain",
    "mouth_unsure": "Same mouth not certain",
    "no_tissue": "No gum captured",
    "noise": "Rough surface",
    "not_an_arch": "Not a dental arch",
    "open_embrasure": "Open space under a contact",
    "other_mouth": "Another mouth than before",
    "out_of_row": "Tooth out of the row",
    "plane_unsure": "Biting plane not certain",
    "scattered": "Triangles do not hang together",
    "second_piece": "Scan in two parts",
    "short_tissue": "Too little gum captured",
    "soft_tissue": "Cheek, lip or tongue on the scan",
    "spike": "Spike",
    "tilt": "Arch lies tilted in the file",
    "too_large": "Larger than an arch",
    "undercut": "Deep undercut",
    "unit_guessed": "Unit of the file is a guess",
    "web": "Film between two teeth",
    "winding": "Triangles facing the wrong way",
}

STAYS_OR_COMES_OFF = (
    "Attachments that an aligner grips stay; if brackets, bands or a wire are still on, scan again "
    "once they are off; if it is moisture, blow dry and rescan."
)
# With a part of an arch alone, or in parts, gum and plane are not what they seem.
_EXPLAINS = ("few_teeth", "not_an_arch", "second_piece")


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing a person should know about the scan.

    Attributes
    ----------
    code : str
        One of ``CODES``.
    severity : str
        ``stop``, ``check`` or ``note``.
    message : str
        What, where, how far off, what to do.
    measured, limit : float or None
        In ``unit``; None when the finding has no number.
    unit : str or None
    sextant, side : str or None
        ISO 3950 sextant; ``facial`` or ``lingual``.
    at : tuple of float or None
        The place in file coordinates, mm.
    """

    code: str
    severity: str
    message: str
    measured: float | None = None
    limit: float | None = None
    unit: str | None = None
    sextant: str | None = None
    side: str | None = None
    at: tuple[float, float, float] | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return the finding as the report shows it; absent parts are null."""
        return {
            "code": self.code,
            "severity": self.severity,
            "message": self.message,
            "measured": None if self.measured is None else round(self.measured, 3),
            "limit": self.limit,
            "unit": self.unit,
            "sextant": self.sextant,
            "side": self.side,
            "at": None if self.at is None else [round(v, 3) for v in self.at],
        }


def with_more(report: dict[str, Any], more: list[Finding]) -> dict[str, Any]:
    """Return ``report`` with findings made from what else is on record, and its new verdict."""
    known = [
        Finding(**(f | {"at": None if f["at"] is None else spot(np.asarray(f["at"]))}))
        for f in report["findings"]
    ]
    ordered = in_order(known + more)
    return report | {
        "findings": [finding.as_dict() for finding in ordered],
        "verdict": verdict_of(ordered),
        "explanation": explain(ordered),
    }


def rounded_down(amount: float) -> float:
    """Return mm to a tenth, so that what falls short of 10 mm by little is not told as 10.0."""
    return math.floor(10.0 * amount + 1e-9) / 10.0


def spot(point: NDArray[np.float64]) -> tuple[float, float, float]:
    """Return a point as a plain triple."""
    return float(point[0]), float(point[1]), float(point[2])


def in_order(findings: list[Finding]) -> list[Finding]:
    """Return the gravest first; within one severity what explains the rest, then the excess."""

    def place(finding: Finding) -> tuple[int, bool, float]:
        gravity = SEVERITIES.index(finding.severity)
        return gravity, finding.code not in _EXPLAINS, -_excess(finding)

    return sorted(findings, key=place)


def _excess(finding: Finding) -> float:
    if finding.measured is None or not finding.limit:
        return 0.0
    ratio = finding.measured / finding.limit
    return max(ratio, 1.0 / ratio if ratio > 0.0 else 1e9)


def verdict_of(findings: list[Finding]) -> str:
    """Return ``rescan`` with any stop, ``check`` with any check, else ``pass``."""
    severities = {finding.severity for finding in findings}
    if STOP in severities:
        return "rescan"
    return "check" if CHECK in severities else "pass"


def explain(findings: list[Finding]) -> str:
    """Say in one sentence which findings make the verdict."""
    verdict = verdict_of(findings)
    if verdict == "pass":
        return "Nothing found that needs a rescan or a second look."
    grade = STOP if verdict == "rescan" else CHECK
    titles: dict[str, int] = {}
    for finding in findings:
        if finding.severity == grade:
            title = CODES[finding.code].lower()
            titles[title] = titles.get(title, 0) + 1
    listed = ", ".join(f"{t} ({n} places)" if n > 1 else t for t, n in titles.items())
    if verdict == "rescan":
        return f"Rescan because of: {listed}."
    return f"A person should look at: {listed}."
