"""The README's pictures of the page, on a laptop in the light theme and on a phone in the dark one, of both views, and of a printed sheet.

Run from the repository: python assets/make_screenshots.py
"""

from __future__ import annotations

import io
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent), str(HERE.parent / "tests" / "helpers")]

from browser import STILL, browser, opened, served  # noqa: E402

from framematch import guide_report, read_pairing  # noqa: E402
from framematch.output.sheet import write_sheets  # noqa: E402
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


def printed() -> Image.Image:
    """The guide sheet of the example, as poppler draws it."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "sheet.pdf"
        write_sheets(file, [guide_report(read_pairing(HERE / "examples" / "glasshouse.toml"))])
        subprocess.run(["pdftoppm", "-r", "110", "-f", "1", "-l", "1", "-png", "-singlefile", str(file), str(file.with_suffix(""))], check=True)
        with Image.open(file.with_suffix(".png")) as picture:
            return picture.convert("RGB")


def main() -> None:
    chromium = shutil.which("chromium")
    if chromium is None:
        sys.exit("needs chromium")
    small(view()).save(HERE / "view.png", optimize=True)
    small(printed()).save(HERE / "sheet.png", optimize=True)
    with served() as url, browser(chromium, webgl=True) as where:
        for name, size, scheme in (("page-laptop", (1440, 900), "light"), ("page-phone", (390, 844), "dark")):
            page = opened(where, url, scheme=scheme, size=size)
            page.evaluate(STILL, 1500)
            small(Image.open(io.BytesIO(page.screenshot()))).save(HERE / f"{name}.png", optimize=True)
            page.context.close()


if __name__ == "__main__":
    main()
