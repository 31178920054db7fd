"""Deliberate faults in core functions, each of which some quick test must notice.

``python tests/helpers/mutations.py`` tries all of them and prints a table; tests/project/test_mutations.py does so in the
suite. A fault names a function and wraps it: how the function is written doesn't matter. Its tests run in a process of their
own that is forked from one with everything imported.
"""

from __future__ import annotations

import importlib
import io
import multiprocessing
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass, replace
from pathlib import Path
from types import FunctionType, ModuleType
from typing import Any

ROOT = Path(__file__).parents[2]
#: What the tests import, so that it is imported once for all faults.
ALREADY_IMPORTED = ("pytest", "hypothesis", "numpy", "scipy.optimize", "scipy.spatial.transform", "shapely", "cv2", "PIL.Image", "framematch.guide.report")
#: Plugins that a run inside needs as little as a cache.
WITHOUT = ("cacheprovider", "xdist", "benchmark", "pytest_cov", "anyio", "playwright")


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One fault.

    Args:
        places: functions, methods or properties, as ``module:name`` in the package; each does as ``wrong`` does.
        wrong: called with the right function before its own arguments.
        tests: a test file, and which of its tests must notice (``-k``).
    """

    name: str
    places: tuple[str, ...]
    wrong: Callable[..., Any]
    tests: tuple[str, ...]


def _negated(mount: Any) -> Any:
    return replace(mount, right_mm=-mount.right_mm, up_mm=-mount.up_mm, forward_mm=-mount.forward_mm)


def _tilted_first(right: Callable[..., Any], *, pan_deg: float = 0.0, tilt_deg: float = 0.0, roll_deg: float = 0.0) -> Any:
    return right(tilt_deg=tilt_deg) @ right(pan_deg=pan_deg) @ right(roll_deg=roll_deg)


def _twice_as_wide_angle(right: Callable[..., Any], lens: Any, *rest: Any) -> Any:
    return right(replace(lens, focal_mm=2 * lens.focal_mm) if lens.projection == "stereographic" else lens, *rest)


def _bottom_in_widths(right: Callable[..., Any], frame: Any, recorded_px: Any, edge: str) -> Any:
    return right(frame, recorded_px, edge) * (frame.height / frame.width if edge == "bottom" else 1)


def _down_is_up(right: Callable[..., Any], mount: Any) -> Any:
    return right(mount) * (1, -1, 1)


def _cut_by_distance(right: Callable[..., Any], pairing: Any, count: int) -> Any:
    return tuple(pairing.near_m + (pairing.far_m - pairing.near_m) * i / count for i in range(1, count))


FAULTS = (
    Fault(
        name="a fisheye's radius twice too large",
        places=("geometry.lens:Lens.radius_mm", "geometry.lens:Lens.project", "geometry.lens:Lens.unproject"),
        wrong=_twice_as_wide_angle,
        tests=("geometry/test_lens.py", "-k", "radius_at_45 or wide_angles"),
    ),
    Fault(
        name="tangential terms swapped",
        places=("geometry.lens:Lens.project", "geometry.lens:Lens.unproject"),
        wrong=lambda right, lens, at: right(replace(lens, p=lens.p[::-1]), at),
        tests=("geometry/test_lens.py", "-k", "brown_conrady_as_opencv"),
    ),
    Fault(
        name="squeeze multiplied where it divides",
        places=("geometry.lens:Lens.project",),
        wrong=lambda right, lens, rays: right(replace(lens, squeeze=1 / lens.squeeze), rays),
        tests=("geometry/test_lens.py", "-k", "squeeze"),
    ),
    Fault(
        name="the frame squeezed instead of de-squeezed",
        places=("geometry.camera:frame_in",),
        wrong=lambda right, raster_px, *, squeeze=1.0, **rest: right(raster_px, squeeze=1 / squeeze, **rest),
        tests=("geometry/test_camera.py", "-k", "frame or squeezed"),
    ),
    Fault(
        name="the offset up taken as down",
        places=("geometry.mount:Mount.translation_m",),
        wrong=_down_is_up,
        tests=("geometry/test_mount.py",),
    ),
    Fault(
        name="tilted before panned",
        places=("geometry.mount:rotation_from_aim",),
        wrong=_tilted_first,
        tests=("geometry/test_mount.py",),
    ),
    Fault(
        name="parallax on the wrong side",
        places=("guide.transfer:to_display",),
        wrong=lambda right, pairing, *rest, **more: right(replace(pairing, mount=_negated(pairing.mount)), *rest, **more),
        tests=("guide/test_guide.py", "-k", "closed_form"),
    ),
    Fault(
        name="the bottom edge's error measured in widths",
        places=("guide.transfer:edge_error",),
        wrong=_bottom_in_widths,
        tests=("guide/test_transfer.py",),
    ),
    Fault(
        name="always and ever the wrong way round",
        places=("guide.areas:areas",),
        wrong=lambda right, *given, **more: replace(found := right(*given, **more), always=found.ever, ever=found.always),
        tests=("guide/test_areas.py", "-k", "closed_form"),
    ),
    Fault(
        name="tolerances twice too wide",
        places=("guide.tolerance:band_along_edges",),
        wrong=lambda right, *given: (2 * (found := right(*given))[0], found[1]),
        tests=("guide/test_areas.py", "-k", "cover_95"),
    ),
    Fault(
        name="the set distance halfway in metres",
        places=("guide.best:best_set_distance",),
        wrong=lambda right, pairing: ((pairing.near_m + pairing.far_m) / 2, right(pairing)[1]),
        tests=("guide/test_guide.py", "-k", "best_single_distance"),
    ),
    Fault(
        name="sets of lines cut evenly in distance",
        places=("guide.sets:best_cuts",),
        wrong=_cut_by_distance,
        tests=("guide/test_sets.py", "-k", "evenly and 20.0"),
    ),
    Fault(
        name="rows read from the bottom up",
        places=("guide.turning:row_delay_s",),
        wrong=lambda right, camera, rows_px: -right(camera, rows_px),
        tests=("guide/test_turning.py", "-k", "closed_form"),
    ),
    Fault(
        name="hyperfocal distance without the stop",
        places=("optics.sharpness:hyperfocal_m",),
        wrong=lambda right, *, f_number, **rest: right(f_number=1.0, **rest),
        tests=("optics/test_optics.py", "-k", "hyperfocal"),
    ),
    Fault(
        name="the turn's part of image speed with its sign changed",
        places=("optics.motion:image_velocity_px_s",),
        wrong=lambda right, *given, turn_rad_s=(0.0, 0.0, 0.0), **rest: right(*given, turn_rad_s=[-w for w in turn_rad_s], **rest),
        tests=("optics/test_motion.py", "-k", "derivative"),
    ),
    Fault(
        name="a fall through half the height",
        places=("flight.fall:fall_time_s",),
        wrong=lambda right, *, height_m, **rest: right(height_m=height_m / 2, **rest),
        tests=("flight/test_flight.py", "-k", "throw"),
    ),
    Fault(
        name="wall marks taped upside down",
        places=("guide.wall_marks:wall_marks",),
        wrong=lambda right, *given: tuple(replace(mark, up_mm=-mark.up_mm) for mark in right(*given)),
        tests=("guide/test_wall_marks.py",),
    ),
    Fault(
        name="marks seen low taken for marks seen high",
        places=("guide.wall_marks:aim_off_by_shift",),
        wrong=lambda right, *given, right_px, up_px: right(*given, right_px=right_px, up_px=-up_px),
        tests=("guide/test_wall_marks.py", "-k", "gives_the_aim_back"),
    ),
    Fault(
        name="a lean that knows no wind",
        places=("shot.lean:specific_thrust_m_s2",),
        wrong=lambda right, motion, flying: right(motion, replace(flying, wind_m_s=(0.0, 0.0, 0.0))),
        tests=("shot/test_lean.py", "-k", "steady"),
    ),
    Fault(
        name="the horizon's height counted from the top",
        places=("shot.horizon:horizon_in",),
        wrong=lambda right, *given: (100 - (found := right(*given))[0], found[1]),
        tests=("compare/test_along.py", "-k", "steady_flight_s_horizon"),
    ),
    Fault(
        name="an opening's left and right swapped",
        places=("compare.clearance:rooms_m",),
        wrong=lambda right, *given: {**(found := right(*given)), "left": found["right"], "right": found["left"]},
        tests=("compare/test_gap_clearance.py", "-k", "rectangle"),
    ),
    Fault(
        name="an opening placed by hand that is flown towards whoever placed it",
        places=("shot.placing:opening_between",),
        wrong=lambda right, *given, **more: replace(found := right(*given, **more), heading_deg=found.heading_deg + 180),
        tests=("shot/test_placing.py", "-k", "opposite_corners"),
    ),
    Fault(
        name="places in the goggles' recording taken for the camera's own",
        places=("measure.goggles:places_undone",),
        wrong=lambda right, places_px, *rest: list(places_px),
        tests=("measure/test_goggles.py", "-k", "wall_marks and crop"),
    ),
)


def make(fault: Fault) -> None:
    """Make the fault in this process, for good: also where the function was imported by name.

    Raises:
        ValueError: a place holds no function that this can be done to.
    """
    for place in fault.places:
        module, _, path = place.partition(":")
        try:
            found: Any = importlib.import_module(f"framematch.{module}")
            for name in path.split("."):
                found = vars(found)[name]
        except (ImportError, KeyError) as error:
            raise ValueError(f"{place} is no longer there") from error
        function = found.fget if isinstance(found, property) else getattr(found, "func", found)
        if not isinstance(function, FunctionType) or function.__code__.co_freevars:
            raise ValueError(f"{place} is not a plain function")
        right = FunctionType(function.__code__, function.__globals__, function.__name__, function.__defaults__)
        right.__kwdefaults__ = function.__kwdefaults__
        function.__globals__[key := f"_wrong_{path.replace('.', '_')}"] = lambda *given, _right=right, **more: fault.wrong(_right, *given, **more)
        stand_in: dict[str, Any] = {}
        exec(f"def stand_in(*given, **more): return {key}(*given, **more)", stand_in)
        function.__code__ = stand_in["stand_in"].__code__
        function.__defaults__ = function.__kwdefaults__ = None


def outcome(name: str | None) -> tuple[int, str]:
    """How its tests end with the fault of that name made (without a fault: all tests of the list), and what failed."""
    import pytest

    chosen = [fault for fault in FAULTS if name in (None, fault.name)]
    for fault in chosen if name else ():
        make(fault)
    codes, lines = [], []
    for fault in chosen:
        words = ["-q", "-x", "--tb=line", f"--rootdir={ROOT}", f"-c{ROOT / 'pyproject.toml'}", str(ROOT / "tests" / fault.tests[0]), *fault.tests[1:]]
        with redirect_stdout(told := io.StringIO()), redirect_stderr(told):
            codes.append(int(pytest.main([*words, *(f"-pno:{plugin}" for plugin in WITHOUT)])))
        lines += [line for line in told.getvalue().splitlines() if line.startswith("FAILED")]
    return max(codes), "; ".join(lines)


@contextmanager
def trying() -> Iterator[Callable[[str | None], tuple[int, str]]]:
    """:func:`outcome`, each time in a fresh process."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(list(ALREADY_IMPORTED))
    ours, sys.modules["__main__"] = sys.modules["__main__"], ModuleType("__main__")  # a page's test leaves its own behind, which can't be run again
    try:
        with ProcessPoolExecutor(max_workers=1, max_tasks_per_child=1, mp_context=context) as pool:
            yield lambda name: pool.submit(outcome, name).result(timeout=120)
    finally:
        sys.modules["__main__"] = ours


def main() -> int:
    missed = 0
    with trying() as tried:
        for fault in FAULTS:
            code, told = tried(fault.name)
            missed += code != 1
            print(f"{'noticed' if code == 1 else 'MISSED ':8} {fault.places[0]:34} {fault.name}: {told[:110]}", flush=True)
    return missed


if __name__ == "__main__":
    sys.exit(1 if main() else 0)
