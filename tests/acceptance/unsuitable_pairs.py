"""Thirty pairs that a check must refuse, each with the right reason: made by the independent generator, five of each kind.

python tests/acceptance/unsuitable_pairs.py --stills FOLDER
"""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

import checked_pairs as judged
import cv2
import independent_pairs as made

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.measure.check import check_moments
from framematch.measure.stills import Still

REASONS = {
    "other scene": "details were found in both|lie as in two pictures of one moment|agree on one aim",
    "mirrored": "mirrored",
    "wrong lens": "^the recording lens seems .* (longer|shorter)|or the recording lens seems .* (longer|shorter)",
    "stabilised": "recording lens seems .* longer|recording lens's centre seems",
    "repeating": "show a repeating pattern",
    "moved": "only if the cameras stand|agree on one aim",
}


def pairs(folder: Path | None, count: int = 5) -> Iterator[tuple[str, int, Pairing, Still, Still]]:
    """Kind, seed, pairing and the two stills."""
    for i in range(count):
        rig = made.random_rig(judged.FIRST_SET + i)
        pairing = judged.pairing_of(rig)
        first, second = (judged.stills_of(m, str(n)) for n, m in enumerate(judged.moments_of(rig, 2, folder)))
        yield "other scene", rig.seed, pairing, first[0], second[1]
        yield "mirrored", rig.seed, pairing, first[0], Still(name="mirrored.png", pixels=np.ascontiguousarray(first[1].pixels[:, ::-1]))
        lens = pairing.recording.lens
        other = replace(pairing, recording=replace(pairing.recording, lens=replace(lens, focal_mm=lens.focal_mm * (1.2 if i % 2 else 0.85))))
        yield "wrong lens", rig.seed, other, *first
        height, width = first[0].pixels.shape
        cut = first[0].pixels[int(0.05 * height) : int(0.95 * height), int(0.07 * width) : int(0.97 * width)]
        yield "stabilised", rig.seed, pairing, Still(name="stabilised.png", pixels=cv2.resize(cut, (width, height), interpolation=cv2.INTER_AREA)), first[1]
        x, y = np.meshgrid(np.arange(1600), np.arange(1000))
        checks = np.where((x // 20 + y // 20) % 2 == 0, 40, 210).astype(np.uint8)
        spread = made.SENSOR_MM[0] / 2 / rig.true[0].focal_mm
        corner, across, down = np.array([-16.0 * spread, -10 * spread, 8]), np.array([32.0 * spread, 0, 0]), np.array([0, 20.0 * spread, 0])
        wall = [made.Panel(corner=corner, across=across, down=down, picture=checks)]
        yield "repeating", rig.seed, pairing, *judged.stills_of(made.moment(rig, 8, panels=wall), "checks")
        way = np.random.default_rng(i).normal(size=3)
        yield "moved", rig.seed, pairing, *judged.stills_of(made.moment(rig, 0, moved_m=tuple(0.25 * way / np.linalg.norm(way))), "moved")


def main() -> None:
    """Run them and print what was said."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--stills", type=Path)
    options.add_argument("--count", type=int, default=5)
    given = options.parse_args()
    right = total = 0
    for kind, seed, pairing, recording, monitoring in pairs(given.stills, given.count):
        total += 1
        try:
            found = check_moments(pairing, [(recording, monitoring)])
            said, fits = f"ACCEPTED, known to {found.known_percent:.2f} %", False
        except InputError as error:
            said, fits = str(error), bool(re.search(REASONS[kind], error.problem))
        right += fits
        print(f"{kind} {seed}: {'right' if fits else 'WRONG'}: {said}", flush=True)
    print(f"{right} of {total} refused with the right reason")


if __name__ == "__main__":
    main()
