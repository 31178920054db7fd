"""The command line: parses, calls, prints. No algorithm lives here.

Each file beside this one registers the commands of one task. They import what they call inside
the command, so that ``framematch --help`` stays instant.
"""

from __future__ import annotations

import importlib
import sys

import typer

from framematch.errors import InputError

TASKS = ("guide", "views", "gap", "paper", "measure", "day", "page")

app = typer.Typer(
    name="framematch",
    help="Guide lines for a wide monitoring picture: where the recorded frame lies on it, and how far off it can be.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


@app.callback()
def _framematch() -> None:
    pass


for _task in TASKS:
    importlib.import_module(f"{__name__}.{_task}").register(app)


def main() -> None:
    """Run the command line; what a person got wrong is one line on stderr and exit code 2."""
    try:
        app()
    except InputError as error:
        print(f"framematch: {error}", file=sys.stderr)
        sys.exit(2)
