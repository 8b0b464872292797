"""Findings about how finely and truly the surface was sampled."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from geometry.inspection.findings import CHECK, Finding, spot
from geometry.inspection.limits import Limits
from geometry.inspection.place import Place, Placer
from geometry.sampling import Bump, Sampling

_Standing = tuple[Place, float, NDArray[np.float64]]

_MOST_LISTED = 6
_BONDED = ((1.0, 3), (0.6, 6))
"""What stands out so far (mm) on so many teeth of one side is more likely bonded than moisture."""
_SURELY_BONDED = 6
"""On so many teeth it is told once instead of place by place."""


def sampling_record(sampling: Sampling, bumps: tuple[Bump, ...]) -> dict[str, Any]:
    """Return the sampling as the report shows it."""
    return {
        "median_edge_mm": round(sampling.median_edge_mm, 3),
        "noise_mm": round(sampling.noise_mm, 4),
        "spikes": len(sampling.spikes),
        "bumps": len(bumps),
    }


def sampling_findings(
    sampling: Sampling, bumps: tuple[Bump, ...], placer: Placer, limits: Limits
) -> list[Finding]:
    """Judge edge length, noise, spikes and bumps."""
    found = []
    if sampling.median_edge_mm > limits.coarse_edge_mm:
        found.append(
            Finding(
                "coarse_mesh",
                CHECK,
                f"The triangles are large, {sampling.median_edge_mm:.2f} mm to a side. Export "
                "again at full resolution.",
                sampling.median_edge_mm,
                limits.coarse_edge_mm,
                "mm",
            )
        )
    if sampling.noise_mm > limits.noise_mm:
        found.append(
            Finding(
                "noise",
                CHECK,
                f"The surface is rough, {sampling.noise_mm:.3f} mm. Clean the scanner's window, "
                "dry the teeth and scan again.",
                sampling.noise_mm,
                limits.noise_mm,
                "mm",
            )
        )
    spots = [spike.at for spike in sampling.spikes]
    apart = [b for b in bumps if all(((b.at - at) ** 2).sum() >= 4.0 for at in spots)]
    spikes = [(placer(one.at), one.height_mm, one.at) for one in sampling.spikes]
    blisters = [(placer(one.at), one.height_mm, one.at) for one in apart]
    for side, where in (("facial", "outer"), ("lingual", "inner")):
        own = [one for one in spikes + blisters if one[0].side == side]
        if any(_teeth(own, height) >= least for height, least in _BONDED):
            tallest = max(own, key=lambda one: one[1])
            teeth = _teeth(own, _BONDED[-1][0])
            found.append(_bonded_finding(where, teeth, tallest, limits))
            if teeth >= _SURELY_BONDED:
                spikes = [one for one in spikes if one[0].side != side]
                blisters = [one for one in blisters if one[0].side != side]
    found += [_spike_finding(one, limits) for one in spikes[:_MOST_LISTED]]
    return found + [_blister_finding(one, limits) for one in blisters[:_MOST_LISTED]]


def _teeth(standing: list[_Standing], least_mm: float) -> int:
    """How many teeth something stands out on by so much; the words name tooth and side."""
    return len({place.words for place, height, _ in standing if height >= least_mm})


def _bonded_finding(where: str, teeth: int, tallest: _Standing, limits: Limits) -> Finding:
    words = (
        f"Something stands out on the {where} side of {teeth} teeth, most by {tallest[1]:.1f} mm, "
        f"{tallest[0].words}. If brackets, bands or a wire are still on, scan again once they are "
        "off; if it is moisture, blow dry and rescan."
    )
    return _finding("bonded_parts", words, tallest, limits.bubble_mm)


def _spike_finding(one: _Standing, limits: Limits) -> Finding:
    words = f"Spike {one[1]:.1f} mm high, {one[0].words}. Wipe dry and rescan over it for 2–3 s."
    return _finding("spike", words, one, limits.spike_mm)


def _blister_finding(one: _Standing, limits: Limits) -> Finding:
    words = (
        f"Blister or film of moisture, {one[0].words}; it stands out by {one[1]:.1f} mm. Blow "
        "dry, also between the teeth, and rescan 2–3 s. Leave it if something is bonded there."
    )
    return _finding("bubble", words, one, limits.bubble_mm)


def _finding(code: str, words: str, one: _Standing, limit: float) -> Finding:
    place, height_mm, at = one
    return Finding(code, CHECK, words, height_mm, limit, "mm", place.sextant, place.side, spot(at))
