"""What a prepared model must be, on generated arches."""

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from fixtures.arches import ArchSpec, make_arch
from fixtures.mouths import make_mouth, patient
from geometry.errors import GeometryError
from geometry.frame import find_frame
from geometry.mesh import Mesh
from geometry.model import ModelSettings, making, prepare, preview
from geometry.model.bodies.cubes import zero_surface
from geometry.model.levelling import doubts
from geometry.model.surface.halfedges import edge_keys, genus, signed_volume
from geometry.reading.weld import weld_indexed
from geometry.topology import analyse
from geometry.topology.intersections import find_intersections
from tests.geometry.model.conftest import SPECS, arch, model

NAMES = sorted(SPECS)


def moved(points, matrix):
    matrix = np.asarray(matrix)
    return points @ matrix[:3, :3].T + matrix[:3, 3]


@pytest.mark.parametrize("name", NAMES)
def test_the_solid_is_closed_simple_and_stands_on_the_platform(name):
    solid = model(name).solid
    _, counts = np.unique(edge_keys(solid.faces), return_counts=True)
    assert (counts == 2).all()
    assert len(np.unique(solid.vertices, axis=0)) == len(solid.vertices)
    assert len(solid.vertices) - len(counts) + len(solid.faces) == 2  # genus 0
    assert find_intersections(solid)[0] == 0
    assert signed_volume(solid.vertices, solid.faces) > 0
    assert solid.vertices[:, 2].min() == 0.0


@pytest.mark.parametrize("name", NAMES)
def test_teeth_stand_up_front_to_the_front_and_never_mirrored(name):
    truth, made = arch(name).truth, model(name)
    turn = made.transform[:3, :3]
    assert np.linalg.det(turn) == pytest.approx(1.0, abs=1e-12)
    assert (turn @ truth.occlusal)[2] > np.cos(np.radians(1.5))
    assert (turn @ truth.anterior)[1] < -0.95
    right = (turn @ truth.right)[0]
    assert right > 0.95 if truth.arch == "upper" else right < -0.95


@pytest.mark.parametrize("name", NAMES)
def test_the_base_is_cut_at_the_chosen_height_below_the_incisal_edges(name):
    truth, made = arch(name).truth, model(name)
    incisors = [tooth for tooth in truth.teeth if tooth.number % 10 <= 2]
    edge = max(moved(tooth.tips, made.transform)[:, 2].max() for tooth in incisors)
    assert made.report["height_mm"] == 15.0
    assert edge == pytest.approx(15.0, abs=0.12)


@pytest.mark.parametrize("name", NAMES)
def test_the_scan_s_surface_is_printed_as_it_is(name):
    deviation = model(name).report["surface_deviation_mm"]
    assert deviation["p99"] <= 0.001
    assert deviation["max"] <= 0.005
    scan = moved(arch(name).mesh.vertices, model(name).transform)
    crowns = scan[scan[:, 2] > 12.0]
    solid = model(name).solid.vertices
    from scipy.spatial import cKDTree

    away = cKDTree(solid).query(crowns)[0]
    assert np.percentile(away, 98) < 0.005


@pytest.mark.parametrize("name", NAMES)
def test_fill_leaves_next_to_no_undercut_beyond_the_depth(name):
    fill = model(name).report["block_out"]
    assert fill["undercut_before_mm3"] > 2.0
    assert fill["undercut_after_mm3"] <= 0.03 * fill["undercut_before_mm3"]
    assert fill["residual_max_mm"] < 0.36
    assert fill["added_mm3"] == pytest.approx(fill["undercut_before_mm3"], rel=0.35)


def test_no_upright_walls_of_a_fill_lie_in_one_plane():
    """Some programs take faces that share a plane for crossing ones."""
    made = model("lower")
    corners = made.solid.triangles[made.solid.triangles[:, :, 2].min(axis=1) > made.cut_z]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    assert (across[:, 2] == 0.0).sum() == 0


def test_fill_is_listed_by_place():
    regions = model("lower").report["block_out"]["regions"]
    assert {"missing", "embrasure"} <= {region["kind"] for region in regions}
    assert all(region["words"] and region["sextant"] in ("06", "07", "08") for region in regions)
    total = sum(region["volume_mm3"] for region in regions)
    assert total == pytest.approx(
        model("lower").report["block_out"]["undercut_before_mm3"], rel=0.2
    )


def test_without_fill_the_bench_gets_the_list_and_the_solid_stays():
    off = model("lower", block_out=None).report
    assert off["block_out"]["added_mm3"] == 0.0
    assert off["block_out"]["regions"]
    assert off["volume_ml"] < model("lower").report["volume_ml"]


