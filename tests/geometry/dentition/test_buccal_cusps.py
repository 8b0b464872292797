"""The curve of Spee is measured to the two buccal cusps of a tooth."""

import numpy as np
import pytest

from geometry.dentition import Dentition, TissuePlace, Tooth

PLACE = TissuePlace(np.empty((0, 3)), True, 9.0, 8.5, 9.5, 0.0, "measured", *np.zeros((2, 3)))


@pytest.mark.parametrize("first", [36, 46])
def test_the_distal_cusp_of_a_lower_first_molar_is_no_buccal_cusp_of_the_two(first: int) -> None:
    # Marshall and others, American Journal of Orthodontics 2008;134:344-352, measure to the buccal
    # cusp tips. A lower first molar has two and a small distal one on the last part of its crown
    # (Nelson, Wheeler's Dental Anatomy, chapter 12, from memory; 11 mm wide).
    left = first == 36
    side = -1.0 if left else 1.0
    numbers = (35, 36, 37) if left else (47, 46, 45)
    back = (0.0, 9.0, 20.0) if left else (20.0, 9.0, 0.0)

    def row(numbers: tuple[int, ...]) -> tuple[Tooth, ...]:
        centres = [np.array([side * 20.0, -y, 0.0]) for y in back]
        return tuple(
            Tooth(number, True, "06", centre, 11.0, 7.0, PLACE, PLACE)
            for number, centre in zip(numbers, centres, strict=True)
        )

    cusps = [[side * 23.0, y, 0.0] for y in (-6.0, -10.0, -13.0, -17.5)]
    found = Dentition("lower", row(numbers)).distal_cusps(np.array(cusps))
    assert found.tolist() == [False, False, True, False]
    above = tuple(n - 10 if left else n - 30 for n in numbers)
    assert not Dentition("upper", row(above)).distal_cusps(np.array(cusps)).any()
