"""Damaged and senseless input: every reader answers with a value or one plain line, soon and in little memory.

The same examples each time, about 2.5 s in all; eight times as many in an acceptance run. More, and others, by hand:
``FRAMEMATCH_FUZZ_SECONDS=600 pytest tests/files/test_fuzz.py``, or one kind of file with
``python tests/helpers/fuzz_files.py mesh --seconds 600`` (``--atheris`` for coverage-guided damage).
"""

from __future__ import annotations

import math
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fuzzing import SECONDS, budget, damaged_toml, survives, text_edits
from hypothesis import given
from hypothesis import strategies as st
from rigs import glasshouse, random_pairing

from framematch.errors import InputError
from framematch.files import starter
from framematch.files.day import parse_day
from framematch.files.pairing import parse_pairing
from framematch.files.pairing_tables import PairingFile
from framematch.files.shot import parse_shot
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Pairing, Tolerance
from framematch.guide.report import Report, guide_report, report_json

HELPERS = Path(__file__).parents[1] / "helpers"
PLAN, DAY = starter.STARTER_PLAN, starter.STARTER_DAY


@pytest.mark.parametrize("kind", ["still", "mesh", "framing"])
def test_damaged_files_are_read_or_refused_in_one_line(kind: str) -> None:
    """In a process of its own with a bound on its memory: a crash or a hang of a library is a failure too."""
    command = [sys.executable, str(HELPERS / "fuzz_files.py"), kind, "--examples", {"still": "500", "mesh": "500", "framing": "600"}[kind]]
    done = subprocess.run(command, cwd=HELPERS, capture_output=True, text=True, timeout=60 + 20 * SECONDS)
    assert done.returncode == 0, done.stderr[-4000:]
    read, refused = map(int, re.findall(r"(\d+) (?:read|refused)", done.stdout))
    assert read > 0 and refused > 0  # damage that is always or never noticed tests little


@budget(700)
@given(text_edits)
def test_a_damaged_pairing_file_is_a_pairing_or_one_line(changes: list[tuple[str, int, str]]) -> None:
    pairing = survives(lambda: parse_pairing(damaged_toml(starter.STARTER, changes)))
    if pairing is not None:
        assert pairing.near_m <= pairing.far_m and pairing.frame.width > 0 and pairing.frame.height > 0
        assert all(math.isnan(a.diagonal) or 0 < a.diagonal < 360 for a in survives(lambda: pairing.angles).values())


@budget(900)
@given(text_edits)
def test_a_damaged_gap_is_a_plan_or_one_line(changes: list[tuple[str, int, str]]) -> None:
    plan = survives(lambda: parse_shot(glasshouse(), damaged_toml(PLAN, changes)))
    assert plan is None or (plan.opening.width_m > 0 and plan.opening.height_m > 0)


@budget(600)
@given(text_edits)
def test_a_damaged_day_is_a_day_or_one_line(changes: list[tuple[str, int, str]]) -> None:
    day = survives(lambda: parse_day(damaged_toml(DAY, changes), pairing=glasshouse()))
    assert day is None or day.pairing == glasshouse()


_KEYS = st.one_of(
    st.sampled_from(
        [*PairingFile.model_fields, "sensor_mm", "raster_px", "focal_mm", "angle_deg", "projection", "distortion", "frame", "display", "offset_mm", "use"]
    ),
    st.text(max_size=6),
)
_PLAIN = st.one_of(st.booleans(), st.integers(-(2**63), 2**63 - 1), st.floats(), st.text(max_size=8), st.dates(), st.times(), st.datetimes())
_TREES = st.recursive(_PLAIN, lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(_KEYS, inner, max_size=4)), max_leaves=12)


@budget(400)
@given(st.dictionaries(_KEYS, _TREES, max_size=6))
def test_any_toml_at_all_is_a_pairing_or_one_line(tree: dict[str, object]) -> None:
    import tomlkit

    text = tomlkit.dumps(tree)
    for read in (parse_pairing, lambda t: parse_shot(glasshouse(), t), lambda t: parse_day(t, pairing=glasshouse())):
        survives(lambda read=read: read(text))


@budget(150)
@given(st.one_of(st.text(max_size=200), st.binary(max_size=200)))
def test_any_text_at_all_is_refused_in_one_line(tmp_path_factory: pytest.TempPathFactory, words: str | bytes) -> None:
    if isinstance(words, str):
        survives(lambda: parse_pairing(words))
    else:
        from framematch.files.pairing import read_pairing

        file = tmp_path_factory.getbasetemp() / "any.toml"
        file.write_bytes(words)
        assert survives(lambda: read_pairing(file)) is None


def extreme(seed: int) -> Pairing:
    """A random pairing with any aim, offsets to 500 mm and often tolerances and a character grid."""
    rng = np.random.default_rng(seed)
    rig = random_pairing(rng)
    pan, roll, tilt = rng.uniform(-180, 180), rng.uniform(-180, 180), rng.uniform(-90, 90)
    share = float(rng.choice([1.0, 0.4, 0.1, 0.02]))  # most rigs look about the same way
    right, up, forward = rng.uniform(-500, 500, 3)
    mount = Mount(right_mm=right, up_mm=up, forward_mm=forward, pan_deg=share * pan, tilt_deg=share * tilt, roll_deg=roll * float(rng.choice([1.0, 0.1])))
    changes: dict[str, object] = {"mount": mount, "text_cells": (50, 18) if rng.random() < 0.5 else None}
    if rng.random() < 0.7:
        changes["tolerance"] = Tolerance(offset_mm=4.0, aim_deg=0.5, focal_percent=2.0)
    return replace(rig, **changes)  # type: ignore[arg-type]


@budget(40)
@given(st.integers(0, 2**32 - 1))
def test_the_guide_of_any_rig_is_found_or_refused_without_a_warning(seed: int) -> None:
    try:
        rig = extreme(seed)
    except InputError:  # stands inside its own distance range
        return
    report = survives(lambda: guide_report(rig))
    if report is not None:
        sound(report)


def sound(report: Report) -> None:
    """What holds for every guide, however odd the rig."""
    rectangle, guide = report.guide.rectangle, report.guide
    assert all(map(math.isfinite, rectangle.as_tuple())) and rectangle.left < rectangle.right and rectangle.top < rectangle.bottom
    assert report.pairing.near_m * (1 - 1e-9) <= guide.set_distance_m <= report.pairing.far_m * (1 + 1e-9)
    assert 0 <= report.unseen_percent <= 100
    worst = [each.error.worst for each in report.at if not math.isnan(each.error.worst)]
    assert all(w <= guide.rectangle_worst_error_percent + 0.05 for w in worst)  # no distance is worse than the worst over the range
    assert report_json(report)["areas"]["ever_px"]
