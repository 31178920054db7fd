"""One sheet of a flight: its way seen from above, and what follows along it against time."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from framematch.compare.along import Along
from framematch.compare.along_report import sentences
from framematch.output.pdf import SMALLEST_PT, made_line, paper_mm
from framematch.output.sheet_page import A4_DPI, INK, RULE, SOFT, Page, line_mm, own_type, wrapped, write_pages

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]

SPEEDING, BRAKING, EVEN, TURNING, ALARM = "#0f5a66", "#b3410e", "#7a838c", "#4a3f8f", "#c1121f"
NOTICED_M_S2 = 0.5  # speeding up or braking below this is drawn as even
_LEFT_MM, _RIGHT_MM, _PANEL_MM, _GAP_MM = 14.0, 24.0, 17.5, 6.0
_PLAN_MM = 43.0


def write_path_sheet(path: Path, a: Along, *, asked: Sequence[str] = (), paper: str = "A4") -> None:
    """Write the sheet as ``.pdf`` or ``.png``, whole or not at all.

    Args:
        asked: answers to questions, in sentences, under the figures.

    Raises:
        InputError: another ending, Matplotlib missing, or the file can't be written.
    """
    write_pages(path, path_pages(a, asked=asked, paper=paper), title=a.pairing.title, dpi=A4_DPI)


def path_pages(a: Along, *, asked: Sequence[str] = (), paper: str = "A4") -> list[Page]:
    """The sheet's pages: one, and another for the words that it has no room for."""
    with own_type():
        return _pages(a, asked, paper_mm(paper))


def _pages(a: Along, asked: Sequence[str], size_mm: tuple[float, float]) -> list[Page]:
    panels = _panels(a)

    def new(height_mm: float) -> Page:
        page = Page(width_mm=size_mm[0], height_mm=max(size_mm[1], height_mm), margin_mm=11, text_pt=SMALLEST_PT)
        page.text(page.width_mm - page.margin_mm, page.height_mm - 9, made_line(), ha="right", color=SOFT)
        page.text(page.margin_mm, page.height_mm - 9, f"Flight: {a.pairing.heading}", color=SOFT)
        return page

    blank = new(0.0)
    said = sentences(a)
    words = [line for each in (*said[:-1], *asked, said[-1]) for line in wrapped(each, blank.inner_mm, blank.text_pt)]
    heights = [_PANEL_MM * tall + _GAP_MM for tall, *_ in panels]
    page = new(24 + _PLAN_MM + 8 + sum(heights) + 22)
    pages = [page]
    y = page.margin_mm
    page.text(page.margin_mm, y, a.pairing.title or "A flight", pt=13, weight="bold")
    page.text(page.margin_mm, y + 6.5, "The flight as it leans, and what the frame shows. Advisory; see the last lines.", color=SOFT)
    _plan(page.axes(page.margin_mm + 4, y + 16, page.inner_mm - 8, _PLAN_MM), a, page.text_pt)
    _key(page, y + 12)
    y += 16 + _PLAN_MM + 8.5
    for i, ((tall, title, draw), height) in enumerate(zip(panels, heights, strict=True)):
        page.text(page.margin_mm, y - 1.2, title, weight="bold", va="bottom")
        axes = page.axes(page.margin_mm + _LEFT_MM - 6, y, page.inner_mm - _LEFT_MM - _RIGHT_MM + 6, _PANEL_MM * tall)
        _dress(axes, a, page.text_pt)
        draw(axes, page.text_pt)
        axes.tick_params(labelbottom=i == len(panels) - 1)
        y += height
    page.text(page.margin_mm + _LEFT_MM - 6, y - _GAP_MM + 4.2, "seconds", color=SOFT)
    y += 4.0
    for line in words:
        if y > page.height_mm - 15:
            page = new(0.0)
            pages.append(page)
            y = page.margin_mm
        page.text(page.margin_mm, y, line)
        y += line_mm(page.text_pt)
    return pages


def _panels(a: Along) -> list[tuple[float, str, Any]]:
    """Height (of a panel), title and drawing of each panel that has something to show."""
    out: list[tuple[float, str, Any]] = [
        (1.0, "Speed, m/s", lambda axes, pt: _speed(axes, a, pt)),
        (
            1.0,
            "Attitude of the aircraft, and the horizon's slope in the frame, degrees",
            lambda axes, pt: _lines(
                axes, a, pt, [("nose up", a.pitch_deg, SPEEDING), ("right side down", a.roll_deg, TURNING), ("horizon's slope", a.horizon_roll_deg, EVEN)]
            ),
        ),
        (1.25, "Horizon, percent of the frame's height (grey: in the frame)", lambda axes, pt: _horizon(axes, a, pt)),
    ]
    if a.seen:
        out.append((0.16 * len(a.seen) + 0.1, "In the frame (pale: a part of it)", lambda axes, pt: _bars(axes, a, pt)))
    picture = [("blur, % of width", a.blur_percent, BRAKING), ("guide off, %", a.guide_error_percent, SPEEDING), ("skew, deg", np.abs(a.skew_deg), TURNING)]
    picture = [each for each in picture if np.isfinite(each[1]).any()]
    if picture:
        out.append((0.85, "Picture, at what the frame's middle shows", lambda axes, pt: _lines(axes, a, pt, picture, low=0.0)))
    if np.isfinite(a.stabiliser_percent).any():
        out.append((0.85, "Stabiliser, percent of its margin used (pan, tilt, roll)", lambda axes, pt: _stabiliser(axes, a, pt)))
    inks = {"lean": SPEEDING, "thrust": BRAKING, "turning": TURNING}
    limits = [(name, values, inks[name]) for name, values in a.used_percent.items()]
    out.append((0.85, "Limits of the aircraft, percent used", lambda axes, pt: _lines(axes, a, pt, limits, low=0.0)))
    if a.room is not None and np.isfinite(a.room.distance_m).any():
        out.append((0.85, "Room to the nearest surface, cm", lambda axes, pt: _room(axes, a, pt)))
    return out


