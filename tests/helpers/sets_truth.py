"""The best cuts of a range by brute force: every way to cut it at places evenly spaced in inverse distance."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import cache

import numpy as np

from framematch.geometry.pairing import Pairing
from framematch.guide.best import best_rectangle, worst_error
from framematch.guide.transfer import distance_from, inverse_m


def worst_of(pairing: Pairing, cuts_m: tuple[float, ...]) -> float:
    """Worst error of the best rectangles of the pieces."""
    ends = [pairing.near_m, *cuts_m, pairing.far_m]
    pieces = [replace(pairing, near_m=near, far_m=far) for near, far in itertools.pairwise(ends)]
    return max(worst_error(piece, best_rectangle(piece)) for piece in pieces)


def brute_worst(pairing: Pairing, sets: int, places: int) -> float:
    """The smallest worst error over all ways to cut the range at some of so many places."""
    inverses = np.linspace(inverse_m(pairing.near_m), inverse_m(pairing.far_m), places + 1)
    distances = [pairing.near_m, *(distance_from(float(i)) for i in inverses[1:-1]), pairing.far_m]

    @cache
    def piece(a: int, b: int) -> float:
        return worst_of(replace(pairing, near_m=distances[a], far_m=distances[b]), ())

    def worst(cuts: tuple[int, ...]) -> float:
        ends = (0, *cuts, places)
        return max(piece(a, b) for a, b in itertools.pairwise(ends))

    return min(worst(cuts) for cuts in itertools.combinations(range(1, places), sets - 1))
