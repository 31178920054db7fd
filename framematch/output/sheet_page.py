"""A page measured in millimetres from its top left corner, drawn with Matplotlib."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from framematch.output.pdf import PT_PER_MM
from framematch.text.units import MM_PER_INCH

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, SOFT, RULE = "#1b1f23", "#56606a", "#c3c9cf"


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
        self.figure.text(
            x_mm / self.width_mm, 1 - y_mm / self.height_mm, text, fontsize=pt or self.text_pt, va=style.pop("va", "top"), parse_math=False, **style
        )

    def axes(self, x_mm: float, y_mm: float, w_mm: float, h_mm: float) -> Axes:
        """Axes whose top left corner is at x, y."""
        axes: Axes = self.figure.add_axes((x_mm / self.width_mm, 1 - (y_mm + h_mm) / self.height_mm, w_mm / self.width_mm, h_mm / self.height_mm))
        return axes

    def rule(self, y_mm: float, *, colour: str = RULE, width: float = 0.6, to_mm: float | None = None) -> None:
        """A line across from the left margin to the right one, or to a place."""
        from matplotlib.lines import Line2D

        y = 1 - y_mm / self.height_mm
        ends = [self.margin_mm / self.width_mm, (to_mm or self.width_mm - self.margin_mm) / self.width_mm]
        self.figure.add_artist(Line2D(ends, [y, y], color=colour, linewidth=width))


def line_mm(pt: float) -> float:
    """Height of a line of text of this size."""
    return pt / PT_PER_MM * 1.35


@lru_cache(maxsize=4096)
def text_mm(text: str, pt: float, *, bold: bool = False) -> float:
    """Width of a line of text in the sheet's own fount."""
    from matplotlib.font_manager import FontProperties, findfont, get_font

    font = get_font(findfont(FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")))
    font.set_size(pt, 72)
    font.set_text(text)
    return float(font.get_width_height()[0]) / 64 / PT_PER_MM


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
