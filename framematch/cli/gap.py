"""Commands for a gap: lenses side by side."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from framematch.cli.figures import one_printed, write_json, write_new, write_out
from framematch.cli.options import Csv, Json, Kit, Paper, SheetOut, ShotPairing, Starter, Units
from framematch.cli.screen import heading, print_tables, say, screen
from framematch.cli.shot import ShotOptions, Speed, with_shot_options

if TYPE_CHECKING:
    from framematch.output.lens_sheet import View


def register(app: typer.Typer) -> None:
    """Add this task's commands."""
    app.command("lenses")(lenses)


@with_shot_options
def lenses(
    file: ShotPairing,
    options: ShotOptions,
    focal: Annotated[str, typer.Option(help="Focal lengths to compare, mm: 12,15,18,25.", metavar="MM,MM")] = "",
    lens: Annotated[Optional[list[Path]], typer.Option(help="File of a lens with its own distortion; again for more.", metavar="FILE")] = None,  # noqa: UP045
    speed: Speed = None,
    at: Annotated[str, typer.Option("--distance", "--at", help="Distances before the gap, metres: 10,5,2.", metavar="M,M")] = "",
    want_fill: Annotated[str, typer.Option(help="Which focal length fills so much of the frame: 40@2 (percent @ metres).", metavar="P@M")] = "",
    want_subject: Annotated[
        str, typer.Option(help="Which focal length gives the first subject so much of the height: 50@5; or where, per lens: 50.", metavar="P[@M]")
    ] = "",
    want_edges_until: Annotated[Optional[float], typer.Option(help="Longest lens that keeps all edges until there.", metavar="M")] = None,  # noqa: UP045
    want_sharp_from: Annotated[Optional[float], typer.Option(help="Stop that puts each lens's near limit there.", metavar="M")] = None,  # noqa: UP045
    json: Json = None,
    csv: Csv = None,
    out: SheetOut = None,
    phone: Annotated[bool, typer.Option("--phone", help="Lay the sheet out for a phone: one narrow column.")] = False,
    no_guide: Annotated[bool, typer.Option("--no-guide", help="Leave out the goggles' guide with each lens (faster).")] = False,
    starter: Starter = None,
    paper: Paper = "A4",
    units: Units = "metric",
    kit: Kit = None,
) -> None:
    """Put lenses side by side for a gap, a run and an aircraft."""
    from framematch.cli.figures import numbers, percent_at
    from framematch.compare import candidate_of, compare
    from framematch.compare.report import comparison_csv, comparison_json, plain_lines, safety_lines, text_tables
    from framematch.compare.wished import Wishes, answers
    from framematch.files.pairing import read_pairing
    from framematch.files.shot import parse_lens
    from framematch.guide.shown import amount, quantity
    from framematch.text.whole import read_text

    if starter is not None:
        from framematch.files.starter import STARTER_PLAN

        write_new(starter, STARTER_PLAN, field="--starter")
        say(f"Wrote {starter}. Fill in the gap, then: framematch lenses {file} --shot {starter} --focal 12,15,18,25")
        return
    printed = one_printed(json, csv)
    pairing = read_pairing(file, kit=kit)
    drawn = options.scene == "drawn"
    told = replace(options, scene=None) if drawn else options
    asked_for = told.asked(pairing, file, named=True, speed_m_s=speed, distances_m=numbers(at, "--distance") or None)
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
    write_json(json, lambda: {**comparison_json(found), "answers": asked})
    write_out(csv, lambda: comparison_csv(found))
    opening = asked_for.opening
    console = screen(stderr=printed)
    wide, tall = amount(opening.width_m, "m"), quantity(opening.height_m, "m", ".3g")
    heading(console, pairing.title, f"   gap {wide:.3g} x {tall}, {quantity(asked_for.run.speed_m_s, 'm/s', '.3g')}")
    print_tables(console, text_tables(found))
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
