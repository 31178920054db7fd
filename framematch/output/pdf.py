"""A PDF in millimetres: pages drawn from the top left, at true scale, with fonts embedded.

One PDF unit is 1/72 inch (ISO 32000), so a millimetre is 72/25.4 units; nothing is ever scaled to
fit. Whoever prints has to choose "actual size"; :meth:`Page.check_bar` shows whether it was.
"""

from __future__ import annotations

import datetime
import math
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from framematch import __version__
from framematch.cautions import GUIDE
from framematch.errors import InputError
from framematch.output import fonts
from framematch.text.units import MM_PER_INCH, true_minus
from framematch.text.whole import written_whole

if TYPE_CHECKING:
    from PIL.Image import Image as PillowImage

PT_PER_MM = 72 / MM_PER_INCH
#: Portrait sizes: ISO 216, and US Letter (8.5 x 11 in).
PAPERS_MM: dict[str, tuple[float, float]] = {"A4": (210.0, 297.0), "A3": (297.0, 420.0), "letter": (215.9, 279.4)}
MARGIN_MM = 12.0  # most printers leave 4 to 6 mm blank
SMALLEST_PT = 8.0  # of type that is read outdoors
LINE_HEIGHT = 1.3  # times the size of the text

BLACK, GREY, PALE, WHITE = "#000000", "#5a5a5a", "#d9d9d9", "#ffffff"

_UNIT = re.compile(r"(\d) (mm|m|px|%|°)(?!\w)")  # a number and its unit stay on one line


def paper_mm(name: str, *, landscape: bool = False) -> tuple[float, float]:
    """Width and height of a paper size by name, whatever the case.

    Raises:
        InputError: no such paper.
    """
    for known, (width, height) in PAPERS_MM.items():
        if known.lower() == name.lower():
            return (height, width) if landscape else (width, height)
    raise InputError(f"{name!r} is not a paper size", field="paper", fix=f"use one of {', '.join(PAPERS_MM)}")


