"""What follows along a flight in words and figures, worked out once for screen, file and chart sheet."""

from __future__ import annotations

import csv
import io
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.compare.along import Along, Seen
from framematch.compare.passing import Passing
from framematch.compare.report import NOTHING, TextTable
from framematch.guide.report import plain
from framematch.guide.shown import amount, centimetres, quantity, signed, speed, unit
from framematch.shot.contact import Nearest
from framematch.shot.opening import SIDES
from framematch.shot.path import Path
from framematch.shot.timing import asked

Floats = NDArray[np.float64]

ROWS = 13
SIDE_WORDS = {"left": "left", "top": "above", "right": "right", "bottom": "below"}
CAUTION = (
    "Advisory only. It leaves out gusts, wash from walls, drift in position, the pilot's line, lag of the motors and whatever the place's "
    "surfaces don't show: wires, glass a scan has missed, doors, people who move. It never says that a path is safe. Propellers and packs injure: "
    "keep people clear and fly it slowly first with nobody near. The licensed remote pilot and the local rules decide."
)


def flight_table(a: Along) -> TextTable:
    """The flight at even moments: speed, attitude, horizon."""
    rows = []
    for i in _rows(a):
        off = f" ± {a.horizon_off_percent[i]:.0f}" if a.horizon_off_percent[i] >= 0.5 else ""
        rows.append(
            (
                f"{a.times_s[i]:.2f}",
                f"{amount(a.speed_m_s[i], 'm/s'):.1f}",
                signed(amount(a.along_m_s2[i], "m/s2"), 1),
                signed(a.heading_deg[i], 0),
                signed(a.pitch_deg[i], 1),
                signed(a.roll_deg[i], 1),
                _figure(a.horizon_percent[i], ".0f") + off,
                signed(a.horizon_roll_deg[i], 1) if math.isfinite(a.horizon_roll_deg[i]) else NOTHING,
                _figure(a.turn_rate_deg_s[i], ".0f"),
            )
        )
    return TextTable(
        title="Along the flight",
        headings=(
            "s",
            unit("m/s"),
            f"{unit('m/s2')} along",
            "heading deg",
            "nose up deg",
            "right down deg",
            "horizon % of height",
            "its slope deg",
            "turning deg/s",
        ),
        rows=tuple(rows),
        note="Horizon: 0 % is the frame's bottom edge, 100 % its top; outside that it is off the frame. ± is a 95 % interval.",
    )


def picture_table(a: Along) -> TextTable:
    """What the picture does at even moments: distance filmed, blur, the guide, the stabiliser, room, pack."""
    room = _room_at(a)
    rows = []
    for i in _rows(a):
        filmed = a.filmed_m[i]
        rows.append(
            (
                f"{a.times_s[i]:.2f}",
                NOTHING if math.isnan(filmed) else "sky" if math.isinf(filmed) else f"{amount(filmed, 'm'):.1f}",
                _figure(a.blur_percent[i], ".2f"),
                _figure(a.guide_error_percent[i], ".1f"),
                *(_figure(v, ".0f") for v in a.stabiliser_percent[i]),
                NOTHING if room is None else "far" if math.isinf(room[i]) else f"{math.floor(amount(100 * room[i], 'cm'))}",
                f"{amount(a.thrust_n[i], 'N'):.1f}",
                _figure(a.used_wh[i], ".2f"),
            )
        )
    return TextTable(
        title="Picture and margins",
        headings=(
            "s",
            f"filmed {unit('m')}",
            "blur % of width",
            "guide off %",
            "pan",
            "tilt",
            "roll % of stabiliser",
            f"room {unit('cm')}",
            f"thrust {unit('N')}",
            "pack Wh",
        ),
        rows=tuple(rows),
        note="Filmed: what the middle of the frame shows. Stabiliser: turns quicker than 1 s against what its crop leaves; above 100 the picture jerks.",
    )


