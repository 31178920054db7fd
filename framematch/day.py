"""The flight day worked out: tilt, power and time, packs and cards, stop and filter, distances.

Takes the day file's tables and the pairing, gives one value that the card, the screen and the page
show. What can't be done is in ``impossible``, in whole sentences, and comes first wherever it is shown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch import cards, exposure, optics, units
from framematch.day_file import Day, DayFile, ExposureTable, PersonTable, beside
from framematch.errors import InputError
from framematch.flight import air, attitude, fall, ground, power, shots
from framematch.gap.lenses import candidate_of, own_lens
from framematch.gap.props import PropsReport, props_in_frame
from framematch.gap.table import lens_row
from framematch.gap.values import Aircraft, Part, Plan, Prop
from framematch.motion import image_velocity_px_s, in_frame_widths, shutter_s
from framematch.pairing import Pairing
from framematch.report import Report, guide_report
from framematch.scene.model import Scene

Floats = NDArray[np.float64]

LIFT_MARGIN = 1.3  # full thrust over weight below which a rig can't be flown safely (practice)
LOW_RESERVE_PERCENT = 10.0
DIFFERS = 0.1  # share by which today's figure may differ from the gap table's before it is said
BLUR_PERCENT = 10.0  # of the frame's width in one exposure: from here on the edges are gone (practice)


@dataclass(frozen=True, kw_only=True)
class AtSpeed:
    """Pitch and horizon at one speed with the tilt that was chosen."""

    speed_m_s: float
    pitch_deg: float
    recording_percent: float
    monitoring_percent: float


@dataclass(frozen=True, kw_only=True)
class Tilts:
    """The tilt for the planned speed, the horizon over the speed range and with the tilt that is there now,
    and what of the airframe shows in the frame."""

    planned: attitude.Tilt
    pitch_deg: float
    horizon_percent: float
    over_range: tuple[AtSpeed, ...]
    now: AtSpeed | None
    now_deg: float | None
    props: PropsReport | None


@dataclass(frozen=True, kw_only=True)
class Endurance:
    """Power and minutes down to the reserve; ``now`` is all up with the day's pack."""

    rig: power.Rig
    pack: power.Pack
    density_kg_m3: float
    hover: power.Power
    minutes: tuple[tuple[str, float], ...]
    curves: tuple[tuple[str, power.PackCurve], ...]
    fitted: bool


@dataclass(frozen=True, kw_only=True)
class Light:
    """Stop and filter, and what the picture is like with them. Distances in metres from the recording lens."""

    found: exposure.Exposure
    chosen: exposure.Setting | None
    wanted_f_number: float
    t_stop: float
    shutter_deg: float
    rate_fps: float
    flicker: exposure.FlickerFree | None
    sharp_from_m: float
    sharp_to_m: float
    circle_um: float
    airy_um: float
    blur_percent: tuple[tuple[float, float], ...]


@dataclass(frozen=True, kw_only=True)
class PersonAt:
    """One person or camera: where in the fall areas, how far from the run, where in shot."""

    name: str
    at_m: tuple[float, float]
    in_picture: bool
    in_straight: bool
    in_round: bool
    clear_m: float
    seen: ground.InShot | None


