"""3MF files against the reference library of the 3MF Consortium (lib3mf); solids measured by trimesh.

ISO/IEC 25422 / 3MF Core Specification: an OPC package with [Content_Types].xml,
_rels/.rels and a model part; millimetres by default; triangles counter-clockwise seen
from outside; placements as 4 x 3 matrices for row vectors.
"""

import io
import zipfile

import lib3mf
import numpy as np
import pytest
import trimesh

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.plates import Item, Part, nest, write_threemf
from tests.geometry.plates.bodies import box, extruded, horseshoe


def opened(data):
    """Read with lib3mf in strict mode; return the model and its warnings."""
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromBuffer(data)
    return model, [reader.GetWarning(k) for k in range(reader.GetWarningCount())]


def objects(model):
    found, each = [], model.GetMeshObjects()
    while each.MoveNext():
        found.append(each.GetCurrentMeshObject())
    return found


def objects_by_id(model):
    return {o.GetResourceID(): o for o in objects(model)}


def test_the_reference_library_reads_names_units_and_solids():
    shape = extruded(horseshoe())
    model, warnings = opened(write_threemf([Part("C401-U", shape), Part("C402-L", box(20, 30))]))
    assert warnings == []
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    found = objects(model)
    assert [o.GetName() for o in found] == ["C401-U", "C402-L"]
    assert all(o.IsManifoldAndOriented() for o in found)
    assert [o.GetVertexCount() for o in found] == [len(shape.vertices), 8]
    assert [o.GetTriangleCount() for o in found] == [len(shape.faces), 12]


def test_coordinates_are_those_of_float32():
    ball = trimesh.creation.icosphere(subdivisions=3, radius=37.0)
    points = ball.vertices * np.random.default_rng(1).uniform(1e-4, 3.0, ball.vertices.shape)
    model, _ = opened(write_threemf([Part("ball", Mesh(points, ball.faces.astype(np.int32)))]))
    (found,) = objects(model)
    read = np.array([list(v.Coordinates) for v in found.GetVertices()])
    assert np.abs(read - points.astype(np.float32)).max() < 1e-9
    faces = np.array([list(t.Indices) for t in found.GetTriangleIndices()])
    assert (faces == ball.faces).all()


def test_a_plate_is_built_where_the_layout_says():
    solid = extruded(horseshoe())
    layout = nest([Item("A", solid), Item("B", solid), Item("C", box(30, 20))], (192, 120))
    model, _ = opened(layout.threemf())
    items, placed = model.GetBuildItems(), []
    while items.MoveNext():
        item = items.GetCurrent()
        fields = np.array([list(row) for row in item.GetObjectTransform().Fields]).reshape(4, 3)
        placed.append((item.GetObjectResource().GetName(), fields))
    assert [name for name, _ in placed] == ["A", "B", "C"]
    for (_, fields), p in zip(placed, layout.placed, strict=True):
        # Row vectors: the last row is the shift, the rest the transposed turn.
        assert np.allclose(fields[:3].T, p.motion[:3, :3], atol=1e-6)
        assert np.allclose(fields[3, :2], [p.x, p.y], atol=1e-5)


def test_3mf_and_stl_hold_the_same_plate():
    layout = nest([Item("A", extruded(horseshoe())), Item("B", box(30, 20))], (192, 120))
    model, _ = opened(layout.threemf())
    items, bodies = model.GetBuildItems(), []
    while items.MoveNext():
        item = items.GetCurrent()
        fields = np.array([list(row) for row in item.GetObjectTransform().Fields]).reshape(4, 3)
        found = objects_by_id(model)[item.GetObjectResourceID()]
        points = np.array([list(v.Coordinates) for v in found.GetVertices()])
        faces = np.array([list(t.Indices) for t in found.GetTriangleIndices()])
        bodies.append(trimesh.Trimesh(points @ fields[:3] + fields[3], faces))
    whole = trimesh.util.concatenate(bodies)
    single = trimesh.load(io.BytesIO(layout.stl()), file_type="stl")
    assert np.allclose(whole.bounds, single.bounds, atol=1e-4)
    assert np.isclose(whole.volume, single.volume, rtol=1e-5)
    assert whole.is_watertight
    assert whole.volume > 0.0


def test_package_is_plain_and_the_same_every_time():
    parts = [Part("A & <B>", box(10, 10))]
    data = write_threemf(parts)
    assert data == write_threemf(parts)
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        assert package.testzip() is None
        assert package.namelist() == ["[Content_Types].xml", "_rels/.rels", "3D/3dmodel.model"]
        assert {info.date_time for info in package.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    model, _ = opened(data)
    assert objects(model)[0].GetName() == "A & <B>"


@pytest.mark.parametrize("value", [np.nan, np.inf, 1e9])
def test_coordinates_that_no_printer_has_are_refused(value):
    solid = box(10, 10)
    solid.vertices[0, 0] = value
    with pytest.raises(GeometryError, match="A: coordinates"):
        write_threemf([Part("A", solid)])


def test_a_mirror_is_refused():
    with pytest.raises(GeometryError, match="mirrors"):
        write_threemf([Part("A", box(10, 10), np.diag([-1.0, 1.0, 1.0, 1.0]))])


def test_nothing_to_write_is_refused():
    with pytest.raises(GeometryError, match="at least one solid"):
        write_threemf([])
