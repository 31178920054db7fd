"""Pictures of what was measured: the chart as found, and what the lens leaves unexplained."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from framematch.measure.finding import Looked
from framematch.text.typeface import pillow_font

if TYPE_CHECKING:
    from pathlib import Path

    from PIL.Image import Image as PillowImage

Floats = NDArray[np.float64]

GROUND, INK, FAINT = "#10151a", "#f2f5f7", "#9aa8b3"
FOUND, MISSED, ARROW = "#ffe033", "#ff7a5c", "#8fdcff"  # told apart by lightness too
_THUMB = (400, 300)


def found_picture(looked: Looked, size_px: tuple[int, int]) -> PillowImage | None:
    """A still with a ring round each corner found in it, at most this large, as a Pillow picture; None if it could not be read."""
    from PIL import Image, ImageDraw

    if looked.small is None:
        return None
    scale = min(1.0, *(most / n for most, n in zip(size_px, looked.small.shape[::-1], strict=True)))
    size = tuple(max(1, round(n * scale)) for n in looked.small.shape[::-1])
    picture = Image.fromarray(looked.small).resize(size, Image.Resampling.BOX).convert("RGB")
    if looked.found is None:
        return picture
    draw = ImageDraw.Draw(picture)
    radius = max(3.0, max(size) / 150)
    for x, y in looked.found.pixels * (np.array(size) / looked.size_px) - 0.5:
        draw.ellipse((x - radius, y - radius, x + radius, y + radius), outline=FOUND, width=max(1, round(max(size) / 600)))
    return picture


def detections_picture(looked: Sequence[Looked], *, across: int = 4, most: int = 24) -> PillowImage:
    """A sheet of the stills with the corners found in each, as a Pillow picture."""
    from PIL import Image, ImageDraw

    shown = list(looked)[:most]
    down = max(1, math.ceil(len(shown) / across))
    width, height = _THUMB
    sheet = Image.new("RGB", (across * (width + 12) + 12, down * (height + 34) + 12), GROUND)
    draw = ImageDraw.Draw(sheet)
    font = pillow_font(15)
    for index, each in enumerate(shown):
        x, y = 12 + (index % across) * (width + 12), 12 + (index // across) * (height + 34)
        draw.rectangle((x, y, x + width - 1, y + height - 1), fill="#000000")
        small = found_picture(each, _THUMB)
        if small is not None:
            sheet.paste(small, (x + (width - small.width) // 2, y + (height - small.height) // 2))
        text = f"{each.name.replace(chr(92), '/').rsplit('/', 1)[-1]}: {note(each)}"
        while len(text) > 8 and draw.textlength(text, font=font) > width:
            text = text[:-2].rstrip("…") + "…"
        draw.text((x, y + height + 4), text, fill=INK if each.found else MISSED, font=font)
    return sheet


def note(looked: Looked) -> str:
    """What came of a still in a few words."""
    return f"{len(looked.found.ids)} corners" if looked.found else looked.reason.split(".")[0]


@dataclass(frozen=True, kw_only=True)
class ResidualMap:
    """The picture's area with an arrow from each corner computed to the corner seen.

    Args:
        picture: a Pillow picture of the area alone.
        enlarged: how many times as long the arrows are drawn.
        rms_px, largest_px: of their true lengths.
    """

    picture: PillowImage
    enlarged: float
    rms_px: float
    largest_px: float

    @property
    def words(self) -> str:
        """What the arrows are."""
        return f"seen less computed, drawn {self.enlarged:g} times as large; RMS {self.rms_px:.3f} px, largest {self.largest_px:.2f} px"


def residual_map(pixels: Floats, residual_px: Floats, raster_px: tuple[int, int], *, width: int = 1100, line: int = 1) -> ResidualMap:
    """Corners (N, 2) and the residual at each (N, 2) as a map of the picture, arrows ``line`` pixels wide."""
    from PIL import Image, ImageDraw

    scale = width / raster_px[0]
    height = round(raster_px[1] * scale)
    picture = Image.new("RGB", (width + 1, height + 1), GROUND)
    draw = ImageDraw.Draw(picture)
    finite = np.isfinite(residual_px).all(axis=1)
    size = np.hypot(*residual_px[finite].T)
    typical = max(float(np.sqrt((size**2).mean())), 1e-6) if finite.any() else 1.0
    enlarged = 10.0 ** math.floor(math.log10(22 / (typical * scale)))
    enlarged *= max(m for m in (1, 2, 5) if m * enlarged * typical * scale <= 22 or m == 1)
    draw.rectangle((0, 0, width, height), outline=FAINT)
    for share in (1 / 3, 2 / 3):
        draw.line((width * share, 0, width * share, height), fill="#26313a")
        draw.line((0, height * share, width, height * share), fill="#26313a")
    for (x, y), (ex, ey) in zip(pixels[finite] * scale, residual_px[finite] * scale * enlarged, strict=True):
        draw.line((x, y, x + ex, y + ey), fill=ARROW, width=line)
        draw.ellipse((x - 1.5, y - 1.5, x + 1.5, y + 1.5), fill=FOUND)
    return ResidualMap(picture=picture, enlarged=enlarged, rms_px=typical, largest_px=float(size.max(initial=0)))


def residual_picture(pixels: Floats, residual_px: Floats, raster_px: tuple[int, int], *, title: str = "", width: int = 1100) -> PillowImage:
    """The map of residuals with its words above it, as a Pillow picture."""
    from PIL import Image, ImageDraw

    head = 56
    drawn = residual_map(pixels, residual_px, raster_px, width=width)
    sheet = Image.new("RGB", (drawn.picture.width + 24, drawn.picture.height + head + 14), GROUND)
    draw = ImageDraw.Draw(sheet)
    draw.text((12, 8), title, fill=INK, font=pillow_font(18))
    draw.text((12, 32), drawn.words, fill=FAINT, font=pillow_font(14))
    sheet.paste(drawn.picture, (12, head))
    return sheet


def save_picture(picture: PillowImage, path: Path) -> None:
    """Write a Pillow picture as PNG, whole or not at all."""
    from framematch.text.whole import written_whole

    with written_whole(path) as beside:
        picture.save(beside, format="PNG")
