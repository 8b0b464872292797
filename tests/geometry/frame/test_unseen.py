"""How far a part of the row may lie off the whole, against Monson's bowl worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from fixtures.arches import random_arch
from geometry.frame import find_frame
from geometry.frame.arch.row_curve import RowCurve
from geometry.frame.unseen import ROW_MM, unseen_tilt_deg
from tests.geometry.frame.test_frame import angle, cut

MONSON_MM = 101.6
"""Radius of the sphere, four inches: Monson 1920, from memory."""

FORM = RowCurve(np.array([0.0, 1.0]), np.zeros(2), 54.0, 42.0, 0.65, 0.5, 0.5)


def normal(points: np.ndarray) -> np.ndarray:
    """Normal of the mean plane of points (n, 2) lifted on to the sphere."""
    height = MONSON_MM - np.sqrt(MONSON_MM**2 - (points**2).sum(axis=1))
    slope = np.linalg.lstsq(np.column_stack([points, np.ones(len(points))]), height, rcond=None)
    up = np.array([-slope[0][0], -slope[0][1], 1.0])
    return up / np.linalg.norm(up)


@pytest.mark.parametrize(
    ("first", "last", "apart"),
    [(-18.0, 18.0, 1.35), (-30.0, 30.0, 1.35), (0.0, 44.0, 1.9)],
    ids=["canine to canine", "to the premolars", "one side"],
)
def test_a_part_is_off_by_what_the_bowl_makes_it_and_little_more(
    first: float, last: float, apart: float
) -> None:
    row = FORM.places(ROW_MM, 2.0)
    along = np.linspace(-ROW_MM, ROW_MM, len(row))
    seen = (along >= first) & (along <= last)
    # Places next to what is seen count as seen: the whole is what lies beyond them.
    away = np.linalg.norm(row[:, None] - row[None, seen], axis=2).min(axis=1)
    off = angle(normal(row[seen]), normal(row[seen | (away > 6.0)]))
    told = unseen_tilt_deg(row[seen], FORM)
    assert off > 1.5
    assert 0.95 * off < told < apart * off


def test_a_whole_row_leaves_no_doubt() -> None:
    assert unseen_tilt_deg(FORM.places(50.0, 3.0), FORM) == pytest.approx(0.0, abs=1e-9)


def test_front_teeth_alone_are_not_seen_from_the_lips() -> None:
    # once 79° off: bulges of six front teeth counted as much as their edges
    arch = random_arch(30013, triangles=44_000)
    truth = arch.truth
    flat = np.eye(3) - np.outer(truth.occlusal, truth.occlusal)
    owner, place = [], []
    for tooth in truth.teeth:
        for tip in np.reshape(tooth.tips, (-1, 3)):
            owner.append(tooth.number % 10)
            place.append(flat @ tip)
    away = np.linalg.norm((arch.mesh.vertices @ flat)[:, None] - np.array(place)[None], axis=2)
    frame = find_frame(cut(arch.mesh, np.array(owner)[away.argmin(axis=1)] <= 3))
    assert angle(frame.occlusal, truth.occlusal) < 15.0
