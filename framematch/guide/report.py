"""Everything that there is to say about a pairing's guide, worked out once for file, screen and paper."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from framematch.geometry.camera import Rect
from framematch.geometry.pairing import Pairing, check_frame_imaged
from framematch.guide.areas import Areas, areas
from framematch.guide.best import EdgeErrors, Guide, at_distance, best_guide, best_rectangle, rectangle_errors
from framematch.guide.cells import Cells, best_cells
from framematch.guide.outline import Outline, outline
from framematch.guide.tolerance import Band, band_over_range
from framematch.guide.transfer import EDGES, distance_from, inverse_m

STRONG_BEND = 0.15  # of k1; wide lenses that are measured lie well within (practice)
LARGE_ERROR_PERCENT = 5.0  # the safe-action margin of one edge is 3.5 % (EBU R 95)


@dataclass(frozen=True, kw_only=True, eq=False)
class AtDistance:
    """The true frame at one distance, and how far the range's rectangle is off there."""

    distance_m: float
    outline: Outline
    rectangle: Rect
    error: EdgeErrors


@dataclass(frozen=True, kw_only=True, eq=False)
class Report:
    """A pairing's guide with all that goes with it. Pixels are the display's.

    Args:
        pairing: what it was worked out for.
        guide: the best guide over the pairing's range.
        at: the true frame at five distances, near first (fewer where they coincide).
        areas: what is always and what is ever recorded, grown and shrunk by the tolerance.
        band: how far the true edges may lie from the guide's, half-widths of 95 % intervals.
        cells: the guide on the character grid, None without one.
        unseen_percent: of the frame's border, what the display does not show, at the worst distance.
        warnings: what to know, in whole sentences.
    """

    pairing: Pairing
    guide: Guide
    at: tuple[AtDistance, ...]
    areas: Areas
    band: Band
    cells: Cells | None
    unseen_percent: float
    warnings: tuple[str, ...]


def guide_report(pairing: Pairing) -> Report:
    """Work out the guide, its errors, areas, tolerance, character cells and what to know about them.

    Definitions are those of DEVELOPERS.md: errors in percent of the frame, distances in metres along
    the recording camera's axis. ``framematch.guide.best`` has the parts one by one.

    Args:
        pairing: of any two lenses; the frame may lie partly off the display.

    Raises:
        InputError: the frame is nowhere on the display, or the recording lens images nothing of one of its sides.
    """
    check_frame_imaged(pairing)
    guide = best_guide(pairing)
    band = band_over_range(pairing, set_distance_m=guide.set_distance_m)
    margin = tuple(0.0 if math.isnan(p) else p for p in band.percent)
    shapes = areas(pairing, margin_percent=(margin[0], margin[1], margin[2], margin[3]))
    at = tuple(_at(pairing, guide, d) for d in five_distances(pairing, guide.set_distance_m))
    unseen = max(each.outline.unseen_percent for each in at)
    cells = best_cells(pairing, near=guide.rectangle)
    return Report(
        pairing=pairing,
        guide=guide,
        at=at,
        areas=shapes,
        band=band,
        cells=cells,
        unseen_percent=unseen,
        warnings=tuple(_warnings(pairing, guide, at, shapes, band, cells, unseen)),
    )


def five_distances(pairing: Pairing, set_m: float) -> list[float]:
    """Near, far, the set distance, and one between each in inverse distance; near first, without repeats."""
    near, middle, far = inverse_m(pairing.near_m), inverse_m(set_m), inverse_m(pairing.far_m)
    inverses = [near, (near + middle) / 2, middle, (middle + far) / 2, far]
    exact = {near: pairing.near_m, middle: set_m, far: pairing.far_m}
    distinct = list(dict.fromkeys(inverses))
    return [exact.get(i, distance_from(i)) for i in sorted(distinct, reverse=True)]


def _at(pairing: Pairing, guide: Guide, distance_m: float) -> AtDistance:
    return AtDistance(
        distance_m=distance_m,
        outline=outline(pairing, distance_m),
        rectangle=best_rectangle(at_distance(pairing, distance_m)),
        error=rectangle_errors(pairing, guide.rectangle, distance_m),
    )


def insets_px(rectangle: Rect, display_px: tuple[int, int]) -> tuple[float, float, float, float]:
    """How far each side lies in from the display's left, top, right and bottom edge; - is off the display."""
    return rectangle.left, rectangle.top, display_px[0] - rectangle.right, display_px[1] - rectangle.bottom


def insets_percent(rectangle: Rect, display_px: tuple[int, int]) -> tuple[float, float, float, float]:
    """The insets in percent of the display's width (left, right) or height (top, bottom)."""
    left, top, right, bottom = insets_px(rectangle, display_px)
    width, height = display_px
    return 100 * left / width, 100 * top / height, 100 * right / width, 100 * bottom / height


def metres(distance_m: float) -> str:
    """A distance as people read it: ``2.86 m``, ``30 m``, ``infinity``."""
    return "infinity" if math.isinf(distance_m) else f"{distance_m:.3g} m"


def equivalent_words(value_mm: float, *, digits: int = 0) -> str:
    """A focal length on the 135 format: ``29 mm``, or ``none`` where the angle is 180 degrees or more, or lies in the dark."""
    return "none" if math.isnan(value_mm) else f"{value_mm:.{digits}f} mm"