@dataclass(frozen=True, kw_only=True, eq=False)
class Distances:
    """Fall areas, people and walls in plan."""

    run_m: Floats
    points: tuple[fall.FallPoint, ...]
    areas: ground.FallAreas
    people: tuple[PersonAt, ...]
    walls: tuple[Floats, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class DayPlan:
    """All that the card says. A part is None where the day file does not give what it needs.

    ``impossible``: why the day can't be flown as written. ``warnings``: what to look at first.
    ``unknown``: what was not worked out, and which table would.
    """

    day: Day
    report: Report
    tilts: Tilts | None
    endurance: Endurance | None
    flights: shots.FlightPlan | None
    runs_out: tuple[str, int] | None
    card_minutes: float | None
    light: Light | None
    distances: Distances | None
    impossible: tuple[str, ...]
    warnings: tuple[str, ...]
    unknown: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class _Notes:
    """Lines gathered on the way, with distances and weights in the system that the card shows."""

    system: str
    impossible: list[str]
    warnings: list[str]
    unknown: list[str]

    def length(self, metres: float, digits: int = 1) -> str:
        return "infinity" if math.isinf(metres) else units.shown(metres, unit="m", system=self.system, digits=digits)

    def speed(self, metres_a_second: float) -> str:
        return units.shown(metres_a_second, unit="m/s", system=self.system)

    def mass(self, kg: float) -> str:
        return units.shown(kg, unit="kg", system=self.system, digits=2)


def plan_day(day: Day) -> DayPlan:
    """Work the day out.

    Raises:
        InputError: figures that contradict each other (a pitch that no drag gives, a log no rig flew).
    """
    file, pairing = day.file, day.pairing
    notes = _Notes(system=file.units, impossible=[], warnings=[], unknown=[])
    report = guide_report(pairing)
    density = float(air.density_kg_m3(file.air.altitude_m, file.air.temperature_c))
    rig, fitted = _rig(file, density)
    slope = _slope_deg(file)
    tilts = _tilts(file, pairing, day.gap, rig, density, slope, notes)
    endurance = _endurance(file, rig, fitted, density, slope, notes)
    card_minutes = _card_minutes(file, pairing)
    flights, runs_out = _flights(file, endurance, card_minutes, slope, notes)
    elevation = tilts.planned.recording_deg - tilts.pitch_deg if tilts else 0.0
    light = _light(file, pairing, elevation, notes)
    if day.gap is not None:
        _against_gap_table(day, tilts, light, notes)
    distances = _distances(day, report, elevation, notes)
    return DayPlan(
        day=day,
        report=report,
        tilts=tilts,
        endurance=endurance,
        flights=flights,
        runs_out=runs_out,
        card_minutes=card_minutes,
        light=light,
        distances=distances,
        impossible=tuple(notes.impossible),
        warnings=tuple(notes.warnings),
        unknown=tuple(notes.unknown),
    )


def _rig(file: DayFile, density: float) -> tuple[power.Rig | None, bool]:
    """The aircraft with its pack on, fitted to the logged flight if there is one."""
    a, pack = file.aircraft, file.pack
    if a is None:
        return None, False
    mass = a.mass_kg + (pack.mass_kg if pack else 0.0)
    try:
        drag = a.drag_area_m2
        if a.logged_pitch is not None:
            drag = attitude.drag_area_from_log(mass_kg=mass, density_kg_m3=density, airspeed_m_s=a.logged_pitch.speed_m_s, pitch_deg=a.logged_pitch.pitch_deg)
        rig = power.Rig(
            mass_kg=mass,
            rotors=a.rotors,
            prop_diameter_m=a.prop_diameter_m,
            coaxial=a.coaxial,
            drag_area_m2=drag,
            interference=a.interference,
            figure_of_merit=a.figure_of_merit,
            drive_efficiency=a.drive_efficiency,
            accessories_w=a.accessories_w,
            max_lift_kg=a.max_lift_kg,
        )
        log = a.logged_flight
        if log is None:
            return rig, False
        energy = log.energy_wh if log.energy_wh is not None else _pack(file).energy_wh if pack else math.nan
        if math.isnan(energy):
            raise InputError("needs the pack's energy", field="logged_flight.energy_wh", fix="give it, or a [pack]")
        height = log.altitude_m if log.altitude_m is not None else file.air.altitude_m
        warmth = log.temperature_c if log.temperature_c is not None else file.air.temperature_c
        flown = power.LoggedFlight(
            mass_kg=log.mass_kg,
            used_wh=energy * log.used_percent / 100,
            minutes=log.minutes,
            density_kg_m3=float(air.density_kg_m3(height, warmth)),
            airspeed_m_s=log.speed_m_s,
            load=power.LOAD[log.style],
        )
        return power.fitted(rig, flown), True
    except InputError as error:
        raise error.within(prefix="aircraft") from None


def _pack(file: DayFile) -> power.Pack:
    p = file.pack
    assert p is not None
    energy = p.energy_wh if p.energy_wh is not None else power.pack_energy_wh(cells=p.cells or 0, capacity_ah=p.capacity_ah or 0.0, cell_v=p.cell_v)
    return power.Pack(energy_wh=energy, mass_kg=p.mass_kg, reserve_percent=p.reserve_percent, max_discharge_c=p.max_discharge_c)


def _slope_deg(file: DayFile) -> float:
    """Slope of the run: of its longest leg in plan if points are given."""
    if file.run is None:
        return 0.0
    if len(file.run.points_m) < 2:
        return file.run.slope_deg
    legs = np.diff(np.asarray(file.run.points_m), axis=0)
    longest = legs[np.argmax(np.linalg.norm(legs, axis=1))]
    return math.degrees(math.atan2(longest[2], math.hypot(longest[0], longest[1])))


def _pitch_deg(file: DayFile, rig: power.Rig, density: float, speed_m_s: float, slope_deg: float) -> float:
    speed, slope = attitude.air_path(speed_m_s=speed_m_s, slope_deg=slope_deg, headwind_m_s=file.air.headwind_m_s)
    return attitude.attitude(mass_kg=rig.mass_kg, drag_area_m2=rig.drag_area_m2, density_kg_m3=density, airspeed_m_s=speed, slope_deg=slope).pitch_deg


def _tilts(file: DayFile, pairing: Pairing, gap: Plan | None, rig: power.Rig | None, density: float, slope: float, notes: _Notes) -> Tilts | None:
    if file.run is None or rig is None:
        notes.unknown.append("Camera tilt: needs [aircraft] and [run].")
        return None
    run = file.run
    try:
        pitch = _pitch_deg(file, rig, density, run.speed_m_s, slope)
    except InputError as error:
        notes.impossible.append(f"The run can't be flown steadily: {error.problem}.")
        return None
    planned = attitude.tilt_for_horizon(pairing, pitch_deg=pitch, percent=run.horizon_percent)
    low, high = run.speed_range_m_s or (run.speed_m_s, run.speed_m_s)
    if low > high:
        raise InputError(f"slowest {low:g} is faster than fastest {high:g}", field="run.speed_range_m_s", fix="write the slowest first")

    def at(speed: float, tilt_deg: float) -> AtSpeed:
        lean = _pitch_deg(file, rig, density, speed, slope)
        there = attitude.horizon_at(pairing, recording_tilt_deg=tilt_deg, pitch_deg=lean)
        return AtSpeed(speed_m_s=speed, pitch_deg=lean, recording_percent=there.recording_percent, monitoring_percent=there.monitoring_percent)

    try:
        over = tuple(at(s, planned.recording_deg) for s in sorted({low, run.speed_m_s, high}))
    except InputError as error:
        raise error.within(prefix="run") from None
    assert file.aircraft is not None
    now_deg = file.aircraft.camera_tilt_deg
    now = at(run.speed_m_s, now_deg) if now_deg is not None else None
    if now is not None and not 0 <= now.recording_percent <= 100:
        notes.warnings.append(f"With the camera tilt as it is now ({now_deg:g} degrees) the horizon is outside the frame at the planned speed.")
    if not 0 <= planned.monitoring_percent <= 100:
        notes.warnings.append("With this tilt the horizon is not on the goggles' display at the planned speed: the pilot has no level to fly by.")
    props = _props(file, pairing, gap, planned.recording_deg)
    if props is None:
        notes.unknown.append("Props in the frame: needs [[aircraft.prop]].")
    elif props.in_shot:
        named = ", ".join(f"{each.name} ({each.area_percent:.1f} %)" for each in props.in_shot)
        notes.warnings.append(f"In the frame with this tilt: {named}.")
    if pitch > 45:
        notes.warnings.append(f"The aircraft would lean {pitch:.0f} degrees: outside what these formulas are good for.")
    return Tilts(planned=planned, pitch_deg=pitch, horizon_percent=run.horizon_percent, over_range=over, now=now, now_deg=now_deg, props=props)


def _props(file: DayFile, pairing: Pairing, gap: Plan | None, tilt_deg: float) -> PropsReport | None:
    """What of the airframe the frame shows: by the day file's props, or else those of the gap's aircraft."""
    a = file.aircraft
    if a is not None and (a.prop or a.part):
        hubs = tuple(
            Prop(name=t.name, right_mm=t.at_mm.right, up_mm=t.at_mm.up, forward_mm=t.at_mm.forward, radius_mm=t.radius_mm, blade_mm=t.blade_mm) for t in a.prop
        )
        boxes = tuple(Part(name=t.name, right_mm=t.at_mm.right, up_mm=t.at_mm.up, forward_mm=t.at_mm.forward, size_mm=t.size_mm) for t in a.part)
        craft = Aircraft(width_m=a.span_m, height_m=a.span_m, length_m=a.span_m, props=hubs, parts=boxes)
    elif gap is not None and gap.aircraft is not None and (gap.aircraft.props or gap.aircraft.parts):
        craft = gap.aircraft
    else:
        return None
    return props_in_frame(pairing.recording, pairing.frame, replace(craft, camera_tilt_deg=tilt_deg))


def _endurance(file: DayFile, rig: power.Rig | None, fitted: bool, density: float, slope: float, notes: _Notes) -> Endurance | None:
    if rig is None or file.pack is None:
        notes.unknown.append("Flying time: needs [aircraft] and [pack].")
        return None
    pack = _pack(file)
    hover = power.power(rig, density_kg_m3=density)
    if rig.max_lift_kg is not None and rig.max_lift_kg < LIFT_MARGIN * rig.mass_kg:
        can = "can't lift the rig" if rig.max_lift_kg <= rig.mass_kg else "can't lift the rig with room to steer"
        notes.impossible.append(f"The motors {can}: full thrust is {notes.mass(rig.max_lift_kg)}, the rig with its pack weighs {notes.mass(rig.mass_kg)}.")
    elif rig.max_lift_kg is None:
        notes.unknown.append("Whether the motors have thrust to spare: needs [aircraft] max_lift_kg.")
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
    speed = file.run.speed_m_s if file.run else 0.0
    times = [("hovering", power.minutes(rig, pack, density_kg_m3=density))]
    try:
        along, climb = attitude.air_path(speed_m_s=speed, slope_deg=slope, headwind_m_s=file.air.headwind_m_s)
        for style, load in power.LOAD.items():
            times.append((style, power.minutes(rig, pack, density_kg_m3=density, airspeed_m_s=along, slope_deg=climb, load=load)))
        flown = power.power(rig, density_kg_m3=density, airspeed_m_s=along, slope_deg=climb, load=power.LOAD["hard"])
        if hover.battery_w <= pack.max_power_w < flown.battery_w:
            notes.warnings.append(f"Hard flying takes {flown.battery_w:.0f} W, more than the pack gives ({pack.max_power_w:.0f} W): it will sag.")
        if not flown.steady:
            notes.warnings.append("So steep and slow a descent sinks into the rotors' own wake: power and time are not to be trusted.")
    except InputError:
        pass  # said with the tilt
    bare = replace(rig, mass_kg=rig.mass_kg - pack.mass_kg)
    curves = tuple(
        (style, power.pack_curve(bare, pack, density_kg_m3=density, airspeed_m_s=speed, load=load, lift_margin=LIFT_MARGIN))
        for style, load in power.LOAD.items()
    )
    if not fitted:
        notes.unknown.append("Flying time is by default figures: one logged flight ([aircraft] logged_flight) makes it yours.")
    return Endurance(rig=rig, pack=pack, density_kg_m3=density, hover=hover, minutes=tuple(times), curves=curves, fitted=fitted)


def _card_minutes(file: DayFile, pairing: Pairing) -> float | None:
    c = file.card
    if c is None:
        return None
    rate = c.data_rate_mbit_s
    if rate is None:
        fps = file.exposure.rate_fps if file.exposure else 24.0
        rate = cards.data_rate_mbit_s(raster_px=pairing.recording.raster_px, rate_fps=fps, bits_per_pixel=c.bits_per_pixel or 0.0)
    return cards.minutes(capacity_gb=c.capacity_gb, data_rate_mbit_s=rate, usable_percent=c.usable_percent)


def _flights(
    file: DayFile, endurance: Endurance | None, card_minutes: float | None, slope: float, notes: _Notes
) -> tuple[shots.FlightPlan | None, tuple[str, int] | None]:
    if not file.shots:
        notes.unknown.append("Order of takes: needs [[shots]].")
        return None, None
    if endurance is None:
        return None, None
    e = endurance

    def watts(speed: float, style: str) -> float:
        along, climb = attitude.air_path(speed_m_s=speed, slope_deg=slope, headwind_m_s=file.air.headwind_m_s)
        try:
            return power.power(e.rig, density_kg_m3=e.density_kg_m3, airspeed_m_s=along, slope_deg=climb, load=power.LOAD[style]).battery_w
        except InputError:
            return e.hover.battery_w

    usual = file.run.speed_m_s if file.run else 0.0
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
        for s in file.shots
    ]
    plan = shots.plan_flights(
        wanted,
        usable_wh=max(e.pack.usable_wh, 0.0),
        transit_s=file.flights.transit_s,
        transit_w=hovering,
        card_minutes=card_minutes if card_minutes is not None else math.inf,
        before_takeoff_s=file.card.before_takeoff_s if file.card else 0.0,
    )
    for name in plan.too_long:
        notes.impossible.append(f"Not one take of “{name}” fits on a pack with its reserve: shorten the take or the way out, or fit a larger pack.")
    if plan.too_long_for_card:
        notes.impossible.append("A single flight is longer than an empty card records: use a larger card or a lower data rate.")
    packs, owned_cards = file.pack.owned if file.pack else None, file.card.owned if file.card else None
    out = shots.first_to_run_out(plan, packs_owned=packs, cards_owned=owned_cards)
    if packs is not None and plan.packs > packs:
        notes.warnings.append(f"The list takes {plan.packs} packs and {packs} are here: charge in between, or drop takes.")
    if owned_cards is not None and plan.cards > owned_cards:
        notes.warnings.append(f"The list takes {plan.cards} cards and {owned_cards} are here: copy and clear in between, or drop takes.")
    return plan, out


