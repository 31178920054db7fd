"""Commands for measuring: a chart to print, a lens and the mount from stills of it, a guide checked from any scene."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Optional

import typer
from typer.core import TyperCommand

from framematch.cli.figures import write_json
from framematch.cli.options import Json, Kit, Paper, Units
from framematch.cli.screen import heading, say, screen, table, warning
from framematch.guide.shown import signed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console
    from rich.table import Table

    from framematch.geometry.pairing import Pairing
    from framematch.measure.chart import Chart
    from framematch.measure.check import Checked
    from framematch.measure.figure import Figure
    from framematch.measure.finding import Looked
    from framematch.measure.lens import LensFit
    from framematch.measure.marks import FromMarks
    from framematch.measure.mount import MountFit

ChartName = Annotated[
    str,
    typer.Option("--chart", help="The chart's name, as printed on it (charuco-11x7-35mm, chessboard-10x7-23mm), or A3 and the like for ours.", metavar="CHART"),
]
BarMm = Annotated[Optional[float], typer.Option(help="Length of the chart's 100 mm bar as your ruler has it.", metavar="MM")]  # noqa: UP045
Out = Annotated[Path, typer.Option(help="Folder for the pictures and files written.", metavar="DIR")]
Write = Annotated[bool, typer.Option("--write", help="Write what was measured into the pairing file.")]
_MARKS = "Without a recording still: where the wall marks show in the monitoring still, x,y;... in the order of the wall sheet (- for one not seen), or find."
_DISTANCE = (
    "Metres to what is in the middle of the frame, or to a place x,y in the recorded still: 60@310,204; 2:60@310,204 in the second moment; "
    "inf for the horizon. Of something far, paced out is enough. With whole clips 12.5:60@310,204, at 12.5 s of the recorded one. With --marks: to the wall."
)
_TAKE = (
    "What --write takes over: some of aim, offset, focal, lens (centres and bending), tolerance; all but the offset if left out. "
    "From two clips: some of aim, tolerance, wander, keep; aim and tolerance if left out."
)
_STILLS = "PNG, JPEG or TIFF files, folders, 'patterns*', or video frames such as clip.mp4@12.5."


class _Several(TyperCommand):
    """A command whose options for stills and distances take several values: ``--recording r1.png r2.png``."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Repeat the option before each of its values."""
        out: list[str] = []
        several = ""
        for at, arg in enumerate(args):
            if arg.startswith("--") or (arg.startswith("-") and arg[1:2].isalpha()):
                several = arg if arg in ("--recording", "--monitoring", "--distance") else ""
            elif several and args[at - 1] != several and not arg.endswith(".toml"):
                out.append(several)
            out.append(arg)
        return super().parse_args(ctx, out)


def register(app: typer.Typer) -> None:
    """Add this task's commands."""
    group = typer.Typer(rich_markup_mode=None, help="Measure the rig from stills of a chart.", no_args_is_help=True)
    group.command("lens")(lens)
    group.command("mount", cls=_Several)(mount)
    app.command("chart")(chart)
    app.add_typer(group, name="measure")
    app.command("check", cls=_Several)(check)


def chart(
    out: Annotated[Path, typer.Option(help="PDF to write.", metavar="FILE")] = Path("chart.pdf"),
    paper: Annotated[str, typer.Option(help="A4, A3, A2, A1, Letter or Tabloid.", metavar="SIZE")] = "A3",
) -> None:
    """Write a calibration chart to print: squares with marks, and on page two a chessboard."""
    from framematch.output.chart_pdf import write_charts

    names = write_charts(out, paper=paper)
    say(f"Wrote {out}: {' and '.join(names)}. Print at 100 %, check the bar with a ruler, tape it flat on a board.")


