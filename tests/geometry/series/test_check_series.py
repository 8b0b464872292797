"""Steps missing, doubled, swapped, foreign or of the other arch are found."""

import io
import itertools
import zipfile

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from geometry.errors import GeometryError
from geometry.frame import find_frame
from geometry.mesh import Mesh
from geometry.reading import write_stl
from geometry.series import check_series
from geometry.series.mirrored import mirrored_steps
from geometry.series.mouths import Mouth, Step, crown_distances, onto
from geometry.series.movement import follow
from geometry.series.size import other_size
from geometry.series.surface import Surface
from tests.geometry.series.steps import base_arch, files_of, rigid_steps_of


def with_shape(files, k, data):
    """Return the files with the content of one replaced."""
    return [(n, data if i == k else d) for i, (n, d) in enumerate(files)]


def exchanged(files, i, j):
    out = list(files)
    out[i], out[j] = (files[i][0], files[j][1]), (files[j][0], files[i][1])
    return out


def test_two_whole_arches_pass(lower_files, upper_files):
    report = check_series(lower_files + upper_files)
    assert report["acceptable"]
    assert report["problems"] == []
    assert report["arches"]["lower"]["steps"] == [1, 2, 3, 4, 5, 6, 7]
    assert report["arches"]["upper"]["steps"] == [1, 2, 3, 4, 5]


def test_swapped_files_are_named(lower_files):
    report = check_series(exchanged(lower_files, 3, 4))
    assert not report["acceptable"]
    assert report["arches"]["lower"]["swapped"] == [[4, 5]]
    assert "lower: steps 4 and 5 are swapped" in report["problems"]


@pytest.mark.parametrize("i", [0, 3])
def test_beside_a_swapped_step_the_teeth_do_not_seem_to_move_on_and_back(lower_files, i):
    before = check_series(lower_files)["arches"]["lower"]
    report = check_series(exchanged(lower_files, i, i + 1))
    after = report["arches"]["lower"]
    assert after["over_limit"] == before["over_limit"] == []
    assert [(m["from"], m["to"]) for m in after["movements"]] == list(
        itertools.pairwise(range(1, 8))
    )
    told = [[m["mm"] for m in one["movements"]] for one in (before, after)]
    assert np.allclose(*told, atol=0.02)
    assert len(report["problems"]) == 1


def test_a_number_that_a_person_gave_counts_before_the_name(lower_files):
    files = exchanged(lower_files, 3, 4)
    given = {files[3][0]: 5, files[4][0]: 4}
    report = check_series(files, numbers=given)
    assert (report["acceptable"], report["arches"]["lower"]["swapped"]) == (True, [])


@pytest.mark.parametrize(("k", "ratio"), [(3, 1.02), (0, 0.98), (6, 1.01), (4, 1.06)])
def test_an_enlarged_step_is_told_with_its_size(lower_files, lower_steps, k, ratio):
    mesh = lower_steps[0][k]
    grown = write_stl(Mesh(mesh.vertices * ratio, mesh.faces))
    report = check_series(with_shape(lower_files, k, grown))
    lower = report["arches"]["lower"]
    (one,) = lower["foreign"]
    assert one["step"] == k + 1
    assert one["size_ratio"] == pytest.approx(ratio, abs=0.003)
    assert len(report["problems"]) == 1
    assert ("larger" if ratio > 1.0 else "smaller") in report["problems"][0]
    assert [lower[name] for name in ("misplaced", "swapped", "over_limit")] == [[], [], []]


@pytest.mark.parametrize("k", [0, 2, 6])
def test_a_mirrored_step_is_told_as_mirrored_and_as_nothing_else(lower_files, lower_steps, k):
    mesh = lower_steps[0][k]
    image = Mesh(mesh.vertices * [-1.0, 1.0, 1.0], mesh.faces[:, ::-1].copy())
    name = lower_files[k][0]
    report = check_series(with_shape(lower_files, k, write_stl(image)))
    assert report["arches"]["lower"]["mirrored"] == [{"file": name, "step": k + 1}]
    assert report["problems"] == [
        f"lower: {name} is mirrored; export it again as it is in the mouth"
    ]