def _light(file: DayFile, pairing: Pairing, elevation_deg: float, notes: _Notes) -> Light | None:
    e = file.exposure
    if e is None:
        notes.unknown.append("Stop and filter: needs [exposure].")
        return None
    wanted = e.f_number if e.f_number is not None else pairing.f_number
    if wanted is None:
        wanted = 8.0
        notes.unknown.append("No stop is wanted by the day file or the pairing: f/8 is taken.")
    time = shutter_s(shutter_deg=e.shutter_deg, rate_fps=e.rate_fps)
    ev = e.ev100 if e.ev100 is not None else exposure.LIGHT_EV100[e.light or ""]
    try:
        found = exposure.choose(
            ev100=ev,
            iso=e.iso,
            shutter_s=time,
            wanted_f_number=wanted,
            f_number_range=e.f_number_range,
            densities=e.nd,
            most_filters=e.most_filters,
            loss_stops=e.loss_stops,
        )
    except InputError as error:
        raise error.within(prefix="exposure") from None
    chosen = found.settings[0] if found.settings else None
    if chosen is None:
        notes.impossible.append(_no_stop(found, e))
    stop = chosen.f_number if chosen else wanted
    recording = pairing.recording
    circle = optics.circle_mm(frame_mm=pairing.frame_mm)
    focal = optics.focal_before_focusing_mm(image_distance_mm=recording.lens.focal_mm, focus_m=pairing.focus_m)
    sharp = optics.depth_of_field(focal_mm=focal, f_number=stop, circle_mm=circle, focus_m=pairing.focus_m)
    airy = optics.airy_disk_mm(f_number=stop)
    blur = _blur(file, pairing, elevation_deg, time)
    flicker = exposure.flicker_free(mains_hz=e.mains_hz, rate_fps=e.rate_fps, shutter_deg=e.shutter_deg) if e.mains_hz else None
    if chosen is not None:
        _picture_warnings(pairing, chosen, sharp, circle, airy, blur, notes)
    if flicker is not None and not flicker.safe:
        notes.warnings.append(_flicker_line(flicker, e))
    if e.ev100 is None:
        notes.unknown.append(f"The light is taken as “{e.light}”, EV {ev:g}: meter it at the place.")
    return Light(
        found=found,
        chosen=chosen,
        wanted_f_number=wanted,
        t_stop=exposure.t_stop(f_number=stop, loss_stops=e.loss_stops),
        shutter_deg=e.shutter_deg,
        rate_fps=e.rate_fps,
        flicker=flicker,
        sharp_from_m=sharp.near_m,
        sharp_to_m=sharp.far_m,
        circle_um=1000 * circle,
        airy_um=1000 * airy,
        blur_percent=blur,
    )


