"""``manage.py inspect_scan``: output, exit codes and one line on bad input."""

import json
from pathlib import Path

import numpy as np
import pytest
from django.core.management import call_command

from fixtures.arches import Arch
from geometry.mesh import Mesh
from geometry.reading import write_stl


def run(*words: str) -> int:
    with pytest.raises(SystemExit) as stopped:
        call_command("inspect_scan", *words)
    assert isinstance(stopped.value.code, int)
    return stopped.value.code


def test_json_and_a_picture(
    lower: Arch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scan, picture = tmp_path / "scan.stl", tmp_path / "out.png"
    scan.write_bytes(write_stl(lower.mesh))
    assert run(str(scan), "--arch", "lower", "--json", "--picture", str(picture)) == 0
    report = json.loads(capsys.readouterr().out)
    assert report["verdict"] in ("pass", "check")
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_text_says_the_verdict_first_and_a_rescan_is_exit_one(
    lower: Arch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scan = tmp_path / "scan.stl"
    half = (
        lower.mesh.triangles.mean(axis=1) @ lower.truth.right
        > lower.truth.right @ lower.truth.origin
    )
    scan.write_bytes(write_stl(Mesh(lower.mesh.vertices, lower.mesh.faces[half][::2])))
    assert run(str(scan)) == 1
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("RESCAN: Rescan because of: ")
    assert any(line.startswith("STOP") for line in lines)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"hello", "only 5 bytes"),
        (None, "No such file"),
        (b"\x01" * 84, "promises 16843009"),
    ],
)
def test_bad_input_is_one_line_and_exit_two(
    content: bytes | None, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scan = tmp_path / "scan.stl"
    if content is not None:
        scan.write_bytes(content)
    assert run(str(scan), "--json") == 2
    caught = capsys.readouterr()
    assert caught.out == ""
    assert words in caught.err
    assert caught.err.startswith("scan.stl: ")
    assert caught.err.count("\n") == 1


def test_memory_stays_within_the_limit_for_a_large_claim(tmp_path: Path) -> None:
    scan = tmp_path / "scan.stl"
    scan.write_bytes(b" " * 80 + np.uint32(4_294_967_295).tobytes() + bytes(1000))
    assert run(str(scan)) == 2
