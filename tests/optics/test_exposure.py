"""Exposure and card time against their definitions and the trade's tables."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from framematch.errors import InputError
from framematch.optics import cards, exposure
from framematch.optics.motion import shutter_s


@pytest.mark.parametrize(
    ("f_number", "shutter_s", "value"), [(5.6, 1 / 60, 10.88), (8, 1 / 250, 13.97), (16, 1 / 125, 14.97)]
)  # APEX / ISO 2720, K = 12.5: tables print 11, 14, 15
def test_ev_of_published_settings(f_number: float, shutter_s: float, value: float) -> None:
    assert round(float(exposure.ev100(f_number=f_number, shutter_s=shutter_s)), 2) == value


@pytest.mark.parametrize("iso", [50, 100, 400, 800])
def test_full_sun_rule(iso: int) -> None:
    """Practice: f/16 at 1/ISO in full sun. It is EV 14.64: to the nearest third of a stop one third below EV 15."""
    rule = float(exposure.ev100(f_number=16, shutter_s=1 / iso, iso=iso))
    assert round(rule, 2) == 14.64
    assert exposure.LIGHT_EV100["full sun"] - round(3 * rule) / 3 == pytest.approx(1 / 3)
    # With the speed that a dial has next to 1/ISO it is closer than that: 1/125 for ISO 100.
    assert abs(float(exposure.ev100(f_number=16, shutter_s=1 / (1.25 * iso), iso=iso)) - 15) < 1 / 20


def test_stops_of_filters() -> None:
    np.testing.assert_allclose(exposure.stops_of_density([0.3, 0.9, 1.8, 3.0]), [0.997, 2.990, 5.979, 9.966], atol=5e-4)
    assert float(exposure.density_of_stops(10)) == pytest.approx(3.0103, abs=1e-4)


@pytest.mark.parametrize(("angle", "whole"), [(180, 48), (172.8, 50), (144, 60), (90, 96)])
def test_shutter_angles_at_24(angle: float, whole: int) -> None:
    time = shutter_s(shutter_deg=angle, rate_fps=24)
    assert time == pytest.approx(1 / whole, rel=1e-12)
    assert exposure.shutter_deg(time_s=time, rate_fps=24) == pytest.approx(angle)


@pytest.mark.parametrize(
    ("mains", "rate", "angles"),
    [
        (50, 24, [86.4, 172.8, 259.2, 345.6]),  # 172.8 degrees for 24 frames under 50 Hz: practice
        (60, 24, [72, 144, 216, 288, 360]),  # 144 degrees for 24 frames under 60 Hz: practice
        (50, 25, [90, 180, 270, 360]),
        (60, 48, [144, 288]),
        (50, 120, []),
    ],
)
def test_flicker_free_angles(mains: float, rate: float, angles: list[float]) -> None:
    found = exposure.flicker_free(mains_hz=mains, rate_fps=rate, shutter_deg=180)
    assert found.angles_deg == pytest.approx(angles)
    assert math.isnan(found.nearest_deg) == (not angles)


@pytest.mark.parametrize(("mains", "rate"), [(50, 24), (60, 24), (50, 25), (60, 29.97), (50, 48)])
def test_light_gathered_is_the_same_at_every_moment_only_at_the_safe_angles(mains: float, rate: float) -> None:
    """A lamp that follows the square of the mains, integrated numerically from 200 starting moments."""
    start = np.linspace(0, 1 / (2 * mains), 200)[:, None]

    def swing(angle: float) -> float:
        time = start + np.linspace(0, angle / (360 * rate), 4001)
        gathered = np.trapezoid(np.sin(2 * np.pi * mains * time) ** 2, time, axis=1)
        return float(np.ptp(gathered) / gathered.mean())

    safe = exposure.flicker_free(mains_hz=mains, rate_fps=rate, shutter_deg=180).angles_deg
    assert safe and max(map(swing, safe)) < 1e-5
    between = [(a + b) / 2 for a, b in pairwise(safe)]
    assert min(map(swing, between), default=1.0) > 0.01


def test_safe_and_in_step_are_told_apart() -> None:
    assert exposure.flicker_free(mains_hz=50, rate_fps=24, shutter_deg=172.8).safe
    assert not exposure.flicker_free(mains_hz=50, rate_fps=24, shutter_deg=180).safe
    assert exposure.flicker_free(mains_hz=50, rate_fps=25, shutter_deg=150).in_step
    assert not exposure.flicker_free(mains_hz=50, rate_fps=24, shutter_deg=150).in_step


def _choose(**other: object) -> exposure.Exposure:
    given_: dict[str, object] = {
        "ev100": 13.0,
        "iso": 800.0,
        "shutter_s": 1 / 48,
        "wanted_f_number": 8.0,
        "f_number_range": (2.8, 16.0),
        "densities": (0.3, 0.6, 0.9, 1.2, 1.8),
    }
    return exposure.choose(**{**given_, **other})  # type: ignore[arg-type]


def test_filter_nearest_to_the_wanted_stop() -> None:
    """By hand: EV 13 at ISO 800 and 1/48 s is 3 + 13 - 5.585 = 10.415 stops of opening squared, f/36.95 bare.

    f/8 needs 4.415 stops; 1.2 gives 3.986 (f/9.28, 0.43 over), 1.8 gives 5.979 (f/4.65, 1.56 under).
    """
    best = _choose().settings[0]
    assert best.densities == (1.2,)
    assert best.f_number == pytest.approx(9.28, abs=0.01) and best.off_stops == pytest.approx(0)
    assert best.from_wanted_stops == pytest.approx(0.429, abs=0.002)


def test_stacking_is_used_only_when_allowed() -> None:
    assert all(len(s.densities) <= 1 for s in _choose().settings)
    two = _choose(most_filters=2).settings[0]
    assert two.densities == (0.3, 0.9) or two.density == pytest.approx(1.2)
    assert len(two.densities) == 1  # the single 1.2 does the same
    finer = _choose(most_filters=2, densities=(0.3, 0.9, 1.2, 0.15)).settings[0]
    assert finer.density == pytest.approx(1.35) and abs(finer.from_wanted_stops) < 0.1


def test_loss_of_the_lens_opens_the_f_number() -> None:
    plain, lossy = _choose().settings[0], _choose(loss_stops=0.5).settings[0]
    assert 2 * math.log2(plain.exact_f_number / lossy.exact_f_number) == pytest.approx(0.5)
    assert exposure.t_stop(f_number=lossy.exact_f_number, loss_stops=0.5) == pytest.approx(plain.exact_f_number)


def test_no_stop_fits_is_said_with_how_much_is_missing() -> None:
    bright = _choose(ev100=15.0, densities=(0.3,))
    assert not bright.settings
    # f/73.9 bare, f/52.3 behind 0.3: over f/16 by 3.42 stops.
    assert bright.missing_stops == pytest.approx(2 * math.log2(73.9 / 16) - 0.997, abs=0.01)
    dark = _choose(ev100=2.0)
    assert not dark.settings and dark.missing_stops < 0


def test_a_fixed_stop_may_be_a_third_of_a_stop_off() -> None:
    fixed = _choose(f_number_range=(8.0, 8.0), densities=(1.2, 1.35))
    assert [s.densities for s in fixed.settings] == [(1.35,)]
    assert fixed.settings[0].f_number == 8 and 0 < abs(fixed.settings[0].off_stops) <= 1 / 3


@given(
    ev=st.floats(0, 16),
    iso=st.floats(50, 6400),
    rate=st.floats(10, 120),
    angle=st.floats(11, 360),
    loss=st.floats(0, 2),
    wanted=st.floats(2.8, 16),
)
def test_every_choice_exposes_the_scene_it_was_made_for(ev: float, iso: float, rate: float, angle: float, loss: float, wanted: float) -> None:
    time = shutter_s(shutter_deg=angle, rate_fps=rate)
    found = _choose(ev100=ev, iso=iso, shutter_s=time, loss_stops=loss, wanted_f_number=wanted, most_filters=2)
    for s in found.settings:
        stop = exposure.t_stop(f_number=s.f_number, loss_stops=loss)
        metered = float(exposure.ev100(f_number=stop, shutter_s=time, iso=iso)) + float(exposure.stops_of_density(s.density))
        assert metered + s.off_stops == pytest.approx(ev, abs=1e-9)
        assert abs(s.off_stops) <= 1 / 3 + 1e-9 and 2.8 <= s.f_number <= 16
    assert bool(found.settings) != bool(found.missing_stops)


@pytest.mark.parametrize("wrong", [{"iso": 0.0}, {"shutter_s": math.nan}, {"f_number_range": (16.0, 2.8)}, {"densities": (0.0,)}, {"wanted_f_number": -8.0}])
def test_figures_of_no_camera_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(InputError):
        _choose(**wrong)


def test_nearest_third() -> None:
    assert exposure.nearest_third(8.2) == pytest.approx(8.0)
    assert exposure.nearest_third(9.28) == pytest.approx(8.98, abs=0.01)  # marked 9


def test_card_minutes_by_hand() -> None:
    assert cards.minutes(capacity_gb=512, data_rate_mbit_s=800, usable_percent=100) == pytest.approx(512e9 * 8 / 800e6 / 60)
    # UHD at 24 frames and 8 bits a pixel is 1592.5 Mbit/s.
    assert cards.data_rate_mbit_s(raster_px=(3840, 2160), rate_fps=24, bits_per_pixel=8) == pytest.approx(1592.5, abs=0.1)
    with pytest.raises(InputError):
        cards.minutes(capacity_gb=0, data_rate_mbit_s=800)
