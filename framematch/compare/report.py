"""The comparison in words and figures, worked out once for the command line, the sheet and the page."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import asdict, dataclass
from typing import Any

from framematch.cautions import CLEARANCE
from framematch.compare.props import TILTS_DEG
from framematch.compare.seen import Exit
from framematch.compare.table import AtDistance, Comparison, Row
from framematch.guide.report import plain
from framematch.guide.shown import amount, metres, quantity, signed, system, unit
from framematch.shot.opening import SIDES

NOTHING = "-"


@dataclass(frozen=True, kw_only=True)
class TextTable:
    """A table to print.

    Args:
        keys: how many leading columns say what a row is about: the lens, the subject, the distance.
        first: whether it is among those that a lens is chosen by.
    """

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    keys: int = 1
    first: bool = False

    @property
    def rows_to_print(self) -> tuple[tuple[str, ...], ...]:
        """The rows with a first cell left empty where it repeats the one above."""
        before = ("", *(row[0] for row in self.rows))
        return tuple(("" if row[0] == above else row[0], *row[1:]) for row, above in zip(self.rows, before, strict=False))


def text_tables(comparison: Comparison) -> tuple[TextTable, ...]:
    """Every table of the comparison, leaving out those with nothing to say."""
    made = [
        _frame(comparison),
        _shown(comparison),
        _edges(comparison),
        _feel(comparison),
        _subjects(comparison),
        _sharp(comparison),
        _guide(comparison),
        _props(comparison),
        _second(comparison),
    ]
    return tuple(table for table in made if table.rows)


def safety_lines(comparison: Comparison) -> tuple[str, ...]:
    """Room for the aircraft, and the caution that goes with it."""
    found = comparison.clearance
    return (CLEARANCE,) if found is None else (found.says, found.caution)


def plain_lines(comparison: Comparison) -> tuple[str, ...]:
    """What else is to be said in sentences: runs on which the gap is out of the frame, notes on lenses."""
    lines = []
    for row in comparison.rows:
        for far, near in row.out_of_frame_m:
            lines.append(f"{row.candidate.name}: no part of the gap is in the frame from {amount(far, 'm'):.1f} to {quantity(near, 'm', '.1f')} before it.")
    notes: dict[str, list[str]] = {}
    for row in comparison.rows:
        for note in row.notes:
            notes.setdefault(note, []).append(row.candidate.name)
    return (*lines, *(f"{', '.join(names)}: {note}." for note, names in notes.items()))


def _frame(c: Comparison) -> TextTable:
    rows = tuple(
        (
            row.candidate.name,
            f"{_f(row.angles.horizontal, 1)} x {_f(row.angles.vertical, 1)}",
            _f(row.equivalent_135_mm, 0),
            f"{_f(row.corner.along, 2)} x {_f(row.corner.across, 2)}",
            f"{_f(row.margin.pan_deg, 1)} / {_f(row.margin.tilt_deg, 1)} / {_f(row.margin.roll_deg, 1)}",
            NOTHING if row.candidate.weight_g is None else f"{amount(row.candidate.weight_g, 'g'):.{1 if system() == 'imperial' else 0}f}",
        )
        for row in c.rows
    )
    return TextTable(
        first=True,
        title="The frame",
        headings=("lens", "angles, deg", "full-frame equivalent, mm", "corner stretch", "pan / tilt / roll margin, deg", f"weight, {unit('g')}"),
        rows=rows,
        note="Corner stretch: how much larger a head is drawn in the corner, outwards x sideways. "
        f"Margins are what the stabiliser has at {c.pairing.keep_percent:g} % kept, each turn by itself; roll is the bank it can level.",
    )


def _shown(c: Comparison) -> TextTable:
    rows = tuple(
        (
            row.candidate.name,
            *(f"{' x '.join(_f(amount(v, 'm'), 2) for v in a.shown_m)} {unit('m')}, {_f(a.fill_percent, _digits(a.fill_percent))} %" for a in row.at),
        )
        for row in c.rows
    )
    return TextTable(
        first=True,
        title="What the frame shows at the gap, and how much of it is opening",
        headings=("lens", *(f"{metres(d)} before" for d in c.shot.run.distances_m)),
        rows=rows,
    )


def _edges(c: Comparison) -> TextTable:
    rows = tuple((row.candidate.name, *(_exit(e) for e in row.exits)) for row in c.rows)
    return TextTable(
        first=True,
        title="When the gap's edges leave the frame",
        headings=("lens", *SIDES),
        rows=rows,
        note=f"Distance before the gap, and time before passing it at {quantity(c.shot.run.speed_m_s, 'm/s', '.3g')}.",
    )


def _feel(c: Comparison) -> TextTable:
    rows = []
    for row in c.rows:
        for a in row.at:
            rows.append(
                (
                    row.candidate.name,
                    f"{metres(a.distance_m)} before",
                    _f(a.gap_speed, 2),
                    _f(a.ground_speed, 2),
                    NOTHING if math.isnan(a.blur_px) else f"{a.blur_percent:.1f} %, {a.blur_px:.0f} px",
                    _f(a.lean_deg, 1),
                )
            )
    return TextTable(
        title="How it moves: frame widths per second",
        headings=("lens", "", "gap's edges", "ground", "motion blur of the edges", "rolling-shutter skew, deg"),
        rows=tuple(rows),
        note=f"Motion blur over 1/{1 / c.shot.run.shutter_s:.0f} s. Ground: at the middle of the frame's lower edge."
        + ("" if c.pairing.recording.readout_ms is None else f" Skew: of the gap's upright edges, rows read in {c.pairing.recording.readout_ms:g} ms."),
        keys=2,
    )


def _subjects(c: Comparison) -> TextTable:
    rows = []
    for i, subject in enumerate(c.shot.subjects):
        for row in c.rows:
            rows.append((subject.name, row.candidate.name, *(_subject(a, i) for a in row.at)))
    return TextTable(
        title="Subjects: height in percent of the frame's, and speed in frame widths per second",
        headings=("subject", "lens", *(f"{metres(d)} before the gap" for d in c.shot.run.distances_m)),
        rows=tuple(rows),
        keys=2,
    )


def _subject(a: AtDistance, i: int) -> str:
    if math.isnan(a.subject_percent[i]):
        return "passed"
    return f"{a.subject_percent[i]:.0f} %, " + ("off the frame" if math.isnan(a.subject_speed[i]) else f"{a.subject_speed[i]:.2f}")


def _sharp(c: Comparison) -> TextTable:
    rows = []
    for row in c.rows:
        s = row.sharp
        if s is None:
            continue
        soft = [f"{n.name} at {_length(n.depth_m)}: {_f(n.spot_um, 0)} µm, {_f(n.spot_px, 1)} px{', soft' if n.circles > 1 else ''}" for n in s.nearest]
        rows.append((row.candidate.name, f"{_f(amount(s.near_m, 'm'), 2)} to {_distance(s.far_m)}", _length(s.hyperfocal_m), "; ".join(soft)))
    first = next((row.sharp for row in c.rows if row.sharp), None)
    return TextTable(
        title="Depth of field" + (f" at f/{first.f_number:g}, focused at {_distance(first.focus_m)}" if first else ""),
        headings=("lens", "from near limit to far limit", "hyperfocal", "nearest in the frame: size of a point"),
        rows=tuple(rows),
        note=f"Circle of confusion {first.circle_um:.1f} µm (frame diagonal / 1500). Diffraction alone makes {first.airy_um:.1f} µm." if first else "",
    )


def _guide(c: Comparison) -> TextTable:
    rows = tuple(
        (
            row.candidate.name,
            f"{_f(row.guide.rectangle_worst_percent, 1)} %",
            f"{_f(row.guide.outline_worst_percent, 1)} %",
            f"{_f(row.guide.unseen_percent, 0)} %",
        )
        for row in c.rows
        if row.guide
    )
    return TextTable(
        title=f"The guide in the goggles, {metres(c.pairing.near_m)} to {metres(c.pairing.far_m)}",
        headings=("lens", "rectangle off by", "outline off by", "border not seen"),
        rows=rows,
    )


def _props(c: Comparison) -> TextTable:
    if c.shot.aircraft is None or not (c.shot.aircraft.props or c.shot.aircraft.parts):
        return TextTable(title="", headings=(), rows=())
    rows = []
    for row in c.rows:
        p = row.props
        shown = "; ".join(f"{b.name} {_f(b.area_percent, 1)} % of the frame, {_f(b.reach_percent, 0)} % in from {' and '.join(b.sides)}" for b in p.in_shot)
        clear = ", ".join(f"{signed(low, 1)} to {signed(high, 1)}" for low, high in p.clear_tilts_deg if high - low >= 0.5)
        rows.append((row.candidate.name, shown or "none", "any" if p.clear_tilts_deg == (TILTS_DEG,) else clear or "none"))
    return TextTable(
        title=f"Propellers and airframe in the frame, camera tilted {c.shot.aircraft.camera_tilt_deg:g}°",
        headings=("lens", "in the frame", "clear at tilts, deg"),
        rows=tuple(rows),
        note="In from: how far it reaches into the frame, in percent of its height. Flexing arms and vibration are left out: keep some room.",
    )


def _second(c: Comparison) -> TextTable:
    if c.shot.second is None:
        return TextTable(title="", headings=(), rows=())
    rows = []
    for row, m in zip(c.rows, c.matches, strict=True):
        if m is None:
            rows.append((row.candidate.name, "none matches", *(NOTHING,) * 5))
            continue
        aim = NOTHING if m.tilt_deg is None else f"{signed(m.tilt_deg, 1)} / {signed(m.roll_deg, 1)}"
        rows.append(
            (
                row.candidate.name,
                f"{m.focal_mm:.2f} mm",
                signed(m.vertical_off_deg, 1),
                f"{m.pan_deg_s:.0f} deg/s",
                f"{m.blur_percent:.1f} %",
                quantity(m.height_m, "m", ".2f"),
                aim,
            )
        )
    w, h = c.shot.second.camera.sensor_mm
    return TextTable(
        first=True,
        title=f"Another camera for a hidden cut {metres(c.shot.second.at_m)} before the gap: {w:g} x {h:.4g} mm",
        headings=("lens", "its lens", "vertical, deg", "pan", "blur", "height", "tilt / roll, deg"),
        rows=tuple(rows),
        note=f"Same angle across; vertical: how much more it shows up and down. Pan: at 1/{1 / c.shot.second.shutter_s:.0f} s its blur is as long as the "
        "median blur of the gap's wall in this run's frame. Height above the ground, tilt and roll for the same horizon.",
    )


def _exit(e: Exit) -> str:
    if e.leaves_m is None:
        return "never in"
    if e.leaves_m == 0:
        return "stays"
    return f"{_length(e.leaves_m)}, {e.leaves_s:.2f} s"


def _distance(distance_m: float) -> str:
    return NOTHING if math.isnan(distance_m) else metres(distance_m)


def _length(length_m: float) -> str:
    return f"{_f(amount(length_m, 'm'), 2)} {unit('m')}"


def _f(value: float, digits: int) -> str:
    return NOTHING if not math.isfinite(value) else f"{value:.{digits}f}"


def _digits(value: float) -> int:
    return 0 if value >= 10 else 1


def comparison_json(comparison: Comparison) -> dict[str, Any]:
    """The comparison as plain data: ``inf`` as the string, what can't be given as None."""
    c = comparison
    data: dict[str, Any] = {
        "title": c.pairing.title,
        "gap": asdict(c.shot.opening),
        "run": asdict(c.shot.run),
        "subjects": [asdict(s) for s in c.shot.subjects],
        "lenses": [_row(c, row) for row in c.rows],
        "second_camera": [None if m is None else asdict(m) for m in c.matches],
        "clearance": None
        if c.clearance is None
        else {
            "side_cm": dict(c.clearance.side_cm),
            "closest_cm": c.clearance.closest_cm,
            "uncertainty_cm": c.clearance.uncertainty_cm,
            "fits": c.clearance.fits,
            "says": c.clearance.says,
            "caution": c.clearance.caution,
        },
    }
    out: dict[str, Any] = plain(data)
    return out


