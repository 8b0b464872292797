"""Reading a JSON file for the planning commands."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from production.planning.errors import ProblemError

__all__ = ["read_json"]


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
