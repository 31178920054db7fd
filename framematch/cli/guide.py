"""Commands for the guide: a starter pairing, its angles, the guide itself."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from framematch.cli.figures import write_new, write_out
from framematch.cli.options import Json, Kit, PairingPath, Units
from framematch.cli.screen import heading, say, screen, table, warning
from framematch.guide.shown import signed

if TYPE_CHECKING:
    from rich.console import Console

    from framematch.geometry.pairing import Pairing
    from framematch.guide.report import Report

Sets = Annotated[int, typer.Option(help="Sets of lines, 1 to 4: the range is cut where they serve best.", metavar="N")]


def register(app: typer.Typer) -> None:
    """Add this task's commands."""
    app.command("init")(init)
    app.command("angles")(angles)
    app.command("guide")(guide)


def init(
    file: Annotated[Path, typer.Argument(help="File to write.", metavar="FILE")],
    force: Annotated[bool, typer.Option("--force", help="Replace a file that is there.")] = False,
) -> None:
    """Write a commented starter pairing to fill in."""
    from framematch.files.starter import STARTER

    write_new(file, STARTER, force=force)
    say(f"Wrote {file}. Fill in your rig, then: framematch guide {file}")


def angles(file: PairingPath, kit: Kit = None) -> None:
    """Angles of view of both cameras, the frame and the display."""
    from framematch.files.pairing import read_pairing
    from framematch.geometry.camera import equivalent_135_mm
    from framematch.guide.report import equivalent_words

    pairing = read_pairing(file, kit=kit)
    shown = table(pairing.title, "degrees", "horizontal", "vertical", "diagonal")
    names = {"recording": "recorded picture", "frame": "frame", "monitoring": "monitoring picture", "display": "display"}
    for key, found in pairing.angles.items():
        shown.add_row(names[key], *(f"{a:.1f}" if a == a else "dark" for a in (found.horizontal, found.vertical, found.diagonal)))
    console = screen()
    console.print(shown)
    frame = pairing.angles["frame"]
    console.print(
        f"Frame on the 135 still format (36 x 24 mm): {equivalent_words(pairing.equivalent_135_mm, digits=1)} by diagonal, "
        f"{equivalent_words(equivalent_135_mm(frame.horizontal, side_mm=36.0), digits=1)} by width."
    )
    for camera, misses in pairing.lens_fit_deg:
        parts = ", ".join(f"{name} {signed(miss, 2)}" for name, miss in misses)
        console.print(f"Lens of the {camera} camera from quoted angles; found less quoted, degrees: {parts}.")


def guide(
    file: PairingPath,
    out: Annotated[Path, typer.Option(help="Folder for overlay.png, overlay.svg and guide.json.", metavar="DIR")] = Path("."),
    near: Annotated[Optional[float], typer.Option(help="Nearest distance to serve, metres.", metavar="M")] = None,  # noqa: UP045
    far: Annotated[Optional[float], typer.Option(help="Farthest distance, metres or inf.", metavar="M")] = None,  # noqa: UP045
    at: Annotated[Optional[float], typer.Option("--distance", "--at", help="One distance only: the exact frame there.", metavar="M")] = None,  # noqa: UP045
    json: Json = None,
    draw: Annotated[
        str, typer.Option(help="What to draw: outline,rectangle,always,ever,cells,centre,label.", metavar="PARTS")
    ] = "outline,rectangle,centre,label",
    sets: Sets = 1,
    frames: Annotated[Optional[str], typer.Option(help="Frames to draw, by name, such as 2.39:1,9:16; all if left out.", metavar="NAMES")] = None,  # noqa: UP045
    marks: Annotated[Optional[str], typer.Option(help="Ticks where each side lies at these distances, such as 2,5,10.", metavar="M")] = None,  # noqa: UP045
    line_px: Annotated[Optional[float], typer.Option(help="Line width in display pixels.", metavar="PX")] = None,  # noqa: UP045
    units: Units = "metric",
    kit: Kit = None,
) -> None:
    """Work out a pairing's guide lines and write the overlay."""
    from framematch.errors import InputError
    from framematch.files.pairing import read_pairing
    from framematch.guide.report import guide_report
    from framematch.output.overlay import guide_json, overlay_files, write_files
    from framematch.text.whole import ensure_folder

    if at is not None and (near is not None or far is not None):
        raise InputError("goes without --near and --far", field="--distance", fix="give one distance or a range")
    pairing = read_pairing(file, kit=kit)
    if (near, far, at) != (None, None, None):
        pairing = pairing.with_range(near_m=at if at is not None else near, far_m=at if at is not None else far)
    shown, marked = _frames(frames, pairing), _distances(marks)
    ensure_folder(out)
    report = guide_report(pairing, sets=sets)
    parts = tuple(part.strip() for part in draw.split(",") if part.strip())
    written = write_files(out, overlay_files(report, parts=parts, line_px=line_px, frames=shown, marks_m=marked))
    write_out(json, lambda: guide_json(report))
    console = screen(stderr=json == "-")
    print_guide(console, report)
    console.print(f"Wrote {', '.join(path.name for path in written)} to {out}/", style="dim")


