"""The whole inspection: what it reports, and what must never pass."""

import json
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from fixtures.arches import Arch, random_arch
from geometry.errors import GeometryError, ScanFileError
from geometry.inspection import CODES, ENGINE, LIMIT_NOTES, Inspection, Limits, inspect_scan
from geometry.inspection.findings.arch import plane_findings
from geometry.inspection.findings.finding import Finding, explain, in_order, verdict_of
from geometry.inspection.findings.tissue import SIDES, tissue_findings
from geometry.mesh import Mesh
from geometry.reading import write_stl
from geometry.sampling import measure as measure_sampling
from geometry.topology import analyse
from tests.geometry.inspection.conftest import PLAIN

KEYS = {
    "engine", "file", "arch", "frame", "extent_mm", "topology", "tilt", "tissue", "teeth",
    "undercut", "sampling", "findings", "verdict", "explanation", "timings_ms",
}  # fmt: skip


def codes(found: Inspection, severity: str | None = None) -> list[str]:
    return [f.code for f in found.findings if severity in (None, f.severity)]


def test_the_report_has_the_keys_of_the_contract(lower_found: Inspection) -> None:
    report = lower_found.report
    json.dumps(report, allow_nan=False)
    assert set(report) == KEYS
    assert set(report["file"]) == {
        "bytes", "sha256", "format", "triangles", "vertices", "units", "units_assumed",
    }  # fmt: skip
    assert set(report["frame"]) == {"origin", "right", "anterior", "occlusal"}
    assert set(report["extent_mm"]) == {"width", "depth", "height"}
    assert {
        "watertight", "shells", "boundary_loops", "holes", "nonmanifold_edges",
        "degenerate_triangles", "inconsistent_winding", "self_intersections",
    } <= set(report["topology"])  # fmt: skip
    assert {"angle_deg", "pitch_deg", "roll_deg", "curve_of_spee_mm"} == set(report["tilt"])
    assert {"status", "captured_mm", "by_sextant", "short"} <= set(report["tissue"])
    assert {
        "direction", "volume_mm3", "max_depth_mm", "by_sextant", "best_direction",
        "best_volume_mm3",
    } <= set(report["undercut"])  # fmt: skip
    assert {"median_edge_mm", "noise_mm"} <= set(report["sampling"])
    for finding in report["findings"]:
        assert set(finding) == {
            "code", "severity", "message", "measured", "limit", "unit", "sextant", "side", "at",
        }  # fmt: skip
        assert finding["code"] in CODES


def test_a_good_scan_has_nothing_to_stop_it(lower_found: Inspection) -> None:
    assert codes(lower_found, "stop") == []
    assert lower_found.report["arch"]["value"] == "lower"
    assert "plane_unsure" not in codes(lower_found, "check")
    assert lower_found.report["tissue"]["captured_mm"]["median"] > 8.0
    by_sextant = lower_found.report["undercut"]["by_sextant"]
    total = sum(part["volume_mm3"] for sides in by_sextant.values() for part in sides.values())
    assert total == pytest.approx(lower_found.report["undercut"]["volume_mm3"], abs=0.2)


def test_pose_order_vertex_sharing_and_winding_do_not_matter(
    lower: Arch, lower_found: Inspection
) -> None:
    rng = np.random.default_rng(4)
    turn = Rotation.random(rng=rng).as_matrix()
    faces = rng.permutation(lower.mesh.faces)[:, ::-1]
    moved = Mesh(lower.mesh.vertices @ turn.T + [15.0, -8.0, 40.0], np.ascontiguousarray(faces))
    other = inspect_scan(write_stl(moved), "moved.stl", arch="lower")
    a, b = lower_found.report, other.report
    assert a["verdict"] == b["verdict"]
    assert b["topology"]["boundary_loops"] == a["topology"]["boundary_loops"]
    occlusal = turn @ np.array(a["frame"]["occlusal"])
    angle = np.degrees(np.arccos(min(1.0, float(occlusal @ np.array(b["frame"]["occlusal"])))))
    assert angle < 0.05
    # Of 40 mm³; where the lattice of lines lies in the mouth hangs on the pose.
    assert b["undercut"]["volume_mm3"] == pytest.approx(a["undercut"]["volume_mm3"], abs=1.0)
    best = a["undercut"]["best_volume_mm3"]
    assert b["undercut"]["best_volume_mm3"] == pytest.approx(best, rel=0.05)
    for sextant, sides in a["tissue"]["by_sextant"].items():
        assert b["tissue"]["by_sextant"][sextant] == pytest.approx(sides, abs=0.2)
    for severity in ("stop", "check"):
        assert codes(other, severity) == codes(lower_found, severity)


