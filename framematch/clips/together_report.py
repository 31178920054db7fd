"""What two clips say of a rig, in sentences, as JSON and as CSV."""

from __future__ import annotations

import csv
import io
import math
from typing import Any

import numpy as np

from framematch.clips.shake import Shake
from framematch.clips.shake_report import readout_json, rows_said, shake_json
from framematch.clips.together import Together
from framematch.guide.shown import metres, signed
from framematch.measure.check import verdict

AXES = ("pan", "tilt", "roll")
LITTLE_FLEX_DEG, SHAKING_HZ = 0.08, 8.0
_COLUMNS = (
    "recording_s", "monitoring_s", "details", "pan_deg", "pan_95_deg", "tilt_deg", "tilt_95_deg", "roll_deg", "roll_95_deg", "distance_m", "off_percent",
    "off_95_percent",
)  # fmt: skip


def clip_sentences(t: Together) -> list[str]:
    """What the clips say, the figure that matters first."""
    off = np.array([m.off_percent for m in t.moments])
    half = float(np.median([m.off_95_percent for m in t.moments]))
    worst = t.moments[int(off.argmax())]
    c, mount = t.clocks, t.checked.before.mount
    far = sorted(m.distance_m for m in t.moments)
    figures = {f.name: f for f in t.checked.figures}
    aim = ", ".join(
        f"{name} {signed(figures[f'{name}_deg'].value, 2)} ± {figures[f'{name}_deg'].half_95:.2f} (file {signed(getattr(mount, f'{name}_deg'), 2)})"
        for name in AXES
    )
    lines = [
        f"The guide as flown was off by {float(np.median(off)):.1f} % of the frame in half of {len(off)} moments (± {half:.1f} %), by at most "
        f"{worst.off_percent:.1f} % at {worst.instant.recording_s:.1f} s: worst edge, at the distance of what both cameras saw.",
        f"Aim in the air, degrees: {aim}.",
        verdict(t.checked),
        f"What both saw stood at {metres(far[0])} to {metres(far[-1])} (typical of each moment); an outline set for {metres(t.set_distance_m)} serves it best.",
        f"The monitoring clip begins {c.offset_s - 1e-6 * c.rate_ppm * c.middle_s:.3f} s after the recorded one, to ± {1000 * c.offset_95_s:.1f} ms; "
        f"its clock runs {abs(c.rate_ppm):.0f} ± {c.rate_95_ppm:.0f} millionths {'slow' if c.rate_ppm > 0 else 'fast'}.",
        _frames("recorded", len(t.recording.repeated_s), t.recording.gaps) + " " + _frames("monitoring", len(t.monitoring.repeated_s), t.monitoring.gaps),
    ]
    lines += [flex_said(t), *(rows_said(each, given) for each, given in zip((t.recording, t.monitoring), ("recording", "monitoring"), strict=True))]
    lines.append(
        "Along the offset between the cameras an aim and a distance look alike until the flight goes nearer and farther; "
        "a distance that somebody measured makes the aim surer."
    )
    return lines


def flex_said(t: Together) -> str:
    """The flex, what it does to the guide, and what to do about it (practice)."""
    bands = t.flex.bands
    most = max(bands, key=lambda b: b.rms_deg)
    said = (
        f"Against the rig the monitoring camera turned by {t.slow_flex_deg:.2f} degrees root mean square from moment to moment, which the curve holds, and by "
        f"{t.flex.rms_deg:.2f} more quickly ({t.flex.most_deg:.2f} at most, most of it at {most.low_hz:g} to {most.high_hz:g} Hz; the reading's own noise is "
        f"in that), which moves the frame by up to {t.quick_percent:.1f} % in 95 % of the time besides."
    )
    if t.flex_rms_deg < LITTLE_FLEX_DEG:
        return said + " The mount is stiff enough."
    if t.flex.rms_deg > t.slow_flex_deg and most.low_hz >= SHAKING_HZ:
        return said + " So quick a flex is vibration: balance the propellers, look for loose screws, and put damping between arm and camera."
    return said + " So slow a flex is the mount giving way to manoeuvres: brace it or shorten its arm, and keep cables from pulling at the camera."


def _frames(which: str, repeated: int, missing: int) -> str:
    return f"The {which} clip repeats {repeated} frames; by its time stamps {missing} are missing."


def clip_json(t: Together, shake: Shake | None) -> dict[str, Any]:
    """Every figure; a distance of null is infinite."""
    c = t.clocks
    return {
        "recording": t.recording.name,
        "monitoring": t.monitoring.name,
        "clocks": {
            "offset_s": c.offset_s,
            "offset_95_ms": 1000 * c.offset_95_s,
            "rate_ppm": c.rate_ppm,
            "rate_95_ppm": c.rate_95_ppm,
            "at_monitoring_s": c.middle_s,
            "explained": c.explained,
        },
        "frames": {
            which: {"frames": turns.frames, "read": int(turns.read.sum()) + 1, "repeated": len(turns.repeated_s), "missing": turns.gaps}
            for which, turns in (("recording", t.recording), ("monitoring", t.monitoring))
        },
        "aim": {f.name: {"file": getattr(t.checked.before.mount, f.name), "clips": f.value, "half_95": f.half_95} for f in t.checked.figures[:3]},
        "known_percent": t.checked.known_percent,
        "set_distance_m": _finite(t.set_distance_m),
        "slow_flex_rms_deg": t.slow_flex_deg,
        "quick_flex_rms_deg": t.flex.rms_deg,
        "quick_flex_most_deg": t.flex.most_deg,
        "quick_flex_percent": t.quick_percent,
        "readout": {which: readout_json(turns) for which, turns in (("recording", t.recording), ("monitoring", t.monitoring))},
        "quick_flex": [{"from_hz": b.low_hz, "to_hz": b.high_hz, "rms_deg": b.rms_deg} for b in t.flex.bands],
        "warnings": list(t.checked.warnings),
        "moments": [dict(zip(_COLUMNS, row, strict=True)) for row in _rows(t)],
        "shake": None if shake is None else shake_json(shake),
    }


def clip_csv(t: Together) -> str:
    """A line for each moment; a distance left empty is infinite."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_COLUMNS)
    writer.writerows(_rows(t))
    return out.getvalue()


def _rows(t: Together) -> list[tuple[float | int | None, ...]]:
    return [
        (
            round(m.instant.recording_s, 5),
            round(m.instant.monitoring_s, 5),
            m.details,
            *(round(v, 4) for pair in zip(m.aim_deg, m.aim_95_deg, strict=True) for v in pair),
            _finite(m.distance_m),
            round(m.off_percent, 3),
            round(m.off_95_percent, 3),
        )
        for m in t.moments
    ]


def _finite(value: float) -> float | None:
    return round(value, 3) if math.isfinite(value) else None
