"""The scenes by name. A scene is one function from a gap to parts, listed with :func:`place`."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from framematch.errors import InputError
from framematch.scene.build import surface_from
from framematch.scene.ground import distance_figures
from framematch.scene.model import Light, Scene
from framematch.scene.opening import THIN_M, buildable, gate
from framematch.scene.parts import Part
from framematch.scene.people import Figure, figure_parts, subject_parts
from framematch.scene.places import FILES
from framematch.shot.opening import Opening
from framematch.shot.values import Subject

Builder = Callable[[Opening], Iterable[Part]]


@dataclass(frozen=True, kw_only=True)
class Setting:
    """A parametric scene.

    Args:
        about: one line for lists.
        opening: the one it has if no other is asked for.
        build: the opening to everything but ground figures and people. The wall's middle lies in the plane
            z = 0, the opening's on x = 0; the ground is y = 0; the run comes along -Z.
        figures: people it has if no others are asked for.
        beside_m, board_m: x of the distance plates on the floor and of the boards.
        least_m: the thinnest wall that it can be built with.
        rim: where in that wall's thickness the opening is narrowest: 0.5 is its near face, 0 its middle.
        light: sun and sky.
    """

    about: str
    opening: Opening
    build: Builder
    figures: tuple[Figure, ...]
    beside_m: float
    board_m: float
    far_m: float
    least_m: float
    rim: float
    light: Light


_PLACES: dict[str, Setting] = {}


def place(
    name: str,
    about: str,
    *,
    opening: Opening,
    figures: Sequence[Figure] = (),
    beside_m: float = 0.9,
    board_m: float = -1.75,
    far_m: float = 40.0,
    least_m: float = THIN_M,
    rim: float = 0.5,
    light: Light | None = None,
) -> Callable[[Builder], Builder]:
    """List the function below as a scene; see :class:`Setting` for what the arguments mean."""

    def keep(build: Builder) -> Builder:
        _PLACES[name] = Setting(
            about=about,
            opening=opening,
            build=build,
            figures=tuple(figures),
            beside_m=beside_m,
            board_m=board_m,
            far_m=far_m,
            least_m=least_m,
            rim=rim,
            light=light or Light(),
        )
        return build

    return keep


def places() -> dict[str, Setting]:
    """Every scene by name, in the order they are listed."""
    for name in FILES:
        importlib.import_module(f"framematch.scene.places.{name}")
    return {name: _PLACES[name] for name in sorted(_PLACES, key=lambda n: FILES.index(n) if n in FILES else len(FILES))}


def setting(name: str) -> Setting:
    """The scene of a name.

    Raises:
        InputError: there is none.
    """
    known = places()
    if name not in known:
        raise InputError(f"no scene '{name}'", field="scene", fix=f"choose {', '.join(known)} or name a mesh file")
    return known[name]


def make_scene(name: str, *openings: Opening, subjects: Sequence[Subject] = (), figures: Sequence[Figure] | None = None) -> Scene:
    """A scene by name, standing round the first of its openings. The last few are kept: several parts of one answer ask for the same.

    Args:
        openings: in the order flown, the scene's own if none is given; those after the first stand in
            walls of their own.
        subjects: who stands there, instead of the scene's own people.
        figures: people by their places in the scene, besides the subjects.

    Raises:
        InputError: no scene of that name, or an opening that is not built.
    """
    here = setting(name)
    return _made(name, here, openings or (here.opening,), tuple(subjects), None if figures is None else tuple(figures))


@lru_cache(maxsize=4)
def _made(name: str, here: Setting, openings: tuple[Opening, ...], subjects: tuple[Subject, ...], figures: tuple[Figure, ...] | None) -> Scene:
    opening = openings[0]
    built = buildable(opening, here.least_m)
    spread = max(0.0, (opening.width_m - here.opening.width_m) / 2)  # a wider opening pushes what stands beside it outwards
    rim = opening.thickness_m / 2  # of the opening in a scene that has not been moved
    parts = [part.moved(z=rim - here.rim * built.thickness_m) for part in here.build(built)]
    parts += [p.moved(z=rim) for p in distance_figures(beside_m=here.beside_m + spread, board_m=here.board_m - spread, far_m=here.far_m)]
    people = [_aside(f, spread) for f in here.figures] if figures is None and not subjects else []
    parts += [part for look, figure in enumerate(people) for part in figure_parts(figure, look=look)]
    if opening.middle_m is not None or opening.heading_deg:
        home = replace(opening, middle_m=None, heading_deg=0.0).scene_from_opening
        move = opening.scene_from_opening @ home.inverse
        parts = [replace(part, vertices=move.points(part.vertices)) for part in parts]
    for other in openings[1:]:
        thick = buildable(other)
        foot = other.scene_from_opening.points((0.0, other.ground_y_m, thick.thickness_m / 2))
        parts += [part.turned(heading_deg=other.heading_deg).moved(*foot) for part in gate(thick)]
    parts += subject_parts(opening, subjects)
    parts += [part for look, figure in enumerate(figures or (), len(subjects)) for part in figure_parts(figure, look=look)]
    ground = float(opening.scene_from_opening.points((0.0, opening.ground_y_m, 0.0))[1])
    return Scene(name=name, surface=surface_from(parts), light=here.light, opening=opening, ground_m=ground)


def _aside(figure: Figure, spread: float) -> Figure:
    return replace(figure, x_m=figure.x_m + (spread if figure.x_m >= 0 else -spread))
