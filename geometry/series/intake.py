"""Take in a folder or ZIP of step models, one file at a time, writing nothing."""

from __future__ import annotations

import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from geometry.errors import GeometryError, ScanFileError
from geometry.reading.limits import DEFAULT_READ_LIMITS
from geometry.reading.read import clean_name

MESHES = (".stl", ".ply", ".obj")
PACKED = (".zip", ".7z", ".rar", ".tar", ".gz", ".tgz")
"""What may hold further models, and is not looked into."""
MOST_FILES = 400
MOST_BYTES = 8 * 1024**3
"""Of all files together."""
MOST_TIMES = 200.0
"""A mesh packs to a half or a tenth of its size; what unpacks to far more is no mesh."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A file of a series: its name, and its bytes or why it cannot be read."""

    name: str
    data: bytes
    fault: str | None = None


def entries(source: str | Path | Sequence[tuple[str, bytes]]) -> tuple[Iterator[Entry], list[str]]:
    """Return the mesh files of a source, and the names of what is not looked at.

    Parameters
    ----------
    source : folder, ZIP file, or (name, bytes) pairs

    Raises
    ------
    GeometryError
        When the source is no folder or ZIP, holds no mesh files, or far too much.
    """
    if isinstance(source, (str, Path)):
        path = Path(source)
        if path.is_dir():
            return _of_folder(path)
        if not path.is_file():
            raise GeometryError(f"{path.name}: there is no such folder or file; check the path")
        if not zipfile.is_zipfile(path):
            raise GeometryError(f"{path.name}: neither a folder nor a whole ZIP; pack it again")
        return _of_zip(path)
    _check_amount("the files", len(source), sum(len(data) for _, data in source))
    chosen = [(n, d) for n, d in source if _is_mesh(n)]
    others = [n for n, _ in source if not _is_mesh(n)]
    _check_some("the files", chosen, others)
    return (Entry(n, d) for n, d in sorted(chosen, key=lambda pair: pair[0])), others


def _shown(name: str) -> bool:
    parts = PurePosixPath(name.replace("\\", "/")).parts
    return not any(part.startswith((".", "__MACOSX")) for part in parts if part not in (".", ".."))


def _is_mesh(name: str) -> bool:
    return _shown(name) and name.lower().endswith(MESHES)


def is_packed(name: str) -> bool:
    """Whether a file that is no mesh may hold further models."""
    return _shown(name) and name.lower().endswith(PACKED)


def _check_amount(what: str, files: int, size: int) -> None:
    if files > MOST_FILES:
        raise GeometryError(f"{what}: {files} files; a series has at most {MOST_FILES}")
    if size > MOST_BYTES:
        raise GeometryError(
            f"{what}: {size / 2**30:.1f} GiB of files, more than the "
            f"{MOST_BYTES / 2**30:.0f} GiB allowed; split the series"
        )


def _check_some(what: str, chosen: Sequence[object], others: Sequence[str]) -> None:
    if chosen:
        return
    packed = next(filter(is_packed, others), None)
    if packed is not None:
        raise GeometryError(f"{what}: only {clean_name(packed)} is in it; unpack that first")
    raise GeometryError(f"{what}: no STL, PLY or OBJ file; choose the folder of the models")


def _of_folder(folder: Path) -> tuple[Iterator[Entry], list[str]]:
    found = sorted(p for p in folder.rglob("*") if p.is_file() and not p.is_symlink())
    names = {p: p.relative_to(folder).as_posix() for p in found}
    chosen = [p for p in found if _is_mesh(names[p])]
    _check_some(folder.name, chosen, list(names.values()))
    _check_amount(folder.name, len(chosen), sum(p.stat().st_size for p in chosen))

    def read() -> Iterator[Entry]:
        for path in chosen:
            if path.stat().st_size > DEFAULT_READ_LIMITS.max_bytes:
                yield Entry(names[path], b"", _too_large(names[path]))
            else:
                yield Entry(names[path], path.read_bytes())

    return read(), [names[p] for p in found if p not in set(chosen)]


def _too_large(name: str) -> str:
    limit = DEFAULT_READ_LIMITS.max_bytes / 2**20
    return f"{clean_name(name)}: more than the {limit:.0f} MiB allowed; reduce the model"


def _of_zip(path: Path) -> tuple[Iterator[Entry], list[str]]:
    with zipfile.ZipFile(path) as package:
        listed = [info for info in package.infolist() if not info.is_dir()]
    chosen = [info for info in listed if _is_mesh(info.filename)]
    _check_some(path.name, chosen, [info.filename for info in listed])
    _check_amount(path.name, len(chosen), sum(info.file_size for info in chosen))
    for info in chosen:
        if info.file_size > 2**20 and info.file_size > MOST_TIMES * max(info.compress_size, 1):
            raise GeometryError(
                f"{path.name}: {clean_name(info.filename)} would unpack to more than "
                f"{MOST_TIMES:.0f} times its size; pack the models again"
            )
        if info.flag_bits & 1:
            raise GeometryError(f"{path.name}: locked with a password; pack it without one")

    def read() -> Iterator[Entry]:
        with zipfile.ZipFile(path) as package:
            for info in sorted(chosen, key=lambda one: one.filename):
                yield _unpacked(package, info)

    return read(), [info.filename for info in listed if info not in chosen]


def _unpacked(package: zipfile.ZipFile, info: zipfile.ZipInfo) -> Entry:
    """Unpack in memory, never beyond what the list of contents and the limits say."""
    if info.file_size > DEFAULT_READ_LIMITS.max_bytes:
        return Entry(info.filename, b"", _too_large(info.filename))
    try:
        with package.open(info) as file:
            data = file.read(info.file_size + 1)
        if len(data) != info.file_size:
            raise ScanFileError("its size is not what the ZIP says")
    except (zipfile.BadZipFile, ScanFileError, NotImplementedError, EOFError, OSError) as error:
        shown = clean_name(info.filename)
        return Entry(info.filename, b"", f"{shown}: damaged in the ZIP ({error}); pack it again")
    return Entry(info.filename, data)
