"""What the browser needs of a shot and a pairing, packed once for the same figures."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace

from framematch.geometry.pairing import Pairing
from framematch.live.kept import kept_scene
from framematch.live.path_part import shot_path
from framematch.live.rig_part import rig_part, without_focal
from framematch.live.scene_part import scene_part
from framematch.page.pictures import built
from framematch.render.keep import kept_by_value
from framematch.shot.place import Place
from framematch.shot.shot import Shot


def scene_of(shot: Shot) -> bytes:
    """The shot's scene.

    Raises:
        InputError: no such scene, a mesh that can't be read, or an opening that is not built.
    """
    return _scene(shot.scenery)


@kept_by_value(limit_bytes=64_000_000)
def _scene(shot: Shot) -> bytes:
    file = shot.place.file
    mesh = hashlib.sha256(file.read_bytes()).hexdigest() if file is not None and file.is_file() else ""
    return kept_scene((shot, mesh), lambda: scene_part(built(shot)))


def rig_of(pairing: Pairing, focals_mm: tuple[float, float] | None) -> bytes:
    """The pairing's cameras, the recording one's for every focal length of the slider."""
    return _rig(pairing if focals_mm is None else without_focal(pairing), focals_mm)


@kept_by_value(limit_bytes=24_000_000)
def _rig(pairing: Pairing, focals_mm: tuple[float, float] | None) -> bytes:
    return rig_part(pairing, focals_mm=focals_mm)


def path_of(shot: Shot, stops_m: Sequence[float]) -> bytes:
    """Where the shot's run leads.

    Raises:
        InputError: the shot has no opening.
    """
    return _path(replace(shot, place=Place(), subjects=(), candidates=(), second=None), tuple(stops_m))


@kept_by_value(limit_bytes=4_000_000)
def _path(shot: Shot, stops_m: tuple[float, ...]) -> bytes:
    return shot_path(shot, stops_m)