def test_volume_is_the_integral_over_the_scan_above_the_base():
    made = model("upper", block_out=None)
    scan = moved(arch("upper").mesh.vertices, made.transform)
    # Upright walls add nothing to the integral of z dx dy over the cut scan.
    total = 0.0
    p = scan[arch("upper").mesh.faces]
    above = p[:, :, 2].min(axis=1) >= 0.0
    for tri in p:
        total += _prism_above_zero(tri)
    assert above.any()
    assert made.report["trim"]["z_mm"] == 0.0
    assert not made.report["holes"]
    if "trimmed" not in " ".join(made.report["warnings"]):
        assert made.report["volume_ml"] * 1000 == pytest.approx(total, rel=1e-4)


def _prism_above_zero(tri):
    """Signed volume between z = 0 and the part of a triangle above it."""
    inside = tri[:, 2] >= 0
    if not inside.any():
        return 0.0
    ring = []
    for k in range(3):
        a, b = tri[k], tri[(k + 1) % 3]
        if a[2] >= 0:
            ring.append(a)
        if (a[2] >= 0) != (b[2] >= 0):
            ring.append(a + a[2] / (a[2] - b[2]) * (b - a))
    total = 0.0
    for k in range(1, len(ring) - 1):
        a, b, c = ring[0], ring[k], ring[k + 1]
        area = 0.5 * ((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))
        total += area * (a[2] + b[2] + c[2]) / 3
    return total


def test_same_scan_same_bytes():
    again = prepare(arch("lower").mesh, ModelSettings())
    assert again.stl() == model("lower").stl()
    assert again.threemf() == model("lower").threemf()
    assert again.threemf()[:2] == b"PK"


def test_holes_are_filled_and_said_so():
    report = model("ragged").report
    assert report["holes"]
    assert any("hole" in warning for warning in report["warnings"])
    assert any("loose piece" in warning for warning in report["warnings"])


def test_what_was_mended_is_named_with_its_place_and_size():
    for name in NAMES:
        report = model(name).report
        assert all(place["size_mm"] > 0.0 and place["name"] for place in report["mended"])
        for what, words in (("tunnel", "tunnel"), ("border", "border"), ("crossing", "crosses")):
            told = any(words in warning for warning in report["warnings"])
            assert told == any(place["what"] == what for place in report["mended"])
        deviation = report["surface_deviation_mm"]
        worst = max(report["mended"], key=lambda place: place["deviation_mm"], default=None)
        assert deviation["mended_max"] == (worst["deviation_mm"] if worst else 0.0)
        assert deviation["mended_at"] == (worst["name"] if worst else "")
    assert any(model(name).report["mended"] for name in NAMES)


@pytest.mark.parametrize("base", ["flat", "horseshoe"])
def test_a_scan_with_a_base_of_its_own_gets_ours(base):
    spec = replace(patient(np.random.default_rng(7), "lower"), closed=base, triangles=30_000)
    vertices, faces, truth = make_mouth(spec)
    scan = weld_indexed(vertices.astype(np.float32), faces.astype(np.int32))
    made = prepare(scan, ModelSettings())
    assert genus(made.solid.faces) == 0
    assert find_intersections(made.solid)[0] == 0
    assert made.solid.vertices[:, 2].min() == 0.0
    turn = made.transform[:3, :3]
    assert (turn @ truth.occlusal)[2] > np.cos(np.radians(3.0))
    assert (turn @ truth.right)[0] < -0.95


def test_a_closed_body_without_a_flat_base_is_refused():
    ball = np.mgrid[0:44, 0:44, 0:44].astype(np.float32) - 21.7
    body = Mesh(*zero_surface((15.0 - np.sqrt((ball**2).sum(axis=0))).astype(np.float32)))
    with pytest.raises(GeometryError, match="flat base"):
        prepare(body, ModelSettings())


def test_a_body_that_is_all_base_is_refused_for_that():
    plate = trimesh.creation.box([60.0, 30.0, 0.1]).subdivide().subdivide().subdivide()
    with pytest.raises(GeometryError, match="without a flat base"):
        prepare(Mesh(np.array(plate.vertices), plate.faces.astype(np.int32)), ModelSettings())


def test_a_scan_full_of_spikes_is_refused_before_it_is_mended(monkeypatch):
    """Two points in a hundred stand out by 3 mm, which no finger, tooth or gum does."""
    mesh = arch("upper").mesh
    out = np.random.default_rng(3).random(len(mesh.vertices)) < 0.02
    spiky = Mesh(mesh.vertices + out[:, None] * np.array([0.0, 0.0, 3.0]), mesh.faces)
    monkeypatch.setattr(making, "heal", None)
    with pytest.raises(GeometryError, match=r"\d % of the scan's points .* spikes; wipe"):
        prepare(spiky, ModelSettings(arch="upper"))


def test_a_scan_that_is_too_low_for_a_crown_is_refused_for_that():
    # Lower primary incisors, the shortest crowns, are 5 mm high (Wheeler's table, from memory).
    found = arch("upper")
    axis = np.array(found.truth.occlusal)
    pressed = found.mesh.vertices - np.outer(found.mesh.vertices @ axis, 0.9 * axis)
    with pytest.raises(GeometryError, match=r"mm high from gum to biting edges, where a crown"):
        prepare(Mesh(pressed, found.mesh.faces), ModelSettings(arch="upper"))


