"""Air density by the International Standard Atmosphere (ISO 2533), with the day's own temperature."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError
from framematch.shot.lean import GRAVITY_M_S2

Floats = NDArray[np.float64]

# ISO 2533: sea level values, the troposphere's lapse, the gas constant of dry air, the earth's nominal radius.
STANDARD_DENSITY_KG_M3 = 1.225
_PRESSURE_PA = 101_325.0
_TEMPERATURE_K = 288.15
_LAPSE_K_M = -0.0065
_GAS_J_KG_K = 287.05287
_EARTH_M = 6_356_766.0
LOWEST_M, HIGHEST_M = -500.0, 11_000.0


def standard_temperature_c(altitude_m: ArrayLike) -> Floats:
    """Standard temperature in deg C at altitudes (...) in metres above sea level, -500 to 11 000."""
    return np.asarray(_TEMPERATURE_K + _LAPSE_K_M * _geopotential_m(altitude_m) - 273.15)


def density_kg_m3(altitude_m: ArrayLike, temperature_c: ArrayLike | None = None) -> Floats:
    """Density of dry air in kg/m3 at altitudes (...) in metres above sea level, -500 to 11 000.

    The pressure is the standard one; ``temperature_c`` (broadcast) is the air's, the standard one if
    not given. Weather moves the real pressure by about 3 %, damp air is up to about 2 % lighter.

    Raises:
        InputError: altitude outside the troposphere, temperature outside -60..60 deg C.
    """
    height = _geopotential_m(altitude_m)
    standard = _TEMPERATURE_K + _LAPSE_K_M * height
    pressure = _PRESSURE_PA * (standard / _TEMPERATURE_K) ** (-GRAVITY_M_S2 / (_GAS_J_KG_K * _LAPSE_K_M))
    kelvin = standard if temperature_c is None else np.asarray(temperature_c, dtype=np.float64) + 273.15
    if not np.all((kelvin >= 213.15) & (kelvin <= 333.15)):
        raise InputError(f"{np.asarray(temperature_c).tolist()} deg C is not air to fly in", field="temperature_c", fix="give -60 to 60")
    return np.asarray(pressure / (_GAS_J_KG_K * kelvin))


def _geopotential_m(altitude_m: ArrayLike) -> Floats:
    altitude = np.asarray(altitude_m, dtype=np.float64)
    if not np.all((altitude >= LOWEST_M) & (altitude <= HIGHEST_M)):
        raise InputError(f"{altitude.tolist()} m is outside the layer this model knows", field="altitude_m", fix="give -500 to 11000 m above sea level")
    return np.asarray(_EARTH_M * altitude / (_EARTH_M + altitude))
