"""The page of a print-ready model: what its 3D view draws, and the scan beside it."""

from __future__ import annotations

import json
import re
import struct

import numpy as np
import pytest
from django.urls import reverse

from geometry.mesh import Mesh
from geometry.model import PreparedModel as Solid
from production import storage
from production.models import PreparedModel
from production.preparing import model_glb

CORNERS = np.array([[x, y, z] for x in (0.0, 9.0) for y in (0.0, 7.0) for z in (0.0, 5.0)])
SIDES = np.array(
    [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1],
     [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]], dtype=np.int32,
)  # fmt: skip


def attribute(glb: bytes, name: str) -> np.ndarray:
    """Read one scalar attribute of a GLB (ISO/IEC 12113) without our own code."""
    length = struct.unpack_from("<I", glb, 12)[0]
    document = json.loads(glb[20 : 20 + length])
    accessor = document["accessors"][document["meshes"][0]["primitives"][0]["attributes"][name]]
    view = document["bufferViews"][accessor["bufferView"]]
    begin = 28 + length + view["byteOffset"]
    return np.frombuffer(glb[begin : begin + view["byteLength"]], dtype="<f4")


def test_the_view_tells_block_out_from_the_scan():
    filled = np.zeros(12, dtype=bool)
    filled[[2, 3]] = True  # the side at x = 9
    made = Solid(Mesh(CORNERS, SIDES), np.eye(4), 0.0, filled, {})
    assert attribute(model_glb(made), "_FILLED").tolist() == [0, 0, 0, 0, 1, 1, 1, 1]


@pytest.fixture
def model(office) -> PreparedModel:
    """A made model of a lower arch, cut at the platform."""
    file = storage.store_bytes(b"solid", "model/stl")
    return PreparedModel.objects.create(
        status=PreparedModel.Status.MADE,
        file=file,
        view=file,
        picture=file,
        settings={"arch": "lower", "text": "LW1"},
        report={"trim": {"z_mm": 0.0, "tissue_kept_mm": {"min": 4.0}}, "transform": [[1] * 4] * 4},
    )


def test_the_page_carries_axes_and_cut_also_where_the_cut_is_the_platform(model, signed_in):
    page = signed_in("technician").get(reverse("model", args=[model.uuid])).content.decode()
    data = json.loads(re.search(r'<script id="view-data"[^>]*>(.*?)</script>', page)[1])
    # Front towards −y, biting surfaces up: the patient's right of a lower arch is −x.
    assert data["frame"]["right"] == [-1.0, 0, 0]
    assert data["cut_mm"] == 0
    assert data["transform"] == [[1] * 4] * 4


def test_a_model_of_a_series_step_offers_no_scan_before(model, signed_in):
    page = signed_in("technician").get(reverse("model", args=[model.uuid])).content.decode()
    assert "Scan before" not in page
