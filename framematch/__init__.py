"""framematch: where the recorded frame lies on a wide monitoring picture, and how far off it can be.

What most programs need is here; each name is fetched when it is first used, so that importing the
package is instant:

    from framematch import guide_report, read_pairing
    report = guide_report(read_pairing("rig.toml"))
    print(report.guide.set_distance_m, report.guide.rectangle)

- ``read_pairing(path)``, ``parse_pairing(text)``: a :class:`Pairing` from a TOML file or its text.
- ``Pairing``, ``Camera``, ``Lens``, ``Mount``, ``Display``, ``Rect``, ``Tolerance``, ``frame_in``: build one in code.
- ``lens_from_angles(...)``: a lens from the angles of view that a spec sheet quotes.
- ``guide_report(pairing)``: the guide, its errors at each distance, always and ever areas, tolerance (:class:`Report`).
- ``report_json(report)``: all of it as plain data; ``overlay_files(report)``: overlays as bytes by file name.
- ``InputError``: what was handed over can't be used, in one plain line; nothing else is raised for bad input.

The modules hold the rest: ``framematch.guide.transfer``, ``framematch.render``, ``framematch.compare``, ``framematch.day``, ...
Figures are advice: what is recorded, not what is safe. Local aviation rules and the licensed remote pilot decide.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from framematch.errors import InputError
    from framematch.files.pairing import parse_pairing, read_pairing
    from framematch.geometry.camera import Camera, Display, Rect, frame_in
    from framematch.geometry.lens import Lens
    from framematch.geometry.mount import Mount
    from framematch.geometry.pairing import Pairing, Tolerance
    from framematch.geometry.quoted import lens_from_angles
    from framematch.guide.report import Report, guide_report, report_json
    from framematch.output.overlay import overlay_files

__version__ = "0.1.0"

_HOMES = {
    "Camera": "geometry.camera",
    "Display": "geometry.camera",
    "InputError": "errors",
    "Lens": "geometry.lens",
    "Mount": "geometry.mount",
    "Pairing": "geometry.pairing",
    "Rect": "geometry.camera",
    "Report": "guide.report",
    "Tolerance": "geometry.pairing",
    "frame_in": "geometry.camera",
    "guide_report": "guide.report",
    "lens_from_angles": "geometry.quoted",
    "overlay_files": "output.overlay",
    "parse_pairing": "files.pairing",
    "read_pairing": "files.pairing",
    "report_json": "guide.report",
}
__all__ = [
    "Camera",
    "Display",
    "InputError",
    "Lens",
    "Mount",
    "Pairing",
    "Rect",
    "Report",
    "Tolerance",
    "frame_in",
    "guide_report",
    "lens_from_angles",
    "overlay_files",
    "parse_pairing",
    "read_pairing",
    "report_json",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'framematch' has no attribute {name!r}")
    found = globals()[name] = getattr(importlib.import_module(f"framematch.{_HOMES[name]}"), name)
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
