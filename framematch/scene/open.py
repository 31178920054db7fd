"""A scene by its name or from a mesh file, whichever is named."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from pathlib import Path

from framematch.errors import InputError
from framematch.scene.load import FARTHEST_M, Placement, load_scene
from framematch.scene.mesh_checks import SUFFIXES
from framematch.scene.model import Gap, Scene
from framematch.scene.opening import size_from
from framematch.scene.people import STATURE_M, Figure
from framematch.scene.registry import make_scene


def open_scene(
    name: str,
    *,
    gap: str | None = None,
    shape: str | None = None,
    sill_m: float | None = None,
    gap_at: str | None = None,
    gap_heading_deg: float = 0.0,
    figures: Sequence[str] = (),
    scale: float = 1.0,
    up: str = "y",
) -> Scene:
    """The scene that a person named.

    Args:
        name: of a parametric scene, or a mesh file.
        gap: size of the gap as people write it, ``1.2x0.9``.
        shape: of the gap, ``rectangle``, ``arch`` or ``circle``; parametric scenes only.
        sill_m: height of the gap's lower edge over the ground; parametric scenes only.
        gap_at: where the middle of a mesh's own opening is, ``x,y,z`` in metres; meshes only.
        gap_heading_deg: which way a mesh's opening is flown: 0 is -Z, 90 is +X.
        figures: people instead of the scene's own, ``x,z`` or ``x,z,height`` each, in metres.
        scale: metres for each of a mesh's units.
        up: a mesh's upward axis, ``y`` or ``z``.

    Raises:
        InputError: no such scene or file, or an option that does not go with it.
    """
    path = Path(name)
    people = [_figure(text) for text in figures]
    size = None if gap is None else size_from(gap)
    if path.suffix.lower() in SUFFIXES or os.path.exists(path):
        if (shape, sill_m) != (None, None) or (size and gap_at is None):
            raise InputError("a mesh has the openings that it has", field="gap", fix="say where its opening is with --gap-at, or choose a scene by name")
        found = None if gap_at is None else _opening(gap_at, size or (1.0, 1.0), gap_heading_deg)
        return load_scene(path, placement=Placement(scale=scale, up=up), gap=found, figures=people)
    if (scale, up) != (1.0, "y"):
        raise InputError("only a mesh file is scaled or turned", field="scale", fix="leave --scale and --up out")
    if gap_at is not None:
        raise InputError("only a mesh file's gap has to be placed", field="gap-at", fix="leave it out: the scene's own gap is where the run goes")
    width, height = size or (None, None)
    return make_scene(name, width_m=width, height_m=height, shape=shape, sill_m=sill_m, figures=people or None)


def _figure(text: str) -> Figure:
    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        values = []
    if len(values) not in (2, 3):
        raise InputError(f"'{text}' is no figure's place", field="figure", fix="write x,z or x,z,height in metres, such as 1.5,4")
    return Figure(x_m=values[0], z_m=values[1], height_m=values[2] if len(values) == 3 else STATURE_M)


def _opening(text: str, size: tuple[float, float], heading_deg: float) -> Gap:
    try:
        x, y, z = (float(part) for part in text.split(","))
    except ValueError:
        raise InputError(f"'{text}' is no place", field="gap-at", fix="write x,y,z in metres, such as 0,1.5,4") from None
    if not all(map(math.isfinite, (x, y, z, heading_deg))) or max(map(abs, (x, y, z))) > FARTHEST_M:
        raise InputError(f"'{text}' is no place", field="gap-at", fix=f"give finite numbers of at most {FARTHEST_M:g} m")
    turn = math.radians(heading_deg)
    return Gap(centre_m=(x, y, z), width_m=size[0], height_m=size[1], sill_m=y - size[1] / 2, normal=(-math.sin(turn), 0.0, math.cos(turn)))