def lens(
    stills: Annotated[list[str], typer.Argument(help=f"Stills of the chart: {_STILLS}", metavar="STILLS...")],
    chart: ChartName = "A3",
    out: Out = Path("."),
    sensor_width_mm: Annotated[Optional[float], typer.Option(help="Width of the area read out; angles do not depend on it.", metavar="MM")] = None,  # noqa: UP045
    squeeze: Annotated[Optional[float], typer.Option(help="Anamorphic squeeze; 1 for usual lenses.", metavar="N")] = None,  # noqa: UP045
    bar_mm: BarMm = None,
    pairing: Annotated[Optional[Path], typer.Option(help="Pairing file that the camera belongs to.", metavar="PAIRING")] = None,  # noqa: UP045
    camera: Annotated[str, typer.Option(help="Which of its cameras: recording or monitoring.", metavar="WHICH")] = "recording",
    write: Write = False,
    json: Json = None,
    kit: Kit = None,
) -> None:
    """Measure a camera's lens from stills of a chart; writes camera.toml and pictures of what was found."""
    from framematch.errors import InputError
    from framematch.files.pairing import read_pairing
    from framematch.measure.into_file import camera_file, changed_pairing, lens_changes
    from framematch.measure.job import measure_lens
    from framematch.measure.pictures import detections_picture, residual_picture, save_picture
    from framematch.measure.report import lens_json
    from framematch.text.whole import ensure_folder, write_text

    if camera not in ("recording", "monitoring"):
        raise InputError(f"{camera!r} is not a camera", field="--camera", fix="use recording or monitoring")
    if write and pairing is None:
        raise InputError("needs a pairing file to write to", field="--write", fix="add --pairing FILE")
    before = read_pairing(pairing, kit=kit) if pairing else None
    known = getattr(before, camera) if before else None
    board = _chart(chart, bar_mm)
    ensure_folder(out)
    console = screen(stderr=json == "-")
    looked = _look(console, stills, board, goggles=before if camera == "monitoring" else None)
    fit = measure_lens(looked, board, known=known, width_mm=sensor_width_mm, squeeze=squeeze)
    save_picture(detections_picture(looked), out / "detections.png")
    save_picture(residual_picture(fit.pixels, fit.residual_px, fit.camera.raster_px, title=f"Residuals of {fit.model.label}"), out / "residuals.png")
    write_text(out / "camera.toml", camera_file(fit, note=f"Measured from the chart {board.name}"))
    write_json(json, lambda: lens_json(fit), decimals=12)  # a coefficient may be small
    _print_lens(console, fit)
    if sensor_width_mm is None and known is None:
        console.print("Width of the area read out not given: the focal length is as on one 36 mm wide. Angles do not depend on it.", style="dim")
    console.print(f"Wrote camera.toml, detections.png and residuals.png to {out}/", style="dim")
    if write and pairing is not None and before is not None:
        write_text(pairing, changed_pairing(pairing, lens_changes(fit, camera, before), kit=kit))
        console.print(f"Wrote the {camera} camera to {pairing}.")


