"""Commands: predict."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from framematch.cli.options import Kit, PairingPath, Units
from framematch.cli.screen import progress, screen, warning


def register(app: typer.Typer) -> None:
    """Add this task's commands."""
    app.command("predict")(predict)


def predict(
    file: PairingPath,
    source: Annotated[Path, typer.Argument(help="Recording of the goggles' picture, or a still of it.", metavar="CLIP")],
    out: Annotated[Path, typer.Option(help="What to write: .mp4, .mov or .mkv; .png or .jpg from a still.", metavar="FILE")],
    at: Annotated[
        Optional[float],  # noqa: UP045
        typer.Option("--distance", "--at", help="Distance to what is filmed, metres or inf; the guide's set distance if left out.", metavar="M"),
    ] = None,
    frame: Annotated[Optional[str], typer.Option(help="Which of several frames, by name.", metavar="NAME")] = None,  # noqa: UP045
    both: Annotated[bool, typer.Option("--both", help="Put the wide picture with the guide on it beside the frame.")] = False,
    height: Annotated[int, typer.Option(help="Height of the picture in pixels.", metavar="PX")] = 720,
    units: Units = "metric",
    kit: Kit = None,
) -> None:
    """Show the frame that will be recorded, as the goggles' picture foretells it."""
    from framematch.errors import InputError
    from framematch.files.pairing import read_pairing
    from framematch.guide.report import guide_report
    from framematch.guide.shown import metres
    from framematch.render.foretold import write_foretold

    pairing = read_pairing(file, kit=kit)
    names = [each.name for each in pairing.frames]
    if frame is not None and frame not in names:
        raise InputError(f"no frame is called {frame!r}", field="--frame", fix=f"choose from {', '.join(names)}")
    pairing = pairing.alone(names.index(frame) if frame is not None else 0)
    report = guide_report(pairing) if both or at is None else None
    distance = at if at is not None or report is None else report.guide.set_distance_m
    assert distance is not None
    try:
        with progress() as bar:
            task = bar.add_task("Foretelling", total=None)
            made = write_foretold(
                out,
                source,
                pairing,
                distance_m=distance,
                height_px=height,
                wide=report if both else None,
                progress=lambda done, of: bar.update(task, completed=done, total=of or None),
            )
    except KeyboardInterrupt:
        typer.echo("Stopped; nothing was written.", err=True)
        raise typer.Exit(130) from None
    console = screen()
    if made.cut_short:
        warning(console, made.cut_short)
    sound = ", with its sound" if made.sound else ""
    count = f"{made.frames} frames, " if made.frames > 1 else ""
    console.print(f"Wrote {out}: {count}{made.size_px[0]} x {made.size_px[1]}{sound}, right for what stands at {metres(distance)}.")
    console.print("Nearer and farther it is off as the guide is. A guide that the goggles burn into their recording shows in it too.", style="dim")
