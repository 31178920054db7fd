"""Fifty random paths with drag and wind, flown by the equations of motion. Run by `python -m pytest tests/acceptance`."""

import numpy as np
import pytest
from flying import integrated_m, random_flight


@pytest.mark.parametrize("seed", range(50))
def test_the_equations_of_motion_give_the_path_back(seed: int) -> None:
    flown = random_flight(seed)
    assert flown.duration_s >= 10
    times = np.linspace(0, 10, 101)
    assert np.linalg.norm(integrated_m(flown, times) - flown.at(times).position_m, axis=1).max() < 1e-3
