"""Pictures of what was measured: the chart as found, and what the lens leaves unexplained."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.measure.chart import Found
from framematch.measure.finding import Looked
from framematch.measure.stills import read_still

Floats = NDArray[np.float64]

GROUND, INK, FAINT = "#10151a", "#f2f5f7", "#9aa8b3"
FOUND, MISSED, ARROW = "#ffe033", "#ff7a5c", "#8fdcff"  # told apart by lightness too
_THUMB = (400, 300)


def detections_picture(looked: Sequence[Looked], *, across: int = 4, most: int = 24) -> Any:
    """A sheet of the stills with the corners found in each, as a Pillow picture."""
    from PIL import Image, ImageDraw, ImageFont

    shown = list(looked)[:most]
    down = max(1, math.ceil(len(shown) / across))
    width, height = _THUMB
    sheet = Image.new("RGB", (across * (width + 12) + 12, down * (height + 34) + 12), GROUND)
    draw = ImageDraw.Draw(sheet)
    font = ImageFont.load_default(15)
    for index, each in enumerate(shown):
        x, y = 12 + (index % across) * (width + 12), 12 + (index // across) * (height + 34)
        _thumbnail(sheet, draw, each, x, y)
        note = f"{len(each.found.ids)} corners" if each.found else each.reason.split(".")[0]
        text = f"{each.name.replace(chr(92), '/').rsplit('/', 1)[-1]}: {note}"
        while len(text) > 8 and draw.textlength(text, font=font) > width:
            text = text[:-2].rstrip("…") + "…"
        draw.text((x, y + height + 4), text, fill=INK if each.found else MISSED, font=font)
    return sheet


def _thumbnail(sheet: Any, draw: Any, each: Looked, x: int, y: int) -> None:
    from PIL import Image

    width, height = _THUMB
    draw.rectangle((x, y, x + width - 1, y + height - 1), fill="#000000")
    if min(each.size_px) <= 0:
        return
    scale = min(width / each.size_px[0], height / each.size_px[1])
    size = (max(1, round(each.size_px[0] * scale)), max(1, round(each.size_px[1] * scale)))
    left, top = x + (width - size[0]) // 2, y + (height - size[1]) // 2
    sheet.paste(Image.fromarray(read_still(each.name).grey).resize(size, Image.Resampling.BOX).convert("RGB"), (left, top))
    if each.found is not None:
        for px, py in each.found.pixels * scale + (left, top):
            draw.ellipse((px - 3.5, py - 3.5, px + 2.5, py + 2.5), outline=FOUND)


def residual_picture(pixels: Floats, residual_px: Floats, raster_px: tuple[int, int], *, title: str = "", width: int = 1100) -> Any:
    """The picture's area with an arrow from each corner computed to the corner seen, enlarged, as a Pillow picture."""
    from PIL import Image, ImageDraw, ImageFont

    head = 56
    scale = width / raster_px[0]
    height = round(raster_px[1] * scale)
    picture = Image.new("RGB", (width + 24, height + head + 14), GROUND)
    draw = ImageDraw.Draw(picture)
    font, small = ImageFont.load_default(18), ImageFont.load_default(14)
    finite = np.isfinite(residual_px).all(axis=1)
    size = np.hypot(*residual_px[finite].T)
    typical = max(float(np.sqrt((size**2).mean())), 1e-6) if finite.any() else 1.0
    enlarged = 10.0 ** math.floor(math.log10(22 / (typical * scale)))
    enlarged *= max(m for m in (1, 2, 5) if m * enlarged * typical * scale <= 22 or m == 1)
    draw.text((12, 8), title, fill=INK, font=font)
    draw.text(
        (12, 32), f"seen less computed, drawn {enlarged:g} times as large; RMS {typical:.3f} px, largest {size.max(initial=0):.2f} px", fill=FAINT, font=small
    )
    draw.rectangle((12, head, 12 + width, head + height), outline=FAINT)
    for share in (1 / 3, 2 / 3):
        draw.line((12 + width * share, head, 12 + width * share, head + height), fill="#26313a")
        draw.line((12, head + height * share, 12 + width, head + height * share), fill="#26313a")
    for (x, y), (ex, ey) in zip(pixels[finite] * scale + (12, head), residual_px[finite] * scale * enlarged, strict=True):
        draw.line((x, y, x + ex, y + ey), fill=ARROW, width=1)
        draw.ellipse((x - 1.5, y - 1.5, x + 1.5, y + 1.5), fill=FOUND)
    return picture


def found_pixels(found: Sequence[Found]) -> Floats:
    """All corners (N, 2) of several stills."""
    return np.concatenate([f.pixels for f in found]) if found else np.empty((0, 2))


def save_picture(picture: Any, path: Any) -> None:
    """Write a Pillow picture as PNG, whole or not at all."""
    from framematch.files import written_whole

    with written_whole(path) as beside:
        picture.save(beside, format="PNG")