def seen_table(a: Along) -> TextTable:
    """When each edge and subject is in the frame, with its size and speed there."""
    return TextTable(
        title="In the frame",
        headings=("what", "in the frame s", "all of it s", "largest height %", "fastest widths/s", "blur %", "skew deg", "± place %"),
        rows=tuple(
            (
                s.thing.name,
                _spans(s.stays),
                _spans(s.whole_stays),
                _largest(np.where(s.in_frame, s.height_percent, np.nan), ".0f"),
                _largest(s.speed, ".2f"),
                _largest(s.blur_percent, ".1f"),
                _largest(np.abs(s.skew_deg), ".1f"),
                _largest(s.off_percent, ".1f"),
            )
            for s in a.seen
        ),
        note="Wherever the lens would show it: what stands in front is not counted. Speed, blur and place: of its middle, while that is in the frame; "
        "± is the 95 % interval of its place, of the frame's width, from the figures that are guesses.",
    )


def passing_table(a: Along) -> TextTable:
    """Room to the sides of each opening while the aircraft, as it leans, is in its wall."""
    return TextTable(
        title="Through the openings",
        headings=("opening", "in the wall s", *(SIDE_WORDS[side] for side in SIDES)),
        rows=tuple((str(p.opening), f"{p.from_s:.2f} to {p.to_s:.2f}", *(centimetres(room) for _, room, _ in p.side_cm)) for p in a.passings),
        note="Smallest room to each side, rounded down, as the opening is flown at, with the path flown exactly; below 0 it strikes. "
        "Advisory: it clears no flight.",
    )


def text_tables(a: Along) -> tuple[TextTable, ...]:
    """Every table, leaving out those with nothing to say."""
    return tuple(t for t in (flight_table(a), seen_table(a), passing_table(a), picture_table(a)) if t.rows)


def sentences(a: Along) -> tuple[str, ...]:
    """What matters most, in whole sentences; the caution last."""
    most, faster, slower = float(a.speed_m_s.max()), max(float(a.along_m_s2.max()), 0.0), max(-float(a.along_m_s2.min()), 0.0)
    lines = [f"{quantity(a.flown.length_m, 'm', '.1f')} in {a.flown.duration_s:.2f} s, at most {speed(most)}."]
    lines += [f"Speeds up by up to {amount(faster, 'm/s2'):.1f} and brakes by up to {quantity(slower, 'm/s2', '.1f')}."]
    lines += _limits(a)
    lines += _wind(a)
    lines += _horizon(a)
    lines += [_passing(a, each) for each in a.passings]
    lines += _room(a)
    worst = np.nanmax(np.append(a.stabiliser_percent.max(axis=1), -1.0))
    if worst > 100:
        i = int(np.nanargmax(a.stabiliser_percent.max(axis=1)))
        axis = ("pan", "tilt", "roll")[int(a.stabiliser_percent[i].argmax())]
        lines.append(f"The stabiliser's crop runs out: {worst:.0f} % of its {axis} at {a.times_s[i]:.2f} s.")
    pack = a.filming.pack
    if not math.isnan(a.used_wh[-1]):
        share = f", {100 * a.used_wh[-1] / pack.usable_wh:.0f} % of what the pack has above its reserve" if pack else ""
        lines.append(f"Uses {a.used_wh[-1]:.2f} Wh{share}; at most {np.nanmax(a.battery_w):.0f} W.")
    return (*lines, CAUTION)


def _limits(a: Along) -> list[str]:
    f = a.flown.flying
    out = []
    if isinstance(a.flown.course, Path):
        for each in asked(a.flown.course, f):
            state = "beyond" if each.value > each.limit * (1 + 1e-6) else f"{100 * each.value / each.limit:.0f} % of"
            found, limit = (quantity(value, each.unit, ".3g") for value in (each.value, each.limit))
            out.append(f"Most {each.name}: {found} at {each.time_s:.2f} s, {state} the limit of {limit}.")
    if f.turn_deg_s is not None:
        i = int(a.turn_rate_deg_s.argmax())
        out.append(f"Most turning: {a.turn_rate_deg_s[i]:.0f} deg/s at {a.times_s[i]:.2f} s, {100 * a.turn_rate_deg_s[i] / f.turn_deg_s:.0f} % of the limit.")
    return out


