"""Commands that show a scene through a pairing's two lenses."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from framematch.cli.guide import Sets
from framematch.cli.options import Kit, Scheduler, ShotPairing, Units
from framematch.cli.screen import progress, say
from framematch.cli.shot import FormerSubjects, Renderer, ShotOptions, Speed, Subjects, numbers_of, subjects_asked, with_shot_options
from framematch.guide.shown import signed

if TYPE_CHECKING:
    from framematch.scene.model import Scene
    from framematch.shot.contact import Nearest
    from framematch.shot.shot import Shot
    from framematch.shot.way import Way


def register(app: typer.Typer) -> None:
    """Add this task's commands."""
    app.command("view", short_help="Both views before a gap, side by side.")(view)
    app.command("run")(run)


@with_shot_options
def view(
    file: ShotPairing,
    options: ShotOptions,
    subject: Subjects = None,
    former: FormerSubjects = None,
    distance: Annotated[float, typer.Option(help="Metres from the recording camera to the gap.", metavar="M")] = 3.0,
    position: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(help="Stand here instead of before the gap: metres right, up and back, as x,y,z.", metavar="X,Y,Z"),
    ] = None,
    heading: Annotated[float, typer.Option(help="Degrees turned right, with --position.", metavar="DEG")] = 0.0,
    bank: Annotated[Optional[float], typer.Option(help="Of the recording camera, degrees clockwise seen from behind.", metavar="DEG")] = None,  # noqa: UP045
    sets: Sets = 1,
    renderer: Renderer = "auto",
    out: Annotated[Path, typer.Option(help="Picture to write.", metavar="PICTURE")] = Path("view.png"),
    units: Units = "metric",
    kit: Kit = None,
) -> None:
    """Show both views before a gap: the goggles' picture with the guide beside the recorded frame."""
    from framematch.errors import InputError
    from framematch.files.pairing import read_pairing
    from framematch.render.sheet import check_picture_name, look, sentences, write_sheet
    from framematch.scene.open import scene_of
    from framematch.shot.place import standing

    check_picture_name(out)
    pairing = read_pairing(file, kit=kit)
    asked = options.asked(pairing, file, bank_deg=bank)
    pose = None
    if position is not None:
        place = numbers_of(position, 3, "--position", "0,1.5,4")
        pose = standing(place, heading_deg=heading, pitch_deg=options.tilt or 0.0, bank_deg=bank or 0.0)
    elif heading:
        raise InputError("--heading goes with --position", field="heading", fix="give where the rig stands, such as --position 0,1.5,4")
    seen = scene_of(asked, figures=subjects_asked(subject))
    found = look(seen, pairing, distance_m=distance, run=asked.run, pose=pose, renderer=renderer, sets=sets)
    write_sheet(out, found)
    for line in sentences(found):
        say(line)
    say(f"Wrote {out}")


