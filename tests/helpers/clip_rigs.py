"""The pairing that a flight of ``flown_clips`` was flown with, as in its file: the aim is straight ahead there. And how far its lines are off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from flown_clips import Eye, Flight

from framematch.files.pairing import parse_pairing
from framematch.geometry.pairing import Pairing
from framematch.guide.best import best_set_distance
from framematch.guide.tolerance import edge_places, frame_errors
from framematch.guide.transfer import to_display


@dataclass(frozen=True, kw_only=True)
class Known:
    """Half-widths of the 95 % intervals that the file states; with a seed its figures are off as those say, else they are exact.

    ``bend_percent``: of the image radius at the lens' end, ``decentred_percent``: Brown's p1 and p2, of the recording lens, times the tangent at its half
    width; no file states these.
    """

    offset_mm: float = 4.0
    focal_percent: float = 0.3
    centre_px: float = 0.5
    bend_percent: float = 0.0
    decentred_percent: float = 0.0
    seed: int | None = None

    def off(self, half_95: float, count: int, which: int) -> np.ndarray:
        """(count,) by how much figures are off."""
        return np.zeros(count) if self.seed is None else np.random.default_rng((self.seed, which)).normal(scale=half_95 / 1.96, size=count)


EXACT = Known()


def _camera(name: str, eye: Eye, known: Known) -> str:
    width, height = eye.size_px
    which = {"recording": 1, "monitoring": 2}[name]
    centre = np.array(eye.size_px) / 2 + known.off(known.centre_px, 2, 10 + which)
    focal = eye.focal_px * 24 / width * (1 + known.off(known.focal_percent, 1, 20 + which)[0] / 100)
    bend = eye.bend + known.off(known.bend_percent, 1, 40 + which)[0] / 100
    decentred = known.off(known.decentred_percent, 2, 50) / 100 * eye.focal_px / (width / 2)
    plain, bent = ("rectilinear", "brown-conrady") if eye.straight else ("equidistant", "kannala-brandt")
    tangential = f", p = {decentred.tolist()}" if eye.straight and decentred.any() else ""
    lens = f'distortion = {{ model = "{bent}", k = [{bend / eye.end**2}]{tangential} }}' if bend or tangential else f'projection = "{plain}"'
    return (
        f"[{name}]\nsensor_mm = [24.0, {24 * height / width}]\nraster_px = [{width}, {height}]\nfocal_mm = {focal}\ncentre_px = [{centre[0]}, {centre[1]}]\n"
        f"{lens}\nreadout_ms = {1000 * eye.readout_s}\n"
    )


def pairing_text(flight: Flight, *, keep_percent: float = 80.0, known: Known = EXACT) -> str:
    """The file: 24 mm wide sensors with the lenses that see as the flight's cameras do."""
    right, up, forward = np.array(flight.offset_mm) + known.off(known.offset_mm, 3, 30)
    return "\n".join(
        (
            'title = "Glasshouse, two clips"',
            "[shot]\ndistance_m = [3.0, 60.0]\n",
            _camera("recording", flight.recording, known),
            f"[recording.frame]\naspect = 1.85\nkeep_percent = {keep_percent}\n",
            _camera("monitoring", flight.monitoring, known),
            f"[mount]\noffset_mm = {{ right = {right}, up = {up}, forward = {forward} }}\n",
            f"[tolerance]\noffset_mm = {known.offset_mm}\naim_deg = 0.5\nfocal_percent = {known.focal_percent}\ncentre_px = {known.centre_px}\n",
        )
    )


def pairing_of(flight: Flight, *, keep_percent: float = 80.0, known: Known = EXACT) -> Pairing:
    """The file, read."""
    return parse_pairing(pairing_text(flight, keep_percent=keep_percent, known=known), name="rig.toml")


def lines_off_percent(rig: Pairing, true: Pairing, distance_m: float) -> float:
    """By how much the outline drawn for one pairing's range, the lines that were flown with, misses the frame of another at a distance: worst edge."""
    lines, _ = to_display(rig, edge_places(rig), 1 / best_set_distance(rig)[0])
    return float(np.nanmax(np.abs(frame_errors(true, lines, 1 / distance_m))))
