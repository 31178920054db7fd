"""The three files of a guide: overlay PNG and SVG at the display's size, and its figures as JSON."""

from __future__ import annotations

import json
import re
from pathlib import Path

from framematch.files import ensure_folder, written_whole
from framematch.output.drawing import Drawing
from framematch.output.guide_drawing import USUAL_PARTS, guide_drawing
from framematch.output.raster import drawing_png
from framematch.output.svg import drawing_svg
from framematch.report import Report, report_json

_POINT = re.compile(r"\[\s+(-?[\d.e+-]+,\s+-?[\d.e+-]+)\s+\]")  # a point takes one line, not four


def overlay_files(report: Report, *, parts: tuple[str, ...] = USUAL_PARTS, line_px: float | None = None) -> dict[str, bytes]:
    """The files by name; the same bytes wherever they are made."""
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
