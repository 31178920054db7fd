"""Commands for paper and exchange: sheets, overlay sets, wall marks, framing files, lens maps, OpenCV cameras."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from framematch.cli.figures import write_json
from framematch.cli.options import Json, Kit, PairingPath, Paper, Scheduler, Units
from framematch.cli.screen import progress, say, screen, table
from framematch.guide.shown import signed
from framematch.text import typed

if TYPE_CHECKING:
    from framematch.geometry.pairing import Pairing

PairingPaths = Annotated[list[Path], typer.Argument(help="Pairing files (TOML).", metavar="PAIRING...")]
DisplayMm = Annotated[Optional[str], typer.Option(help="Also draw the guide at true scale for a picture of this size, such as 152x86.", metavar="WxH")]  # noqa: UP045
Wall = Annotated[Optional[float], typer.Option(help="Also give wall marks for a wall at this distance, metres.", metavar="M")]  # noqa: UP045
Folder = Annotated[Path, typer.Option(help="Folder to write to.", metavar="DIR")]


def register(app: typer.Typer) -> None:
    """Add this task's commands."""
    app.command("sheet", short_help="Sheets to print, one page for each pairing.")(sheet)
    app.command("set", short_help="Overlays, figures and sheets for every pairing of a folder.")(overlay_set)
    app.command("pocket", short_help="Guides of pairings or of a kit as one file for phones.")(pocket)
    app.command("kit", short_help="Every pairing of a kit as a file of its own.")(kit_files)
    app.command("wall", short_help="Tape the frame on a wall; what a miss says about the mount.")(wall)
    app.command("fdl", short_help="The recorded frame as an ASC FDL 2.0 file, or from one.")(fdl)
    app.command("lens-map")(lens_map)
    app.command("opencv")(opencv)


def sheet(
    files: PairingPaths,
    out: Annotated[Path, typer.Option(help="PDF to write.", metavar="FILE")],
    paper: Paper = "A4",
    display_mm: DisplayMm = None,
    wall: Wall = None,
    sets: Annotated[int, typer.Option(help="Sets of lines, 1 to 4; a page says when to change.", metavar="N")] = 1,
    units: Units = "metric",
    kit: Kit = None,
) -> None:
    """Print sheets: a page per pairing and frame, true-scale and wall-mark pages where asked for."""
    from framematch.files.pairing import read_pairing
    from framematch.guide.report import guide_report
    from framematch.output.sheet import write_sheets

    size = typed.size(display_mm, "--display-mm", "152x86") if display_mm else None
    reports = [guide_report(read_pairing(file, kit=kit), sets=sets) for file in files]
    pages, missing = write_sheets(out, reports, paper=paper, display_mm=size, wall_m=wall)
    say(f"Wrote {out}: {pages} page{'s' if pages != 1 else ''}. Print at 100 % (actual size).")
    _say_missing(missing)


def pocket(
    files: Annotated[list[Path], typer.Argument(help="Pairing files or kit files (TOML).", metavar="FILE...")],
    out: Annotated[Path, typer.Option(help="HTML file to write.", metavar="FILE")],
    sets: Annotated[int, typer.Option(help="Sets of lines, 1 to 4.", metavar="N")] = 1,
    units: Units = "metric",
    kit: Kit = None,
) -> None:
    """The pocket file: guides, insets and characters as one HTML file without script that a phone opens without a network."""
    from framematch.files.kit import is_kit, read_kit
    from framematch.files.pairing import read_pairing
    from framematch.guide.report import guide_report
    from framematch.output.pocket import write_pocket
    from framematch.text.whole import read_text

    pairings: list[Pairing] = []
    for file in files:
        pairings += [each.pairing for each in read_kit(file).pairings if each.pairing is not None] if is_kit(read_text(file)) else [read_pairing(file, kit=kit)]
    write_pocket(out, [guide_report(each, sets=sets) for each in pairings])
    say(f"Wrote {out}: {len(pairings)} pairing{'s' if len(pairings) != 1 else ''}. Send it to the phones.")


def kit_files(
    file: Annotated[Path, typer.Argument(help="Kit file (TOML).", metavar="KIT")],
    out: Folder,
) -> None:
    """Every pairing of a kit as a file of its own: bodies x lenses x goggles, each written once in the kit."""
    from framematch.files.kit import read_kit
    from framematch.output.overlay import write_files
    from framematch.text.whole import plain_name

    found = read_kit(file).pairings
    write_files(out, {f"{i:02d}-{plain_name(each.title)}.toml": each.text.encode() for i, each in enumerate(found, 1) if each.text})
    for each in found:
        if each.fault:
            say(f"Left out: {each.fault}")
    say(f"Wrote {sum(bool(each.text) for each in found)} pairings to {out}/.")