@pytest.mark.parametrize("k", [0, 3])
def test_a_mirrored_step_that_lies_among_the_others_is_found(lower_steps, k):
    """The mirror image of an even arch lies on its mouth: laid there by its frame."""
    steps = [
        Step(f"{n}.stl", "lower", n, str(n), Surface.of(mesh))
        for n, mesh in enumerate(lower_steps[0][:5])
    ]
    straight = Mouth(steps)
    assert mirrored_steps(straight, crown_distances(straight), [1, k]) == []
    mesh = steps[k].surface.mesh
    image = Mesh(mesh.vertices * [-1.0, 1.0, 1.0], mesh.faces[:, ::-1].copy())
    turned = Step(steps[k].file, "lower", k, "m", Surface.of(image))
    mixed = Mouth(
        [*steps[:k], turned.moved(onto(steps[4].frame, turned.frame, 0.0)), *steps[k + 1 :]]
    )
    assert mirrored_steps(mixed, crown_distances(mixed), [1, k]) == [k]


@pytest.mark.parametrize("i", [0, 5])
def test_swapped_ends_are_named(lower_files, i):
    assert check_series(exchanged(lower_files, i, i + 1))["arches"]["lower"]["swapped"] == [
        [i + 1, i + 2]
    ]


def test_missing_numbers(lower_files):
    report = check_series(lower_files[:2] + lower_files[4:])
    assert report["arches"]["lower"]["missing"] == [3, 4]
    assert not report["acceptable"]


def test_a_copy_under_another_number_is_doubled(lower_files):
    report = check_series(with_shape(lower_files, 4, lower_files[3][1]))
    (double,) = report["arches"]["lower"]["doubled"]
    assert double["steps"] == [4, 5]
    assert double["reason"] == "the same file"


def test_a_copy_exported_anew_is_doubled(lower_files, lower_steps):
    mesh = lower_steps[0][3]
    order = np.random.default_rng(0).permutation(len(mesh.faces))
    shuffled = type(mesh)(mesh.vertices, np.roll(mesh.faces[order], 1, axis=1))
    report = check_series(with_shape(lower_files, 4, write_stl(shuffled)))
    (double,) = report["arches"]["lower"]["doubled"]
    assert double["steps"] == [4, 5]
    assert double["reason"] == "the same shape"


def test_a_step_that_moves_one_tooth_alone_is_no_copy(lower_files, lower_steps):
    """Teeth that are late are moved alone at the end (common practice, no source)."""
    last = lower_steps[0][6]
    frame = find_frame(last)
    side = last.vertices - frame.tips[0]
    across = np.linalg.norm(side - np.outer(side @ frame.occlusal, frame.occlusal), axis=1)
    share = np.exp(-((across / 4.0) ** 2)) * np.clip((side @ frame.occlusal + 9.0) / 4.0, 0.0, 1.0)
    moved = last.vertices + 0.09 * share[:, None] * frame.anterior
    report = check_series([*lower_files, ("C401_lower_08.stl", write_stl(Mesh(moved, last.faces)))])
    assert report["problems"] == []


def test_a_last_model_that_is_used_again_is_told_once(lower_files):
    """Where one arch is done before the other (common practice, no source)."""
    last = lower_files[-3][1]
    repeated = [(name, last if k >= 4 else data) for k, (name, data) in enumerate(lower_files)]
    report = check_series(repeated)
    (double,) = report["arches"]["lower"]["doubled"]
    assert double["steps"] == report["arches"]["lower"]["steps"][-3:]
    assert double["reason"].startswith("the same file; usual at the end")
    (told,) = report["problems"]
    assert "steps {}, {} and {}".format(*double["steps"]) in told


def test_one_number_twice(lower_files):
    report = check_series([*lower_files, ("again/C401_lower_03.stl", lower_files[2][1])])
    assert report["arches"]["lower"]["doubled"][0]["steps"] == [3]


@pytest.mark.parametrize("k", [0, 3])
def test_a_model_of_another_mouth_is_foreign(lower_files, k):
    other = files_of([base_arch(73, "lower")], "{}")[0][1]
    report = check_series(with_shape(lower_files, k, other))
    (one,) = report["arches"]["lower"]["foreign"]
    assert (one["step"], one["size_ratio"]) == (k + 1, None)
    assert not report["acceptable"]


