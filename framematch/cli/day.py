"""Commands for the flight day: a starter day file, the day's card."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from framematch.cli.figures import write_json, write_new
from framematch.cli.guide import Sets
from framematch.cli.options import Json, Kit, Paper
from framematch.cli.screen import alarm, heading, say, screen, warning

if TYPE_CHECKING:
    from framematch.day import DayPlan

DayPath = Annotated[Path, typer.Argument(help="Day file, or a pairing file alone (TOML).", metavar="PAIRING|DAYFILE")]


def register(app: typer.Typer) -> None:
    """Add this task's commands."""
    app.command("day")(day)
    app.command("init-day")(init_day)


def day(
    file: DayPath,
    out: Annotated[Path, typer.Option(help="Card to write; the phone's page goes beside it.", metavar="FILE.pdf")] = Path("card.pdf"),
    sets: Sets = 1,
    paper: Paper = "A4",
    units: Annotated[Optional[str], typer.Option(help="Show metric or imperial units, whatever the file says.", metavar="UNITS")] = None,  # noqa: UP045
    kit: Kit = None,
    json: Json = None,
) -> None:
    """Work out the flight day and write its card. Advice only: local rules and the licensed remote pilot decide."""
    from framematch.day import plan_day
    from framematch.day.figures import plan_json
    from framematch.files.day import read_day
    from framematch.output.day_card import write_card

    plan = plan_day(read_day(file, kit=kit).shown_in(units), sets=sets)
    written = write_card(plan, out, paper=paper)
    write_json(json, lambda: plan_json(plan))
    print_day(plan, stderr=json == "-")
    say(f"Wrote {' and '.join(str(path) for path in written)}", stderr=json == "-")


def print_day(plan: DayPlan, *, stderr: bool = False) -> None:
    """The card's words on the screen, what can't be done first."""
    from framematch.cautions import DAY
    from framematch.output.day_text import first_lines, sections

    console = screen(stderr=stderr)
    heading(console, plan.day.title)
    for about, lines in first_lines(plan):
        console.print()
        heading(console, about)
        for line in lines:
            alarm(console, "CAN'T BE FLOWN:", line) if lines is plan.impossible else warning(console, line)
    console.print()
    for line in DAY:
        console.print(f"- {line}")
    for section in sections(plan):
        console.print()
        heading(console, section.heading)
        wide = max((len(label) for label, _ in section.rows), default=0)
        for label, text in section.rows:
            console.print(f"  {label:<{wide}}  {text}")
        for note in section.notes:
            console.print(f"  {note}", style="dim")


def init_day(
    file: Annotated[Path, typer.Argument(help="Day file to write.", metavar="FILE")],
    pairing: Annotated[str, typer.Option(help="The pairing's file, beside it.", metavar="FILE")] = "pairing.toml",
    force: Annotated[bool, typer.Option("--force", help="Replace a file that is there.")] = False,
) -> None:
    """Write a commented starter day file to fill in."""
    from framematch.files.starter import starter_day

    write_new(file, starter_day(pairing), force=force)
    say(f"Wrote {file}. Fill in your day, then: framematch day {file}")
