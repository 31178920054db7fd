"""One sheet of two clips: how far the guide was off over the flight, the aim, what was seen how far away, and the flex by frequency."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from framematch.clips.together import Together
from framematch.clips.together_report import AXES, clip_sentences
from framematch.guide.shown import amount, unit
from framematch.output.chart import Axis, Curve, Patch, Spot, reach, span, style
from framematch.output.panels import GREY, PETROL, PLUM, RUST, Panel, panel_pages
from framematch.output.sheet_page import A4_DPI, Page, write_pages

AIM = (RUST, PETROL, PLUM)
_TALL_MM, _DOT, _HALF_BAR = 40.0, 0.2, 0.3


def write_clips_sheet(path: Path, t: Together, *, said: Sequence[str] = (), paper: str = "A4") -> None:
    """Write the sheet as ``.pdf`` or ``.png``, whole or not at all.

    Args:
        said: sentences under those of the clips.

    Raises:
        InputError: another ending, Matplotlib missing, or the file can't be written.
    """
    write_pages(path, clips_pages(t, said=said, paper=paper), title=t.rig.title or t.recording.name, dpi=A4_DPI)


def clips_pages(t: Together, *, said: Sequence[str] = (), paper: str = "A4") -> list[Page]:
    """The sheet's pages: one, and another where there is more to say."""
    times = np.array([m.instant.recording_s for m in t.moments])
    room = 0.02 * float(np.ptp(times))
    return panel_pages(
        [_guide(t, times), _aim(t, times), *_far(t, times), _flex(t)],
        title=t.rig.title or "Two clips of one flight",
        about=f"{t.recording.name} and {t.monitoring.name}: how right the guide was in the air",
        time=Axis(name="seconds of the recorded clip", first=float(times[0]) - room, last=float(times[-1]) + room),
        said=(*clip_sentences(t), *t.checked.warnings, *said),
        foot=f"Two clips: {t.rig.title or t.recording.name}",
        paper=paper,
    )


def _guide(t: Together, times: np.ndarray) -> Panel:
    off, half = (np.array([getattr(m, name) for m in t.moments]) for name in ("off_percent", "off_95_percent"))
    bars = [Curve(name="", x=[x, x], y=[max(y - e, 0.0), y + e], colour=PETROL, width=0.1) for x, y, e in zip(times, off, half, strict=True)]
    title = "Guide as flown, off by percent of the frame: worst edge, with its 95 % interval"
    return _points(title, times, [("", off, PETROL)], reach([off + half]), curves=bars)


def _aim(t: Together, times: np.ndarray) -> Panel:
    filed = [getattr(t.checked.before.mount, f"{name}_deg") for name in AXES]
    values = np.array([m.aim_deg for m in t.moments]) - filed
    spread = np.array([m.aim_95_deg for m in t.moments])
    lines, bands = [], []
    for i, (name, colour) in enumerate(zip(AXES, AIM, strict=True)):
        lines.append((name, values[:, i], colour))
        there, back = (np.column_stack([times, values[:, i] + sign * spread[:, i]]) for sign in (1, -1))
        bands.append(Patch(corners=np.concatenate([there, back[::-1]]), colour=colour, opacity=0.15))
    title, ends = "Aim in the air less the file's, degrees, with 95 % intervals", reach([values - spread, values + spread])
    return _points(title, times, lines, ends, patches=bands, level=0.0)


def _far(t: Together, times: np.ndarray) -> list[Panel]:
    far = amount(1.0, "m") * np.array([m.distance_m for m in t.moments])
    seen = np.isfinite(far)
    title = f"Distance of what both cameras saw, {unit('m')} (typical of each moment)"
    return [_points(title, times[seen], [("", far[seen], GREY)], reach([far[seen]]))] if seen.any() else []


def _points(
    title: str,
    times: np.ndarray,
    lines: Sequence[tuple[str, np.ndarray, str]],
    ends: tuple[float, float],
    *,
    curves: Sequence[Curve] = (),
    patches: Sequence[Patch] = (),
    level: float | None = None,
) -> Panel:
    """Lines through moments, each of them marked."""
    spots = [Spot(x=x, y=y, colour=colour, radius=_DOT) for _, values, colour in lines for x, y in zip(times, values, strict=True)]
    drawn = [Curve(name=name, x=times, y=values, colour=colour, dash=style(i)[1]) for i, (name, values, colour) in enumerate(lines)]
    up = Axis(name=title, first=ends[0], last=ends[1])
    return Panel(up=up, curves=[*curves, *drawn], patches=patches, spots=spots, tall_mm=_TALL_MM, level=level)


def _flex(t: Together) -> Panel:
    bands = t.flex.bands
    title = "Flex of the mount by frequency, degrees root mean square (at most: the reading's own noise is in it)"
    ticks = tuple((float(i), f"{b.low_hz:g} to {b.high_hz:g} Hz") for i, b in enumerate(bands))
    return Panel(
        up=Axis(name=title, first=0.0, last=reach([[b.rms_deg for b in bands]])[1]),
        across=Axis(name="", first=-0.6, last=len(bands) - 0.4, ticks=ticks),
        curves=[],
        patches=[span((i - _HALF_BAR, i + _HALF_BAR), (0.0, b.rms_deg), PETROL) for i, b in enumerate(bands)],
        tall_mm=_TALL_MM,
    )
