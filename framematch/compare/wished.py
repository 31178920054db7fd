"""Several wishes at once, answered for a comparison."""

from __future__ import annotations

from dataclasses import dataclass

from framematch.compare.table import Comparison, start_m
from framematch.compare.wishes import Answer, distance_for_subject, focal_for_edges, focal_for_fill, focal_for_subject, stop_for_near
from framematch.errors import InputError
from framematch.optics.sharpness import circle_mm
from framematch.shot.lenses import focus_of


@dataclass(frozen=True, kw_only=True)
class Wishes:
    """What is asked; None for what is not.

    Args:
        fill: percent of the frame that the gap should fill, and the distance before it.
        subject: percent of the frame's height for the first subject, and the distance before the
            gap, None to be told where that is with each lens.
        edges_until_m: distance until which all edges should stay whole in the frame.
        sharp_from_m: distance from which each lens should be sharp.
    """

    fill: tuple[float, float | None] | None = None
    subject: tuple[float, float | None] | None = None
    edges_until_m: float | None = None
    sharp_from_m: float | None = None


def answers(comparison: Comparison, wishes: Wishes) -> tuple[Answer, ...]:
    """An answer to each wish, in the order of :class:`Wishes`."""
    c, out = comparison, []
    if wishes.fill is not None and wishes.fill[1] is not None:
        out.append(focal_for_fill(c.pairing, c.shot.opening, c.shot.run, percent=wishes.fill[0], at_m=wishes.fill[1]))
    if wishes.subject is not None:
        if not c.shot.subjects:
            raise InputError("no subject given", field="subject", fix="add [[subject]] with height_m and beyond_m")
        percent, at_m = wishes.subject
        who = c.shot.subjects[0]
        if at_m is not None:
            out.append(focal_for_subject(c.pairing, c.shot.opening, c.shot.run, who, percent=percent, at_m=at_m))
        else:
            for row in c.rows:
                found = distance_for_subject(
                    row.camera, c.pairing.frame, c.shot.opening, c.shot.run, who, percent=percent, far_m=start_m(c.pairing, c.shot.run)
                )
                out.append(Answer(value=found.value, unit=found.unit, says=f"{row.candidate.name}: {found.says}"))
    if wishes.edges_until_m is not None:
        out.append(focal_for_edges(c.pairing, c.shot.opening, c.shot.run, until_m=wishes.edges_until_m))
    if wishes.sharp_from_m is not None:
        circle = circle_mm(frame_mm=c.pairing.frame_mm)
        for row in c.rows:
            focus = focus_of(c.pairing, row.candidate)
            out.append(stop_for_near(row.candidate, circle_mm=circle, focus_m=focus, near_m=wishes.sharp_from_m))
    return tuple(out)
