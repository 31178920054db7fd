"""A guide checked from stills of both cameras of any scene, without a chart: one pair or several of one rig.

Each detail that both stills of a moment show lies in a plane with the offset, whatever its distance; aim, offset, focal lengths, lens
centres and first bendings are solved together from all of them, each held to the pairing's figure as firmly as its tolerance says.
What distances add (nothing lies beyond infinity; what was measured with a tape) comes after. The verdict is graded: within how many
percent of the frame the guide is known, at which distance. What the stills can't tell is refused with the reason.

A rig that only turned between the two stills can't be told from another aim: take them of one moment.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.camera import Camera
from framematch.geometry.pairing import Pairing
from framematch.guide.transfer import distance_from, inverse_m
from framematch.measure.aim import AimSolve, Fit, Row
from framematch.measure.blame import LEAN, pulled, wrong_figure
from framematch.measure.corrected import edge_slopes, guide_off_percent, known_percent, lens_figures, mount_figures
from framematch.measure.features import CommonView, Matches, common_view, match_details, tracked
from framematch.measure.figure import Figure, within
from framematch.measure.goggles import undone
from framematch.measure.known import CONFLICT, State, Typed, all_known, may_be, place_row
from framematch.measure.stills import Still
from framematch.measure.unknowns import BEND, COUNT, FOCAL, OFFSET, WHICH, moved
from framematch.progress import step

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
FEWEST = 40  # details that have to agree
ENOUGH_PERCENT = 0.5  # of the frame: what a guide should be known to
MOST_PERCENT = 5.0  # known worse than this where the details are, nothing is said of the guide
PULL = 3.5  # standard deviations by which a figure may be pulled from the file's before it is called wrong
MOST_REPEATED = 0.5  # of the details: more, and which is which is a guess
_ROUNDS = 4
_FILLED = 5  # of 12 parts of the frame
_ROUGH_DETAILS, _DETAILS = 500, 1000  # of a moment, for the first and the last solve


class NotSuitable(InputError):
    """Stills that do not tell where the guide belongs."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Checked:
    """What stills say about a pairing.

    Args:
        before, after: the pairing as it was, and with everything that the stills show.
        figures: aim in degrees, offset in mm, each with its 95 % interval.
        lens_figures: of both lenses, how far from the file's, each with its 95 % interval.
        turned_deg: angle between the two aims.
        off_percent: how far the present guide is off, at near, middle and far: worst edge in percent of the frame.
        serves: (distance, percent of the frame within which the corrected guide's worst edge lies in 95 of 100 cases): where the
            details are, and at near, middle and far.
        matches, agreed: details found in both stills, and those that agree, over all moments.
        recording_px, monitoring_px: (N, 2) where those that agree are, in the pairing's rasters.
        depth_m: (N,) their distances along the recording camera's axis; infinite where none shows.
        distance_m: typical distance of what both stills show.
        miss_px: (N,) how far each is from the fit, in monitoring pixels.
        warnings: what to know.
        advice: what would help most, one line; empty if nothing is wanted.
        values, covariance: of ``unknowns``.
        scatter, together: of the details, as ``aim.Fit`` has them.
    """

    before: Pairing
    after: Pairing
    figures: tuple[Figure, ...]
    lens_figures: tuple[Figure, ...]
    turned_deg: float
    off_percent: tuple[tuple[float, float], ...]
    serves: tuple[tuple[float, float], ...]
    matches: int
    agreed: int
    recording_px: Floats
    monitoring_px: Floats
    depth_m: Floats
    distance_m: float
    miss_px: Floats
    warnings: tuple[str, ...]
    advice: str
    values: Floats
    covariance: Floats
    scatter: float
    together: float

    @property
    def known_percent(self) -> float:
        """Within how many percent of the frame the corrected guide is known where the details are."""
        return self.serves[0][1]

    @property
    def enough(self) -> bool:
        """Whether that is as well as a guide should be known."""
        return self.known_percent <= ENOUGH_PERCENT


