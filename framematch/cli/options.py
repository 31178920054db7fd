"""Options that commands of several tasks share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer


def _speak(context: typer.Context, value: str) -> str:
    """Whatever the command says from here on is in these units."""
    from framematch.guide.shown import shown_in

    context.with_resource(shown_in(value))
    return value


PairingPath = Annotated[Path, typer.Argument(help="Pairing file (TOML).", metavar="PAIRING")]
ShotPairing = Annotated[Path, typer.Argument(help="Pairing file (TOML); may carry the shot's tables too.", metavar="PAIRING")]
Kit = Annotated[Optional[Path], typer.Option(help="Folder of shared camera and mount files that `use` may name.", metavar="DIR")]  # noqa: UP045
Paper = Annotated[str, typer.Option(help="A4, Letter or A3.", metavar="SIZE")]
Units = Annotated[str, typer.Option(callback=_speak, help="Show metric or imperial units; optics stay metric.", metavar="UNITS")]
Json = Annotated[Optional[str], typer.Option(help="Write the figures to this file too; - prints them.", metavar="FILE")]  # noqa: UP045
Csv = Annotated[Optional[str], typer.Option(help="Write them as a spreadsheet's lines to this file; - prints them.", metavar="FILE")]  # noqa: UP045
SheetOut = Annotated[Optional[Path], typer.Option(help="Sheet to write, .pdf or .png.", metavar="FILE")]  # noqa: UP045
Starter = Annotated[Optional[Path], typer.Option(help="Write a commented file to fill in, and stop.", metavar="FILE")]  # noqa: UP045
Scheduler = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option(help="Address of a running Dask scheduler whose workers do it, such as tcp://10.0.0.5:8786.", metavar="ADDRESS"),
]
