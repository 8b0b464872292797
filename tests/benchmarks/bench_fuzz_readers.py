"""Feed the mesh readers with damaged files by the million.

    python -m tests.benchmarks.bench_fuzz_readers [--inputs 1000000] [--seed 0]

Anything but a mesh or a one-line refusal within the time and memory limits is kept in
``tests/geometry/reading/corpus`` for the test suite.
"""

from __future__ import annotations

import argparse
import hashlib
import resource
import time
from pathlib import Path

import numpy as np

from geometry.errors import ScanFileError
from geometry.reading import ReadLimits, read_mesh
from geometry.reading.warm import sample_files

CORPUS = Path(__file__).resolve().parents[1] / "geometry" / "reading" / "corpus"
LIMITS = ReadLimits(max_bytes=1 << 20, max_triangles=10_000)
SLOW_SECONDS = 1.0
# Values that have broken readers elsewhere: counts, signs, infinities, odd spaces.
PIECES = [
    b"\xff\xff\xff\xff", b"\x00\x00\x00\x00", b"\x00\x00\x80\x7f", b"\x00\x00\xc0\x7f", b"-1",
    b"nan", b"inf", b"1e400", b"1e-400", b"999999999999999999999", b"4294967295", b"\n", b" ",
    b"\r", b"\\\n", b"#", b"/", b"f 1 2 3\n", b"f -1 -2 -3\n", b"v 0 0 0\n", b"endsolid", b"solid",
    b"vertex 0 0 0\n", b"endloop", b"property list uchar int vertex_indices\n", b"element face 9\n",
    b"property double q\n", b"end_header\n", b"comment\n", b"0x1p3", b"1_0", b"+", b".", b"e5",
]  # fmt: skip


def damaged(content: bytes, rng: np.random.Generator) -> bytes:
    """Return a damaged copy."""
    data = bytearray(content)
    for _ in range(int(rng.integers(1, 7))):
        at = int(rng.integers(0, len(data) + 1))
        kind = int(rng.integers(0, 7))
        if kind == 0 and at < len(data):
            data[at] = int(rng.integers(0, 256))
        elif kind == 1 and at < len(data):
            data[at] ^= 1 << int(rng.integers(0, 8))
        elif kind == 2 and rng.random() < 0.3:
            del data[at:]
        elif kind == 3:
            data[at:at] = PIECES[int(rng.integers(len(PIECES)))]
        elif kind == 4:
            del data[at : at + int(rng.integers(1, 40))]
        elif kind == 5:
            data[at:at] = data[at : at + int(rng.integers(1, 60))]
        else:
            piece = PIECES[int(rng.integers(len(PIECES)))]
            data[at : at + len(piece)] = piece
    return bytes(data)


def fault(data: bytes, name: str) -> str | None:
    """Read a file; return what went wrong, or None."""
    # Processor time: on a busy machine a clock calls the scheduler's pauses slow.
    begin = time.process_time()
    try:
        mesh = read_mesh(data, name, limits=LIMITS).mesh
        if not np.isfinite(mesh.vertices).all() or mesh.faces.max() >= len(mesh.vertices):
            return "broken mesh"
    except ScanFileError as error:
        if "\n" in str(error):
            return "message of several lines"
    except Exception as error:
        return f"{type(error).__name__}: {error}"
    if time.process_time() - begin > SLOW_SECONDS:
        return "slow"
    return None


def run(inputs: int, seed: int) -> dict[str, float]:
    """Read ``inputs`` damaged files; keep what broke a reader."""
    rng = np.random.default_rng(seed)
    files = sorted(sample_files().items())
    pool = [content for _, content in files]
    broken = 0
    begin = time.perf_counter()
    for number in range(inputs):
        which = number % len(files)
        data = damaged(pool[which], rng)
        # Damage on damage reaches deeper.
        pool[which] = data if rng.random() < 0.4 and 40 < len(data) < 4000 else files[which][1]
        what = fault(data, files[which][0])
        if what:
            broken += 1
            CORPUS.mkdir(exist_ok=True)
            mark = hashlib.sha256(data).hexdigest()[:12]
            (CORPUS / f"{mark}.{files[which][0].split('.')[-1]}").write_bytes(data)
            print(what, mark, files[which][0])
    return {
        "inputs": inputs,
        "broken": broken,
        "seconds": round(time.perf_counter() - begin, 1),
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024,
    }


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--inputs", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    print(run(given.inputs, given.seed))


if __name__ == "__main__":
    main()
