"""The check on rigs whose pictures share no code with it: a sample of tests/acceptance/checked_pairs.py, which runs 200 pairs and 50 sets."""

from __future__ import annotations

import sys
from pathlib import Path

import independent_pairs as made
import numpy as np
import pytest
from at_length import sample

sys.path.insert(0, str(Path(__file__).parents[1] / "acceptance"))

import checked_pairs as judged


def test_generator_and_project_agree_on_where_a_known_rig_draws_its_frame():
    """Own projections on both sides: a rig that is as its file says is off by nothing, and its pictures come back through the generator's inverse."""
    rig = made.random_rig(5)
    exact = made.Rig(**{**rig.__dict__, "true": rig.file, "offset_mm": rig.file_offset_mm, "aim_deg": (0.0, 0.0, 0.0)})
    for distance in (2.0, 40.0, float("inf")):
        assert judged.true_off_percent(exact, judged.pairing_of(exact), distance) < 1e-3
    px = np.array([(100.0, 90.0), (700.0, 400.0)])
    for eye in rig.true:
        assert np.allclose(eye.pixels(eye.rays(px)), px, atol=1e-3)


@pytest.fixture(scope="module")
def stills(tmp_path_factory) -> Path:
    """Where stills once made are kept."""
    return tmp_path_factory.mktemp("stills")


def test_a_pair_serves_to_what_is_stated(stills):
    for seed in (judged.FIRST_PAIR + i for i in sample((9,), (8, 9, 15))):  # the 9th's distance counts only once all else is near
        said = judged.outcome(seed, 1, folder=stills)
        assert said.rows and said.rows[0][1] <= judged.PAIR_PERCENT
        assert all(true <= known for _, known, true in said.rows)


def test_a_distance_wrong_by_a_third_stays_inside_what_is_stated():
    said = judged.outcome(judged.FIRST_PAIR + 10, 1, wrong=0.7)
    assert all(true <= known for _, known, true in said.rows)


@pytest.mark.parametrize("wrong", sample([-1], [-1, 0]))
def test_a_distance_of_another_thing_or_none_stays_inside_what_is_stated(stills, wrong):
    """The place is flat where its details are, so nothing shows that 7 m is not its distance."""
    said = judged.outcome(judged.FIRST_PAIR + 9, 1, wrong=wrong, folder=stills)
    assert said.rows and all(true <= known for _, known, true in said.rows)
    assert said.rows[0][1] > judged.PAIR_PERCENT
