#!/usr/bin/env python3
"""Entry point: makes the project's own environment when needed, then runs a command in it."""

import sys


def main() -> int:
    """Bootstrap, then hand over to Django."""
    if sys.version_info < (3, 11):
        sys.stderr.write(
            f"Python 3.11 or newer is needed; this is {sys.version.split()[0]}. "
            "On Debian 12: apt-get install python3 python3-venv\n"
        )
        return 2
    from clinic import bootstrap

    bootstrap.ensure(sys.argv)

    from clinic import launch

    return launch.run(sys.argv)


if __name__ == "__main__":
    sys.exit(main())
