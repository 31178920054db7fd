"""Measures as people read them, against the table of units that files are read by, which SciPy's constants hold."""

import math

import pytest

from framematch.errors import InputError
from framematch.guide.shown import amount, centimetres, metres, millimetres, quantity, shown_in, signed, system, unit
from framematch.text.units import convert


@pytest.mark.parametrize("metric", ["m", "cm", "mm", "m/s", "g", "N"])
def test_imperial_figures_are_converted_by_definition(metric: str) -> None:
    with shown_in("imperial"):
        assert amount(7.0, metric) == pytest.approx(convert(7.0, unit=metric, to=unit(metric)), rel=1e-12) and unit(metric) != metric
    assert (amount(7.0, metric), unit(metric), system()) == (7.0, metric, "metric")


def test_accelerations_are_in_feet_too() -> None:
    with shown_in("imperial"):
        assert quantity(9.80665, "m/s2", ".2f") == "32.17 ft/s2"  # standard gravity, as tables have it


def test_room_is_never_rounded_up() -> None:
    assert [centimetres(v) for v in (7.99, 8.0, -0.2)] == ["7 cm", "8 cm", "-1 cm"]
    with shown_in("imperial"):
        assert [centimetres(2.54 * v) for v in (3.4, 3.5, -0.1)] == ["3 in", "3.5 in", "-0.5 in"]
        assert (metres(0.9144), millimetres(25.4), metres(math.inf)) == ("3 ft", "1.00 in", "infinity")
    with pytest.raises(InputError, match="metric or imperial"), shown_in("roman"):
        pass


def test_a_figure_that_is_nothing_has_no_sign() -> None:
    assert [signed(v, 1) for v in (0.0, -0.0, 0.04, -0.04, 0.06, -2.0)] == ["0.0", "0.0", "0.0", "0.0", "+0.1", "-2.0"]
    assert signed(-0.4, 0) == "0"
