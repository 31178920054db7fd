"""The flight card in words: sections of labelled lines that paper, phone, screen and page all show."""

from __future__ import annotations

import math
from dataclasses import dataclass

from framematch.compare.props import PropsReport
from framematch.day import DayPlan, Light, PersonAt
from framematch.day.notes import up_words
from framematch.flight.air import STANDARD_DENSITY_KG_M3
from framematch.guide.report import Report, insets_percent, insets_px
from framematch.guide.shown import metres
from framematch.guide.transfer import EDGES
from framematch.guide.words import change_words
from framematch.optics.exposure import stop_words
from framematch.text import units

ADVICE = "Advice for planning, worked out from the figures given. Local rules and the licensed remote pilot decide."


@dataclass(frozen=True, kw_only=True)
class Section:
    """A heading with labelled lines and notes under them; ``kind`` tells a drawing to put beside it."""

    heading: str
    rows: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    kind: str = ""


def first_lines(plan: DayPlan) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """What stands before every figure: what can't be, what to look at, what is not known or only assumed."""
    said = (("Can't be flown as planned", plan.impossible), ("Look at this first", plan.warnings), ("Not worked out, or assumed", plan.unknown))
    return tuple((heading, lines) for heading, lines in said if lines)


def sections(plan: DayPlan) -> tuple[Section, ...]:
    """What the card says, in the order that the crew needs it."""
    found = [
        _guide(plan),
        _tilt(plan),
        _light(plan),
        _packs(plan),
        _takes(plan),
        _distances(plan),
    ]
    return tuple(s for s in found if s is not None)


def _system(plan: DayPlan) -> str:
    return plan.day.units


def _length(plan: DayPlan, distance_m: float) -> str:
    return metres(distance_m, feet=_system(plan) == "imperial")


def _speed(plan: DayPlan, metres_a_second: float) -> str:
    return units.shown(metres_a_second, unit="m/s", system=_system(plan)).replace(".0 ", " ")


def _mass(plan: DayPlan, kg: float) -> str:
    return units.shown(kg, unit="kg", system=_system(plan), digits=2)


def minutes_text(minutes: float) -> str:
    """Minutes and seconds, rounded down to the second: ``3 min 49 s``."""
    seconds = math.floor(minutes * 60 + 1e-6)
    return f"{seconds // 60} min {seconds % 60} s" if seconds >= 60 else f"{seconds} s"


def _guide(plan: DayPlan) -> Section:
    report = plan.report
    display = report.pairing.display.raster_px
    rows = [("Display", f"{display[0]} x {display[1]}")]
    names = [frame.name for frame in report.pairing.frames]
    for number, one in enumerate(report.each_set, 1):
        for name, each in zip(names, one.each_frame, strict=True):
            said = [f"set {number}"] * bool(report.sets) + [name] * (len(names) > 1)
            rows += _lines(plan, each, ", ".join(said))
    return Section(heading="Guide in the goggles", rows=tuple(rows), notes=tuple(change_words(report)), kind="display")


def _lines(plan: DayPlan, report: Report, which: str) -> list[tuple[str, str]]:
    """One guide's rows, said to be of a set or a frame where there are several."""
    pairing, guide, of = report.pairing, report.guide, f"{which}: " if which else ""
    display = pairing.display.raster_px
    px, percent = insets_px(guide.rectangle, display), insets_percent(guide.rectangle, display)
    rows = [
        *((f"inset, {edge}", f"{p:.0f} px, {q:.1f} %") for edge, p, q in zip(EDGES, px, percent, strict=True)),
        ("holds for", f"{_length(plan, pairing.near_m)} to {_length(plan, pairing.far_m)}"),
        ("off by at most", f"{guide.rectangle_worst_error_percent:.1f} % of the frame; rig tolerance {report.band.worst_percent:.1f} %"),
    ]
    if report.cells is not None:
        c = report.cells
        rows.append(("characters", f"columns {c.left_column} and {c.right_column}, rows {c.top_row} and {c.bottom_row} (from 1)"))
    return [(_led(of + label), text) for label, text in rows]


def _led(label: str) -> str:
    return label[:1].upper() + label[1:]


def _tilt(plan: DayPlan) -> Section | None:
    t = plan.tilts
    if t is None:
        return None
    run = plan.day.run
    assert run is not None
    rows = [
        ("Recording camera", f"tilt {up_words(t.planned.recording_deg)} on the airframe"),
        ("Monitoring camera", f"tilt {up_words(t.planned.monitoring_deg)} on the airframe"),
        ("Planned", f"{_speed(plan, run.speed_m_s)}: nose {t.pitch_deg:.1f}° down, horizon at {t.horizon_percent:.0f} % of the frame's height"),
    ]
    rows += [
        (
            f"At {_speed(plan, s.speed_m_s)}",
            f"nose {s.pitch_deg:.1f}° down, horizon {_at_height(s.recording_percent)} (goggles {_percent(s.monitoring_percent)})",
        )
        for s in t.over_range
        if s.speed_m_s != run.speed_m_s
    ]
    if t.props is not None:
        rows.append(("Propellers", _props(t.props)))
    notes = []
    if len(t.over_range) > 1:
        swing = abs(t.over_range[-1].recording_percent - t.over_range[0].recording_percent)
        notes.append(f"Over this speed range the horizon moves by {swing:.0f} % of the frame's height.")
    if t.now is not None and t.now_deg is not None:
        notes.append(f"As it is mounted now ({up_words(t.now_deg)}) the horizon is {_at_height(t.now.recording_percent)} at the planned speed.")
    notes.append("Horizon: counted from the bottom edge. Steady flight; braking and speeding up tilt the aircraft more.")
    return Section(heading="Camera tilt", rows=tuple(rows), notes=tuple(notes))


