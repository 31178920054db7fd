"""A guide checked from one recording still and one monitoring still of any scene, without a chart.

Each detail that both stills show gives one equation on the aim that no distance enters (the two rays and
the offset lie in a plane); where it lies along that plane depends on how far it is, which must be in front
of the rig. Aim, offset and focal lengths are solved together, each held to the pairing's figure as firmly
as the file's tolerance says; every detail's distance is solved within. What the stills can't tell is
refused with the reason.

A rig that only turned between the two stills can't be told from another aim: take them of one moment.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.camera import Camera
from framematch.geometry.pairing import Pairing
from framematch.guide.transfer import distance_from, inverse_m
from framematch.measure.aim import AimFit, AimSolve
from framematch.measure.corrected import guide_off_percent, known_percent_of, mount_figures, refocused
from framematch.measure.features import Matches, common_view, match_details
from framematch.measure.figure import Figure
from framematch.measure.stills import Still

Floats = NDArray[np.float64]
FEWEST = 40  # details that have to agree
ENOUGH_PERCENT = 0.5  # of the frame: how well the guide must be known at the distance of the scene
ENOUGH_OVER_RANGE_PERCENT = 1.0  # and over the whole range, where the offset's own tolerance counts
FEWEST_IN_MIDDLE = 5


class NotSuitable(InputError):
    """Two stills that do not tell where the guide belongs."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Checked:
    """What two stills say about a pairing.

    Args:
        before, after: the pairing as it was, and with the mount and the focal lengths that the stills show.
        figures: aim in degrees, offset in mm, each with its 95 % interval.
        turned_deg: angle between the two aims.
        off_percent: how far the present guide is off, at near, middle and far: worst edge in percent of the frame.
        known_percent: half-width of the 95 % interval of the guide after the correction, worst edge over the range.
        matches, agreed: details found in both stills, and those that agree.
        recording_px, monitoring_px: (N, 2) where those that agree are.
        depth_m: (N,) their distances along the recording camera's axis; infinite where none shows.
        distance_m: typical distance of what both stills show.
        miss_px: (N,) how far each is from the fit, in monitoring pixels.
    """

    before: Pairing
    after: Pairing
    figures: tuple[Figure, ...]
    turned_deg: float
    off_percent: tuple[tuple[float, float], ...]
    known_percent: float
    matches: int
    agreed: int
    recording_px: Floats
    monitoring_px: Floats
    depth_m: Floats
    distance_m: float
    miss_px: Floats


def check_guide(pairing: Pairing, recording: Still, monitoring: Still, *, distance_m: float | None = None) -> Checked:
    """Find the aim that two stills of one moment show, and how far the pairing's guide is off.

    Args:
        pairing: with figures near the truth: aim within 10 degrees, lenses as measured or quoted.
        recording, monitoring: whole pictures of the two cameras, of the pairing's shape.
        distance_m: of what is in the middle of the frame, if known; it firms up the aim along the offset.

    Raises:
        NotSuitable: the stills do not tell; the message says why.
        InputError: stills of another shape than the pairing's rasters.
    """
    if recording.digest == monitoring.digest:
        raise NotSuitable(f"{recording.name} and {monitoring.name} are the same picture", fix="give each camera's own still")
    at = replace(pairing, recording=_fitted(pairing.recording, recording, "recording"), monitoring=_fitted(pairing.monitoring, monitoring, "monitoring"))
    _has_picture(recording, monitoring)
    view = common_view(at, recording.grey, monitoring.grey)
    if (view.recording_seen & view.monitoring_seen).mean() < 0.25 * view.recording_seen.mean():
        raise NotSuitable("the two pictures hardly overlap by this pairing's figures", fix="check the aim in the pairing file to within 10 degrees")
    matches = match_details(at, view)
    solve = AimSolve(pairing=at, frame_of=pairing, matches=matches, distance_m=distance_m)
    near = solve.rough()
    if len(near) < FEWEST:
        _explain_few(at, recording, monitoring, matches, len(near))
    if distance_m is not None and solve.middle[near].sum() < FEWEST_IN_MIDDLE:
        raise NotSuitable(
            "no detail in the middle of the frame to take the distance of", field="--distance", fix="aim at something with detail, or leave the distance out"
        )
    return _judged(pairing, at, solve, near)


