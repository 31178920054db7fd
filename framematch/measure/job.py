"""Measuring a lens or the mount from stills in which the chart was looked for: what the command line and the page both do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from framematch.geometry.camera import Camera
from framematch.geometry.pairing import Pairing
from framematch.measure.chart import AS_PRINTED, Chart
from framematch.measure.finding import Looked, usable
from framematch.measure.lens import LensFit, fit_lens
from framematch.measure.mount import Known, MountFit, check_pairs, fit_mount

KEEP, MEASURE = "keep", "measure"
CAMERAS = ("recording", "monitoring")
_UNTOLD = (
    "nothing in the {} stills tells this plain chessboard from its mirror image: check that the camera does not mirror its picture, "
    "or use the chart with marks, which tells"
)


@dataclass(frozen=True, kw_only=True, eq=False)
class MountMeasured:
    """A mount with what went with it.

    Args:
        fit: the mount.
        lenses: recording and monitoring as fitted before the solve; None if the pairing's were kept.
    """

    fit: MountFit
    lenses: tuple[LensFit, LensFit] | None


def measure_lens(
    looked: Sequence[Looked], chart: Chart, *, known: Camera | None = None, width_mm: float | None = None, squeeze: float | None = None
) -> LensFit:
    """A lens from stills of a chart.

    Args:
        looked: outcome of each still.
        known: the camera as the pairing has it, for the width of the area read out and the squeeze if they are not given.

    Raises:
        InputError: as ``fit_lens``, or no still shows the chart.
    """
    width = width_mm or (known.sensor_mm[0] if known else None)
    fit = fit_lens(usable(looked), chart, sensor_mm=(width, width) if width else None, squeeze=squeeze or (known.lens.squeeze if known else 1.0))
    return replace(fit, warnings=(*fit.warnings, *_brought_back(looked)))


def _brought_back(looked: Sequence[Looked]) -> list[str]:
    """That stills of the goggles' shape were taken for the goggles' recordings."""
    taken = [each for each in looked if each.recorded_px is not None and each.found is not None]
    if not taken or taken[0].recorded_px is None:
        return []
    (wide, high), (w, h) = taken[0].recorded_px, taken[0].size_px
    return [
        f"{len(taken)} stills have the goggles' shape ({wide} x {high}): bars, crop and stretch were undone as the pairing has them, "
        f"back to the camera's {w} x {h}"
    ]


def measure_mount(recording: Sequence[Looked], monitoring: Sequence[Looked], chart: Chart, *, before: Pairing | None, lenses: str = MEASURE) -> MountMeasured:
    """The mount from same-moment pairs, and both lenses with it unless the pairing's are to be kept.

    Args:
        recording, monitoring: outcome of each still, in the same order.
        before: the pairing as it is; needed to keep its lenses.
        lenses: ``measure`` or ``keep``.

    Raises:
        InputError: as ``check_pairs``, ``fit_lens`` and ``fit_mount``.
    """
    sides = (recording, monitoring)
    check_pairs(*sides)
    found_r, found_m = ([each.found for each in side] for side in sides)
    fitted: tuple[LensFit, LensFit] | None = None
    if lenses == KEEP and before is not None:
        t = before.tolerance
        held = [Known(camera=c, focal_percent=t.focal_percent, centre_px=t.centre_px) for c in (before.recording, before.monitoring)]
        fit = fit_mount(found_r, found_m, chart, cameras=(held[0], held[1]))
    else:
        known = (before.recording, before.monitoring) if before else (None, None)
        first, second = (measure_lens(side, chart, known=c) for side, c in zip(sides, known, strict=True))
        fitted = (first, second)
        fit = fit_mount(found_r, found_m, chart, cameras=fitted)
    if fitted is None:
        fit = replace(fit, warnings=(*fit.warnings, *_brought_back(monitoring)))
    untold = [CAMERAS[i] for i, side in enumerate(sides) if not any(each.way == AS_PRINTED for each in side)]
    if untold:
        fit = replace(fit, warnings=(*fit.warnings, _UNTOLD.format(" and ".join(untold))))
    return MountMeasured(fit=fit, lenses=fitted)
