"""The command line: parses, calls, prints. No algorithm lives here.

Each file beside this one registers the commands of one task. They import what they call inside
the command, so that ``framematch --help`` stays instant.
"""

from __future__ import annotations

import importlib
import os
import sys
import traceback
from pathlib import Path
from typing import Annotated

import typer

import framematch
from framematch.errors import InputError

TASKS = ("guide", "views", "path", "predict", "gap", "paper", "measure", "day", "page")

_EXTRA_OF = {
    **dict.fromkeys(("trimesh", "pyrender", "embreex", "av"), "views"),
    **dict.fromkeys(("reportlab", "matplotlib", "pypdf", "arabic_reshaper", "bidi", "joblib", "fdl", "tifffile", "OpenEXR", "scipy"), "sheets"),
    **dict.fromkeys(("cv2", "tomlkit"), "measure"),
    "streamlit": "page",
}

app = typer.Typer(
    name="framematch",
    help="Guide lines for a wide monitoring picture: where the recorded frame lies on it, and how far off it can be.",
    no_args_is_help=True,
    add_completion=False,
    context_settings={"max_content_width": 100},
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # plain help starts twice as fast, and reads well anywhere
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"framematch {framematch.__version__}")
        raise typer.Exit()


@app.callback()
def _framematch(version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="Say which version this is.")] = False) -> None:
    pass


for _task in TASKS:
    importlib.import_module(f"{__name__}.{_task}").register(app)


def main() -> None:
    """Run the command line; what a person got wrong is one line on stderr and exit code 2."""
    os.environ["PYTHONSAFEPATH"] = "1"  # no process that we start takes modules from the current folder
    try:
        app()
    except InputError as error:
        _refuse(str(error))
    except ModuleNotFoundError as error:
        package = (error.name or "").partition(".")[0]
        if package not in _EXTRA_OF:
            raise
        measuring = any("measure" in Path(frame.filename).parts for frame in traceback.extract_tb(error.__traceback__))
        extra = "measure" if measuring else _EXTRA_OF[package]
        _refuse(f"this needs {package}, which is not installed. Install it: pip install 'framematch[{extra}]'")


def _refuse(line: str) -> None:
    print(f"framematch: {line}", file=sys.stderr)
    sys.exit(2)