def overlay_set(
    folder: Annotated[Path, typer.Argument(help="Folder of pairing files.", metavar="FOLDER")],
    out: Folder,
    size: Annotated[Optional[list[str]], typer.Option(help="Display size in pixels; may be given several times.", metavar="WxH")] = None,  # noqa: UP045
    draw: Annotated[
        str, typer.Option(help="What to draw: outline,rectangle,always,ever,cells,centre,label.", metavar="PARTS")
    ] = "outline,rectangle,centre,label",
    paper: Paper = "A4",
    display_mm: DisplayMm = None,
    wall: Wall = None,
    sets: Annotated[int, typer.Option(help="Sets of lines for each pairing, 1 to 4.", metavar="N")] = 1,
    jobs: Annotated[int, typer.Option(help="How many at once; -1 for every core.", metavar="N")] = -1,
    scheduler: Scheduler = None,
    units: Units = "metric",
    kit: Kit = None,
) -> None:
    """Overlays, figures and sheets for every pairing of a folder; a rerun redoes only what changed."""
    from framematch.output.overlay_set import Made, SetOptions, make_set

    options = SetOptions(
        sizes_px=tuple((int(w), int(h)) for w, h in (typed.size(each, "--size", "1280x720") for each in size or ())),
        parts=tuple(part.strip() for part in draw.split(",") if part.strip()),
        paper=paper,
        display_mm=typed.size(display_mm, "--display-mm", "152x86") if display_mm else None,
        wall_m=wall,
        sets=sets,
        units=units,
    )
    with progress() as bar:
        task = bar.add_task("pairings", total=None)

        def advance(made: Made, count: int) -> None:
            bar.update(task, total=count, advance=1)
            if made.problem:
                bar.console.print(made.problem, style="red")

        made = make_set(folder, out, options, kit=kit, jobs=jobs, scheduler=scheduler, progress=advance)
    bad = sum(bool(each.problem) for each in made)
    kept = sum(each.kept for each in made)
    say(f"{len(made) - bad - kept} made, {kept} kept as they were, {bad} with a problem: {out}/sheets.pdf, index.csv, index.json")
    _say_missing({c for each in made for c in each.missing})
    if bad:
        raise typer.Exit(2)


def wall(
    file: PairingPath,
    at: Annotated[float, typer.Option("--distance", "--at", help="Distance of the wall from the recording lens's entrance pupil, metres.", metavar="M")] = 2.0,
    seen: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(help='Where the marks show, in the order printed: "x,y x,y x,y x,y x,y" in display pixels; - for one not seen.', metavar='"X,Y ..."'),
    ] = None,
    json: Json = None,
    units: Units = "metric",
    kit: Kit = None,
) -> None:
    """Where to tape the frame on a wall, where that must show, and what a miss says about the mount."""
    from framematch.files.pairing import read_pairing
    from framematch.guide.shown import metres, millimetres, quantity
    from framematch.guide.wall_marks import aim_off_by, correction_table, off_by, readings, tape_lengths_mm, wall_json, wall_marks
    from framematch.output.wall_sheet import PART_WORDS

    pairing = read_pairing(file, kit=kit)
    marks = wall_marks(pairing, at)
    causes = correction_table(pairing, at)
    places = None if seen is None else [place or (math.nan, math.nan) for place in typed.places(seen, "--seen", count=len(marks))]
    found = None if places is None else off_by(causes, readings(marks, places))
    aim = None if places is None else aim_off_by(pairing, at, places)
    write_json(json, lambda: wall_json(pairing, at, marks, causes, found, aim))
    console = screen(stderr=json == "-")
    listed = table(f"Wall marks at {metres(at)}, from the point A straight ahead of the recording lens", "mark", "right", "up", "shows at, px")
    for m in marks:
        shown = f"{m.display_px[0]:.0f}, {m.display_px[1]:.0f}" if m.shown else "not on the display"
        listed.add_row(m.name, millimetres(m.right_mm), millimetres(m.up_mm), shown)
    console.print(listed)
    lengths = tape_lengths_mm(marks)
    console.print(f"Diagonals: {millimetres(lengths['diagonal down'])} and {millimetres(lengths['diagonal up'])}.")
    if found is None or aim is None:
        worth = ", ".join(f"{c.part.partition('_')[0]} {quantity(abs(c.per_px), PART_WORDS[c.part][2], '.2g')}" for c in causes)
        console.print(f"One pixel is worth: {worth}. Give --seen to have the mount's error worked out.")
        return
    console.print(f"Aim, all marks at once: off by pan {signed(aim.pan_deg, 2)}, tilt {signed(aim.tilt_deg, 2)}, roll {signed(aim.roll_deg, 2)} degrees.")
    alone = table("Or each alone, from the table", "the monitoring camera is", "by", words=2)
    for cause in causes:
        plus, minus, unit = PART_WORDS[cause.part]
        value = found[cause.part]
        if abs(value) > 0.5 * abs(cause.per_px):  # less than half a pixel can't be read off a screen
            alone.add_row(plus if value > 0 else minus, f"{abs(value):.2f} deg" if unit == "deg" else millimetres(abs(value)))
    if not alone.row_count:
        console.print("All marks show where they should, to half a pixel.")
        return
    console.print(alone)