def print_guide(console: Console, report: Report) -> None:
    """The tables that a pilot acts on: for each set of lines and each frame, then what to know."""
    from framematch.guide.words import change_words

    width, height = report.pairing.display.raster_px
    heading(console, report.pairing.title, f"   display {width} x {height}, {_range(report.pairing)}")
    names = [frame.name for frame in report.pairing.frames]
    for number, one in enumerate(report.each_set, 1):
        for name, each in zip(names, one.each_frame, strict=True):
            parts = [f"set {number}, {_range(each.pairing)}"] if report.sets else []
            _print_lines(console, each, ", ".join([*parts, f"frame {name}"] if len(names) > 1 else parts))
    for line in change_words(report):
        console.print(line, highlight=False)
    for line in report.warnings:
        warning(console, line)


def _print_lines(console: Console, report: Report, what: str) -> None:
    """The figures of one guide."""
    from framematch.guide.report import insets_percent, insets_px
    from framematch.guide.shown import metres
    from framematch.guide.transfer import EDGES
    from framematch.guide.turning import turn_words

    pairing, found = report.pairing, report.guide
    width, height = pairing.display.raster_px
    if what:
        heading(console, what[:1].upper() + what[1:])
    insets = table("Rectangle: insets from the display's edges", "", *EDGES)
    pixels, percent = insets_px(found.rectangle, (width, height)), insets_percent(found.rectangle, (width, height))
    insets.add_row("pixels", *(f"{v:.0f}" for v in pixels))
    insets.add_row("percent", *(f"{v:.1f}" for v in percent))
    if pairing.tolerance.given:
        insets.add_row("rig tolerance, ± pixels", *(f"{v:.0f}" if v == v else "-" for v in report.band.px))
    console.print(insets)
    turning = ["while turning"] if report.turning is not None else []
    errors = table("Off by, percent of the frame (+ outside the frame, - inside)", "distance", *EDGES, "worst", *turning, words=0)
    for each in report.at:
        e = each.error
        mark = " set" if each.distance_m == found.set_distance_m and len(report.at) > 1 else ""
        turned = [] if each.error_turning is None else [f"{each.error_turning.worst:.1f}"]
        sides = (signed(v, 1) if v == v else "-" for v in (e.left, e.top, e.right, e.bottom))
        errors.add_row(metres(each.distance_m) + mark, *sides, f"{e.worst:.1f}", *turned)
    console.print(errors)
    console.print(
        f"Outline: exactly true at {metres(found.set_distance_m)}, off by up to {found.outline_worst_error_percent:.1f} % over the range; "
        f"rectangle: up to {found.rectangle_worst_error_percent:.1f} %.",
        highlight=False,
    )
    if report.cells is not None:
        c = report.cells
        console.print(
            f"Characters ({c.grid[0]} x {c.grid[1]}, counted from 1): columns {c.left_column} and {c.right_column}, "
            f"rows {c.top_row} and {c.bottom_row}; off by up to {c.worst_error_percent:.1f} %.",
            highlight=False,
        )
    if report.turning is not None:
        console.print(f"While turning ({turn_words(pairing)}): rows read one after another move a line by up to {report.turning.worst:.1f} %.", highlight=False)


def _frames(text: str | None, pairing: Pairing) -> list[int] | None:
    from framematch.errors import InputError

    if text is None:
        return None
    names = [frame.name for frame in pairing.frames]
    wanted = [part.strip() for part in text.split(",") if part.strip()]
    unknown = [name for name in wanted if name.casefold() not in [n.casefold() for n in names]]
    if unknown or not wanted:
        raise InputError(f"there is no frame {unknown[0] if unknown else text!r}", field="--frames", fix=f"choose from {', '.join(names)}")
    return [i for i, name in enumerate(names) if name.casefold() in [w.casefold() for w in wanted]]


def _distances(text: str | None) -> list[float]:
    from framematch.errors import InputError

    try:
        return [float(part) for part in (text or "").split(",") if part.strip()]
    except ValueError:
        raise InputError(f"{text!r} is not a list of distances", field="--marks", fix="write metres such as 2,5,10") from None


def _range(pairing: Pairing) -> str:
    from framematch.guide.shown import metres

    return f"at {metres(pairing.near_m)}" if pairing.near_m == pairing.far_m else f"{metres(pairing.near_m)} to {metres(pairing.far_m)}"
