"""A scan that is stopped for its noise is measured on a smoothed copy, and says so."""

import numpy as np

from fixtures.arches import ArchSpec, make_arch
from geometry.inspection import inspect_scan
from geometry.mesh import Mesh
from geometry.reading import write_stl


def test_noise_that_stops_a_scan_makes_no_undercut_and_no_other_findings_of_its_own() -> None:
    scan = make_arch(ArchSpec(arch="lower", triangles=60_000), 5)
    noise = np.random.default_rng(1).normal(0.0, 0.6, scan.mesh.vertices.shape)
    rough = Mesh(scan.mesh.vertices + noise, scan.mesh.faces)
    told, clean = (
        inspect_scan(write_stl(mesh), "scan.stl", arch="lower", units="mm")
        for mesh in (rough, scan.mesh)
    )
    assert told.report["verdict"] == "rescan"
    (stop,) = [found for found in told.findings if found.code == "noise"]
    assert "smoothed copy" in stop.message
    assert "not looked for" in stop.message
    codes = {found.code for found in told.findings}
    assert not codes & {"crossing_triangles", "spike", "bubble", "web", "bonded_parts"}
    assert told.report["topology"]["self_intersections"] is None
    volume, true = (one.report["undercut"]["volume_mm3"] for one in (told, clean))
    # As scanned the noise makes four times the true one and more.
    assert volume < 2.0 * true
