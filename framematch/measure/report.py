"""What was measured as plain data for JSON: every figure that is printed, units in the keys."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from framematch.measure.check import verdict

if TYPE_CHECKING:
    from framematch.measure.check import Checked
    from framematch.measure.figure import Figure
    from framematch.measure.lens import LensFit
    from framematch.measure.marks import FromMarks
    from framematch.measure.mount import MountFit


def lens_json(fit: LensFit) -> dict[str, Any]:
    """A lens measured from a chart; each figure with the half-width of its 95 % interval."""
    sides = ("horizontal", "vertical", "diagonal")
    return {
        "lens": fit.model.label,
        "stills_used": list(fit.used),
        "left_out": _reasons(fit.left_out),
        "rms_px": fit.rms_px,
        "figures": _figures(fit.figures),
        "angles_deg": {side: {"value": getattr(fit.angles, side), "half_95": getattr(fit.angles_95, side)} for side in sides},
        "tried": [{"lens": each.model.label, "rms_px": each.rms_px, "covers_the_picture": bool(each.covers)} for each in fit.tried],
        "warnings": list(fit.warnings),
        "advice": list(fit.advice),
    }


def mount_json(fit: MountFit, lenses: Sequence[LensFit] | None) -> dict[str, Any]:
    """A mount measured from pairs of stills, with the lenses that were solved from them."""
    names = ("recording", "monitoring")
    return {
        "pairs_used": list(fit.used),
        "left_out": _reasons(fit.left_out),
        "rms_px": dict(zip(names, fit.rms_px, strict=True)),
        "figures": _figures(fit.figures),
        "lenses": None if lenses is None else {name: lens_json(each) for name, each in zip(names, lenses, strict=True)},
        "warnings": list(fit.warnings),
    }


def check_json(checked: Checked) -> dict[str, Any]:
    """What stills say about a guide, before and with what they show."""
    return {
        "verdict": verdict(checked),
        "details_agree": checked.agreed,
        "distance_m": checked.distance_m,
        "off_percent": [{"distance_m": distance, "percent": percent} for distance, percent in checked.off_percent],
        "known_percent": checked.known_percent,
        "serves": [{"distance_m": distance, "within_percent": percent} for distance, percent in checked.serves],
        "turned_deg": checked.turned_deg,
        "figures": {
            each.name: {"in_the_file": getattr(checked.before.mount, each.name), "value": each.value, "half_95": each.half_95} for each in checked.figures
        },
        "lens_figures": _figures(checked.lens_figures),
        "warnings": list(checked.warnings),
        "advice": checked.advice,
    }


def marks_json(found: FromMarks, wall_m: float) -> dict[str, Any]:
    """What wall marks say of the aim."""
    return {
        "distance_m": wall_m,
        "off_percent": found.off_percent,
        "turned_deg": found.turned_deg,
        "figures": _figures(found.figures),
        "miss_px": list(found.miss_px),
        "warnings": list(found.warnings),
    }


def _figures(figures: Sequence[Figure]) -> dict[str, Any]:
    return {each.name: {"value": each.value, "half_95": each.half_95} for each in figures}


def _reasons(left_out: Sequence[tuple[str, str]]) -> list[dict[str, str]]:
    return [{"still": name, "reason": reason} for name, reason in left_out]