@with_shot_options
def run(
    file: ShotPairing,
    options: ShotOptions,
    subject: Subjects = None,
    former: FormerSubjects = None,
    speed: Speed = None,
    start: Annotated[float, typer.Option("--from", help="Metres before the gap where the run starts.", metavar="M")] = 8.0,
    end: Annotated[float, typer.Option("--to", help="Metres before the gap where it ends; behind it is below 0.", metavar="M")] = -3.0,
    height: Annotated[Optional[float], typer.Option(help="Metres over the ground; the middle of the gap if not given.", metavar="M")] = None,  # noqa: UP045
    path: Annotated[Optional[Path], typer.Option(help="Fly through points, leaning: x,y,z or x,y,z,speed on each line.", metavar="FILE")] = None,  # noqa: UP045
    bank: Annotated[Optional[str], typer.Option(help="Degrees clockwise on a straight run; a path banks by itself.", metavar="DEG|turn")] = None,  # noqa: UP045
    fps: Annotated[int, typer.Option(help="Frames per second: 24, 25, 30 or 60.", metavar="N")] = 25,
    shutter: Annotated[Optional[float], typer.Option(help="Shutter angle in degrees for motion blur; none if not given.", metavar="DEG")] = None,  # noqa: UP045
    picture_height: Annotated[int, typer.Option("--picture-height", help="Height of both views in pixels.", metavar="PX")] = 360,
    sets: Sets = 1,
    renderer: Renderer = "auto",
    cut: Annotated[bool, typer.Option("--cut", help="The hidden cut alone: the run's last pan, then the second camera's.")] = False,
    workers: Annotated[Optional[int], typer.Option(help="Processes that draw at once; one for each core if not given.", metavar="N", min=1, max=64)] = None,  # noqa: UP045
    scheduler: Scheduler = None,
    out: Annotated[Path, typer.Option(help="FILE.mp4 or .gif; .glb or .usda writes scene and flying cameras for a 3D program.", metavar="FILE")] = Path(
        "run.mp4"
    ),
    units: Units = "metric",
    kit: Kit = None,
) -> None:
    """Fly both views through a gap, side by side and true to time."""
    from framematch.compare.cut import cut_of
    from framematch.errors import InputError
    from framematch.files.pairing import read_pairing
    from framematch.guide.shown import quantity
    from framematch.output.scene_file import SCENE_SUFFIXES, write_exchange
    from framematch.render.cut_frames import cut_frames, frame_count
    from framematch.render.run_frames import Filming, frame_times, run_frames
    from framematch.render.video import check_video_name, write_video
    from framematch.scene.open import scene_of

    pairing = read_pairing(file, kit=kit)
    asked = options.asked(pairing, file, speed_m_s=speed, bank_deg=_degrees(bank))
    place = scene_of(asked, figures=subjects_asked(subject))
    way, touches = _way(place, asked, path, from_m=start, to_m=end, height_m=height, bank=bank)
    if out.suffix.lower() in SCENE_SUFFIXES:
        write_exchange(out, place, pairing, way)
        say(f"Wrote {out}: the scene, and both cameras flying {quantity(way.length_m, 'm', '.1f')} in {way.duration_s:.2f} s")
        return
    filming = Filming(frames_per_s=fps, shutter_deg=shutter, height_px=picture_height, renderer=renderer, sets=sets)
    if cut and scheduler is not None:
        raise InputError("a hidden cut is drawn here", field="--scheduler", fix="leave it out with --cut")
    hidden = cut_of(asked, pairing, way) if cut else None
    count = len(frame_times(way, fps)) if hidden is None else frame_count(hidden, fps)
    check_video_name(out, fps, count)
    try:
        with progress() as bar:
            task = bar.add_task("Rendering", total=count)
            if hidden is None:
                frames = run_frames(place, pairing, way, filming, touches=touches, workers=workers or os.cpu_count() or 1, scheduler=scheduler)
            else:
                frames = cut_frames(place, pairing, hidden, filming, run_shutter_s=asked.run.shutter_s)
            write_video(out, frames, frames_per_s=fps, progress=lambda n: bar.update(task, completed=n))
    except KeyboardInterrupt:
        say("Stopped; nothing was written.", stderr=True)
        raise typer.Exit(130) from None
    say(f"Wrote {out}: {count} frames, {count / fps:.2f} s at {fps} frames per second, {quantity(way.length_m, 'm', '.1f')} flown")
    if hidden is not None:
        say(
            f"Cut at {hidden.time_s:.2f} s: the run pans at {hidden.pan_deg_s:.0f} deg/s, the second camera at {hidden.second_pan_deg_s:.0f} deg/s with "
            f"{hidden.second_camera.lens.focal_mm:.1f} mm, tilt {signed(hidden.tilt_deg, 1)}, roll {signed(hidden.roll_deg, 1)} deg."
        )
    if touches is not None:
        say(f"The aircraft touches something at {touches.time_s:.2f} s ({touches.side}): see `framematch path`.")
    say("It shows geometry, not a safe path: no gusts, no pilot's line, no lag of the motors. Local rules and the licensed remote pilot decide.")


def _degrees(bank: str | None) -> float | None:
    from framematch.errors import InputError

    try:
        return None if bank in (None, "turn") else float(bank)
    except ValueError:
        raise InputError(f"{bank!r} is not a valid bank", field="bank", fix="give degrees, or turn") from None


def _way(scene: Scene, shot: Shot, path: Path | None, *, from_m: float, to_m: float, height_m: float | None, bank: str | None) -> tuple[Way, Nearest | None]:
    """The shot's own path, or that through the points of a file, leaning, and where the aircraft first touches something; or the straight run."""
    from framematch.compare.along import first_touch
    from framematch.errors import InputError
    from framematch.files.points import read_path
    from framematch.shot.contact import Surfaces
    from framematch.shot.way import Straight

    run = shot.run
    flown = (shot if path is None else replace(shot, course=read_path(path, shot))).flown
    if flown is None:
        if height_m is not None:
            run = replace(run, up_m=scene.ground_m + height_m - float(scene.scene_from_opening.translation_m[1]))
        return Straight(scene_from_opening=scene.scene_from_opening, run=run, from_m=from_m, to_m=to_m), None
    if bank not in (None, "turn"):
        raise InputError("the aircraft banks by itself along a path", field="bank", fix="leave it out")
    return flown, first_touch(flown, shot.aircraft, Surfaces(vertices_m=scene.surface.vertices, faces=scene.surface.faces))
