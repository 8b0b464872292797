"""The analysis of a surface against slow, independent counting."""

from fractions import Fraction
from itertools import combinations, product

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.topology import Topology, analyse
from geometry.topology.intersections import apart


def grid(n: int = 8, size: float = 10.0) -> Mesh:
    """A flat square of 2 n² triangles."""
    axis = np.linspace(0.0, size, n + 1)
    x, y = np.meshgrid(axis, axis, indexing="ij")
    vertices = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    i, j = (a.ravel() for a in np.meshgrid(range(n), range(n), indexing="ij"))
    a = i * (n + 1) + j
    b, c, d = a + n + 1, a + n + 2, a + 1
    faces = np.column_stack([a, b, c, a, c, d]).reshape(-1, 3)
    return Mesh(vertices, faces.astype(np.int32))


def without(mesh: Mesh, *dropped: int) -> Mesh:
    return Mesh(mesh.vertices, np.delete(mesh.faces, dropped, axis=0))


class Counted:
    """The documented definitions, counted with sets and graphs."""

    def __init__(self, mesh: Mesh) -> None:
        faces = [tuple(f) for f in mesh.faces.tolist()]
        seen: set[frozenset[int]] = set()
        kept = []
        self.duplicates = 0
        for t, face in enumerate(faces):
            if len(set(face)) < 3:
                continue
            if frozenset(face) in seen:
                self.duplicates += 1
                continue
            seen.add(frozenset(face))
            kept.append(t)
        edges: dict[frozenset[int], list[tuple[int, tuple[int, int]]]] = {}
        for t in kept:
            for k in range(3):
                a, b = faces[t][k], faces[t][(k + 1) % 3]
                edges.setdefault(frozenset((a, b)), []).append((t, (a, b)))
        self.border_edges = sum(len(u) == 1 for u in edges.values())
        self.nonmanifold = sum(len(u) > 2 for u in edges.values())
        self.against = sum(len(u) == 2 and u[0][1] == u[1][1] for u in edges.values())
        every = nx.Graph()
        every.add_nodes_from(kept)
        cut = every.copy()
        for users in edges.values():
            for (s, _), (t, _) in combinations(users, 2):
                every.add_edge(s, t)
                if len(users) == 2:
                    cut.add_edge(s, t)
        self.shells = nx.number_connected_components(every)

        def area(piece: set[int]) -> float:
            corners = mesh.triangles[sorted(piece)]
            cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
            return float(np.linalg.norm(cross, axis=1).sum() / 2)

        self.main = max(nx.connected_components(cut), key=area)
        joined = {}
        for edge, users in edges.items():
            mine = [t for t, _ in users if t in self.main]
            if len(mine) == 2:
                joined[edge] = mine
        turned = one_way(edges, joined, self.main)
        branches = touching(mesh, edges, turned)
        number = self._fans(faces, joined, branches)
        shared = [
            edge
            for edge, pairs in branches.items()
            if all(len({number[t, v] for pair in pairs for t in pair}) == 1 for v in edge)
        ]
        for edge in shared:
            del branches[edge]
        number = self._fans(faces, joined, branches)
        for edge, users in edges.items():
            mine = [(t, d) for t, d in users if t in self.main]
            if len(mine) != 4 or edge in branches:
                continue
            pairs = [
                (s, t)
                for (s, _), (t, _) in combinations(mine, 2)
                if all(number[s, v] == number[t, v] for v in edge)
            ]
            if len(pairs) == len({t for pair in pairs for t in pair}) / 2:
                up = dict(mine)
                pairs = [
                    (s, t) for s, t in pairs if (up[s] == up[t]) == bool(turned[s] ^ turned[t])
                ]
                if pairs:
                    branches[edge] = pairs
        number = self._fans(faces, joined, branches)
        self.vertices = len(set(number.values()))
        chain = nx.MultiGraph()
        for edge, users in edges.items():
            if edge in joined:
                continue
            whole = {t for pair in branches.get(edge, ()) for t in pair}
            for t, (a, b) in users:
                if t in self.main and t not in whole:
                    chain.add_edge(number[t, a], number[t, b])
        self.loops = nx.number_connected_components(chain)
        # Two-sided when every triangle can be given a side: a joined edge run the same way by
        # both wants different sides, else the same (a side is a node of the doubled graph).
        sides = nx.Graph()
        for edge, (s, t) in joined.items():
            (one,) = [d for u, d in edges[edge] if u == s]
            (two,) = [d for u, d in edges[edge] if u == t]
            for side in (0, 1):
                sides.add_edge((s, side), (t, side ^ (one == two)))
        self.one_sided = any(
            {(t, 0), (t, 1)} <= c for c in nx.connected_components(sides) for t, _ in c
        )

    def _fans(self, faces, joined, branches) -> dict[tuple[int, int], int]:  # type: ignore[no-untyped-def]
        """The number of the fan that each corner (triangle, vertex) belongs to."""
        fans = nx.Graph()
        fans.add_nodes_from((t, v) for t in self.main for v in faces[t])
        for edge, pairs in [*((e, [p]) for e, p in joined.items()), *branches.items()]:
            for (s, t), v in product(pairs, edge):
                fans.add_edge((s, v), (t, v))
        return {c: k for k, fan in enumerate(nx.connected_components(fans)) for c in fan}


