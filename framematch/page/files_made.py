"""Files that the rooms above write to a folder, as bytes for a download; nothing is left behind."""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path

from framematch.geometry.pairing import Pairing
from framematch.text.whole import plain_name


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
    with tempfile.TemporaryDirectory(prefix="framematch-") as folder:
        write(Path(folder) / name)
        return zipped({path.name: path.read_bytes() for path in sorted(Path(folder).iterdir())})


def zipped(files: Mapping[str, bytes]) -> bytes:
    """Files by name as a ZIP; the same files give the same bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in files.items():
            packed.writestr(zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0)), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def stem(pairing: Pairing) -> str:
    """How the names of a pairing's files begin."""
    return plain_name(pairing.heading)