def mount(
    recording: Annotated[list[str], typer.Option(help=f"The recording camera's stills. {_STILLS}", metavar="STILLS")],
    monitoring: Annotated[list[str], typer.Option(help="The monitoring camera's stills of the same moments, in the same order.", metavar="STILLS")],
    chart: ChartName = "A3",
    pairing: Annotated[Optional[Path], typer.Argument(help="Pairing file of this rig.", metavar="[PAIRING]")] = None,  # noqa: UP045
    out: Out = Path("."),
    lenses: Annotated[str, typer.Option(help="measure: solve both lenses from these stills too; keep: take the pairing file's.")] = "measure",
    bar_mm: BarMm = None,
    write: Write = False,
    json: Json = None,
    kit: Kit = None,
) -> None:
    """Measure where the monitoring camera sits and points from same-moment pairs of stills of a chart."""
    from framematch.errors import InputError
    from framematch.files.pairing import read_pairing
    from framematch.measure.into_file import changed_pairing, mount_changes
    from framematch.measure.job import measure_mount
    from framematch.measure.mount import compare_offset
    from framematch.measure.pictures import detections_picture, residual_picture, save_picture
    from framematch.measure.report import mount_json
    from framematch.text.whole import ensure_folder, write_text

    if lenses not in ("measure", "keep"):
        raise InputError(f"{lenses!r} is not a choice", field="--lenses", fix="use measure or keep")
    if pairing is None and (write or lenses == "keep"):
        raise InputError("needs a pairing file", field="--write" if write else "--lenses", fix="name the pairing file first")
    before = read_pairing(pairing, kit=kit) if pairing else None
    board = _chart(chart, bar_mm)
    ensure_folder(out)
    console = screen(stderr=json == "-")
    sides = [_look(console, names, board, goggles=goggles) for names, goggles in ((recording, None), (monitoring, before))]
    measured = measure_mount(sides[0], sides[1], board, before=before, lenses=lenses)
    fit = measured.fit
    for index, (name, side) in enumerate(zip(("recording", "monitoring"), sides, strict=True)):
        save_picture(detections_picture(side), out / f"{name}-detections.png")
        mine = fit.corners.camera == index
        title = f"Residuals in the {name} stills, lenses and mount"
        save_picture(
            residual_picture(fit.corners.pixels[mine], fit.residual_px[mine], fit.cameras[index].raster_px, title=title), out / f"{name}-residuals.png"
        )
    write_json(json, lambda: mount_json(fit, measured.lenses), decimals=12)
    if measured.lenses is not None:
        for name, each in zip(("Recording", "Monitoring"), measured.lenses, strict=True):
            heading(console, f"{name} camera")
            _print_lens(console, each)
    _print_mount(console, fit)
    if before is not None:
        for line in compare_offset(fit, before.mount, before.tolerance.offset_mm):
            warning(console, line)
    console.print(f"Wrote detections and residuals of both cameras to {out}/", style="dim")
    if write and pairing is not None and before is not None:
        values = mount_changes(fit, before, measured.lenses)
        write_text(pairing, changed_pairing(pairing, values, kit=kit))
        console.print(f"Wrote the mount{' and both lenses' if lenses == 'measure' else ''} to {pairing}.")


