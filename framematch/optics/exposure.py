"""Exposure: scene brightness, ISO, shutter, stop and the filter to use from those that are owned.

N^2 / t = 2^EV100 ISO / 100 (ISO 2720 with K = 12.5), for a lens without loss; a real lens needs its
T-stop there: T = N 2^(loss/2) with the loss in stops. A filter of density D passes 10^-D. Shutter
angle a at r frames a second is open for a / (360 r).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError

Floats = NDArray[np.float64]

#: EV100 of common light. Practice: the full-sun rule (f/16 at 1/ISO, about EV 15) and the usual ladder
#: down from it; interiors from memory. A light meter at the place beats every line of it.
LIGHT_EV100: dict[str, float] = {
    "full sun": 15.0,
    "hazy sun": 14.0,
    "overcast": 13.0,
    "heavy overcast": 12.0,
    "open shade": 11.5,
    "bright interior": 8.0,
    "interior": 6.0,
    "dim interior": 4.0,
}


def ev100(*, f_number: ArrayLike, shutter_s: ArrayLike, iso: ArrayLike = 100.0) -> Floats:
    """Scene EV at ISO 100 that a stop, a shutter time in seconds and an ISO expose for (broadcast)."""
    return np.asarray(np.log2(np.square(f_number) / np.asarray(shutter_s) * 100 / np.asarray(iso)))


def stop_for(*, ev100: ArrayLike, shutter_s: ArrayLike, iso: ArrayLike, density: ArrayLike = 0.0) -> Floats:
    """T-stop that exposes for a scene behind a filter of a density (broadcast)."""
    return np.asarray(np.sqrt(np.asarray(shutter_s) * 2.0 ** np.asarray(ev100) * np.asarray(iso) / 100 * 10.0 ** -np.asarray(density)))


def stops_of_density(density: ArrayLike) -> Floats:
    """Stops that a filter takes: density / log10(2)."""
    return np.asarray(np.asarray(density, dtype=np.float64) / math.log10(2))


def density_of_stops(stops: ArrayLike) -> Floats:
    """Density of a filter that takes so many stops."""
    return np.asarray(np.asarray(stops, dtype=np.float64) * math.log10(2))


def shutter_deg(*, time_s: float, rate_fps: float) -> float:
    """Shutter angle of an open time; ``motion.shutter_s`` is the other way."""
    return 360 * time_s * rate_fps


def t_stop(*, f_number: float, loss_stops: float) -> float:
    """T-stop of an f-number on a lens that loses so many stops of light."""
    return f_number * 2 ** (loss_stops / 2)


def f_number_of(*, t_stop: float, loss_stops: float) -> float:
    """f-number of a T-stop."""
    return t_stop / 2 ** (loss_stops / 2)


@dataclass(frozen=True, kw_only=True)
class FlickerFree:
    """Shutter angles that lamps on a mains frequency don't flicker in, and the one nearest to what is wanted
    (the shorter of two as near).

    ``angles_deg`` is empty when the frame rate is above the lamps' (100 or 120 a second); then, or when
    the frame rate divides it (``in_step``), every frame at least sees the lamps alike.
    """

    angles_deg: tuple[float, ...]
    nearest_deg: float
    in_step: bool
    safe: bool


def flicker_free(*, mains_hz: float, rate_fps: float, shutter_deg: float, slack: float = 0.004) -> FlickerFree:
    """Shutter angles that are open for whole flickers of lamps: k / (2 mains) seconds.

    Args:
        slack: share by which the open time may miss whole flickers and still be called safe.

    Lamps light twice in every cycle of the mains. An open time of whole flickers gathers the same light
    at any moment, so neither frames nor the rows of a rolling shutter differ.
    """
    lamp = 2 * mains_hz
    whole = np.arange(1, math.floor(lamp / rate_fps * (1 + 1e-9)) + 1)
    angles = tuple(float(a) for a in np.minimum(360 * rate_fps * whole / lamp, 360.0))
    ratio = lamp / rate_fps
    return FlickerFree(
        angles_deg=angles,
        nearest_deg=min(angles, key=lambda a: (round(abs(a - shutter_deg), 6), a), default=math.nan),
        in_step=abs(ratio - round(ratio)) < 1e-6 * ratio and round(ratio) >= 1,
        safe=any(abs(shutter_deg / a - 1) <= slack for a in angles),
    )


@dataclass(frozen=True, kw_only=True)
class Setting:
    """One filter choice: densities in use (none is empty), f-number that exposes right, f-number to set, and what is then off.

    ``off_stops`` is the exposure's error with ``f_number`` set: + too bright. ``from_wanted_stops`` is
    how far ``f_number`` is from the wanted one: + is a smaller opening.
    """

    densities: tuple[float, ...]
    exact_f_number: float
    f_number: float
    off_stops: float
    from_wanted_stops: float

    @property
    def density(self) -> float:
        """All filters together."""
        return sum(self.densities)


@dataclass(frozen=True, kw_only=True)
class Exposure:
    """The filter choices for a scene, best first, of those that expose it; empty when no stop fits.

    ``missing_stops`` says how much light is too much (+) or too little (-) for the nearest choice when
    none fits, else 0.
    """

    ev100: float
    iso: float
    shutter_s: float
    settings: tuple[Setting, ...]
    missing_stops: float


def choose(
    *,
    ev100: float,
    iso: float,
    shutter_s: float,
    wanted_f_number: float,
    f_number_range: tuple[float, float],
    densities: Sequence[float] = (),
    most_filters: int = 1,
    loss_stops: float = 0.0,
    slack_stops: float = 1 / 3,
) -> Exposure:
    """Stop and filter for a scene, from the filters that are owned.

    Args:
        f_number_range: widest and smallest opening of the lens; the same twice for a fixed one.
        densities: of the filters owned; the same figure twice is two filters.
        most_filters: how many may be stacked.
        slack_stops: exposure error that may be left where the exact stop is off the lens's range.

    The best choice has the stop nearest to the wanted one, then the fewest filters.

    Raises:
        InputError: figures that no camera has.
    """
    widest, smallest = f_number_range
    for name, value in (("iso", iso), ("shutter_s", shutter_s), ("f_number", wanted_f_number), ("f_number_range", widest)):
        if not (math.isfinite(value) and value > 0):
            raise InputError(f"{value} is not above 0", field=name, fix="give a number above 0")
    if smallest < widest:
        raise InputError(f"f/{widest:g} to f/{smallest:g}", field="f_number_range", fix="write the widest opening (smallest number) first")
    if any(not (math.isfinite(d) and d > 0) for d in densities):
        raise InputError("a filter of density 0 or less", field="nd", fix="give densities such as 0.6, or '2 stops'")
    stacks = sorted({s for n in range(min(most_filters, len(densities)) + 1) for s in combinations(sorted(densities), n)}, key=lambda s: (len(s), sum(s)))
    found = []
    for stack in stacks:
        needed = float(stop_for(ev100=ev100, shutter_s=shutter_s, iso=iso, density=sum(stack)))
        exact = f_number_of(t_stop=needed, loss_stops=loss_stops)
        at = min(max(exact, widest), smallest)
        found.append(
            Setting(
                densities=stack,
                exact_f_number=exact,
                f_number=at,
                off_stops=2 * math.log2(exact / at),
                from_wanted_stops=2 * math.log2(at / wanted_f_number),
            )
        )
    good = [s for s in found if abs(s.off_stops) <= slack_stops + 1e-9]
    good.sort(key=lambda s: (round(abs(s.from_wanted_stops) + abs(s.off_stops), 6), len(s.densities), s.density))
    missing = 0.0 if good else min((s.off_stops for s in found), key=abs)
    return Exposure(ev100=ev100, iso=iso, shutter_s=shutter_s, settings=tuple(good), missing_stops=missing)


def nearest_third(f_number: float) -> float:
    """The nearest third of a stop from f/1, as a number to set (exact, not the rounded figure on a ring)."""
    return float(2 ** (round(6 * math.log2(f_number)) / 6))


_THIRDS = "0.5 0.56 0.63 0.7 0.8 0.9 1 1.1 1.3 1.4 1.6 1.8 2 2.2 2.5 2.8 3.2 3.5 4 4.5 5 5.6 6.3 7.1 8 9 10 11 13 14 16 18 20 22 25 29 32 36 40 45 51 57 64"
_MARKED = f"{_THIRDS} 72 81 91 102 114 128".split()  # as lenses are marked (ISO 517)


def marked(number: float) -> str:
    """An f-number or T-stop as the mark of the nearest third stop: 8.4 is ``8``, 9.3 is ``9``."""
    return _MARKED[min(max(round(6 * math.log2(number / 0.5)), 0), len(_MARKED) - 1)]


def stop_words(f_number: float, *, loss_stops: float) -> str:
    """What is set on the lens, its T-stop first: ``T9 (f/8)``."""
    return f"T{marked(t_stop(f_number=f_number, loss_stops=loss_stops))} (f/{marked(f_number)})"
