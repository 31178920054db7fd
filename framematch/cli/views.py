"""Commands that show a scene through a pairing's two lenses."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

if TYPE_CHECKING:
    from framematch.scene.model import Scene


def register(app: typer.Typer) -> None:
    """Add this task's commands."""
    app.command("view")(view)


def view(
    file: Annotated[Path, typer.Argument(help="Pairing file (TOML).", metavar="PAIRING")],
    scene: Annotated[str, typer.Option(help="A scene by name, or a mesh file (GLB, glTF, OBJ, PLY, STL).", metavar="NAME|FILE")] = "glasshouse",
    gap: Annotated[Optional[str], typer.Option(help="Width and height of the gap in metres, such as 1.2x0.9.", metavar="WxH")] = None,  # noqa: UP045
    distance: Annotated[float, typer.Option(help="Metres from the recording camera to the gap.", metavar="M")] = 3.0,
    renderer: Annotated[str, typer.Option(help="auto, gl or rays.")] = "auto",
    out: Annotated[Path, typer.Option(help="Picture to write.", metavar="PICTURE")] = Path("view.png"),
    kit: Annotated[Optional[Path], typer.Option(help="Folder of shared camera and mount files that `use` may name.", metavar="DIR")] = None,  # noqa: UP045
) -> None:
    """Show both views before a gap: the goggles' picture with the guide beside the recorded frame."""
    from framematch.pairing_file import read_pairing
    from framematch.render.sheet import look, sentences, write_sheet

    pairing = read_pairing(file, kit=kit)
    place = _scene(scene, gap)
    found = look(place, pairing, distance_m=distance, renderer=renderer)
    write_sheet(out, found)
    for line in sentences(found):
        typer.echo(line)
    typer.echo(f"Wrote {out}")


def _scene(name: str, gap: str | None) -> Scene:
    from framematch.scene.opening import size_from
    from framematch.scene.registry import make_scene

    width, height = (None, None) if gap is None else size_from(gap)
    return make_scene(name, width_m=width, height_m=height)
