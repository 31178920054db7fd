"""Visitors' own meshes, kept in a folder of the page's process while it runs: a pairing's text names one by what it holds."""

from __future__ import annotations

import atexit
import hashlib
import shutil
import tempfile
import threading
from functools import lru_cache
from pathlib import Path
from typing import Any

from framematch.errors import InputError
from framematch.scene.load import opening_in, resting
from framematch.scene.mesh_checks import SUFFIXES
from framematch.shot.place import Place

MOST_MB, MOST_TOGETHER_MB = 32, 640
_lock = threading.Lock()


@lru_cache(maxsize=1)
def folder() -> Path:
    """Where they are; gone when the process ends."""
    made = Path(tempfile.mkdtemp(prefix="framematch-scans-"))
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return made


def kept(name: str, raw: bytes) -> str:
    """The name under which a mesh is kept, once it is known to be one; the same mesh takes no second place.

    Raises:
        InputError: as :func:`framematch.scene.load.load_scene`, or larger than this page takes.
    """
    plain = Path(name.replace("\\", "/")).name
    kind = Path(plain).suffix.lower()
    if kind not in SUFFIXES:
        raise InputError("is not a kind of mesh read here", file=plain[:80], fix=f"save it as {', '.join(s[1:].upper() for s in SUFFIXES)}")
    if len(raw) > MOST_MB * 1_000_000:
        raise InputError(f"is larger than {MOST_MB} MB", file=plain[:80], fix="reduce the mesh, or use the command line")
    home = folder() / hashlib.blake2b(raw, digest_size=12).hexdigest()
    path = home / f"scan{kind}"
    with _lock:
        if not path.exists():
            _make_room(len(raw))
            home.mkdir(exist_ok=True)
            path.write_bytes(raw)
    try:
        resting(Place(file=path))
    except InputError as error:
        shutil.rmtree(home, ignore_errors=True)
        raise InputError(error.problem, field=error.field, fix=error.fix, file=plain[:80]) from None
    return str(path.relative_to(folder()))


def _make_room(size: int) -> None:
    """The oldest go where all together would be too much."""
    held = sorted(folder().glob("*/scan.*"), key=lambda path: path.stat().st_mtime)
    while held and sum(path.stat().st_size for path in held) + size > MOST_TOGETHER_MB * 1_000_000:
        shutil.rmtree(held.pop(0).parent, ignore_errors=True)


def changes(name: str) -> dict[str, Any]:
    """What an own mesh means in a pairing's text: the place, and an opening in its middle to be moved to where it really is."""
    lowest, middle = opening_in(Place(file=folder() / name))
    return {"place": {"file": name, "ground_m": lowest}, "opening": None, "gap": {"size_m": [1.2, 0.9], "middle_m": list(middle)}}
