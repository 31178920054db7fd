"""Two clips of twenty rendered flights, judged against what was flown: ``python tests/acceptance/flown_clips_set.py 0 20``.

Flex up to a degree at 0.5 to 60 Hz, offsets to 2 s, clock rates to 200 ppm, up to 5 % of the frames dropped or repeated, rows read one after another,
motion blur, H.264 at 2 or 8 Mbit/s, noise, 25, 30, 50 and 60 frames a second mixed. The flights share no code with framematch.
"""

from __future__ import annotations

import math
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))

from clip_rigs import pairing_of
from flown_clips import Eye, Flight, write_clips

from framematch.clips.together import check_clips
from framematch.errors import InputError
from framematch.geometry.mount import aim_from_rotation
from framematch.measure.corrected import guide_off_percent


def flight_of(seed: int) -> Flight:
    """One flight of the set."""
    rng = np.random.default_rng((seed, 77))
    rates = rng.choice([25.0, 30.0, 50.0, 60.0], 2)
    return Flight(
        seed=1000 + seed,
        length_s=float(rng.uniform(8, 12)),
        recording=Eye(straight=True, view_deg=float(rng.uniform(30, 60)), fps=rates[0], readout_s=rng.uniform(0, 0.016), exposure_s=0.4 / rates[0]),
        monitoring=Eye(straight=False, view_deg=float(rng.uniform(90, 130)), fps=rates[1], readout_s=rng.uniform(0, 0.012), exposure_s=0.3 / rates[1]),
        aim_deg=tuple(rng.uniform(-4, 4, 3)),
        offset_mm=tuple(rng.uniform(-60, 60, 3)),
        offset_s=float(rng.uniform(0, 2)),
        rate_ppm=float(rng.uniform(-200, 200)),
        turning=float(rng.uniform(0.6, 1.5)),
        speed_m_s=float(rng.uniform(0, 4)),
        flex_deg=float(rng.choice([0.0, 0.1, 0.3, 1.0])),
        flex_hz=float(0.5 * 120 ** rng.random()),
        dropped=float(rng.uniform(0, 0.05)),
        repeated=float(rng.uniform(0, 0.05)),
        mbit=float(rng.choice([2.0, 8.0])),
        noise=float(rng.uniform(1, 4)),
    )


def judged(flight: Flight, folder: Path) -> dict[str, list[tuple[float, float]]]:
    """Each figure's misses with the half-widths of their stated intervals."""
    rig = pairing_of(flight)
    found = check_clips(rig, *write_clips(flight, folder))
    c = found.clocks
    out = {
        "offset, ms": [(1000 * (c.offset_s - flight.offset_s - 1e-6 * flight.rate_ppm * c.middle_s), 1000 * c.offset_95_s)],
        "rate, ppm": [(c.rate_ppm - flight.rate_ppm, c.rate_95_ppm)],
    }
    mean = aim_from_rotation(_mean(flight))
    out["mean aim, deg"] = [(f.value - true, f.half_95) for f, true in zip(found.checked.figures, mean, strict=False)]
    aims, offs = out.setdefault("aim of a moment, deg", []), out.setdefault("guide, % of the frame", [])
    for m in found.moments:
        aim = aim_from_rotation(flight.aim(np.array([m.instant.recording_s]))[0])
        aims += [(a - b, half) for a, b, half in zip(m.aim_deg, aim, m.aim_95_deg, strict=True)]
        true = replace(rig, mount=replace(rig.mount, pan_deg=aim[0], tilt_deg=aim[1], roll_deg=aim[2]))
        offs.append((m.off_percent - guide_off_percent(rig, true, m.distance_m), m.off_95_percent))
    return out


def _mean(flight: Flight) -> np.ndarray:
    u, _, v = np.linalg.svd(flight.aim(np.linspace(0, flight.length_s, 4001)).mean(axis=0))
    return u @ v


def main(first: int, last: int) -> None:
    """Judge some flights and print a table."""
    together: dict[str, list[tuple[float, float]]] = {}
    refused = 0
    for seed in range(first, last):
        flight = flight_of(seed)
        with tempfile.TemporaryDirectory() as folder:
            try:
                got = judged(flight, Path(folder))
            except InputError as error:
                refused += 1
                print(f"{seed}: refused: {error}", flush=True)
                continue
        print(f"{seed}: " + "; ".join(f"{name} {max(abs(m) for m, _ in each):.3f}" for name, each in got.items()), flush=True)
        for name, each in got.items():
            together.setdefault(name, []).extend(each)
    print(f"{refused} of {last - first} refused")
    for name, each in together.items():
        misses = np.abs([m for m, _ in each])
        inside = 100 * float(np.mean([abs(m) <= h for m, h in each]))
        rms = math.sqrt(float((misses**2).mean()))
        print(f"{name}: rms {rms:.3f}, 95 % within {np.percentile(misses, 95):.3f}, largest {misses.max():.3f}; {inside:.0f} % inside their intervals")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]))
