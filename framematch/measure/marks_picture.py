"""A still of wall marks with where each is seen and where the guide has it, and its pixels counted along the edges."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.measure.pictures import ARROW, FOUND, GROUND, INK, MISSED
from framematch.text.typeface import pillow_font

Floats = NDArray[np.float64]


def marks_picture(
    small: NDArray[np.uint8],
    size_px: tuple[int, int],
    names: Sequence[str],
    places_px: Sequence[tuple[float, float] | None],
    expected: Floats,
    *,
    odd: str = "",
) -> Any:
    """A Pillow picture.

    Args:
        small: a copy of the still, (height, width, 3), of any size.
        size_px: the still's own, which places are in.
        names: of the marks.
        places_px: where each is seen, None for one not seen.
        expected: (N, 2) where the pairing has them.
        odd: name of the one that does not fit the others, drawn as such.
    """
    from PIL import Image, ImageDraw

    picture = Image.fromarray(small).convert("RGB")
    draw = ImageDraw.Draw(picture)
    scale = picture.width / size_px[0]
    font = pillow_font(max(13, picture.width // 45))
    radius = max(8, picture.width // 70)
    _ruler(draw, size_px, scale, font)
    for x, y in expected * scale - 0.5:
        if np.isfinite((x, y)).all():
            for colour, width in ((GROUND, 4), (ARROW, 2)):
                draw.ellipse((x - radius, y - radius, x + radius, y + radius), outline=colour, width=width)
    for name, place in zip(names, places_px, strict=True):
        if place is None:
            continue
        x, y = (p * scale - 0.5 for p in place)
        ink, said = (MISSED, f"{name}: does not fit") if name == odd else (FOUND, name)
        for colour, width in ((GROUND, 5), (ink, 2)):
            for dx, dy in ((1, 1), (1, -1)):
                draw.line((x - dx * radius, y - dy * radius, x + dx * radius, y + dy * radius), fill=colour, width=width)
        left, top, right, bottom = draw.textbbox((x + radius + 4, y - radius), said, font=font)
        if right > picture.width - 2:
            left, right = x - radius - 4 - (right - left), x - radius - 4
        draw.rectangle((left - 3, top - 2, right + 3, bottom + 2), fill=GROUND)
        draw.text((left, y - radius), said, fill=ink, font=font)
    return picture


def _ruler(draw: Any, size_px: tuple[int, int], scale: float, font: Any) -> None:
    """Ticks every hundred pixels or more along the top and the left edge, the larger ones with their count."""
    step = next(s for s in (100, 200, 500, 1000, 2000, 5000, 100_000) if s * scale >= 100)
    for axis, length in enumerate(size_px):
        for at in range(step // 2, length, step // 2):
            numbered = at % step == 0
            reach, place = (14 if numbered else 7), at * scale
            line = (place, 0, place, reach) if axis == 0 else (0, place, reach, place)
            draw.line(line, fill=GROUND, width=4)
            draw.line(line, fill=INK, width=2)
            if numbered:
                where = (place + 4, 1) if axis == 0 else (17, place - 8)
                if where[0] + draw.textlength(str(at), font=font) > size_px[0] * scale - 2:
                    continue  # cut off, it would say another number
                draw.text(where, str(at), fill=INK, font=font, stroke_width=2, stroke_fill=GROUND)
