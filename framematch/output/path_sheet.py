"""One sheet of a flight: its way seen from above, and what follows along it against time."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.compare.along import Along
from framematch.compare.along_report import sentences
from framematch.guide.shown import amount, centimetres, unit
from framematch.output.chart import Axis, Curve, Patch, Spot, reach, span, style
from framematch.output.panels import ALARM, GREY, PETROL, PLUM, RUST, Panel, panel_pages
from framematch.output.sheet_page import A4_DPI, INK, SOFT, Page, write_pages

Floats = NDArray[np.float64]

NOTICED_M_S2 = 0.5  # speeding up or braking below this is drawn as even
_TALL_MM, _PLAN_MM = 21.0, 50.0
_KEY = (("speeding up", PETROL), ("braking (dashed)", RUST), ("even (thin)", GREY))
_STYLES: tuple[tuple[float, tuple[float, ...]], ...] = (
    (0.32, ()),
    (0.32, (0.5, 0.25)),
    (0.16, ()),
)  # width and dashes, in text sizes: grey print tells them too


def write_path_sheet(path: Path, a: Along, *, asked: Sequence[str] = (), paper: str = "A4") -> None:
    """Write the sheet as ``.pdf`` or ``.png``, whole or not at all.

    Args:
        asked: answers to questions, in sentences, before the figures.

    Raises:
        InputError: another ending, Matplotlib missing, or the file can't be written.
    """
    write_pages(path, path_pages(a, asked=asked, paper=paper), title=a.pairing.title, dpi=A4_DPI)


def path_pages(a: Along, *, asked: Sequence[str] = (), paper: str = "A4") -> list[Page]:
    """The sheet's pages: one, and another for the words that it has no room for."""
    *said, caution = sentences(a)
    return panel_pages(
        [_plan(a), *_panels(a)],
        title=a.pairing.title or "A flight",
        about="The flight as it leans, and what the frame shows. Advisory; see the last lines.",
        time=Axis(name="seconds", first=0.0, last=a.flown.duration_s),
        answers=asked,
        said=(*said, caution),
        foot=f"Flight: {a.pairing.heading}",
        paper=paper,
    )


def _panels(a: Along) -> list[Panel]:
    """The panels that have something to show."""
    attitude = [("nose up", a.pitch_deg, PETROL), ("right down", a.roll_deg, PLUM), ("slope", a.horizon_roll_deg, GREY)]
    picture = [("blur, %", a.blur_percent, RUST), ("guide off, %", a.guide_error_percent, PETROL), ("skew, deg", np.abs(a.skew_deg), PLUM)]
    stabiliser = [(name, a.stabiliser_percent[:, i], colour) for i, (name, colour) in enumerate((("pan", PETROL), ("tilt", RUST), ("roll", PLUM)))]
    inks = {"lean": PETROL, "thrust": RUST, "turning": PLUM}
    limits = [(name, values, inks[name]) for name, values in a.used_percent.items()]
    speed = amount(1.0, "m/s") * a.speed_m_s
    return [
        Panel(
            up=Axis(name=f"Speed, {unit('m/s')}", first=0.0, last=1.15 * float(speed.max())),
            curves=_coloured(a, a.times_s, speed),
            tall_mm=_TALL_MM,
        ),
        *_lines(a, "Attitude of the aircraft: nose up, right side down; slope of the horizon in the frame; degrees", attitude, level=0.0),
        _horizon(a),
        *([_bars(a)] if a.seen else []),
        *_lines(a, "Picture, at what the frame's middle shows (blur in percent of the frame's width)", picture),
        *_lines(a, "Stabiliser, percent of its margin used", stabiliser, level=100.0),
        *_lines(a, "Limits of the aircraft, percent used", limits, level=100.0),
        *_room(a),
    ]


def _coloured(a: Along, x: Floats, y: Floats) -> list[Curve]:
    """A line in three pieces: speeding up, braking, even."""
    speeding, braking = a.along_m_s2 > NOTICED_M_S2, a.along_m_s2 < -NOTICED_M_S2
    out = []
    for (_, colour), (width, dash), there in zip(_KEY, _STYLES, (speeding, braking, ~(speeding | braking)), strict=True):
        shown = there | np.append(False, there[:-1])  # a piece begins where the last one ends
        out.append(Curve(name="", x=x, y=np.where(shown, y, np.nan), colour=colour, width=width, dash=dash))
    return out


def _lines(a: Along, title: str, curves: Sequence[tuple[str, Floats, str]], *, level: float | None = None) -> list[Panel]:
    known = [each for each in curves if np.isfinite(each[1]).any()]
    low, high = reach([values for _, values, _ in known])
    drawn = [Curve(name=name, x=a.times_s, y=values, colour=colour, dash=style(i)[1]) for i, (name, values, colour) in enumerate(known)]
    return [Panel(up=Axis(name=title, first=low, last=high), curves=drawn, tall_mm=_TALL_MM, level=level)] if known else []


