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
        ("UpperStep5.stl", "upper", 5),
        ("lowerstage12.stl", "lower", 12),
        ("LowerJaw_05.stl", "lower", 5),
        ("upperarch_step_4.stl", "upper", 4),
        ("Müller Jörg/Lower Jaw/Schritt 07.STL", "lower", 7),
        ("step 4 of 20 upper.stl", "upper", 4),
        ("2026-11-27_upper_03.stl", "upper", 3),
        ("flower 3.stl", None, 3),
    ],
)
def test_names(name, arch, step):
    named = read_name(name)
    assert (named.arch, named.step) == (arch, step)


def test_a_name_with_both_arches_says_nothing():
    assert read_name("upper and lower 3.stl").arch is None
