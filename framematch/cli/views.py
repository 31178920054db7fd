"""Commands that show a scene through a pairing's two lenses."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

SceneName = Annotated[str, typer.Option(help="A scene by name, or a mesh file (GLB, glTF, OBJ, PLY, STL).", metavar="NAME|FILE")]
GapSize = Annotated[Optional[str], typer.Option(help="Width and height of the gap in metres, such as 1.2x0.9.", metavar="WxH")]  # noqa: UP045
Scale = Annotated[float, typer.Option(help="Metres for each of a mesh's units.", metavar="M")]
Up = Annotated[str, typer.Option(help="A mesh's upward axis: y or z.")]
Renderer = Annotated[str, typer.Option(help="auto, gl or rays.")]
Kit = Annotated[Optional[Path], typer.Option(help="Folder of shared camera and mount files that `use` may name.", metavar="DIR")]  # noqa: UP045


def register(app: typer.Typer) -> None:
    """Add this task's commands."""
    app.command("view")(view)


def view(
    file: Annotated[Path, typer.Argument(help="Pairing file (TOML).", metavar="PAIRING")],
    scene: SceneName = "glasshouse",
    gap: GapSize = None,
    distance: Annotated[float, typer.Option(help="Metres from the recording camera to the gap.", metavar="M")] = 3.0,
    position: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(help="Stand here instead of before the gap: metres right, up and back, as x,y,z.", metavar="X,Y,Z"),
    ] = None,
    heading: Annotated[float, typer.Option(help="Degrees turned right, with --position.")] = 0.0,
    pitch: Annotated[float, typer.Option(help="Degrees up, with --position.")] = 0.0,
    bank: Annotated[float, typer.Option(help="Degrees clockwise, with --position.")] = 0.0,
    scale: Scale = 1.0,
    up: Up = "y",
    renderer: Renderer = "auto",
    out: Annotated[Path, typer.Option(help="Picture to write.", metavar="PICTURE")] = Path("view.png"),
    kit: Kit = None,
) -> None:
    """Show both views before a gap: the goggles' picture with the guide beside the recorded frame."""
    from framematch.pairing_file import read_pairing
    from framematch.render.sheet import check_picture_name, look, sentences, write_sheet
    from framematch.render.views import pose_from_text
    from framematch.scene.open import open_scene

    check_picture_name(out)
    pairing = read_pairing(file, kit=kit)
    pose = pose_from_text(position, heading_deg=heading, pitch_deg=pitch, bank_deg=bank)
    found = look(open_scene(scene, gap=gap, scale=scale, up=up), pairing, distance_m=distance, pose=pose, renderer=renderer)
    write_sheet(out, found)
    for line in sentences(found):
        typer.echo(line)
    typer.echo(f"Wrote {out}")
