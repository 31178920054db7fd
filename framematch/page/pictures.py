"""Both views as pictures for the browser, rendered at most once for the same figures."""

from __future__ import annotations

import io
import threading
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.camera import Camera
from framematch.geometry.pairing import Pairing
from framematch.geometry.pose import Pose
from framematch.render import render
from framematch.render.keep import Kept, kept_by_value
from framematch.render.lens_view import recorded_frame
from framematch.render.picture import Picture
from framematch.render.pixels import frame_camera
from framematch.render.recorded import recorded
from framematch.render.sheet import marked
from framematch.render.views import Views, wide_camera_and_bars
from framematch.scene.model import Scene
from framematch.scene.open import scene_of
from framematch.shot.shot import Shot

HEIGHT_PX = 540
QUALITY = 84


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """All that both views depend on, at one size."""

    pairing: Pairing
    shot: Shot
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
_scene = kept_by_value(limit_bytes=96_000_000)(scene_of)


def built(shot: Shot) -> Scene:
    """The shot's scene, built by one thread at a time."""
    with _building:
        return _scene(shot.scenery)


def pictures(wanted: Wanted) -> Pictures:
    """Both views.

    Raises:
        InputError: no such scene or gap, or nothing that can draw here.
    """
    return _made.get(_key(wanted), lambda: _draw(wanted))


def frame_picture(wanted: Wanted) -> bytes:
    """The recorded frame alone, as a JPEG file."""
    p = wanted.pairing
    return _frames.get((p.recording, p.frame, *_seen(wanted)), lambda: _draw_frame(wanted))


def _key(wanted: Wanted) -> tuple[object, ...]:
    p = wanted.pairing
    return p.recording, p.frame, p.monitoring, p.display, p.mount, *_seen(wanted)


def _seen(wanted: Wanted) -> tuple[object, ...]:
    """What is seen, from where, how large."""
    return wanted.shot.scenery, wanted.shot.scene_from_recording(wanted.distance_m).matrix.tobytes(), wanted.height_px


def _draw(wanted: Wanted) -> Pictures:
    scene = built(wanted.shot)
    pose = wanted.shot.scene_from_recording(wanted.distance_m)
    wide_camera, shown = wide_camera_and_bars(wanted.pairing, height_px=wanted.height_px)
    narrow = frame_camera(wanted.pairing, height_px=wanted.height_px)
    frame = _picture(wanted, scene, narrow, pose)
    wide = _picture(wanted, scene, wide_camera, pose @ wanted.pairing.mount.pose)
    if not shown.all():
        wide = replace(wide, colour=wide.colour * shown[..., None], distance_m=np.where(shown, wide.distance_m, np.float32(np.nan)))
    truth = recorded(mount=wanted.pairing.mount, wide_camera=wide_camera, wide=wide, frame_camera=narrow, frame=frame, shown=shown)
    both = Views(wide=wide, frame=frame, wide_camera=wide_camera, frame_camera=narrow, recorded=truth, shown=shown)
    return Pictures(
        wide=_jpeg(marked(both)),
        frame=_jpeg(frame.colour),
        height_px=wanted.height_px,
        hidden_percent=100 * float((truth.in_frame & truth.hidden).sum()) / max(1, int(truth.in_frame.sum())),
    )


def _draw_frame(wanted: Wanted) -> bytes:
    scene = built(wanted.shot)
    pose = wanted.shot.scene_from_recording(wanted.distance_m)
    return _jpeg(recorded_frame(scene, wanted.pairing, pose, height_px=wanted.height_px))


def _picture(wanted: Wanted, scene: Scene, camera: Camera, scene_from_camera: Pose) -> Picture:
    key = (wanted.shot.scenery, camera, scene_from_camera.matrix.tobytes())
    return _drawn.get(key, lambda: render(scene, camera, scene_from_camera))


def _jpeg(colour: NDArray[np.uint8]) -> bytes:
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(colour).save(out, "JPEG", quality=QUALITY)
    return out.getvalue()
