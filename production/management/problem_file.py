"""Reading the JSON files of the planning commands."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from production.planning import Problem, parse_problem
from production.planning.errors import ProblemError

__all__ = ["read_json", "read_problem"]


def read_json(path: Path) -> Any:
    """Return the content of a JSON file.

    Raises
    ------
    ProblemError
        When it is not JSON text.
    OSError
        When it cannot be read.
    """
    try:
        return json.loads(path.read_bytes())
    except UnicodeDecodeError as error:
        raise ProblemError(f"{path.name}: not UTF-8 text; save it as UTF-8 JSON") from error
    except json.JSONDecodeError as error:
        raise ProblemError(
            f"{path.name}: not JSON at line {error.lineno} column {error.colno} "
            f"({error.msg.lower()}); correct it there"
        ) from error
    except RecursionError as error:
        raise ProblemError(f"{path.name}: nested too deeply; simplify it") from error
    except ValueError as error:
        raise ProblemError(f"{path.name}: a number has too many digits; shorten it") from error


def read_problem(path: Path) -> Problem:
    """Return the planning problem in a file.

    Raises
    ------
    ProblemError
        When it is not JSON text, or not a PROBLEM.
    OSError
        When it cannot be read.
    """
    data = read_json(path)
    try:
        return parse_problem(data)
    except ProblemError as error:
        raise ProblemError(f"{path.name}: {error}") from None