def _dress(axes: Axes, a: Along, pt: float) -> None:
    axes.set_xlim(0, a.flown.duration_s)
    axes.grid(True, color=RULE, linewidth=0.5)
    axes.tick_params(labelsize=pt * 0.9, length=2, color=SOFT, labelcolor=INK, pad=1.5)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(SOFT)
        axes.spines[side].set_linewidth(0.6)


def _colours(a: Along) -> list[str]:
    return [SPEEDING if v > NOTICED_M_S2 else BRAKING if v < -NOTICED_M_S2 else EVEN for v in a.along_m_s2]


def _key(page: Page, y: float) -> None:
    from matplotlib.lines import Line2D

    x = page.margin_mm
    for words, colour in (("speeding up", SPEEDING), ("braking", BRAKING), ("even", EVEN)):
        at = 1 - (y + 1.4) / page.height_mm
        page.figure.add_artist(Line2D([x / page.width_mm, (x + 6) / page.width_mm], [at, at], color=colour, linewidth=2.5))
        page.text(x + 7.5, y, words, color=colour)
        x += 12 + 1.6 * len(words)
    page.text(x, y, "from above, metres; a tick each second; short lines: wings, as they bank", color=SOFT)


def _plan(axes: Axes, a: Along, pt: float) -> None:
    """Way and things seen from above, turned so that the way runs to the right."""
    from matplotlib.collections import LineCollection

    start, end = a.position_m[0], a.position_m[-1]
    far = a.position_m[np.linalg.norm((a.position_m - start)[:, [0, 2]], axis=1).argmax()] if np.allclose(start, end) else end
    way = (far - start)[[0, 2]]
    way = way / max(float(np.linalg.norm(way)), 1e-9)

    def seen(points: Floats) -> Floats:
        flat = (points - start)[..., [0, 2]]
        return np.stack([flat @ way, flat @ np.array([way[1], -way[0]])], axis=-1)  # left of the way is up

    places = seen(a.position_m)
    axes.add_collection(LineCollection(list(np.stack([places[:-1], places[1:]], axis=1)), colors=_colours(a)[:-1], linewidths=2.2))
    last: Floats | None = None
    for t in np.arange(0, a.flown.duration_s + 1e-9, max(1.0, round(a.flown.duration_s / 12))):
        i = int(np.abs(a.times_s - t).argmin())
        pose = a.flown.airframe(a.times_s[i])
        wing = seen(np.array([pose.points([-0.45, 0, 0]), pose.points([0.45, 0, 0])]))
        axes.plot(*wing.T, color=INK, linewidth=0.9)
        if last is not None and np.linalg.norm(places[i] - last) < 0.04 * np.ptp(places[:, 0]):
            continue  # its words would lie over the last ones
        last = places[i]
        axes.annotate(f"{t:g} s", places[i], xytext=(2, 5), textcoords="offset points", fontsize=pt * 0.85, color=SOFT)
    for each in a.seen:
        points = seen(each.thing.points_m)
        if each.thing.subject:
            axes.plot(*points[0], "o", color=TURNING, markersize=4)
            axes.annotate(each.thing.name, points[0], xytext=(4, -3), textcoords="offset points", fontsize=pt * 0.9, color=TURNING, parse_math=False)
        else:
            axes.plot(*points.T, color=INK, linewidth=2.4, solid_capstyle="butt")
    near = None if a.room is None else a.room.contact or a.room.closest
    if near is not None and a.room is not None:
        touch = a.room.contact is not None
        x, y = seen(near.point_m)
        axes.plot(x, y, "x", color=ALARM, markersize=7 if touch else 5, markeredgewidth=2 if touch else 1.2)
        words = f"touches, {near.time_s:.2f} s" if touch else f"closest, {100 * near.distance_m:.0f} cm"
        axes.annotate(words, (x, y), xytext=(5, 5), textcoords="offset points", fontsize=pt * 0.9, color=ALARM)
    shown = np.concatenate([places, *(seen(each.thing.points_m) for each in a.seen)])
    low, high = shown.min(axis=0), shown.max(axis=0)
    box = axes.get_position()
    shape = box.width * axes.figure.get_figwidth() / (box.height * axes.figure.get_figheight())  # type: ignore[union-attr]
    tall = 1.15 * max(float(high[1] - low[1]) + 1.5, float(high[0] - low[0] + 1.5) / shape)
    for limit, middle, half in ((axes.set_xlim, (low[0] + high[0]) / 2, tall * shape / 2), (axes.set_ylim, (low[1] + high[1]) / 2, tall / 2)):
        limit(middle - half, middle + half)
    axes.tick_params(labelsize=pt * 0.9, length=2, color=SOFT, labelcolor=INK)
    axes.grid(True, color=RULE, linewidth=0.4)
    for spine in axes.spines.values():
        spine.set_color(RULE)


