"""``foresee`` and ``quote`` on the command line: keys, exit codes, errors."""

from __future__ import annotations

import json
import math
from io import StringIO
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
from django.core.management import call_command

ROUTE = [{"kind": "print", "minutes": 50, "spread": 0.1}]
PROBLEM = {
    "objective": "promises",
    "resources": [{"id": "P", "kind": "print"}],
    "jobs": [{"id": "A", "due": 70, "group": "g", "steps": ROUTE}],
}


def run(*arguments: str) -> tuple[int, str, str]:
    """Return exit code, output and error output of a command."""
    with patch("sys.stdout", StringIO()) as out, patch("sys.stderr", StringIO()) as err:
        with pytest.raises(SystemExit) as stopped:
            call_command(*arguments)
        return int(stopped.value.code or 0), out.getvalue(), err.getvalue()


def written(folder: Path, name: str, content: Any) -> str:
    path = folder / name
    path.write_text(content if isinstance(content, str) else json.dumps(content))
    return str(path)


def test_foresee_gives_the_contract_s_keys(tmp_path: Path) -> None:
    problem = written(tmp_path, "p.json", PROBLEM)
    code, out, _ = run("foresee", problem, "--samples", "300", "--seed", "4", "--json")
    report = json.loads(out)
    assert code == 0
    assert report["samples"] == 300
    assert set(report) >= {"jobs", "groups", "samples", "seconds"}
    assert set(report["jobs"][0]) == {"id", "p_late", "finish"}
    assert set(report["jobs"][0]["finish"]) == {"p10", "p50", "p90"}
    code, out, _ = run("foresee", problem)
    assert code == 0
    assert out.startswith("A: late with")


def test_quote_gives_the_contract_s_keys(tmp_path: Path) -> None:
    problem = written(tmp_path, "p.json", PROBLEM)
    job = written(tmp_path, "j.json", {"id": "B", "steps": ROUTE})
    code, out, _ = run("quote", problem, "--job", job, "--confidence", "0.9", "--json")
    report = json.loads(out)
    assert code == 0
    assert set(report) >= {"earliest", "p_kept", "delayed"}
    assert report["earliest"] > 100
    assert report["p_kept"] >= 0.9
    assert run("quote", problem, "--job", job)[1].startswith("ready in")


def test_quote_of_what_can_never_be_made_exits_1_with_the_reason(tmp_path: Path) -> None:
    problem = written(tmp_path, "p.json", PROBLEM)
    job = written(tmp_path, "j.json", {"id": "B", "steps": [{"kind": "mill", "minutes": 5}]})
    code, out, _ = run("quote", problem, "--job", job, "--json")
    assert code == 1
    assert json.loads(out)["earliest"] is None
    code, out, _ = run("quote", problem, "--job", job)
    assert "no resource of kind 'mill'" in out


def test_foresee_names_what_can_never_be_made(tmp_path: Path) -> None:
    never = {"id": "B", "steps": [{"kind": "mill", "minutes": 5}]}
    problem = written(tmp_path, "p.json", PROBLEM | {"jobs": [*PROBLEM["jobs"], never]})
    code, out, _ = run("foresee", problem, "--json")
    assert code == 0
    (left,) = json.loads(out)["infeasible"]
    assert left["job"] == "B"
    assert "no resource of kind 'mill'" in left["reason"]
    assert "cannot be made: job 'B' step 0: no resource" in run("foresee", problem)[1]


def test_new_work_that_runs_already_needs_no_machine_named(tmp_path: Path) -> None:
    running = {"kind": "print", "minutes": 50, "started": -20}
    job = written(tmp_path, "j.json", {"id": "B", "steps": [running, *ROUTE]})
    two = [{"id": "P", "kind": "print"}, {"id": "Q", "kind": "print"}]
    problem = written(tmp_path, "p.json", PROBLEM | {"resources": two, "jobs": []})
    code, out, _ = run("quote", problem, "--job", job, "--confidence", "0.5", "--json")
    assert code == 0
    assert json.loads(out)["earliest"] == pytest.approx(30 + 50, abs=1.5)
    job = written(tmp_path, "j.json", {"id": "B", "steps": [{**running, "kind": "mill"}]})
    code, _, err = run("quote", problem, "--job", job)
    assert code == 2
    assert err == (
        "j.json: job 'B' step 0: started, but no resource of kind 'mill' is listed; add it\n"
    )


@pytest.mark.parametrize("spread", [0.1, 0.3, 0.6])
def test_a_quote_on_an_empty_bench_is_the_quantile_of_the_one_duration(
    tmp_path: Path, spread: float
) -> None:
    problem = written(tmp_path, "p.json", PROBLEM | {"jobs": []})
    step = {"kind": "print", "minutes": 200, "spread": spread}
    job = written(tmp_path, "j.json", {"id": "B", "steps": [step]})
    report = json.loads(run("quote", problem, "--job", job, "--json")[1])
    # Of a log-normal, median times exp(spread z), z = 1.645 for 95 % (any table of the normal).
    assert report["earliest"] == pytest.approx(200 * math.exp(1.645 * spread), rel=0.02)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ('{"jobs": [', "p.json: not JSON at line 1"),
        ("[" * 100000, "p.json: "),
        ('{"clock": ' + "9" * 5000 + "}", "p.json: a number has too many digits"),
        ({"resources": []}, "p.json: problem: jobs is missing"),
        ({"resources": [], "jobs": [], "clock": "x" * 999}, "clock is 'xx"),
        ({"resources": [], "jobs": [{"id": "x" * 999}]}, "id has 999 characters"),
        ({"resources": [], "jobs": [{"id": "A", "steps": [{"kind": "x"}]}]}, "minutes is missing"),
    ],
)
def test_bad_input_exits_2_with_one_line(tmp_path: Path, content: Any, words: str) -> None:
    code, out, err = run("foresee", written(tmp_path, "p.json", content), "--json")
    assert code == 2
    assert out == ""
    assert words in err
    assert err.count("\n") == 1
    assert len(err) < 300


def test_a_missing_file_and_a_bad_flag_exit_2(tmp_path: Path) -> None:
    code, _, err = run("foresee", str(tmp_path / "none.json"))
    assert code == 2
    assert "none.json" in err
    problem = written(tmp_path, "p.json", PROBLEM)
    assert run("foresee", problem, "--samples", "0")[0] == 2
    job = written(tmp_path, "j.json", {"id": "B", "steps": ROUTE})
    assert run("quote", problem, "--job", job, "--confidence", "1.5")[0] == 2
