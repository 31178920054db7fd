"""A page measured in millimetres from its top left corner, drawn with Matplotlib."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from framematch.errors import InputError
from framematch.output.drawing import Area, Drawing, Line
from framematch.output.pdf import PT_PER_MM, SMALLEST_PT, made_line, two_lines
from framematch.text.typeface import FAMILY, font_file
from framematch.text.units import MM_PER_INCH, true_minus
from framematch.text.whole import written_whole

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, SOFT, RULE = "#1b1f23", "#56606a", "#c3c9cf"
A4_MM = (210.0, 297.0)
A4_DPI = 170
_LARGE_PT = 1000.0


@dataclass(kw_only=True)
class Page:
    """A sheet of paper, or one long picture.

    Args:
        width_mm, height_mm: of the page.
        margin_mm: left free all round.
        text_pt: size of running text.
    """

    width_mm: float
    height_mm: float
    margin_mm: float
    text_pt: float
    figure: Figure = field(init=False)

    def __post_init__(self) -> None:
        from matplotlib.figure import Figure

        self.figure = Figure(figsize=(self.width_mm / MM_PER_INCH, self.height_mm / MM_PER_INCH), facecolor="white")

    @property
    def inner_mm(self) -> float:
        """Width between the margins."""
        return self.width_mm - 2 * self.margin_mm

    def text(self, x_mm: float, y_mm: float, text: str, *, pt: float | None = None, **style: Any) -> None:
        """Text whose top is at y, left (or as ``ha`` says) at x."""
        style.setdefault("color", INK)
        pt = max(pt or self.text_pt, SMALLEST_PT)
        at = x_mm / self.width_mm, 1 - y_mm / self.height_mm
        self.figure.text(*at, true_minus(text), fontsize=pt, va=style.pop("va", "top"), parse_math=False, **style)

    def axes(self, x_mm: float, y_mm: float, w_mm: float, h_mm: float) -> Axes:
        """Axes whose top left corner is at x, y."""
        axes: Axes = self.figure.add_axes((x_mm / self.width_mm, 1 - (y_mm + h_mm) / self.height_mm, w_mm / self.width_mm, h_mm / self.height_mm))
        return axes

    def draw(self, drawing: Drawing, x_mm: float, y_mm: float, mm_per_px: float) -> None:
        """A drawing whose top left corner is at x, y, its shapes in their own order (Matplotlib lays lines over areas otherwise)."""
        from matplotlib.lines import Line2D
        from matplotlib.patches import Polygon

        scale = np.array([mm_per_px / self.width_mm, -mm_per_px / self.height_mm])
        corner, pt = np.array([x_mm / self.width_mm, 1 - y_mm / self.height_mm]), mm_per_px * PT_PER_MM
        for shape in drawing.shapes:
            if isinstance(shape, Area):
                for ring in shape.rings:
                    self.figure.add_artist(Polygon(corner + ring * scale, facecolor=shape.colour, alpha=shape.opacity, linewidth=0, zorder=2))
            elif isinstance(shape, Line):
                for run in shape.runs():
                    line = Line2D(*(corner + run * scale).T, color=shape.colour, linewidth=shape.width * pt, solid_capstyle="butt")
                    self.figure.add_artist(line)
            else:
                x, y = x_mm + shape.x * mm_per_px, y_mm + shape.y * mm_per_px
                align = {"left": "left", "middle": "center", "right": "right"}[shape.anchor]
                self.text(x, y, shape.text, pt=shape.size * pt, color=shape.colour, ha=align, va="center_baseline")

    def foot(self, left: str) -> None:
        """The bottom lines: what this is, in two at the most, and date and version."""
        made = made_line()
        lines = two_lines(wrapped(left, self.inner_mm - text_mm(made, SMALLEST_PT) - 4, SMALLEST_PT))
        for i, line in enumerate(lines):
            self.text(self.margin_mm, self.height_mm - 9 - (len(lines) - 1 - i) * line_mm(SMALLEST_PT), line, pt=SMALLEST_PT, color=SOFT)
        self.text(self.width_mm - self.margin_mm, self.height_mm - 9, made, pt=SMALLEST_PT, ha="right", color=SOFT)

    def rule(self, y_mm: float, *, colour: str = RULE, width: float = 0.6, to_mm: float | None = None) -> None:
        """A line across from the left margin to the right one, or to a place."""
        from matplotlib.lines import Line2D

        y = 1 - y_mm / self.height_mm
        ends = [self.margin_mm / self.width_mm, (to_mm or self.width_mm - self.margin_mm) / self.width_mm]
        self.figure.add_artist(Line2D(ends, [y, y], color=colour, linewidth=width))


@contextmanager
def own_type() -> Iterator[None]:
    """What Matplotlib draws inside the ``with`` is set in the project's own typeface, and in DejaVu Sans what that lacks."""
    from matplotlib import font_manager, rc_context

    for bold in (False, True):
        if not any(entry.fname == str(font_file(bold)) for entry in font_manager.fontManager.ttflist):
            font_manager.fontManager.addfont(font_file(bold))
    with rc_context({"font.family": [FAMILY, "DejaVu Sans"], "pdf.fonttype": 42, "text.hinting": "none"}):
        yield