def _against_gap_table(day: Day, tilts: Tilts | None, light: Light | None, notes: _Notes) -> None:
    """Say where the gap's table was made for another stop, shutter, speed or aim than today's."""
    file, pairing, gap = day.file, day.pairing, day.gap
    assert gap is not None
    row = lens_row(pairing, gap.gap, gap.run, candidate_of(pairing, own_lens(pairing).focal_mm))
    if light is not None and light.chosen is not None and row.sharp is not None:
        for name, then, now in (("sharp from", row.sharp.near_m, light.sharp_from_m), ("sharp to", row.sharp.far_m, light.sharp_to_m)):
            if then != now and not abs(now / then - 1) <= DIFFERS:
                today = f"today it is {notes.length(now, 2)} (f/{light.chosen.f_number:.1f})"
                notes.warnings.append(f"The gap table says {name} {notes.length(then, 2)} (f/{row.sharp.f_number:g}); {today}.")
        if abs(light.airy_um / row.sharp.airy_um - 1) > DIFFERS:
            notes.warnings.append(f"The gap table's diffraction is {row.sharp.airy_um:.0f} µm (f/{row.sharp.f_number:g}); today it is {light.airy_um:.0f} µm.")
    if light is not None and file.run is not None:
        times = file.run.speed_m_s * light.found.shutter_s / (gap.run.speed_m_s * gap.run.shutter_s)
        if abs(times - 1) > DIFFERS:
            notes.warnings.append(
                f"Blur is {times:.2f} times what the gap table says: that is for {notes.speed(gap.run.speed_m_s)} and 1/{1 / gap.run.shutter_s:.0f} s."
            )
    if tilts is not None:
        looks = tilts.planned.recording_deg - tilts.pitch_deg
        if abs(looks - gap.run.tilt_deg) > 1:
            notes.warnings.append(f"The gap table is for a camera that looks {gap.run.tilt_deg:+.1f} degrees in flight; with this tilt it looks {looks:+.1f}.")


