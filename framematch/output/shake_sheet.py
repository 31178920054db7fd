"""One sheet of a clip's shaking: pan, tilt and roll off the smooth path against the margin, and the kept percentage that would serve each frame."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from framematch.clips.shake import Shake
from framematch.clips.shake_report import shake_sentences
from framematch.output.chart import Axis, Curve, span
from framematch.output.panels import PETROL, RUST, Panel, panel_pages
from framematch.output.sheet_page import A4_DPI, Page, write_pages

_TALL_MM, _DASH = 42.0, (0.6, 0.35)


def write_shake_sheet(path: Path, s: Shake, *, title: str = "", paper: str = "A4") -> None:
    """Write the sheet as ``.pdf`` or ``.png``, whole or not at all.

    Raises:
        InputError: another ending, Matplotlib missing, or the file can't be written.
    """
    write_pages(path, shake_pages(s, title=title, paper=paper), title=title or s.name, dpi=A4_DPI)


def shake_pages(s: Shake, *, title: str = "", paper: str = "A4") -> list[Page]:
    """The sheet's pages."""
    kept = (s.margin.pan_deg, s.margin.tilt_deg, s.margin.roll_deg)
    names = ("Pan off the smooth path, degrees (+ right)", "Tilt (+ up)", "Roll (+ clockwise seen from behind)")
    return panel_pages(
        [*(_off(s, i, name, kept[i]) for i, name in enumerate(names)), _serves(s)],
        title=title or s.name,
        about=f"{s.name}: what a smooth path takes of the stabiliser's margin",
        time=Axis(name="seconds", first=float(s.times_s[0]), last=float(s.times_s[-1])),
        said=shake_sentences(s),
        foot=f"Shaking: {title or s.name}",
        paper=paper,
    )


def _off(s: Shake, i: int, name: str, kept_deg: float) -> Panel:
    most = 1.15 * max(float(np.abs(s.off_deg[s.read, i]).max()), 0.05)
    curves = [Curve(name="", x=s.times_s, y=np.where(s.read, s.off_deg[:, i], np.nan), colour=PETROL)]
    if kept_deg <= 3 * most:
        most = max(most, 1.15 * kept_deg)
        curves += [_level(s, f"kept {kept_deg:.1f}", kept_deg), _level(s, "", -kept_deg)]
    else:
        name = f"{name}; kept: {kept_deg:.1f}, beyond the chart"
    return Panel(up=Axis(name=name, first=-most, last=most), curves=curves, tall_mm=_TALL_MM, level=0.0)


def _serves(s: Shake) -> Panel:
    serves = np.where(s.read, s.serves_percent, np.nan)
    low = max(0.0, min(float(np.nanmin(serves)), s.keep_percent) - 5)
    half = float(np.median(np.diff(s.times_s))) / 2
    beyond = [span((t - half, t + half), (low, 100.0), RUST, 0.2) for t in s.times_s[np.nan_to_num(serves, nan=100.0) < s.keep_percent]]
    curves = [Curve(name="", x=s.times_s, y=serves, colour=PETROL), _level(s, f"kept {s.keep_percent:g} %", s.keep_percent)]
    title = "Largest kept percentage that serves the frame" + (" (shaded: runs out of picture)" if beyond else "")
    return Panel(up=Axis(name=title, first=low, last=101.0), curves=curves, patches=beyond, tall_mm=_TALL_MM)


def _level(s: Shake, name: str, value: float) -> Curve:
    return Curve(name=name, x=s.times_s[[0, -1]], y=[value, value], colour=RUST, width=0.11, dash=_DASH)
