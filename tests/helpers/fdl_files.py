"""Framing files as a production hands them over, written with the standard's own library."""

from __future__ import annotations

from framematch.files.fdl import library

fdl = library()


def numbers(value) -> list[float]:
    if isinstance(value, dict):
        return [n for v in value.values() for n in numbers(v)]
    if isinstance(value, list):
        return [n for v in value for n in numbers(v)]
    return [float(value)] if isinstance(value, (int, float)) else []


def production(*, raster=(5760, 3036), squeeze=1.0, frames=((300.0, 400.5, 4800.0, 2000.0),), protection=None, effective=None) -> str:
    """An FDL file with some framing decisions (left, top, width, height) on one canvas, and one on another camera's."""
    document = fdl.FDL(uuid="6f3f8c1e-7f0e-4b52-9d0b-0c9d2c1a5f00", fdl_creator="production")
    for i in range(len(frames)):
        document.add_framing_intent(f"wide{i}", "12:5", fdl.DimensionsInt(width=12, height=5), 0.0)
    context = document.add_context("unit", "production")
    for number, size in enumerate((raster, (1920, 1080))):
        canvas = context.add_canvas(f"c{number}", f"camera {'AB'[number]}", f"c{number}", fdl.DimensionsInt(width=size[0], height=size[1]), squeeze)
        if effective and not number:
            canvas.set_effective(fdl.DimensionsInt(width=effective[2], height=effective[3]), fdl.PointFloat(x=effective[0], y=effective[1]))
        for i, (left, top, width, height) in enumerate(frames if not number else ((0.0, 140.0, 1920.0, 800.0),)):
            size_, place = fdl.DimensionsFloat(width=width, height=height), fdl.PointFloat(x=left, y=top)
            decision = canvas.add_framing_decision(f"c{number}-wide{i}", f"take {i + 1}", f"wide{i}", size_, place)
            if protection and not number and not i:
                decision.set_protection(fdl.DimensionsFloat(width=protection[2], height=protection[3]), fdl.PointFloat(x=protection[0], y=protection[1]))
    return str(document.as_json())