def _no_stop(found: exposure.Exposure, e: ExposureTable) -> str:
    stops = abs(found.missing_stops)
    widest, smallest = e.f_number_range
    lens = f"f/{widest:g} to f/{smallest:g}" if widest < smallest else f"f/{widest:g}"
    if found.missing_stops > 0:
        need = float(exposure.density_of_stops(stops))
        return f"No stop fits: with every filter here the scene is {stops:.1f} stops too bright for {lens}. Add about ND {need:.1f}, or lower the ISO."
    return f"No stop fits: without a filter the scene is {stops:.1f} stops too dark for {lens}. Raise the ISO, open the shutter, or add light."


def _picture_warnings(
    pairing: Pairing,
    chosen: exposure.Setting,
    sharp: optics.Depth,
    circle_mm: float,
    airy_mm: float,
    blur: tuple[tuple[float, float], ...],
    notes: _Notes,
) -> None:
    stop = chosen.f_number
    if pairing.f_number is not None and abs(2 * math.log2(stop / pairing.f_number)) > 1 / 3:
        notes.warnings.append(f"f/{stop:.1f} will be set, the pairing says f/{pairing.f_number:g}: what was worked out with it is not today's.")
    if sharp.near_m > pairing.near_m * 1.005:
        notes.warnings.append(
            f"At f/{stop:.1f} it is sharp from {notes.length(sharp.near_m, 2)} on, but the shot comes as near as {notes.length(pairing.near_m, 2)}."
        )
    if sharp.far_m < pairing.far_m * 0.995:
        notes.warnings.append(f"At f/{stop:.1f} it is sharp only to {notes.length(sharp.far_m)}, but the shot reaches to {notes.length(pairing.far_m)}.")
    if airy_mm > circle_mm:
        notes.warnings.append(
            f"At f/{stop:.1f} diffraction softens all of the picture: its disk is {1000 * airy_mm:.0f} µm, the sharpness limit {1000 * circle_mm:.0f} µm."
        )
    if abs(chosen.off_stops) > 0.1:
        notes.warnings.append(
            f"f/{stop:.1f} is as near as the lens gets: the picture is {abs(chosen.off_stops):.1f} stops too {'bright' if chosen.off_stops > 0 else 'dark'}."
        )
    if blur and blur[0][1] > BLUR_PERCENT:
        notes.warnings.append(
            f"At this shutter the frame's edges smear by {blur[0][1]:.1f} % of its width at {notes.length(blur[0][0], 2)}; a shorter shutter smears less."
        )


