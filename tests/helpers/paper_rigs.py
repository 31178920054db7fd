"""The glasshouse rig with another squeeze or frame."""

from __future__ import annotations

from dataclasses import replace

import rigs

from framematch.geometry.camera import frame_in
from framematch.geometry.pairing import Pairing


def glasshouse(*, squeeze: float = 1.0, aspect: float = 2.39, keep: float = 92.0, align: str = "centre") -> Pairing:
    """The rig of :func:`rigs.glasshouse`, framed otherwise."""
    rig = rigs.glasshouse()
    recording = replace(rig.recording, lens=replace(rig.recording.lens, squeeze=squeeze))
    frame = frame_in(recording.raster_px, squeeze=squeeze, aspect=aspect, keep_percent=keep, align=align)
    return replace(rig, recording=recording, frame=frame, keep_percent=keep)