def _fitted(camera: Camera, still: Still, kind: str) -> Camera:
    width, height = still.size_px
    if abs(width / height / (camera.raster_px[0] / camera.raster_px[1]) - 1) > 0.005:
        raise InputError(
            f"{width} x {height} pixels is not the shape of the {kind} raster {camera.raster_px[0]} x {camera.raster_px[1]}",
            file=still.name,
            fix="give the whole picture, uncropped, the right way up",
        )
    return camera if (width, height) == camera.raster_px else camera.resized((width, height))


def _has_picture(*stills: Still) -> None:
    for still in stills:
        low, high = np.percentile(still.grey[:: max(1, still.pixels.shape[0] // 400), :: max(1, still.pixels.shape[1] // 400)], (2, 98))
        if high - low < 8:
            tone = "dark" if high < 40 else "blown out" if low > 225 else "even"
            raise NotSuitable(f"{still.name} is too {tone} to find anything in", fix="take it again with light on something with detail")


def _explain_few(pairing: Pairing, recording: Still, monitoring: Still, matches: Matches, agreed: int) -> NoReturn:
    poor = [s.name for s, n in zip((recording, monitoring), matches.details, strict=True) if n < 3 * FEWEST]
    if poor:
        raise NotSuitable(
            f"too little detail in {' and '.join(poor)}", fix="point the rig at a scene with plain detail, sharp and lit, such as a shelf or a street"
        )
    flipped = replace_pixels(recording, recording.grey[:, ::-1])
    again = match_details(pairing, common_view(pairing, flipped.grey, monitoring.grey))
    mirrored = len(AimSolve(pairing=pairing, frame_of=pairing, matches=again, distance_m=None).rough())
    if mirrored > max(FEWEST, 3 * agreed):
        raise NotSuitable("one of the two is mirrored: details agree once it is flipped", fix="turn off the camera's mirror setting")
    count = len(matches.recording)
    found = (
        f"only {count} details were found in both" if count < FEWEST else f"{count} details look alike but only {agreed} lie as in two pictures of one moment"
    )
    raise NotSuitable(
        f"{found} ({FEWEST} are needed)",
        fix="take both stills at one moment, of one scene without repeating patterns, and check the lens figures and the aim to within 10 degrees",
    )


def replace_pixels(still: Still, pixels: NDArray[np.uint8]) -> Still:
    """The same still with other pixels."""
    return Still(name=still.name, pixels=np.ascontiguousarray(pixels))


def _judged(pairing: Pairing, at: Pairing, solve: AimSolve, near: NDArray[np.int64]) -> Checked:
    keep = near
    fit = solve.fit(keep)
    every = np.arange(len(solve.matches.recording))
    sigma = 1.0
    for _ in range(4):
        error, _ = solve.terms(fit.values, every)
        size = np.hypot(*error.T)
        inside = size[keep]
        sigma = float(np.clip(np.median(inside) / 0.9, 0.15, 4.0))  # one of the two directions is spent on the distance
        after = np.flatnonzero(size < 3.5 * sigma)
        if len(after) < FEWEST or np.array_equal(after, keep):
            break
        keep = after
        fit = solve.fit(keep, start=fit.values)
    total = len(every)
    if len(keep) < FEWEST or len(keep) < 0.35 * total:
        raise NotSuitable(
            f"only {len(keep)} of {total} details agree on one aim",
            fix="take both stills of one moment, with nothing large moving, and check the lens figures",
        )
    scale = max(1.0, float(np.sqrt((fit.residual**2).sum() / max(len(keep) - 8, 1))))
    covariance = fit.covariance * scale**2
    _same_moment(solve, keep, fit, scale)
    pull = np.abs(fit.values[6:8]) / solve.focal_sigma
    if pull.max() > 3.5:
        which = ("recording", "monitoring")[int(pull.argmax())]
        longer = 100 * (math.exp(fit.values[6 + int(pull.argmax())]) - 1)
        raise NotSuitable(f"the {which} lens seems {abs(longer):.1f} % {'longer' if longer > 0 else 'shorter'} than the file's", fix="measure the lens first")
    _spread(pairing, solve.matches.recording[keep])
    return _result(pairing, at, solve, keep, fit, covariance)


def _same_moment(solve: AimSolve, keep: NDArray[np.int64], fit: AimFit, scale: float) -> None:
    """Refuse stills that want the cameras to stand elsewhere than the file has them."""
    every = np.arange(len(solve.matches.recording))
    loose = solve.fit(every, start=fit.values, offset_sigma=1.0, loss="cauchy")
    size = np.hypot(*solve.terms(loose.values, every)[0].T)
    held = np.hypot(*solve.terms(fit.values, every)[0].T)
    limit = 3.5 * max(scale, 0.5)
    better = int((size < limit).sum()) - int((held < limit).sum())
    moved = loose.values[3:6]
    pulled = np.abs(fit.values[3:6]) / solve.offset_sigma
    gain = (fit.residual**2).sum() - (solve.terms(loose.values, keep)[0] ** 2).sum()
    if better > max(15, 0.15 * len(keep)) or (pulled.max() > 3.5 and gain > 30 * scale**2):
        apart = 1000 * float(np.linalg.norm(moved))
        raise NotSuitable(
            f"the stills fit only if the cameras stand {apart:.0f} mm from where the file has them",
            fix="take both stills at one moment, and check offset_mm",
        )


def _spread(pairing: Pairing, rays: Floats) -> None:
    """Refuse details that crowd one part of the frame."""
    pixels, _ = pairing.recording.project(rays)
    f = pairing.frame
    cell = np.floor((pixels - (f.left, f.top)) / (f.width, f.height) * (4, 3))
    inside = ((cell >= 0) & (cell < (4, 3))).all(axis=1)
    counts = np.zeros((3, 4), dtype=int)
    np.add.at(counts, (cell[inside, 1].astype(int), cell[inside, 0].astype(int)), 1)
    filled = int((counts >= 2).sum())
    if filled < 5:
        raise NotSuitable(f"details agree in only {filled} of 12 parts of the frame", fix="choose a scene with detail all over the picture")


def _distances(pairing: Pairing) -> list[float]:
    middle = (inverse_m(pairing.near_m) + inverse_m(pairing.far_m)) / 2
    return list(dict.fromkeys([pairing.near_m, distance_from(middle), pairing.far_m]))


def _result(pairing: Pairing, at: Pairing, solve: AimSolve, keep: NDArray[np.int64], fit: AimFit, covariance: Floats) -> Checked:
    after = refocused(pairing, fit.values)
    seen, inverse = solve.terms(fit.values, keep)
    shown = float(np.median(inverse))
    distance = 1 / shown if shown > 1e-3 else math.inf
    here = known_percent_of(pairing, fit.values, covariance, [distance])
    known = known_percent_of(pairing, fit.values, covariance, _distances(pairing))
    if not (here <= ENOUGH_PERCENT and known <= ENOUGH_OVER_RANGE_PERCENT):
        raise NotSuitable(
            f"{len(keep)} details agree, but they fix the guide only to {max(here, known):.1f} % of the frame",
            fix="add --distance, or choose a scene with detail all over it, near and far",
        )
    m = solve.matches.only(keep)
    per_rad = at.monitoring.lens.focal_mm * float(at.monitoring.pixels_per_mm.min())
    with np.errstate(divide="ignore"):
        depth = 1 / inverse
    turned = math.degrees(float(np.linalg.norm(fit.values[:3])))
    return Checked(
        before=pairing,
        after=after,
        figures=mount_figures(pairing.mount, fit.values, covariance),
        turned_deg=turned,
        off_percent=tuple((d, guide_off_percent(pairing, after, d)) for d in _distances(pairing)),
        known_percent=known,
        matches=len(solve.matches.recording),
        agreed=len(keep),
        recording_px=pairing.recording.project(m.recording)[0],
        monitoring_px=pairing.monitoring.project(m.monitoring)[0],
        depth_m=depth,
        distance_m=distance,
        miss_px=np.hypot(*seen.T) * m.noise_rad * per_rad,
    )
