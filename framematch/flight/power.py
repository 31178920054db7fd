"""Power and flying time by momentum theory (Rankine, Froude, Glauert).

    shaft = kappa T v_i + kappa T^1.5 / sqrt(2 rho A) (1/FM - 1) + D V + m g V sin(slope)
    battery = shaft / eta + accessories

v_i is Glauert's induced velocity at speed. The second term is the rotors' profile power, kept at its
hovering share. In the hover this is kappa (m g)^1.5 / sqrt(2 rho A) / (FM eta). Coaxial pairs share
one disc. Left out: profile power's growth with speed, rotors in each other's way side by side, the
pack's sag and its loss in the cold. One logged flight (:func:`fitted`) takes up most of that.

Sources: momentum theory as in any helicopter textbook; the default figures are practice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError
from framematch.flight.attitude import attitude
from framematch.shot.lean import GRAVITY_M_S2

Floats = NDArray[np.float64]

COAXIAL_SAME_PLANE = math.sqrt(2)
COAXIAL_LOWER_IN_WAKE = (1 + math.sqrt(17)) / 4
COAXIAL_MEASURED = 1.16

#: Thrust over weight, averaged over a flight: practice. 1.2 is a 34 degree bank held all the time.
LOAD = {"light": 1.0, "hard": 1.2}


@dataclass(frozen=True, kw_only=True)
class Rig:
    """An aircraft with everything on it, the pack included.

    Args:
        mass_kg: all up.
        rotors: how many; ``coaxial`` says that they sit in pairs over one disc.
        prop_diameter_m: tip circle.
        drag_area_m2: CdA, with the props turning.
        interference: kappa; by arrangement if not given (coaxial 1.28, single 1).
        figure_of_merit: ideal over real rotor power in the hover.
        drive_efficiency: shaft power over battery power.
        accessories_w: camera, video link, lights.
        max_lift_kg: all rotors' thrust at full throttle in kg, None if not known.
    """

    mass_kg: float
    rotors: int
    prop_diameter_m: float
    coaxial: bool = False
    drag_area_m2: float = 0.05
    interference: float | None = None
    figure_of_merit: float = 0.65
    drive_efficiency: float = 0.8
    accessories_w: float = 0.0
    max_lift_kg: float | None = None

    def __post_init__(self) -> None:
        for name in ("mass_kg", "prop_diameter_m", "figure_of_merit", "drive_efficiency"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise InputError(f"{value} is not above 0", field=name, fix="give a number above 0")
        if not (self.drag_area_m2 >= 0 and self.accessories_w >= 0):
            raise InputError("less than nothing", field="drag_area_m2, accessories_w", fix="give 0 or more")
        if self.rotors < 1 or (self.coaxial and self.rotors % 2):
            raise InputError(
                f"{self.rotors} rotors{' in coaxial pairs' if self.coaxial else ''}", field="rotors", fix="give 1 or more; an even number for pairs"
            )

    @property
    def kappa(self) -> float:
        """Induced power over that of the same discs without interference."""
        if self.interference is not None:
            return self.interference
        return COAXIAL_LOWER_IN_WAKE if self.coaxial else 1.0

    @property
    def disc_area_m2(self) -> float:
        """All discs together; a coaxial pair is one disc."""
        return (self.rotors // 2 if self.coaxial else self.rotors) * math.pi * self.prop_diameter_m**2 / 4

    @property
    def lump(self) -> float:
        """kappa / (FM eta): battery power over ideal power in the hover."""
        return self.kappa / (self.figure_of_merit * self.drive_efficiency)


@dataclass(frozen=True, kw_only=True)
class Pack:
    """A battery pack: watt hours when full, kg, what of it is kept back, how fast it can give (times its capacity an hour)."""

    energy_wh: float
    mass_kg: float
    reserve_percent: float = 20.0
    max_discharge_c: float = 50.0

    @property
    def usable_wh(self) -> float:
        """Energy above the reserve."""
        return self.energy_wh * (1 - self.reserve_percent / 100)

    @property
    def max_power_w(self) -> float:
        """The most the pack gives, by its discharge rating."""
        return self.energy_wh * self.max_discharge_c


def pack_energy_wh(*, cells: int, capacity_ah: float, cell_v: float = 3.7) -> float:
    """Watt hours of cells in series; 3.7 V is a lithium polymer cell's nominal voltage (practice)."""
    return cells * capacity_ah * cell_v


