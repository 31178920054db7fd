"""The check judged on pairs that share no code with it: what it says beside what is true, for one pair or several of one rig.

All 200 pairs and 50 sets, one file of outcomes each (hours on shared cores; made stills are kept in a folder):

    python tests/acceptance/checked_pairs.py pairs 0 200 --stills FOLDER
    python tests/acceptance/checked_pairs.py sets 0 50 --stills FOLDER
"""

from __future__ import annotations

import math
import pickle
import sys
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1] / "helpers"), str(Path(__file__).parents[2])]

import independent_pairs as made

from framematch.geometry.camera import Camera, Display, Rect
from framematch.geometry.lens import Lens
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Pairing, Tolerance
from framematch.guide.tolerance import edge_places
from framematch.guide.transfer import inverse_m, to_display
from framematch.measure.known import Typed
from framematch.measure.stills import Still

FIRST_PAIR, FIRST_SET, MOMENTS = 1000, 2000, 4
PAIR_PERCENT, SET_PERCENT = 0.5, 0.25


def pairing_of(rig: made.Rig) -> Pairing:
    """The rig as its file has it."""
    eyes = [Camera(lens=Lens(projection=e.base, focal_mm=e.focal_mm), sensor_mm=e.sensor_mm, raster_px=e.raster_px, centre_px=e.centre_px) for e in rig.file]
    left, top, right, bottom = rig.frame
    stated = Tolerance(
        offset_mm=made.OFFSET_MM, focal_percent=100 * made.FOCAL_SHARE, centre_px=made.CENTRE_SHARE * max(made.RECORDING_PX[0], made.MONITORING_PX[0])
    )
    right_mm, up_mm, forward_mm = rig.file_offset_mm
    return Pairing(
        recording=eyes[0],
        frame=Rect(left=left, top=top, right=right, bottom=bottom),
        monitoring=eyes[1],
        display=Display(raster_px=made.MONITORING_PX, source_px=made.MONITORING_PX),
        mount=Mount(right_mm=right_mm, up_mm=up_mm, forward_mm=forward_mm),
        near_m=2.0,
        far_m=40.0,
        tolerance=stated if rig.stated else Tolerance(),
    )


def true_off_percent(rig: made.Rig, found: Pairing, distance_m: float) -> float:
    """By how much the frame drawn for a pairing misses the rig's true one: worst edge, percent of the frame; judged by the generator's own projection."""
    drawn, _ = to_display(found, edge_places(found), inverse_m(distance_m))
    errors = np.abs(rig.errors_percent(found.display.to_source(drawn), distance_m))
    return float(np.nanmax(errors)) if np.isfinite(errors).any() else math.nan


def stills_of(moment: made.Moment, name: str) -> tuple[Still, Still]:
    """Both as the check takes them."""
    return tuple(Still(name=f"{which}-{name}.png", pixels=p) for which, p in zip(("recording", "monitoring"), moment.stills, strict=True))  # type: ignore[return-value]


def moments_of(rig: made.Rig, count: int, folder: Path | None) -> list[made.Moment]:
    """The rig's stills, kept in a folder if one is given."""
    out = []
    for i in range(count):
        file = folder / f"{rig.seed}_{i}.pkl" if folder else None
        if file and file.exists():
            out.append(pickle.loads(file.read_bytes()))
            continue
        out.append(made.moment(rig, i))
        if file:
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_bytes(pickle.dumps(out[-1]))
    return out


def typed_of(rig: made.Rig, index: int, kind: str, *, wrong: float = 1.0, folder: Path | None = None) -> Typed | None:
    """The distance of the farthest flat thing in a moment, as somebody would type it: paced out (10 %) in the open, taped (2 %) in a room; None if
    nothing is flat. ``wrong``: a factor it is wrong by."""
    file = folder / f"{rig.seed}_{index}.places.pkl" if folder else None
    if file and file.exists():
        found = pickle.loads(file.read_bytes())
    else:
        found = made.places(rig, index)
        if file:
            file.write_bytes(pickle.dumps(found))
    flat = [p for p in found if p.flat]
    if not flat:
        return None
    place = flat[len([p for p in flat if p.distance_m > 0.98 * flat[0].distance_m]) // 2]  # among the farthest, not at the very corner
    off = np.random.default_rng((rig.seed, 3, index)).normal() / 1.96 * (0.1 if kind == "open" else 0.02)
    return Typed(distance_m=place.distance_m * (1 + off) * wrong, at_px=place.at_px, moment=index)