def _row(c: Comparison, row: Row) -> dict[str, Any]:
    lens = row.candidate.lens
    return {
        "name": row.candidate.name,
        "focal_mm": lens.focal_mm,
        "projection": lens.projection,
        "weight_g": row.candidate.weight_g,
        "angles_deg": asdict(row.angles),
        "equivalent_135_mm": row.equivalent_135_mm,
        "corner_stretch": {"along": row.corner.along, "across": row.corner.across},
        "margin_deg": {"pan": row.margin.pan_deg, "tilt": row.margin.tilt_deg, "roll": row.margin.roll_deg},
        "edges": {e.side: {"leaves_m": e.leaves_m, "leaves_s": e.leaves_s, "whole_until_m": e.whole_until_m} for e in row.exits},
        "gap_out_of_frame_m": [list(stretch) for stretch in row.out_of_frame_m],
        "at": [_at(c, a) for a in row.at],
        "sharp": None if row.sharp is None else {**asdict(row.sharp), "nearest": [asdict(n) for n in row.sharp.nearest]},
        "props": {
            "in_frame": [asdict(b) for b in row.props.in_shot],
            "total_percent": row.props.total_percent,
            "clear_tilts_deg": [list(t) for t in row.props.clear_tilts_deg],
        }
        if c.shot.aircraft is not None
        else None,
        "guide": None if row.guide is None else asdict(row.guide),
        "notes": list(row.notes),
    }