def test_the_other_arch_than_stated_is_said(lower: Arch) -> None:
    found = inspect_scan(write_stl(lower.mesh), "a.stl", arch="upper")
    assert "arch_contradiction" in codes(found, "check")
    assert found.report["verdict"] != "pass"
    arch = found.report["arch"]
    assert (arch["value"], arch["looks"]) == ("upper", "lower")
    assert arch["confidence"] < 0.1 < 0.9 < arch["looks_confidence"]


def test_a_hole_is_found_where_it_is(upper: Arch) -> None:
    at = upper.truth.tooth(26).margin_mid["facial"]
    middles = upper.mesh.triangles.mean(axis=1)
    gone = np.linalg.norm(middles - at, axis=1) < 2.0
    torn = Mesh(upper.mesh.vertices, upper.mesh.faces[~gone])
    found = inspect_scan(write_stl(torn), "a.stl", arch="upper")
    holes = [f for f in found.findings if f.code == "hole" and f.severity == "stop"]
    assert len(holes) == 1
    assert (holes[0].sextant, holes[0].side) == ("05", "facial")
    assert np.linalg.norm(np.array(holes[0].at) - at) < 1.5
    assert "upper left" in holes[0].message
    assert "cheek side" in holes[0].message
    assert found.report["verdict"] == "rescan"
    assert "hole" in found.report["explanation"]


def test_crowns_without_gum_never_pass() -> None:
    bare = {(40 + t, side): -1.5 for t in range(1, 9) for side in ("facial", "lingual")}
    bare |= {(30 + t, side): -1.5 for t in range(1, 9) for side in ("facial", "lingual")}
    arch = random_arch(31, arch="lower", short=bare, clean=True, triangles=40_000, retromolar=0.5)
    found = inspect_scan(write_stl(arch.mesh), "a.stl", arch="lower")
    assert found.report["verdict"] != "pass"
    assert {"short_tissue", "no_tissue", "margin_uncertain", "few_teeth"} & set(codes(found))


@pytest.mark.parametrize("kept", [(34, 35, 36), (31, 32, 41), (46, 47)])
def test_a_few_teeth_never_pass(lower: Arch, kept: tuple[int, ...]) -> None:
    centres = np.array([tooth.centre for tooth in lower.truth.teeth])
    numbers = np.array([tooth.number for tooth in lower.truth.teeth])
    middles = lower.mesh.triangles.mean(axis=1)
    nearest = np.linalg.norm(middles[:, None] - centres[None], axis=2).argmin(axis=1)
    part = Mesh(lower.mesh.vertices, lower.mesh.faces[np.isin(numbers[nearest], kept)])
    found = inspect_scan(write_stl(part), "a.stl", arch="lower")
    assert found.report["verdict"] == "rescan"
    assert {"few_teeth", "not_an_arch"} & set(codes(found, "stop"))


BODIES = {
    "cube": trimesh.creation.box([30, 30, 30]),
    "ball": trimesh.creation.icosphere(subdivisions=4, radius=30),
    "skull": trimesh.creation.icosphere(subdivisions=4, radius=1).apply_scale([75, 95, 110]),
    "rod": trimesh.creation.cylinder(radius=4, height=70),
    "ring": trimesh.creation.torus(25, 5),
}


