"""How a scan stands in its file: tilt of the occlusal plane against the z axis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geometry.frame.frame import Frame


@dataclass(frozen=True, slots=True)
class Tilt:
    """Tilt of the occlusal plane, degrees.

    Attributes
    ----------
    angle_deg : float
        Between the occlusal axis and the z axis (either way up), 0 to 90.
    pitch_deg : float
        Slope of the anterior axis; positive when the front teeth stand lower
        than the back ones.
    roll_deg : float
        Slope of the axis to the patient's right; positive when that side
        stands lower than the left.
    """

    angle_deg: float
    pitch_deg: float
    roll_deg: float


def measure_tilt(frame: Frame) -> Tilt:
    """Return the tilt of a scan against its file's z axis.

    Lower and higher are meant with the biting surfaces up, as the model will
    stand: an upper arch scanned teeth down is turned over first.
    """
    up = float(frame.occlusal[2])
    over = -1.0 if up < 0 else 1.0
    sines = np.clip([abs(up), over * frame.anterior[2], over * frame.right[2]], -1.0, 1.0)
    return Tilt(
        angle_deg=float(np.degrees(np.arccos(sines[0]))),
        pitch_deg=float(np.degrees(np.arcsin(-sines[1]))),
        roll_deg=float(np.degrees(np.arcsin(-sines[2]))),
    )
