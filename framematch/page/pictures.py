"""Both views as pictures for the browser, rendered at most once for the same figures."""

from __future__ import annotations

import io
import threading
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.camera import Camera
from framematch.geometry.pairing import Pairing
from framematch.page.draft import Draft
from framematch.render import render
from framematch.render.keep import Kept, kept_by_value
from framematch.render.picture import Picture
from framematch.render.pixels import frame_camera
from framematch.render.recorded import recorded
from framematch.render.sheet import marked
from framematch.render.views import Views, before_gap, recording_from_monitoring, wide_camera_and_bars
from framematch.scene.model import Scene
from framematch.scene.registry import make_scene

Floats = NDArray[np.float64]
COARSE_PX, SHARP_PX = 180, 540
QUALITY = 84


@dataclass(frozen=True, kw_only=True)
class Place:
    """A scene by name with the gap in it; None leaves what the scene has."""

    name: str = "glasshouse"
    width_m: float | None = None
    height_m: float | None = None
    shape: str | None = None
    sill_m: float | None = None
    thickness_m: float | None = None


def place_now(draft: Draft) -> Place:
    """Our glasshouse with the draft's gap in it."""
    if not draft.has_gap:
        return Place()
    gap = draft.gap_file.gap
    return Place(width_m=gap.size_m[0], height_m=gap.size_m[1], shape=gap.shape, sill_m=gap.sill_m, thickness_m=gap.thickness_m)


@dataclass(frozen=True, kw_only=True)
class Shot:
    """All that both views depend on, at one size."""

    pairing: Pairing
    place: Place
    distance_m: float
    height_px: int


@dataclass(frozen=True, kw_only=True)
class Pictures:
    """Both views as JPEG files of one height.

    Args:
        wide: the display with what is really recorded marked.
        frame: as it is recorded.
        hidden_percent: of the frame's part of the wide view, what something hides from the recording camera.
    """

    wide: bytes
    frame: bytes
    height_px: int
    hidden_percent: float


_made: Kept[Pictures] = Kept(limit_bytes=48_000_000, size=lambda made: len(made.wide) + len(made.frame) + 500)
_drawn: Kept[Picture] = Kept(limit_bytes=64_000_000, size=lambda picture: picture.colour.nbytes + picture.distance_m.nbytes)
_frames: Kept[bytes] = Kept(limit_bytes=16_000_000, size=len)
_building = threading.Lock()
_built: set[Place] = set()


@kept_by_value(limit_bytes=96_000_000)
def _scene(place: Place) -> Scene:
    return make_scene(place.name, width_m=place.width_m, height_m=place.height_m, shape=place.shape, sill_m=place.sill_m, thickness_m=place.thickness_m)


def scene_of(place: Place) -> Scene:
    """The scene, built by one thread at a time."""
    with _building:
        scene = _scene(place)
        _built.add(place)
        return scene


def ready(place: Place) -> bool:
    """Whether the scene has been built, so that pictures of it come at once."""
    return place in _built


def pictures(shot: Shot) -> Pictures:
    """Both views.

    Raises:
        InputError: no such scene or gap, or nothing that can draw here.
    """
    return _made.get(_key(shot), lambda: _draw(shot))


def frame_picture(shot: Shot) -> bytes:
    """The recorded frame alone, as a JPEG file."""
    p = shot.pairing
    return _frames.get((p.recording, p.frame, shot.place, shot.distance_m, shot.height_px), lambda: _draw_frame(shot))


def at_hand(shot: Shot) -> Pictures | None:
    """Both views if they were drawn before."""
    return _made.peek(_key(shot))


def _key(shot: Shot) -> tuple[object, ...]:
    p = shot.pairing
    return p.recording, p.frame, p.monitoring, p.display, p.mount, shot.place, shot.distance_m, shot.height_px


def _draw(shot: Shot) -> Pictures:
    scene = scene_of(shot.place)
    pose = before_gap(scene, shot.distance_m).scene_from_camera
    wide_camera, shown = wide_camera_and_bars(shot.pairing, height_px=shot.height_px)
    narrow = frame_camera(shot.pairing, height_px=shot.height_px)
    frame = _picture(shot, scene, narrow, pose)
    wide = _picture(shot, scene, wide_camera, pose @ recording_from_monitoring(shot.pairing))
    if not shown.all():
        wide = replace(wide, colour=wide.colour * shown[..., None], distance_m=np.where(shown, wide.distance_m, np.float32(np.nan)))
    truth = recorded(mount=shot.pairing.mount, wide_camera=wide_camera, wide=wide, frame_camera=narrow, frame=frame, shown=shown)
    if shot.height_px <= COARSE_PX:
        truth = replace(truth, hidden=_without_specks(truth.hidden))
    both = Views(wide=wide, frame=frame, wide_camera=wide_camera, frame_camera=narrow, recorded=truth, shown=shown)
    return Pictures(
        wide=_jpeg(marked(both)),
        frame=_jpeg(frame.colour),
        height_px=shot.height_px,
        hidden_percent=100 * float((truth.in_frame & truth.hidden).sum()) / max(1, int(truth.in_frame.sum())),
    )


def _without_specks(hidden: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Pixels at edges that coarse depths mistake for hidden ones would flicker while a hand moves."""
    import cv2

    return np.asarray(cv2.medianBlur(hidden.astype(np.uint8), 3), dtype=bool)


def _draw_frame(shot: Shot) -> bytes:
    scene = scene_of(shot.place)
    camera = frame_camera(shot.pairing, height_px=shot.height_px)
    return _jpeg(render(scene, camera, before_gap(scene, shot.distance_m).scene_from_camera).colour)


def _picture(shot: Shot, scene: Scene, camera: Camera, scene_from_camera: Floats) -> Picture:
    key = (shot.place, camera, scene_from_camera.tobytes())
    return _drawn.get(key, lambda: render(scene, camera, scene_from_camera, quick=shot.height_px <= COARSE_PX))


def _jpeg(colour: NDArray[np.uint8]) -> bytes:
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(colour).save(out, "JPEG", quality=QUALITY)
    return out.getvalue()
