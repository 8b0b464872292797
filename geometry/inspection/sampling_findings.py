"""Findings about how finely and truly the surface was sampled."""

from __future__ import annotations

from typing import Any

from geometry.inspection.findings import CHECK, Finding, spot
from geometry.inspection.limits import Limits
from geometry.inspection.place import Placer
from geometry.sampling import Bump, Sampling

_MOST_LISTED = 6


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
    spikes = [
        Finding(
            "spike",
            CHECK,
            f"Spike {spike.height_mm:.1f} mm high, {place.words}. Wipe dry and rescan over it "
            "for 2–3 s.",
            spike.height_mm,
            limits.spike_mm,
            "mm",
            place.sextant,
            place.side,
            spot(spike.at),
        )
        for spike in sampling.spikes[:_MOST_LISTED]
        for place in (placer(spike.at),)
    ]
    spots = [spike.at for spike in sampling.spikes]
    blisters = []
    for bump in bumps:
        if any(((bump.at - at) ** 2).sum() < 4.0 for at in spots):
            continue
        place = placer(bump.at)
        blisters.append(
            Finding(
                "bubble",
                CHECK,
                f"Blister or film of moisture, {place.words}; it stands out by "
                f"{bump.height_mm:.1f} mm. Blow dry, also between the teeth, and rescan 2–3 s.",
                bump.height_mm,
                limits.bubble_mm,
                "mm",
                place.sextant,
                place.side,
                spot(bump.at),
            )
        )
    return found + spikes + blisters[:_MOST_LISTED]
