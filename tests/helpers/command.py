"""The command line run within the tests' own process: the same words in, the same words and exit code out, without a start of Python each time."""

from __future__ import annotations

import io
import sys
from contextlib import chdir, redirect_stderr, redirect_stdout
from pathlib import Path
from subprocess import CompletedProcess
from unittest.mock import patch

from framematch.cli import main


def framematch(*words: object, cwd: Path) -> CompletedProcess[str]:
    """``framematch`` with its words, in a folder; anything but an exit is raised here."""
    given = ["framematch", *map(str, words)]
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True) for _ in range(2))
    code: object = 0
    with chdir(cwd), redirect_stdout(out), redirect_stderr(err), patch.object(sys, "argv", given):
        try:
            main()
        except SystemExit as end:
            code = end.code
    said, refused = (each.buffer.getvalue().decode() for each in (out, err))  # type: ignore[attr-defined]
    return CompletedProcess(given, int(code or 0), said, refused)  # type: ignore[call-overload]
