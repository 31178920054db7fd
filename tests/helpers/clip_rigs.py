"""The pairing that a flight of ``flown_clips`` was flown with, as in its file: the aim is straight ahead there. And how far its lines are off."""

from __future__ import annotations

import numpy as np
from flown_clips import Eye, Flight

from framematch.files.pairing import parse_pairing
from framematch.geometry.pairing import Pairing
from framematch.guide.best import best_set_distance
from framematch.guide.tolerance import edge_places, frame_errors
from framematch.guide.transfer import to_display


def _camera(name: str, eye: Eye) -> str:
    width, height = eye.size_px
    return (
        f"[{name}]\nsensor_mm = [24.0, {24 * height / width}]\nraster_px = [{width}, {height}]\nfocal_mm = {eye.focal_px * 24 / width}\n"
        f'projection = "{"rectilinear" if eye.straight else "equidistant"}"\nreadout_ms = {1000 * eye.readout_s}\n'
    )


def pairing_text(flight: Flight, *, keep_percent: float = 80.0) -> str:
    """The file: 24 mm wide sensors with the lenses that see as the flight's cameras do."""
    right, up, forward = flight.offset_mm
    return "\n".join(
        (
            'title = "Glasshouse, two clips"',
            "[shot]\ndistance_m = [3.0, 60.0]\n",
            _camera("recording", flight.recording),
            f"[recording.frame]\naspect = 1.85\nkeep_percent = {keep_percent}\n",
            _camera("monitoring", flight.monitoring),
            f"[mount]\noffset_mm = {{ right = {right}, up = {up}, forward = {forward} }}\n",
            "[tolerance]\noffset_mm = 4.0\naim_deg = 0.5\nfocal_percent = 0.3\ncentre_px = 0.5\n",
        )
    )


def pairing_of(flight: Flight, *, keep_percent: float = 80.0) -> Pairing:
    """The file, read."""
    return parse_pairing(pairing_text(flight, keep_percent=keep_percent), name="rig.toml")


def lines_off_percent(rig: Pairing, true: Pairing, distance_m: float) -> float:
    """By how much the outline drawn for one pairing's range, the lines that were flown with, misses the frame of another at a distance: worst edge."""
    lines, _ = to_display(rig, edge_places(rig), 1 / best_set_distance(rig)[0])
    return float(np.nanmax(np.abs(frame_errors(true, lines, 1 / distance_m))))