@pytest.mark.parametrize(("unlike", "told"), [(0.04, True), (0.45, False)])
def test_a_mouth_that_is_only_much_alike_is_not_told_to_be_of_another_size(unlike, told):
    """Crowns of other people's teeth come within a millimetre at the right size, too."""
    base = base_arch(71, "lower")
    waves = np.sin(base.vertices[:, [1, 2, 0]] * (0.8, 0.9, 0.7) + (0.0, 1.0, 2.0))
    other = Mesh((base.vertices + unlike * waves) * 0.95, base.faces)
    one, two = (Step(str(k), "lower", k, "", Surface.of(m)) for k, m in enumerate((base, other)))
    found = other_size(two, one)
    assert found == (pytest.approx(0.95, abs=0.003) if told else None)


def test_a_model_of_the_other_arch_is_told(lower_files, upper_files):
    report = check_series(with_shape(lower_files, 3, upper_files[2][1]) + upper_files)
    (wrong,) = report["arches"]["lower"]["wrong_arch"]
    assert (wrong["step"], wrong["belongs_to"]) == (4, "upper")


def test_movement_beyond_the_limit(lower_steps):
    meshes, _ = lower_steps
    report = check_series(files_of(meshes[:1] + meshes[4:8], "lower{}.stl"))
    (over,) = report["arches"]["lower"]["over_limit"]
    assert (over["from"], over["to"]) == (1, 2)