def _flicker_line(flicker: exposure.FlickerFree, e: ExposureTable) -> str:
    if math.isnan(flicker.nearest_deg):
        return f"Lamps on {e.mains_hz} Hz will flicker: at {e.rate_fps:g} frames a second no shutter is open for a whole flicker."
    alike = " Every frame sees the lamps alike, but a rolling shutter shows bands." if flicker.in_step else ""
    return f"Lamps on {e.mains_hz} Hz may flicker at {e.shutter_deg:g} degrees: set {flicker.nearest_deg:.1f} degrees.{alike}"


def _blur(file: DayFile, pairing: Pairing, elevation_deg: float, time_s: float) -> tuple[tuple[float, float], ...]:
    """Smear in one exposure in percent of the frame's width: the worst corner or edge at the nearest distance, and at three times that."""
    if file.run is None:
        return ()
    e = math.radians(elevation_deg)
    velocity = file.run.speed_m_s * np.array([0.0, math.sin(e), math.cos(e)])
    rays, ok = pairing.recording.unproject(pairing.frame.border(np.arange(0, 4, 0.5)))
    ok &= rays[:, 2] > 0
    out = []
    for distance in (pairing.near_m, min(3 * pairing.near_m, pairing.far_m)):
        points = rays[ok] / rays[ok, 2:] * distance
        moved = image_velocity_px_s(pairing.recording, points, velocity_m_s=velocity) * time_s
        out.append((distance, 100 * float(np.nanmax(in_frame_widths(pairing.recording, pairing.frame, moved), initial=0.0))))
    return tuple(dict(out).items())


