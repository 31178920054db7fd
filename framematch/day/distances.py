"""Where the aircraft could come down, who stands there, and who is in shot."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from framematch.day.given import Day, Person
from framematch.day.notes import Notes
from framematch.day.values import Distances, PersonAt
from framematch.errors import InputError
from framematch.flight import fall, ground
from framematch.geometry.pairing import Pairing
from framematch.guide.report import Report
from framematch.scene.model import Scene
from framematch.shot.place import Place
from framematch.shot.shot import Shot

Floats = NDArray[np.float64]


def find_distances(day: Day, report: Report, elevation_deg: float, notes: Notes) -> Distances | None:
    """Fall areas, people and walls in plan; None without points of the run."""
    pairing, run = day.pairing, day.run
    if run is None or not run.points_m:
        notes.unknown.append("Where it could come down: no run with points is given.")
        return None
    top = max(run.speed_range_m_s) if run.speed_range_m_s else run.speed_m_s
    top = max(top, run.speed_m_s)
    points = fall.along_run(run.points_m, speed_m_s=top, ground_m=day.place.ground_m)
    legs = np.diff(np.asarray(run.points_m), axis=0)
    climb = float(max(0.0, (top * legs[:, 2] / np.linalg.norm(legs, axis=1)).max()))
    lowered = tuple(replace(p, height_m=p.height_m - day.place.ground_m) for p in points)
    areas = ground.fall_areas(
        lowered,
        size_m=day.aircraft.span_m if day.aircraft else 0.6,
        margin_m=day.place.margin_m,
        wind_m_s=max(abs(day.air.headwind_m_s), day.air.gust_m_s),
        up_m_s=climb,
    )
    where = np.asarray(run.points_m, dtype=np.float64)
    people = tuple(_person(p, pairing, report, areas, where, elevation_deg) for p in day.people)
    for p in people:
        if p.in_straight:
            notes.warnings.append(f"{p.name} stands where the aircraft could come down straight on: move them, or the run.")
        elif p.in_round:
            notes.warnings.append(f"{p.name} stands where the aircraft could come down if it turns as it falls: move them farther off, or the run.")
        if p.seen and p.seen.ever_m and not p.in_picture:
            sure = p.seen.recorded_m is not None
            notes.warnings.append(f"{p.name} {'is in shot' if sure else 'may be in shot'} {_stretch(notes, p.seen.recorded_m or p.seen.ever_m)} into the run.")
    return Distances(run_m=where, points=points, areas=areas, people=people, walls=_walls(day, where, notes))


def _walls(day: Day, run_m: Floats, notes: Notes) -> tuple[Floats, ...]:
    """The scene in plan: what stands at the run's usual height, and at a person's knees."""
    name = day.place.scene
    if name is None:
        return ()
    try:
        scene = _scene(day, name)
    except InputError as error:
        raise InputError(error.problem, field="place.scene", fix=error.fix, file=error.file) from None
    except ImportError:
        notes.unknown.append("The scene is not drawn: what draws scenes is not installed (framematch[views]).")
        return ()
    surface = scene.surface
    heights = {float(np.median(run_m[:, 2])), 0.5}
    return tuple(line for h in sorted(heights) for line in ground.cut_through(surface.vertices, surface.faces, height_m=scene.ground_m + h))


def _scene(day: Day, name: str) -> Scene:
    from framematch.scene.open import scene_of
    from framematch.scene.registry import places

    shot = day.shot or Shot()
    if name in places():
        return scene_of(replace(shot, place=Place(scene=name)))
    if day.place.mesh is None:
        raise InputError(f"no scene {name!r}", fix=f"choose {', '.join(places())} or name a mesh file beside the day file")
    return scene_of(Shot(place=Place(file=day.place.mesh)))


def _stretch(notes: Notes, span: tuple[float, float]) -> str:
    first, last = (notes.length(s) for s in span)
    return first if first == last else f"{first} to {last}"


def _person(p: Person, pairing: Pairing, report: Report, areas: ground.FallAreas, run_m: Floats, elevation_deg: float) -> PersonAt:
    import shapely

    half = 0.3  # what a person takes up on the ground (practice)
    seen = ground.in_shot(pairing, report.areas.ever, points_m=run_m, at_m=p.at_m, height_m=p.height_m, camera_elevation_deg=elevation_deg)
    return PersonAt(
        name=p.name,
        at_m=p.at_m,
        in_picture=p.in_picture,
        in_straight=ground.inside(areas.straight, p.at_m, radius_m=half),
        in_round=ground.inside(areas.round, p.at_m, radius_m=half),
        clear_m=float(shapely.LineString(run_m[:, :2]).distance(shapely.Point(p.at_m))),
        seen=seen,
    )
