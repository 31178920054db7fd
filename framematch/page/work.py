"""What the page works out, kept by value: the same figures give the same thing at once, to whoever asks."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from framematch.compare import Comparison, Shot, compare
from framematch.geometry.pairing import Pairing
from framematch.guide.areas import Areas
from framematch.guide.best import Guide, best_rectangle, edge_error_curve
from framematch.guide.outline import outline
from framematch.guide.report import Report, guide_report
from framematch.guide.tolerance import Band
from framematch.guide.transfer import distance_from, inverse_m
from framematch.render.keep import kept_by_value

Floats = NDArray[np.float64]
FARTHEST_DRAWN_M = 100.0
_NOTHING = (math.nan,) * 4


@kept_by_value(limit_bytes=32_000_000)
def report_of(pairing: Pairing) -> Report:
    """The guide with all that goes with it."""
    return guide_report(pairing)


@kept_by_value(limit_bytes=8_000_000)
def first_report(pairing: Pairing) -> Report:
    """What the pictures need of the guide at once; areas, tolerance and characters are left out.

    The rectangle is the guide's own; the outline is set for the middle of the range in inverse distance,
    where it is best for parallel axes, until the whole report says where it is best for these.
    """
    main, *others = (_first(pairing.alone(i)) for i in range(len(pairing.frames)))
    return replace(main, pairing=pairing, frames=tuple(others))


def _first(pairing: Pairing) -> Report:
    middle_m = distance_from((inverse_m(pairing.near_m) + inverse_m(pairing.far_m)) / 2)
    return Report(
        pairing=pairing,
        guide=Guide(
            set_distance_m=middle_m,
            outline=outline(pairing, middle_m),
            rectangle=best_rectangle(pairing),
            outline_worst_error_percent=math.nan,
            rectangle_worst_error_percent=math.nan,
        ),
        at=(),
        areas=Areas(always=(), ever=()),
        band=Band(px=_NOTHING, percent=_NOTHING),
        cells=None,
        unseen_percent=0.0,
        warnings=(),
    )


@kept_by_value(limit_bytes=4_000_000)
def error_curve(pairing: Pairing) -> tuple[Floats, dict[str, Floats]]:
    """Distances around the range, and each side's error of the guide's rectangle there."""
    nearest = min(pairing.near_m, FARTHEST_DRAWN_M)  # infinite for a guide that serves the horizon alone
    near = max(nearest / 2, pairing.mount.forward_mm / 1000 + 0.05)
    far = min(pairing.far_m * 2, FARTHEST_DRAWN_M) if math.isfinite(pairing.far_m) else FARTHEST_DRAWN_M
    distances = np.geomspace(near, max(far, near * 1.5), 120)
    return distances, edge_error_curve(pairing, report_of(pairing).guide.rectangle, distances)


@kept_by_value(limit_bytes=16_000_000)
def comparison_of(pairing: Pairing, shot: Shot) -> Comparison:
    """The shot's lenses side by side."""
    return compare(pairing, shot, guide=True)