@pytest.mark.parametrize("crown", [False, True])
def test_a_ridge_of_gum_that_fits_anywhere_along_itself_is_not_followed(crown):
    x, y = np.mgrid[-16:17, -60:61] * 0.2
    z = 6.0 - x**2 / 4.0
    if crown:
        z += 2.0 * np.exp(-(y**2) / 4.0)
    number = np.arange(x.size).reshape(x.shape)
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    faces = np.concatenate([np.stack(t, -1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
    points = np.column_stack((x.ravel(), y.ravel(), z.ravel()))
    rng = np.random.default_rng(2)
    before, after = (
        Surface.of(Mesh(points + rng.normal(0, 0.008, points.shape), faces.astype(np.int32)))
        for _ in range(2)
    )
    up = np.array([0.0, 0.0, 1.0])
    found, _ = follow(before, after, np.array([[0.0, 0.0, z.max()]]), up)
    assert (found is not None) == crown
    assert found is None or found.largest_mm < 0.02


def test_movement_is_measured(lower_steps):
    meshes, moved = lower_steps
    report = check_series(files_of(meshes[:6], "lower_{}.stl"))
    found = np.array([m["mm"] for m in report["arches"]["lower"]["movements"]])
    # A crown moves as one piece here, but the field's maximum lies at its tip.
    assert np.abs(found - moved[1:6]).max() < 0.09


@pytest.mark.parametrize("posed", [False, True])
def test_a_crown_that_moves_as_one_piece_is_measured_as_far_as_it_moves(posed):
    meshes, moved = rigid_steps_of(base_arch(31, "lower"), 5, 31)
    if posed:
        turns = Rotation.random(5, random_state=1).as_matrix()
        meshes = [
            Mesh(mesh.vertices @ turn.T + 20.0 * turn[0], mesh.faces)
            for mesh, turn in zip(meshes, turns, strict=True)
        ]
    files = files_of(meshes, "lower_{}.stl")
    report = check_series(files)["arches"]["lower"]
    found = np.array([m["mm"] for m in report["movements"]])
    assert np.abs(found - moved[1:]).max() < 0.008
    # A little more than the limit is told, less is not.
    for over, told in ((0.015, True), (-0.01, False)):
        limit = max(moved) - over
        steps = check_series(files, limit_mm=limit)["arches"]["lower"]["over_limit"]
        assert (int(np.argmax(moved)) + 1 in [m["to"] for m in steps]) == told


def test_noise_alone_puts_no_step_over_the_limit(lower_steps):
    mesh = lower_steps[0][0]
    rng = np.random.default_rng(5)
    noisy = [Mesh(mesh.vertices + rng.normal(0.0, 0.02, mesh.vertices.shape), mesh.faces)] * 2
    noisy.append(Mesh(mesh.vertices + rng.normal(0.0, 0.02, mesh.vertices.shape), mesh.faces))
    report = check_series(files_of(noisy, "lower_{}.stl"), limit_mm=0.04)
    assert report["arches"]["lower"]["over_limit"] == []


def test_a_step_in_another_unit_is_told(lower_files, lower_steps):
    mesh = lower_steps[0][1]
    inches = write_stl(Mesh(mesh.vertices / 25.4, mesh.faces))
    report = check_series(with_shape(lower_files[:3], 1, inches))
    assert report["other_units"] == [{"file": lower_files[1][0], "units": "in"}]
    (told,) = report["problems"]
    assert lower_files[1][0] in told


def test_arch_is_told_by_shape_when_names_say_nothing(lower_steps):
    report = check_series(files_of(lower_steps[0][:3], "model {}.stl"))
    assert list(report["arches"]) == ["lower"]
    assert report["arches"]["lower"]["named_arch"] is None


def test_a_name_without_number_is_pointed_out(lower_files):
    report = check_series([*lower_files[:3], ("lower.stl", lower_files[3][1])])
    assert report["unnumbered"] == ["lower.stl"]


def test_a_name_cannot_break_a_line(lower_files):
    report = check_series([*lower_files[:2], ("low\n\x1b[31mer.stl", lower_files[2][1])])
    assert all(line.isprintable() for line in report["problems"])
    assert len(report["problems"]) == 1
    assert not report["acceptable"]


def packed(files, **kind):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        for name, data in files:
            package.writestr(name, data)
    return out.getvalue()


def test_zip_and_folder_are_read_alike_and_nothing_is_written(tmp_path, lower_files):
    few = [*lower_files[:2], ("notes.txt", b"-"), ("__MACOSX/._x.stl", b"-")]
    pack = tmp_path / "series.zip"
    pack.write_bytes(packed(few))
    folder = tmp_path / "series"
    folder.mkdir()
    for name, data in few[:3]:
        (folder / name).write_bytes(data)
    before = sorted(p.name for p in tmp_path.rglob("*"))
    from_zip, from_folder = check_series(pack), check_series(folder)
    assert from_zip["arches"] == from_folder["arches"]
    assert "notes.txt" in from_zip["ignored"]
    assert sorted(p.name for p in tmp_path.rglob("*")) == before


def test_a_zip_within_is_not_passed_over(tmp_path, lower_files, upper_files):
    inner = packed(upper_files[:2])
    pack = tmp_path / "series.zip"
    pack.write_bytes(packed([*lower_files[:2], ("upper.zip", inner)]))
    (told,) = check_series(pack)["problems"]
    assert told.startswith("upper.zip: not looked into")
    pack.write_bytes(packed([("upper.zip", inner)]))
    with pytest.raises(GeometryError, match="unpack that first"):
        check_series(pack)


def test_a_broken_file_is_told_and_the_rest_is_checked(tmp_path, lower_files):
    pack = tmp_path / "series.zip"
    pack.write_bytes(packed([*lower_files[:2], ("C401_lower_03.stl", b"solid nothing")]))
    report = check_series(pack)
    assert report["unreadable"][0]["file"] == "C401_lower_03.stl"
    assert report["arches"]["lower"]["steps"] == [1, 2]
    assert not report["acceptable"]


def test_what_unpacks_to_far_too_much_is_refused(tmp_path):
    pack = tmp_path / "series.zip"
    pack.write_bytes(packed([("upper_01.stl", bytes(8 * 2**20))]))
    with pytest.raises(GeometryError, match="200 times"):
        check_series(pack)


def test_a_zip_that_lies_about_a_size_is_told(tmp_path, lower_files):
    data = bytearray(packed(lower_files[:2]))
    at = data.rindex(b"PK\x01\x02")
    # Size unpacked, in the list of contents: told a hundred bytes too small.
    size = int.from_bytes(data[at + 24 : at + 28], "little") - 100
    data[at + 24 : at + 28] = size.to_bytes(4, "little")
    pack = tmp_path / "series.zip"
    pack.write_bytes(bytes(data))
    report = check_series(pack)
    assert "damaged in the ZIP" in report["unreadable"][0]["reason"]


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 broken", b"no zip"])
def test_what_is_no_zip_gets_one_line(tmp_path, content):
    pack = tmp_path / "series.zip"
    pack.write_bytes(content)
    with pytest.raises(GeometryError, match=r"series\.zip: neither a folder nor a whole ZIP"):
        check_series(pack)


def test_an_empty_folder_gets_one_line(tmp_path):
    with pytest.raises(GeometryError, match="no STL, PLY or OBJ file"):
        check_series(tmp_path)
