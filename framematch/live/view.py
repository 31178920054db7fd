"""What both live views show beside the pictures, as JSON has it: the sliders' stops, the guide, numbers and words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from framematch.live.parts import head_of

WORDS = {
    "wide": "What the goggles show at {at}, with the guide; what is really recorded is bright inside a thin white line. {numbers}",
    "frame": "What the recording camera's frame shows at {at}.",
    "outside": "The rig from outside at {at}: the recording camera's view in white, the monitoring camera's in dashed blue, the path and the opening.",
    "wide_caption": "In the goggles. Bright inside the white line: really recorded at {at}. Dim: not recorded.",
    "outside_caption": "From outside, at {at}: white, what is recorded; dashed blue, what the goggles show; dashed orange, the path; yellow, the opening."
    " Drag or use the arrow keys to look round, + and - to come nearer or go away.",
    "frame_caption": "As it is recorded at {at}: the frame after stabiliser and delivery shape.",
    "waiting": "The guide and its numbers follow when the slider is let go.",
}


@dataclass(frozen=True, kw_only=True)
class LiveView:
    """One state of both views.

    Args:
        scene, rig, path: packed parts.
        stops: what each stop of the distance slider is called, ``3 m``; as many as the path's part has.
        stop: that Python holds.
        numbers: for each stop, the guide's errors there in words.
        focals_mm: focal lengths, as focused, of the focal slider's stops; empty without a slider.
        focal_labels: as they are called.
        focal: stop of the focal slider that Python holds.
        focal_mm: of the recording lens as focused, for where there is no slider.
        guide: an SVG drawing's source for an image; empty without a guide.
        seen: the last count that the browser sent with what its hand did.
        server: sources of both pictures, drawn by the server, where the browser can't draw.
    """

    scene: bytes
    rig: bytes
    path: bytes
    stops: Sequence[str]
    stop: int
    numbers: Sequence[str] = ()
    focals_mm: Sequence[float] = ()
    focal_labels: Sequence[str] = ()
    focal: int = 0
    focal_mm: float
    guide: str = ""
    seen: int = 0
    server: tuple[str, str] | None = None

    def said(self) -> dict[str, Any]:
        """As the browser takes it: the parts by their ids."""
        rig = head_of(self.rig)
        return {
            "scene": head_of(self.scene)["id"],
            "rig": rig["id"],
            "path": head_of(self.path)["id"],
            "aspects": [rig["wide"]["aspect"], rig["frame"]["aspect"]],
            "stops": list(self.stops),
            "stop": self.stop,
            "numbers": list(self.numbers),
            "focals": [float(f) for f in self.focals_mm],
            "focal_labels": list(self.focal_labels),
            "focal": self.focal,
            "focal_mm": self.focal_mm,
            "guide": self.guide,
            "seen": self.seen,
            "words": WORDS,
            "server": list(self.server) if self.server else None,
        }