def _warnings(pairing: Pairing, guide: Guide, at: tuple[AtDistance, ...], shapes: Areas, band: Band, cells: Cells | None, unseen: float) -> list[str]:
    found = []
    insets = dict(zip(EDGES, insets_px(guide.rectangle, pairing.display.raster_px), strict=True))
    off = [edge for edge, inset in insets.items() if inset < 0]
    if off:
        found.append(f"The guide's {_listed(off)} {'side lies' if len(off) == 1 else 'sides lie'} off the display: the goggles don't show all of the frame.")
    if abs(pairing.mount.roll_deg) > 45:
        found.append(
            "The monitoring camera's picture is rolled by more than 45 degrees, and no upright rectangle fits it. If camera or goggles turn the picture "
            "upright, give the roll that is left on the display, such as 0."
        )
    if unseen > 0.05:
        found.append(f"Up to {unseen:.1f} % of the frame's border can't be seen on the display.")
    if not shapes.always:
        found.append("No part of the display is recorded at every distance of the range: narrow the range.")
    worst = guide.rectangle_worst_error_percent
    if math.isnan(worst):
        found.append("No side of the rectangle can be judged: the monitoring lens does not reach the frame's border.")
    elif worst > LARGE_ERROR_PERCENT:
        where = max(at, key=lambda each: -1.0 if math.isnan(each.error.worst) else each.error.worst)
        found.append(
            f"The rectangle is off by up to {worst:.1f} % of the frame, most at {metres(where.distance_m)}: leave that much room, or narrow the range."
        )
    bow = worst - guide.outline_worst_error_percent
    if bow > 2:
        found.append(f"The frame's edges bend on this wide picture: the outline is truer than the rectangle by {bow:.1f} % of the frame.")
    if not pairing.tolerance.given:
        found.append("No tolerance is given: the figures of mount and lenses are taken as exact.")
    elif band.worst_percent > LARGE_ERROR_PERCENT:
        found.append(f"The tolerances alone can move an edge by {band.worst_percent:.1f} % of the frame: measure the rig.")
    for camera, misses in pairing.lens_fit_deg:
        name, miss = max(misses, key=lambda each: abs(each[1]))
        if abs(miss) > 0.25:
            found.append(f"No {camera} lens has all the quoted angles: its {name} angle is {miss:+.1f} degrees off; taken as that uncertain.")
        lens = pairing.monitoring.lens if camera == "monitoring" else pairing.recording.lens
        if len(misses) > 1 and lens.k and abs(lens.k[0]) > STRONG_BEND:
            found.append(f"The {camera} camera's quoted angles fit only a strongly bent lens (k1 = {lens.k[0]:.2f}): check them, or measure the lens.")
    if math.isnan(pairing.angles["monitoring"].diagonal):
        found.append("The monitoring lens does not reach its picture's corners: dark corners are to be expected.")
    if cells and cells.worst_error_percent > worst + 2:
        found.append(f"The character grid is coarser than free lines: off by up to {cells.worst_error_percent - worst:.1f} % of the frame more.")
    return found


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def report_json(report: Report) -> dict[str, Any]:
    """The report as plain data for JSON: ``inf`` as the string, what can't be given as None.

    Units stand in the keys (``_px`` of the display, ``_m``, ``_deg``, ``_percent``); outlines are lists of
    pieces, each a list of [x, y].

    Args:
        report: as :func:`guide_report` gives it.
    """
    pairing, guide = report.pairing, report.guide
    display = pairing.display.raster_px
    cells = report.cells
    data = {
        "title": pairing.title,
        "display_px": list(display),
        "distance_m": [pairing.near_m, pairing.far_m],
        "angles_deg": {name: {"horizontal": a.horizontal, "vertical": a.vertical, "diagonal": a.diagonal} for name, a in pairing.angles.items()},
        "guide": {
            "set_distance_m": guide.set_distance_m,
            "outline_px": guide.outline.as_list(),
            "rectangle_px": _edges(guide.rectangle.as_tuple()),
            "rectangle_percent": _edges(insets_percent(guide.rectangle, display)),
            "rectangle_worst_error_percent": guide.rectangle_worst_error_percent,
            "outline_worst_error_percent": guide.outline_worst_error_percent,
        },
        "areas": {"always_px": _rings(report.areas.always), "ever_px": _rings(report.areas.ever)},
        "at": [
            {
                "distance_m": each.distance_m,
                "outline_px": each.outline.as_list(),
                "rectangle_px": _edges(each.rectangle.as_tuple()),
                "error_percent": {**{edge: getattr(each.error, edge) for edge in EDGES}, "worst": each.error.worst},
            }
            for each in report.at
        ],
        "unseen_percent": report.unseen_percent,
        "tolerance": {**{f"{edge}_px": px for edge, px in zip(EDGES, report.band.px, strict=True)}, "worst_percent": report.band.worst_percent},
        "cells": None
        if cells is None
        else {
            "grid": list(cells.grid),
            "counted_from": 1,
            "columns": [cells.left_column, cells.right_column],
            "rows": [cells.top_row, cells.bottom_row],
            "rectangle_px": _edges(cells.rectangle.as_tuple()),
            "worst_error_percent": cells.worst_error_percent,
        },
        "lens_fit": {camera: {f"{name}_residual_deg": miss for name, miss in misses} for camera, misses in pairing.lens_fit_deg},
        "warnings": list(report.warnings),
    }
    out: dict[str, Any] = plain(data)
    return out


def _edges(values: tuple[float, float, float, float]) -> dict[str, float]:
    return dict(zip(EDGES, values, strict=True))


def _rings(rings: tuple[Any, ...]) -> list[list[list[float]]]:
    return [[[float(x), float(y)] for x, y in ring] for ring in rings]


def plain(value: Any) -> Any:
    """Nested data as JSON takes it: NaN is None, infinity the string ``inf``, six decimals."""
    if isinstance(value, dict):
        return {key: plain(each) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(each) for each in value]
    if isinstance(value, float):
        if math.isnan(value):
            return None
        return "inf" if math.isinf(value) else round(value, 6)
    return value
