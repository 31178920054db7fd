"""What both live views show beside the pictures, as JSON has it: the sliders' stops, the guide, numbers and words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from framematch.guide.shown import amount, metres, unit
from framematch.live.parts import head_of

Place = tuple[float, float, float]  # scene axes, metres

WORDS = {
    "wide": "What the goggles show at {at}, with the guide; what is really recorded is bright inside a thin white line. {hidden} {numbers}",
    "frame": "What the recording camera's frame shows at {at}.",
    "outside": "The rig from outside at {at}: the recording camera's view in white, the monitoring camera's in dashed blue, the path and the opening.",
    "wide_caption": "In the goggles. Bright inside the white line: really recorded at {at}. Dim: not recorded. {hidden}",
    "hidden": "{percent} % of the frame is hidden from the recording camera by something nearer.",
    "outside_caption": "From outside, at {at}: white, what is recorded; dashed blue, what the goggles show; dashed orange, the path; yellow, the opening."
    " Drag or use the arrow keys to look round, + and - to come nearer or go away.",
    "frame_caption": "As it is recorded at {at}: the frame after stabiliser and delivery aspect ratio.",
    "waiting": "The guide and its numbers follow when the slider is let go.",
}


@dataclass(frozen=True, kw_only=True)
class Note:
    """What is said of a guide: the drawing over the goggles' view, and its numbers.

    Args:
        of: which guide, as :class:`LiveView` has it.
        guide: an SVG drawing's source for an image; empty without a guide.
        numbers: for each stop of the distance slider, the guide's errors there in words.
    """

    of: str
    guide: str = ""
    numbers: Sequence[str] = ()


@dataclass(frozen=True, kw_only=True)
class LiveView:
    """One state of both views.

    Args:
        scene, rig, path: packed parts.
        stops_m: distances of the distance slider's stops; as many as the path's part has.
        stop: that Python holds.
        focals_mm: focal lengths, as engraved, of the focal slider's stops; empty without a slider.
        focused_mm: the same as focused.
        focal: stop of the focal slider that Python holds.
        focal_mm: of the recording lens as focused, for where there is no slider.
        of: what the guide of this view is the guide of; notes of another wait or are past.
        seen: the last count that the browser sent with what its hand did.
        server: sources of both pictures, drawn by the server, where the browser can't draw.
        opening: whether the look from outside may place the opening.
        points: that may be moved there: a name of a sign or two, and the place.
    """

    scene: bytes
    rig: bytes
    path: bytes
    stops_m: Sequence[float]
    stop: int
    focals_mm: Sequence[float] = ()
    focused_mm: Sequence[float] = ()
    focal: int = 0
    focal_mm: float
    of: str = ""
    seen: int = 0
    server: tuple[str, str] | None = None
    opening: bool = False
    points: Sequence[tuple[str, Place]] = ()

    def said(self) -> dict[str, Any]:
        """As the browser takes it: the parts by their ids."""
        rig = head_of(self.rig)
        return {
            "scene": head_of(self.scene)["id"],
            "rig": rig["id"],
            "path": head_of(self.path)["id"],
            "aspects": [rig["wide"]["aspect"], rig["frame"]["aspect"]],
            "stops": [metres(d) for d in self.stops_m],
            "stops_m": list(self.stops_m),
            "stop": self.stop,
            "focals": list(self.focused_mm),
            "focals_mm": list(self.focals_mm),
            "focal_labels": [f"{f:g} mm" for f in self.focals_mm],
            "focal": self.focal,
            "focal_mm": self.focal_mm,
            "of": self.of,
            "seen": self.seen,
            "placing": {"opening": self.opening, "points": [{"name": name, "at": list(at)} for name, at in self.points]},
            "words": WORDS,
            "length": {"unit": unit("m"), "per_m": amount(1.0, "m")},
            "server": list(self.server) if self.server else None,
        }
