"""Upper or lower arch? Several independent signs, weighed together.

Each sign is a log-likelihood ratio, positive for an upper arch, and limited, so
that no single one decides except a scanned palate. What the signs cannot settle
stays ``unknown``: an arch taken for the other one would be turned left for right.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.frame.arch.teeth import row_evidence
from geometry.frame.arch.unroll import STEP_S_MM, STEP_T_MM, Unrolled
from geometry.frame.arch.vault import Vault

SURE = 0.85
"""Probability from which the arch is named."""

WHOLE_ROW_MM = 80.0
"""A row of teeth this long, about first molar to first molar, says all it can."""

SURE_TILT_DEG = 4.0

SLOPE_EITHER_MM = -0.5
"""Lingual cusps this far below the facial ones are as usual on either arch."""

MOLARS_FROM_MM, MOLARS_MM = 34.0, 16.0
"""Molars stand from about here on along the row; so much of them says all they can."""

UPRIGHT, UPRIGHT_COUNTS = -1.0, 0.5
"""Lower back teeth lean to the tongue in nearly every mouth: where no other sign says lower,
narrow teeth may be crowded upper ones and say half as much."""

ROW_EVEN, ROW_COUNTS, ROW_MOST = 5.0, 0.35, 6.0
"""The teeth laid wholly over a row cost so much more as lower than as upper ones where either is as
likely (of 43 generated mouths by four generators the lower ones cost -33 to -4, the upper ones
-3 to 32); what each unit says, and what all of it says at most."""

DOUBTFUL = ROW_MOST
"""Where the quick signs together say less than the teeth laid wholly over the row may, they are."""

LEDGE_EITHER_MM = 2.5
"""A ledge this wide is as usual on either arch."""

LEDGE_FLOOR_MM = -16.0
"""Tissue farther below the occlusal plane than this is no ledge beside the teeth."""


@dataclass(frozen=True, slots=True)
class ArchSide:
    """What the scan itself says about being an upper or a lower arch.

    Attributes
    ----------
    value : str
        ``upper``, ``lower`` or ``unknown``.
    upper : float
        Probability that it is an upper arch.
    signs : dict
        Log-likelihood ratio of each sign.
    shown : float
        How much of what each sign says counts, 0 to 1: less of a short row.
    """

    value: str
    upper: float
    signs: dict[str, float]
    shown: float

    @property
    def doubtful(self) -> bool:
        """Whether the signs say little together."""
        return abs(sum(self.signs.values())) < DOUBTFUL

    def with_row(self, dearer: float) -> ArchSide:
        """Weigh in how much dearer the row of teeth is to explain as a lower one."""
        row = float(np.clip(ROW_COUNTS * (dearer + ROW_EVEN), -ROW_MOST, ROW_MOST))
        return _weighed(self.signs | {"row": row}, self.shown)

    @property
    def confidence(self) -> float:
        """Probability of the likelier arch, 0.5 to 1."""
        return max(self.upper, 1.0 - self.upper)


def _cusp_slope(row: Unrolled) -> tuple[float, float]:
    """Mean height of the lingual over the facial cusps of the back teeth, mm, and its weight.

    The curve of Wilson: lower back teeth lean to the tongue, so their lingual
    cusps are low; the palatal cusps of upper back teeth are high. Those of premolars
    are low in either arch: without molars the sign says little (weight 0 to 1).
    """
    back = row.covered & (np.abs(row.s) > 22.0) & (np.abs(row.s) < 52.0)
    if back.sum() < 20:
        return SLOPE_EITHER_MM, 0.0
    height = row.height[back]
    t = row.t
    low = np.full(height.shape, -1e3)
    crown = np.where(np.isfinite(height), height, low)
    facial = crown[:, (t > 0.8) & (t < 5.0)].max(axis=1)
    lingual = crown[:, (t < -0.8) & (t > -5.0)].max(axis=1)
    both = (facial > -4.0) & (lingual > -4.0)
    if both.sum() < 20:
        return SLOPE_EITHER_MM, 0.0
    molars = STEP_S_MM * float((np.abs(row.s[back][both]) > MOLARS_FROM_MM).sum())
    return float(np.median(lingual[both] - facial[both])), min(1.0, molars / MOLARS_MM)


def _lingual_ledge(row: Unrolled) -> float:
    """Width of the tissue seen beside the tongue side of the back teeth, mm.

    The palate slopes gently away from the teeth; the floor of the mouth falls
    steeply, often under the teeth where it is not seen from above.
    """
    back = row.covered & (np.abs(row.s) > 16.0) & (np.abs(row.s) < 50.0)
    if back.sum() < 20:
        return LEDGE_EITHER_MM
    inner = row.t < -5.5
    height = row.height[back][:, inner]
    # The floor of the mouth, where a scan shows it, lies deeper than a palate does here.
    gum = np.isfinite(height) & (height > LEDGE_FLOOR_MM)
    width = gum.sum(axis=1) * STEP_T_MM
    return float(np.median(width))


def _bend(tips: NDArray[np.float64]) -> float:
    """Sagitta of the tips over the anteroposterior length, mm; positive bulges up."""
    y = tips[:, 1]
    span = float(np.ptp(y))
    if span < 18.0 or tips.shape[0] < 8:
        return 0.0
    u = (y - y.mean()) / (0.5 * span)
    terms = np.stack([np.ones_like(u), u, u * u], axis=1)
    weight = np.ones_like(u)
    fit = np.zeros(3)
    for _ in range(5):
        w = np.sqrt(weight)[:, None]
        fit = np.linalg.lstsq(terms * w, tips[:, 2] * w[:, 0], rcond=None)[0]
        weight = 1.0 / np.maximum(1.0, np.abs(tips[:, 2] - terms @ fit) / 0.5)
    return float(-fit[2])


def tell_side(
    row: Unrolled,
    tips: NDArray[np.float64],
    vault: Vault,
    tilt_sd_deg: float,
    front_seen: bool,
) -> ArchSide:
    """Weigh the signs.

    Parameters
    ----------
    row : Unrolled
    tips : (n, 3) float64
        (across, anterior, height over the plane), mm.
    vault : Vault
        What lies between the back teeth.
    tilt_sd_deg : float
        How well the occlusal plane is known.
    front_seen : bool
        False where the midline is not in the scan: inside and outside of the row may then be
        taken for each other, and only the widths of the teeth tell anything.
    """
    upper_fit, lower_fit = row_evidence(row)
    ledge, (slope, molars) = _lingual_ledge(row), _cusp_slope(row)
    signs = {
        "tooth_widths": float(np.clip(1.1 * (upper_fit - lower_fit) - 0.6, -6.0, 6.0)),
        "cusp_slope": molars * float(np.clip(8.0 * (slope - SLOPE_EITHER_MM), -3.6, 3.6)),
        "bend": float(np.clip(0.8 * _bend(tips), -1.0, 1.0)),
        # A lower arch shows little tissue on the tongue's side; so do many upper ones.
        "lingual_ledge": float(np.clip(0.5 * (ledge - LEDGE_EITHER_MM), -0.5, 1.5)),
        "palate": 4.0 if vault.palate else -3.0 if vault.tongue else 0.0,
    }
    if vault.covered and not vault.palate:
        signs["lingual_ledge"] = 0.0  # what covers the middle lies beside the teeth as well
    if not front_seen:
        signs = {name: sign * (name == "tooth_widths") for name, sign in signs.items()}
    others = sum(signs.values()) - signs["tooth_widths"]
    if signs["tooth_widths"] < 0.0 and others > UPRIGHT:
        signs["tooth_widths"] *= UPRIGHT_COUNTS
    # Each sign was weighed on whole arches; of a short row, or seen askew, all say less.
    length = STEP_S_MM * float(row.covered.sum())
    shown = min(1.0, length / WHOLE_ROW_MM) * min(1.0, SURE_TILT_DEG / tilt_sd_deg)
    return _weighed(signs, shown)


def _weighed(signs: dict[str, float], shown: float) -> ArchSide:
    """What the signs say together, of which so much counts."""
    upper = 1.0 / (1.0 + np.exp(-shown * sum(signs.values())))
    value = "upper" if upper >= SURE else "lower" if upper <= 1.0 - SURE else "unknown"
    return ArchSide(value, float(upper), signs, shown)