def _speed(axes: Axes, a: Along, pt: float) -> None:
    from matplotlib.collections import LineCollection

    points = np.column_stack([a.times_s, a.speed_m_s])
    axes.add_collection(LineCollection(list(np.stack([points[:-1], points[1:]], axis=1)), colors=_colours(a)[:-1], linewidths=1.8))
    axes.set_ylim(0, 1.15 * float(a.speed_m_s.max()))


def _lines(axes: Axes, a: Along, pt: float, curves: list[tuple[str, Floats, str]], low: float | None = None) -> None:
    ends = []
    for name, values, colour in curves:
        axes.plot(a.times_s, values, color=colour, linewidth=1.3)
        known = np.flatnonzero(np.isfinite(values))
        if len(known):
            ends.append((float(values[known[-1]]), name, colour))
    if low is not None:
        axes.set_ylim(bottom=low)
    _labels(axes, a, ends, pt)


def _labels(axes: Axes, a: Along, ends: list[tuple[float, str, str]], pt: float) -> None:
    """Names right of where the lines end, pushed apart."""
    low, high = axes.get_ylim()
    apart, last = (high - low) * 0.17, -np.inf
    for value, name, colour in sorted(ends):
        last = max(min(max(value, low), high), last + apart)
        axes.annotate(
            name,
            (1.0, (last - low) / (high - low)),
            xycoords="axes fraction",
            xytext=(4, 0),
            textcoords="offset points",
            fontsize=pt * 0.85,
            color=colour,
            va="center",
            annotation_clip=False,
        )


def _horizon(axes: Axes, a: Along, pt: float) -> None:
    height, off = a.horizon_percent, a.horizon_off_percent
    axes.axhspan(0, 100, color="#e8ebee", zorder=0)
    if (off > 0.2).any():
        axes.fill_between(a.times_s, height - off, height + off, color=SPEEDING, alpha=0.22, linewidth=0)
    axes.plot(a.times_s, height, color=SPEEDING, linewidth=1.4)
    known = height[np.isfinite(height)]
    if len(known):
        axes.set_ylim(min(-15.0, float(known.min()) - 10), max(115.0, float(known.max()) + 10))
        _labels(axes, a, [(float(known[-1]), "height", SPEEDING)], pt)


def _bars(axes: Axes, a: Along, pt: float) -> None:
    for row, each in enumerate(a.seen):
        colour = TURNING if each.thing.subject else INK
        for spans, strength in ((each.stays, 0.3), (each.whole_stays, 1.0)):
            axes.broken_barh([(s, e - s) for s, e in spans], (row - 0.3, 0.6), color=colour, alpha=strength, linewidth=0)
        axes.annotate(
            each.thing.name,
            (1.0, row),
            xycoords=("axes fraction", "data"),
            xytext=(4, 0),
            textcoords="offset points",
            fontsize=pt * 0.85,
            color=colour,
            va="center",
            annotation_clip=False,
            parse_math=False,
        )
    axes.set_ylim(len(a.seen) - 0.5, -0.5)
    axes.set_yticks([])


def _stabiliser(axes: Axes, a: Along, pt: float) -> None:
    _lines(axes, a, pt, [(n, a.stabiliser_percent[:, i], c) for i, (n, c) in enumerate((("pan", SPEEDING), ("tilt", BRAKING), ("roll", TURNING)))], low=0.0)
    axes.axhline(100, color=ALARM, linewidth=0.8, linestyle=(0, (3, 2)))


def _room(axes: Axes, a: Along, pt: float) -> None:
    assert a.room is not None
    distance = np.where(np.isfinite(a.room.distance_m), 100 * a.room.distance_m, np.nan)
    axes.plot(a.room.times_s, distance, color=INK, linewidth=1.2)
    axes.set_ylim(0, 1.1 * float(np.nanmax(distance)) + 1)
    if a.filming.uncertainty_m:
        axes.axhspan(0, 100 * a.filming.uncertainty_m, color=ALARM, alpha=0.15, linewidth=0)
    near = a.room.contact or a.room.closest
    if near is not None:
        axes.plot(near.time_s, 100 * near.distance_m, "x", color=ALARM, markersize=5, markeredgewidth=1.5)
        words = "touches" if a.room.contact is not None else f"{100 * near.distance_m:.0f} cm"
        axes.annotate(words, (near.time_s, 100 * near.distance_m), xytext=(4, 5), textcoords="offset points", fontsize=pt * 0.9, color=ALARM)
