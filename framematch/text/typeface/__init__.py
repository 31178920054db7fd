"""The project's own typeface: Atkinson Hyperlegible Next (SIL Open Font License 1.1, ``OFL.txt`` beside it), whose signs are told apart at a glance.

Changed in one thing, hence its name: figures are of one width, so that columns of numbers stand straight.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont

FAMILY = "Atkinson Hyperlegible Next Tabular"
WEB_FAMILY = "Atkinson Hyperlegible Next"  # as it comes: a browser picks the figures of one width itself
_HOME = Path(__file__).parent


def font_file(bold: bool = False) -> Path:
    """The TrueType file."""
    return _HOME / f"AtkinsonHyperlegibleNextTabular-{'Bold' if bold else 'Regular'}.ttf"


def web_font_file(weight: int) -> Path:
    """The WOFF2 file of a weight, 400 or 600: Latin letters."""
    return _HOME / f"AtkinsonHyperlegibleNext-{weight}.woff2"


@lru_cache(maxsize=64)
def pillow_font(size: float, *, bold: bool = False) -> FreeTypeFont:
    """The typeface for a Pillow picture, its size in pixels."""
    from PIL import ImageFont

    return ImageFont.truetype(font_file(bold), size)
