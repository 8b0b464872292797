"""Findings about how finely and truly the surface was sampled."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geometry.inspection.findings.finding import CHECK, STAYS_OR_COMES_OFF, STOP, Finding, spot
from geometry.inspection.findings.hole_places import GumLine
from geometry.inspection.limits import Limits
from geometry.inspection.place import Place, Placer, sextant_words
from geometry.sampling import Bump, Sampling
from geometry.sampling.measure import Spike
from geometry.sampling.patches import Patch
from geometry.sampling.thinning import some_of

_Standing = tuple[Place, float, NDArray[np.float64]]
_Spot = TypeVar("_Spot", Spike, Bump)

_MOST_LISTED, _NAMED = 6, 4
_BONDED = ((1.0, 3), (0.6, 6))
"""What stands out so far (mm) on so many teeth of one side is more likely bonded than moisture."""
_BONDED_REACH_MM, _SAME_PLACE_MM = 3.5, 2.0
_SURELY_BONDED = 6
"""On so many teeth it is told once instead of place by place."""
# A rough patch is over a sextant with this share of it; so many places of it are looked at.
_ROUGH_SHARE, _ROUGH_PLACES = 0.15, 40
# Gum so far below the gum line may be as smooth as it likes.
_SMOOTH_DEEP_MM = 3.0


def sampling_record(sampling: Sampling, bumps: tuple[Bump, ...]) -> dict[str, Any]:
    """Return the sampling as the report shows it."""
    return {
        "median_edge_mm": round(sampling.median_edge_mm, 3),
        "noise_mm": round(sampling.noise_mm, 4),
        "spikes": len(sampling.spikes),
        "bumps": len(bumps),
    }


def sampling_findings(
    sampling: Sampling,
    bumps: tuple[Bump, ...],
    placer: Placer,
    limits: Limits,
    gum_line: GumLine | None = None,
) -> list[Finding]:
    """Judge edge length, noise, spikes and bumps.

    Parameters
    ----------
    sampling : Sampling
    bumps : tuple of Bump
    placer : Placer
    limits : Limits
    gum_line : callable, optional
        How far below the gum line points (k, 3) begin, mm.
    """
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
                STOP if sampling.noise_mm > limits.noise_stop_mm else CHECK,
                f"The surface is rough, {sampling.noise_mm:.3f} mm. Clean the scanner's window, "
                f"dry the teeth and scan again.{_measured_so(sampling, limits)}",
                sampling.noise_mm,
                limits.noise_mm,
                "mm",
            )
        )
    elif sampling.rough:
        found.append(_rough_finding(sampling, placer, limits))
    for patch in sampling.smooth[:_MOST_LISTED]:
        if gum_line is None or gum_line(patch.points) < _SMOOTH_DEEP_MM:
            found.append(_filled_finding(patch, placer))
    parts = [b.at for b in bumps if b.bonded]
    # Within a rough place spikes and lumps are part of it.
    rough = np.concatenate([np.empty((0, 3)), *(patch.points for patch in sampling.rough)])
    alone = _clear(sampling.spikes, parts, _BONDED_REACH_MM)
    alone = _clear(alone, rough, _SAME_PLACE_MM)
    spots = [spike.at for spike in alone]
    apart = _clear([b for b in bumps if not b.bonded], spots, _SAME_PLACE_MM)
    apart = _clear(apart, rough, _SAME_PLACE_MM)
    bonded = [(placer(one.at), one.height_mm, one.at) for one in bumps if one.bonded]
    spikes = [(placer(one.at), one.height_mm, one.at) for one in alone]
    blisters = [(placer(one.at), one.height_mm, one.at) for one in apart]
    for side, where in (("facial", "outer"), ("lingual", "inner")):
        stuck = [one for one in bonded if one[0].side == side]
        own = stuck + [one for one in spikes + blisters if one[0].side == side]
        if stuck or any(_teeth(own, height) >= least for height, least in _BONDED):
            told = stuck + [one for one in own[len(stuck) :] if one[1] >= _BONDED[-1][0]]
            found.append(_bonded_finding(where, told, limits))
            if _teeth(told, 0.0) >= _SURELY_BONDED:
                spikes = [one for one in spikes if one[0].side != side]
                blisters = [one for one in blisters if one[0].side != side]
    found += [_spike_finding(one, limits) for one in spikes[:_MOST_LISTED]]
    return found + [_blister_finding(one, limits) for one in blisters[:_MOST_LISTED]]


def _clear(
    ones: Sequence[_Spot], places: Sequence[NDArray[np.float64]] | NDArray[np.float64], reach: float
) -> list[_Spot]:
    """Return those that no place lies nearer to than ``reach``."""
    if not len(ones) or not len(places):
        return list(ones)
    gaps = cKDTree(np.asarray(places)).query(np.array([one.at for one in ones]))[0]
    return [one for one, gap in zip(ones, gaps, strict=True) if gap >= reach]


def _teeth(standing: list[_Standing], least_mm: float) -> int:
    """How many teeth something stands out on by so much; the words name tooth and side."""
    return len({place.words for place, height, _ in standing if height >= least_mm})


def _bonded_finding(where: str, standing: list[_Standing], limits: Limits) -> Finding:
    standing = sorted(standing, key=lambda one: -one[1])
    names = list(dict.fromkeys(place.words for place, _, _ in standing))
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    words = (
        f"Something stands out on the {where} side of {len(names)} "
        f"{'teeth' if len(names) > 1 else 'tooth'}, by up to {standing[0][1]:.1f} mm: "
        f"{', '.join(_tooth(name) for name in names[:_NAMED])}{more}. {STAYS_OR_COMES_OFF}"
    )
    return _finding("bonded_parts", words, standing[0], limits.bubble_mm)


def _tooth(words: str) -> str:
    """The tooth alone, of words that name tooth and side."""
    return words.removeprefix("at the ").rsplit(", ", 1)[0]


def _measured_so(sampling: Sampling, limits: Limits) -> str:
    """What the roughness of a scan means for all else that is told of it."""
    copy = " All else was measured on a smoothed copy." if sampling.calmed else ""
    if sampling.noise_mm > limits.noise_stop_mm:
        copy += (
            " Drops, films, spikes, bonded parts and sheets that pass through each other were not "
            "looked for."
        )
    return copy


def _rough_finding(sampling: Sampling, placer: Placer, limits: Limits) -> Finding:
    """Tell once over which teeth the surface is rough."""
    over: Counter[str] = Counter()
    for patch in sampling.rough:
        some = patch.points[some_of(patch.points, _ROUGH_PLACES)]
        places = Counter(sextant_words(placer(at).sextant) for at in some)
        total = sum(places.values())
        for words, count in places.items():
            if count >= _ROUGH_SHARE * total:
                over[words] += round(patch.area_mm2 * count / total)
    named = [words for words, _ in over.most_common()]
    where = " and ".join(named) if all(named) else "places that the picture shows"
    worst = max(sampling.rough, key=lambda patch: patch.noise_mm)
    middle = _middle_of(worst)
    place = placer(middle)
    return Finding(
        "noise",
        CHECK,
        f"The surface is rough over the {where}, {worst.noise_mm:.2f} mm. Dry there, clean the "
        f"scanner's window and rescan 2–3 s.{_measured_so(sampling, limits)}",
        worst.noise_mm,
        limits.noise_mm,
        "mm",
        place.sextant,
        None,
        spot(middle),
    )


def _filled_finding(patch: Patch, placer: Placer) -> Finding:
    middle = _middle_of(patch)
    place = placer(middle)
    return Finding(
        "filled_hole",
        CHECK,
        f"Very smooth over {patch.area_mm2:.0f} mm², {place.words}: a hole that software filled? "
        "Compare with the mouth; dry and rescan it if a tooth or the gum line looks different.",
        patch.area_mm2,
        None,
        "mm²",
        place.sextant,
        place.side,
        spot(middle),
    )


def _middle_of(patch: Patch) -> NDArray[np.float64]:
    """The point of a patch nearest to its middle."""
    apart = np.linalg.norm(patch.points - np.median(patch.points, axis=0), axis=1)
    return np.asarray(patch.points[apart.argmin()])


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
