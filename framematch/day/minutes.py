"""Flying time, what the card holds, and the takes laid out over packs and media."""

from __future__ import annotations

import math

from framematch.day.aircraft import pack_of
from framematch.day.given import Day
from framematch.day.notes import Notes
from framematch.day.values import Endurance
from framematch.errors import InputError
from framematch.flight import attitude, power, shots
from framematch.optics import cards

LIFT_MARGIN = 1.3  # full thrust over weight below which a rig can't be flown safely (practice)
LOW_RESERVE_PERCENT = 10.0


def find_endurance(day: Day, rig: power.Rig | None, fitted: bool, density: float, slope: float, notes: Notes) -> Endurance | None:
    """Power and minutes to the reserve; None without aircraft or pack."""
    if rig is None or day.pack is None:
        notes.unknown.append("Flying time: aircraft and pack are not given.")
        return None
    pack = pack_of(day)
    hover = power.power(rig, density_kg_m3=density)
    if rig.max_lift_kg is not None and rig.max_lift_kg < LIFT_MARGIN * rig.mass_kg:
        can = "can't lift the rig" if rig.max_lift_kg <= rig.mass_kg else "can't lift the rig with room to steer"
        notes.impossible.append(f"The motors {can}: full thrust is {notes.mass(rig.max_lift_kg)}, the rig with its pack weighs {notes.mass(rig.mass_kg)}.")
    elif rig.max_lift_kg is None:
        notes.warnings.append("Thrust to spare is not known: the full thrust of the motors is not given.")
    if hover.battery_w > pack.max_power_w:
        notes.impossible.append(
            f"The pack can't lift the rig: hovering takes {hover.battery_w:.0f} W and the pack gives {pack.max_power_w:.0f} W at most "
            f"({pack.energy_wh:.0f} Wh at {pack.max_discharge_c:g} C)."
        )
    if pack.reserve_percent <= 0:
        notes.impossible.append("Zero reserve: the pack would be flown flat, and the aircraft falls. Keep at least 20 % for the landing.")
    elif pack.usable_wh <= 0:
        notes.impossible.append("The whole pack is reserve: nothing is left to fly on.")
    elif pack.reserve_percent < LOW_RESERVE_PERCENT:
        notes.warnings.append(f"Only {pack.reserve_percent:g} % reserve: practice keeps 20 %.")
    speed = day.run.speed_m_s if day.run else 0.0
    times = [("hovering", power.minutes(rig, pack, density_kg_m3=density))]
    try:
        along, climb = attitude.air_path(speed_m_s=speed, slope_deg=slope, headwind_m_s=day.air.headwind_m_s)
        for style, load in power.LOAD.items():
            times.append((style, power.minutes(rig, pack, density_kg_m3=density, airspeed_m_s=along, slope_deg=climb, load=load)))
        flown = power.power(rig, density_kg_m3=density, airspeed_m_s=along, slope_deg=climb, load=power.LOAD["hard"])
        if hover.battery_w <= pack.max_power_w < flown.battery_w:
            notes.warnings.append(f"Hard flying takes {flown.battery_w:.0f} W, more than the pack gives ({pack.max_power_w:.0f} W): it will sag.")
        if not flown.steady:
            notes.warnings.append("So steep and slow a descent sinks into the rotors' own wake: power and time are not to be trusted.")
    except InputError:
        pass  # said with the tilt
    if not fitted:
        notes.unknown.append("Flying time: from default figures, not from a logged flight of this rig.")
    return Endurance(rig=rig, pack=pack, density_kg_m3=density, hover=hover, minutes=tuple(times), fitted=fitted)


def card_minutes_of(day: Day) -> float | None:
    """Minutes that one card records; None without a card."""
    c = day.card
    if c is None:
        return None
    rate = c.data_rate_mbit_s
    if rate is None:
        fps = day.exposure.rate_fps if day.exposure else 24.0
        rate = cards.data_rate_mbit_s(raster_px=day.pairing.recording.raster_px, rate_fps=fps, bits_per_pixel=c.bits_per_pixel or 0.0)
    return cards.minutes(capacity_gb=c.capacity_gb, data_rate_mbit_s=rate, usable_percent=c.usable_percent)


def find_flights(
    day: Day, endurance: Endurance | None, card_minutes: float | None, slope: float, notes: Notes
) -> tuple[shots.FlightPlan | None, tuple[str, int] | None]:
    """The takes in flights, and what runs out first, after how many takes."""
    if not day.shots:
        notes.unknown.append("Order of takes: no shots are given.")
        return None, None
    if endurance is None:
        return None, None
    e = endurance

    def watts(speed: float, style: str) -> float:
        along, climb = attitude.air_path(speed_m_s=speed, slope_deg=slope, headwind_m_s=day.air.headwind_m_s)
        try:
            return power.power(e.rig, density_kg_m3=e.density_kg_m3, airspeed_m_s=along, slope_deg=climb, load=power.LOAD[style]).battery_w
        except InputError:
            return e.hover.battery_w

    usual = day.run.speed_m_s if day.run else 0.0
    hovering = e.hover.battery_w  # going back and waiting: the dearer of the two
    wanted = [
        shots.Shot(
            name=s.name,
            takes=s.takes,
            take_s=s.take_s,
            reset_s=s.reset_s,
            take_w=watts(s.speed_m_s if s.speed_m_s is not None else usual, s.style),
            reset_w=hovering,
        )
        for s in day.shots
    ]
    plan = shots.plan_flights(
        wanted,
        usable_wh=max(e.pack.usable_wh, 0.0),
        transit_s=day.transit_s,
        transit_w=hovering,
        card_minutes=card_minutes if card_minutes is not None else math.inf,
        before_takeoff_s=day.card.before_takeoff_s if day.card else 0.0,
    )
    for name in plan.too_long:
        notes.impossible.append(f"Not one take of “{name}” fits on a pack with its reserve: shorten the take or the way out, or fit a larger pack.")
    if plan.too_long_for_card:
        notes.impossible.append("A single flight is longer than empty media can record: use larger media or a lower data rate.")
    packs, owned_cards = day.pack.owned if day.pack else None, day.card.owned if day.card else None
    out = shots.first_to_run_out(plan, packs_owned=packs, cards_owned=owned_cards)
    if packs is not None and plan.packs > packs:
        notes.warnings.append(f"The list takes {plan.packs} packs and {packs} are here: charge in between, or drop takes.")
    if owned_cards is not None and plan.cards > owned_cards:
        notes.warnings.append(f"The list takes {plan.cards} media and {owned_cards} are here: copy and clear in between, or drop takes.")
    return plan, out
