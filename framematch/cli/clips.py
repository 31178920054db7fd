"""Commands for the clips of a flight."""

from __future__ import annotations

import json as json_
import sys
from pathlib import Path
from typing import Annotated, Optional

import typer

from framematch.cli.screen import heading, progress, screen, table
from framematch.cli.shot import Kit


def register(app: typer.Typer) -> None:
    """Add this task's commands."""
    app.command("shake", short_help="What a recorded clip's shaking takes of the stabiliser's margin.")(shake)


def shake(
    pairing: Annotated[Path, typer.Argument(help="Pairing file (TOML).", metavar="PAIRING")],
    clip: Annotated[Path, typer.Argument(help="The recording camera's own clip, its stabiliser off.", metavar="CLIP")],
    smooth: Annotated[float, typer.Option(help="Smooth path: standard deviation of its Gaussian, seconds (0.05 to 3).", metavar="S")] = 0.5,
    json: Annotated[Optional[str], typer.Option(help="Write every figure to this file; - prints them.", metavar="FILE")] = None,  # noqa: UP045
    out: Annotated[Optional[Path], typer.Option(help="Sheet of curves to write, .pdf or .png.", metavar="FILE")] = None,  # noqa: UP045
    as_shot: Annotated[bool, typer.Option("--as-shot", help="The camera's own stabiliser was off: don't refuse a clip that hardly shakes.")] = False,
    kit: Kit = None,
) -> None:
    """Read how the recording camera turned from frame to frame, and say what smoothing that takes of the kept percentage."""
    from framematch.clips.shake import shake_of
    from framematch.clips.shake_report import shake_json, shake_rows, shake_sentences
    from framematch.clips.turns import clip_camera, read_turns
    from framematch.files.pairing import read_pairing
    from framematch.output.shake_sheet import write_shake_sheet
    from framematch.output.sheet_page import check_sheet_name
    from framematch.text.whole import write_text

    if out is not None:
        check_sheet_name(out)
    rig = read_pairing(pairing, kit=kit)
    console = screen(stderr=json == "-")
    with progress() as bar:
        task = bar.add_task("Reading turns", total=None)

        def told(done: int, expected: int) -> None:
            bar.update(task, completed=done, total=expected or None)

        turns = read_turns(clip, lambda size: clip_camera(rig.recording, size, name=str(clip)), progress=told)
    found = shake_of(turns, rig, smooth_s=smooth, as_shot=as_shot)
    if out is not None:
        write_shake_sheet(out, found, title=rig.title)
    text = json_.dumps(shake_json(found), indent=1, allow_nan=False) + "\n"
    if json == "-":
        sys.stdout.write(text)
    elif json is not None:
        write_text(Path(json), text)
    heading(console, rig.title, f"   {found.name}, {turns.length_s:.1f} s, {turns.frames} frames")
    shown = table("Turns off the smooth path, degrees", "turn", "margin kept", "95 % of frames", "all frames")
    for row in shake_rows(found):
        shown.add_row(*row)
    console.print(shown)
    for line in shake_sentences(found):
        console.print(line)
    if out is not None:
        console.print(f"Wrote {out}", style="dim")
