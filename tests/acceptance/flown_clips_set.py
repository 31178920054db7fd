"""Two clips of twenty rendered flights, judged against what was flown: ``python tests/acceptance/flown_clips_set.py 0 20``.

With a folder behind, rendered clips are kept there for the next time. Each flight is judged without any distance and, in lines of their own, with one
that somebody taped: along the offset an aim and a distance look the same.

Flex up to a degree at 0.5 to 60 Hz, offsets to 20 s, 40 s that both clips show (a rate to 20 millionths wants so much), clock rates to 200 ppm, up to 5 %
of the frames dropped or repeated, rows read one after another, motion blur, H.264 at 2 or 8 Mbit/s, noise, 25, 30, 50 and 60 frames a second mixed. The
flights share no code with framematch.

Lenses bend, as those of the still check's rigs do, by 1.5 % (recording, at the half diagonal) and 3 % (monitoring, at the half width) of the image radius in
95 of 100. Lenses and offset are known as measured ones are, to 0.1 % of the focal length, a tenth of a pixel (0.4 in pictures four times as wide), 0.05 %
of the image radius and 2 mm, and the files' figures are off as that says; and so is the recording lens's decentring (p1 and p2 times the tangent at the
half width, by 0.019 % in 95 of 100: what OpenCV's calibration says of itself for each of the two cameras of the 13 chessboard pictures that come with it).
Pictures are small for the time that rendering takes, 640 x 360 recorded and 480 x 270 in the goggles: real clips have three to six times as many pixels
across, so that nothing is easier here than with them.
"""

from __future__ import annotations

import math
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from scipy.spatial.transform import Rotation

sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))

from clip_rigs import Known, lines_off_percent, pairing_of
from flown_clips import Eye, Flight, depths, rays_of, turned, write_clips

import framematch.clips.together as clips_together
from framematch.clips.reader import read_turns
from framematch.clips.shake import shake_of
from framematch.clips.together import Together, check_clips
from framematch.clips.typed import TypedAt
from framematch.errors import InputError
from framematch.geometry.mount import aim_from_rotation
from framematch.geometry.pairing import Pairing
from framematch.measure.known import Typed

SHARED_S = 40.0


def file_of(flight: Flight) -> Pairing:
    """The pairing's file that a flight is checked with."""
    return pairing_of(flight, known=Known(offset_mm=2.0, focal_percent=0.1, centre_px=0.1, bend_percent=0.05, decentred_percent=0.019, seed=flight.seed))