def test_a_unit_stated_wrongly_is_named_with_the_size_in_millimetres(lower: Arch) -> None:
    found = inspect_scan(write_stl(lower.mesh), "a.stl", units="in")
    (told,) = [f for f in found.report["findings"] if f["code"] == "too_large"]
    assert "Stated in inches; in millimetres it would be" in told["message"]
    assert found.report["verdict"] == "rescan"


@pytest.mark.parametrize("name", BODIES)
def test_what_is_no_arch_never_passes(name: str) -> None:
    body = BODIES[name]
    mesh = Mesh(np.asarray(body.vertices, float), np.asarray(body.faces, np.int32))
    found = inspect_scan(write_stl(mesh), f"{name}.stl")
    assert found.report["verdict"] == "rescan"
    assert "closed_solid" in codes(found, "stop")
    if name == "skull":  # Beyond the size of an arch nothing is measured, which takes long.
        assert "too_large" in codes(found, "stop")
        assert found.report["undercut"] is None
    json.dumps(found.report, allow_nan=False)
    assert found.picture(200, 150).startswith(b"\x89PNG")
    assert found.view_glb().startswith(b"glTF")


def test_an_open_sheet_of_nothing_never_passes() -> None:
    axis = np.linspace(-30, 30, 60)
    x, y = np.meshgrid(axis, axis, indexing="ij")
    points = np.column_stack([x.ravel(), y.ravel(), 2 * np.sin(x.ravel() / 6)])
    i, j = (v.ravel() for v in np.meshgrid(range(59), range(59), indexing="ij"))
    a = i * 60 + j
    faces = np.column_stack([a, a + 60, a + 61, a, a + 61, a + 1]).reshape(-1, 3)
    found = inspect_scan(write_stl(Mesh(points, faces.astype(np.int32))), "sheet.stl")
    assert found.report["verdict"] == "rescan"


def test_a_guessed_unit_is_a_finding_and_the_measures_are_in_mm(lower: Arch) -> None:
    small = Mesh(lower.mesh.vertices / 25.4, lower.mesh.faces)
    found = inspect_scan(write_stl(small), "a.stl", arch="lower")
    assert found.report["file"]["units"] in ("in", "cm")
    assert "unit_guessed" in codes(found, "check")
    stated = inspect_scan(write_stl(small), "a.stl", arch="lower", units="in")
    assert "unit_guessed" not in codes(stated)
    assert 45 < stated.report["extent_mm"]["width"] < 90


def test_a_second_piece_stops_scraps_are_one_note_and_specks_none(lower: Arch, upper: Arch) -> None:
    count = len(lower.mesh.vertices)
    both = Mesh(
        np.concatenate([lower.mesh.vertices, upper.mesh.vertices + 90.0]),
        np.concatenate([lower.mesh.faces, upper.mesh.faces + count]).astype(np.int32),
    )
    assert "second_piece" in codes(inspect_scan(write_stl(both), "a.stl"), "stop")
    speck = lower.mesh.vertices[lower.mesh.faces[0]]
    scrap = speck + np.array([[0.0, 0.0, 0.0], [2.0, 0.0, 0.0], [0.0, 2.0, 0.0]])
    for piece, told in ((scrap, ["2 loose scraps"]), (speck, [])):
        pieces = Mesh(
            np.concatenate([lower.mesh.vertices, piece + 9.0, piece + 12.0]),
            np.concatenate([lower.mesh.faces, count + np.arange(6).reshape(2, 3)]).astype(np.int32),
        )
        found = inspect_scan(write_stl(pieces), "a.stl", arch="lower")
        loose = [f for f in found.findings if f.code == "loose_piece"]
        assert [f.message[:14] for f in loose] == told
        assert all(f.severity == "note" for f in loose)
        assert found.report["topology"]["shells"] == 3