def one_way(edges, joined, main):  # type: ignore[no-untyped-def]
    """Which triangles of the main piece have to be turned over to be wound alike."""
    turned: dict[int, int] = {}
    near = nx.Graph()
    for edge, (s, t) in joined.items():
        (one,) = [d for u, d in edges[edge] if u == s]
        (two,) = [d for u, d in edges[edge] if u == t]
        near.add_edge(s, t, same=one == two)
    near.add_nodes_from(main)
    first = min(main)
    turned[first] = 0
    for s, t in nx.bfs_edges(near, first):
        turned[t] = turned[s] ^ int(near.edges[s, t]["same"])
    return turned


def touching(mesh: Mesh, edges, turned):  # type: ignore[no-untyped-def]
    """The two pairs of triangles at each edge of four, both ways tried."""
    found = {}
    for edge, users in edges.items():
        mine = [(t, d) for t, d in users if t in turned]
        if len(mine) != 4:
            continue
        a, b = sorted(edge)
        axis = mesh.vertices[b] - mesh.vertices[a]
        axis = axis / np.linalg.norm(axis)
        arms = {}
        for t, _ in mine:
            (apex,) = set(mesh.faces[t].tolist()) - edge
            arm = mesh.vertices[apex] - mesh.vertices[a]
            arms[t] = arm - (arm @ axis) * axis
        start = arms[mine[0][0]]

        def turn(t: int, start=start, axis=axis, arms=arms) -> float:  # type: ignore[no-untyped-def]
            side = float(np.cross(start, arms[t]) @ axis)
            return float(np.arctan2(side, float(start @ arms[t])) % (2 * np.pi))

        ring = sorted((t for t, _ in mine), key=turn)
        up = {t: (d == (a, b)) ^ bool(turned[t]) for t, d in mine}
        ways = []
        for pairs in ([ring[0:2], ring[2:4]], [ring[1:3], [ring[3], ring[0]]]):
            if all(up[s] != up[t] for s, t in pairs):
                bends = [
                    np.pi
                    - np.arccos(
                        np.clip(
                            arms[s] @ arms[t] / np.linalg.norm(arms[s]) / np.linalg.norm(arms[t]),
                            -1.0,
                            1.0,
                        )
                    )
                    for s, t in pairs
                ]
                ways.append((sum(bends), pairs))
        ways.sort(key=lambda way: way[0])
        if len(ways) == 2 and ways[1][0] - ways[0][0] <= 0.02:
            continue
        if ways:
            found[edge] = ways[0][1]
    return found


def check(mesh: Mesh) -> tuple[Topology, Counted]:
    found, counted = analyse(mesh), Counted(mesh)
    assert found.duplicate_triangles == counted.duplicates
    assert found.border_edges == counted.border_edges
    assert found.nonmanifold_edges == counted.nonmanifold
    assert found.inconsistent_winding == counted.against
    assert found.shells == counted.shells
    assert set(found.face_map.tolist()) == counted.main
    return found, counted


# Random soups over few vertices: bow-ties, fins, repeated and folded triangles.
soups = st.integers(0, 10**9).map(np.random.default_rng)