def check_guide(pairing: Pairing, recording: Still, monitoring: Still, *, distance_m: float | None = None) -> Checked:
    """Check from one pair of stills; ``distance_m`` is of what is in the middle of the frame. As :func:`check_moments`."""
    return check_moments(pairing, [(recording, monitoring)], typed=[] if distance_m is None else [Typed(distance_m=distance_m)])


def check_moments(pairing: Pairing, pairs: Sequence[tuple[Still, Still]], *, typed: Sequence[Typed] = ()) -> Checked:
    """Find the rig that stills of one or several moments show, and how far the pairing's guide is off.

    Args:
        pairing: with figures near the truth: aim within 10 degrees, the rest within some times its tolerance.
        pairs: whole pictures of the two cameras, of the pairing's shape or, for the monitoring camera, as the goggles showed them; each pair
            of one moment, the rig unchanged between moments.
        typed: distances that somebody measured.

    Raises:
        NotSuitable: the stills do not tell; the message says why.
        InputError: stills of another shape than the pairing's rasters, or no pair.
    """
    if not pairs:
        raise InputError("no stills", field="--recording", fix="give a still of each camera of one moment")
    pairs = [(recording, undone(monitoring, pairing)) for recording, monitoring in pairs]
    at = _sized(pairing, pairs)
    views = [_view(at, *pair) for pair in pairs]
    found = []
    for i, view in enumerate(views, 1):
        step(f"Details that both stills show, moment {i} of {len(views)}")
        found.append(match_details(at, view))
    _refuse_repeating(pairs, found)
    total = sum(map(len, found))
    found = [m.thinned(_ROUGH_DETAILS) for m in found]
    solve = AimSolve(pairing=at, matches=found)
    step("A first aim")
    start, near = solve.rough()
    warnings, used = _suitable(at, pairs, solve, near)
    if len(used) < len(pairs):
        solve = AimSolve(pairing=at, matches=[found[i] for i in used])
        start, near = solve.rough()
    first = solve.fit(near, start=start, scale=8.0, rounds=5)
    first = solve.fit(np.ones(len(solve), dtype=bool), start=first.values, scale=max(2.0, first.scatter), rounds=8)
    good = first.weight * first.scatter**2 > 0.15
    _few(at, [pairs[i] for i in used], solve, good)
    _refuse_wrong(solve, State(values=first.values, covariance=first.covariance), first.covariance, most=2 * PULL)
    nearer = moved(at, first.values)
    placed = []
    for index, moment in enumerate(used):
        step(f"Each detail once more, finely, moment {index + 1} of {len(used)}")
        view = common_view(nearer, *(s.grey for s in pairs[moment]))
        placed.append(tracked(nearer, view, found[moment].only(good[solve.moment == index])).thinned(_DETAILS if len(used) == 1 else _DETAILS // 2))
    fine = AimSolve(pairing=at, matches=placed)
    every = np.ones(len(fine), dtype=bool)
    if len(fine) < FEWEST:
        _few(at, [pairs[i] for i in used], fine, every)
    step("Aim, offset and lenses from all details together")
    fit = fine.fit(every, start=first.values, scale=3.0)
    return _judged(pairing, fine, fit, typed=[replace(t, moment=used.index(t.moment)) for t in typed if t.moment in used], warnings=warnings, found=total)


def _sized(pairing: Pairing, pairs: Sequence[tuple[Still, Still]]) -> Pairing:
    """The pairing's cameras at the stills' size."""
    sizes = [tuple(s.size_px for s in pair) for pair in pairs]
    for pair, size in zip(pairs, sizes, strict=True):
        if pair[0].digest == pair[1].digest:
            raise NotSuitable(f"{pair[0].name} and {pair[1].name} are the same picture", fix="give each camera's own still")
        if size != sizes[0]:
            raise InputError("stills of different sizes", file=pair[0].name, fix="give all moments at one size")
    digests = [s.digest for pair in pairs for s in pair]
    if len(set(digests)) < len(digests):
        raise NotSuitable("one still stands in two moments", fix="give each moment's own stills")
    fitted = [_fitted(getattr(pairing, which), pairs[0][i], which) for i, which in enumerate(WHICH)]
    _has_picture(*(s for pair in pairs for s in pair))
    return replace(pairing, recording=fitted[0], monitoring=fitted[1])


def _view(at: Pairing, recording: Still, monitoring: Still) -> CommonView:
    view = common_view(at, recording.grey, monitoring.grey)
    if (view.recording_seen & view.monitoring_seen).mean() < 0.25 * view.recording_seen.mean():
        raise NotSuitable("the two pictures hardly overlap by this pairing's figures", fix="check the aim in the pairing file to within 10 degrees")
    return view


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


def _refuse_repeating(pairs: Sequence[tuple[Still, Still]], found: Sequence[Matches]) -> None:
    """Refuse pictures in which a detail can as well be its neighbour: all would agree on an aim that is off by one or several repeats."""
    for (recording, monitoring), matches in zip(pairs, found, strict=True):
        if matches.repeated > MOST_REPEATED:
            alike = f"{100 * matches.repeated:.0f} % of their details look the same in other places"
            raise NotSuitable(
                f"{recording.name} and {monitoring.name} show a repeating pattern: {alike}",
                fix="choose a scene in which no two places look alike",
            )


def _suitable(at: Pairing, pairs: Sequence[tuple[Still, Still]], solve: AimSolve, near: Mask) -> tuple[list[str], list[int]]:
    """Which moments have enough details in common; words about the others. Refused if none has."""
    counts = np.bincount(solve.moment[near], minlength=len(pairs))
    used = [i for i in range(len(pairs)) if counts[i] >= (FEWEST if len(pairs) == 1 else FEWEST // 2)]
    if not used or counts[used].sum() < FEWEST:
        worst = int(counts.argmin())
        _explain_few(at, *pairs[worst], solve.matches[worst], int(counts[worst]))
    return [f"{pairs[i][0].name} and {pairs[i][1].name} are left out: only {counts[i]} details agree" for i in range(len(pairs)) if i not in used], used


def _few(at: Pairing, pairs: Sequence[tuple[Still, Still]], solve: AimSolve, good: Mask) -> None:
    for moment, pair in enumerate(pairs):
        mine = solve.moment == moment
        agreed, total = int(good[mine].sum()), int(mine.sum())
        if agreed < (FEWEST if len(pairs) == 1 else FEWEST // 2):
            _explain_few(at, *pair, solve.matches[moment], agreed)
        if agreed < 0.3 * total:
            raise NotSuitable(
                f"only {agreed} of {total} details agree on one aim" + (f" in {pair[0].name}" if len(pairs) > 1 else ""),
                fix="take both stills of one moment, with nothing large moving, and check the lens figures",
            )


def _explain_few(pairing: Pairing, recording: Still, monitoring: Still, matches: Matches, agreed: int) -> NoReturn:
    poor = [s.name for s, n in zip((recording, monitoring), matches.details, strict=True) if n < 3 * FEWEST]
    if poor:
        raise NotSuitable(
            f"too little detail in {' and '.join(poor)}", fix="point the rig at a scene with plain detail, sharp and lit, such as a shelf or a street"
        )
    flipped = replace_pixels(recording, recording.grey[:, ::-1])
    again = match_details(pairing, common_view(pairing, flipped.grey, monitoring.grey))
    mirrored = int(AimSolve(pairing=pairing, matches=[again]).rough()[1].sum())
    if mirrored > max(FEWEST, 3 * agreed):
        raise NotSuitable("one of the two is mirrored: details agree once it is flipped", fix="turn off the camera's mirror setting")
    count = len(matches)
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


def _refuse_wrong(solve: AimSolve, fit: Fit | State, covariance: Floats, *, most: float) -> None:
    """Refuse where the stills fit only with a figure that the file's tolerance makes unlikely, or not at all."""
    if pulled(solve, fit.values, covariance).max() > most or (isinstance(fit, Fit) and fit.together > LEAN):
        what, fix = wrong_figure(solve, fit.values)
        raise NotSuitable(what, fix=fix)


def _judged(pairing: Pairing, solve: AimSolve, fit: Fit, *, typed: Sequence[Typed], warnings: list[str], found: int) -> Checked:
    good = fit.weight * fit.scatter**2 > 0.15
    if good.sum() < FEWEST or good.sum() < 0.35 * len(solve):
        raise NotSuitable(
            f"only {int(good.sum())} of {len(solve)} details agree on one aim",
            fix="take both stills of one moment, with nothing large moving, and check the lens figures",
        )
    _refuse_wrong(solve, fit, fit.covariance, most=2 * PULL)  # distances may yet end the pull
    _spread(pairing, solve, good)
    fit, state, rows, told = _with_distances(solve, fit, typed, pairing)
    _refuse_wrong(solve, state, state.covariance, most=PULL)
    cases = [[(likely, one.values - state.values, one.covariance) for likely, one in case] for case in may_be(solve, fit, state, rows)]
    return _result(pairing, solve, fit, cases, good, warnings=[*warnings, *told], found=found, typed=bool(rows))


def _with_distances(solve: AimSolve, fit: Fit, typed: Sequence[Typed], pairing: Pairing) -> tuple[Fit, State, list[tuple[Typed, Row, State]], list[str]]:
    """What distances add: the solve made linear where they lead to, the state, the typed distances that can be used, each with the state
    without it, and words about the others."""
    left, conflicts = list(typed), list[str]()
    while True:
        for _ in range(_ROUNDS):  # what a distance says hangs on aim and offset themselves
            asked = [(t, *place_row(solve, fit, t, pairing)) for t in left]
            rows = [(t, row) for t, row, _ in asked if row is not None]
            state, _ = all_known(solve, fit, [row for _, row in rows])
            fit = solve.around(state.values, scale=fit.scatter)
        strain, without = [0.0], list[State]()
        for i, (_, row) in enumerate(rows):
            others, _ = all_known(solve, fit, [r for j, (_, r) in enumerate(rows) if j != i])
            strain.append(abs(float(row.target - row.slope @ others.values)) / math.sqrt(float(row.slope @ others.covariance @ row.slope) + row.sigma**2))
            without.append(others)
        worst = int(np.argmax(strain))
        if strain[worst] <= CONFLICT:  # else the one that fits least with the stills and the others goes first
            told = [f"the distance {t.words} was not used: {why}" for t, row, why in asked if row is None]
            return fit, state, [(t, row, others) for (t, row), others in zip(rows, without, strict=True)], told + conflicts
        each = rows[worst - 1][0]
        left.remove(each)
        conflicts.append(f"the distance {each.words} was not used: it does not go with what the stills show, the offset and the other figures")


def _spread(pairing: Pairing, solve: AimSolve, good: Mask) -> None:
    """Refuse details that crowd one part of the frame."""
    f = pairing.frame
    scale = pairing.recording.raster_px[0] / solve.pairing.recording.raster_px[0]
    cell = np.floor((solve.recording_px[good] * scale - (f.left, f.top)) / (f.width, f.height) * (4, 3))
    inside = ((cell >= 0) & (cell < (4, 3))).all(axis=1)
    counts = np.zeros((3, 4), dtype=int)
    np.add.at(counts, (cell[inside, 1].astype(int), cell[inside, 0].astype(int)), 1)
    filled = int((counts >= 2).sum())
    if filled < _FILLED:
        raise NotSuitable(f"details agree in only {filled} of 12 parts of the frame", fix="choose a scene with detail all over the picture")


def _distances(pairing: Pairing) -> list[float]:
    middle = (inverse_m(pairing.near_m) + inverse_m(pairing.far_m)) / 2
    return list(dict.fromkeys([pairing.near_m, distance_from(middle), pairing.far_m]))


def _result(
    pairing: Pairing, solve: AimSolve, fit: Fit, cases: list[list[tuple[float, Floats, Floats]]], good: Mask, *, warnings: list[str], found: int, typed: bool
) -> Checked:
    values, covariance = fit.values, cases[0][0][2]
    after = moved(pairing, values)
    w = fit.seen.w[good]
    shown = float(np.median(w))
    distance = 1 / shown if shown > 1e-3 else math.inf
    slopes = {d: edge_slopes(pairing, values, d) for d in dict.fromkeys([distance, *_distances(pairing)])}
    serves = tuple((d, known_percent(s, cases)) for d, s in slopes.items())
    advice = _advice(solve, fit, slopes[distance], covariance, serves[0][1], typed=typed)
    if not serves[0][1] <= MOST_PERCENT:
        known = f"{int(good.sum())} details agree, but they fix the guide only to {serves[0][1]:.1f} % of the frame"
        raise NotSuitable(known, fix=advice or "take more stills")
    with np.errstate(divide="ignore"):
        depth = np.where(w > 1e-3, 1 / w, np.inf)
    scale = [getattr(pairing, which).raster_px[0] / getattr(solve.pairing, which).raster_px[0] for which in WHICH]
    per_rad = pairing.monitoring.pixels_per_rad
    return Checked(
        before=pairing,
        after=after,
        figures=mount_figures(pairing, values, covariance),
        lens_figures=lens_figures(pairing, values, covariance),
        turned_deg=math.degrees(float(np.linalg.norm(values[:3]))),
        off_percent=tuple((d, guide_off_percent(pairing, after, d)) for d in _distances(pairing)),
        serves=serves,
        matches=found,
        agreed=int(good.sum()),
        recording_px=solve.recording_px[good] * scale[0],
        monitoring_px=solve.monitoring_px[good] * scale[1],
        depth_m=depth,
        distance_m=distance,
        miss_px=np.abs(fit.seen.off[good]) * solve.noise_rad[good] * per_rad,
        warnings=tuple(warnings),
        advice=advice,
        values=values,
        covariance=covariance,
        scatter=fit.scatter,
        together=fit.together,
    )


def verdict(checked: Checked) -> str:
    """How well the corrected guide is known, in a sentence or two."""
    here, percent = checked.serves[0]
    where = "for what is far away" if math.isinf(here) else f"at {here:.3g} m, where most details are"
    others = ", ".join(f"{within(p)} at {'infinity' if math.isinf(d) else f'{d:.3g} m'}" for d, p in checked.serves[1:])
    grade = "" if checked.enough else f" That is less than a guide should be known to ({ENOUGH_PERCENT:g} %): take it as a start."
    return f"The corrected guide serves to {within(percent)} of the frame {where}" + (f" ({others})." if others else ".") + grade


def _advice(solve: AimSolve, fit: Fit, slopes: Floats, covariance: Floats, known: float, *, typed: bool) -> str:
    """What would help most: tried out on the covariance."""
    if known <= ENOUGH_PERCENT / 2:
        return ""
    state = State(values=fit.values, covariance=covariance)
    near = int(np.argmin(np.abs(fit.seen.w - np.median(fit.seen.w))))
    along = fit.seen.w_slope[near]
    offset = np.zeros(COUNT)
    gains = {"another pair of stills with detail all over the frame, from another place": covariance / 2}
    far = "the distance of something far and flat that both stills show; paced out is enough (--distance)"
    if typed:
        far = "the distance of another flat thing, the farther the better"
    gains[far] = state.with_row(Row(slope=along, target=0.0, sigma=0.006)).covariance
    held = covariance
    for i in range(OFFSET.start, OFFSET.stop):
        one = offset.copy()
        one[i] = 1.0
        held = State(values=fit.values, covariance=held).with_row(Row(slope=one, target=0.0, sigma=0.0005)).covariance
    gains["the offset measured to a millimetre (measure mount, or a ruler)"] = held
    held = covariance
    for i in range(FOCAL.start, BEND.stop):
        one = offset.copy()
        one[i] = 1.0
        held = State(values=fit.values, covariance=held).with_row(Row(slope=one, target=0.0, sigma=float(solve.held[i]) / 8)).covariance
    gains["both lenses measured from a chart (measure lens)"] = held
    after = {words: known_percent(slopes, [[(1.0, np.zeros(COUNT), c)]]) for words, c in gains.items()}
    best = min(after, key=lambda words: after[words])
    return f"most would help: {best}"