def _distances(day: Day, report: Report, elevation_deg: float, notes: _Notes) -> Distances | None:
    file, pairing, run = day.file, day.pairing, day.file.run
    if run is None or not run.points_m:
        notes.unknown.append("Where it could come down: needs [run] with points_m.")
        return None
    top = max(run.speed_range_m_s) if run.speed_range_m_s else run.speed_m_s
    top = max(top, run.speed_m_s)
    points = fall.along_run(run.points_m, speed_m_s=top, ground_m=file.place.ground_m)
    legs = np.diff(np.asarray(run.points_m), axis=0)
    climb = float(max(0.0, (top * legs[:, 2] / np.linalg.norm(legs, axis=1)).max()))
    lowered = tuple(replace(p, height_m=p.height_m - file.place.ground_m) for p in points)
    areas = ground.fall_areas(
        lowered,
        size_m=file.aircraft.span_m if file.aircraft else 0.6,
        margin_m=file.place.margin_m,
        wind_m_s=max(abs(file.air.headwind_m_s), file.air.gust_m_s),
        up_m_s=climb,
    )
    where = np.asarray(run.points_m, dtype=np.float64)
    people = tuple(_person(p, pairing, report, areas, where, elevation_deg) for p in file.people)
    for p in people:
        if p.in_straight:
            notes.warnings.append(f"{p.name} stands where the aircraft could come down straight on: move them, or the run.")
        elif p.in_round:
            notes.warnings.append(f"{p.name} stands where the aircraft could come down if it turns as it falls: move them farther off, or behind cover.")
        if p.seen and p.seen.ever_m and not p.in_picture:
            sure = p.seen.recorded_m is not None
            notes.warnings.append(f"{p.name} {'is in shot' if sure else 'may be in shot'} {_stretch(notes, p.seen.recorded_m or p.seen.ever_m)} into the run.")
    return Distances(run_m=where, points=points, areas=areas, people=people, walls=_walls(day, where, notes))


