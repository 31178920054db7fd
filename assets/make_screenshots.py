"""The README's two pictures of the page: on a laptop in the light theme, on a phone in the dark one.

Run from the repository: python assets/make_screenshots.py
"""

from __future__ import annotations

import io
import shutil
import sys
from pathlib import Path

from PIL import Image

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent), str(HERE.parent / "tests")]

from browser import STILL, browser, opened, served  # noqa: E402


def small(png: bytes) -> Image.Image:
    """The picture in 256 colours: most after how much there is of them, some so that thin guide lines keep theirs."""
    picture = Image.open(io.BytesIO(png)).convert("RGB")
    many = picture.quantize(176, method=Image.Quantize.MEDIANCUT).getpalette() or []
    rare = picture.quantize(80, method=Image.Quantize.MAXCOVERAGE).getpalette() or []
    palette = Image.new("P", (1, 1))
    palette.putpalette((many[: 3 * 176] + rare[: 3 * 80])[:768])
    return picture.quantize(palette=palette, dither=Image.Dither.FLOYDSTEINBERG)


def main() -> None:
    chromium = shutil.which("chromium")
    if chromium is None:
        sys.exit("needs chromium")
    with served() as url, browser(chromium) as where:
        for name, size, scheme in (("page-laptop", (1440, 900), "light"), ("page-phone", (390, 844), "dark")):
            page = opened(where, url, scheme=scheme, size=size)
            page.evaluate(STILL, 1500)
            small(page.screenshot()).save(HERE / f"{name}.png", optimize=True)
            page.context.close()


if __name__ == "__main__":
    main()