def test_a_scan_in_many_parts_is_told_once(lower: Arch, lower_found: Inspection) -> None:
    strip = np.floor(lower_found.frame.to_local(lower.mesh.vertices)[:, 0] / 14.0)[lower.mesh.faces]
    keep = lower.mesh.faces[(strip == strip[:, :1]).all(axis=1)]
    found = inspect_scan(write_stl(Mesh(lower.mesh.vertices, keep)), "a.stl", arch="lower")
    (told,) = (f for f in found.findings if f.code == "second_piece")
    assert told.severity == "stop"
    assert "as one joined surface" in told.message
    assert " parts, and only the largest" in told.message
    assert "second_piece" in codes(found)[:2]


def test_a_front_hardly_seen_is_asked_about_and_sides_it_does_not_show_are_not_named(
    lower: Arch, lower_found: Inspection
) -> None:
    assert "front_unsure" not in codes(lower_found)
    frame = lower_found.frame
    assert frame is not None
    across = frame.to_local(lower.mesh.vertices)[:, 0]

    def right_of(limit: float) -> Inspection:
        keep = (across > limit)[lower.mesh.faces].all(axis=1)
        part = Mesh(lower.mesh.vertices, lower.mesh.faces[keep])
        return inspect_scan(write_stl(part), "a.stl", arch="lower")

    short = [f for f in right_of(-12.0).findings if f.code == "front_unsure"]
    assert [f.severity for f in short] == ["check"]
    assert short[0].message.startswith("On the left")
    assert short[0].at is not None
    assert frame.to_local(np.array([short[0].at]))[0, 0] < -5.0
    back = right_of(12.0)
    assert "front_unsure" in codes(back, "check")
    assert all(f.sextant is None for f in back.findings)
    assert all(
        word not in f.message
        for f in back.findings
        if f.code != "front_unsure"
        for word in ("left", "front teeth", "back teeth", "cheek side", "tongue side")
    )
    assert back.report["tissue"]["by_sextant"] == {}
    assert all(sextant is None for sextant, _ in back.report["tissue"]["short"])
    assert back.report["teeth"]["count"] > 0
    assert back.report["teeth"]["present"] == []
    assert all(gap["sextant"] is None for gap in back.report["teeth"]["gaps"])


def test_a_number_that_is_not_certain_is_told_so(lower_found: Inspection) -> None:
    dentition = lower_found.dentition
    assert dentition is not None
    teeth = tuple(replace(t, number_sure=t.number != 34) for t in dentition.teeth)
    told = tissue_findings(replace(dentition, teeth=teeth), True, Limits(tissue_mm=30.0))
    for finding in told:
        assert ("first premolar (or its neighbour" in finding.message) == (
            "lower left first premolar" in finding.message
        )
    only = replace(dentition, teeth=tuple(replace(t, number_sure=False) for t in teeth))
    told = tissue_findings(only, True, Limits(tissue_mm=30.0))
    assert all("the number is not certain" in f.message for f in told if f.code == "short_tissue")
    assert only.teeth_report()["unsure"] == [t.number for t in teeth]


def test_limits_are_settings_with_a_note_each(lower: Arch) -> None:
    assert set(LIMIT_NOTES) == set(Limits.__dataclass_fields__)
    strict = Limits.from_settings({"tissue_mm": 30.0, "plane_sd_deg": 0.01})
    found = inspect_scan(write_stl(lower.mesh), "a.stl", arch="lower", limits=strict)
    assert "plane_unsure" in codes(found, "check")
    short = [f for f in found.findings if f.code == "short_tissue"]
    assert short
    assert all(f.limit in (30.0, 3.0) for f in short)
    with pytest.raises(GeometryError, match="not an inspection limit"):
        Limits.from_settings({"tissue": 3.0})
    with pytest.raises(GeometryError, match="0 or more"):
        Limits.from_settings({"tissue_mm": float("nan")})


