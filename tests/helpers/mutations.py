"""Deliberate faults in core formulas, each of which some quick test must notice.

``python tests/helpers/mutations.py`` tries all of them and prints a table; tests/project/test_mutations.py does so in
CI. Each fault is made in a copy of the package; the test file named beside it must then fail.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One fault: in ``file``, ``right`` becomes ``wrong``; ``tests`` are what must notice."""

    name: str
    file: str
    right: str
    wrong: str
    tests: tuple[str, ...]


FAULTS = (
    Fault(
        name="a fisheye's radius twice too large",
        file="geometry/lens_models.py",
        right="radius_of=lambda t, _: 2 * np.tan(t / 2)",
        wrong="radius_of=lambda t, _: 4 * np.tan(t / 2)",
        tests=("geometry/test_lens.py", "-k", "radius_at_45 or wide_angles"),
    ),
    Fault(
        name="tangential terms swapped",
        file="geometry/lens_brown_conrady.py",
        right="factor = factor + 2 * (p1 * y + p2 * x)",
        wrong="factor = factor + 2 * (p2 * y + p1 * x)",
        tests=("geometry/test_lens.py", "-k", "brown_conrady_as_opencv"),
    ),
    Fault(
        name="squeeze multiplied where it divides",
        file="geometry/lens.py",
        right="np.multiply(u, lens.focal_mm / lens.squeeze,",
        wrong="np.multiply(u, lens.focal_mm * lens.squeeze,",
        tests=("geometry/test_lens.py", "-k", "squeeze"),
    ),
    Fault(
        name="pixels of the frame's height from its width",
        file="geometry/camera.py",
        right="frame_h = min(room_h, room_w * squeeze / aspect)",
        wrong="frame_h = min(room_h, room_w / squeeze / aspect)",
        tests=("geometry/test_camera.py", "-k", "frame or squeezed"),
    ),
    Fault(
        name="the offset up taken as down",
        file="geometry/mount.py",
        right="np.array([self.right_mm, -self.up_mm, self.forward_mm])",
        wrong="np.array([self.right_mm, self.up_mm, self.forward_mm])",
        tests=("geometry/test_mount.py",),
    ),
    Fault(
        name="tilted before panned",
        file="geometry/mount.py",
        right="pan @ tilt @ roll",
        wrong="tilt @ pan @ roll",
        tests=("geometry/test_mount.py",),
    ),
    Fault(
        name="parallax on the wrong side",
        file="guide/transfer.py",
        right="(rays - shift) @ mount",
        wrong="(rays + shift) @ mount",
        tests=("guide/test_guide.py", "-k", "closed_form"),
    ),
    Fault(
        name="the bottom edge's error measured in widths",
        file="guide/transfer.py",
        right="(p[..., 1] - frame.bottom) / frame.height",
        wrong="(p[..., 1] - frame.bottom) / frame.width",
        tests=("guide/test_transfer.py",),
    ),
    Fault(
        name="always and ever the wrong way round",
        file="guide/areas.py",
        right="return first.union(swept).intersection(seen), first.difference(swept).intersection(seen)",
        wrong="return first.difference(swept).intersection(seen), first.union(swept).intersection(seen)",
        tests=("guide/test_areas.py", "-k", "closed_form"),
    ),
    Fault(
        name="tolerances twice too wide",
        file="guide/tolerance.py",
        right="px += ((moved[0] - moved[1]) / 2) ** 2",
        wrong="px += (moved[0] - moved[1]) ** 2",
        tests=("guide/test_areas.py", "-k", "cover_95"),
    ),
    Fault(
        name="the set distance halfway in metres",
        file="guide/best.py",
        right="best, a, b = float(sets[i]), float(sets[max(i - 1, 0)]), float(sets[min(i + 1, 16)])",
        wrong="best, a, b = float(sets[0]), float(sets[0]), float(sets[1])",
        tests=("guide/test_guide.py", "-k", "best_single_distance"),
    ),
    Fault(
        name="hyperfocal distance without the stop",
        file="optics/sharpness.py",
        right="(focal_mm**2 / (f_number * circle_mm) + focal_mm)",
        wrong="(focal_mm**2 / circle_mm + focal_mm)",
        tests=("optics/test_optics.py", "-k", "hyperfocal"),
    ),
    Fault(
        name="the turn's part of image speed with its sign changed",
        file="optics/motion.py",
        right="motion = motion - np.cross(turn, points)",
        wrong="motion = motion + np.cross(turn, points)",
        tests=("optics/test_motion.py", "-k", "derivative"),
    ),
    Fault(
        name="a fall with half the gravity",
        file="flight/fall.py",
        right="np.sqrt(up * up + 2 * gravity_m_s2 * height)",
        wrong="np.sqrt(up * up + gravity_m_s2 * height)",
        tests=("flight/test_flight.py", "-k", "throw"),
    ),
    Fault(
        name="wall marks taped upside down",
        file="guide/wall_marks.py",
        right="up_mm=float(-y)",
        wrong="up_mm=float(y)",
        tests=("guide/test_wall_marks.py",),
    ),
    Fault(
        name="marks seen low taken for marks seen high",
        file="guide/wall_marks.py",
        right="seen.low_px + up_px",
        wrong="seen.low_px - up_px",
        tests=("guide/test_wall_marks.py", "-k", "gives_the_aim_back"),
    ),
)


def noticed(fault: Fault) -> tuple[bool, str]:
    """Whether the tests fail with the fault made, and the last line they print.

    Raises:
        ValueError: the formula is no longer where the fault would be made.
    """
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(ROOT / "framematch", Path(folder) / "framematch", ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(ROOT / "pyproject.toml", folder)
        shutil.copytree(ROOT / "tests", Path(folder) / "tests", ignore=shutil.ignore_patterns("__pycache__", "data", "benchmarks"))
        place = Path(folder) / "framematch" / fault.file
        text = place.read_text(encoding="utf-8")
        if text.count(fault.right) != 1:
            raise ValueError(f"{fault.file} holds {fault.right!r} {text.count(fault.right)} times")
        place.write_text(text.replace(fault.right, fault.wrong), encoding="utf-8")
        environment = {**os.environ, "PYTHONPATH": folder, "PYTHONDONTWRITEBYTECODE": "1"}
        command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", f"tests/{fault.tests[0]}", *fault.tests[1:]]
        done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, timeout=120)
        told = (done.stdout.strip().splitlines() or [""])[-1]
        return done.returncode == 1 and "failed" in done.stdout.lower(), told


if __name__ == "__main__":
    missed = 0
    for fault in FAULTS:
        seen, told = noticed(fault)
        missed += not seen
        print(f"{'noticed' if seen else 'MISSED ':8} {fault.file:18} {fault.name}: {told[:110]}", flush=True)
    sys.exit(1 if missed else 0)
