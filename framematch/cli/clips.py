"""Commands for the clips of a flight."""

from __future__ import annotations

import json as json_
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from framematch.cli.figures import write_json
from framematch.cli.options import Json, Kit, PairingPath, Paper, SheetOut
from framematch.cli.screen import heading, progress, screen, table, warning

if TYPE_CHECKING:
    from framematch.clips.shake import Shake
    from framematch.clips.together import Together


def register(app: typer.Typer) -> None:
    """Add this task's commands."""
    app.command("shake", short_help="What a recorded clip's shaking takes of the stabiliser's margin.")(shake)


def shake(
    pairing: PairingPath,
    clip: Annotated[Path, typer.Argument(help="The recording camera's own clip, its stabiliser off.", metavar="CLIP")],
    smooth: Annotated[float, typer.Option(help="Smooth path: standard deviation of its Gaussian, seconds (0.05 to 3).", metavar="S")] = 0.5,
    json: Json = None,
    out: SheetOut = None,
    as_shot: Annotated[bool, typer.Option("--as-shot", help="The camera's own stabiliser was off: don't refuse a clip that hardly shakes.")] = False,
    paper: Paper = "A4",
    kit: Kit = None,
) -> None:
    """Read how the recording camera turned from frame to frame, and say what smoothing that takes of the kept percentage."""
    from framematch.clips.reader import read_turns
    from framematch.clips.shake import shake_of
    from framematch.clips.shake_report import shake_json, shake_rows, shake_sentences
    from framematch.clips.steadied import steadied
    from framematch.clips.turns import clip_camera
    from framematch.files.pairing import read_pairing
    from framematch.output.shake_sheet import write_shake_sheet
    from framematch.output.sheet_page import check_sheet_name

    if out is not None:
        check_sheet_name(out)
    rig = read_pairing(pairing, kit=kit)
    console = screen(stderr=json == "-")
    with progress() as bar:
        task = bar.add_task("Reading turns", total=None)

        def told(done: int, expected: int) -> None:
            bar.update(task, completed=done, total=expected or None)

        turns = read_turns(clip, lambda size: clip_camera(rig.recording, size, name=str(clip)), progress=told)
        turns = steadied(turns)
    found = shake_of(turns, rig, smooth_s=smooth, as_shot=as_shot)
    if out is not None:
        write_shake_sheet(out, found, title=rig.title, paper=paper)
    write_json(json, lambda: shake_json(found))
    heading(console, rig.title, f"   {found.name}, {turns.length_s:.1f} s, {turns.frames} frames")
    shown = table("Turns off the smooth path, degrees", "turn", "margin kept", "95 % of frames", "all frames")
    for row in shake_rows(found):
        shown.add_row(*row)
    console.print(shown)
    for line in shake_sentences(found):
        console.print(line)
    if out is not None:
        console.print(f"Wrote {out}", style="dim")


def is_clip(name: str) -> bool:
    """Whether a name given for stills is a whole clip: a video without a time behind an @."""
    from framematch.measure.stills import VIDEOS

    return Path(name).suffix.lower() in VIDEOS


def check_two_clips(
    file: Path,
    names: tuple[str, str],
    *,
    distance: list[str] | None,
    out: Path,
    film: Path | None,
    write: Path | None,
    take: str | None,
    paper: str,
    kit: Path | None,
) -> None:
    """The check from two whole clips of one flight; writes check.json, check.csv and check.pdf."""
    from framematch.clips.shake_report import shake_sentences
    from framematch.clips.take import clip_values, parse_clip_names
    from framematch.clips.together import check_clips
    from framematch.clips.together_report import clip_csv, clip_json, clip_sentences
    from framematch.clips.typed import parse_typed_at
    from framematch.files.pairing import read_pairing
    from framematch.guide.shown import metres
    from framematch.measure.into_file import changed_pairing
    from framematch.output.clips_sheet import write_clips_sheet
    from framematch.output.sheet_page import check_sheet_name
    from framematch.render.video import check_video_name
    from framematch.text.whole import ensure_folder, write_text

    typed = [parse_typed_at(text) for text in distance or []]
    chosen = parse_clip_names(take or "aim,tolerance")
    check_sheet_name(out / "check.pdf")
    rig = read_pairing(file, kit=kit)
    ensure_folder(out)
    if film is not None:
        check_video_name(film, 30)
    with progress() as bar:
        task = bar.add_task("Reading", total=None)

        def told(what: str, done: int, expected: int) -> None:
            bar.update(task, description=what, completed=done, total=expected or None)

        found = check_clips(rig, Path(names[0]), Path(names[1]), typed=typed, told=told)
        shake, why = _shake(found)
        if film is not None:
            from framematch.render.clips_film import write_clips_film

            write_clips_film(film, found, (Path(names[0]), Path(names[1])), told=told)
    sentences = clip_sentences(found)
    said = [why] if shake is None else [line for line in shake_sentences(shake) if line not in sentences]
    write_text(out / "check.json", json_.dumps(clip_json(found, shake), indent=1, allow_nan=False) + "\n")
    write_text(out / "check.csv", clip_csv(found))
    write_clips_sheet(out / "check.pdf", found, said=said, paper=paper)
    console = screen()
    heading(console, rig.title, f"   {found.recording.name} and {found.monitoring.name}")
    shown = table("The guide as flown", "recorded clip, s", "distance", "off, % of the frame", "± (95 %)", words=0)
    for m in found.moments:
        shown.add_row(f"{m.instant.recording_s:.2f}", metres(m.distance_m), f"{m.off_percent:.2f}", f"{m.off_95_percent:.2f}")
    console.print(shown)
    for line in (*sentences, *said):
        console.print(line)
    for line in found.checked.warnings:
        warning(console, line)
    console.print(f"Wrote check.json, check.csv and check.pdf to {out}/" + (f", and {film}" if film else ""), style="dim")
    if write is not None:
        write_text(write, changed_pairing(file, clip_values(found, shake, chosen), kit=kit))
        console.print(f"Wrote {', '.join(chosen)} to {write}.")


def _shake(found: Together) -> tuple[Shake | None, str]:
    """What the recorded clip asks of the stabiliser, or why it does not tell."""
    from framematch.clips.shake import shake_of
    from framematch.errors import InputError

    try:
        return shake_of(found.recording, found.rig), ""
    except InputError as error:
        return None, f"Stabiliser: {error}"
