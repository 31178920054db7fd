"""The three files of a guide: overlay PNG and SVG at the display's size, and its figures as JSON."""

from __future__ import annotations

import json
import re
from pathlib import Path

from framematch.guide.report import Report, report_json
from framematch.output.drawing import Drawing
from framematch.output.guide_drawing import USUAL_PARTS, guide_drawing
from framematch.output.raster import drawing_png
from framematch.output.svg import drawing_svg
from framematch.text.whole import ensure_folder, written_whole

_POINT = re.compile(r"\[\s+(-?[\d.e+-]+,\s+-?[\d.e+-]+)\s+\]")  # a point takes one line, not four


def overlay_files(report: Report, *, parts: tuple[str, ...] = USUAL_PARTS, line_px: float | None = None) -> dict[str, bytes]:
    """Overlay PNG and SVG and the figures as JSON, as bytes by file name; the same bytes wherever they are made.

    Args:
        report: as :func:`framematch.guide.report.guide_report` gives it.
        parts: what to draw, of ``framematch.output.guide_drawing.PARTS``.
        line_px: width of the rectangle's line in display pixels, 0.25 to 100; a 240th of the display's height if not given.

    Raises:
        InputError: a part that there isn't, or no line width.
    """
    drawing: Drawing = guide_drawing(report, parts=parts, line_px=line_px)
    return {
        "overlay.png": drawing_png(drawing),
        "overlay.svg": drawing_svg(drawing).encode(),
        "guide.json": guide_json(report).encode(),
    }


def guide_json(report: Report) -> str:
    """The report as JSON text (RFC 8259: no NaN, no infinity)."""
    spread = json.dumps(report_json(report), indent=1, ensure_ascii=False, allow_nan=False)
    return _POINT.sub(lambda point: "[" + ", ".join(point.group(1).split()).replace(",,", ",") + "]", spread) + "\n"


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