def _horizon(a: Along) -> Panel:
    height, off = a.horizon_percent, a.horizon_off_percent
    low, high = reach([height - off, height + off])
    patches = [span((0.0, a.flown.duration_s), (0.0, 100.0), GREY, 0.15)]
    if (off > 0.2).any():
        known = np.flatnonzero(np.isfinite(height))
        there, back = (np.column_stack([a.times_s, height + sign * off])[known] for sign in (1, -1))
        patches.append(Patch(corners=np.concatenate([there, back[::-1]]), colour=PETROL, opacity=0.25))
    return Panel(
        up=Axis(name="Horizon, percent of the frame's height (grey: in the frame; pale: 95 %)", first=min(-15.0, low), last=max(115.0, high)),
        curves=[Curve(name="height", x=a.times_s, y=height, colour=PETROL)],
        patches=patches,
        tall_mm=1.25 * _TALL_MM,
    )


def _bars(a: Along) -> Panel:
    """When each thing is in the frame, a row each."""
    names, patches = [], []
    for row, each in enumerate(a.seen):
        colour = PLUM if each.thing.subject else INK
        for spans, strength in ((each.stays, 0.3), (each.whole_stays, 1.0)):
            patches += [span(ends, (row - 0.3, row + 0.3), colour, strength) for ends in spans]
        names.append(Curve(name=each.thing.name, x=[a.flown.duration_s], y=[row], colour=colour))
    up = Axis(name="In the frame (pale: a part of it)", first=len(a.seen) - 0.5, last=-0.5, ticks=())
    return Panel(up=up, curves=names, patches=patches, tall_mm=6.5 + 3.3 * len(a.seen))


def _room(a: Along) -> list[Panel]:
    if a.room is None or not np.isfinite(a.room.distance_m).any():
        return []
    shown = amount(100.0, "cm")  # of a metre
    distance = np.where(np.isfinite(a.room.distance_m), shown * a.room.distance_m, np.nan)
    near, unsure = a.room.contact or a.room.closest, a.filming.uncertainty_m
    words = "" if near is None else "touches" if a.room.contact is not None else centimetres(100 * near.distance_m)
    title = f"Room to the nearest surface, {unit('cm')}" + (" (red: the path may be that far off)" if unsure else "")
    return [
        Panel(
            up=Axis(name=title, first=0.0, last=1.1 * float(np.nanmax(distance)) + 1),
            curves=[Curve(name="", x=a.room.times_s, y=distance, colour=INK)],
            patches=[span((0.0, a.flown.duration_s), (0.0, shown * unsure), ALARM, 0.15)] if unsure else [],
            spots=[] if near is None else [Spot(x=near.time_s, y=shown * near.distance_m, colour=ALARM, words=words)],
            tall_mm=_TALL_MM,
        )
    ]


def _plan(a: Along) -> Panel:
    """Way and things seen from above, turned so that the way runs to the right."""
    start, end = a.position_m[0], a.position_m[-1]
    far = a.position_m[np.linalg.norm((a.position_m - start)[:, [0, 2]], axis=1).argmax()] if np.allclose(start, end) else end
    way = (far - start)[[0, 2]]
    way = way / max(float(np.linalg.norm(way)), 1e-9)

    def seen(points: ArrayLike) -> Floats:
        flat = amount(1.0, "m") * (np.asarray(points) - start)[..., [0, 2]]
        return np.stack([flat @ way, flat @ np.array([way[1], -way[0]])], axis=-1)  # left of the way is up

    places = seen(a.position_m)
    curves, spots = _coloured(a, *places.T), []
    last: Floats | None = None
    for t in np.arange(0, a.flown.duration_s + 1e-9, max(1.0, round(a.flown.duration_s / 12))):
        i = int(np.abs(a.times_s - t).argmin())
        pose = a.flown.airframe(a.times_s[i])
        wing = seen([pose.points([-0.45, 0, 0]), pose.points([0.45, 0, 0])])
        curves.append(Curve(name="", x=wing[:, 0], y=wing[:, 1], colour=INK, width=0.14))
        if last is None or np.linalg.norm(places[i] - last) >= 0.04 * np.ptp(places[:, 0]):  # or its words would lie over the last ones
            last = places[i]
            falls = places[min(i + 1, len(places) - 1), 1] < last[1]
            spots.append(Spot(x=last[0], y=last[1], colour=SOFT, words=f"{t:g} s", below=not falls, radius=0.0))
    for each in a.seen:
        points = seen(each.thing.points_m)
        if each.thing.subject:
            spots.append(Spot(x=points[0, 0], y=points[0, 1], colour=PLUM, words=each.thing.name))
        else:
            curves.append(Curve(name="", x=points[:, 0], y=points[:, 1], colour=INK, width=0.4))
    near = None if a.room is None else a.room.contact or a.room.closest
    if near is not None and a.room is not None:
        touch = a.room.contact is not None
        x, y = seen(near.point_m)
        words = f"touches, {near.time_s:.2f} s" if touch else f"closest, {centimetres(100 * near.distance_m)}"
        spots.append(Spot(x=x, y=y, colour=ALARM, words=words, filled=touch))
    shown = np.concatenate([places, *(seen(each.thing.points_m) for each in a.seen)])
    (left, low), (right, high) = shown.min(axis=0) - 0.8, shown.max(axis=0) + 0.8
    return Panel(
        up=Axis(name=f"From above, {unit('m')}; each second, wings as they bank", first=low, last=high),
        across=Axis(name="", first=left, last=right),
        curves=curves,
        spots=spots,
        key=_KEY,
        tall_mm=_PLAN_MM,
        one_scale=True,
    )