def _wind(a: Along) -> list[str]:
    x, y, z = a.flown.flying.wind_m_s
    if not (x or y or z):
        return []
    strength, way = quantity(math.hypot(x, y, z), "m/s", ".1f"), math.degrees(math.atan2(-x, z))
    return [f"Wind {strength} from {signed(way, 0)} deg (right of -z), taken as steady and the same everywhere: no gusts."]


def _passing(a: Along, p: Passing) -> str:
    room = {side: cm for side, cm, _ in p.side_cm}
    said = ", ".join(f"{centimetres(room[side])} {SIDE_WORDS[side]}" for side in ("left", "right", "top", "bottom"))
    line = f"Through opening {p.opening} at {(p.from_s + p.to_s) / 2:.2f} s, margin by these figures: {said}"
    side, _, when = min(p.side_cm, key=lambda each: each[1])
    if p.closest_cm < 0:
        return f"{line}; it strikes the {side} edge at {when:.2f} s."
    off = 100 * a.filming.uncertainty_m
    if off and p.closest_cm < off:
        return f"{line}; less than the {quantity(off, 'cm', '.0f')} by which the flown path may be off: not clear."
    return f"{line}."


def _horizon(a: Along) -> list[str]:
    h = a.horizon_percent
    known = np.isfinite(h)
    if not known.any():
        return ["The lens never images the horizon at the frame's middle."]
    inside = known & (h >= 0) & (h <= 100)
    i, j = (int(x) for x in (np.nanargmin(h), np.nanargmax(h)))
    k = int(np.nanargmax(np.abs(a.horizon_roll_deg)))
    return [
        f"The horizon stands between {h[i]:.0f} % ({a.times_s[i]:.2f} s) and {h[j]:.0f} % ({a.times_s[j]:.2f} s) of the frame's height, "
        f"inside it {100 * inside.mean():.0f} % of the time; most slope {signed(a.horizon_roll_deg[k], 1)} deg at {a.times_s[k]:.2f} s."
    ]


def _room(a: Along) -> list[str]:
    if a.room is None:
        return []
    if a.room.contact is not None:
        return [f"It touches something: {where_in_words(a, a.room.contact)}."]
    if a.room.closest is None:
        return ["Nothing that the place's surfaces show is within reach of the path."]
    off, room = a.filming.uncertainty_m, a.room.closest.distance_m
    words, line = quantity(100 * off, "cm", ".0f"), f"Closest: {centimetres(100 * room)}, {where_in_words(a, a.room.closest)}."
    if off and room < off:
        return [line, f"That is less than the {words} by which the flown path may be off: not clear."]
    if off:
        return [line, f"{centimetres(100 * (room - off))} are left after the {words} by which the flown path may be off (95 %)."]
    return [line, "How far the flown path may be off was not given."]


def where_in_words(a: Along, near: Nearest) -> str:
    """Such as ``at 1.56 s, its lower front at x 0.12, y 1.10, z -0.01 m``."""
    x, y, z = (amount(float(v), "m") for v in near.point_m)
    return f"at {near.time_s:.2f} s, the aircraft's {near.side} side, at x {x:.2f}, y {y:.2f}, z {z:.2f} {unit('m')}"


def _rows(a: Along) -> list[int]:
    return sorted({round(i) for i in np.linspace(0, len(a.times_s) - 1, ROWS)})


def _room_at(a: Along) -> Floats | None:
    """Room (T,) at the table's moments, from those looked at; infinite beyond reach and after a contact."""
    if a.room is None:
        return None
    out: Floats = np.interp(a.times_s, a.room.times_s, np.minimum(a.room.distance_m, 1e9))
    return np.where(out > 1e6, np.inf, out)


def _figure(value: float, how: str) -> str:
    return format(value, how) if math.isfinite(value) else NOTHING


def _largest(values: Floats, how: str) -> str:
    return format(float(np.nanmax(values)), how) if np.isfinite(values).any() else NOTHING


def _spans(stays: tuple[tuple[float, float], ...]) -> str:
    return ", ".join(f"{a:.2f} to {b:.2f}" for a, b in stays) or "never"


