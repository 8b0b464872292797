"""The frame on arches of the second generator: worn, partial, seen by few teeth."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from fixtures.mouths import MouthTruth, make_mouth, part_of, patient, scan_of
from geometry.frame import TILT_OFF_BY, find_frame
from geometry.mesh import Mesh


def angle(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.degrees(np.arccos(np.clip(a @ b, -1.0, 1.0))))


@cache
def short_scan(seed: int) -> tuple[Mesh, MouthTruth]:
    """A scan of 35 to 60 % of an arch."""
    rng = np.random.default_rng([seed, 77])
    who = patient(rng)
    spec = part_of(scan_of(who, rng), rng, float(rng.uniform(0.35, 0.6)))
    vertices, faces, truth = make_mouth(replace(spec, triangles=50_000))
    return Mesh(vertices, faces.astype(np.int32)), truth


@pytest.mark.parametrize("seed", [4, 5])
def test_a_few_worn_teeth_are_not_seen_from_the_side(seed: int) -> None:
    # 5 and 8 teeth: the axis once lay 80° off, where a chance view showed more tips
    mesh, truth = short_scan(seed)
    frame = find_frame(mesh)
    assert angle(frame.occlusal, truth.occlusal) < 5.0
    assert frame.found_arch in (truth.arch, "unknown")


def test_a_plane_through_few_teeth_says_how_little_it_is_known() -> None:
    mesh, _ = short_scan(5)
    who = patient(np.random.default_rng([1, 77]))
    spec = scan_of(who, np.random.default_rng(1), plain=True)
    vertices, faces, truth = make_mouth(replace(spec, triangles=50_000))
    whole = find_frame(Mesh(vertices, faces.astype(np.int32)))
    assert whole.tilt_sd_deg < 1.5
    assert angle(whole.occlusal, truth.occlusal) < 1.5
    assert whole.found_arch == truth.arch
    assert find_frame(mesh).tilt_sd_deg > 2.0 * whole.tilt_sd_deg


def front_of(seed: int, share: float) -> tuple[Mesh, MouthTruth]:
    """A scan of the front ``share`` of an arch."""
    rng = np.random.default_rng([seed, 55])
    spec = replace(scan_of(patient(rng), rng), section=(-share, share), triangles=40_000)
    vertices, faces, truth = make_mouth(spec)
    return Mesh(vertices, faces.astype(np.int32)), truth


def test_where_the_midline_is_not_seen_inside_and_outside_tell_no_arch() -> None:
    # a lower arch once told as upper with 0.9: canine to canine was taken for one side
    mesh, truth = front_of(13, 0.35)
    frame = find_frame(mesh)
    assert frame.found_arch in (truth.arch, "unknown")


def test_a_scan_without_molars_tells_neither_arch_nor_plane_for_sure() -> None:
    mesh, truth = front_of(11, 0.55)
    frame = find_frame(mesh)
    assert frame.found_arch in (truth.arch, "unknown")
    assert abs(frame.signs["cusp_slope"]) < 1.0
    assert 2.5 < frame.tilt_sd_deg < 8.0
    assert angle(frame.occlusal, truth.occlusal) < TILT_OFF_BY * frame.tilt_sd_deg


def test_a_scanned_cast_with_a_rough_base_is_not_turned_over() -> None:
    # once 177° off: the noise on the base, which no single face lay flat in, passed for teeth
    rng = np.random.default_rng([1007, 77])
    spec = scan_of(patient(rng), rng, plain=True)
    vertices, faces, truth = make_mouth(replace(spec, closed="horseshoe", triangles=50_000))
    frame = find_frame(Mesh(vertices, faces.astype(np.int32)))
    assert angle(frame.occlusal, truth.occlusal) < 3.0


def test_front_teeth_of_a_deep_bite_count_with_a_deep_curve_of_spee() -> None:
    # once 7° off: seen from a plane of the back teeth the incisors stood too high to be teeth
    rng = np.random.default_rng([90038, 919])
    spec = scan_of(patient(rng), rng)
    vertices, faces, truth = make_mouth(replace(spec, triangles=50_000))
    frame = find_frame(Mesh(vertices, faces.astype(np.int32)))
    assert angle(frame.occlusal, truth.occlusal) < 1.5
    assert frame.tip_on_edge.any()


@pytest.mark.parametrize(
    "seed",
    [
        # worn teeth along a deep curve of Spee: once 57° off, seen from the side
        810075,
        # lower molars lean to the tongue with worn lingual cusps, two of them half erupted:
        # once 1.7° off, since only the cheek's cusps were found and they stand higher
        810027,
    ],
)
def test_leaning_worn_and_half_erupted_teeth_count(seed: int) -> None:
    rng = np.random.default_rng([seed, 33])
    who = patient(rng)
    vertices, faces, truth = make_mouth(replace(scan_of(who, rng), triangles=60_000))
    frame = find_frame(Mesh(vertices, faces.astype(np.int32)))
    assert angle(frame.occlusal, truth.occlusal) < 1.3
    assert frame.found_arch == truth.arch == "lower"