@dataclass(frozen=True, kw_only=True)
class Power:
    """Watts by what they are for. ``steady`` is False where momentum theory does not hold: sinking into the own wake."""

    induced_w: float
    profile_w: float
    parasite_w: float
    climb_w: float
    shaft_w: float
    accessories_w: float
    battery_w: float
    induced_m_s: float
    pitch_deg: float
    thrust_n: float
    steady: bool


def induced_velocity_m_s(*, thrust_n: ArrayLike, disc_area_m2: float, density_kg_m3: float, along_m_s: ArrayLike = 0.0, through_m_s: ArrayLike = 0.0) -> Floats:
    """Glauert's induced velocity: v sqrt(along^2 + (through + v)^2) = T / (2 rho A), broadcast.

    Args:
        along_m_s: airspeed in the disc's plane.
        through_m_s: airspeed down through the disc (+ climbing or leaning into the wind).

    Returns:
        The larger solution, NaN where none was found. In a steep fast descent the equation has a
        solution but no rotor follows it.
    """
    target = np.asarray(thrust_n, dtype=np.float64) / (2 * density_kg_m3 * disc_area_m2)
    along, through, target = np.broadcast_arrays(np.asarray(along_m_s, dtype=np.float64), np.asarray(through_m_s, dtype=np.float64), target)
    v = np.sqrt(target) + np.maximum(-through, 0)  # never below the solution: from here Newton's steps only go down
    with np.errstate(all="ignore"):
        for _ in range(100):
            flow = np.hypot(along, through + v)
            step = (v * flow - target) / (flow + v * (through + v) / flow)
            v = np.where(np.isfinite(step), v - step, v)
            if not (np.abs(step) > 1e-14 * (1 + v)).any():
                break
        off = np.abs(v * np.hypot(along, through + v) - target)
    return np.where(off <= 1e-9 * (1e-12 + target), v, np.nan)


def power(rig: Rig, *, density_kg_m3: float, airspeed_m_s: float = 0.0, slope_deg: float = 0.0, load: float = 1.0) -> Power:
    """Power in steady flight.

    Args:
        slope_deg: of the path through the air, + climbing.
        load: thrust against gravity over weight, for flying that turns and brakes (1 / cos(bank) in a turn).
    """
    lean = attitude(mass_kg=load * rig.mass_kg, drag_area_m2=rig.drag_area_m2, density_kg_m3=density_kg_m3, airspeed_m_s=airspeed_m_s, slope_deg=slope_deg)
    towards = math.radians(lean.pitch_deg + slope_deg)
    along, through = airspeed_m_s * math.cos(towards), airspeed_m_s * math.sin(towards)
    area, thrust = rig.disc_area_m2, lean.thrust_n
    induced = float(induced_velocity_m_s(thrust_n=thrust, disc_area_m2=area, density_kg_m3=density_kg_m3, along_m_s=along, through_m_s=through))
    hover = math.sqrt(thrust / (2 * density_kg_m3 * area))
    induced_w = rig.kappa * thrust * induced
    profile_w = rig.kappa * thrust * hover * (1 / rig.figure_of_merit - 1)
    parasite_w = lean.drag_n * airspeed_m_s
    climb_w = load * rig.mass_kg * GRAVITY_M_S2 * airspeed_m_s * math.sin(math.radians(slope_deg))
    shaft_w = induced_w + profile_w + parasite_w + climb_w
    # Rotors don't charge the pack: going down, the battery still feeds the profile power.
    battery_w = max(shaft_w, profile_w) / rig.drive_efficiency + rig.accessories_w
    return Power(
        induced_w=induced_w,
        profile_w=profile_w,
        parasite_w=parasite_w,
        climb_w=climb_w,
        shaft_w=shaft_w,
        accessories_w=rig.accessories_w,
        battery_w=battery_w,
        induced_m_s=induced,
        pitch_deg=lean.pitch_deg,
        thrust_n=thrust,
        # Sinking at a good part of the induced velocity without much way on: the wake comes back (practice: a quarter).
        steady=not (through < -0.25 * hover and along < hover),
    )


