"""Drawings as pixels: an RGBA picture with smooth edges."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np

from framematch.errors import InputError
from framematch.output.drawing import EDGE_COLOUR, Area, Drawing, Floats, Label, Line
from framematch.text.typeface import pillow_font

if TYPE_CHECKING:
    from PIL.Image import Image as PillowImage

MOST_PIXELS = 40_000_000  # of a picture: ten bytes of memory each; 8K has 33 million
_MOST_SAMPLES = 40_000_000


def drawing_picture(drawing: Drawing) -> PillowImage:
    """The drawing as a Pillow RGBA picture of its size, transparent where nothing is drawn.

    Raises:
        InputError: more pixels than ``MOST_PIXELS``.
    """
    from PIL import Image

    width, height = drawing.size
    if width * height > MOST_PIXELS:
        raise InputError(
            f"{width} x {height} pixels are too many for an overlay", field="display.raster_px", fix=f"keep it under {MOST_PIXELS // 10**6} million pixels"
        )
    fine = next((n for n in (4, 3, 2) if width * height * n * n <= _MOST_SAMPLES), 1)
    picture = Image.new("RGBA", drawing.size)
    for shape in drawing.shapes:
        if isinstance(shape, Area):
            _lay(picture, _mask(drawing, fine, areas=shape.rings), shape.colour, shape.opacity)
        elif isinstance(shape, Line):
            runs = shape.runs()
            under = [shape.whole()] if shape.between else runs
            if shape.edge:
                _lay(picture, _mask(drawing, fine, runs=under, width=shape.width + 2 * shape.edge), EDGE_COLOUR, 0.8)
            if shape.between:
                _lay(picture, _mask(drawing, fine, runs=under, width=shape.width), shape.between, 1.0)
            _lay(picture, _mask(drawing, fine, runs=runs, width=shape.width), shape.colour, 1.0)
        else:
            _text(picture, shape)
    return picture


def drawing_png(drawing: Drawing) -> bytes:
    """The drawing as the bytes of a PNG file."""
    out = io.BytesIO()
    out.name = "drawing.png"  # told a format by a file's name, Pillow imports that one alone; told it outright, five
    drawing_picture(drawing).save(out, compress_level=3)
    return out.getvalue()


def _mask(drawing: Drawing, fine: int, *, areas: tuple[Floats, ...] = (), runs: list[Floats] | None = None, width: float = 0.0) -> tuple[Any, tuple[int, int]]:
    """What the shapes cover, of the part of the picture that holds them, and where that part's top left corner lies."""
    from PIL import Image, ImageChops, ImageDraw

    left, top, right, bottom = _part(drawing.size, [*areas, *(runs or [])], width)
    size = ((right - left) * fine, (bottom - top) * fine)
    mask = Image.new("L", size)
    for ring in areas:
        part = Image.new("L", size)
        ImageDraw.Draw(part).polygon([((x - left) * fine - 0.5, (y - top) * fine - 0.5) for x, y in ring], fill=255)
        mask = ImageChops.difference(mask, part)  # even-odd: a hole undoes
    draw = ImageDraw.Draw(mask)
    thick = round((width * fine - 1) / 2) * 2 + 1  # odd, or Pillow draws it off centre
    for run in runs or []:
        path = (np.round(run * fine - 0.5).astype(int) - np.array([left, top]) * fine).ravel().tolist()
        draw.line(path, fill=255, width=thick, joint="curve")
        if len(run) > 2 or thick < 2:
            for x, y in (path[:2], path[-2:]):
                r = (thick - 1) / 2
                draw.ellipse((x - r, y - r, x + r, y + r), fill=255)
    return mask.reduce(fine) if fine > 1 else mask, (left, top)


def _part(size: tuple[int, int], paths: list[Floats], width: float) -> tuple[int, int, int, int]:
    """The part of the picture that lines of a width, or areas, can touch: left, top, right, bottom, one pixel at the least."""
    points = np.concatenate([np.asarray(path, dtype=np.float64).reshape(-1, 2) for path in paths]) if paths else np.empty((0, 2))
    if not len(points):
        return 0, 0, 1, 1
    room = width / 2 + 2
    low = np.clip(np.floor(points.min(axis=0) - room), 0, np.array(size) - 1).astype(int)
    high = np.clip(np.ceil(points.max(axis=0) + room), low + 1, size).astype(int)
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def _lay(picture: Any, mask_at: tuple[Any, tuple[int, int]], colour: str, opacity: float) -> None:
    from PIL import Image, ImageColor

    mask, place = mask_at
    layer = Image.new("RGBA", mask.size, ImageColor.getrgb(colour))
    layer.putalpha(mask.point(lambda v: round(v * opacity)) if opacity < 1 else mask)
    picture.alpha_composite(layer, place)


def _text(picture: Any, label: Label) -> None:
    from PIL import ImageDraw

    font = pillow_font(label.size)
    anchor = {"left": "lm", "middle": "mm", "right": "rm"}[label.anchor]
    ImageDraw.Draw(picture).text(
        (label.x, label.y), label.text, fill=label.colour, font=font, anchor=anchor, stroke_width=round(label.edge), stroke_fill=EDGE_COLOUR
    )
