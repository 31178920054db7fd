"""The check judged on pairs that share no code with it: what it says beside what is true, for one pair or several of one rig.

All 200 pairs and 50 sets; stills made are kept in a folder, what was said of each in a file, from which a later run goes on:

    python tests/acceptance/checked_pairs.py pairs 0 200 --stills FOLDER --told pairs.jsonl
    python tests/acceptance/checked_pairs.py sets 0 50 --stills FOLDER --told sets.jsonl
"""

from __future__ import annotations

import argparse
import json
import math
import pickle
import sys
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))

import independent_pairs as made

from framematch.errors import InputError
from framematch.geometry.camera import Camera, Display, Rect
from framematch.geometry.lens import Lens
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Pairing, Tolerance
from framematch.guide.tolerance import edge_places
from framematch.guide.transfer import inverse_m, to_display
from framematch.measure.check import check_moments
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
    nothing is flat. ``wrong``: a factor it is wrong by; below 0: of the wrong depth, at the place where what is round it differs most."""
    file = folder / f"{rig.seed}_{index}.places2.pkl" if folder else None
    if file and file.exists():
        found = pickle.loads(file.read_bytes())
    else:
        found = made.places(rig, index)
        if file:
            file.write_bytes(pickle.dumps(found))
    flat = [p for p in found if p.flat]
    if wrong < 0 and found:
        mixed = max(found, key=lambda p: abs(math.log(p.other_m / p.distance_m)))
        return Typed(distance_m=mixed.other_m, at_px=mixed.at_px, moment=index)
    if not flat:
        return None
    place = flat[len([p for p in flat if p.distance_m > 0.98 * flat[0].distance_m]) // 2]  # among the farthest, not at the very corner
    off = np.random.default_rng((rig.seed, 3, index)).normal() / 1.96 * (0.1 if kind == "open" else 0.02)
    return Typed(distance_m=place.distance_m * (1 + off) * wrong, at_px=place.at_px, moment=index)


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What a check said of a rig: (distance, percent stated, percent true) each; or why it refused."""

    seed: int
    kinds: str
    rows: tuple[tuple[float, float, float], ...]
    said: str


def outcome(seed: int, moments: int, *, wrong: float = 1.0, folder: Path | None = None) -> Outcome:
    """Check one rig; ``wrong``: a factor that the first typed distance is wrong by, 0 for none typed, below 0 for one of the wrong depth."""
    rig = made.random_rig(seed)
    shown = moments_of(rig, moments, folder)
    typed = [typed_of(rig, i, m.kind, wrong=wrong if i == 0 else 1.0, folder=folder) for i, m in enumerate(shown)] if wrong else []
    kinds = "".join(m.kind[0] for m in shown)
    try:
        found = check_moments(pairing_of(rig), [stills_of(m, str(i)) for i, m in enumerate(shown)], typed=[t for t in typed if t])
    except InputError as error:
        return Outcome(seed=seed, kinds=kinds, rows=(), said=str(error))
    rows = tuple((d, known, true_off_percent(rig, found.after, d)) for d, known in found.serves)
    return Outcome(seed=seed, kinds=kinds, rows=rows, said="; ".join(found.warnings))


def summary(outcomes: list[Outcome], limit: float) -> str:
    """How many were accepted (known to the limit where the details are), how true that is, and how the stated figures hold."""
    told = [o for o in outcomes if o.rows]
    accepted = [o for o in told if o.rows[0][1] <= limit]
    every = np.array([(known, true) for o in told for _, known, true in o.rows])
    here = np.array([o.rows[0][1:] for o in told]).reshape(-1, 2)
    mine = np.array([o.rows[0][1:] for o in accepted]).reshape(-1, 2)
    return (
        f"{len(outcomes)} rigs, {len(outcomes) - len(told)} refused, {len(accepted)} accepted ({100 * len(accepted) / len(outcomes):.0f} %); "
        f"of these {100 * (mine[:, 1] <= limit).mean() if len(mine) else math.nan:.1f} % within {limit} %, "
        f"worst {(mine[:, 1] / mine[:, 0]).max(initial=0):.2f} "
        f"times its figure; figures cover {100 * (here[:, 1] <= here[:, 0]).mean():.1f} % where the details are, "
        f"{100 * (every[:, 1] <= every[:, 0]).mean():.1f} % at all distances; worst {(every[:, 1] / every[:, 0]).max(initial=0):.2f} times its figure"
    )


def main() -> None:
    """Check many and print each and the summary."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("what", choices=("pairs", "sets"))
    options.add_argument("first", type=int)
    options.add_argument("count", type=int)
    options.add_argument("--stills", type=Path)
    options.add_argument("--told", type=Path, help="JSON lines: rigs that stand there are not run again, the others are added")
    options.add_argument("--wrong", type=float, default=1.0, help="factor that the first typed distance is wrong by; 0: none typed; -1: of the wrong depth")
    given = options.parse_args()
    moments, start, limit = (1, FIRST_PAIR, PAIR_PERCENT) if given.what == "pairs" else (MOMENTS, FIRST_SET, SET_PERCENT)
    lines = given.told.read_text().splitlines() if given.told and given.told.exists() else []
    known = {o.seed: o for o in (Outcome(**json.loads(line)) for line in lines)}
    outcomes = []
    for seed in range(start + given.first, start + given.first + given.count):
        o = known.get(seed) or outcome(seed, moments, wrong=given.wrong, folder=given.stills)
        outcomes.append(o)
        if given.told and seed not in known:
            with given.told.open("a") as file:
                print(json.dumps(asdict(o)), file=file)
        print(seed, o.kinds, "  ".join(f"{d:.3g} m: {known:.2f} % stated, {true:.2f} true" for d, known, true in o.rows) or "refused", o.said, flush=True)
    print(summary(outcomes, limit))


if __name__ == "__main__":
    main()
