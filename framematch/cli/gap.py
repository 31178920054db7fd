"""Commands for a gap: lenses side by side."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Optional

import typer

from framematch.cli.screen import heading, say, screen, table
from framematch.cli.shot import GapAt, GapHeading, GapSize, Kit, Scale, Shape, Sill, Speed, Tilt, Up, shot_asked

if TYPE_CHECKING:
    from rich.console import Console

    from framematch.compare.report import TextTable
    from framematch.output.lens_sheet import View


def register(app: typer.Typer) -> None:
    """Add this task's commands."""
    app.command("lenses")(lenses)


def lenses(
    file: Annotated[Path, typer.Argument(help="Pairing file (TOML); may carry the shot's tables too.", metavar="PAIRING")],
    focal: Annotated[str, typer.Option(help="Focal lengths to compare, mm: 12,15,18,25.", metavar="MM,MM")] = "",
    lens: Annotated[Optional[list[Path]], typer.Option(help="File of a lens with its own distortion; again for more.", metavar="FILE")] = None,  # noqa: UP045
    shot: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option("--shot", "--gap-file", help="File with the shot's tables: place, gap, run, aircraft, subject, lens and second.", metavar="FILE"),
    ] = None,
    gap: GapSize = None,
    shape: Shape = None,
    sill: Sill = None,
    gap_at: GapAt = None,
    gap_heading: GapHeading = None,
    speed: Speed = None,
    tilt: Tilt = None,
    at: Annotated[str, typer.Option("--distance", "--at", help="Distances before the gap, metres: 10,5,2.", metavar="M,M")] = "",
    want_fill: Annotated[str, typer.Option(help="Which focal length fills so much of the frame: 40@2 (percent @ metres).", metavar="P@M")] = "",
    want_subject: Annotated[
        str, typer.Option(help="Which focal length gives the first subject so much of the height: 50@5; or where, per lens: 50.", metavar="P[@M]")
    ] = "",
    want_edges_until: Annotated[Optional[float], typer.Option(help="Longest lens that keeps all edges until there.", metavar="M")] = None,  # noqa: UP045
    want_sharp_from: Annotated[Optional[float], typer.Option(help="Stop that puts each lens's near limit there.", metavar="M")] = None,  # noqa: UP045
    json: Annotated[Optional[str], typer.Option(help="Write the figures to this file; - prints them.", metavar="FILE")] = None,  # noqa: UP045
    csv: Annotated[Optional[str], typer.Option(help="Write a spreadsheet's lines to this file; - prints them.", metavar="FILE")] = None,  # noqa: UP045
    out: Annotated[Optional[Path], typer.Option(help="Comparison sheet to write, .pdf or .png.", metavar="FILE")] = None,  # noqa: UP045
    scene: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(help="Scene of the sheet's views by name, a mesh file of one's own, or `drawn` for plain ones.", metavar="NAME|FILE"),
    ] = None,
    scale: Scale = None,
    up: Up = None,
    phone: Annotated[bool, typer.Option("--phone", help="Lay the sheet out for a phone: one narrow column.")] = False,
    no_guide: Annotated[bool, typer.Option("--no-guide", help="Leave out the goggles' guide with each lens (faster).")] = False,
    starter: Annotated[Optional[Path], typer.Option(help="Write a commented file of the gap's tables to fill in, and stop.", metavar="FILE")] = None,  # noqa: UP045
    paper: Annotated[str, typer.Option(help="A4, Letter or A3.", metavar="SIZE")] = "A4",
    kit: Kit = None,
) -> None:
    """Put lenses side by side for a gap, a run and an aircraft."""
    from framematch.cli.figures import numbers, percent_at
    from framematch.compare import candidate_of, compare
    from framematch.compare.report import comparison_csv, comparison_json, plain_lines, safety_lines, text_tables
    from framematch.compare.wished import Wishes, answers
    from framematch.errors import InputError
    from framematch.files.pairing import read_pairing
    from framematch.files.shot import parse_lens
    from framematch.text.whole import read_text, write_text

    if starter is not None:
        from framematch.files.starter import STARTER_PLAN

        if starter.exists():
            raise InputError("is there already", field="--starter", file=str(starter), fix="choose another name")
        write_text(starter, STARTER_PLAN)
        say(f"Wrote {starter}. Fill in the gap, then: framematch lenses {file} --shot {starter} --focal 12,15,18,25")
        return
    if json == "-" and csv == "-":
        raise InputError("only one of --json and --csv can be printed", field="--csv", fix="name a file for the other")
    pairing = read_pairing(file, kit=kit)
    drawn = scene == "drawn"
    asked_for = shot_asked(
        pairing,
        shot or file,
        scene=None if drawn else scene,
        scale=scale,
        up=up,
        gap={"size_m": gap, "shape": shape, "sill_m": sill, "middle_m": gap_at, "heading_deg": gap_heading},
        run={"speed_m_s": speed, "tilt_deg": tilt, "distances_m": numbers(at, "--distance") or None},
        named=True,
    )
    candidates = (
        *(candidate_of(pairing, f) for f in numbers(focal, "--focal")),
        *(parse_lens(pairing, read_text(path), name=str(path)) for path in lens or []),
    )
    found = compare(pairing, asked_for, candidates, guide=not no_guide)
    wishes = Wishes(
        fill=percent_at(want_fill, "--want-fill"),
        subject=percent_at(want_subject, "--want-subject", distance_needed=False),
        edges_until_m=want_edges_until,
        sharp_from_m=want_sharp_from,
    )
    asked = [answer.says for answer in answers(found, wishes)]
    if out is not None:
        from framematch.output.lens_sheet import write_sheet

        write_sheet(out, found, phone=phone, asked=tuple(asked), view=_view(drawn=drawn), paper=paper)
    text = {"json": lambda: _dumps({**comparison_json(found), "answers": asked}), "csv": lambda: comparison_csv(found)}
    for kind, target in (("json", json), ("csv", csv)):
        if target == "-":
            sys.stdout.write(text[kind]())
        elif target is not None:
            write_text(Path(target), text[kind]())
    opening = asked_for.opening
    console = screen(stderr="-" in (json, csv))
    heading(console, pairing.title, f"   gap {opening.width_m:g} x {opening.height_m:g} m, {asked_for.run.speed_m_s:g} m/s")
    for each in text_tables(found):
        _print(console, each)
    for line in (*asked, *plain_lines(found), *safety_lines(found)):
        console.print(line)
    if out is not None:
        console.print(f"Wrote {out}", style="dim")


def _view(*, drawn: bool) -> View:
    from framematch.errors import InputError

    if drawn:
        from framematch.output.lens_sheet import drawn_view

        return drawn_view
    try:
        from framematch.render.lens_view import lens_view
    except ImportError:
        raise InputError("rendered views are not installed", field="--scene", fix="use --scene drawn, or install framematch[views]") from None
    return lens_view()


def _print(console: Console, each: TextTable) -> None:
    shown = table(each.title, *each.headings, words=each.keys, note=each.note, fold=True)
    for row in each.rows_to_print:
        shown.add_row(*row)
    console.print(shown)


def _dumps(data: dict[str, Any]) -> str:
    import json

    return json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
