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
from framematch.guide.best import at_distance, best_rectangle, best_set_distance, worst_error
from framematch.guide.transfer import distance_from, inverse_m

MOST_SETS = 4
_FINE = 1e-4  # of the range: how closely a cut is looked for
_SLACK_PERCENT = 0.003  # what evenly spaced cuts may cost the rectangle


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
            piece = replace(self.pairing, near_m=self.distance_m(start), far_m=self.distance_m(end))
            found = worst_error(piece, best_rectangle(piece))
            self.known[start, end] = 0.0 if math.isnan(found) else found
        return self.known[start, end]

    def farthest(self, start: float, level: float) -> float:
        """How far a piece from a place on may reach to be off by no more than a level."""
        return start + _largest(lambda length: self.error(start, start + length) <= level, lambda length: self.error(start, start + length) - level, 1 - start)

    def nearest(self, end: float, level: float) -> float:
        """Where a piece up to a place may begin to be off by no more than a level."""
        return end - _largest(lambda length: self.error(end - length, end) <= level, lambda length: self.error(end - length, end) - level, end)


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
    level = _lowest_level(whole, count) + _SLACK_PERCENT
    places = [0.0]
    for i in range(1, count):
        even, farthest = i / count, whole.farthest(places[-1], level)
        places.append(min(max(even, _latest_start(whole, count - i, level)), farthest) if even < farthest else farthest)
    return tuple(whole.distance_m(place) for place in places[1:])


def gain_from_two(pairing: Pairing, *, rectangle_percent: float, outline_percent: float, least: float) -> tuple[float, float, float] | None:
    """What two sets of lines would be off by, or None where that is not ``least`` points less than what one set is.

    Args:
        rectangle_percent, outline_percent: worst errors of the one set.

    Returns:
        The distance of the cut in m, and the worst errors of rectangle and outline in percent.
    """
    if not pairing.far_m > pairing.near_m or math.isnan(rectangle_percent):
        return None
    ends = [at_distance(pairing, d) for d in (pairing.near_m, pairing.far_m)]
    # No piece is better than its own ends; an outline is exact at one distance, and two halve what is left at the best.
    if rectangle_percent - max(worst_error(end, best_rectangle(end)) for end in ends) < least and not outline_percent / 2 > 0.9 * least:
        return None
    (cut,) = best_cuts(pairing, 2)
    pieces = [replace(pairing.alone(), near_m=pairing.near_m, far_m=cut), replace(pairing.alone(), near_m=cut, far_m=pairing.far_m)]
    rectangle = max(worst_error(piece, best_rectangle(piece)) for piece in pieces)
    outline = max(best_set_distance(piece)[1] for piece in pieces)
    gained = (rectangle_percent - rectangle, outline_percent - outline)
    return (cut, rectangle, outline) if max(gained) >= least else None


def _lowest_level(whole: _Range, count: int) -> float:
    """The smallest worst error that so many pieces can have."""
    high = whole.error(0.0, 1.0)
    if count == 1 or high <= 0:
        return high
    if count == 2:
        place = _largest(lambda at: whole.error(0.0, at) <= whole.error(at, 1.0), lambda at: whole.error(0.0, at) - whole.error(at, 1.0), 1.0)
        return min(max(whole.error(0.0, at), whole.error(at, 1.0)) for at in (place, min(place + _FINE, 1.0)))

    def last(level: float) -> float:
        place = 0.0
        for _ in range(count - 1):
            place = whole.farthest(place, level)
            if place >= 1.0:
                return 0.0
        return whole.error(place, 1.0)

    most = high * (1 - 1e-9)
    return most - _largest(lambda less: last(most - less) <= most - less, lambda less: last(most - less) - (most - less), most, fine=2e-3)


def _latest_start(whole: _Range, pieces: int, level: float) -> float:
    """From where so many pieces get to the end without one being worse than a level."""
    place = 1.0
    for _ in range(pieces):
        place = whole.nearest(place, level)
    return place


def _largest(holds: Callable[[float], bool], over: Callable[[float], float], end: float, *, fine: float = _FINE) -> float:
    """The largest number up to ``end`` for which something holds that holds up to there and not beyond.

    False position with halved weights (Illinois), by bisection where a jump defeats it.

    Args:
        over: by how much it does not hold; - where it does.
    """
    if end <= 0 or holds(end):
        return end
    low, high, under, above = 0.0, end, over(0.0), over(end)
    kept = 0
    while high - low > fine:
        share = under / (under - above) if under < 0 < above else 0.5
        at = low + (high - low) * (min(max(share, 0.02), 0.98) if abs(kept) < 3 else 0.5)
        value = over(at)
        if value <= 0:
            low, under, above, kept = at, value, above / 2 if kept > 0 else above, max(kept, 0) + 1
        else:
            high, above, under, kept = at, value, under / 2 if kept < 0 else under, min(kept, 0) - 1
    return low