def check(
    pairing: Annotated[Path, typer.Argument(help="Pairing file (TOML).", metavar="PAIRING")],
    recording: Annotated[
        list[str] | None,
        typer.Option(help="The recording camera's still of any scene, several for several moments, or its whole clip.", metavar="STILL..."),
    ] = None,
    monitoring: Annotated[
        list[str] | None,
        typer.Option(help="The monitoring camera's, of the same moments in the same order, or its whole clip.", metavar="STILL..."),
    ] = None,
    distance: Annotated[Optional[list[str]], typer.Option(help=_DISTANCE, metavar="M[@X,Y]...")] = None,  # noqa: UP045
    marks: Annotated[Optional[str], typer.Option(help=_MARKS, metavar="X,Y;...")] = None,  # noqa: UP045
    out: Out = Path("."),
    write: Annotated[Optional[Path], typer.Option("--write", help="Write the corrected pairing to this file.", metavar="FILE")] = None,  # noqa: UP045
    take: Annotated[Optional[str], typer.Option(help=_TAKE)] = None,  # noqa: UP045
    film: Annotated[Optional[Path], typer.Option(help="From two clips: film of both side by side to write (.mp4 or .gif).", metavar="FILE")] = None,  # noqa: UP045
    json: Json = None,
    paper: Paper = "A4",
    units: Units = "metric",
    kit: Kit = None,
) -> None:
    """Check a guide from stills of any scene, one pair or several, or from two whole clips of one flight, and find the aim that corrects it."""
    from framematch.cli.clips import check_two_clips, is_clip
    from framematch.errors import InputError
    from framematch.files.pairing import read_pairing
    from framematch.measure.check import check_moments
    from framematch.measure.into_file import aim_values, changed_pairing
    from framematch.measure.known import parse_typed
    from framematch.measure.laid_in import before_after_picture
    from framematch.measure.pictures import save_picture
    from framematch.measure.report import check_json, marks_json
    from framematch.measure.stills import named_stills, read_still
    from framematch.measure.take import USUAL, parse_names, taken
    from framematch.text.whole import ensure_folder, write_text

    if recording and monitoring and len(recording) == len(monitoring) == 1 and is_clip(recording[0]) and is_clip(monitoring[0]):
        if json is not None:
            raise InputError("goes with stills, not with whole clips", field="--json", fix="leave it out, or give frames such as clip.mp4@12.5")
        check_two_clips(pairing, (recording[0], monitoring[0]), distance=distance, out=out, film=film, write=write, take=take, paper=paper, kit=kit)
        return
    if film is not None:
        raise InputError("needs two whole clips", field="--film", fix="give a video of each camera, without a time behind an @")
    before = read_pairing(pairing, kit=kit)
    names = parse_names(take or ",".join(USUAL))
    if not monitoring or not (recording or marks is not None):
        raise InputError("needs stills", field="--monitoring", fix="give --recording and --monitoring, or --monitoring with --marks and --distance")
    console = screen(stderr=json == "-")
    sides = [named_stills(each or ()) for each in (recording, monitoring)]
    if not recording:
        found, wall_m = _check_marks(console, before, sides[1][0], marks or "", distance)
        write_json(json, lambda: marks_json(found, wall_m))
        if write is not None:
            write_text(write, changed_pairing(pairing, aim_values(found.mount), kit=kit))
            console.print(f"Wrote the corrected aim to {write}.")
        return
    if len(sides[0]) != len(sides[1]):
        counts = f"{len(sides[0])} recording stills and {len(sides[1])} monitoring stills"
        raise InputError(counts, field="--monitoring", fix="give one of each for each moment")
    typed = [parse_typed(each, moments=len(sides[0])) for each in distance or ()]
    ensure_folder(out)
    pairs = [(read_still(a, colour=True), read_still(b, colour=True)) for a, b in zip(*sides, strict=True)]
    checked = check_moments(before, pairs, typed=typed)
    save_picture(before_after_picture(checked, *pairs[0]), out / "check.png")
    write_json(json, lambda: check_json(checked))
    _print_check(console, checked)
    console.print(f"Wrote check.png to {out}/", style="dim")
    if write is not None:
        change = taken(checked, names)
        write_text(write, changed_pairing(pairing, change.values, kit=kit))
        console.print(f"Wrote {', '.join(names)} to {write}.")
        if change.left_percent > 0.1:
            warning(console, f"without the rest that the stills show, its guide is off by up to {change.left_percent:.1f} % of the frame more")


def _check_marks(console: Console, before: Pairing, monitoring: str, marks: str, distance: list[str] | None) -> tuple[FromMarks, float]:
    from framematch.errors import InputError
    from framematch.guide.shown import metres
    from framematch.measure.goggles import places_undone, undone
    from framematch.measure.marks import aim_from_marks, find_marks
    from framematch.measure.stills import read_still
    from framematch.text import typed

    if not distance:
        raise InputError("is needed with wall marks", field="--distance", fix="give the metres from the recording lens to the wall")
    try:
        wall_m = float(distance[0])
    except ValueError:
        wall_m = math.nan
    if len(distance) > 1 or not 0.2 <= wall_m <= 1000:
        raise InputError(f"{' '.join(distance)} is not a wall's distance", field="--distance", fix="give metres, 0.2 to 1000")
    taken = read_still(monitoring)
    still = undone(taken, before)
    places = find_marks(before, still, wall_m) if marks.strip() == "find" else places_undone(typed.places(marks, "--marks"), taken, before)
    found = aim_from_marks(before, still, places, wall_m)
    console.print(f"The guide is off by up to {found.off_percent:.1f} % of the frame at {metres(wall_m)}; the aim by {found.turned_deg:.2f} degrees.")
    for figure in found.figures:
        console.print(f"  {figure.name.split('_')[0]:5} {signed(figure.value, 3)} ± {figure.half_95:.3f} degrees")
    for line in found.warnings:
        warning(console, line)
    return found, wall_m


