"""Files that the rooms above write to a folder, as bytes for a download; nothing is left behind."""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path


def made(write: Callable[[Path], object], name: str) -> bytes:
    """The bytes of the file that ``write`` makes under a name."""
    with tempfile.TemporaryDirectory(prefix="framematch-") as folder:
        path = Path(folder) / name
        write(path)
        return path.read_bytes()


def made_beside(write: Callable[[Path], object], name: str, beside: str) -> bytes:
    """The bytes of another file that ``write`` makes beside the one it is asked for."""
    with tempfile.TemporaryDirectory(prefix="framematch-") as folder:
        write(Path(folder) / name)
        return (Path(folder) / beside).read_bytes()


def made_zip(write: Callable[[Path], object], name: str) -> bytes:
    """All files that ``write`` makes beside the one it is asked for, as a ZIP; the same files give the same bytes."""
    out = io.BytesIO()
    with tempfile.TemporaryDirectory(prefix="framematch-") as folder:
        write(Path(folder) / name)
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
            for path in sorted(Path(folder).iterdir()):
                packed.writestr(zipfile.ZipInfo(path.name, date_time=(1980, 1, 1, 0, 0, 0)), path.read_bytes(), zipfile.ZIP_DEFLATED)
    return out.getvalue()