def power_of(rig: Rig, *, density_kg_m3: float, thrust_n: ArrayLike, air_m_s: ArrayLike) -> Floats:
    """Battery power in watts (...) of flying that speeds up, brakes and turns: :func:`power`'s terms with the thrust that is asked for.

    What thrust does against the way through the air (drag, climbing, speeding up) is their product. Braking does
    not charge the pack.

    Args:
        thrust_n: (..., 3), along the rotors' axis.
        air_m_s: (..., 3), velocity through the air, same axes.
    """
    thrust, air = np.asarray(thrust_n, dtype=np.float64), np.asarray(air_m_s, dtype=np.float64)
    size = np.linalg.norm(thrust, axis=-1)
    through = np.einsum("...i,...i->...", thrust, air) / size
    along = np.sqrt(np.maximum(np.einsum("...i,...i->...", air, air) - through**2, 0.0))
    area = rig.disc_area_m2
    induced = induced_velocity_m_s(thrust_n=size, disc_area_m2=area, density_kg_m3=density_kg_m3, along_m_s=along, through_m_s=through)
    profile = rig.kappa * size * np.sqrt(size / (2 * density_kg_m3 * area)) * (1 / rig.figure_of_merit - 1)
    shaft = rig.kappa * size * induced + profile + size * through
    return np.asarray(np.maximum(shaft, profile) / rig.drive_efficiency + rig.accessories_w)


def minutes(rig: Rig, pack: Pack, *, density_kg_m3: float, airspeed_m_s: float = 0.0, slope_deg: float = 0.0, load: float = 1.0) -> float:
    """Flying time in minutes down to the reserve; the rig's mass has the pack in it."""
    return 60 * pack.usable_wh / power(rig, density_kg_m3=density_kg_m3, airspeed_m_s=airspeed_m_s, slope_deg=slope_deg, load=load).battery_w


@dataclass(frozen=True, kw_only=True)
class LoggedFlight:
    """One flight as logged: all-up kg, energy taken from the pack, minutes, and how it was flown."""

    mass_kg: float
    used_wh: float
    minutes: float
    density_kg_m3: float
    airspeed_m_s: float = 0.0
    load: float = 1.0


def fitted(rig: Rig, log: LoggedFlight) -> Rig:
    """The rig with its kappa / (FM eta) moved so that it flies the logged flight exactly, by its drive efficiency.

    Raises:
        InputError: the log would need a better aircraft than physics allows, or a far worse one than flies.
    """
    if not (log.minutes > 0 and log.used_wh > 0):
        raise InputError("no minutes or no energy", field="logged_flight", fix="give minutes above 0 and the energy used")
    drawn = 60 * log.used_wh / log.minutes - rig.accessories_w
    flown = power(replace(rig, mass_kg=log.mass_kg), density_kg_m3=log.density_kg_m3, airspeed_m_s=log.airspeed_m_s, load=log.load)
    efficiency = max(flown.shaft_w, flown.profile_w) / drawn if drawn > 0 else math.inf
    out = replace(rig, drive_efficiency=efficiency) if 0 < efficiency < math.inf else None
    if out is None or not 1.05 <= out.lump <= 10:
        ideal = flown.induced_w / rig.kappa
        raise InputError(
            f"{log.minutes:g} min on {log.used_wh:.0f} Wh is {max(drawn, 0):.0f} W; the air alone asks {ideal:.0f} W and no rig needs ten times that",
            field="logged_flight",
            fix="check the weight, the pack, the share used and the minutes",
        )
    return out