def fdl(
    file: PairingPath,
    out: Annotated[Optional[Path], typer.Option(help="FDL file to write.", metavar="FILE")] = None,  # noqa: UP045
    frame: Annotated[Optional[Path], typer.Option(help="Take the frames from this FDL file first.", metavar="FILE")] = None,  # noqa: UP045
    label: Annotated[str, typer.Option(help='Which framings to take: a label, a camera, "camera / label", or a number such as #2.', metavar="LABEL")] = "",
    kit: Kit = None,
) -> None:
    """The recorded frames as an ASC FDL 2.0 file, or a look at those that such a file gives."""
    from framematch.files.fdl import fitting, framed, framed_all, intent_aspect, read_framings, write_fdl
    from framematch.files.pairing import read_pairing
    from framematch.geometry.pairing import ratio_words

    pairing = read_pairing(file, kit=kit)
    if frame is not None:
        framings = read_framings(frame)
        found = fitting(framings, pairing, wanted=label, name=str(frame))
        pairing = framed_all(pairing, found, name=str(frame)) if len(found) > 1 else framed(pairing, found[0], name=str(frame))
    for i, each in enumerate(pairing.frames):
        f, (wide, high), named = each.area, intent_aspect(pairing.alone(i)), f" {each.name}" if pairing.others else ""
        shape = f"{wide}:{high}" if wide < 30 else ratio_words(wide / high)
        say(f"Frame{named} {f.width:.1f} x {f.height:.1f} px at {f.left:.1f}, {f.top:.1f}; {shape}; stabiliser keeps {each.keep_percent:g} %.")
    if out is not None:
        write_fdl(out, pairing)
        say(f"Wrote {out}")


def lens_map(
    file: PairingPath,
    out: Folder = Path("."),
    picture: Annotated[str, typer.Option(help="display or recording.", metavar="WHICH")] = "display",
    kind: Annotated[str, typer.Option("--format", help="tiff or exr, 32-bit float.", metavar="KIND")] = "tiff",
    angle: Annotated[Optional[float], typer.Option(help="Horizontal angle of the undistorted picture, degrees.", metavar="DEG")] = None,  # noqa: UP045
    top_left: Annotated[bool, typer.Option("--top-left", help="Count T from the top edge; from the bottom edge if left out.")] = False,
    kit: Kit = None,
) -> None:
    """Lens maps (ST maps) that undistort a picture, or distort one."""
    from framematch.files.pairing import read_pairing
    from framematch.output.lens_map import write_maps
    from framematch.text.whole import ensure_folder

    pairing = read_pairing(file, kit=kit)
    ensure_folder(out)
    _wrote(write_maps(out, pairing, which=picture, kind=kind, angle_deg=angle, top_left=top_left))


def opencv(file: PairingPath, out: Folder = Path("."), kit: Kit = None) -> None:
    """Both cameras, the display and the mount as OpenCV YAML."""
    from framematch.files.pairing import read_pairing
    from framematch.output.opencv_yaml import write_cameras
    from framematch.text.whole import ensure_folder

    pairing: Pairing = read_pairing(file, kit=kit)
    ensure_folder(out)
    _wrote(write_cameras(out, pairing))


def _wrote(paths: list[Path]) -> None:
    for path in paths:
        say(f"Wrote {path}")


def _say_missing(missing: set[str]) -> None:
    if missing:
        named = ", ".join(f"U+{ord(c):04X}" for c in sorted(missing))
        say(f"Printed as [?]: {named}. No font on this computer has them, or their script needs shaping.", stderr=True)
