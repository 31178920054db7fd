"""Everything that there is to say about a pairing's guide, worked out once for file, screen and paper."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from itertools import pairwise
from typing import Any

import numpy as np

from framematch.geometry.camera import Rect
from framematch.geometry.pairing import Pairing, check_frame_imaged
from framematch.guide.areas import Areas, Shared, areas, shared_areas
from framematch.guide.best import EdgeErrors, Guide, at_distance, best_guide, best_rectangle, edge_error_curve, errors_at, rectangle_errors
from framematch.guide.cells import Cells, best_cells
from framematch.guide.outline import Outline, outline
from framematch.guide.sets import best_cuts, foretold_of_two
from framematch.guide.shown import metres, system
from framematch.guide.tolerance import Band, band_over_range
from framematch.guide.transfer import EDGES, distance_from, inverse_m
from framematch.guide.turning import edge_error_curve_turning, turning_errors, turns
from framematch.progress import step

STRONG_BEND = 0.15  # of k1; wide lenses that are measured lie well within (practice)
LARGE_ERROR_PERCENT = 5.0  # the safe-action margin of one edge is 3.5 % (EBU R 95)
WORTH_TELLING_PERCENT = 1.0  # that two sets of lines gain


@dataclass(frozen=True, kw_only=True, eq=False)
class AtDistance:
    """The true frame of a pairing at one distance, and how far the range's rectangle is off there, at rest and while turning (None where not known)."""

    pairing: Pairing
    distance_m: float
    outline: Outline
    error: EdgeErrors
    error_turning: EdgeErrors | None = None

    @cached_property
    def rectangle(self) -> Rect:
        """The one that serves best there; worked out when it is asked for, since only files say it."""
        return best_rectangle(at_distance(self.pairing, self.distance_m))


@dataclass(frozen=True, kw_only=True, eq=False)
class Report:
    """A pairing's guide with all that goes with it. Pixels are the display's.

    Args:
        pairing: what it was worked out for; all but ``frames``, ``shared`` and ``sets`` is about its main frame alone.
        guide: the best guide over the pairing's range.
        at: the true frame at five distances, near first (fewer where they coincide).
        areas: what is always in shot and what may be, grown and shrunk by the tolerance.
        band: how far the true edges may lie from the guide's, half-widths of 95 % intervals.
        cells: the guide on the character grid, None without one.
        unseen_percent: of the frame's border, what the display does not show, at the worst distance.
        warnings: what to know, in whole sentences.
        turning: what turning alone puts a line off by; None where turn rate or read-out times are not known.
        frames: of each further frame, as if it were the only one.
        shared: what the frames have in common; None for a single one.
        sets: of each piece of the range, nearest first, if several sets of lines were asked for.
    """

    pairing: Pairing
    guide: Guide
    at: tuple[AtDistance, ...]
    areas: Areas
    band: Band
    cells: Cells | None
    unseen_percent: float
    warnings: tuple[str, ...]
    turning: EdgeErrors | None = None
    frames: tuple[Report, ...] = ()
    shared: Shared | None = None
    sets: tuple[Report, ...] = ()

    @property
    def each_frame(self) -> tuple[Report, ...]:
        """This report and those of the further frames, by name in ``pairing.frames``."""
        return (self, *self.frames)

    @property
    def each_set(self) -> tuple[Report, ...]:
        """The sets of lines, nearest first; this report alone if there is one for the whole range."""
        return self.sets or (self,)

    def serving(self, distance_m: float) -> Report:
        """The set of lines that is flown by at a distance: the first that reaches so far, the last beyond the range."""
        return next((each for each in self.each_set if distance_m <= each.pairing.far_m), self.each_set[-1])

    @property
    def cuts_m(self) -> tuple[float, ...]:
        """Distances at which to change sets, near first."""
        return tuple(each.pairing.far_m for each in self.sets[:-1])

    @property
    def sets_worst_error_percent(self) -> tuple[float, float]:
        """Worst errors of rectangle and outline over all sets."""
        guides = [each.guide for each in self.each_set]
        return max(g.rectangle_worst_error_percent for g in guides), max(g.outline_worst_error_percent for g in guides)