def _props(props: PropsReport) -> str:
    shown = ", ".join(f"{p.name} covers {p.area_percent:.1f} % of the frame" for p in props.in_shot) or "none in the frame"
    clear = ", ".join(f"{up_words(low)} to {up_words(high)}" for low, high in props.clear_tilts_deg) or "none"
    return f"{shown}; tilts that keep them out: {clear}"


def _at_height(percent: float) -> str:
    if math.isnan(percent):
        return "not seen"
    return f"at {percent:.0f} %" if 0 <= percent <= 100 else f"{'below' if percent < 0 else 'above'} the frame"


def _percent(value: float) -> str:
    return "not seen" if math.isnan(value) or not 0 <= value <= 100 else f"{value:.0f} %"


def filters_text(densities: tuple[float, ...]) -> str:
    """``ND 0.3 + 0.9``, or ``no filter``."""
    return "ND " + " + ".join(f"{d:.2g}" for d in densities) if densities else "no filter"


def _light(plan: DayPlan) -> Section | None:
    light = plan.light
    if light is None:
        return None
    iso = light.found.iso
    shutter = f"{light.rate_fps:g} frames/s, shutter {light.shutter_deg:g}° (1/{1 / light.found.shutter_s:.0f} s), ISO {iso:g}"
    rows = [("Camera", shutter)]
    if light.chosen is None:
        rows.append(("Stop", "none fits: see the top of the card"))
    else:
        rows += [
            ("Stop", f"{_stop(plan, light.chosen.f_number)}, the nearest third"),
            ("Filter", filters_text(light.chosen.densities)),
        ]
        others = [f"{filters_text(s.densities)} at {_stop(plan, s.f_number)}" for s in light.found.settings[1:4]]
        if others:
            rows.append(("Or", "; ".join(others)))
        rows.append(("Depth of field", f"from {_length(plan, light.sharp_from_m)} to {_length(plan, light.sharp_to_m)}, focus at {_focus(plan)}"))
        rows.append(("Diffraction", f"{light.airy_um:.0f} µm disk; circle of confusion {light.circle_um:.0f} µm"))
    if light.blur_percent:
        rows.append(("Motion blur at the edge", ", ".join(f"{b:.1f} % of the width at {_length(plan, d)}" for d, b in light.blur_percent)))
    rows.append(("Light", f"EV {light.found.ev100:g} at ISO 100"))
    if light.flicker is not None:
        rows.append(("Lamps", _lamps(light)))
    return Section(heading="Stop and filter", rows=tuple(rows))


def _stop(plan: DayPlan, f_number: float) -> str:
    """What is set on the lens."""
    day = plan.day
    return stop_words(f_number, loss_stops=day.exposure.loss_stops if day.exposure else 0.0)


def _lamps(light: Light) -> str:
    flicker = light.flicker
    assert flicker is not None
    if flicker.safe:
        return f"{light.shutter_deg:g}° does not flicker"
    return (
        "no shutter angle is free of flicker" if math.isnan(flicker.nearest_deg) else f"free of flicker: {', '.join(f'{a:.1f}°' for a in flicker.angles_deg)}"
    )


def _focus(plan: DayPlan) -> str:
    return _length(plan, plan.report.pairing.focus_m)


def _packs(plan: DayPlan) -> Section | None:
    e = plan.endurance
    if e is None:
        return None
    rows = [
        ("All-up mass", f"{_mass(plan, e.rig.mass_kg)}, pack {e.pack.energy_wh:.0f} Wh"),
        ("Time to reserve", ", ".join(f"{name} {minutes_text(m)}" for name, m in e.minutes)),
        ("Reserve", f"{e.pack.reserve_percent:g} % stays in the pack"),
        ("Hovering takes", f"{e.hover.battery_w:.0f} W; the air has {100 * e.density_kg_m3 / STANDARD_DENSITY_KG_M3:.0f} % of its density at sea level"),
    ]
    flights = plan.flights
    if flights is not None and not flights.flights:
        rows.append(("Takes per pack", "none: see the top of the card"))
    elif flights is not None:
        on_media = dict(flights.takes_per_card)
        for shot, (name, count) in zip(plan.day.shots, flights.takes_per_pack, strict=True):
            takes = f"{count} to a pack" + (f", {on_media[name]:g} to media" if plan.card_minutes is not None else "")
            rows.append((f"A take of {name}", f"{minutes_text((shot.take_s + shot.reset_s) / 60)} with the way back; {takes}"))
        rows.append(("Packs for the list", _of(flights.packs, plan.day.pack.owned if plan.day.pack else None)))
        if plan.card_minutes is not None:
            rows.append(("Media for the list", _of(flights.cards, plan.day.card.owned if plan.day.card else None)))
        rows.append(("Runs out first", _runs_out(plan)))
    if plan.card_minutes is not None:
        rows.append(("Media hold", f"{math.floor(plan.card_minutes)} min"))
    return Section(heading="Packs and media", rows=tuple(rows), notes=("Fitted to your logged flight.",) if e.fitted else ())