def line_mm(pt: float) -> float:
    """Height of a line of text of this size."""
    return pt / PT_PER_MM * 1.35


@lru_cache(maxsize=4096)
def text_mm(text: str, pt: float, *, bold: bool = False) -> float:
    """Width of a line of text in the sheet's own fount."""
    from matplotlib.font_manager import FontProperties, findfont, get_font
    from matplotlib.ft2font import LoadFlags

    font = get_font([font_file(bold), findfont(FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal"))])
    font.set_size(_LARGE_PT, 72)  # at the size itself advances would be rounded to whole pixels
    font.set_text(text, flags=LoadFlags.NO_HINTING)
    return float(font.get_width_height()[0]) / 64 / PT_PER_MM * pt / _LARGE_PT


def wrapped(text: str, width_mm: float, pt: float, *, bold: bool = False) -> list[str]:
    """Text broken into lines that fit a width, inside a word only where one word is too long."""
    lines, now = [], ""
    for word in text.split():
        if text_mm(f"{now} {word}".strip(), pt, bold=bold) <= width_mm:
            now = f"{now} {word}".strip()
            continue
        if now:
            lines.append(now)
        while text_mm(word, pt, bold=bold) > width_mm and len(word) > 1:
            fits = next(n for n in range(len(word) - 1, 0, -1) if n == 1 or text_mm(word[:n], pt, bold=bold) <= width_mm)
            lines.append(word[:fits])
            word = word[fits:]
        now = word
    return [*lines, now] if now or not lines else lines


def check_sheet_name(path: Path) -> None:
    """Refuse a name that no sheet can be written to, before anything is worked out.

    Raises:
        InputError: another ending than .pdf and .png, or Matplotlib missing.
    """
    if path.suffix.lower() not in (".pdf", ".png"):
        raise InputError(f"{path.suffix or 'no ending'} is not a kind of sheet", field="out", file=str(path), fix="name a .pdf or a .png")
    try:
        import matplotlib  # noqa: F401
    except ImportError:
        raise InputError("needs Matplotlib", field="out", fix="install framematch[sheets]") from None


def write_pages(path: Path, pages: list[Page], *, title: str, dpi: float) -> None:
    """Write pages as ``.pdf``, or below each other as ``.png``, whole or not at all.

    Raises:
        InputError: as :func:`check_sheet_name`, or the file can't be written.
    """
    check_sheet_name(path)
    with written_whole(path) as beside, own_type():
        if path.suffix.lower() == ".pdf":
            _save_pdf(pages, beside, title)
        else:
            beside.write_bytes(_png(pages, dpi=dpi))


def _save_pdf(pages: list[Page], path: Path, title: str) -> None:
    from matplotlib.backends.backend_pdf import PdfPages

    with PdfPages(path, metadata={"Title": title, "Creator": "framematch"}) as pdf:
        for page in pages:
            pdf.savefig(page.figure, dpi=300)


def _png(pages: list[Page], *, dpi: float) -> bytes:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    pictures = []
    for page in pages:
        canvas = FigureCanvasAgg(page.figure)
        page.figure.set_dpi(dpi)
        canvas.draw()  # type: ignore[no-untyped-call]
        pictures.append(Image.fromarray(np.asarray(canvas.buffer_rgba())[..., :3]))  # type: ignore[no-untyped-call]
    whole = Image.new("RGB", (pictures[0].width, sum(p.height for p in pictures)), "white")
    y = 0
    for picture in pictures:
        whole.paste(picture, (0, y))
        y += picture.height
    out = io.BytesIO()
    whole.save(out, "PNG", dpi=(dpi, dpi))
    return out.getvalue()