def _at(c: Comparison, a: AtDistance) -> dict[str, Any]:
    out = asdict(a)
    heights, speeds = out.pop("subject_percent"), out.pop("subject_speed")
    names = [s.name for s in c.shot.subjects]
    return {**out, "subjects": [{"name": n, "height_percent": h, "speed": v} for n, h, v in zip(names, heights, speeds, strict=True)]}


def comparison_csv(comparison: Comparison) -> str:
    """One line per lens and distance, for a spreadsheet; an empty cell where there is nothing to say."""
    lines = []
    for row in comparison.rows:
        for a in row.at:
            line: dict[str, Any] = {
                "lens": row.candidate.name,
                "focal_mm": row.candidate.lens.focal_mm,
                "horizontal_deg": row.angles.horizontal,
                "vertical_deg": row.angles.vertical,
                "equivalent_135_mm": row.equivalent_135_mm,
                "distance_m": a.distance_m,
                "shown_width_m": a.shown_m[0],
                "shown_height_m": a.shown_m[1],
                "gap_fill_percent": a.fill_percent,
                "gap_width_percent": a.width_percent,
                "gap_height_percent": a.height_percent,
                "gap_speed_widths_per_s": a.gap_speed,
                "ground_speed_widths_per_s": a.ground_speed,
                "blur_percent": a.blur_percent,
                "blur_px": a.blur_px,
                "lean_deg": a.lean_deg,
                "gap_spot_um": a.gap_spot_um,
            }
            for e in row.exits:
                line[f"{e.side}_leaves_m"] = e.leaves_m
            for i, (subject, height) in enumerate(zip(comparison.shot.subjects, a.subject_percent, strict=True), 1):
                line[f"subject_{i}_{subject.name}_height_percent"] = height
            sharp = row.sharp
            line["sharp_from_m"], line["sharp_to_m"] = (None, None) if sharp is None else (sharp.near_m, sharp.far_m)
            line["props_in_frame_percent"] = row.props.total_percent
            lines.append(line)
    out = io.StringIO()
    writer = csv.DictWriter(out, list(lines[0]), lineterminator="\n")
    writer.writeheader()
    for line in lines:
        writer.writerow({key: _cell(value) for key, value in line.items()})
    return out.getvalue()


def _cell(value: Any) -> Any:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    # A name that a spreadsheet would take for a formula is kept as text.
    return f"'{value}" if isinstance(value, str) and value[:1] in "=+-@" else value
