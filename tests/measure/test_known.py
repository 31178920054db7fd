"""What distances add to a check: what stands for a block of details, and what is stated where one of several distances may be wrong."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from framematch.measure.aim import Row
from framematch.measure.corrected import known_percent
from framematch.measure.known import State, Typed, block_distances, suspected
from framematch.measure.unknowns import COUNT


def test_a_block_that_holds_near_things_beside_far_ones_moves_as_the_far_ones_do():
    """w = parallax / offset, so its slope along the offset is -w / offset: of the far ones, where the block's distance is."""
    w = np.array([0.003] * 12 + [0.4] * 9)
    slope = np.zeros((len(w), COUNT))
    slope[:, 3] = -w / 0.06
    told = SimpleNamespace(weight=np.ones(len(w)), scatter=1.0, together=2.0, seen=SimpleNamespace(w=w, w_slope=slope, w_sigma=np.full(len(w), 0.001)))
    found, along, _ = block_distances(SimpleNamespace(block=np.zeros(len(w), dtype=int)), told)
    assert found == pytest.approx([0.003])
    assert along[0, 3] == pytest.approx(-0.003 / 0.06)


def test_a_figure_of_several_that_may_be_so_holds_in_95_of_100_of_them_together():
    """Against SciPy's normal distribution: a quarter of three units' spread among one unit's; and never less than what is surely so."""
    slopes, zero = np.eye(COUNT)[:1], np.zeros(COUNT)
    mixed = [(3.0, zero, np.eye(COUNT)), (1.0, zero, 9 * np.eye(COUNT))]
    exact = brentq(lambda x: 0.75 * (2 * norm.cdf(x) - 1) + 0.25 * (2 * norm.cdf(x / 3) - 1) - 0.95, 1, 6)
    assert known_percent(slopes, [mixed]) == pytest.approx(exact, rel=0.05)
    assert known_percent(slopes, [mixed, [(1.0, zero, 9 * np.eye(COUNT))]]) == pytest.approx(3 * 1.96, rel=0.05)
    assert known_percent(slopes, [[(1.0, zero, np.eye(COUNT))]]) == pytest.approx(1.96, rel=0.05)


def test_a_distance_that_the_others_bear_out_is_suspected_less():
    slope = np.eye(COUNT)[0]
    typed = Typed(distance_m=5.0)
    others = State(values=np.zeros(COUNT), covariance=1e-4 * np.eye(COUNT))
    borne_out, off = (suspected(Row(slope=slope, target=target, sigma=0.003), typed, others) for target in (0.0, 0.05))
    assert borne_out < 0.2 < 1 < off
    unknown = State(values=np.zeros(COUNT), covariance=np.eye(COUNT))
    assert suspected(Row(slope=slope, target=0.0, sigma=0.003), typed, unknown) == pytest.approx(1, abs=0.02)
