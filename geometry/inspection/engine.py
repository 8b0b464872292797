"""Which code measured: kept with every result, so that it can be traced and repeated."""

from __future__ import annotations

from geometry.version import VERSION

REVISION = 2
"""Raised whenever a measurement, a limit or a finding may come out differently.

1: the first. 2: the upper of two creases is the margin; dips of a palate end the tissue;
spikes judged by their near neighbours; closed bodies with holes are solids.
"""

ENGINE = f"{VERSION}+inspection.{REVISION}"
