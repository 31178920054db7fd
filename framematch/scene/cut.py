"""A surface cut by a level plane, as a floor plan shows it."""

from __future__ import annotations

from framematch.scene.model import Floats, Surface


def level_cut(surface: Surface, y_m: float) -> Floats:
    """Where the plane at a height cuts the triangles: both ends (N, 2, 2) of each piece, scene x and z in metres."""
    import trimesh

    mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False, validate=False)
    pieces: Floats = trimesh.intersections.mesh_plane(mesh, plane_normal=(0.0, 1.0, 0.0), plane_origin=(0.0, y_m, 0.0))
    return pieces.reshape(-1, 2, 3)[..., [0, 2]]