def _print_check(console: Console, checked: Checked) -> None:
    from framematch.guide.shown import metres
    from framematch.measure.check import verdict

    console.print(f"{checked.agreed} details agree, typically at {metres(checked.distance_m)}.")
    now = table("How far the present guide is off", "distance", "percent of the frame", words=0)
    for distance, off in checked.off_percent:
        now.add_row(metres(distance), f"{off:.2f}" if off == off else "-")
    console.print(now)
    console.print(f"The aim is off by {checked.turned_deg:.2f} degrees. {verdict(checked)}", highlight=False)
    shown = table("Mount that the stills show", "figure", "in the file", "in the stills", "± (95 %)")
    for figure in checked.figures:
        shown.add_row(figure.name.replace("_", " "), f"{getattr(checked.before.mount, figure.name):.2f}", f"{figure.value:.2f}", f"{figure.half_95:.2f}")
    console.print(shown)
    lenses = table("Lenses, against the file", "figure", "in the stills", "± (95 %)")
    for figure in checked.lens_figures:
        if figure.half_95 > 1e-4:
            lenses.add_row(figure.name.replace("_", " "), signed(figure.value, 2), f"{figure.half_95:.2f}")
    console.print(lenses)
    console.print("Aim, centres and bending were solved together: the guide is known better than each of them.", style="dim")
    for line in checked.warnings:
        warning(console, line)
    if checked.advice:
        console.print(f"Next: {checked.advice}.")
    console.print("A rig that only turned between the two stills looks the same as another aim: take both at one moment.", style="dim")


def _chart(name: str, bar_mm: float | None) -> Chart:
    from framematch.measure.chart import parse_chart

    found = parse_chart(name)
    return found if bar_mm is None else found.printed_at(bar_mm / 100)


def _look(console: Console, names: list[str], board: Chart, *, goggles: Pairing | None) -> list[Looked]:
    from framematch.measure.finding import look_for_chart

    def told(each: Looked) -> None:
        name = Path(each.name).name
        if each.found is None:
            warning(console, f"{name}: {each.reason}")
        else:
            console.print(f"  {name}: {len(each.found.ids)} corners", style="dim")

    return look_for_chart(names, board, told=told, goggles=goggles)


def _print_lens(console: Console, fit: LensFit) -> None:
    shown = _figures(f"{fit.model.label}; {len(fit.used)} stills, RMS {fit.rms_px:.3f} px", fit.figures, value=".6g", half=".2g")
    for name in ("horizontal", "vertical", "diagonal"):
        value, half = getattr(fit.angles, name), getattr(fit.angles_95, name)
        shown.add_row(f"{name} angle of view, degrees", f"{value:.2f}" if value == value else "dark", f"{half:.2g}" if half == half else "-")
    console.print(shown)
    console.print(
        "Tried: " + "; ".join(f"{t.model.label} {t.rms_px:.3f} px{'' if t.covers else ' (folds inside the picture)'}" for t in fit.tried), style="dim"
    )
    for name, reason in fit.left_out:
        warning(console, f"left out {Path(name).name}: {reason}")
    for line in fit.warnings:
        warning(console, line)
    for line in fit.advice:
        console.print(f"Next: {line}.")


def _print_mount(console: Console, fit: MountFit) -> None:
    console.print(_figures(f"Mount; {len(fit.used)} pairs, RMS {fit.rms_px[0]:.3f} and {fit.rms_px[1]:.3f} px", fit.figures, value=".3f", half=".3f"))
    for name, reason in fit.left_out:
        warning(console, f"left out {name}: {reason}")
    for line in fit.warnings:
        warning(console, line)


def _figures(title: str, figures: Sequence[Figure], *, value: str, half: str) -> Table:
    shown = table(title, "figure", "measured", "± (95 %)")
    for each in figures:
        shown.add_row(each.name.replace("_", " "), f"{each.value:{value}}", f"{each.half_95:{half}}")
    return shown
