"""The command line: parses, calls, prints. No algorithm lives here.

Each file beside this one registers the commands of one task. They import what they call inside
the command, so that ``framematch --help`` stays instant.
"""

from __future__ import annotations

import importlib
import io
import os
import sys
from pathlib import Path
from typing import Annotated, NoReturn

import typer

import framematch
from framematch.errors import InputError, raised, visible

#: The commands that each file beside this one registers.
TASKS = {
    "guide": ("init", "angles", "guide"),
    "views": ("view", "run"),
    "path": ("path",),
    "predict": ("predict",),
    "gap": ("lenses",),
    "paper": ("sheet", "set", "pocket", "kit", "wall", "fdl", "lens-map", "opencv"),
    "measure": ("chart", "check", "measure"),
    "clips": ("shake",),
    "day": ("day", "init-day"),
    "page": ("page",),
}

_EXTRA_OF = {
    **dict.fromkeys(("trimesh", "pyrender", "embreex", "av"), "views"),
    **dict.fromkeys(("reportlab", "matplotlib", "pypdf", "arabic_reshaper", "bidi", "joblib", "fdl", "tifffile", "OpenEXR", "scipy"), "sheets"),
    **dict.fromkeys(("cv2", "tomlkit"), "measure"),
    **dict.fromkeys(("streamlit", "segno"), "page"),
    "pxr": "usd",
}


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"framematch {framematch.__version__}")
        raise typer.Exit()


def _framematch(version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="Say which version this is.")] = False) -> None:
    pass


def program(asked: str = "") -> typer.Typer:
    """The program with the command that is asked for alone: no other task is imported and no other options are read; whole for any other word."""
    app = typer.Typer(
        name="framematch",
        help="Guide lines for a wide monitoring picture: where the recorded frame lies on it, and how far off it can be.",
        no_args_is_help=True,
        add_completion=False,
        context_settings={"max_content_width": 100},
        pretty_exceptions_enable=False,
        rich_markup_mode=None,  # plain help starts twice as fast, and reads well anywhere
    )
    app.callback()(_framematch)
    for task in [task for task, commands in TASKS.items() if asked in commands] or TASKS:
        importlib.import_module(f"{__name__}.{task}").register(app)
    if found := [command for command in app.registered_commands if command.name == asked]:
        app.registered_commands, app.registered_groups = found, []
    return app


def __getattr__(name: str) -> typer.Typer:
    """``app``, the whole program, for those who call it from Python."""
    if name != "app":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found: typer.Typer = globals().setdefault("app", program())
    return found


def main() -> None:
    """Run the command line.

    What a person got wrong is one line on stderr and exit code 2; a fault of ours is one line too, with
    exit code 1, and its details stand in a file.
    """
    os.environ["PYTHONSAFEPATH"] = "1"  # no process that we start takes modules from the current folder
    os.environ["PYDANTIC_DISABLE_PLUGINS"] = "true"  # we have none, and looking for them reads every installed package's list
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal without our signs shows a question mark
    try:
        try:
            program(*sys.argv[1:2])()
        finally:
            sys.stdout.flush()
    except InputError as error:
        _end(str(error))
    except ModuleNotFoundError as error:
        package = (error.name or "").partition(".")[0]
        if package not in _EXTRA_OF:
            raise
        import traceback

        measuring = any({"measure", "clips"} & {*Path(frame.filename).parts} for frame in traceback.extract_tb(error.__traceback__))
        extra = "measure" if measuring else _EXTRA_OF[package]
        _end(f"this needs {package}, which is not installed. Install it: pip install 'framematch[{extra}]'")
    except BrokenPipeError:  # who read our output has stopped reading
        _end("", code=1)
    except OSError as error:
        _end(f"{error.filename or 'output'}: can't be used ({error.strerror or error}). Check name, rights and space")
    except MemoryError:
        _end("there is not enough memory for this: ask for a smaller picture or fewer of them", code=1)
    except Exception as error:
        if raised():
            raise
        _end(f"this is a fault of ours, not of your files ({type(error).__name__}). {_details()}", code=1)


def _details() -> str:
    """Where the traceback of the fault at hand is written to."""
    import tempfile
    import traceback

    text = f"framematch {framematch.__version__}, Python {sys.version}\n{sys.argv}\n{traceback.format_exc()}"
    try:
        with tempfile.NamedTemporaryFile("w", encoding="utf-8", prefix="framematch-fault-", suffix=".txt", delete=False) as file:
            file.write(text)
    except OSError:
        return "Set FRAMEMATCH_FAULTS=raise and run it again to see the details"
    return f"The details are in {file.name}"


def _end(line: str, *, code: int = 2) -> NoReturn:
    if line:
        print(visible(f"framematch: {line}"), file=sys.stderr)
    try:
        sys.stdout.flush()
    except OSError:  # full, or nobody reads it: nothing more goes there, not even at the very end
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    sys.exit(code)
