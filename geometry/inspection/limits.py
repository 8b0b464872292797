"""What an office accepts in a scan; every limit is a setting."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

from geometry.errors import GeometryError


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of the inspection. Lengths in mm, areas in mm², angles in degrees.

    ``LIMIT_NOTES`` says where each value comes from.
    """

    tissue_mm: float = 10.0
    tissue_least_mm: float = 3.0
    hole_stop_mm: float = 8.0
    hole_check_mm: float = 1.5
    hole_least_width_mm: float = 0.25
    hole_stop_width_mm: float = 1.0
    hole_deep_mm: float = 6.0
    crack_check_mm: float = 20.0
    extent_largest_mm: float = 120.0
    arch_least_width_mm: float = 35.0
    arch_least_depth_mm: float = 22.0
    island_check_mm2: float = 25.0
    second_piece_share: float = 0.2
    soft_tissue_mm2: float = 15.0
    coarse_edge_mm: float = 0.6
    noise_mm: float = 0.06
    noise_stop_mm: float = 0.25
    spike_mm: float = 0.5
    bubble_mm: float = 0.31
    self_intersections: int = 200
    faulty_edges_share: float = 0.005
    tilt_deg: float = 5.0
    plane_sd_deg: float = 2.5
    plane_uneven_share: float = 0.37
    plane_opinion_deg: float = 0.22
    front_side_mm: float = 33.0
    front_certainty: float = 0.2
    spee_mm: float = 2.5
    undercut_note_mm: float = 0.75
    gap_note_mm: float = 0.7
    arch_confidence: float = 0.9
    teeth_least: float = 8.0

    @classmethod
    def from_settings(cls, values: dict[str, Any]) -> Limits:
        """Return the defaults with some of them replaced.

        Raises
        ------
        GeometryError
            A name is not a limit, or a value is not a number of 0 or more.
        """
        known = {f.name for f in fields(cls)}
        for name, value in values.items():
            if name not in known:
                raise GeometryError(f"'{name}' is not an inspection limit; see the limits page")
            good = isinstance(value, int | float) and not isinstance(value, bool)
            if not good or not 0 <= value < 1e6:
                raise GeometryError(f"the limit '{name}' must be a number of 0 or more")
        return replace(cls(), **values)


LIMIT_NOTES: dict[str, str] = {
    "tissue_mm": "About 10 mm beyond the gingival margin: common practice, no source.",
    "tissue_least_mm": "Less leaves nothing to trim a model from: common practice, no source.",
    "hole_stop_mm": "Perimeter at which a gap cannot be bridged without inventing shape: "
    "chosen here.",
    "hole_check_mm": "Smaller gaps close over without a visible change: chosen here.",
    "hole_least_width_mm": "Narrower cracks between crowns that nearly touch close over: "
    "chosen here.",
    "hole_stop_width_mm": "A narrower slit closes over its own sides to within half its width; "
    "between two teeth, where no plastic grips, twice this: chosen here.",
    "hole_deep_mm": "Holes that begin this far below the gum line lie lower than models are "
    "trimmed: chosen here.",
    "crack_check_mm": "Around a crack longer than a crown is wide, which is not a contact: "
    "chosen here.",
    "extent_largest_mm": "Above any arch: reference widths are 50–54 mm between first molars.",
    "arch_least_width_mm": "Below the reference widths of a complete arch; chosen here.",
    "arch_least_depth_mm": "Below the reference depths (22–32 mm to the first molars).",
    "island_check_mm2": "A loose piece this big is more than a scrap of cheek: chosen here.",
    "second_piece_share": "Share of the main piece at which a second one may be the other "
    "half of the scan: chosen here.",
    "soft_tissue_mm2": "Less cheek, lip or tongue than this is a curled border: chosen here.",
    "coarse_edge_mm": "Edges this long blunt an incisal edge by a tenth of a millimetre: "
    "chosen here.",
    "noise_mm": "A quarter of the 0.25 mm accepted for one tooth on a working model "
    "(Biomimetics 2024;9(4):217).",
    "noise_stop_mm": "The whole of that 0.25 mm: nothing fits a surface that is so far off.",
    "spike_mm": "Twice the 0.25 mm accepted for one tooth on a working model.",
    "bubble_mm": "Above the 0.25 mm accepted for one tooth on a working model.",
    "self_intersections": "Crossing triangles beyond this are more than seams: chosen here.",
    "faulty_edges_share": "Edges of more than two triangles to a triangle; crowns that touch "
    "give up to 0.002, a broken export many more: chosen here.",
    "tilt_deg": "Above it the back of a model stands some 3 mm higher than the front; chosen here.",
    "plane_sd_deg": "Beyond it the teeth seen lie too nearly in one line, or too much of the row "
    "is missing, to tell how the arch lies; of whole generated arches 98 in 100 have less.",
    "plane_uneven_share": "Above all of 68 ordinary generated mouths; half erupted teeth that "
    "tilt the plane by 2° or more mostly give more.",
    "plane_opinion_deg": "Turn of the plane when teeth that stand out are left out, times their "
    "share: of generated mouths whose plane was off by more than 2° eight in ten had more, of "
    "those within 1° one in fourteen.",
    "front_side_mm": "A row of teeth that goes on less than this from the midline on one side "
    "leaves the front off by more than 5° in two of five generated partial scans: chosen here.",
    "front_certainty": "Below it another direction of the front fits nearly as well: chosen here.",
    "spee_mm": "Mean depth in adults is about 2 mm (Marshall et al. 2008); deeper thins "
    "the sheet unevenly.",
    "undercut_note_mm": "0.030 in, the deepest of the usual surveying gauges.",
    "gap_note_mm": "The narrowest gap that is measured.",
    "teeth_least": "Fewer are no arch to retain; chosen here.",
    "arch_confidence": "Below it a person confirms upper or lower: chosen here.",
}

DEFAULT_LIMITS = Limits()