@settings(max_examples=150, deadline=None)
@given(soups, st.integers(4, 14), st.integers(1, 26))
def test_random_soups_agree_with_slow_counting(rng, points: int, triangles: int) -> None:  # type: ignore[no-untyped-def]
    mesh = Mesh(rng.normal(size=(points, 3)), rng.integers(0, points, (triangles, 3), np.int32))
    if all(len(set(f)) < 3 for f in mesh.faces.tolist()):
        with pytest.raises(GeometryError):
            analyse(mesh)
        return
    found, counted = check(mesh)
    if not counted.one_sided:
        assert found.boundary_loops == counted.loops
        assert len(found.main.vertices) == counted.vertices


@settings(max_examples=60, deadline=None)
@given(soups, st.integers(0, 90))
def test_a_torn_grid_agrees_whatever_order_and_winding(rng, torn: int) -> None:  # type: ignore[no-untyped-def]
    flat = grid()
    wavy = Mesh(flat.vertices + rng.normal(size=flat.vertices.shape) * 0.1, flat.faces)
    mesh = without(wavy, *rng.choice(len(flat.faces), torn, replace=False))
    found, counted = check(mesh)
    assert found.boundary_loops == counted.loops
    assert len(found.main.vertices) == counted.vertices
    order = rng.permutation(len(mesh.faces))
    faces = mesh.faces[order]
    turned = rng.random(len(faces)) < 0.3
    faces[turned] = faces[turned][:, ::-1]
    other, _ = check(Mesh(mesh.vertices, faces))
    assert other.boundary_loops == found.boundary_loops
    assert other.border is not None
    assert found.border is not None
    assert np.isclose(other.border.perimeter_mm, found.border.perimeter_mm)
    assert sorted(order[other.face_map]) == sorted(found.face_map)


def test_the_main_piece_comes_out_wound_alike_and_with_one_fan_a_vertex() -> None:
    rng = np.random.default_rng(5)
    mesh = without(grid(12), *rng.choice(288, 60, replace=False))
    faces = mesh.faces.copy()
    turned = rng.random(len(faces)) < 0.4
    faces[turned] = faces[turned][:, ::-1]
    found = analyse(Mesh(mesh.vertices, faces))
    again = analyse(found.main)
    assert again.inconsistent_winding == 0
    assert again.nonmanifold_edges == 0
    assert len(again.main.vertices) == len(found.main.vertices)
    assert found.inconsistent_winding > 0
    normals = found.vertex_normals
    assert np.allclose(np.abs(normals[:, 2]), 1.0)
    assert len(np.unique(np.sign(normals[:, 2]))) == 1


def test_a_square_hole_has_its_measures() -> None:
    flat = grid(10)
    middles = flat.triangles.mean(axis=1)
    inside = (np.abs(middles[:, 0] - 4.0) < 1.0) & (np.abs(middles[:, 1] - 6.0) < 2.0)
    found = analyse(without(flat, *np.flatnonzero(inside)))
    assert found.border is not None
    assert np.isclose(found.border.perimeter_mm, 40.0)
    assert np.isclose(found.border.area_mm2, 100.0)
    (hole,) = found.holes
    assert np.isclose(hole.perimeter_mm, 12.0)
    assert np.isclose(hole.area_mm2, 8.0)
    assert np.allclose(hole.centre, [4.0, 6.0, 0.0])


def test_islands_are_set_aside_largest_first() -> None:
    flat = grid(6)
    far = Mesh(flat.vertices + [50.0, 0.0, 0.0], flat.faces[:30])
    near = Mesh(flat.vertices + [0.0, 50.0, 0.0], flat.faces[:4])
    vertices = np.concatenate([near.vertices, flat.vertices, far.vertices])
    faces = np.concatenate([near.faces, flat.faces + 49, far.faces + 98])
    found = analyse(Mesh(vertices, faces.astype(np.int32)))
    assert found.shells == 3
    assert [island.triangles for island in found.islands] == [30, 4]
    assert found.boundary_loops == 1
    assert np.allclose(found.main.vertices, flat.vertices[found.vertex_map - 49])
    assert found.islands[0].centre[0] > 40.0


def test_a_fin_on_a_surface_leaves_the_surface_whole() -> None:
    flat = grid(6)
    edge = flat.faces[20, :2]
    vertices = np.concatenate([flat.vertices, [[2.0, 5.0, 3.0]]])
    faces = np.concatenate([flat.faces, [[edge[0], edge[1], len(flat.vertices)]]])
    found = analyse(Mesh(vertices, faces.astype(np.int32)))
    assert found.nonmanifold_edges == 1
    assert found.boundary_loops == 1
    assert len(found.main.faces) == len(flat.faces)
    assert found.shells == 1


