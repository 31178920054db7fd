"""Units against SciPy's table of constants, and what a person may type."""

from __future__ import annotations

import math

import pytest
import scipy.constants as sc

from framematch.errors import InputError
from framematch.text import units


@pytest.mark.parametrize(
    ("unit", "to", "factor"),
    [
        ("ft", "m", sc.foot),
        ("in", "m", sc.inch),
        ("yd", "m", sc.yard),
        ("mi", "m", sc.mile),
        ("mph", "m/s", sc.mph),
        ("kt", "m/s", sc.knot),
        ("km/h", "m/s", sc.kmh),
        ("oz", "kg", sc.oz),
        ("lb", "kg", sc.pound),
        ("hp", "W", sc.hp),
        ("lbf", "N", sc.pound_force),
        ("Wh", "J", sc.hour),
        ("deg", "deg", 1.0),
        ("sq in", "m2", sc.inch**2),
        ("slug/cu ft", "kg/m3", sc.slug / sc.foot**3),
    ],
)
def test_factors_are_scipys(unit: str, to: str, factor: float) -> None:
    assert units.convert(1.0, unit=unit, to=to) == pytest.approx(factor, rel=1e-12)


@pytest.mark.parametrize("fahrenheit", [-40.0, 32.0, 59.0, 104.0])
def test_temperatures_are_scipys(fahrenheit: float) -> None:
    assert units.convert(fahrenheit, unit="F", to="C") == pytest.approx(sc.convert_temperature(fahrenheit, "Fahrenheit", "Celsius"), abs=1e-12)


@pytest.mark.parametrize("unit", list(units.UNITS))
def test_there_and_back(unit: str) -> None:
    base = next(iter(n for n, u in units.UNITS.items() if u.kind == units.UNITS[unit].kind))
    assert units.convert(units.convert(7.3, unit=unit, to=base), unit=base, to=unit) == pytest.approx(7.3, rel=1e-12)


@pytest.mark.parametrize(
    ("typed", "unit", "value"),
    [
        ("40 ft", "m", 12.192),
        ("25 mph", "m/s", 11.176),
        ("12 oz", "kg", 0.340194),
        ("5 ft 7 in", "m", 1.7018),
        ("5'7\"", "m", 1.7018),
        ("-3 ft 6 in", "ft", -3.5),
        ("2 lb 3 oz", "kg", 0.992233),
        ("59 °F", "C", 15.0),
        ("1.5e3 mm", "m", 1.5),
        ("-.5 m", "m", -0.5),
        ("4500 mAh", "Ah", 4.5),
        ("12ft", "m", 3.6576),
        (3, "m", 3.0),
        (2.5, "kg", 2.5),
    ],
)
def test_typed_figures(typed: str | float, unit: str, value: float) -> None:
    assert units.read(typed, unit=unit) == pytest.approx(value, abs=1e-6)


@pytest.mark.parametrize(
    "typed", ["", "12", "ft", "4 kg", "3 parsec", "1/50 s", "1,5 m", "40 ft x", "nan m", "5 ft -7 in", math.nan, math.inf, True, None, [1]]
)
def test_what_is_no_length_is_refused_in_one_line(typed: object) -> None:
    with pytest.raises(InputError) as caught:
        units.read(typed, unit="m")  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)


def test_degrees_do_not_add_up() -> None:
    with pytest.raises(InputError):
        units.read("20 C 5 C", unit="C")


def test_shown_in_the_system_asked_for() -> None:
    assert units.shown(12.192, unit="m") == "12.2 m"
    assert units.shown(12.192, unit="m", system="imperial", digits=0) == "40 ft"
    assert units.shown(-0.01, unit="m") == "0.0 m"
    assert units.shown(15, unit="C", system="imperial", digits=0) == "59 °F"
    assert units.shown(12.5, unit="deg") == "12.5°"


def test_a_pairing_may_be_written_in_feet_and_inches() -> None:
    from framematch.files.pairing import parse_pairing
    from framematch.files.starter import STARTER

    text = STARTER
    for metric, imperial in (
        ("distance_m = [1.5, 30.0]", 'distance_m = ["4 ft 11.0551 in", "98.4252 ft"]'),
        ("up = 58, forward = 31", 'up = "2.28346 in", forward = "1.22047 in"'),
        ("focal_mm = 18.0", 'focal_mm = "1.8 cm"'),
    ):
        assert metric in text
        text = text.replace(metric, imperial)
    ours, theirs = parse_pairing(text), parse_pairing(STARTER)
    assert (ours.near_m, ours.far_m) == pytest.approx((theirs.near_m, theirs.far_m), rel=1e-6)
    assert (ours.mount.up_mm, ours.mount.forward_mm) == pytest.approx((58, 31), rel=1e-5)
    assert ours.recording.lens.focal_mm == pytest.approx(18)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('focal_mm = "3 kg"', "recording.focal_mm: kg is a mass, not a length"),
        ('focal_mm = "18"', "recording.focal_mm"),
        ('focal_mm = "wide"', "recording.focal_mm"),
        ('focal_mm = "18 furlongs"', "is not a unit known here"),
    ],
)
def test_texts_that_are_no_length_in_a_pairing(line: str, says: str) -> None:
    from framematch.files.pairing import parse_pairing
    from framematch.files.starter import STARTER

    with pytest.raises(InputError, match=says):
        parse_pairing(STARTER.replace("focal_mm = 18.0", line, 1))


def test_only_figures_with_a_unit_in_their_key_are_touched() -> None:
    data = {"title": "40 ft", "shot": {"distance_m": ["10 ft", 3, "inf"], "name": "12 oz"}, "run": [{"speed_m_s": "36 km/h", "take_s": "2 min"}]}
    assert units.metric(data) == {
        "title": "40 ft",
        "shot": {"distance_m": [pytest.approx(3.048), 3, "inf"], "name": "12 oz"},
        "run": [{"speed_m_s": pytest.approx(10.0), "take_s": 120.0}],
    }


def test_tables_nested_too_deep_are_refused_in_one_line() -> None:
    from framematch.text.toml import parse_toml

    with pytest.raises(InputError):
        parse_toml(".".join(["a"] * 20_000) + " = 1", name="deep")
