"""Options that several commands share: which shot, with single values of its file changed."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional, get_type_hints

import typer

from framematch.errors import InputError
from framematch.scene.places import FILES

if TYPE_CHECKING:
    from framematch.files.shot import Flies
    from framematch.geometry.pairing import Pairing
    from framematch.scene.people import Figure
    from framematch.shot.shot import Shot

ShotFile = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option(
        "--shot", "--gap-file", help="File with the shot's tables, if they are not in the pairing's: place, gap, run, subject, aircraft ...", metavar="FILE"
    ),
]
SceneName = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option(
        help=f"{', '.join(FILES)}; or a mesh file of one's own (GLB, glTF, OBJ, PLY, STL). For `lenses` also drawn: plain pictures.", metavar="NAME|FILE"
    ),
]
GapSize = Annotated[Optional[str], typer.Option(help="Width and height of the gap in metres, such as 1.2x0.9.", metavar="WxH")]  # noqa: UP045
Shape = Annotated[Optional[str], typer.Option(help="Shape of the gap: rectangle, arch or circle.", metavar="SHAPE")]  # noqa: UP045
Sill = Annotated[Optional[float], typer.Option(help="Height of the gap's lowest point over the ground, metres.", metavar="M")]  # noqa: UP045
GapAt = Annotated[Optional[str], typer.Option(help="Middle of the opening in the scene: metres right, up and back, as x,y,z.", metavar="X,Y,Z")]  # noqa: UP045
GapHeading = Annotated[Optional[float], typer.Option(help="Way the opening is flown, degrees right of -Z.", metavar="DEG")]  # noqa: UP045
Subjects = Annotated[
    Optional[list[str]],  # noqa: UP045
    typer.Option("--subject", help="Someone standing at x,z or x,z,height in metres, in place of the scene's own people; again for more.", metavar="X,Z[,M]"),
]


def _renamed(values: list[str] | None) -> list[str]:
    if values:
        raise InputError("is called --subject now", field="--figure", fix="write --subject X,Z[,M]")
    return []  # Typer takes what a callback gives in the value's place, and its lowest version here wants a list


FormerSubjects = Annotated[Optional[list[str]], typer.Option("--figure", hidden=True, callback=_renamed)]  # noqa: UP045
Scale = Annotated[Optional[float], typer.Option(help="Metres for each of a mesh's units.", metavar="M")]  # noqa: UP045
Up = Annotated[Optional[str], typer.Option(help="A mesh's upward axis: y or z.", metavar="AXIS")]  # noqa: UP045
Tilt = Annotated[Optional[float], typer.Option(help="Of the recording camera above the horizon, in flight.", metavar="DEG")]  # noqa: UP045
Speed = Annotated[Optional[float], typer.Option(help="Of the run, metres per second.", metavar="M/S")]  # noqa: UP045
Renderer = Annotated[str, typer.Option(help="auto, gl or rays.", metavar="HOW")]


@dataclass(frozen=True, kw_only=True)
class ShotOptions:
    """What options say of a shot in place of its file's values."""

    shot: ShotFile = None
    scene: SceneName = None
    gap: GapSize = None
    shape: Shape = None
    sill: Sill = None
    gap_at: GapAt = None
    gap_heading: GapHeading = None
    tilt: Tilt = None
    scale: Scale = None
    up: Up = None

    def asked(self, pairing: Pairing, file: Path, *, named: bool = False, flies: Flies | None = None, **run: object) -> Shot:
        """The shot of a file, with what the options say in its place.

        Args:
            file: that has its tables, if ``shot`` names none.
            named: refuse a shot of which no opening is named.
            flies: as :func:`framematch.files.shot.read_shot` has it.
            run: keys of that table; None for what was not typed.
        """
        from framematch.files.shot import read_shot
        from framematch.scene.mesh_checks import SUFFIXES
        from framematch.shot.place import Place
        from framematch.text.typed import size

        mesh = _typed(scale_m=self.scale, up=self.up)
        place = None
        if self.scene is not None:
            path = Path(self.scene)
            is_file = path.suffix.lower() in SUFFIXES or path.exists()
            place = Place(file=path, **mesh) if is_file else Place(scene=self.scene, **mesh)  # type: ignore[arg-type]
        changes = {
            "gap": _typed(
                size_m=self.gap and size(self.gap, "--gap", "1.2x0.9"),
                shape=self.shape,
                sill_m=self.sill,
                middle_m=self.gap_at and numbers_of(self.gap_at, 3, "--gap-at", "0,1.5,4"),
                heading_deg=self.gap_heading,
            ),
            "run": _typed(tilt_deg=self.tilt, **run),
            "place": mesh if place is None else {},
        }
        told = {table: values for table, values in changes.items() if values}
        return read_shot(pairing, self.shot or file, place=place, changes=told, named=named, flies=flies)


def _typed(**values: object) -> dict[str, object]:
    return {key: value for key, value in values.items() if value is not None}


def with_shot_options(command: Callable[..., None]) -> Callable[..., None]:
    """A command that takes ``options: ShotOptions`` as one value, with each field of that as an option of its own."""
    hints, own = get_type_hints(ShotOptions, include_extras=True), inspect.signature(command, eval_str=True)
    parts = [inspect.Parameter(f.name, inspect.Parameter.KEYWORD_ONLY, default=f.default, annotation=hints[f.name]) for f in fields(ShotOptions)]

    @wraps(command)
    def called(**given: object) -> None:
        options = ShotOptions(**{part.name: given.pop(part.name) for part in parts})  # type: ignore[arg-type]
        command(options=options, **given)

    parameters = [p.replace(kind=inspect.Parameter.KEYWORD_ONLY) for p in own.parameters.values()]
    at = [p.name for p in parameters].index("options")
    called.__signature__ = own.replace(parameters=[*parameters[:at], *parts, *parameters[at + 1 :]])  # type: ignore[attr-defined]
    return called


def numbers_of(text: str, count: int, option: str, example: str) -> tuple[float, ...]:
    """``0,1.5,4`` as so many numbers.

    Raises:
        InputError: something else.
    """
    try:
        found = tuple(float(part) for part in text.split(","))
    except ValueError:
        found = ()
    if len(found) != count:
        raise InputError(f"{text!r} is not a valid place", field=option, fix=f"write {count} numbers in metres, such as {example}")
    return found


def subjects_asked(texts: list[str] | None) -> tuple[Figure, ...] | None:
    """Those whom ``--subject`` places; None if it was not given."""
    from framematch.scene.people import STATURE_M, Figure

    found = []
    for text in texts or ():
        x, z, *tall = numbers_of(text, 3 if text.count(",") > 1 else 2, "--subject", "1.5,4 (x, z) or 1.5,4,1.8 (x, z, height)")
        height = tall[0] if tall else STATURE_M
        if not 0.3 <= height <= 3.0:
            raise InputError(f"{height:g} m is not a subject's height", field="--subject", fix="give 0.3 to 3 m")
        found.append(Figure(x_m=x, z_m=z, height_m=height))
    return tuple(found) or None
