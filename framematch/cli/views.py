"""Commands that show a scene through a pairing's two lenses."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from framematch.cli.screen import progress

SceneName = Annotated[
    str,
    typer.Option(
        help="doorway, window, alley, underpass, trunks, car or glasshouse; or a mesh file of one's own (GLB, glTF, OBJ, PLY, STL).", metavar="NAME|FILE"
    ),
]
GapSize = Annotated[Optional[str], typer.Option(help="Width and height of the gap in metres, such as 1.2x0.9.", metavar="WxH")]  # noqa: UP045
Shape = Annotated[Optional[str], typer.Option(help="Shape of the gap: rectangle, arch or circle.", metavar="SHAPE")]  # noqa: UP045
Sill = Annotated[Optional[float], typer.Option(help="Height of the gap's lower edge over the ground, metres.", metavar="M")]  # noqa: UP045
GapAt = Annotated[Optional[str], typer.Option(help="Middle of a mesh's own opening: metres right, up and back, as x,y,z.", metavar="X,Y,Z")]  # noqa: UP045
GapHeading = Annotated[float, typer.Option(help="Way a mesh's opening is flown, degrees right of -Z, with --gap-at.", metavar="DEG")]
Figures = Annotated[
    Optional[list[str]],  # noqa: UP045
    typer.Option("--figure", help="Someone standing at x,z or x,z,height in metres, instead of the scene's own people; may be given often.", metavar="X,Z[,M]"),
]
Scale = Annotated[float, typer.Option(help="Metres for each of a mesh's units.", metavar="M")]
Up = Annotated[str, typer.Option(help="A mesh's upward axis: y or z.", metavar="AXIS")]
Renderer = Annotated[str, typer.Option(help="auto, gl or rays.", metavar="HOW")]
Kit = Annotated[Optional[Path], typer.Option(help="Folder of shared camera and mount files that `use` may name.", metavar="DIR")]  # noqa: UP045


def register(app: typer.Typer) -> None:
    """Add this task's commands."""
    app.command("view", short_help="Both views before a gap, side by side.")(view)
    app.command("run")(run)


def view(
    file: Annotated[Path, typer.Argument(help="Pairing file (TOML).", metavar="PAIRING")],
    scene: SceneName = "glasshouse",
    gap: GapSize = None,
    shape: Shape = None,
    sill: Sill = None,
    gap_at: GapAt = None,
    gap_heading: GapHeading = 0.0,
    figure: Figures = None,
    distance: Annotated[float, typer.Option(help="Metres from the recording camera to the gap.", metavar="M")] = 3.0,
    position: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(help="Stand here instead of before the gap: metres right, up and back, as x,y,z.", metavar="X,Y,Z"),
    ] = None,
    heading: Annotated[float, typer.Option(help="Degrees turned right, with --position.", metavar="DEG")] = 0.0,
    tilt: Annotated[float, typer.Option(help="Degrees up, with --position.", metavar="DEG")] = 0.0,
    bank: Annotated[float, typer.Option(help="Degrees clockwise, with --position.", metavar="DEG")] = 0.0,
    scale: Scale = 1.0,
    up: Up = "y",
    renderer: Renderer = "auto",
    out: Annotated[Path, typer.Option(help="Picture to write.", metavar="PICTURE")] = Path("view.png"),
    kit: Kit = None,
) -> None:
    """Show both views before a gap: the goggles' picture with the guide beside the recorded frame."""
    from framematch.files.pairing import read_pairing
    from framematch.render.sheet import check_picture_name, look, sentences, write_sheet
    from framematch.render.views import pose_from_text
    from framematch.scene.open import open_scene

    check_picture_name(out)
    pairing = read_pairing(file, kit=kit)
    pose = pose_from_text(position, heading_deg=heading, pitch_deg=tilt, bank_deg=bank)
    found = look(
        open_scene(scene, gap=gap, shape=shape, sill_m=sill, gap_at=gap_at, gap_heading_deg=gap_heading, figures=figure or (), scale=scale, up=up),
        pairing,
        distance_m=distance,
        pose=pose,
        renderer=renderer,
    )
    write_sheet(out, found)
    for line in sentences(found):
        typer.echo(line)
    typer.echo(f"Wrote {out}")