def omega(pinched: int, rows: int = 8) -> Mesh:
    """A sheet with a fold like an omega, whose neck is shut along so many rows in the middle."""
    profile = np.array([[-4, 0], [-2, 0], [-0.3, 0], [-1.5, 2], [0, 3], [1.5, 2], [0.3, 0], [2, 0]])
    vertices = np.array([[x, y, z] for y in range(rows) for x, z in profile])
    first = (rows - pinched) // 2
    shut = [r * 8 + k for r in range(first, first + pinched) for k in (2, 6)]
    vertices[shut, 0] = 0.0
    number = np.arange(len(vertices))
    number[shut[1::2]] = shut[::2]
    a = number.reshape(rows, 8)
    a, b, c, d = a[:-1, :-1].ravel(), a[1:, :-1].ravel(), a[1:, 1:].ravel(), a[:-1, 1:].ravel()
    faces = np.column_stack([a, b, c, a, c, d]).reshape(-1, 3)
    return Mesh(vertices, faces.astype(np.int32))


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("pinched", [2, 3, 5])
def test_a_surface_that_touches_itself_has_no_hole_there(pinched: int, turned: bool) -> None:
    mesh = omega(pinched)
    if turned:
        rng = np.random.default_rng(3)
        faces = rng.permutation(mesh.faces)
        some = rng.random(len(faces)) < 0.5
        faces[some] = faces[some][:, ::-1]
        mesh = Mesh(mesh.vertices, faces)
    found, counted = analyse(mesh, self_intersections=False), Counted(mesh)
    assert found.nonmanifold_edges == counted.nonmanifold == pinched - 1
    assert found.boundary_loops == counted.loops
    assert len(found.main.vertices) == counted.vertices
    again = analyse(found.main, self_intersections=False)
    assert again.nonmanifold_edges == 0
    assert again.boundary_loops == found.boundary_loops
    assert found.holes == ()


@settings(max_examples=60, deadline=None)
@given(soups, st.integers(2, 12))
def test_surfaces_that_touch_themselves_agree_with_slow_counting(rng, pulled: int) -> None:  # type: ignore[no-untyped-def]
    """A wavy grid of which some edges are laid onto others, as surface nets do."""
    flat = grid(9)
    vertices = flat.vertices + rng.normal(size=flat.vertices.shape) * 0.3
    number = np.arange(len(vertices))
    for _ in range(pulled):
        a, b = rng.integers(0, 9, 2) * 10 + rng.integers(0, 9, 2)
        number[b], number[b + 1] = number[a], number[a + 1]
    mesh = Mesh(vertices, number[flat.faces].astype(np.int32))
    found, counted = check(mesh)
    if not counted.one_sided:
        assert found.boundary_loops == counted.loops
        assert len(found.main.vertices) == counted.vertices


def test_flat_and_collapsed_triangles_are_counted() -> None:
    vertices = np.array([[0, 0, 0], [1, 0, 0], [0.5, 0, 0], [0, 1, 0]], float)
    faces = np.array([[0, 1, 3], [0, 2, 1], [0, 0, 1]], np.int32)
    found = analyse(Mesh(vertices, faces))
    assert found.degenerate_triangles == 2
    assert len(found.main.faces) == 2


def test_a_one_sided_band_is_cut_and_not_an_endless_search() -> None:
    n = 20
    angles = np.arange(n) * 2 * np.pi / n
    half = np.column_stack(
        [
            np.cos(angles / 2) * np.cos(angles),
            np.cos(angles / 2) * np.sin(angles),
            np.sin(angles / 2),
        ]
    )
    ring = 5 * np.column_stack([np.cos(angles), np.sin(angles), np.zeros(n)])
    vertices = np.concatenate([ring + half, ring - half])
    faces = []
    for i in range(n):
        j = (i + 1) % n
        a, b = i, i + n
        c, d = (j, j + n) if j else (j + n, j)
        faces += [[a, b, d], [a, d, c]]
    found = analyse(Mesh(vertices, np.array(faces, np.int32)))
    assert len(found.main.faces) == 2 * n
    assert found.shells == 1
    assert analyse(found.main).inconsistent_winding == 0


