"""One sheet of two clips: how far the guide was off over the flight, the aim, what was seen how far away, and the flex by frequency."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from framematch.clips.together import Together
from framematch.clips.together_report import AXES, clip_sentences
from framematch.output.sheet_page import A4_DPI, A4_MM, INK, RULE, SOFT, Page, line_mm, wrapped, write_pages

if TYPE_CHECKING:
    from matplotlib.axes import Axes

OFF, AIM, FAR = "#0f5a66", ("#b3410e", "#0f5a66", "#4a3f8f"), "#7a838c"
_LEFT_MM, _RIGHT_MM, _PANEL_MM, _GAP_MM = 12.0, 18.0, 33.0, 11.0


def write_clips_sheet(path: Path, t: Together, *, said: Sequence[str] = ()) -> None:
    """Write the sheet as ``.pdf`` or ``.png``, whole or not at all.

    Args:
        said: sentences under those of the clips.

    Raises:
        InputError: another ending, Matplotlib missing, or the file can't be written.
    """
    write_pages(path, [clips_page(t, said=said)], title=t.rig.title or t.recording.name, dpi=A4_DPI)


def clips_page(t: Together, *, said: Sequence[str] = ()) -> Page:
    """The sheet's page: A4, longer where there is more to say."""
    blank = Page(width_mm=A4_MM[0], height_mm=100, margin_mm=14, text_pt=8.5)
    words = [line for each in (*clip_sentences(t), *t.checked.warnings, *said) for line in wrapped(each, blank.inner_mm, blank.text_pt)]
    top = blank.margin_mm + 19
    needs = top + 4 * (_PANEL_MM + _GAP_MM) + 6 + len(words) * line_mm(blank.text_pt) + blank.margin_mm
    page = Page(width_mm=A4_MM[0], height_mm=max(A4_MM[1], needs), margin_mm=14, text_pt=8.5)
    page.text(page.margin_mm, page.margin_mm, t.rig.title or "Two clips of one flight", pt=13, weight="bold")
    page.text(page.margin_mm, page.margin_mm + 7, f"{t.recording.name} and {t.monitoring.name}: how right the guide was in the air", color=SOFT)
    times = np.array([m.instant.recording_s for m in t.moments])
    y = top
    axes = _panel(page, y, "Guide as flown, off by percent of the frame: worst edge, with its 95 % interval", times)
    off, half = (np.array([getattr(m, name) for m in t.moments]) for name in ("off_percent", "off_95_percent"))
    axes.errorbar(times, off, yerr=half, color=OFF, linewidth=1.3, elinewidth=0.8, marker="o", markersize=3)
    axes.set_ylim(0, 1.15 * float((off + half).max()))
    y += _PANEL_MM + _GAP_MM
    axes = _panel(page, y, "Aim in the air less the file's, degrees", times)
    ends = []
    for i, (name, colour) in enumerate(zip(AXES, AIM, strict=True)):
        filed = getattr(t.checked.before.mount, f"{name}_deg")
        values, spread = np.array([m.aim_deg[i] - filed for m in t.moments]), np.array([m.aim_95_deg[i] for m in t.moments])
        axes.fill_between(times, values - spread, values + spread, color=colour, alpha=0.15, linewidth=0)
        axes.plot(times, values, color=colour, linewidth=1.3, marker="o", markersize=2.5)
        ends.append((float(values[-1]), name, colour))
    axes.axhline(0, color=SOFT, linewidth=0.7)
    _names(axes, ends)
    y += _PANEL_MM + _GAP_MM
    axes = _panel(page, y, "Distance of what both cameras saw, metres (typical of each moment)", times)
    far = np.array([m.distance_m for m in t.moments])
    seen = np.isfinite(far)
    if seen.any():
        axes.plot(times[seen], far[seen], color=FAR, linewidth=1.2, marker="o", markersize=3)
        axes.set_ylim(0, 1.15 * float(far[seen].max()))
    axes.tick_params(labelbottom=True)
    axes.set_xlabel("seconds of the recorded clip", fontsize=page.text_pt, color=SOFT)
    y += _PANEL_MM + _GAP_MM + 5
    _flex(page, y, t)
    y += _PANEL_MM + 9
    for line in words:
        page.text(page.margin_mm, y, line)
        y += line_mm(page.text_pt)
    return page


def _flex(page: Page, y: float, t: Together) -> None:
    page.text(
        page.margin_mm,
        y - 1.5,
        "Flex of the mount by frequency, degrees root mean square (at most: the reading's own noise is in it)",
        weight="bold",
        va="bottom",
    )
    axes = page.axes(page.margin_mm + _LEFT_MM - 4, y, page.inner_mm - _LEFT_MM - _RIGHT_MM + 8, _PANEL_MM - 6)
    names = [f"{b.low_hz:g} to {b.high_hz:g} Hz" for b in t.flex.bands]
    axes.bar(range(len(names)), [b.rms_deg for b in t.flex.bands], color=OFF, width=0.6)
    axes.set_xticks(range(len(names)), names)
    _dress(axes, page.text_pt)
    axes.grid(False, axis="x")


def _names(axes: Axes, ends: list[tuple[float, str, str]]) -> None:
    """Names right of where the lines end, pushed apart."""
    low, high = axes.get_ylim()
    last = -np.inf
    for value, name, colour in sorted(ends):
        last = max(value, last + 0.13 * (high - low))
        axes.annotate(
            name, (1, (last - low) / (high - low)), xycoords="axes fraction", xytext=(4, -3), textcoords="offset points", fontsize=7.5, color=colour,
            annotation_clip=False,
        )  # fmt: skip


def _panel(page: Page, y: float, title: str, times: np.ndarray) -> Axes:
    page.text(page.margin_mm, y - 1.5, title, weight="bold", va="bottom")
    axes = page.axes(page.margin_mm + _LEFT_MM - 4, y, page.inner_mm - _LEFT_MM - _RIGHT_MM + 8, _PANEL_MM)
    room = 0.02 * float(np.ptp(times))
    axes.set_xlim(float(times[0]) - room, float(times[-1]) + room)
    _dress(axes, page.text_pt)
    axes.tick_params(labelbottom=False)
    return axes


def _dress(axes: Axes, pt: float) -> None:
    axes.grid(True, color=RULE, linewidth=0.5)
    axes.set_axisbelow(True)
    axes.tick_params(labelsize=pt * 0.9, length=2, color=SOFT, labelcolor=INK)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