def flight_of(seed: int) -> Flight:
    """One flight of the set."""
    rng = np.random.default_rng((seed, 77))
    bends = np.random.default_rng((seed, 78)).normal(scale=(0.015 / 1.96, 0.03 / 1.96))
    rates = rng.choice([25.0, 30.0, 50.0, 60.0], 2)
    offset_s = float(rng.uniform(0, 20))
    return Flight(
        seed=1000 + seed,
        length_s=offset_s + SHARED_S,
        recording=Eye(
            straight=True,
            view_deg=float(rng.uniform(30, 60)),
            size_px=(640, 360),
            fps=rates[0],
            readout_s=rng.uniform(0, 0.016),
            exposure_s=0.4 / rates[0],
            bend=float(bends[0]),
        ),
        monitoring=Eye(
            straight=False,
            view_deg=float(rng.uniform(90, 130)),
            fps=rates[1],
            readout_s=rng.uniform(0, 0.012),
            exposure_s=0.3 / rates[1],
            bend=float(bends[1]),
        ),
        aim_deg=tuple(rng.uniform(-4, 4, 3)),
        offset_mm=tuple(rng.uniform(-60, 60, 3)),
        offset_s=offset_s,
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
    """Each figure's misses with the half-widths of their stated intervals (NaN where none is stated)."""
    rig = file_of(flight)
    clips = folder / f"rec{flight.seed}.mp4", folder / f"mon{flight.seed}.mp4"
    if not all(clip.exists() for clip in clips):
        write_clips(flight, folder)
    clips_together.read_turns = _read_once()  # the flight is checked twice
    found = check_clips(rig, *clips)
    c = found.clocks
    out = {
        "offset, ms": [(1000 * (c.offset_s - flight.offset_s - 1e-6 * flight.rate_ppm * c.middle_s), 1000 * c.offset_95_s)],
        "rate, ppm": [(c.rate_ppm - flight.rate_ppm, c.rate_95_ppm)],
    }
    out |= _aimed(flight, rig, found)
    middle = found.moments[len(found.moments) // 2].instant.recording_s
    centre = np.array([rig.frame.left + rig.frame.right, rig.frame.top + rig.frame.bottom]) / 2
    typed = Typed(distance_m=1.01 * float(depths(flight, middle, *centre)))
    out |= {
        f"{name}, a distance typed": each for name, each in _aimed(flight, rig, check_clips(rig, *clips, typed=[TypedAt(time_s=middle, typed=typed)])).items()
    }
    out["readout, ms"] = [
        (1000 * (turns.readout_s - eye.readout_s), 1000 * turns.readout_95_s)
        for turns, eye in ((found.recording, flight.recording), (found.monitoring, flight.monitoring))
        if turns.readout_told
    ]
    shake = shake_of(found.recording, rig, as_shot=True)
    inside = shake.read & (shake.times_s > 1.5) & (shake.times_s < flight.length_s - 1.5)
    true_off = [_off_smooth(flight, t, shake.smooth_s) for t in shake.times_s[inside]]
    out["margin, deg"] = [(_angle_deg(turned(*np.radians(off)) @ true.T), shake.sure_deg) for off, true in zip(shake.off_deg[inside], true_off, strict=True)]
    served = np.mean([_serves(rig, flight.recording, true, shake.keep_for(0.95)) for true in true_off])
    out["served by what serves 95 %, %"] = [(100 * (served - 0.95), math.nan)]
    return out


def _read_once():
    """``read_turns``, each clip once."""
    kept = {}

    def read(path, camera_of, *, progress=None):
        if path not in kept:
            kept[path] = read_turns(path, camera_of, progress=progress)
        return kept[path]

    return read


def _aimed(flight: Flight, rig: Pairing, found: Together) -> dict[str, list[tuple[float, float]]]:
    """Misses of aim and guide."""
    exact = pairing_of(flight)
    mean = aim_from_rotation(_middling(flight.aim(np.linspace(flight.offset_s, flight.length_s, 4001)), np.ones(4001)))
    out = {"mean aim, deg": [(f.value - true, f.half_95) for f, true in zip(found.checked.figures, mean, strict=False)]}
    aims, offs, far = out.setdefault("aim of a second, deg", []), out.setdefault("guide, % of the frame", []), out.setdefault("inverse distance, 1/m", [])
    for m in found.moments:
        t = m.instant.recording_s
        aim = aim_from_rotation(_of_a_second(flight, t))
        aims += [(a - b, half) for a, b, half in zip(m.aim_deg, aim, m.aim_95_deg, strict=True)]
        true = replace(exact, mount=replace(exact.mount, pan_deg=aim[0], tilt_deg=aim[1], roll_deg=aim[2]))
        depth = _typical_m(flight, rig, t)
        offs.append((m.off_percent - lines_off_percent(rig, true, depth), m.off_95_percent))
        far.append((1 / m.distance_m - 1 / depth, math.nan))
    return out


def _typical_m(flight: Flight, rig: Pairing, t: float) -> float:
    """How far away what the frame shows typically is."""
    frame = rig.frame
    return float(np.median(depths(flight, t, *np.meshgrid(np.linspace(frame.left, frame.right, 25), np.linspace(frame.top, frame.bottom, 15)))))


def _of_a_second(flight: Flight, t: float) -> np.ndarray:
    """The aim as the check states it: mean under a Gaussian of 0.12 s."""
    near = t + np.linspace(-3, 3, 601) * 0.12
    return _middling(flight.aim(np.clip(near, 0, flight.length_s)), np.exp(-(((near - t) / 0.12) ** 2) / 2))


def _middling(turns: np.ndarray, weights: np.ndarray) -> np.ndarray:
    u, _, v = np.linalg.svd(np.average(turns, axis=0, weights=weights))
    return u @ v


def _off_smooth(flight: Flight, t: float, smooth_s: float) -> np.ndarray:
    """(3, 3) smooth path from camera, by SciPy's mean rotation."""
    near = t + np.linspace(-3, 3, 121) * smooth_s
    smooth = Rotation.from_matrix(flight.attitude(near)).mean(weights=np.exp(-(((near - t) / smooth_s) ** 2) / 2)).as_matrix()
    return smooth.T @ flight.attitude(np.array([t]))[0]


def _angle_deg(turn: np.ndarray) -> float:
    return math.degrees(np.linalg.norm(cv2.Rodrigues(turn)[0]))


def _serves(rig: Pairing, eye: Eye, off: np.ndarray, keep_percent: float) -> bool:
    """Whether the frame, laid along the smooth path, lies in the picture of the lens as it is."""
    middle = np.array(eye.size_px) / 2
    share = keep_percent / rig.keep_percent
    x, y = (middle[i] + np.array([-1, 0, 1]) * side / 2 * share for i, side in enumerate((rig.frame.width, rig.frame.height)))
    seen = rays_of(eye, *np.meshgrid(x, y)).reshape(-1, 3) @ off
    flat = seen[:, :2] / seen[:, 2:]
    tangent = np.maximum(np.hypot(flat[:, 0], flat[:, 1]), 1e-12)
    return bool((np.abs(flat) * (eye.bent(tangent) / tangent * eye.focal_px)[:, None] <= middle).all())


def main(first: int, last: int, folder: Path | None = None) -> None:
    """Judge some flights and print a table.

    Args:
        folder: where clips are kept for the next time; nowhere if not given.
    """
    together: dict[str, list[tuple[float, float]]] = {}
    refused = 0
    for seed in range(first, last):
        flight = flight_of(seed)
        with tempfile.TemporaryDirectory() as own:
            try:
                got = judged(flight, folder or Path(own))
            except InputError as error:
                refused += 1
                print(f"{seed}: refused: {error}", flush=True)
                continue
        print(f"{seed}: " + "; ".join(f"{name} {max((abs(m) for m, _ in each), default=0):.3f}" for name, each in got.items()), flush=True)
        for name, each in got.items():
            together.setdefault(name, []).extend(each)
    print(f"{refused} of {last - first} refused")
    for name, each in together.items():
        misses = np.abs([m for m, _ in each])
        held = [abs(m) <= h for m, h in each if not math.isnan(h)]
        rms = math.sqrt(float((misses**2).mean()))
        inside = f"; {100 * np.mean(held):.0f} % inside their intervals" if held else ""
        print(f"{name}: rms {rms:.3f}, 95 % within {np.percentile(misses, 95):.3f}, largest {misses.max():.3f}{inside}")


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3]) if len(sys.argv) > 3 else None)