def test_levelling_brings_front_and_back_teeth_to_one_height():
    report = model("lower").report
    assert report["tilt_after_deg"] < 0.01
    assert report["height_spread_mm"]["after"] < 0.6


def test_a_nudge_lowers_the_front():
    level, nudged = model("upper"), model("upper", pitch=4.0)
    front, back = arch("upper").truth.tooth(11).tips[0], arch("upper").truth.tooth(16).tips[0]
    drop = [moved(front, m.transform)[2] - moved(back, m.transform)[2] for m in (level, nudged)]
    assert drop[1] < drop[0] - 1.0
    assert nudged.report["tilt_after_deg"] == pytest.approx(4.0, abs=1e-3)


def test_a_higher_trim_keeps_less_tissue_and_straight_walls_below():
    low, high = model("upper", block_out=None), model("upper", trim=3.0, block_out=None)
    assert low.cut_z == 0.0
    kept = [m.report["trim"]["tissue_kept_mm"]["min"] for m in (low, high)]
    assert kept[1] < kept[0]
    solid = high.solid
    assert not ((solid.vertices[:, 2] > 0.05) & (solid.vertices[:, 2] < 2.95)).any()


def test_a_trim_through_the_teeth_is_refused_with_a_reason():
    with pytest.raises(GeometryError, match=r"apart (at|between) .* side; choose a lower trim"):
        prepare(arch("lower").mesh, ModelSettings(trim=13.5))
    with pytest.raises(GeometryError, match=r"apart (at|between) .* side; choose a greater height"):
        prepare(arch("lower").mesh, ModelSettings(height=5.0))


def test_two_separate_scans_in_one_file_are_refused():
    one = arch("upper").mesh
    twice = Mesh(
        np.vstack((one.vertices, one.vertices + 120.0)),
        np.vstack((one.faces, one.faces + len(one.vertices))).astype(np.int32),
    )
    with pytest.raises(GeometryError, match="two large pieces"):
        prepare(twice, ModelSettings())


def test_a_hole_over_a_whole_tooth_is_not_guessed():
    mesh, tooth = arch("upper").mesh, arch("upper").truth.tooth(16)
    far = np.linalg.norm(mesh.vertices[mesh.faces].mean(axis=1) - tooth.centre, axis=1)
    with pytest.raises(GeometryError, match="hole of"):
        prepare(
            Mesh(mesh.vertices, mesh.faces[far > 6.0]), ModelSettings(), frame=arch("upper").truth
        )


@pytest.mark.parametrize(
    "wrong", [{"height": 2.0}, {"text": "name!"}, {"block_out": 9.0}, {"arch": "x"}]
)
def test_settings_out_of_range_are_refused(wrong):
    with pytest.raises(GeometryError):
        ModelSettings(**wrong)


def test_a_preview_is_like_the_model():
    quick = preview(arch("lower").mesh, ModelSettings())
    assert quick.report["volume_ml"] == pytest.approx(model("lower").report["volume_ml"], rel=0.01)
    fill = quick.report["block_out"]
    assert fill["added_mm3"] == pytest.approx(
        model("lower").report["block_out"]["added_mm3"], rel=0.3
    )
    assert fill["undercut_after_mm3"] <= 0.05 * fill["undercut_before_mm3"]
    bare = preview(arch("lower").mesh, ModelSettings(block_out=None))
    assert bare.report["volume_ml"] < quick.report["volume_ml"]
    nudged = preview(arch("lower").mesh, ModelSettings(height=18.0))
    assert nudged.solid.vertices[:, 2].max() > quick.solid.vertices[:, 2].max() + 2.5


def test_too_few_teeth_to_tell_how_they_stand_is_said():
    frame = find_frame(arch("lower").mesh)
    assert not doubts(frame)
    assert "which way is the front" in doubts(replace(frame, anterior_certainty=0.02))[0]
    assert "to about 12° only" in doubts(replace(frame, tilt_sd_deg=6.0))[0]


def test_half_an_arch_is_said_to_be_no_sure_guide_for_levelling():
    whole = arch("lower").mesh
    middles = find_frame(whole).to_local(whole.triangles.mean(axis=1))
    for side in (middles[:, 0] > 1.0, middles[:, 0] < -1.0):
        half = analyse(Mesh(whole.vertices, whole.faces[side]), self_intersections=False).main
        assert any("occlusal plane" in line for line in doubts(find_frame(half)))


def test_part_of_an_arch_works():
    spec = ArchSpec(triangles=30_000, last_tooth=(7, 2), pose="random")
    part = make_arch(spec, 41)
    made = prepare(part.mesh, ModelSettings(), frame=part.truth)
    assert find_intersections(made.solid)[0] == 0
    assert made.report["watertight"]
