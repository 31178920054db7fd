"""A small scene, a path through its opening and a view, for what the live component does rather than shows."""

from __future__ import annotations

import numpy as np
from rigs import glasshouse

from framematch.live.path_part import RATE_HZ, path_part, ring_of
from framematch.live.rig_part import rig_part
from framematch.live.scene_part import scene_part
from framematch.live.view import LiveView
from framematch.render.views import before_gap
from framematch.scene.build import surface_from
from framematch.scene.model import Scene
from framematch.scene.opening import gap_at_origin, wall_with_gap
from framematch.scene.parts import box
from framematch.scene.path import run_through

STOPS_M = (1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0)
FOCALS_MM = tuple(float(f) for f in np.arange(12, 31))
GUIDE = "data:image/svg+xml,%3Csvg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 16 9'%3E%3Crect x='4' y='3' width='8' height='3' fill='none' stroke='%23ffe033' stroke-width='.1'/%3E%3C/svg%3E"


def small_scene() -> Scene:
    """A wall with a doorway, a floor and a box."""
    import shapely

    gap = gap_at_origin(width_m=1.0, height_m=2.0)
    wall = wall_with_gap(gap, shapely.box(-4, 0, 4, 3.5), material="")
    parts = [*wall, box((20, 0.1, 20), foot=(0, -0.1, 0), tint=(0.5, 0.5, 0.45)), box((0.6, 1.6, 0.6), foot=(1.2, 0, 1.5), tint=(0.9, 0.4, 0.1))]
    return Scene(name="sample", surface=surface_from(parts), gap=gap)


def sample(**changes: object) -> LiveView:
    """The view of our glasshouse rig before that wall."""
    scene = small_scene()
    run = run_through(scene, from_m=4.0, to_m=-1.0, speed_m_per_s=5.0)
    times = np.arange(0, run.duration_s, 1 / RATE_HZ)
    path = path_part(
        stops=np.array([before_gap(scene, d).scene_from_camera for d in STOPS_M]),
        run=np.array([run.pose(t).scene_from_camera for t in times]),
        before_m=4.0 - 5.0 * times,
        openings=[ring_of(scene.gap)] if scene.gap else [],
    )
    usual: dict[str, object] = {
        "scene": scene_part(scene),
        "rig": rig_part(glasshouse(), focals_mm=(FOCALS_MM[0], FOCALS_MM[-1])),
        "path": path,
        "stops": [f"{d:g} m" for d in STOPS_M],
        "stop": 3,
        "numbers": [f"Rectangle at {d:g} m" for d in STOPS_M],
        "focals_mm": FOCALS_MM,
        "focal_labels": [f"{f:g} mm" for f in FOCALS_MM],
        "focal": FOCALS_MM.index(18.0),
        "focal_mm": 18.0,
        "guide": GUIDE,
    }
    return LiveView(**{**usual, **changes})  # type: ignore[arg-type]
