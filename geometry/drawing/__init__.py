"""Pictures of meshes without a graphics card, and meshes for the browser's 3D view.

``render`` shades a mesh into an array; ``draw_solid`` makes a PNG of a print-ready
model; ``mesh_glb`` writes a binary glTF 2.0 file, decimated to a size limit,
``write_glb`` one of a mesh as it is.
"""

from geometry.drawing.glb import mesh_glb, solid_glb, write_glb
from geometry.drawing.raster import View, project, render, view_from
from geometry.drawing.solid import draw_solid

__all__ = [
    "View",
    "draw_solid",
    "mesh_glb",
    "project",
    "render",
    "solid_glb",
    "view_from",
    "write_glb",
]