def guide_report(pairing: Pairing, *, sets: int = 1) -> Report:
    """Work out the guide, its errors, areas, tolerance, character cells and what to know about them.

    Definitions are those of DEVELOPERS.md: errors in percent of the frame, distances in metres along
    the recording camera's axis. ``framematch.guide.best`` has the parts one by one.

    Args:
        pairing: of any two lenses; a frame may lie partly off the display.
        sets: of lines, each for a piece of the range cut where it serves the main frame best.

    Raises:
        InputError: a frame is nowhere on the display, the recording lens images nothing of one of its sides, or the range can't be cut so.
    """
    check_frame_imaged(pairing)
    pieces = _pieces(pairing, sets)
    report = _with_frames(pairing)
    made = []
    for i, piece in enumerate(pieces, 1):
        step(f"Set of lines {i} of {len(pieces)}")
        made.append(_with_frames(piece))
    return replace(report, sets=tuple(made), warnings=(*report.warnings, *(_gain(report) if sets == 1 else ())))


def _pieces(pairing: Pairing, sets: int) -> list[Pairing]:
    cuts = best_cuts(pairing, sets)
    ends = [pairing.near_m, *cuts, pairing.far_m]
    return [replace(pairing, near_m=near, far_m=far) for near, far in pairwise(ends)] if cuts else []


def _gain(report: Report) -> list[str]:
    """What two sets of lines would gain, where nobody asked and it is worth telling."""
    pairing, whole = report.pairing, report.guide.rectangle_worst_error_percent
    ends = [rectangle_errors(pairing, each.rectangle, each.distance_m).worst for each in (report.at[0], report.at[-1])]
    if not whole - max(ends) >= WORTH_TELLING_PERCENT:  # no piece is better than its own ends
        return []
    cut, two = foretold_of_two(pairing, near=ends[0], far=ends[1], whole=whole)
    if whole - two < WORTH_TELLING_PERCENT:
        return []
    return [f"Two sets of lines, changed near {metres(cut)}, would be off by about {two:.1f} % in place of {whole:.1f} %."]


def _with_frames(pairing: Pairing) -> Report:
    """The main frame's report with those of the others."""
    main, *others = (_alone(pairing.alone(i), system()) for i in range(len(pairing.frames)))
    if not others:
        return main
    shared = shared_areas(pairing, [each.areas for each in (main, *others)])
    return replace(main, pairing=pairing, frames=tuple(others), shared=shared, warnings=(*main.warnings, shared_words(pairing, shared)))


def shared_words(pairing: Pairing, shared: Shared) -> str:
    """What protecting all frames at once leaves and takes, in words."""
    names = [each.name for each in pairing.frames]
    each = _listed([f"{always:.0f} % in {name}" for name, (always, _) in zip(names, shared.each_percent, strict=True)])
    all_of_them = "both frames" if len(names) == 2 else f"all {len(names)} frames"
    return (
        f"Always in shot in {all_of_them}: {shared.both_percent:.0f} % of the display ({each}); "
        f"may be in shot in {'either' if len(names) == 2 else 'any'}: {shared.either_percent:.0f} %."
    )


@lru_cache(maxsize=16)  # half a megabyte: the same pairing's sheet, overlay and day ask one after the other
def _alone(pairing: Pairing, spoken: str) -> Report:
    """The report of a pairing with one frame, its warnings in a system of units."""
    guide = best_guide(pairing)
    band = band_over_range(pairing, set_distance_m=guide.set_distance_m)
    margin = tuple(pairing.wander_percent + (0.0 if math.isnan(p) else p) for p in band.percent)
    shapes = areas(pairing, margin_percent=(margin[0], margin[1], margin[2], margin[3]))
    at = _at_five_distances(pairing, guide)
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
        warnings=tuple([*_warnings(pairing, guide, at, shapes, band, cells, unseen), *_turning_warnings(pairing)]),
        turning=turning_errors(pairing),
    )


def _turning_warnings(pairing: Pairing) -> list[str]:
    if pairing.turn is None:
        return []
    silent = [name for name in ("recording", "monitoring") if getattr(pairing, name).readout_ms is None]
    return [f"The error while turning is not known: give readout_ms of the {_listed(silent)} camera{'s' if len(silent) > 1 else ''}."] if silent else []


def five_distances(pairing: Pairing, set_m: float) -> list[float]:
    """Near, far, the set distance, and one between each in inverse distance; near first, without repeats."""
    near, middle, far = inverse_m(pairing.near_m), inverse_m(set_m), inverse_m(pairing.far_m)
    inverses = [near, (near + middle) / 2, middle, (middle + far) / 2, far]
    exact = {near: pairing.near_m, middle: set_m, far: pairing.far_m}
    distinct = list(dict.fromkeys(inverses))
    return [exact.get(i, distance_from(i)) for i in sorted(distinct, reverse=True)]


