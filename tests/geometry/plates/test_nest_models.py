"""The command's contract: files, keys, exit codes, one clear line for bad input."""

import json
import zipfile

import pytest
from django.core.management import call_command

from geometry.mesh import Mesh
from geometry.reading import write_stl
from tests.geometry.plates.bodies import extruded, horseshoe


@pytest.fixture
def models(tmp_path):
    out = []
    for k in range(3):
        path = tmp_path / f"C40{k}-U.stl"
        path.write_bytes(write_stl(extruded(horseshoe(60 + k, 50, 1200))))
        out.append(str(path))
    return out


def run(capsys, *words):
    with pytest.raises(SystemExit) as stop:
        call_command("nest_models", *map(str, words))
    out = capsys.readouterr()
    return stop.value.code, out.out, out.err


@pytest.mark.parametrize("ending", ["3mf", "stl"])
def test_a_plate_is_written_with_its_picture(tmp_path, capsys, models, ending):
    out, picture = tmp_path / f"plate.{ending}", tmp_path / "plate.png"
    code, text, err = run(
        capsys, *models, "--plate", "192x120", "--out", out, "--picture", picture, "--json",
        "--layer", 0.1, "--layer-seconds", 9,
    )  # fmt: skip
    report = json.loads(text)
    assert (code, err) == (0, "")
    assert [p["name"] for p in report["placed"]] == ["C400-U", "C401-U", "C402-U"]
    assert report["placed"][0].keys() == {"index", "name", "x", "y", "turn_deg"}
    assert report["least_gap_mm"] >= 2.0
    assert report["layers"] == 150
    assert report["print_minutes"] == pytest.approx(22.5)
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert out.stat().st_size > 1000
    if ending == "3mf":
        assert zipfile.is_zipfile(out)


def test_an_open_surface_is_warned_of(tmp_path, capsys, models):
    body = extruded(horseshoe(60, 50, 1200))
    scan = tmp_path / "scan.stl"
    scan.write_bytes(write_stl(Mesh(body.vertices, body.faces[: len(body.faces) // 2])))
    words = (models[0], scan, "--plate", "192x120", "--out", tmp_path / "plate.3mf")
    _, text, _ = run(capsys, *words, "--json")
    (warning,) = json.loads(text)["warnings"]
    assert warning.startswith("scan is an open surface; prepare it first")
    assert "Warning   scan is an open surface" in run(capsys, *words)[1]


def test_what_does_not_fit_is_named_and_exits_1(tmp_path, capsys, models):
    out = tmp_path / "plate.3mf"
    code, text, _ = run(capsys, *models, "--plate", "66x54", "--out", out, "--json")
    report = json.loads(text)
    assert code == 1
    assert len(report["placed"]) == 1
    assert {one["name"] for one in report["unplaced"]} < {"C400-U", "C401-U", "C402-U"}
    assert out.exists()


def test_nothing_is_written_when_nothing_fits(tmp_path, capsys, models):
    out = tmp_path / "plate.3mf"
    code, text, _ = run(capsys, models[0], "--plate", "20x20", "--out", out)
    assert code == 1
    assert "larger than the plate" in text
    assert not out.exists()


def test_bad_input_gets_one_line(tmp_path, capsys, models):
    broken = tmp_path / "broken.stl"
    broken.write_bytes(b"solid x")
    cases = [
        ((models[0], "--plate", "big", "--out", "a.3mf"), "--plate big"),
        ((models[0], "--plate", "0x10", "--out", "a.3mf"), "makes no sense"),
        ((models[0], "--plate", "90x90", "--out", "a.obj"), "a.obj"),
        ((models[0], "--plate", "90x90", "--gap", "-1", "--out", "a.3mf"), "gap"),
        ((str(broken), "--plate", "90x90", "--out", "a.3mf"), "broken.stl"),
        ((str(tmp_path / "none.stl"), "--plate", "90x90", "--out", "a.3mf"), "none.stl"),
    ]
    for words, part in cases:
        code, text, err = run(capsys, *words)
        assert (code, text) == (2, "")
        assert part in err
        assert err.strip().count("\n") == 0
