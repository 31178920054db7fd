"""Packed scenes kept in the user's cache folder, so that a cold server need not build them; checked by content."""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Callable
from contextlib import suppress
from functools import lru_cache
from pathlib import Path

import framematch.live as live
import framematch.render.shade as shade
import framematch.scene as scene
from framematch.errors import InputError
from framematch.live.parts import head_of, whole
from framematch.text.whole import written_whole

MOST_FILES = 24


def folder() -> Path:
    """The user's cache folder for this program, by the habits of the system; it need not exist."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return base / "framematch"


def kept_scene(asked: object, make: Callable[[], bytes]) -> bytes:
    """A packed scene from the cache folder, or made and put there.

    Args:
        asked: all that the scene depends on besides this program's own code; told apart by its ``repr``.
        make: packs it.
    """
    name = hashlib.sha256(f"{_code()} {asked!r}".encode()).hexdigest()[:32]
    path = folder() / f"scene-{name}.bin"
    with suppress(OSError):
        found = path.read_bytes()
        if whole(found) and head_of(found)["kind"] == "scene":
            os.utime(path)
            return found
    part = make()
    with suppress(OSError, InputError):  # a folder that can't be written to costs time, nothing else
        path.parent.mkdir(parents=True, exist_ok=True)
        with written_whole(path) as beside:
            beside.write_bytes(part)
        for old in sorted(path.parent.glob("scene-*.bin"), key=lambda p: -p.stat().st_mtime)[MOST_FILES:]:
            old.unlink(missing_ok=True)
    return part


@lru_cache(maxsize=1)
def _code() -> str:
    """A hash of the code that builds and packs scenes: what an older program has kept is not taken."""
    files = [Path(str(shade.__file__)), Path(str(live.__file__)).parent / "scene_part.py", Path(str(live.__file__)).parent / "parts.py"]
    files += sorted(Path(str(scene.__file__)).parent.rglob("*.py"))
    digest = hashlib.sha256()
    for file in files:
        digest.update(file.read_bytes())
    return digest.hexdigest()