def test_teeth_at_two_levels_leave_the_plane_in_doubt(lower_found: Inspection) -> None:
    frame = lower_found.frame
    assert frame is not None
    assert plane_findings(frame, Limits()) == []
    (told,) = plane_findings(replace(frame, uneven=0.45), Limits())
    assert (told.code, told.severity) == ("plane_unsure", "check")
    assert "two levels" in told.message
    assert "45%" in told.message


def test_what_falls_short_by_little_is_not_told_as_enough(lower_found: Inspection) -> None:
    dentition = lower_found.dentition
    assert dentition is not None
    least = min(t.side(s).captured_mm for t in dentition.teeth for s in SIDES)
    wanted = float(np.ceil(least))
    few = {"captured_mm": wanted - 0.02, "low_mm": wanted - 1.0, "high_mm": wanted + 1.0}
    moved = [replace(t, **{s: replace(t.side(s), **few) for s in SIDES}) for t in dentition.teeth]
    told = tissue_findings(replace(dentition, teeth=tuple(moved)), True, Limits(tissue_mm=wanted))
    short = [f for f in told if f.code == "short_tissue"]
    assert short
    for finding in short:
        assert finding.message.startswith(f"{wanted - 0.1:.1f} mm of gum")


def test_little_gum_along_a_side_is_one_finding_that_names_every_part(
    lower_found: Inspection,
) -> None:
    dentition = lower_found.dentition
    assert dentition is not None
    enough = {"captured_mm": 12.0, "low_mm": 11.5, "high_mm": 12.5, "margin_seen": True}
    few = {"captured_mm": 7.0, "low_mm": 6.5, "high_mm": 7.5, "status": "measured"}
    least = next(t for t in dentition.teeth if t.sextant == "08")
    teeth = [
        replace(
            t,
            facial=replace(t.facial, **enough),
            lingual=replace(t.lingual, **enough | few, goes_on=False),
        )
        for t in dentition.teeth
    ]
    at = teeth.index(next(t for t in teeth if t.number == least.number))
    teeth[at] = replace(
        least,
        facial=teeth[at].facial,
        lingual=replace(teeth[at].lingual, captured_mm=6.0, low_mm=5.5),
    )
    told = tissue_findings(
        replace(dentition, teeth=tuple(teeth), status="measured"), True, Limits()
    )
    (short,) = told
    assert (short.code, short.severity, short.sextant, short.side) == (
        "short_tissue",
        "check",
        "08",
        "lingual",
    )
    assert short.message.startswith("6.0 mm of gum captured, lower right")
    assert "lower front teeth" in short.message
    assert "lower left back teeth" in short.message


@pytest.mark.parametrize(("seen", "most"), [(False, 9.14), (True, 10.14)])
def test_gum_below_a_faint_gum_line_is_told_as_a_range(
    lower_found: Inspection, seen: bool, most: float
) -> None:
    """Where no line shows, and where signs contradict each other by more than 3 mm."""
    dentition = lower_found.dentition
    assert dentition is not None
    faint = [
        replace(
            t,
            **{
                s: replace(
                    t.side(s),
                    margin_seen=seen,
                    captured_mm=8.0,
                    low_mm=6.28,
                    high_mm=most,
                    p_short=0.0,
                    status="measured",
                )
                for s in SIDES
            },
        )
        for t in dentition.teeth
    ]
    told = tissue_findings(replace(dentition, teeth=tuple(faint)), True, Limits())
    short = [f for f in told if f.code == "short_tissue"]
    assert short
    for finding in short:
        words = f"6.2 to {most - 0.04:.1f} mm of gum (the gum line is faint)"
        assert finding.message.startswith(words)


