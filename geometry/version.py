"""The project's version, kept with what its engines make."""

VERSION = "0.1.0"
"""As in ``pyproject.toml``."""
