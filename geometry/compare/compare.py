"""Do two scans show the same mouth?

The scans are registered, and so is the mirror image of the second one. What
counts then is how alike the single crowns are (each may have moved), how well
the whole agrees, and whether the mirror image agrees just as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geometry.compare.again import look_again
from geometry.compare.crowns import CrownMatch, match_crowns
from geometry.compare.register import Prepared, Registration, best_motion, describe, prepare
from geometry.compare.size import size_ratio, sized, spread_ratio
from geometry.mesh import Mesh

SURE = 0.9
"""Probability from which (or below one minus it) the answer is yes or no."""

WHOLE_ARCH_MM = 78.0
"""A row of teeth shorter than this is a partial scan: it may match at several places,
so that a poor fit is no proof of another mouth."""

PARTIAL_FLOOR = 0.11
LEAST_PATCHES = 4
USUAL_RMS_MM = 0.30
USUAL_CROWN_MM = 0.045
USUAL_SHIFT_MM = 0.45
USUAL_SHARE = 0.6
EVEN_ODDS = 2.6
"""Rescans of one mouth came out above 4, other mouths of the same arch form below 1."""


BACK_MM, BACK_PATCHES = 15.0, 4
"""Crowns this near to the last one of their side are its back teeth, if so many are compared."""

SIZE_APART = 0.012
"""Scans of one mouth by scanners in order differ less in size than this."""

BENT_MM, STILL_MM = 0.75, 0.25
"""Back teeth off by more while the typical crown is not: one of the scans is bent there."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one hypothesis (as scanned, or mirrored) gives.

    Attributes
    ----------
    registration : Registration
    crowns : CrownMatch
    shown : int
        Crown tips of the scan that shows fewer of them.
    """

    registration: Registration
    crowns: CrownMatch
    shown: int

    @property
    def features(self) -> tuple[float, float, float, float]:
        """Crown distance, whole distance, typical shift (mm), share of patches matched."""
        crowns = self.crowns
        if crowns.left_mm.size == 0:
            return 0.5, 1.0, 1.5, 0.0
        return (
            crowns.typical_mm,
            self.registration.rms_mm,
            float(np.median(crowns.moved_mm)),
            crowns.left_mm.size / max(1, self.shown),
        )

    @property
    def likeness(self) -> float:
        """Log odds, from this hypothesis alone, that both scans show one mouth.

        The usual values lie between rescans with teeth moved by up to 0.5 mm and
        scans of different mouths; the weights were set on generated pairs.
        """
        crown, whole, shift, share = self.features
        sum_of_signs = (
            5.0 * np.log(USUAL_RMS_MM / max(whole, 0.05))
            + 2.0 * np.log(USUAL_CROWN_MM / max(crown, 0.012))
            + 1.5 * np.log(USUAL_SHIFT_MM / max(shift, 0.08))
            + 3.0 * (min(share, 1.0) - USUAL_SHARE)
        )
        return float(1.2 * (sum_of_signs - EVEN_ODDS))


def gather(a: Prepared, b: Prepared) -> Evidence:
    """Register two prepared scans and compare their crowns."""
    return _weigh(a, b, best_motion(a, b).motion)


def gather_again(a: Prepared, b: Prepared, first: Evidence) -> Evidence:
    """Return the evidence that a second look gives when it is better than ``first``."""
    found = look_again(a, b, first.registration.local)
    if found is None:
        return first
    second = _weigh(a, *found)
    return second if second.likeness > first.likeness else first


def _weigh(a: Prepared, b: Prepared, motion: NDArray[np.float64]) -> Evidence:
    found = describe(a, b, motion)
    crowns = match_crowns(a.samples, b.samples, b.tips, found.local)
    return Evidence(found, crowns, min(a.tips.shape[0], b.tips.shape[0]))


def _row_length(scan: Prepared) -> float:
    return float(np.ptp(scan.frame.tip_places[:, 0]))


def judge(direct: Evidence, mirrored: Evidence, partial: bool) -> tuple[str, float, str]:
    """Weigh both hypotheses.

    Parameters
    ----------
    direct, mirrored : Evidence
    partial : bool
        One of the scans shows only part of an arch.

    Returns
    -------
    answer : str
        ``yes``, ``no`` or ``unsure``.
    probability : float
        That both scans show one mouth.
    reason : str
        One line for a person.
    """
    # A true pair fits better as scanned than mirrored, however symmetric the mouth.
    against_mirror = 4.0 * (direct.likeness - mirrored.likeness) + 0.5
    odds = min(direct.likeness, against_mirror)
    probability = float(1.0 / (1.0 + np.exp(-np.clip(odds, -30.0, 30.0))))
    reflected = against_mirror < direct.likeness and mirrored.likeness > 0
    if partial and not reflected:
        probability = max(probability, PARTIAL_FLOOR)
    if direct.crowns.left_mm.size < LEAST_PATCHES and probability >= 0.5:
        probability = min(probability, 0.8)
    if probability >= SURE:
        return "yes", probability, "crowns and arch agree"
    if probability <= 1.0 - SURE:
        if reflected:
            return "no", probability, "one scan is the mirror image of the other"
        return "no", probability, "the crowns do not agree"
    if reflected:
        reason = "the mirror image fits about as well: check left and right"
    elif partial:
        reason = "too little of the arch is shown to tell: scan more of it"
    else:
        reason = "neither clearly the same nor clearly different: look at both scans"
    return "unsure", probability, reason


def bent_end(scan: Prepared, crowns: CrownMatch) -> tuple[str, float] | None:
    """Name the back teeth of the side that lies off, and how far at most, mm.

    None where nothing does, as where teeth have moved all along the row. ``scan`` is the one
    whose crowns were laid on the other.
    """
    if crowns.moved_mm.size == 0 or np.median(crowns.moved_mm) > STILL_MM:
        return None
    found = []
    for sign in (-1.0, 1.0):
        own = sign * crowns.centres[:, 0] > 0.0
        back = crowns.centres[:, 1]
        end = own & (back < back[own].min(initial=np.inf) + BACK_MM)
        if end.sum() >= BACK_PATCHES and np.median(crowns.moved_mm[end]) > STILL_MM:
            found.append((float(crowns.moved_mm[end].max()), sign))
    if not found or max(found)[0] < BENT_MM:
        return None
    most, sign = max(found)
    if not scan.frame.sides_known:
        return "the back teeth on one side", most
    # Local x runs to the patient's right on a lower arch, to the left on an upper one.
    right = (sign > 0.0) == (scan.frame.arch == "lower")
    return f"the {'right' if right else 'left'} back teeth", most


def other_size(a: Prepared, b: Prepared, direct: Evidence, partial: bool) -> float | None:
    """Return by how much ``b`` has to be enlarged so that its crowns are those of ``a``.

    None where no other size makes them agree for sure, and better than they do as they are.
    """
    first = 1.0 if partial else spread_ratio(a, b)
    roughly = sized(b, first)
    start = direct if first == 1.0 else gather(a, roughly)
    ratio = first * size_ratio(a, roughly, start.registration.local)
    if abs(ratio - 1.0) < SIZE_APART:
        return None
    as_sized = gather(a, sized(b, ratio))
    sure = float(np.log(SURE / (1.0 - SURE)))
    return ratio if as_sized.likeness > max(sure, direct.likeness) else None


def compare(a: Mesh, b: Mesh) -> dict[str, Any]:
    """Compare two scans.

    Parameters
    ----------
    a, b : Mesh
        In mm, any poses.

    Returns
    -------
    dict
        ``rms_mm``, ``p95_mm`` (distances of ``b`` from ``a`` where both show the
        surface), ``transform`` (4 × 4 nested list, file of ``b`` to file of ``a``),
        ``overlap`` (share of the smaller scan), ``same_mouth`` (yes, no, unsure),
        ``probability``, ``reason``, ``crowns_compared``, ``crown_shift_mm`` and
        ``mirror_probability``.

    Raises
    ------
    GeometryError
        When no teeth are recognised on one of the scans.
    """
    one, two = prepare(a), prepare(b)
    direct, mirrored = gather(one, two), gather(one, two.mirrored())
    partial = min(_row_length(one), _row_length(two)) < WHOLE_ARCH_MM
    answer, probability, reason = judge(direct, mirrored, partial)
    if answer == "no" and mirrored.likeness <= 0:
        # Neither fits: before it is said, make sure that no frame has failed.
        second = gather_again(one, two, direct)
        if second is not direct:
            direct, mirrored = second, gather_again(one, two.mirrored(), mirrored)
            answer, probability, reason = judge(direct, mirrored, partial)
    if answer != "yes" and mirrored.likeness <= 0:
        ratio = other_size(one, two, direct, partial)
        if ratio is not None:
            answer, probability = "unsure", max(probability, PARTIAL_FLOOR)
            by = f"{abs(1.0 / ratio - 1.0):.1%} {'smaller' if ratio > 1.0 else 'larger'}"
            reason = (
                f"the crowns agree, but the second scan is {by} than the first: "
                "check the units of the files and the calibration of the scanner"
            )
    bent = bent_end(two, direct.crowns) if answer == "yes" else None
    if bent is not None:
        reason += (
            f", but {bent[0]} lie up to {bent[1]:.1f} mm apart: scan again if no tooth was moved"
        )
    _, as_mirror, _ = judge(mirrored, direct, partial)
    found = direct.registration
    shift = direct.crowns.moved_mm
    return {
        "rms_mm": found.rms_mm,
        "p95_mm": found.p95_mm,
        "transform": found.transform.tolist(),
        "overlap": found.overlap,
        "same_mouth": answer,
        "probability": probability,
        "reason": reason,
        "crowns_compared": int(shift.size),
        "crown_shift_mm": float(np.median(shift)) if shift.size else None,
        "mirror_probability": as_mirror,
    }
