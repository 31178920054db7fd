"""The flight day worked out: tilt, power and time, packs and cards, stop and filter, distances.

Takes the day and gives one value that the card, the screen and the page
show. What can't be done is in ``impossible``, in whole sentences, and comes first wherever it is shown.
"""

from __future__ import annotations

from framematch.compare.table import lens_row
from framematch.day.aircraft import rig_of, slope_of_run_deg
from framematch.day.distances import find_distances
from framematch.day.given import Day
from framematch.day.light import find_light
from framematch.day.minutes import card_minutes_of, find_endurance, find_flights
from framematch.day.notes import Notes, up_words
from framematch.day.tilt import find_tilts
from framematch.day.values import DayPlan, Light, Tilts
from framematch.flight import air
from framematch.guide.report import Report, guide_report
from framematch.guide.shown import shown_in
from framematch.optics.exposure import marked
from framematch.shot.lenses import candidate_of, own_lens

DIFFERS = 0.1  # share by which today's figure may differ from the gap table's before it is said


def plan_day(day: Day, *, sets: int = 1) -> DayPlan:
    """Work the day out, with as many sets of lines as the pilot has.

    Raises:
        InputError: figures that contradict each other (a pitch that no drag gives, a log no rig flew).
    """
    pairing = day.pairing
    notes = Notes(system=day.units, impossible=[], warnings=[], unknown=[])
    with shown_in(day.units):  # what it warns of names distances
        report = guide_report(pairing, sets=sets)
    density = float(air.density_kg_m3(day.air.altitude_m, day.air.temperature_c))
    rig, fitted = rig_of(day, density)
    slope = slope_of_run_deg(day)
    tilts = find_tilts(day, rig, density, slope, notes)
    endurance = find_endurance(day, rig, fitted, density, slope, notes)
    card_minutes = card_minutes_of(day)
    flights, runs_out = find_flights(day, endurance, card_minutes, slope, notes)
    elevation = tilts.planned.recording_deg - tilts.pitch_deg if tilts else 0.0
    light = find_light(day, elevation, notes)
    if day.shot is not None:
        _against_gap_table(day, tilts, light, notes)
    distances = find_distances(day, report, elevation, notes)
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
        warnings=(*notes.warnings, *_of_lines(report)),
        unknown=tuple(notes.unknown),
    )


def _of_lines(report: Report) -> tuple[str, ...]:
    """What to know about the lines that are flown by."""
    if not report.sets:
        return report.warnings
    return tuple(f"Set {i}: {line[:1].lower()}{line[1:]}" for i, each in enumerate(report.sets, 1) for line in each.warnings)


def _against_gap_table(day: Day, tilts: Tilts | None, light: Light | None, notes: Notes) -> None:
    """Say where the gap's table was made for another stop, shutter, speed or aim than today's."""
    pairing, gap = day.pairing, day.shot
    assert gap is not None
    row = lens_row(pairing, gap, candidate_of(pairing, own_lens(pairing).focal_mm))
    if light is not None and light.chosen is not None and row.sharp is not None:
        for name, then, now in (("a near limit of", row.sharp.near_m, light.sharp_from_m), ("a far limit of", row.sharp.far_m, light.sharp_to_m)):
            if then != now and not abs(now / then - 1) <= DIFFERS:
                today = f"today it is {notes.length(now)} (f/{marked(light.chosen.f_number)})"
                notes.warnings.append(f"The gap table says {name} {notes.length(then)} (f/{marked(row.sharp.f_number)}); {today}.")
        if abs(light.airy_um / row.sharp.airy_um - 1) > DIFFERS:
            notes.warnings.append(
                f"The gap table's diffraction is {row.sharp.airy_um:.0f} µm (f/{marked(row.sharp.f_number)}); today it is {light.airy_um:.0f} µm."
            )
    if light is not None and day.run is not None:
        times = day.run.speed_m_s * light.found.shutter_s / (gap.run.speed_m_s * gap.run.shutter_s)
        if abs(times - 1) > DIFFERS:
            notes.warnings.append(
                f"Blur is {times:.2f} times what the gap table says: that is for {notes.speed(gap.run.speed_m_s)} and 1/{1 / gap.run.shutter_s:.0f} s."
            )
    if tilts is not None:
        looks = tilts.planned.recording_deg - tilts.pitch_deg
        if abs(looks - gap.run.tilt_deg) > 1:
            planned, today = up_words(gap.run.tilt_deg), up_words(looks)
            notes.warnings.append(f"The gap table is for a camera that looks {planned} in flight; with this tilt it looks {today}.")
