"""The command's contract: keys, exit codes, one clear line for bad input."""

import json

import pytest
from django.core.management import call_command

from production.planning.solve.check.checker import violations
from tests.planning.solve import instances


def run(tmp_path, capsys, data, *flags):
    file = tmp_path / "day.json"
    file.write_text(data if isinstance(data, str) else json.dumps(data))
    with pytest.raises(SystemExit) as stop:
        call_command("solve_plan", str(file), "--seconds", "0.3", *flags)
    out = capsys.readouterr()
    return stop.value.code, out.out, out.err


def test_a_plan_as_json_has_the_contract_keys_and_passes_the_checker(tmp_path, capsys):
    problem = instances.office_day(3, 4)
    code, out, err = run(tmp_path, capsys, problem, "--json")
    plan = json.loads(out)
    assert code == 0
    assert err == ""
    assert {"steps", "objective", "lower_bound", "proved_optimal", "seconds"} <= plan.keys()
    assert plan["objective"].keys() == {"value", "late_jobs", "weighted_tardiness", "makespan"}
    assert plan["steps"][0].keys() == {"job", "index", "resource", "start", "end", "batch"}
    assert violations(problem, plan) == []


def test_a_search_bounded_by_trials_prints_the_same_bytes_every_time(tmp_path, capsys):
    problem = instances.office_day(5, 6, 1)
    first = run(tmp_path, capsys, problem, "--json", "--work", "300")
    assert first == run(tmp_path, capsys, problem, "--json", "--work", "300")
    assert first[0] == 0
    assert run(tmp_path, capsys, problem, "--work", "-1")[0] == 2


def test_a_plan_as_text_names_every_step(tmp_path, capsys):
    code, out, _ = run(tmp_path, capsys, instances.office_day(2, 3))
    assert code == 0
    assert "weighted tardiness" in out
    assert "arch 1, 6" in out


def test_work_that_cannot_be_done_exits_1_with_the_reason(tmp_path, capsys):
    steps = [{"kind": "m", "minutes": 1}]
    problem = {"resources": [], "jobs": [{"id": name, "steps": steps} for name in "abcde"]}
    code, out, err = run(tmp_path, capsys, problem, "--json")
    assert code == 1
    assert json.loads(out)["infeasible"][0]["job"] == "a"
    assert err.strip().count("\n") == 0
    assert "no resource of kind 'm'" in err
    assert "and 2 more" in err


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ("{", "not JSON"),
        ("[]", "day.json: problem"),
        ('{"jobs": []}', "resources is missing"),
        ('{"resources": [], "jobs": [{"id": 1, "steps": []}]}', "steps is empty"),
    ],
)
def test_bad_input_exits_2_with_one_line(tmp_path, capsys, data, words):
    code, out, err = run(tmp_path, capsys, data)
    assert code == 2
    assert out == ""
    assert err.count("\n") == 1
    assert words in err


def test_a_bad_limit_and_a_missing_file_exit_2(tmp_path, capsys):
    for arguments in (["nothing.json"], ["nothing.json", "--seconds", "nan"]):
        with pytest.raises(SystemExit) as stop:
            call_command("solve_plan", *arguments)
        assert stop.value.code == 2
        assert capsys.readouterr().err.count("\n") == 1