def exact_side(a, b, c, d) -> Fraction:  # type: ignore[no-untyped-def]
    rows = [[Fraction(float(p[k])) - Fraction(float(d[k])) for k in range(3)] for p in (a, b, c)]
    (x, y, z) = rows
    return (
        x[0] * (y[1] * z[2] - y[2] * z[1])
        + x[1] * (y[2] * z[0] - y[0] * z[2])
        + x[2] * (y[0] * z[1] - y[1] * z[0])
    )


def straddles(s: np.ndarray, t: np.ndarray) -> bool:
    sides = [exact_side(*s, corner) for corner in t]
    return min(sides) < 0 < max(sides)


def exactly_cross(s: np.ndarray, t: np.ndarray) -> bool:
    if not (straddles(s, t) and straddles(t, s)):
        return False
    for one, two in ((s, t), (t, s)):
        for k in range(3):
            p, q = one[k], one[(k + 1) % 3]
            if exact_side(*two, p) * exact_side(*two, q) >= 0:
                continue
            sides = [exact_side(p, q, two[j], two[(j + 1) % 3]) for j in range(3)]
            if all(v >= 0 for v in sides) or all(v <= 0 for v in sides):
                return True
    return False


@settings(max_examples=30, deadline=None)
@given(soups, st.booleans())
def test_crossing_triangles_agree_with_exact_arithmetic(rng, coarse: bool) -> None:  # type: ignore[no-untyped-def]
    corners = rng.normal(size=(10, 3, 3)).astype(np.float32).astype(float)
    if coarse:  # Small integers: many touching, coplanar and edge-to-edge cases.
        corners = rng.integers(-2, 3, (10, 3, 3)).astype(float)
    mesh = Mesh(corners.reshape(-1, 3), np.arange(30, dtype=np.int32).reshape(-1, 3))
    expected = {
        (s, t) for s, t in combinations(range(10), 2) if exactly_cross(corners[s], corners[t])
    }
    found = analyse(mesh)
    assert {tuple(pair) for pair in found.intersecting.tolist()} == expected
    assert found.self_intersections == len(expected)


def test_slivers_turned_over_by_noise_are_told_from_sheets_over_each_other() -> None:
    rng = np.random.default_rng(3)
    flat = grid(20)
    rough = analyse(Mesh(flat.vertices + rng.normal(0.0, 0.22, flat.vertices.shape), flat.faces))
    assert rough.self_intersections > 20
    assert apart(rough.main, rough.intersecting).mean() < 0.1

    other = flat.vertices + [0.03, 0.07, 0.0]
    other[:, 2] += 0.05 * (other[:, 0] - 5.02)  # a second pass, tilted through the first
    doubled = Mesh(
        np.vstack([flat.vertices, other]),
        np.vstack([flat.faces, flat.faces + len(flat.vertices)]).astype(np.int32),
    )
    found = analyse(doubled)
    assert found.self_intersections > 20
    assert apart(doubled, found.intersecting).all()


def test_a_tangle_is_given_up_and_not_counted_for_minutes() -> None:
    rng = np.random.default_rng(1)
    corners = rng.normal(size=(12_000, 3, 3)) * 30
    mesh = Mesh(corners.reshape(-1, 3), np.arange(36_000, dtype=np.int32).reshape(-1, 3))
    assert analyse(mesh).self_intersections is None


def test_triangles_that_are_points_are_refused_and_not_searched_for_ever() -> None:
    points = np.array([[0.0, 0, 0], [5, 0, 0], [0, 5, 0]])
    mesh = Mesh(points, np.array([[0, 0, 0], [1, 1, 1], [2, 2, 2]], dtype=np.int32))
    with pytest.raises(GeometryError, match="three different corners"):
        analyse(mesh)


def test_neighbours_are_the_edges() -> None:
    found = analyse(without(grid(5), 7, 8, 30))
    near = found.neighbours
    edges = {
        (int(v), int(w))
        for v in range(len(found.main.vertices))
        for w in near.vertex[near.start[v] : near.start[v + 1]]
    }
    expected = {
        (face[k], face[j]) for face in found.main.faces.tolist() for k in range(3) for j in range(3)
    }
    assert edges == {(a, b) for a, b in expected if a != b}
    assert len(near.vertex) == len(edges)
