"""Made-up bodies that several tests of models share."""

import numpy as np


def ball_field(radius, size=40):
    g = np.mgrid[0:size, 0:size, 0:size].astype(np.float32)
    return (radius - np.sqrt(((g - size / 2 + 0.3) ** 2).sum(axis=0))).astype(np.float32)
