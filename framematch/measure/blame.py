"""What is named when stills fit only with figures that the file makes unlikely.

The figure that was pulled most is often not the one that is wrong: of fourteen that give way together, the loosest gives way first. So each
cause is tried by itself: its figures set free, all others held as the file has them. The cause with which the stills fit best is named, and
the next one too where it does all but as well: one pair of stills can't always tell a wrong lens from a rig that moved.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framematch.measure.aim import AimSolve
from framematch.measure.unknowns import AIM, BEND, CENTRE, COUNT, FOCAL, OFFSET, WHICH

Floats = NDArray[np.float64]
LEAN = 12.0  # how many times more blocks of details may scatter than details do
LEANS = "the residuals lean one way over whole parts of the picture: a lens bends otherwise than its file has it, or something large moved"
_BEYOND = 2.2  # of the file's own standard deviations: what stays nearer is never called wrong
_ALIKE = 10.0  # chi square by which a cause may fit worse than the best and is named beside it
_LOOSE = {"offset": 0.3, "focal": 0.2, "centre": 0.06, "bend": 0.15}  # standard deviations of what is set free: m, logarithm, widths, share
_FAR_M = 0.4
_AT_ONCE = "take both stills at one moment, of a scene without repeating patterns, and check offset_mm and its tolerance"
_MEASURE = "measure the lens first, and check that the camera does not stabilise its picture"


@dataclass(frozen=True, kw_only=True, eq=False)
class Cause:
    """Figures set free together.

    Args:
        what: offset, focal, centre or bend; camera: 0 recording, 1 monitoring.
        values: (14,) what all came to.
        cost: how badly the stills fit, as a chi square.
        together: as ``aim.Fit`` has it: how far blocks of details still lean.
    """

    what: str
    camera: int
    values: Floats
    cost: float
    together: float


def pulled(solve: AimSolve, values: Floats, covariance: Floats) -> Floats:
    """(14,): by how many standard deviations the stills pull each figure from the file's, beyond what they leave open; 0 for the aim."""
    free = solve.held**2 - np.diag(covariance)
    out = np.where(free > 0.05 * solve.held**2, np.abs(values) / np.sqrt(np.maximum(free, 1e-18)), np.abs(values) / solve.held)
    out[np.abs(values) < _BEYOND * solve.held] = 0  # the covariance is on the safe side
    out[:3] = 0
    return out


def wrong_figure(solve: AimSolve, values: Floats) -> tuple[str, str]:
    """What is wrong with stills that don't fit the file, and what to do."""
    tried = causes(solve, values)
    if tried[0].together > LEAN and tried[0].cost > tried[1].cost / 2:
        return LEANS, "measure the lenses first, and take both stills of one moment"
    likely = [c for c in tried if c.cost <= tried[0].cost + _ALIKE][:2]
    words = ", or ".join(_words(solve, c) for c in likely)
    if likely[0].what == "offset":
        words = f"the stills fit only if {words}"
    return f"{words}, more than its tolerance makes likely", _AT_ONCE if likely[0].what == "offset" else _MEASURE


def causes(solve: AimSolve, values: Floats) -> list[Cause]:
    """Every cause tried, from where a solve of all of them ended; the best first."""
    free = [("offset", 0, range(OFFSET.start, OFFSET.stop))]
    for i in range(2):
        focal, centre, bend = FOCAL.start + i, CENTRE.start + 2 * i, BEND.start + i
        free += [("focal", i, range(focal, focal + 1)), ("centre", i, range(centre, centre + 2)), ("bend", i, range(bend, bend + 1))]
    fits = []
    for what, _, loose in free:
        other = copy.copy(solve)
        other.held = solve.held.copy()
        other.held[loose] = np.maximum(other.held[loose], _LOOSE[what])
        start = np.where(np.isin(np.arange(COUNT), [*range(AIM.stop), *loose]), values, 0.0)
        starts = [start]
        if what == "offset":  # far from the file's there is more than one valley
            starts += [np.concatenate([values[AIM], way, np.zeros(COUNT - OFFSET.stop)]) for way in _FAR_M * np.vstack([np.eye(3), -np.eye(3)])]
        tried = [other.fit(np.ones(len(solve), dtype=bool), start=v, scale=8.0 if v is start else 30.0, rounds=12) for v in starts]
        fits.append(min(tried, key=lambda f: float(np.log1p(f.seen.off**2 / 30).sum())))
    soft = 2.4 * min(f.scatter for f in fits)
    misfit = [2.4**2 * float(np.log1p((f.seen.off / soft) ** 2).sum()) for f in fits]
    together = fits[int(np.argmin(misfit))].together
    out = []
    for (what, camera, loose), fit, miss in zip(free, fits, misfit, strict=True):
        others = np.setdiff1d(np.arange(AIM.stop, COUNT), loose)
        strain = float(((fit.values[others] / solve.held[others]) ** 2).sum())
        out.append(Cause(what=what, camera=camera, values=fit.values, cost=miss / together + strain + 4 * len(loose), together=fit.together))
    return sorted(out, key=lambda c: c.cost)


def _words(solve: AimSolve, cause: Cause) -> str:
    which, v = WHICH[cause.camera], cause.values
    if cause.what == "offset":
        return f"the cameras stand about {float(f'{1000 * np.linalg.norm(v[OFFSET]):.1g}'):g} mm from where the file has them"  # how far, stills hardly tell
    if cause.what == "focal":
        longer = 100 * math.expm1(v[FOCAL][cause.camera])
        return f"the {which} lens seems {abs(longer):.1f} % {'longer' if longer > 0 else 'shorter'} than the file's"
    if cause.what == "centre":
        width = (solve.pairing.recording, solve.pairing.monitoring)[cause.camera].raster_px[0]
        return f"the {which} lens's centre seems {width * float(np.hypot(*v[CENTRE][2 * cause.camera :][:2])):.0f} px from the file's"
    return f"the {which} lens seems to bend {100 * abs(v[BEND][cause.camera]):.1f} % more than the file has it"
