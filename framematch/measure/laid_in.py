"""The recorded still laid into the monitoring still, before and after a check."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.camera import Display
from framematch.geometry.pairing import Pairing
from framematch.guide.outline import outline
from framematch.guide.transfer import inverse_m, to_recorded
from framematch.measure.check import Checked
from framematch.measure.figure import within
from framematch.measure.goggles import undone
from framematch.measure.pictures import FAINT, FOUND, GROUND, INK
from framematch.measure.stills import Still
from framematch.text.typeface import pillow_font

if TYPE_CHECKING:
    from PIL.Image import Image as PillowImage

Floats = NDArray[np.float64]
_CELLS = 8  # checks across the frame
_WIDTH = 900


def before_after_picture(checked: Checked, recording: Still, monitoring: Still) -> PillowImage:
    """Two panels: in each, every other check of the frame shows the recorded still where that pairing puts it.

    Where the pairing is right, what crosses from check to check runs on without a step, at the distance drawn for.
    """
    from PIL import Image, ImageDraw

    distance = checked.distance_m
    panels = [laid_in(p, recording, monitoring, distance) for p in (checked.before, checked.after)]
    height, width = panels[0].shape[:2]
    head = 46
    sheet = Image.new("RGB", (2 * width + 36, height + head + 40), GROUND)
    draw = ImageDraw.Draw(sheet)
    font, small = pillow_font(18), pillow_font(14)
    off = max((o for _, o in checked.off_percent if not math.isnan(o)), default=math.nan)
    titles = (f"Before: guide off by up to {off:.1f} % of the frame", f"After: known to {within(checked.known_percent)} of the frame there")
    for index, (panel, title) in enumerate(zip(panels, titles, strict=True)):
        x = 12 + index * (width + 12)
        sheet.paste(Image.fromarray(panel), (x, head))
        draw.text((x, 12), title, fill=INK, font=font)
    where = "infinity" if math.isinf(distance) else f"{distance:.1f} m"
    note = f"Every other check is the recorded still, laid in at {where}; the line is the frame there. Things at other distances step."
    draw.text((12, head + height + 12), note, fill=FAINT, font=small)
    return sheet


def laid_in(pairing: Pairing, recording: Still, monitoring: Still, distance_m: float, *, most_px: int = _WIDTH) -> NDArray[np.uint8]:
    """The monitoring picture (height, width, 3), at most ``most_px`` wide, with checks of the recorded still and the frame's outline."""
    import cv2
    from PIL import Image, ImageDraw

    monitoring = undone(monitoring, pairing)
    width = min(most_px, pairing.monitoring.raster_px[0])
    height = round(width * pairing.monitoring.raster_px[1] / pairing.monitoring.raster_px[0])
    small = replace(pairing, monitoring=pairing.monitoring.resized((width, height)), display=Display(raster_px=(width, height), source_px=(width, height)))
    x, y = np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5)
    recorded, ok = to_recorded(small, np.stack([x, y], axis=-1), inverse_m(distance_m))
    f = pairing.frame
    share = (recorded - (f.left, f.top)) / (f.width, f.height)
    inside = ok & ((share >= 0) & (share < 1)).all(axis=-1)
    side = f.width / _CELLS
    with np.errstate(invalid="ignore"):
        check = np.nan_to_num((recorded - (f.left, f.top)) / side, nan=0).astype(int).sum(axis=-1) % 2 == 0
    ground = np.asarray(cv2.resize(_colour(monitoring), (width, height), interpolation=cv2.INTER_AREA))
    source = _colour(recording)
    reach = _typical_step(recorded, inside) * source.shape[1] / pairing.recording.raster_px[0]
    if reach > 1.3:
        size = (max(1, round(source.shape[1] / reach)), max(1, round(source.shape[0] / reach)))
        source = np.asarray(cv2.resize(source, size, interpolation=cv2.INTER_AREA))
    to_source = np.array([source.shape[1], source.shape[0]]) / np.array(pairing.recording.raster_px)
    places = np.where(inside[..., None], recorded * to_source - 0.5, -10).astype(np.float32)
    laid = cv2.remap(source, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    picture = Image.fromarray(np.where((inside & check)[..., None], laid, ground).astype(np.uint8))
    draw = ImageDraw.Draw(picture)
    for piece in outline(small, distance_m).pieces:
        path = [(float(a) - 0.5, float(b) - 0.5) for a, b in piece]
        draw.line(path, fill=GROUND, width=5, joint="curve")
        draw.line(path, fill=FOUND, width=2, joint="curve")
    return np.asarray(picture)


def _typical_step(recorded: Floats, inside: NDArray[np.bool_]) -> float:
    step = np.hypot(*np.moveaxis(np.diff(recorded, axis=1), -1, 0))[inside[:, 1:]]
    step = step[np.isfinite(step)]
    return float(np.median(step)) if step.size else 1.0


def _colour(still: Still) -> NDArray[np.uint8]:
    return still.pixels if still.pixels.ndim == 3 else np.repeat(still.pixels[..., None], 3, axis=2)
