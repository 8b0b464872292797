"""Arch and step as people name files."""

import pytest

from geometry.series import read_name


@pytest.mark.parametrize(
    ("name", "arch", "step"),
    [
        ("upper/step_07.stl", "upper", 7),
        ("upper_0012.stl", "upper", 12),
        ("U07.stl", "upper", 7),
        ("L12.ply", "lower", 12),
        ("07L.stl", "lower", 7),
        ("C401_lower_03.stl", "lower", 3),
        ("C401 Maxillary 3.STL", "upper", 3),
        ("mandible-stage-11.obj", "lower", 11),
        ("Mand_Step10.stl", "lower", 10),
        ("lower\\12.stl", "lower", 12),
        ("2026 upper model 4.stl", "upper", 4),
        ("C401 upper.stl", "upper", None),
        ("3 upper C401.stl", "upper", 3),
        ("upper.stl", "upper", None),
        ("model 5.stl", None, 5),
        ("20260125.stl", None, None),
    ],
)
def test_names(name, arch, step):
    named = read_name(name)
    assert (named.arch, named.step) == (arch, step)


def test_a_name_with_both_arches_says_nothing():
    assert read_name("upper and lower 3.stl").arch is None