def test_a_palate_scanned_whole_is_not_short_for_being_less_deep_than_the_gum_wanted() -> None:
    vault = {"palate": True, "palate_depth": 8.0, "last_tooth": (7, 7), **PLAIN}
    found = inspect_scan(write_stl(random_arch(5, arch="upper", **vault).mesh), "a.stl")
    assert found.dentition is not None
    assert min(t.lingual.captured_mm for t in found.dentition.teeth) < 6.0
    assert all(t.lingual.goes_on for t in found.dentition.teeth)
    assert "short_tissue" not in codes(found)
    cut = [replace(t, lingual=replace(t.lingual, goes_on=False)) for t in found.dentition.teeth]
    told = tissue_findings(replace(found.dentition, teeth=tuple(cut)), True, Limits())
    assert {(f.code, f.side) for f in told} == {("short_tissue", "lingual")}


def test_bad_requests_are_refused() -> None:
    with pytest.raises(GeometryError, match="use upper or lower"):
        inspect_scan(b"", "a.stl", arch="middle")
    with pytest.raises(ScanFileError, match=r"a\.stl: the file is empty"):
        inspect_scan(b"", "a.stl")


def test_the_verdict_follows_the_gravest_and_is_explained() -> None:
    note = Finding("tilt", "note", "x")
    check = Finding("hole", "check", "x", 2.0, 1.0, "mm")
    worse = Finding("hole", "check", "x", 6.0, 1.0, "mm")
    stop = Finding("few_teeth", "stop", "x", 2.0, 8.0)
    assert verdict_of([]) == verdict_of([note]) == "pass"
    assert verdict_of([note, check]) == "check"
    assert verdict_of([note, check, stop]) == "rescan"
    gum = Finding("short_tissue", "stop", "x", 0.1, 3.0)
    assert in_order([note, check, worse, gum, stop]) == [stop, gum, worse, check, note]
    assert "hole in the scan (2 places)" in explain([note, check, worse])
    assert "only part of an arch" in explain([check, stop])


def test_a_closed_body_with_a_hole_in_it_is_still_no_scan() -> None:
    ball = trimesh.creation.icosphere(subdivisions=4, radius=25.0)
    faces = np.asarray(ball.faces, np.int32)[5:]
    found = inspect_scan(write_stl(Mesh(np.asarray(ball.vertices), faces)), "ball.stl", units="mm")
    assert "closed_solid" in codes(found, "stop")


def test_triangles_that_share_no_corners_are_sent_back_for_another_export(lower: Arch) -> None:
    corners = lower.mesh.vertices[lower.mesh.faces].reshape(-1, 3)
    apart = corners + np.random.default_rng(2).normal(0.0, 0.003, corners.shape)
    soup = Mesh(apart, np.arange(len(apart), dtype=np.int32).reshape(-1, 3))
    found = inspect_scan(write_stl(soup), "soup.stl")
    assert codes(found, "stop") == ["scattered"]
    assert "Export again" in found.findings[0].message


def test_uneven_triangles_are_no_spikes() -> None:
    """A smooth sheet whose columns stand 0.3 and 3 mm apart in turn."""
    x = np.cumsum([0.0] + [0.3, 3.0] * 8)
    i, j = np.meshgrid(range(len(x)), range(len(x)), indexing="ij")
    points = np.column_stack([x[i.ravel()], x[j.ravel()], 0.01 * x[i.ravel()] ** 2])
    a = (i * len(x) + j)[:-1, :-1].ravel()
    n = len(x)
    faces = np.concatenate([np.column_stack([a, a + n, a + n + 1]),
                            np.column_stack([a, a + n + 1, a + 1])]).astype(np.int32)  # fmt: skip
    sheet = analyse(Mesh(points, faces), self_intersections=False)
    assert measure_sampling(sheet, 0.5).spikes == ()
    points[8 * n + 8, 2] += 2.0
    pulled = analyse(Mesh(points, faces), self_intersections=False)
    assert len(measure_sampling(pulled, 0.5).spikes) == 1


def test_the_engine_names_the_version_of_the_project() -> None:
    project = tomllib.loads((Path(__file__).parents[3] / "pyproject.toml").read_text())
    assert ENGINE.split("+")[0] == project["project"]["version"]
    assert ENGINE.split("+")[1].startswith("inspection.")