class Page:
    """What can be drawn on the page in hand. Millimetres from the top left, y down; text sizes in points, none smaller than ``smallest_pt``."""

    def __init__(self, canvas: Any, width_mm: float, height_mm: float, smallest_pt: float = SMALLEST_PT) -> None:
        self._canvas, self.width_mm, self.height_mm, self.smallest_pt = canvas, width_mm, height_mm, smallest_pt
        self.missing: set[str] = set()

    def _point(self, x: float, y: float) -> tuple[float, float]:
        return x * PT_PER_MM, (self.height_mm - y) * PT_PER_MM

    def _pen(self, width_mm: float, colour: str, dash_mm: Sequence[float]) -> None:
        self._canvas.setLineWidth(width_mm * PT_PER_MM)
        self._canvas.setStrokeColor(_colour(colour))
        self._canvas.setDash([d * PT_PER_MM for d in dash_mm]) if dash_mm else self._canvas.setDash()

    def line(self, x0: float, y0: float, x1: float, y1: float, *, width_mm: float = 0.2, colour: str = BLACK, dash_mm: Sequence[float] = ()) -> None:
        """A straight line with flat ends."""
        self.path([(x0, y0), (x1, y1)], width_mm=width_mm, colour=colour, dash_mm=dash_mm)

    def path(self, points: Iterable[Sequence[float]], *, closed: bool = False, **style: Any) -> None:
        """Lines from point to point, styled as :meth:`rings`."""
        self.rings([points], closed=closed, **style)

    def rings(
        self,
        rings: Iterable[Iterable[Sequence[float]]],
        *,
        closed: bool = True,
        width_mm: float = 0.2,
        colour: str | None = BLACK,
        fill: str | None = None,
        opacity: float = 1.0,
        dash_mm: Sequence[float] = (),
    ) -> None:
        """Several lines as one shape; ``fill`` closes and fills, ``colour=None`` draws no line.

        A ring inside another is a hole in the filling.
        """
        shape = self._canvas.beginPath()
        for ring in rings:
            points = [self._point(float(x), float(y)) for x, y in ring]
            if not points:
                continue
            shape.moveTo(*points[0])
            for point in points[1:]:
                shape.lineTo(*point)
            if closed or fill:
                shape.close()
        self._canvas.saveState()
        if colour is not None:
            self._pen(width_mm, colour, dash_mm)
        if fill is not None:
            self._canvas.setFillColor(_colour(fill))
            self._canvas.setFillAlpha(opacity)
        self._canvas.drawPath(shape, stroke=int(colour is not None), fill=int(fill is not None), fillMode=0)
        self._canvas.restoreState()

    def rectangle(self, x: float, y: float, width: float, height: float, **style: Any) -> None:
        """A rectangle by its top left corner and size, styled as :meth:`path`."""
        self.path([(x, y), (x + width, y), (x + width, y + height), (x, y + height)], closed=True, **style)

    def circle(self, x: float, y: float, radius: float, *, width_mm: float = 0.2, colour: str | None = BLACK, fill: str | None = None) -> None:
        """A circle by its middle and radius."""
        self._canvas.saveState()
        if colour is not None:
            self._pen(width_mm, colour, ())
        if fill is not None:
            self._canvas.setFillColor(_colour(fill))
        self._canvas.circle(*self._point(x, y), radius * PT_PER_MM, stroke=int(colour is not None), fill=int(fill is not None))
        self._canvas.restoreState()

    @contextmanager
    def clipped(self, x: float, y: float, width: float, height: float) -> Iterator[None]:
        """Nothing drawn inside the ``with`` reaches past this rectangle."""
        self._canvas.saveState()
        shape = self._canvas.beginPath()
        shape.rect(*self._point(x, y + height), width * PT_PER_MM, height * PT_PER_MM)
        self._canvas.clipPath(shape, stroke=0, fill=0)
        try:
            yield
        finally:
            self._canvas.restoreState()

    @contextmanager
    def scaled(self, x: float, top: float, scale: float, size_mm: tuple[float, float]) -> Iterator[Page]:
        """A smaller or larger page laid on this one: what is drawn on it, lines and text too, is scaled."""
        self._canvas.saveState()
        self._canvas.translate(*self._point(x, top + size_mm[1] * scale))
        self._canvas.scale(scale, scale)
        inner = Page(self._canvas, *size_mm, smallest_pt=self.smallest_pt / scale)
        yield inner
        self.missing |= inner.missing
        self._canvas.restoreState()

    def link(self, x: float, y: float, width: float, height: float, key: str) -> None:
        """A place to click that leads to the page of that key (see :meth:`Document.page`)."""
        left, bottom = self._point(x, y + height)
        right, top = self._point(x + width, y)
        self._canvas.linkRect("", key, (left, bottom, right, top), relative=0, thickness=0)

    def image(self, picture: PillowImage, x: float, y: float, width: float, height: float) -> None:
        """A Pillow picture laid into a rectangle."""
        from reportlab.lib.utils import ImageReader

        self._canvas.drawImage(ImageReader(picture), *self._point(x, y + height), width * PT_PER_MM, height * PT_PER_MM, mask="auto")

    def text(
        self,
        x: float,
        baseline: float,
        text: str,
        *,
        size_pt: float = 9,
        bold: bool = False,
        colour: str = BLACK,
        align: str = "left",
        room_mm: float | None = None,
        turn_deg: float = 0.0,
    ) -> float:
        """One line of text; returns its width in mm.

        Args:
            align: ``left``, ``centre`` or ``right`` of x.
            room_mm: a wider line is set smaller; a line still too wide ends in an ellipsis.
            turn_deg: turned about (x, baseline), anticlockwise.
        """
        text, size_pt = true_minus(text), max(size_pt, self.smallest_pt)
        if room_mm is not None:
            wide = fonts.width_pt(text, size_pt, bold=bold)
            if wide > room_mm * PT_PER_MM:
                size_pt = max(self.smallest_pt, size_pt * room_mm * PT_PER_MM / wide)
                text = fonts.shortened(text, size_pt, room_mm * PT_PER_MM + 1e-6, bold=bold)
        self.missing.update(fonts.missing_characters(text))
        width = fonts.width_pt(text, size_pt, bold=bold)
        start = {"left": 0.0, "centre": -width / 2, "right": -width}[align]
        self._canvas.saveState()
        self._canvas.translate(*self._point(x, baseline))
        self._canvas.rotate(turn_deg)
        self._canvas.setFillColor(_colour(colour))
        line = self._canvas.beginText(start, 0)
        for font, part in fonts.runs(text, bold=bold):
            line.setFont(font, size_pt)
            line.textOut(part)
        self._canvas.drawText(line)
        self._canvas.restoreState()
        return width / PT_PER_MM

    def block(
        self,
        x: float,
        top: float,
        text: str,
        *,
        room_mm: float,
        size_pt: float = 9,
        bold: bool = False,
        colour: str = BLACK,
        align: str = "left",
        lines_at_most: int | None = None,
    ) -> float:
        """Text in as many lines as it takes below ``top``; returns where it ends (mm from the top of the page).

        With ``lines_at_most``, it is set smaller, down to ``smallest_pt``, until it fits; never cut.
        """
        size_pt = max(size_pt, self.smallest_pt)
        text = _UNIT.sub("\\1\u00a0\\2", text)
        lines = fonts.wrapped(text, size_pt, room_mm * PT_PER_MM, bold=bold)
        while lines_at_most is not None and len(lines) > lines_at_most and size_pt > self.smallest_pt:
            size_pt = max(0.95 * size_pt, self.smallest_pt)
            lines = fonts.wrapped(text, size_pt, room_mm * PT_PER_MM, bold=bold)
        step = size_pt * LINE_HEIGHT / PT_PER_MM
        anchor = x + {"left": 0.0, "centre": room_mm / 2, "right": room_mm}[align]
        for i, line in enumerate(lines):
            self.text(anchor, top + (i + 0.77) * step, line, size_pt=size_pt, bold=bold, colour=colour, align=align)
        return top + len(lines) * step

    def check_bar(self, x: float, y: float) -> None:
        """A bar exactly 100 mm long over its outer ends, with a tick every 10 mm; 9 mm tall in all."""
        self.rectangle(x, y + 3.6, 100, 0.4, colour=None, fill=BLACK)
        for i in range(11):
            left = x if i == 0 else x + 100 - 0.3 if i == 10 else x + 10 * i - 0.15
            tall = 4.0 if i % 5 == 0 else 2.4
            self.rectangle(left, y + 4 - tall, 0.3, tall, colour=None, fill=BLACK)
        self.text(x, y + 7.6, "This bar is 100 mm long (3.94 in). If not, print again at 100 % (actual size).", size_pt=SMALLEST_PT, room_mm=100)

    def cautions(
        self, x: float, top: float, *, room_mm: float, lines: Sequence[str] = GUIDE, heading: str = "Before you fly", size_pt: float = SMALLEST_PT
    ) -> float:
        """The cautions in a ruled box, under a heading if there is one; returns where it ends."""
        size_pt = max(size_pt, self.smallest_pt)
        pad, step = 1.6, size_pt * LINE_HEIGHT / PT_PER_MM
        tall = 2 * pad + step * (bool(heading) + sum(len(fonts.wrapped(t, size_pt, (room_mm - 2 * pad - 3) * PT_PER_MM)) for t in lines)) + 0.6 * len(lines)
        self.rectangle(x, top, room_mm, tall, width_mm=0.35)
        y = self.block(x + pad, top + pad, heading, room_mm=room_mm - 2 * pad, size_pt=size_pt, bold=True) if heading else top + pad
        for text in lines:
            self.text(x + pad, y + 0.6 + 0.77 * step, "•", size_pt=size_pt)
            y = self.block(x + pad + 3, y + 0.6, text, room_mm=room_mm - 2 * pad - 3, size_pt=size_pt)
        return top + tall

    def fields(self, x: float, top: float, values: Sequence[tuple[str, str]], *, room_mm: float, columns: int = 3) -> float:
        """Labelled fields side by side, with what is known written in and a line to write on for the rest; returns where they end."""
        step, wide = 6.2, room_mm / columns
        for i, (label, value) in enumerate(values):
            left, baseline = x + i % columns * wide, top + step * (i // columns) + 4.4
            begin = left + self.text(left, baseline, label, size_pt=SMALLEST_PT, colour=GREY) + 1.5
            self.text(begin, baseline, value, size_pt=9, room_mm=left + wide - 3 - begin)
            self.line(begin, baseline + 1, left + wide - 3, baseline + 1, width_mm=0.15, colour=GREY)
        return top + step * math.ceil(len(values) / columns) + 0.8

    def footer(self, left: str, right: str = "") -> None:
        """The bottom lines: what this is, in two at the most, date and version, and any character that could not be set."""
        y = self.height_mm - 6.0
        room = self.width_mm - 2 * MARGIN_MM
        taken = self.text(self.width_mm - MARGIN_MM, y, right, size_pt=SMALLEST_PT, colour=GREY, align="right", room_mm=room * 0.32)
        for line in reversed(two_lines(fonts.wrapped(left, SMALLEST_PT, (room - taken - 4) * PT_PER_MM))):
            self.text(MARGIN_MM, y, line, size_pt=SMALLEST_PT, colour=GREY)
            y -= SMALLEST_PT * LINE_HEIGHT / PT_PER_MM
        if self.missing:
            named = ", ".join(f"U+{ord(c):04X}" for c in sorted(self.missing))
            note = f"{fonts.MISSING} stands for characters that can't be set: {named}. No font on this computer has them, or their script needs shaping."
            self.text(MARGIN_MM, y, note, size_pt=SMALLEST_PT, room_mm=room)


def two_lines(lines: list[str]) -> list[str]:
    """The first two lines of a text, with an ellipsis where there are more."""
    return [lines[0], f"{lines[1][:-1].rstrip()}…"] if len(lines) > 2 else lines


def made_line(when: datetime.date | None = None) -> str:
    """``framematch 0.1.0, 2031-05-04``: what a footer says about where a sheet comes from."""
    return f"framematch {__version__}, {(when or datetime.date.today()).isoformat()}"


class Document:
    """The PDF being written; :func:`document` opens one."""

    def __init__(self, canvas: Any) -> None:
        self._canvas = canvas
        self.pages = 0
        self.missing: set[str] = set()

    @contextmanager
    def page(self, size_mm: tuple[float, float], *, mark: str = "", key: str = "") -> Iterator[Page]:
        """A new page of this size; ``mark`` is its name in the viewer's side list, ``key`` what links lead to."""
        self._canvas.setPageSize((size_mm[0] * PT_PER_MM, size_mm[1] * PT_PER_MM))
        page = Page(self._canvas, *size_mm)
        if mark or key:
            key = key or f"page-{self.pages}"
            self._canvas.bookmarkPage(key)
        if mark:
            self._canvas.addOutlineEntry(mark, key, level=0)
        yield page
        self.missing |= page.missing
        self._canvas.showPage()
        self.pages += 1


@contextmanager
def document(path: Path, *, title: str, subject: str = "") -> Iterator[Document]:
    """A PDF file that appears whole, once the ``with`` ends without an error."""
    fonts.need_reportlab()
    from reportlab.pdfgen.canvas import Canvas

    epoch = os.environ.get("SOURCE_DATE_EPOCH", "0")
    if not (epoch.isascii() and epoch.isdecimal() and len(epoch) <= 11):  # to the year 5138
        raise InputError(f"{epoch!r} is not a time", field="SOURCE_DATE_EPOCH", fix="give it in whole seconds since 1970, or unset it")
    with written_whole(path) as beside:
        canvas = Canvas(str(beside), pageCompression=1, initialFontName=fonts.base_font(), lang="en")
        canvas.setTitle(title)
        canvas.setSubject(subject)
        canvas.setCreator(f"framematch {__version__}")
        canvas.setAuthor("")
        canvas.setViewerPreference("PrintScaling", "None")  # asks the print dialogue for actual size
        yield Document(canvas)
        canvas.save()


def _colour(code: str) -> Any:
    from reportlab.lib.colors import HexColor

    return HexColor(code)
