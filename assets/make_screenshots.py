"""The README's pictures of the page, on a laptop in the light theme and on a phone in the dark one, and of both views.

Run from the repository: python assets/make_screenshots.py
"""

from __future__ import annotations

import io
import shutil
import sys
from pathlib import Path

from PIL import Image

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent), str(HERE.parent / "tests" / "helpers")]

from browser import STILL, browser, opened, served  # noqa: E402

from framematch import read_pairing  # noqa: E402
from framematch.render.sheet import look, sheet  # noqa: E402
from framematch.scene.open import scene_of  # noqa: E402
from framematch.shot.shot import Shot  # noqa: E402


def small(picture: Image.Image) -> Image.Image:
    """The picture in 256 colours: most after how much there is of them, some so that thin guide lines keep theirs."""
    picture = picture.convert("RGB")
    many = picture.quantize(176, method=Image.Quantize.MEDIANCUT).getpalette() or []
    rare = picture.quantize(80, method=Image.Quantize.MAXCOVERAGE).getpalette() or []
    palette = Image.new("P", (1, 1))
    palette.putpalette((many[: 3 * 176] + rare[: 3 * 80])[:768])
    return picture.quantize(palette=palette, dither=Image.Dither.FLOYDSTEINBERG)


def view() -> Image.Image:
    """The sheet of both views, half as large as the command line writes it."""
    found = look(scene_of(Shot()), read_pairing(HERE / "examples" / "glasshouse.toml"), distance_m=3.0)
    picture = sheet(found)
    return picture.resize((1500, round(picture.height * 1500 / picture.width)), Image.Resampling.LANCZOS)


def main() -> None:
    chromium = shutil.which("chromium")
    if chromium is None:
        sys.exit("needs chromium")
    small(view()).save(HERE / "view.png", optimize=True)
    with served() as url, browser(chromium) as where:
        for name, size, scheme in (("page-laptop", (1440, 900), "light"), ("page-phone", (390, 844), "dark")):
            page = opened(where, url, scheme=scheme, size=size)
            page.evaluate(STILL, 1500)
            small(Image.open(io.BytesIO(page.screenshot()))).save(HERE / f"{name}.png", optimize=True)
            page.context.close()


if __name__ == "__main__":
    main()
