"""Errors that the geometry package raises for input it cannot work with."""


class GeometryError(ValueError):
    """The input cannot be used; the message names the thing, the place and the remedy.

    Raised for bad files and for requests that cannot be carried out safely.
    Callers show ``str(error)`` to the person as it is.
    """


class ScanFileError(GeometryError):
    """A mesh file is truncated, malformed, too large, or not a mesh at all."""
