"""Every figure of a worked-out day as plain data."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

from framematch.day.values import DayPlan
from framematch.guide.report import report_json


def plan_json(plan: DayPlan) -> dict[str, Any]:
    """The day as plain data, with the units in the keys; None for what the day file doesn't ask for.

    What was given stands under ``given``, the guide as ``framematch guide --json`` has it.
    """
    given = {f.name: _plain(getattr(plan.day, f.name)) for f in fields(plan.day) if f.name not in ("pairing", "gap", "folder")}
    worked_out = {f.name: _plain(getattr(plan, f.name)) for f in fields(plan) if f.name not in ("day", "report")}
    return {"title": plan.day.title, "given": given, "guide": report_json(plan.report), **worked_out}


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if hasattr(value, "geom_type"):  # an area: its rings
        return [np.asarray(ring.coords).tolist() for part in getattr(value, "geoms", [value]) for ring in (part.exterior, *part.interiors)]
    if isinstance(value, np.ndarray | np.generic):
        return _plain(value.tolist())
    if isinstance(value, dict):
        return {str(key): _plain(each) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(each) for each in value]
    return value if isinstance(value, (str, int, float, bool, type(None))) else str(value)
