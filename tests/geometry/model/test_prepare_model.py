"""``manage.py prepare_model``: the file it writes, its keys, and what bad input is told."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command

from geometry.mesh import Mesh
from geometry.reading import read_mesh, write_stl
from tests.geometry.model.conftest import arch

KEYS = {
    "transform", "height_mm", "watertight", "volume_ml", "tilt_after_deg", "height_spread_mm",
    "trim", "block_out", "surface_deviation_mm", "forming", "warnings",
}  # fmt: skip


def run(capsys: pytest.CaptureFixture[str], *words: Any) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stopped:
        call_command("prepare_model", *map(str, words))
    out = capsys.readouterr()
    assert isinstance(stopped.value.code, int)
    return stopped.value.code, out.out, out.err


def test_a_scan_in_centimetres_makes_a_model_of_the_right_size_and_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mesh = arch("upper").mesh
    scan, out = tmp_path / "scan.stl", tmp_path / "model.stl"
    scan.write_bytes(write_stl(Mesh(mesh.vertices / 10.0, mesh.faces)))
    code, text, err = run(capsys, scan, "--out", out, "--arch", "upper", "--json")
    report = json.loads(text)
    assert (code, err) == (0, "")
    assert report.keys() >= KEYS
    assert report["height_mm"] == pytest.approx(15.0, abs=0.01)
    assert "centimetres" in report["warnings"][0]
    solid = read_mesh(out.read_bytes(), "model.stl", "mm").mesh
    assert solid.vertices[:, 2].min() == pytest.approx(0.0, abs=1e-6)
    assert solid.vertices[:, 2].max() == pytest.approx(15.0, abs=0.3)


def test_bad_input_is_one_line_and_nothing_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scan, out = tmp_path / "scan.stl", tmp_path / "model.stl"
    scan.write_bytes(b"no scan")
    code, text, err = run(capsys, scan, "--out", out)
    assert (code, text, err.count("\n")) == (2, "", 1)
    assert "scan.stl" in err
    assert not out.exists()
