"""How far the guide was off over a flight, as a curve."""

from __future__ import annotations

import numpy as np

from framematch.clips.together import Together
from framematch.output.chart import SERIES, Axis, Curve, Look, Spot, chart_drawing, reach
from framematch.output.drawing import Drawing


def off_chart(t: Together, *, look: Look, size: tuple[int, int], at: int | None = None, colour: str = SERIES[0]) -> Drawing:
    """Worst edge over time with its 95 % interval; one moment marked, by its index."""
    times, off, half = (np.array(v) for v in zip(*((m.instant.recording_s, m.off_percent, m.off_95_percent) for m in t.moments), strict=True))
    low, high = reach([off + half, np.maximum(off - half, 0)])
    curves = [Curve(name="", x=times, y=edge, colour=colour, width=0.08, dash=(0.3, 0.3)) for edge in (off + half, np.maximum(off - half, 0))]
    return chart_drawing(
        [Curve(name="worst edge", x=times, y=off, colour=colour), *curves],
        across=Axis(name="seconds of the recorded clip", first=float(times[0]), last=float(times[-1])),
        up=Axis(name="Off, % of the frame (dashed: 95 %)", first=low, last=high),
        look=look,
        size=size,
        title="How far the guide was off over the flight",
        mark=None if at is None else (float(times[at]), f"{times[at]:.1f} s"),
        spots=[] if at is None else [Spot(x=float(times[at]), y=float(off[at]), colour=colour)],
    )