def _of(needed: int, owned: int | None) -> str:
    return f"{needed}" if owned is None else f"{needed} of {owned} here"


def _runs_out(plan: DayPlan) -> str:
    day = plan.day
    if plan.runs_out is not None:
        what, after = plan.runs_out
        return f"{what}, after {after} of {sum(s.takes for s in day.shots)} takes"
    known = [what for what, table in (("packs", day.pack), ("media", day.card)) if table is not None and table.owned is not None]
    return f"nothing: {' and '.join(known)} last" if known else "not known: say how many are owned"


def _takes(plan: DayPlan) -> Section | None:
    if plan.flights is None or not plan.flights.flights:
        return None
    rows = []
    for f in plan.flights.flights:
        takes = ", ".join(f"{name} {first}" if first == last else f"{name} {first}-{last}" for name, first, last in f.takes)
        rows.append((f"Pack {f.number}, media {f.card}", f"{takes} ({minutes_text(f.seconds / 60)})"))
    return Section(heading="Order of takes", rows=tuple(rows), kind="takes")


def _distances(plan: DayPlan) -> Section | None:
    d = plan.distances
    if d is None:
        return None
    rows = [
        ("Comes down within", f"{_length(plan, d.areas.farthest_m)} of where it loses thrust, at the fastest planned speed"),
        ("Drawn wider by", f"{_length(plan, d.areas.widened_m)} (half the aircraft, margin, wind)"),
    ]
    rows += [(p.name, _person(plan, p)) for p in d.people]
    return Section(
        heading="Where it could come down",
        rows=tuple(rows),
        notes=("Walls are not taken to hide or to protect.",),
        kind="plan",
    )


def _person(plan: DayPlan, p: PersonAt) -> str:
    where = "IN THE FALL AREA" if p.in_straight else "in reach if it turns as it falls" if p.in_round else "outside the drawn area"
    seen = p.seen
    if seen is None or seen.ever_m is None:
        shot = "not in shot"
    elif seen.recorded_m is None:
        shot = f"may be in shot {_stretch(plan, seen.ever_m)}"
    else:
        shot = f"in shot {_stretch(plan, seen.recorded_m)}" + (" as meant" if p.in_picture else "")
    return f"{where}, {_length(plan, p.clear_m)} off the run; {shot}"


def _stretch(plan: DayPlan, span: tuple[float, float]) -> str:
    return f"{_length(plan, span[0])} to {_length(plan, span[1])} into the run"


def checklist(plan: DayPlan) -> tuple[str, ...]:
    """What is ticked off before each first take, with the day's own figures in it."""
    pairing, light, day = plan.report.pairing, plan.light, plan.day
    tilt = f"Camera tilt {up_words(plan.tilts.planned.recording_deg)} set with an angle gauge, screws tight" if plan.tilts else "Camera tilt set, screws tight"
    stop = f"Stop {_stop(plan, light.chosen.f_number)} set, {filters_text(light.chosen.densities)} on" if light and light.chosen else "Stop and filter set"
    stop = stop.replace("no filter on", "no filter")
    full = ""
    if day.pack is not None and day.pack.cells is not None and 3.6 <= day.pack.cell_v <= 3.75:
        full = f" ({day.pack.cells} cells: {4.2 * day.pack.cells:.1f} V)"  # 4.2 V a cell, full lithium polymer: practice
    timer = ""
    if plan.endurance is not None and not plan.impossible:
        shortest = [f.seconds / 60 for f in plan.flights.flights] if plan.flights else []
        timer = f"; timer set to {minutes_text(min([m for _, m in plan.endurance.minutes] + shortest))}"
    return (
        "Propellers OFF for all work on the bench",
        "Failsafe tested with propellers off: what it does is known to the remote pilot and fits this place",
        f"Focus set to {_focus(plan)} and taped" if not math.isinf(pairing.focus_m) else "Focus set to infinity and taped",
        stop,
        tilt,
        "Guide loaded, checked on the wall marks",
        "Media in, empty, writing",
        "Propellers on last: right way up, tight, no cracks",
        f"Pack voltage: full{full}; pack warm, not hot or cold{timer}",
        "Fire kit for lithium packs at hand",
        "Rules, permissions, weather and airspace checked by the remote pilot",
        "Visual observer in place and briefed",
        "Abort call agreed by everyone, and who may give it",
        "People check: no one inside the drawn area who is not briefed",
        "Recording confirmed at the camera, before take-off",
    )