def along_csv(a: Along) -> str:
    """A line for each moment, units in the column names."""
    room = _room_at(a)
    columns: dict[str, Floats] = {
        "time_s": a.times_s,
        **{f"{axis}_m": a.position_m[:, i] for i, axis in enumerate("xyz")},
        "speed_m_s": a.speed_m_s,
        "along_m_s2": a.along_m_s2,
        "roll_deg": a.roll_deg,
        "pitch_deg": a.pitch_deg,
        "yaw_deg": a.heading_deg,
        "lean_deg": a.lean_deg,
        "thrust_n": a.thrust_n,
        **{f"turn_{axis}_deg_s": a.turn_deg_s[:, i] for i, axis in enumerate(("pan", "tilt", "roll"))},
        "horizon_percent": a.horizon_percent,
        "horizon_off_percent": a.horizon_off_percent,
        "horizon_roll_deg": a.horizon_roll_deg,
        "horizon_roll_off_deg": a.horizon_roll_off_deg,
        "filmed_m": a.filmed_m,
        "blur_percent": a.blur_percent,
        "skew_deg": a.skew_deg,
        "guide_error_percent": a.guide_error_percent,
        **{f"stabiliser_{axis}_percent": a.stabiliser_percent[:, i] for i, axis in enumerate(("pan", "tilt", "roll"))},
        "battery_w": a.battery_w,
        "used_wh": a.used_wh,
        **{f"{name}_used_percent": values for name, values in a.used_percent.items()},
    }
    if room is not None:
        columns["room_m"] = room
    for s in a.seen:
        curves = ("width_percent", "height_percent", "blur_percent", "skew_deg", "distance_m", "off_percent")
        for name, values in (("in_frame", s.in_frame), ("frame_widths_s", s.speed), *((name, getattr(s, name)) for name in curves)):
            columns[f"{s.thing.name} {name}"] = values.astype(np.float64)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    for row in np.column_stack(list(columns.values())):
        writer.writerow(["" if math.isnan(v) else "inf" if math.isinf(v) else f"{v:.6g}" for v in row])
    return out.getvalue()


def along_json(a: Along) -> dict[str, Any]:
    """Everything as plain data, units in the keys; what is not known is null."""
    curves = (
        "times_s",
        "speed_m_s",
        "along_m_s2",
        "heading_deg",
        "pitch_deg",
        "roll_deg",
        "lean_deg",
        "thrust_n",
        "horizon_percent",
        "horizon_off_percent",
        "horizon_roll_deg",
        "horizon_roll_off_deg",
        "filmed_m",
        "blur_percent",
        "skew_deg",
        "guide_error_percent",
        "battery_w",
        "used_wh",
    )
    out: dict[str, Any] = plain(
        {
            "title": a.pairing.title,
            "length_m": a.flown.length_m,
            "duration_s": a.flown.duration_s,
            **{name: getattr(a, name).tolist() for name in curves},
            "position_m": a.position_m.tolist(),
            "turn_deg_s": a.turn_deg_s.tolist(),
            "limits_used_percent": {name: values.tolist() for name, values in a.used_percent.items()},
            "stabiliser_percent": a.stabiliser_percent.tolist(),
            "things": [_thing(s) for s in a.seen],
            "room": None if a.room is None else {"closest": _nearest(a.room.closest), "contact": _nearest(a.room.contact)},
            "openings": [_through(p) for p in a.passings],
            "says": list(sentences(a)),
        }
    )
    return out


def _thing(s: Seen) -> dict[str, Any]:
    curves = ("height_percent", "width_percent", "speed", "blur_percent", "skew_deg", "distance_m", "off_percent")
    return {
        "name": s.thing.name,
        "in_frame_s": [list(each) for each in s.stays],
        "all_in_frame_s": [list(each) for each in s.whole_stays],
        **{{"speed": "frame_widths_s"}.get(name, name): getattr(s, name).tolist() for name in curves},
    }


def _through(p: Passing) -> dict[str, Any]:
    return {"opening": p.opening, "in_wall_s": [p.from_s, p.to_s], "room_cm": {side: {"cm": room, "at_s": when} for side, room, when in p.side_cm}}


def _nearest(near: Nearest | None) -> dict[str, Any] | None:
    if near is None:
        return None
    return {"time_s": near.time_s, "distance_m": near.distance_m, "at_m": near.point_m.tolist(), "side": near.side}
