"""Takes, packs and cards: which take is flown on which pack and card, and what runs out first.

The takes are flown in their order. A flight goes out, does as many takes as the pack holds above its
reserve, and comes back; the camera runs from before take-off to landing, since no one can start it in
the air. A card is changed on the ground, when the next flight would not fit on it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Shot:
    """What one shot asks for: takes, seconds of each and of going back for the next, and the power of both."""

    name: str
    takes: int
    take_s: float
    reset_s: float
    take_w: float
    reset_w: float

    @property
    def seconds(self) -> float:
        """One take with its reset."""
        return self.take_s + self.reset_s

    @property
    def energy_wh(self) -> float:
        """One take with its reset."""
        return (self.take_s * self.take_w + self.reset_s * self.reset_w) / 3600


@dataclass(frozen=True, kw_only=True)
class Flight:
    """One pack from take-off to landing: takes as (shot, first take, last take), counted from 1."""

    number: int
    card: int
    takes: tuple[tuple[str, int, int], ...]
    seconds: float
    used_wh: float
    card_minutes: float

    @property
    def count(self) -> int:
        """How many takes."""
        return sum(last - first + 1 for _, first, last in self.takes)


@dataclass(frozen=True, kw_only=True)
class FlightPlan:
    """Every flight of the list; shots of which not one take fits on a pack are in ``too_long``.

    ``too_long_for_card`` says that a single flight overruns an empty card. ``takes_per_pack`` is for
    each shot alone, ``takes_per_card`` likewise (infinite without a card).
    """

    flights: tuple[Flight, ...]
    too_long: tuple[str, ...]
    too_long_for_card: bool
    takes_per_pack: tuple[tuple[str, int], ...]
    takes_per_card: tuple[tuple[str, float], ...]

    @property
    def packs(self) -> int:
        """Packs needed, each flown once."""
        return len(self.flights)

    @property
    def cards(self) -> int:
        """Cards needed."""
        return max((f.card for f in self.flights), default=0)


def takes_on_a_pack(shot: Shot, *, usable_wh: float, transit_wh: float) -> int:
    """How many takes of one shot a pack holds above its reserve, out and back included."""
    return max(0, math.floor((usable_wh - transit_wh) / shot.energy_wh + 1e-9))


def plan_flights(
    shots: Sequence[Shot],
    *,
    usable_wh: float,
    transit_s: float,
    transit_w: float,
    card_minutes: float = math.inf,
    before_takeoff_s: float = 0.0,
) -> FlightPlan:
    """The takes in their order on as few packs as that allows.

    Args:
        usable_wh: of a full pack, above its reserve.
        transit_s: out and back of one flight, together.
        card_minutes: of an empty card.
        before_takeoff_s: the camera runs so long before take-off.
    """
    transit_wh = transit_s * transit_w / 3600
    each = {s.name: takes_on_a_pack(s, usable_wh=usable_wh, transit_wh=transit_wh) for s in shots}
    todo = [(s, n) for s in shots if each[s.name] > 0 for n in range(1, s.takes + 1)]
    loads: list[list[tuple[Shot, int]]] = []
    room = 0.0
    for shot, number in todo:
        if not loads or shot.energy_wh > room + 1e-9 * usable_wh:
            loads.append([])
            room = usable_wh - transit_wh
        loads[-1].append((shot, number))
        room -= shot.energy_wh
    flights: list[Flight] = []
    card, left = 1, card_minutes
    too_long_for_card = False
    for i, load in enumerate(loads):
        seconds = transit_s + sum(s.seconds for s, _ in load)
        rolling = (before_takeoff_s + seconds) / 60
        too_long_for_card |= rolling > card_minutes
        if rolling > left + 1e-9 and left < card_minutes:
            card, left = card + 1, card_minutes
        left -= rolling
        flights.append(
            Flight(
                number=i + 1,
                card=card,
                takes=_in_runs(load),
                seconds=seconds,
                used_wh=transit_wh + sum(s.energy_wh for s, _ in load),
                card_minutes=rolling,
            )
        )
    return FlightPlan(
        flights=tuple(flights),
        too_long=tuple(s.name for s in shots if each[s.name] == 0),
        too_long_for_card=too_long_for_card,
        takes_per_pack=tuple(each.items()),
        takes_per_card=tuple((s.name, _takes_on_a_card(s, each[s.name], transit_s, card_minutes, before_takeoff_s)) for s in shots),
    )


def _takes_on_a_card(shot: Shot, per_pack: int, transit_s: float, card_minutes: float, before_takeoff_s: float) -> float:
    if math.isinf(card_minutes) or per_pack == 0:
        return math.inf if per_pack else 0
    overhead = (before_takeoff_s + transit_s) / 60
    whole = math.floor(card_minutes / (overhead + per_pack * shot.seconds / 60) + 1e-9)
    rest = card_minutes - whole * (overhead + per_pack * shot.seconds / 60)
    return whole * per_pack + max(0, math.floor((rest - overhead) / (shot.seconds / 60) + 1e-9))


def _in_runs(load: Sequence[tuple[Shot, int]]) -> tuple[tuple[str, int, int], ...]:
    out: list[tuple[str, int, int]] = []
    for shot, number in load:
        if out and out[-1][0] == shot.name and out[-1][2] == number - 1:
            out[-1] = (shot.name, out[-1][1], number)
        else:
            out.append((shot.name, number, number))
    return tuple(out)


def first_to_run_out(plan: FlightPlan, *, packs_owned: int | None, cards_owned: int | None) -> tuple[str, int] | None:
    """``packs`` or ``cards`` and after how many takes it runs out; None if both last (or how many there are isn't known)."""
    done = {
        "packs": math.inf if packs_owned is None else sum(f.count for f in plan.flights if f.number <= packs_owned),
        "cards": math.inf if cards_owned is None else sum(f.count for f in plan.flights if f.card <= cards_owned),
    }
    first = min(done, key=lambda what: done[what])
    return (first, int(done[first])) if done[first] < sum(f.count for f in plan.flights) else None
