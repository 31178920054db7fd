"""Small linear programs against SciPy's HiGHS (Huangfu and Hall, Mathematical Programming Computation 10, 2018)."""

from __future__ import annotations

import numpy as np
import pytest
from rigs import random_pairing
from scipy.optimize import linprog

from framematch.guide import best as guide
from framematch.guide.linear import minimum


def _program(rng: np.random.Generator, *, count: int, rows: int) -> tuple[np.ndarray, ...]:
    a = rng.normal(size=(rows, count))
    if rng.random() < 0.3:  # many corners alike: whole numbers, rows twice
        a = np.vstack([np.round(a), np.round(a)])
    low = rng.uniform(-3, 0, count)
    limits = a @ (low + rng.uniform(0, 3, count)) + rng.uniform(-0.3 if rng.random() < 0.4 else 0.0, 1.0, len(a))
    return np.where(rng.random(count) < 0.4, 0.0, rng.uniform(0, 1, count)), a, limits, low


@pytest.mark.parametrize("seed", range(60))
def test_same_minimum_as_highs(seed: int) -> None:
    rng = np.random.default_rng(seed)
    cost, rows, limits, low = _program(rng, count=int(rng.integers(1, 10)), rows=int(rng.integers(1, 300)))
    ours = minimum(cost, rows, limits, low)
    theirs = linprog(cost, A_ub=rows, b_ub=limits, bounds=[(least, None) for least in low], method="highs")
    assert (ours is None) == (theirs.status == 2)
    if ours is not None:
        assert cost @ ours == pytest.approx(theirs.fun, abs=1e-7)
        assert (rows @ ours - limits).max() < 1e-8 and (ours - low).min() > -1e-8


def test_both_answers_are_met_above() -> None:
    """Some of the programs have no solution and most have one, or the test above says little."""
    solved = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        solved.append(minimum(*_program(rng, count=int(rng.integers(1, 10)), rows=int(rng.integers(1, 300)))) is not None)
    assert 10 <= sum(solved) <= 55


def test_a_figure_under_one_bound() -> None:
    """x + y >= 2 with y dearer than x, and x <= 1.5: x is used up first."""
    found = minimum(np.array([1.0, 3.0]), np.array([[-1.0, -1.0], [1.0, 0.0]]), np.array([-2.0, 1.5]), np.zeros(2))
    assert found is not None and found == pytest.approx([1.5, 0.5])


def test_a_bound_on_nothing() -> None:
    nothing = np.zeros((1, 2))
    assert minimum(np.ones(2), nothing, np.array([1.0]), np.zeros(2)) == pytest.approx([0, 0])
    assert minimum(np.ones(2), nothing, np.array([-1.0]), np.zeros(2)) is None


def test_the_programs_that_guides_pose(monkeypatch: pytest.MonkeyPatch) -> None:
    """Those met on the way to the best rectangles of random rigs have HiGHS's minimum, and none is given up."""
    gaps = []

    def compared(cost: np.ndarray, rows: np.ndarray, limits: np.ndarray, low: np.ndarray) -> np.ndarray | None:
        ours = minimum(cost, rows, limits, low)
        theirs = linprog(cost, A_ub=rows, b_ub=limits, bounds=[(least, None) for least in low], method="highs")
        gaps.append(np.inf if ours is None else abs(cost @ ours - theirs.fun) / max(abs(theirs.fun), 1e-3))
        return ours

    monkeypatch.setattr(guide, "minimum", compared)
    rng = np.random.default_rng(20)
    for _ in range(20):
        guide.best_rectangle(random_pairing(rng))
    assert len(gaps) > 40
    assert max(gaps) < 1e-9
