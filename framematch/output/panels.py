"""A sheet of curves below each other, most of them against one time, and what is said of them: a flight's, a clip's, two clips'."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from framematch.output.chart import Axis, Curve, Look, Patch, Spot, chart_drawing, room_beside
from framematch.output.drawing import Drawing
from framematch.output.pdf import PT_PER_MM, SMALLEST_PT, paper_mm
from framematch.output.sheet_page import INK, RULE, SOFT, Page, line_mm, own_type, text_mm, wrapped

#: Inks of curves on paper: dark enough for grey print and sun.
PETROL, RUST, PLUM, GREY, ALARM = "#0f5a66", "#a3480f", "#4a3f8f", "#6a737c", "#c1121f"
_PER_MM = 10  # a chart's own unit is a tenth of a millimetre
_GAP_MM, _TIME_MM = 1.5, 5.0
_FLATTEST = 0.8


@dataclass(frozen=True, kw_only=True)
class Panel:
    """One chart of a sheet.

    Args:
        up: its upward axis, whose name is the panel's heading.
        across: its own axis across; the sheet's time if not given.
        key: words in their colours, right of the heading.
        level: a value whose line is strong.
        one_scale: as on a map.
    """

    up: Axis
    curves: Sequence[Curve]
    tall_mm: float
    across: Axis | None = None
    patches: Sequence[Patch] = ()
    spots: Sequence[Spot] = ()
    key: Sequence[tuple[str, str]] = ()
    level: float | None = None
    one_scale: bool = False


def panel_pages(
    panels: Sequence[Panel], *, title: str, about: str, time: Axis, said: Sequence[str], foot: str, answers: Sequence[str] = (), paper: str = "A4"
) -> list[Page]:
    """The sheet's pages: the charts, sentences before (``answers``) and below them (``said``), and another page where there is no room.

    Args:
        time: the axis across of every panel without its own; its words stand under the last one of a page.
        foot: what every page says at its foot, beside date and version.
    """
    with own_type():
        width, height = paper_mm(paper)

        def new() -> Page:
            page = Page(width_mm=width, height_mm=height, margin_mm=11, text_pt=SMALLEST_PT)
            page.foot(foot)
            return page

        pages = [new()]
        page, y = pages[0], pages[0].margin_mm
        plain = [(SMALLEST_PT, answer, {"color": INK}) for answer in answers]
        for pt, line, style in ((13.0, title, {"weight": "bold"}), (SMALLEST_PT, about, {"color": SOFT}), *plain):
            for part in wrapped(line, page.inner_mm, pt, bold=pt > SMALLEST_PT):
                page.text(page.margin_mm, y, part, pt=pt, **style)
                y += line_mm(pt)
        y += 1.0
        end = height - page.margin_mm - 4
        scale = (end - y - _TIME_MM - _GAP_MM * len(panels)) / sum(panel.tall_mm for panel in panels)
        scale = 1.0 if scale < _FLATTEST else min(scale, 1.0)  # a little flatter where all then stand on one page
        timed = [panel for panel in panels if panel.across is None]
        look = Look(ink=INK, quiet=SOFT, rule=RULE, ground=None, size=SMALLEST_PT / PT_PER_MM * _PER_MM)
        rooms = [room_beside(panel.up, panel.curves, look.size) for panel in timed]
        sides = max(left for left, _ in rooms), max(right for _, right in rooms)
        for panel, after in zip(panels, [*panels[1:], None], strict=True):
            if y + scale * panel.tall_mm + _TIME_MM > end:
                pages.append(page := new())
                y = page.margin_mm
            last = panel is timed[-1] or (after is not None and y + scale * (panel.tall_mm + after.tall_mm) + _GAP_MM + _TIME_MM > end)
            tall = scale * panel.tall_mm + (_TIME_MM if last and panel.across is None else 0.0)
            across = panel.across or Axis(name=time.name if last else "", first=time.first, last=time.last, words=last)
            size = round(page.inner_mm * _PER_MM), round(tall * _PER_MM)
            page.draw(_drawn(panel, across, look, size, sides if panel.across is None else None), page.margin_mm, y, 1 / _PER_MM)
            _key(page, y, panel.key)
            y += tall + _GAP_MM
        y += 1.5
        for lines in (wrapped(each, page.inner_mm, page.text_pt) for each in said):
            if y + len(lines) * line_mm(page.text_pt) > end:
                pages.append(page := new())
                y = page.margin_mm
            for line in lines:
                page.text(page.margin_mm, y, line)
                y += line_mm(page.text_pt)
    return pages


def _drawn(panel: Panel, across: Axis, look: Look, size: tuple[int, int], sides: tuple[float, float] | None) -> Drawing:
    return chart_drawing(
        panel.curves,
        across=across,
        up=panel.up,
        look=look,
        size=size,
        patches=panel.patches,
        spots=panel.spots,
        level=panel.level,
        sides=sides,
        one_scale=panel.one_scale,
    )


def _key(page: Page, y: float, key: Sequence[tuple[str, str]]) -> None:
    x = page.width_mm - page.margin_mm - sum(text_mm(words, page.text_pt) + 3 for words, _ in key) + 3
    for words, colour in key:
        page.text(x, y + 0.2, words, color=colour)
        x += text_mm(words, page.text_pt) + 3
