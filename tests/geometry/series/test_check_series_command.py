"""The command's contract: keys, exit codes, one clear line for bad input."""

import json

import pytest
from django.core.management import call_command


def run(capsys, *words):
    with pytest.raises(SystemExit) as stop:
        call_command("check_series", *map(str, words))
    out = capsys.readouterr()
    return stop.value.code, out.out, out.err


@pytest.fixture
def folder(tmp_path, lower_files):
    for name, data in lower_files[:4]:
        (tmp_path / name).write_bytes(data)
    return tmp_path


def test_a_whole_series_exits_0(folder, capsys):
    code, text, err = run(capsys, folder, "--json")
    assert (code, err) == (0, "")
    arch = json.loads(text)["arches"]["lower"]
    assert {"steps", "missing", "doubled", "swapped", "foreign", "largest_movement_mm"} <= set(arch)
    assert arch["steps"] == [1, 2, 3, 4]


def test_a_missing_step_exits_1_and_is_named(folder, capsys):
    (folder / "C401_lower_02.stl").unlink()
    code, text, _ = run(capsys, folder)
    assert code == 1
    assert "step 2 missing" in text


def test_a_smaller_limit_is_kept_to(folder, capsys):
    code, text, _ = run(capsys, folder, "--limit", 0.02)
    assert code == 1
    assert "more than 0.02 mm a step" in text


def test_bad_input_gets_one_line(tmp_path, capsys):
    for words, part in (
        ((tmp_path / "none",), "none"),
        ((tmp_path,), "no STL, PLY or OBJ file"),
        ((tmp_path, "--limit", -1), "limit"),
    ):
        code, text, err = run(capsys, *words)
        assert (code, text) == (2, "")
        assert part in err
        assert err.strip().count("\n") == 0
