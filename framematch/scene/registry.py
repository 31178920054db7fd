"""The scenes by name. A scene is one function from a gap to parts, listed with :func:`place`."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from framematch.errors import InputError
from framematch.scene.build import surface_from
from framematch.scene.ground import distance_figures
from framematch.scene.model import Gap, Light, Scene
from framematch.scene.opening import gap_at_origin
from framematch.scene.parts import Part
from framematch.scene.people import Figure, standing

Builder = Callable[[Gap], Iterable[Part]]
FILES = ("doorway", "window", "alley", "underpass", "trunks", "car", "glasshouse")


@dataclass(frozen=True, kw_only=True)
class Place:
    """A parametric scene.

    Args:
        about: one line for lists.
        gap: the one it has if no other is asked for.
        build: the gap to everything but ground figures and people. The gap's middle lies on x = 0 in
            the plane z = 0; the ground is y = 0; the run comes along -Z.
        figures: people it has if no others are asked for.
        beside_m, board_m: x of the distance plates on the floor and of the boards.
        light: sun and sky.
    """

    about: str
    gap: Gap
    build: Builder
    figures: tuple[Figure, ...]
    beside_m: float
    board_m: float
    far_m: float
    light: Light


_PLACES: dict[str, Place] = {}


def place(
    name: str,
    about: str,
    *,
    gap: Gap,
    figures: Sequence[Figure] = (),
    beside_m: float = 0.9,
    board_m: float = -1.75,
    far_m: float = 40.0,
    light: Light | None = None,
) -> Callable[[Builder], Builder]:
    """List the function below as a scene; see :class:`Place` for what the arguments mean."""

    def keep(build: Builder) -> Builder:
        _PLACES[name] = Place(
            about=about, gap=gap, build=build, figures=tuple(figures), beside_m=beside_m, board_m=board_m, far_m=far_m, light=light or Light()
        )
        return build

    return keep


def places() -> dict[str, Place]:
    """Every scene by name, in the order they are listed."""
    for name in FILES:
        importlib.import_module(f"framematch.scene.places.{name}")
    return {name: _PLACES[name] for name in sorted(_PLACES, key=lambda n: FILES.index(n) if n in FILES else len(FILES))}


def make_scene(
    name: str,
    *,
    width_m: float | None = None,
    height_m: float | None = None,
    shape: str | None = None,
    sill_m: float | None = None,
    thickness_m: float | None = None,
    figures: Sequence[Figure] | None = None,
) -> Scene:
    """A scene with the gap asked for; what is not given stays as the scene has it.

    The gap's middle lies on x = 0 in the plane z = 0 over a ground at y = 0, and is flown along -Z:
    a rig at z = 5 m is 5 m before the gap.

    Raises:
        InputError: no scene of that name, an unknown shape or a size out of range.
    """
    known = places()
    if name not in known:
        raise InputError(f"no scene '{name}'", field="scene", fix=f"choose {', '.join(known)} or name a mesh file")
    here = known[name]
    gap = gap_at_origin(
        width_m=here.gap.width_m if width_m is None else width_m,
        height_m=here.gap.height_m if height_m is None else height_m,
        shape=here.gap.shape if shape is None else shape,
        sill_m=here.gap.sill_m if sill_m is None else sill_m,
        thickness_m=here.gap.thickness_m if thickness_m is None else thickness_m,
    )
    spread = max(0.0, (gap.width_m - here.gap.width_m) / 2)  # a wider gap pushes what stands beside it outwards
    people = [
        f
        for i, figure in enumerate(here.figures if figures is None else figures)
        for f in standing(_aside(figure, 0.0 if figures is not None else spread), look=i)
    ]
    rulers = distance_figures(beside_m=here.beside_m + spread, board_m=here.board_m - spread, far_m=here.far_m)
    return Scene(name=name, surface=surface_from([*here.build(gap), *rulers, *people]), light=here.light, gap=gap)


def _aside(figure: Figure, spread: float) -> Figure:
    x = figure.x_m + (spread if figure.x_m >= 0 else -spread)
    return Figure(x_m=x, z_m=figure.z_m, height_m=figure.height_m, heading_deg=figure.heading_deg)
