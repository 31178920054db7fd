"""Several sets of lines: where to cut a range of distances so that the worst set is as good as it can be.

Each set is the best guide of its own piece. The error of a piece never falls as the piece grows, so the
best cuts are those at which all pieces are equally far off: for a level of error, each piece in turn
reaches as far as it may, and the level is the lowest at which the last one gets to the end. Distances
count by their inverse, as parallax does: for parallel axes and straight lenses the cuts are evenly spaced
in 1/d and the error falls to 1/n.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.guide.best import best_rectangle, worst_error
from framematch.guide.transfer import distance_from, inverse_m
from framematch.progress import step

MOST_SETS = 4
_FINE = 1e-4  # of the range: how closely a cut is looked for
_SLACK = 5e-4  # of the error: what evenly spaced cuts may cost the rectangle
_CLOSE = 2e-4  # of the error: how closely pieces are made alike


@dataclass
class _Range:
    """Errors of pieces of a pairing's range, each worked out once; a place is 0 at the nearest distance and 1 at the farthest."""

    pairing: Pairing
    known: dict[tuple[float, float], float] = field(default_factory=dict)

    def distance_m(self, place: float) -> float:
        if place in (0.0, 1.0):
            return self.pairing.far_m if place else self.pairing.near_m
        near, far = inverse_m(self.pairing.near_m), inverse_m(self.pairing.far_m)
        return distance_from(near + (far - near) * place)

    def error(self, start: float, end: float) -> float:
        """Of the best rectangle for a piece, in percent; where it can't be judged, the piece is no worse than another."""
        if (start, end) not in self.known:
            step("Where to cut the range")
            piece = replace(self.pairing, near_m=self.distance_m(start), far_m=self.distance_m(end))
            found = worst_error(piece, best_rectangle(piece))
            self.known[start, end] = 0.0 if math.isnan(found) else found
        return self.known[start, end]

    def farthest(self, start: float, level: float) -> float:
        """How far a piece from a place on may reach to be off by no more than a level."""
        return start + _largest(lambda length: self.error(start, start + length) - level, 1 - start, close=self.close)

    def nearest(self, end: float, level: float) -> float:
        """Where a piece up to a place may begin to be off by no more than a level."""
        return end - _largest(lambda length: self.error(end - length, end) - level, end, close=self.close)

    def halved(self, close: float) -> float:
        """Where to cut it in two, to within so many points between the pieces."""
        return _largest(lambda at: self.error(0.0, at) - self.error(at, 1.0), 1.0, close=close)

    @property
    def close(self) -> float:
        """Errors that count as alike, in percent."""
        return _CLOSE * self.error(0.0, 1.0)


def best_cuts(pairing: Pairing, count: int) -> tuple[float, ...]:
    """Distances in m, near first, that cut the range into ``count`` pieces with the smallest worst error of the rectangle.

    Where that leaves room, they are as evenly spaced in inverse distance as it lets them.

    Raises:
        InputError: no such number of sets, or a range of one distance.
    """
    if not 1 <= count <= MOST_SETS:
        raise InputError(f"{count} sets of lines can't be made", field="sets", fix=f"give 1 to {MOST_SETS}")
    if count > 1 and not pairing.far_m > pairing.near_m:
        raise InputError(f"one distance can't be cut into {count} sets of lines", field="sets", fix="give a range of distances, or 1 set")
    whole = _Range(pairing.alone())
    if count == 1:
        return ()
    level = _lowest_level(whole, count) + _SLACK * whole.error(0.0, 1.0)
    places = [0.0]
    for i in range(1, count):
        even, farthest = i / count, whole.farthest(places[-1], level)
        places.append(min(max(even, _latest_start(whole, count - i, level)), farthest) if even < farthest else farthest)
    return tuple(whole.distance_m(place) for place in places[1:])


def foretold_of_two(pairing: Pairing, *, near: float, far: float, whole: float) -> tuple[float, float]:
    """About where two sets of lines would be changed, in m, and about what they would be off by, in percent.

    Nothing is searched for: the error of a piece is taken to grow evenly with its length in 1/d, as parallax does.
    On random rigs it promises no more than a search finds, 0.01 points less in the middle and a quarter of the gain less at the worst.

    Args:
        pairing: with a range of distances.
        near, far, whole: worst errors of the best rectangle for the nearest and the farthest distance alone and for all of the range.
    """
    start, end = inverse_m(pairing.near_m), inverse_m(pairing.far_m)
    share = (whole - near) / (2 * whole - near - far)
    return distance_from(start + (end - start) * share), near + share * (whole - near)


def _lowest_level(whole: _Range, count: int) -> float:
    """The smallest worst error that so many pieces can have."""
    high = whole.error(0.0, 1.0)
    if high <= 0:
        return high
    if count == 2:
        place = whole.halved(whole.close)
        return max(whole.error(0.0, place), whole.error(place, 1.0))

    def last(level: float) -> float:
        place = 0.0
        for _ in range(count - 1):
            place = whole.farthest(place, level)
            if place >= 1.0:
                return 0.0
        return whole.error(place, 1.0)

    return high - _largest(lambda less: last(high - less) - (high - less), high, fine=whole.close, close=whole.close)


def _latest_start(whole: _Range, pieces: int, level: float) -> float:
    """From where so many pieces get to the end without one being worse than a level."""
    place = 1.0
    for _ in range(pieces):
        place = whole.nearest(place, level)
    return place


def _largest(over: Callable[[float], float], end: float, *, close: float, fine: float = _FINE) -> float:
    """The largest number from 0 to ``end`` at which something is not over 0 that grows with it.

    False position with halved weights (Illinois), by bisection where a jump defeats it.

    Args:
        close: how little below 0 is good enough.
        fine: how closely the number is looked for.
    """
    above = over(end) if end > 0 else 0.0
    if above <= 0:
        return end
    low, high, under = 0.0, end, over(0.0)
    kept = 0
    while high - low > fine:
        share = under / (under - above) if under < 0 < above else 0.5
        at = low + (high - low) * (min(max(share, 0.02), 0.98) if abs(kept) < 3 else 0.5)
        value = over(at)
        if -close <= value <= 0:
            return at
        if value <= 0:
            low, under, above, kept = at, value, above / 2 if kept > 0 else above, max(kept, 0) + 1
        else:
            high, above, under, kept = at, value, under / 2 if kept < 0 else under, min(kept, 0) - 1
    return low
