"""The frame as it really bends on the display, at one distance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.camera import Rect
from framematch.geometry.pairing import Pairing
from framematch.guide.transfer import inverse_m, to_display

Floats = NDArray[np.float64]

CHORD_PX = 0.05  # no chord of an outline is farther than this from the curve
_DEEPEST = 12
_SHORTEST = 1e-5  # of a side: a border still bent here does not bend, it jumps (round the back of a fisheye)


@dataclass(frozen=True, kw_only=True, eq=False)
class Outline:
    """The frame's border on the display.

    Args:
        distance_m: distance it is true at.
        pieces: each (n, 2), display pixels; one closed ring where all of it is seen, else the parts
            that are seen, cut where they leave the picture.
        unseen_percent: share of the border that the display does not show, measured along the
            border in the recorded frame.
    """

    distance_m: float
    pieces: tuple[Floats, ...]
    unseen_percent: float

    @property
    def closed(self) -> bool:
        """Whether it is one whole ring."""
        return self.unseen_percent == 0 and len(self.pieces) == 1

    def as_list(self) -> list[list[float] | None]:
        """Points for JSON; None between two pieces lifts the pen."""
        out: list[list[float] | None] = []
        for piece in self.pieces:
            if out:
                out.append(None)
            out.extend(np.round(piece, 3).tolist())
        return out


def border_shares(pairing: Pairing, inverse: float) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Places along the frame's border (0..4, see ``Rect.border``) dense enough for ``CHORD_PX``.

    Returns:
        The places (n), their display pixels (n, 2) and validity (n). Where the lens's domain is
        entered or left, the last valid place is among them.
    """

    def look(s: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        return to_display(pairing, pairing.frame.border(s), inverse)

    s = np.linspace(0, 4, 33)
    q, ok = look(s)
    for _ in range(_DEEPEST):
        inner = s[:-1, None] + np.diff(s)[:, None] * [0.25, 0.5, 0.75]
        q_in, ok_in = look(inner)
        bent = _off_chord(q[:-1], q[1:], q_in).max(axis=1) > 0.8 * CHORD_PX
        mixed = ok_in.any(axis=1) & ~(ok[:-1] & ok[1:] & ok_in.all(axis=1)) & (np.diff(s) > 1e-4)
        split = (bent & (np.diff(s) > _SHORTEST) & near_picture(pairing, q[:-1], q[1:], *np.moveaxis(q_in, 1, 0))) | mixed
        if not split.any():
            break
        s = np.concatenate([s, inner[split].ravel()])
        q = np.concatenate([q, q_in[split].reshape(-1, 2)])
        ok = np.concatenate([ok, ok_in[split].ravel()])
        order = np.argsort(s, kind="stable")
        s, q, ok = s[order], q[order], ok[order]
    turn = np.flatnonzero(ok[:-1] != ok[1:])
    if len(turn):
        good, bad = np.where(ok[turn], s[turn], s[turn + 1]), np.where(ok[turn], s[turn + 1], s[turn])
        for _ in range(50):
            middle = (good + bad) / 2
            fine = look(middle)[1]
            good, bad = np.where(fine, middle, good), np.where(fine, bad, middle)
        s = np.concatenate([s, good])
        order = np.argsort(s, kind="stable")
        s = s[order]
        q, ok = look(s)
    return s, q, ok


def near_picture(pairing: Pairing, *points: Floats) -> NDArray[np.bool_]:
    """Whether shapes through points, each (n, 2), come near what the display shows; NaN says nothing."""
    shown = pairing.display.shown
    low, high = np.fmin.reduce(points), np.fmax.reduce(points)
    room = np.array([shown.width, shown.height]) / 10
    with np.errstate(invalid="ignore"):
        near: NDArray[np.bool_] = ((high > [shown.left, shown.top] - room) & (low < [shown.right, shown.bottom] + room)).all(axis=-1)
    return near


def outline(pairing: Pairing, distance_m: float) -> Outline:
    """The frame's border on the display for what is at a distance (may be infinite)."""
    s, q, ok = border_shares(pairing, inverse_m(distance_m))
    start, end, seen = _clip(q, ok, pairing.display.shown)
    with np.errstate(invalid="ignore"):
        seen &= ~((np.diff(s) <= _SHORTEST) & (np.hypot(*np.diff(q, axis=0).T) > 1.0))
    length = np.diff(s) * _side_length(pairing.frame, (s[:-1] + s[1:]) / 2)
    share = 1 - float(np.sum(length * np.where(seen, end - start, 0.0)) / np.sum(length))
    pieces = _join(q, start, end, seen)
    whole = bool(seen.all() and (start == 0).all() and (end == 1).all())
    return Outline(distance_m=distance_m, pieces=pieces, unseen_percent=0.0 if whole else 100 * max(share, 0.0))


def _side_length(frame: Rect, s: Floats) -> Floats:
    return np.where(np.floor(s) % 2 == 0, frame.width, frame.height)


def _off_chord(a: Floats, b: Floats, inner: Floats) -> Floats:
    """Distance (n, m) of points (n, m, 2) from the chords a-b (n, 2); 0 where anything is NaN."""
    chord = b - a
    length = np.hypot(chord[:, 0], chord[:, 1])
    with np.errstate(all="ignore"):
        cross = chord[:, None, 0] * (inner[..., 1] - a[:, None, 1]) - chord[:, None, 1] * (inner[..., 0] - a[:, None, 0])
        away = np.where(length[:, None] > 1e-12, np.abs(cross) / length[:, None], np.hypot(*np.moveaxis(inner - a[:, None], -1, 0)))
    return np.nan_to_num(away, nan=0.0)


def _clip(q: Floats, ok: NDArray[np.bool_], shown: Rect) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Part of each chord inside the shown picture, from ``start`` to ``end`` (Liang and Barsky, 1984)."""
    a, step = q[:-1], np.diff(q, axis=0)
    start, end = np.zeros(len(a)), np.ones(len(a))
    seen = ok[:-1] & ok[1:]
    with np.errstate(all="ignore"):
        for axis, low, high in ((0, shown.left, shown.right), (1, shown.top, shown.bottom)):
            for sign, limit in ((-1.0, -low), (1.0, high)):
                pace, room = sign * step[:, axis], limit - sign * a[:, axis]
                at = room / pace
                seen &= ~((pace == 0) & (room < 0))
                start = np.where(pace < 0, np.maximum(start, at), start)
                end = np.where(pace > 0, np.minimum(end, at), end)
    seen &= start <= end
    return start, end, seen


def _join(q: Floats, start: Floats, end: Floats, seen: NDArray[np.bool_]) -> tuple[Floats, ...]:
    chord = np.diff(q, axis=0)
    first, last = q[:-1] + chord * start[:, None], np.where(end[:, None] == 1, q[1:], q[:-1] + chord * end[:, None])
    kept = np.flatnonzero(seen)
    if not len(kept):
        return ()
    goes_on = (start[kept[1:]] == 0) & (last[kept[:-1]] == first[kept[1:]]).all(axis=1)
    pieces = [np.vstack([first[run[:1]], last[run]]) for run in np.split(kept, np.flatnonzero(~goes_on) + 1)]
    if len(pieces) > 1 and math.dist(pieces[-1][-1], pieces[0][0]) < 1e-9:  # the border's start is not a cut
        pieces[0] = np.vstack([pieces.pop(), pieces[0][1:]])
    return tuple(piece for piece in pieces if np.ptp(piece, axis=0).max() > 1e-9)
