"""What a clip's shaking asks of the stabiliser, in sentences, as a table and as JSON."""

from __future__ import annotations

from typing import Any

from framematch.clips.shake import Shake
from framematch.clips.turns import Turns

SHARES = (0.5, 0.95, 1.0)


def shake_rows(s: Shake) -> list[tuple[str, str, str, str]]:
    """Turn, margin that is kept, what 95 % of the frames take, what all take: degrees."""
    most, all_ = s.most_deg(95), s.most_deg()
    kept = (s.margin.pan_deg, s.margin.tilt_deg, s.margin.roll_deg)
    return [(name, f"{kept[i]:.2f}", f"{most[i]:.2f}", f"{all_[i]:.2f}") for i, name in enumerate(("pan", "tilt", "roll"))]


def shake_sentences(s: Shake) -> list[str]:
    """What the clip says."""
    lines = [
        f"Smooth path: Gaussian over time, {s.smooth_s:g} s standard deviation. Turn rate {s.rate_deg_s:.0f} degrees a second, root mean square.",
        f"At the kept {s.keep_percent:g} %, {s.beyond_percent:.0f} % of the frames run out of picture.",
        f"{s.keep_for(0.95):g} % would have served 95 % of the frames, {s.keep_for(1):g} % all of them.",
        f"The frame moves in the picture by up to {s.wander_percent:.1f} % of its width or height in 95 % of the frames.",
    ]
    unread = len(s.read) - int(s.read.sum())
    if unread:
        lines.append(f"{unread} of {len(s.read)} frames could not be read and are left out of the figures.")
    if s.repeated or s.missing:
        lines.append(f"{s.repeated} frames repeat the one before; by the time stamps {s.missing} are missing.")
    lines.append(rows_said(s.turns, "recording"))
    lines.append(
        "Only turns are smoothed; what the camera's own way draws and rows read one after another are left as they are. "
        f"Turns off the smooth path are read to ± {s.sure_deg:.2f} degrees: near things that pass by make them less sure. "
        "Another stabiliser's path takes another margin."
    )
    return lines


def rows_said(turns: Turns, which: str) -> str:
    """What the clip says of how long the camera takes to read its rows."""
    given, found, half = turns.given_readout_ms, 1000 * turns.readout_s, 1000 * turns.readout_95_s
    shown = f"its rows show {found:.1f} ± {half:.1f} ms" if turns.readout_told else "its rows do not show how long"
    if given is None:
        used = "which is used" if turns.readout_told else "so they are taken as read at once, which makes quick turns less sure"
        return f"The {which} camera's readout_ms is not in the file; {shown}, {used}."
    differ = turns.readout_told and abs(found - given) > max(1.5 * half, 1.0)
    return f"The {which} camera reads its rows in {given:.3g} ms by the file; {shown}" + (": look at readout_ms again." if differ else ".")


def readout_json(turns: Turns) -> dict[str, float | None]:
    """Read-out in ms: the file's, the clip's with its interval; null where not known."""
    told = turns.readout_told
    return {"file_ms": turns.given_readout_ms, "clip_ms": 1000 * turns.readout_s if told else None, "clip_95_ms": 1000 * turns.readout_95_s if told else None}


def shake_json(s: Shake) -> dict[str, Any]:
    """Every figure; per frame: seconds, pan, tilt, roll off the smooth path, largest kept percentage, whether it was read."""
    return {
        "clip": s.name,
        "smooth_s": s.smooth_s,
        "keep_percent": s.keep_percent,
        "off_95_deg": s.sure_deg,
        "kept_margin_deg": {"pan": s.margin.pan_deg, "tilt": s.margin.tilt_deg, "roll": s.margin.roll_deg},
        "needed_deg": {f"{p}_percent": dict(zip(("pan", "tilt", "roll"), s.most_deg(p), strict=True)) for p in (50, 95, 100)},
        "beyond_percent": s.beyond_percent,
        "keep_percent_for": {f"{100 * share:g}_percent": s.keep_for(share) for share in SHARES},
        "wander_percent": s.wander_percent,
        "turn_rate_deg_s": s.rate_deg_s,
        "frames": len(s.read),
        "frames_read": int(s.read.sum()),
        "readout": readout_json(s.turns),
        "repeated": s.repeated,
        "missing": s.missing,
        "per_frame": [
            {
                "time_s": round(float(t), 5),
                "pan_deg": round(float(off[0]), 4),
                "tilt_deg": round(float(off[1]), 4),
                "roll_deg": round(float(off[2]), 4),
                "keep_percent": round(float(k), 2),
                "read": bool(r),
            }
            for t, off, k, r in zip(s.times_s, s.off_deg, s.serves_percent, s.read, strict=True)
        ],
    }
