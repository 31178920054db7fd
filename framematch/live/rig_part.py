"""A pairing for the browser: both cameras as tables, the recording camera's for a ladder of focal lengths."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from framematch.geometry.pairing import Pairing
from framematch.live.grids import WIDE_CELLS, Lensed, ladder, lensed
from framematch.live.parts import packed
from framematch.render.pixels import WIDEST
from framematch.render.sheet import DIM

_RUNG = math.sqrt(2)


def rig_part(pairing: Pairing, *, focals_mm: tuple[float, float] | None = None) -> bytes:
    """The pairing's part. A lens between two rungs is the rung below, spread from where its axis meets the picture, which is exact.

    Args:
        focals_mm: shortest and longest that the recording lens may be given while a hand moves, focused where it is;
            the part does not change with the pairing's own focal length as long as that lies between. None: only its own.
    """
    display, recording, mount = pairing.display, pairing.recording, pairing.mount
    shown = display.shown
    wide = lensed(pairing.display_camera, shown, WIDE_CELLS)
    own = recording.lens.focal_mm
    rungs = [own] if focals_mm is None else _rungs(*focals_mm)
    frames = ladder(recording, pairing.frame, rungs)
    w, h = display.raster_px
    frame_aspect = min(pairing.frame_aspect, WIDEST)
    head: dict[str, Any] = {
        "wide": {"aspect": min(w / h, WIDEST), "shown": [shown.left / w, shown.top / h, shown.right / w, shown.bottom / h], **_said(wide, WIDE_CELLS)},
        "frame": {"aspect": float(frame_aspect), "rungs": [_said(rung, (rung.rays.shape[1] - 1, rung.rays.shape[0] - 1)) for rung in frames]},
        "turn": mount.recording_from_monitoring.ravel().tolist(),
        "shift": mount.translation_m.tolist(),
        "dim": DIM,
    }
    arrays = {"wide.rays": wide.rays}
    for i, rung in enumerate(frames):
        arrays[f"frame.{i}.rays"], arrays[f"frame.{i}.table"] = rung.rays, rung.table
    return packed("rig", head, arrays)


def without_focal(pairing: Pairing) -> Pairing:
    """The pairing as far as :func:`rig_part` with a range depends on it, for keeping what was packed."""
    lens = replace(pairing.recording.lens, focal_mm=1.0)
    return Pairing(
        recording=replace(pairing.recording, lens=lens),
        frame=pairing.frame,
        monitoring=pairing.monitoring,
        display=pairing.display,
        mount=pairing.mount,
        near_m=math.inf,
    )


def _rungs(shortest_mm: float, longest_mm: float) -> list[float]:
    count = max(1, math.ceil(math.log(longest_mm / shortest_mm) / math.log(_RUNG) - 1e-9) + 1)
    return [shortest_mm * _RUNG**i for i in range(count)]


def _said(tables: Lensed, cells: tuple[int, int]) -> dict[str, Any]:
    return {
        "cells": list(cells),
        "end": tables.end_cos,
        "low": tables.low.tolist(),
        "high": tables.high.tolist(),
        "centre": np.asarray(tables.centre).tolist(),
        "focal": tables.focal_mm,
        "table": tables.table.shape[0],
    }