def run(
    file: Annotated[Path, typer.Argument(help="Pairing file (TOML).", metavar="PAIRING")],
    scene: SceneName = "glasshouse",
    gap: GapSize = None,
    shape: Shape = None,
    sill: Sill = None,
    gap_at: GapAt = None,
    gap_heading: GapHeading = 0.0,
    figure: Figures = None,
    speed: Annotated[float, typer.Option(help="Metres per second.", metavar="M/S")] = 5.0,
    start: Annotated[float, typer.Option("--from", help="Metres before the gap where the run starts.", metavar="M")] = 8.0,
    end: Annotated[float, typer.Option("--to", help="Metres before the gap where it ends; behind it is below 0.", metavar="M")] = -3.0,
    height: Annotated[Optional[float], typer.Option(help="Metres over the ground; the middle of the gap if not given.", metavar="M")] = None,  # noqa: UP045
    path: Annotated[Optional[Path], typer.Option(help="Fly through points instead: x,y,z or x,y,z,speed on each line.", metavar="FILE")] = None,  # noqa: UP045
    tilt: Annotated[float, typer.Option(help="Degrees of the recording camera above the horizon.", metavar="DEG")] = 0.0,
    bank: Annotated[str, typer.Option(help="Degrees clockwise, or `turn`: as level turns along the path need.", metavar="DEG|turn")] = "0",
    fps: Annotated[int, typer.Option(help="Frames per second: 24, 25, 30 or 60.", metavar="N")] = 25,
    shutter: Annotated[Optional[float], typer.Option(help="Shutter angle in degrees for motion blur; none if not given.", metavar="DEG")] = None,  # noqa: UP045
    picture_height: Annotated[int, typer.Option("--picture-height", help="Height of both views in pixels.", metavar="PX")] = 360,
    scale: Scale = 1.0,
    up: Up = "y",
    renderer: Renderer = "auto",
    out: Annotated[Path, typer.Option(help="FILE.mp4 or .gif; .glb or .usda writes scene and flying cameras for a 3D program.", metavar="FILE")] = Path(
        "run.mp4"
    ),
    kit: Kit = None,
) -> None:
    """Fly both views through a gap, side by side and true to time."""
    from framematch.files.pairing import read_pairing
    from framematch.output.scene_file import SCENE_SUFFIXES, write_exchange
    from framematch.render.run_frames import Filming, frame_times, run_frames
    from framematch.render.video import check_video_name, write_video
    from framematch.scene.open import open_scene
    from framematch.scene.path import run_from

    pairing = read_pairing(file, kit=kit)
    place = open_scene(scene, gap=gap, shape=shape, sill_m=sill, gap_at=gap_at, gap_heading_deg=gap_heading, figures=figure or (), scale=scale, up=up)
    way = run_from(place, path, from_m=start, to_m=end, speed_m_per_s=speed, height_m=height, pitch_deg=tilt, bank=bank)
    if out.suffix.lower() in SCENE_SUFFIXES:
        write_exchange(out, place, pairing, way)
        typer.echo(f"Wrote {out}: the scene, and both cameras flying {way.length_m:.1f} m in {way.duration_s:.2f} s")
        return
    filming = Filming(frames_per_s=fps, shutter_deg=shutter, height_px=picture_height, renderer=renderer)
    count = len(frame_times(way, fps))
    check_video_name(out, fps, count)
    try:
        with progress() as bar:
            task = bar.add_task("Rendering", total=count)
            write_video(out, run_frames(place, pairing, way, filming), frames_per_s=fps, progress=lambda n: bar.update(task, completed=n))
    except KeyboardInterrupt:
        typer.echo("Stopped; nothing was written.", err=True)
        raise typer.Exit(130) from None
    typer.echo(f"Wrote {out}: {count} frames, {count / fps:.2f} s at {fps} frames per second, {way.length_m:.1f} m flown")
    typer.echo("It shows geometry, not a safe path: no wind, no braking, no aircraft's own size. Plan with margin; local rules and the licensed pilot decide.")
