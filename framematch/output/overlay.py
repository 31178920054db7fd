"""The files of a guide: overlay PNG and SVG at the display's size, one more of each set of lines, and its figures as JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from framematch.guide.report import Report, report_json
from framematch.output.drawing import Drawing
from framematch.output.guide_drawing import USUAL_PARTS, guide_drawing
from framematch.output.raster import drawing_png
from framematch.output.svg import drawing_svg
from framematch.text.whole import ensure_folder, written_whole

_encoded = json.JSONEncoder(ensure_ascii=False, allow_nan=False).encode


def overlay_files(
    report: Report,
    *,
    parts: tuple[str, ...] = USUAL_PARTS,
    line_px: float | None = None,
    frames: Sequence[int] | None = None,
    marks_m: Sequence[float] = (),
) -> dict[str, bytes]:
    """Overlay PNG and SVG and the figures as JSON, as bytes by file name; the same bytes wherever they are made.

    With several sets of lines ``overlay-1``, ``overlay-2``, ... hold one each, nearest first, and ``overlay`` all of them.

    Args:
        report: as :func:`framematch.guide.report.guide_report` gives it.
        parts: what to draw, of ``framematch.output.guide_drawing.PARTS``.
        line_px: width of the rectangle's line in display pixels, 0.25 to 100; a 240th of the display's height if not given.
        frames: which frames to draw, 0 for the main one; all if not given.
        marks_m: distances at which small ticks show where each side lies.

    Raises:
        InputError: a part that there isn't, no line width, no such frame, or a distance that can't be marked.
    """
    files = {}
    for name, each in overlays(report):
        drawing: Drawing = guide_drawing(each, parts=parts, line_px=line_px, frames=frames, marks_m=marks_m)
        files[f"{name}.png"], files[f"{name}.svg"] = drawing_png(drawing), drawing_svg(drawing).encode()
    return {**files, "guide.json": guide_json(report).encode()}


def overlays(report: Report) -> list[tuple[str, Report]]:
    """Name and guide of each overlay: all together, then each set of lines by itself if there are several."""
    return [("overlay", report), *((f"overlay-{i}", each) for i, each in enumerate(report.sets, 1))]


def guide_json(report: Report) -> str:
    """The report as JSON text (RFC 8259: no NaN, no infinity)."""
    return _spread(report_json(report), "\n") + "\n"


def _spread(value: object, line: str) -> str:
    """JSON with a line for each key and each point; many times faster than the library's own indenting."""
    if isinstance(value, dict) and value:
        each = [f"{_encoded(key)}: {_spread(held, line + ' ')}" for key, held in value.items()]
        return "{" + ",".join(f"{line} {one}" for one in each) + line + "}"
    if isinstance(value, list) and value and all(type(held) is list and len(held) == 2 and type(held[0]) is type(held[1]) is float for held in value):
        return f"[{line} " + _encoded(value)[1:-1].replace("], [", f"],{line} [") + f"{line}]"  # points, all at once
    if isinstance(value, list) and any(isinstance(held, (dict, list)) for held in value):
        return "[" + ",".join(f"{line} {_spread(held, line + ' ')}" for held in value) + line + "]"
    return _encoded(value)


def write_files(folder: Path, files: dict[str, bytes]) -> list[Path]:
    """Write files into a folder, each whole or not at all.

    Raises:
        InputError: the folder can't be made or written to.
    """
    ensure_folder(folder)
    for name, content in files.items():
        with written_whole(folder / name) as beside:
            beside.write_bytes(content)
    return [folder / name for name in files]