def _walls(day: Day, run_m: Floats, notes: _Notes) -> tuple[Floats, ...]:
    """The scene in plan: what stands at the run's usual height, and at a person's knees."""
    name = day.file.place.scene
    if name is None:
        return ()
    try:
        scene = _scene(day, name)
    except InputError as error:
        raise InputError(error.problem, field="place.scene", fix=error.fix, file=error.file) from None
    except ImportError:
        notes.unknown.append("The scene is not drawn: pip install 'framematch[views]'.")
        return ()
    surface = scene.surface
    heights = {float(np.median(run_m[:, 2])), 0.5}
    return tuple(line for h in sorted(heights) for line in ground.cut_through(surface.vertices, surface.faces, height_m=scene.ground_m + h))


def _scene(day: Day, name: str) -> Scene:
    from framematch.scene.registry import make_scene, places

    if name in places():
        g = day.gap.gap if day.gap is not None else None
        if g is None:
            return make_scene(name)
        return make_scene(name, width_m=g.width_m, height_m=g.height_m, shape=g.shape, sill_m=g.sill_m, thickness_m=g.thickness_m or None)
    from framematch.scene.load import load_scene

    if day.folder is None or "." not in name:
        raise InputError(f"no scene {name!r}", fix=f"choose {', '.join(places())} or name a mesh file beside the day file")
    return load_scene(beside(day.folder, name, field="place.scene"))


def _stretch(notes: _Notes, span: tuple[float, float]) -> str:
    first, last = (notes.length(s, 0) for s in span)
    return first if first == last else f"{first} to {last}"


def _person(p: PersonTable, pairing: Pairing, report: Report, areas: ground.FallAreas, run_m: Floats, elevation_deg: float) -> PersonAt:
    import shapely

    half = 0.3  # what a person takes up on the ground (practice)
    seen = ground.in_shot(pairing, report.areas.ever, points_m=run_m, at_m=p.at_m, height_m=p.height_m, camera_elevation_deg=elevation_deg)
    return PersonAt(
        name=p.name,
        at_m=p.at_m,
        in_picture=p.in_picture,
        in_straight=ground.inside(areas.straight, p.at_m, radius_m=half),
        in_round=ground.inside(areas.round, p.at_m, radius_m=half),
        clear_m=float(shapely.LineString(run_m[:, :2]).distance(shapely.Point(p.at_m))),
        seen=seen,
    )