def _at_five_distances(pairing: Pairing, guide: Guide) -> tuple[AtDistance, ...]:
    distances = five_distances(pairing, guide.set_distance_m)
    errors = errors_at(edge_error_curve(pairing, guide.rectangle, distances))
    turning = errors_at(edge_error_curve_turning(pairing, guide.rectangle, distances)) if turns(pairing) else [None] * len(distances)
    return tuple(
        AtDistance(
            pairing=pairing,
            distance_m=distance_m,
            outline=guide.outline if distance_m == guide.set_distance_m else outline(pairing, distance_m),
            error=error,
            error_turning=error_turning,
        )
        for distance_m, error, error_turning in zip(distances, errors, turning, strict=True)
    )


def insets_px(rectangle: Rect, display_px: tuple[int, int]) -> tuple[float, float, float, float]:
    """How far each side lies in from the display's left, top, right and bottom edge; - is off the display."""
    return rectangle.left, rectangle.top, display_px[0] - rectangle.right, display_px[1] - rectangle.bottom


def insets_percent(rectangle: Rect, display_px: tuple[int, int]) -> tuple[float, float, float, float]:
    """The insets in percent of the display's width (left, right) or height (top, bottom)."""
    left, top, right, bottom = insets_px(rectangle, display_px)
    width, height = display_px
    return 100 * left / width, 100 * top / height, 100 * right / width, 100 * bottom / height


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
        found.append("The monitoring lens does not reach its picture's corners: its corners lie outside the image circle.")
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
    pairing, cells = report.pairing, report.cells
    display = pairing.display.raster_px
    data = {
        "title": pairing.title,
        "about": {"production": pairing.about.production, "unit": pairing.about.unit, "serials": dict(pairing.about.serials), "notes": pairing.about.notes},
        "display_px": list(display),
        "distance_m": [pairing.near_m, pairing.far_m],
        "angles_deg": {name: {"horizontal": a.horizontal, "vertical": a.vertical, "diagonal": a.diagonal} for name, a in pairing.angles.items()},
        **_lines_json(report, areas=True),
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
        "frames": [
            {"name": frame.name, "aspect": pairing.aspect_of(frame.area), **_lines_json(each, areas=True)}
            for frame, each in zip(pairing.frames, report.each_frame, strict=True)
        ],
        "sets": [{"distance_m": [each.pairing.near_m, each.pairing.far_m], **_lines_json(each)} for each in report.each_set],
        "sets_worst_error_percent": dict(zip(("rectangle", "outline"), report.sets_worst_error_percent, strict=True)),
        "turning": None if report.turning is None else {"worst_error_percent": report.turning.worst, **{edge: getattr(report.turning, edge) for edge in EDGES}},
    }
    out: dict[str, Any] = plain(data)
    return out


def _lines_json(report: Report, *, areas: bool = False) -> dict[str, Any]:
    guide = report.guide
    return {
        "guide": {
            "set_distance_m": guide.set_distance_m,
            "outline_px": guide.outline.as_list(),
            "rectangle_px": _edges(guide.rectangle.as_tuple()),
            "rectangle_percent": _edges(insets_percent(guide.rectangle, report.pairing.display.raster_px)),
            "rectangle_worst_error_percent": guide.rectangle_worst_error_percent,
            "outline_worst_error_percent": guide.outline_worst_error_percent,
        },
        **({"areas": {"always_px": _rings(report.areas.always), "ever_px": _rings(report.areas.ever)}} if areas else {}),
        "at": [
            {
                "distance_m": each.distance_m,
                "outline_px": each.outline.as_list(),
                "rectangle_px": _edges(each.rectangle.as_tuple()),
                "error_percent": {**{edge: getattr(each.error, edge) for edge in EDGES}, "worst": each.error.worst},
            }
            for each in report.at
        ],
    }


def _edges(values: tuple[float, float, float, float]) -> dict[str, float]:
    return dict(zip(EDGES, values, strict=True))


def _rings(rings: tuple[Any, ...]) -> list[list[list[float]]]:
    return [ring.tolist() for ring in rings]


def plain(value: Any, *, decimals: int = 6) -> Any:
    """Nested data as JSON takes it: NaN is None, infinity the string ``inf``, so many decimals."""
    if isinstance(value, dict):
        return {key: plain(each, decimals=decimals) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        if value and all(type(each) is list and len(each) == 2 and type(each[0]) is type(each[1]) is float for each in value):
            points = np.array(value)
            if np.isfinite(points).all():
                return np.round(points, decimals).tolist()  # all at once: most of what there is
        return [plain(each, decimals=decimals) for each in value]
    if isinstance(value, float):
        if math.isnan(value):
            return None
        return "inf" if math.isinf(value) else round(value, decimals)
    return value
