"""Teeth, gingival margin, captured tissue, gaps and open embrasures of a scan.

The scan is rolled out along its arch into one facial and one lingual image. On them the
teeth are told apart by dynamic programming over grooves, widths and thickness; the
margin is the most likely scalloped path between the crease of the gingiva and the usual
crown lengths; what lies between two crowns is judged by the height at which they join.
"""

from geometry.dentition.analysis import analyse, warm
from geometry.dentition.result import Dentition, Embrasure, Gap, TissuePlace, Tooth
from geometry.dentition.row.crowns import CROWN_SIZES_MM, sextant_of

__all__ = [
    "CROWN_SIZES_MM",
    "Dentition",
    "Embrasure",
    "Gap",
    "TissuePlace",
    "Tooth",
    "analyse",
    "sextant_of",
    "warm",
]
