"""A small scene, a path through its opening and a view, for what the live component does rather than shows."""

from __future__ import annotations

import numpy as np
from rigs import glasshouse

from framematch.live.path_part import shot_path
from framematch.live.rig_part import rig_part
from framematch.live.scene_part import scene_part
from framematch.live.view import LiveView, Note
from framematch.scene.build import surface_from
from framematch.scene.model import Scene
from framematch.scene.opening import wall_with_gap
from framematch.scene.parts import box
from framematch.shot.opening import Opening
from framematch.shot.run import Run
from framematch.shot.shot import Shot

STOPS_M = (1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0)
FOCALS_MM = tuple(float(f) for f in np.arange(12, 31))
GUIDE = (
    "data:image/svg+xml,%3Csvg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 16 9'%3E"
    "%3Crect x='4' y='3' width='8' height='3' fill='none' stroke='%23ffe033' stroke-width='.1'/%3E%3C/svg%3E"
)


def small_shot() -> Shot:
    """A straight run through a doorway."""
    return Shot(openings=(Opening(width_m=1.0, height_m=2.0, sill_m=0.0, thickness_m=0.2),), run=Run(speed_m_s=8.0))


def small_scene() -> Scene:
    """A wall with that doorway, a floor and a box."""
    import shapely

    opening = small_shot().opening
    wall = wall_with_gap(opening, shapely.box(-4, 0, 4, 3.5), material="")
    parts = [*wall, box((20, 0.1, 20), foot=(0, -0.1, 0), tint=(0.5, 0.5, 0.45)), box((0.6, 1.6, 0.6), foot=(1.2, 0, 1.5), tint=(0.9, 0.4, 0.1))]
    return Scene(name="sample", surface=surface_from(parts), opening=opening)


def sample(**changes: object) -> LiveView:
    """The view of our glasshouse rig before that wall."""
    usual: dict[str, object] = {
        "scene": scene_part(small_scene()),
        "rig": rig_part(glasshouse(), focals_mm=(FOCALS_MM[0], FOCALS_MM[-1])),
        "path": shot_path(small_shot(), STOPS_M),
        "stops_m": STOPS_M,
        "stop": 3,
        "focals_mm": FOCALS_MM,
        "focused_mm": FOCALS_MM,
        "focal": FOCALS_MM.index(18.0),
        "focal_mm": 18.0,
        "of": "18 mm",
    }
    return LiveView(**{**usual, **changes})  # type: ignore[arg-type]


def note(of: str = "18 mm") -> Note:
    """A guide and its numbers."""
    return Note(of=of, guide=GUIDE, numbers=[f"Rectangle of {of} at {d:g} m" for d in STOPS_M])
