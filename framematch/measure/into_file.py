"""Measured figures as values of a pairing file."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.files.pairing_text import camera_values
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Pairing
from framematch.measure.lens import LensFit
from framematch.measure.mount import MountFit
from framematch.text.toml import changed_text, parse_toml
from framematch.text.whole import read_text


def mount_values(mount: Mount) -> dict[str, Any]:
    """The mount table's keys."""
    return {
        "mount.offset_mm.right": round(mount.right_mm, 3),
        "mount.offset_mm.up": round(mount.up_mm, 3),
        "mount.offset_mm.forward": round(mount.forward_mm, 3),
        "mount.aim_deg.pan": round(mount.pan_deg, 4),
        "mount.aim_deg.tilt": round(mount.tilt_deg, 4),
        "mount.aim_deg.roll": round(mount.roll_deg, 4),
    }


def aim_values(mount: Mount) -> dict[str, Any]:
    """The mount table's keys of the aim alone."""
    return {key: value for key, value in mount_values(mount).items() if ".aim_deg." in key}


def lens_changes(fit: LensFit, which: str, before: Pairing) -> dict[str, Any]:
    """What measuring one lens changes in a pairing file.

    The tolerance's lens figures stand for both cameras, so they are only ever raised here: the other
    camera is as uncertain as it was.
    """
    focus = before.focus_m if which == "recording" else math.inf
    values = {f"{which}.{key}": value for key, value in camera_values(fit.camera, focus_m=focus).items()}
    t = before.tolerance
    values["tolerance.focal_percent"] = round(max(t.focal_percent, fit.focal_percent_95), 4)
    values["tolerance.centre_px"] = round(max(t.centre_px, fit.centre_px_95), 3)
    return values


def mount_changes(fit: MountFit, before: Pairing, lenses: tuple[LensFit, LensFit] | None) -> dict[str, Any]:
    """What measuring the mount changes in a pairing file, and both lenses if they were measured along with it."""
    half = {f.name: f.half_95 for f in fit.figures}
    values = mount_values(fit.mount)
    values["tolerance.offset_mm"] = round(max(half[n] for n in ("right_mm", "up_mm", "forward_mm")), 3)
    values["tolerance.aim_deg"] = round(max(half[n] for n in ("pan_deg", "tilt_deg", "roll_deg")), 4)
    if lenses is not None:
        for which, camera, focus in zip(("recording", "monitoring"), fit.cameras, (before.focus_m, math.inf), strict=True):
            values |= {f"{which}.{key}": value for key, value in camera_values(camera, focus_m=focus).items()}
        values["tolerance.focal_percent"] = round(max(f.focal_percent_95 for f in lenses), 4)
        values["tolerance.centre_px"] = round(max(f.centre_px_95 for f in lenses), 3)
        if before.tolerance.angle_deg:
            values["tolerance.angle_deg"] = 0.0
    return values


def changed_pairing(path: Path, values: dict[str, Any], *, kit: Path | None = None) -> str:
    """The text of a pairing file with measured values in it; comments and order stay.

    Raises:
        InputError: a table that would change comes from another file, or the result is no pairing.
    """
    text = read_text(path)
    data = parse_toml(text, name=str(path))
    for table in {key.split(".")[0] for key in values}:
        if isinstance(data.get(table), dict) and "use" in data[table]:
            raise InputError(f"comes from {data[table]['use']!r}", field=table, file=str(path), fix="write the measured table to that file, or copy it in here")
    after = changed_text(text, values)
    parse_pairing(after, name=str(path), folder=path.parent, kit=kit)
    return after


def camera_file(fit: LensFit, *, note: str) -> str:
    """A file of one camera table for a pairing to ``use``."""
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment(note))
    document.add(tomlkit.comment(f"{len(fit.used)} stills, RMS {fit.rms_px:.3f} px; half-widths of 95 % intervals:"))
    for figure in fit.figures:
        document.add(tomlkit.comment(f"  {figure.name} {figure.value:.6g} +- {figure.half_95:.2g}"))
    a, h = fit.angles, fit.angles_95
    document.add(tomlkit.comment(f"  angle of view {a.horizontal:.2f} +- {h.horizontal:.2f} degrees across, {a.vertical:.2f} +- {h.vertical:.2f} down"))
    for key, value in camera_values(fit.camera).items():
        if value is None:
            continue
        if isinstance(value, dict):
            inline = tomlkit.inline_table()
            inline.update(value)
            document.add(key, inline)
        else:
            document.add(key, value)
    return tomlkit.dumps(document)
