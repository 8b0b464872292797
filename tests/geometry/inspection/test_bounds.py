"""Compiled code run with bounds checks: an index out of range raises instead of reading on."""

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
CASE = """
import numpy as np
from geometry.mesh import Mesh
from geometry import reading, sampling, topology, undercut
from geometry.inspection.pictures.raster import fit_camera, render
from geometry.topology import analyse

reading.warm()
topology.warm()
sampling.warm()
rng = np.random.default_rng(0)
for _ in range(20):
    faces = rng.integers(0, 9, (int(rng.integers(3, 20)), 3), np.int32)
    points = rng.normal(size=(9, 3))
    try:
        found = analyse(Mesh(points, faces))
    except topology.analyse.__globals__["GeometryError"]:
        continue
    found.neighbours, found.vertex_normals
    for way in np.eye(3):
        cut = undercut.measure(found.main, way, pitch_mm=0.2)
        assert np.isfinite(cut.volume_mm3)
mesh = Mesh(points, faces)
camera = fit_camera(points, np.array([0, 0, 1.0]), np.array([0, 1.0, 0]), 40, 30, 2)
render(mesh, np.ones((9, 3)), np.ones((9, 3)), 1, camera, (0, 0, 0))
print("whole")
"""


def test_compiled_code_stays_within_its_arrays(tmp_path: Path) -> None:
    environment = os.environ | {
        "NUMBA_BOUNDSCHECK": "1",
        "NUMBA_CACHE_DIR": str(tmp_path),
        "NUMBA_OPT": "0",
    }
    run = subprocess.run(
        [sys.executable, "-c", CASE],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert run.returncode == 0, run.stderr[-2000:]
    assert run.stdout.strip() == "whole"
