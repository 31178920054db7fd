"""One sheet of a clip's shaking: pan, tilt and roll off the smooth path against the margin, and the kept percentage that would serve each frame."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from framematch.clips.shake import Shake
from framematch.clips.shake_report import shake_sentences
from framematch.output.sheet_page import A4_DPI, A4_MM, INK, RULE, SOFT, Page, line_mm, wrapped, write_pages

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CURVE, LIMIT, BEYOND = "#0f5a66", "#b3410e", "#f3d9cb"
_LEFT_MM, _RIGHT_MM, _PANEL_MM, _GAP_MM = 12.0, 22.0, 34.0, 10.0


def write_shake_sheet(path: Path, s: Shake, *, title: str = "") -> None:
    """Write the sheet as ``.pdf`` or ``.png``, whole or not at all.

    Raises:
        InputError: another ending, Matplotlib missing, or the file can't be written.
    """
    write_pages(path, [shake_page(s, title=title)], title=title or s.name, dpi=A4_DPI)


def shake_page(s: Shake, *, title: str = "") -> Page:
    """The sheet's page, A4."""
    page = Page(width_mm=A4_MM[0], height_mm=A4_MM[1], margin_mm=14, text_pt=8.5)
    y = page.margin_mm
    page.text(page.margin_mm, y, title or s.name, pt=13, weight="bold")
    page.text(page.margin_mm, y + 7, f"{s.name}: what a smooth path takes of the stabiliser's margin", color=SOFT)
    y += 19
    kept = (s.margin.pan_deg, s.margin.tilt_deg, s.margin.roll_deg)
    names = ("Pan off the smooth path, degrees (+ right)", "Tilt (+ up)", "Roll (+ clockwise seen from behind)")
    for i, name in enumerate(names):
        axes = _panel(page, y, name, s)
        axes.plot(s.times_s, np.where(s.read, s.off_deg[:, i], np.nan), color=CURVE, linewidth=1.2)
        reach = 1.15 * max(float(np.abs(s.off_deg[s.read, i]).max()), 0.05)
        if kept[i] <= 3 * reach:
            reach = max(reach, 1.15 * kept[i])
            for sign in (-1, 1):
                axes.axhline(sign * kept[i], color=LIMIT, linewidth=0.9, linestyle=(0, (4, 2)))
            _beside(axes, f"kept {kept[i]:.1f}", kept[i])
        else:
            _beside(axes, f"kept: {kept[i]:.1f}", 1, share=True)
        axes.set_ylim(-reach, reach)
        y += _PANEL_MM + _GAP_MM
    axes = _panel(page, y, "Largest kept percentage that serves the frame", s)
    serves = np.where(s.read, s.serves_percent, np.nan)
    low = max(0.0, min(float(np.nanmin(serves)), s.keep_percent) - 5)
    axes.fill_between(s.times_s, low, 100, where=np.nan_to_num(serves, nan=100.0) < s.keep_percent, color=BEYOND, linewidth=0, step="mid")
    axes.plot(s.times_s, serves, color=CURVE, linewidth=1.2)
    axes.axhline(s.keep_percent, color=LIMIT, linewidth=0.9, linestyle=(0, (4, 2)))
    _beside(axes, f"kept {s.keep_percent:g} %", s.keep_percent)
    axes.set_ylim(low, 101)
    axes.tick_params(labelbottom=True)
    axes.set_xlabel("seconds", fontsize=page.text_pt, color=SOFT)
    y += _PANEL_MM + 13
    for line in (part for each in shake_sentences(s) for part in wrapped(each, page.inner_mm, page.text_pt)):
        page.text(page.margin_mm, y, line)
        y += line_mm(page.text_pt)
    return page


def _beside(axes: Axes, words: str, y: float, *, share: bool = False) -> None:
    """Words right of the axes, at a value or at a share of their height."""
    axes.annotate(
        words,
        (1, y),
        xycoords="axes fraction" if share else ("axes fraction", "data"),
        xytext=(4, -8 if share else -3),
        textcoords="offset points",
        fontsize=7.5,
        color=LIMIT,
        annotation_clip=False,
    )


def _panel(page: Page, y: float, title: str, s: Shake) -> Axes:
    page.text(page.margin_mm, y - 1.5, title, weight="bold", va="bottom")
    axes = page.axes(page.margin_mm + _LEFT_MM - 4, y, page.inner_mm - _LEFT_MM - _RIGHT_MM + 10, _PANEL_MM)
    axes.set_xlim(float(s.times_s[0]), float(s.times_s[-1]))
    axes.grid(True, color=RULE, linewidth=0.5)
    axes.tick_params(labelsize=page.text_pt * 0.9, length=2, color=SOFT, labelcolor=INK, labelbottom=False)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return axes
