"""Lay print files into the folder that a printer takes its work from.

A file appears whole under a neutral name: the printer's software never reads half of
one, and no name of a person leaves the house with it.
"""

from __future__ import annotations

from pathlib import Path

from clinic.models import Office
from geometry.errors import GeometryError
from production.models import Machine, StoredFile
from production.whole_file import write_whole


def folder_for(machine: Machine | None = None) -> Path | None:
    """Return the folder for a printer's files; None where none is set.

    Without a printer, or for one that has no folder of its own, it is the office's; where
    the office has none, that of the only printer in service.
    """
    if machine is not None and machine.hot_folder:
        return Path(machine.hot_folder)
    if shared := Office.get().hot_folder:
        return Path(shared)
    if machine is None:
        ready = Machine.objects.filter(kind="printer", state=Machine.State.READY)
        folders = [m.hot_folder for m in ready[:2]]
        if len(folders) == 1 and folders[0]:
            return Path(folders[0])
    return None


def lay_in(file: StoredFile, name: str, folder: Path) -> Path:
    """Copy a stored file into a folder, whole, under ``name``; the same bytes only once.

    Raises
    ------
    geometry.errors.GeometryError
        The folder is not there or cannot be written; the message says what to do.
    """
    target = folder / name
    try:
        if not folder.is_dir():
            raise GeometryError(
                f"the printer's folder {folder} is not there; connect it, or change it under"
                " Settings"
            )
        if not (target.exists() and target.stat().st_size == file.size):
            write_whole(target, file.read())
    except OSError as error:
        raise GeometryError(
            f"the printer's folder {folder} cannot be written ({error.strerror}); check its"
            " permissions and free space, then send the file again"
        ) from error
    return target
