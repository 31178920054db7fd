"""What a hand places in plan or in the look from outside, as changes of the shot."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from framematch.errors import InputError
from framematch.live.component import Placed
from framematch.live.view import Place
from framematch.page import session
from framematch.shot.opening import Opening
from framematch.shot.placing import opening_between, stretch_for


def can_place_opening() -> bool:
    """Whether the opening may stand anywhere: ours are built into their places, a scan has it wherever it is."""
    return session.draft().shot.place.file is not None


def opening_key() -> str:
    """The first opening's key in the text at hand."""
    return "opening.0" if session.draft().shot_file.opening else "gap"


def points() -> list[tuple[int, Place]]:
    """Every point of the path that has a place of its own, by its index."""
    course = session.draft().shot_file.path
    return [(i, each.at_m) for i, each in enumerate(course.point) if each.at_m is not None] if course else []


def take(said: Placed) -> None:
    """Take over what was placed in the look from outside; for callbacks."""
    if said.corners_m:
        one, other, eye = said.corners_m
        try:
            place_opening(opening_between(one, other, seen_from_m=eye))
        except InputError as error:
            session.note(f"Not placed. {error}", bad=True)
    elif said.at_m is not None and said.point is None:
        add_point(said.at_m)
    elif said.at_m is not None and said.point is not None and 0 <= said.point < len(points()):
        move_point(points()[said.point][0], said.at_m)


def place_opening(found: Opening) -> None:
    """Size, place and heading of the opening; how high it stands above the ground follows."""
    if not can_place_opening() or found.middle_m is None:
        return
    key = opening_key()
    values = {"size_m": [found.width_m, found.height_m], "middle_m": list(found.middle_m), "heading_deg": found.heading_deg, "sill_m": None}
    session.change(f"{key}.middle_m", {f"{key}.{name}": value for name, value in values.items()})


def move_opening(x_m: float, z_m: float) -> None:
    """The opening's middle in plan; its height stays."""
    middle = session.draft().shot.opening.middle_m
    if middle is not None and can_place_opening():
        session.change(f"{opening_key()}.middle_m", {f"{opening_key()}.middle_m": _short((x_m, middle[1], z_m))})


def move_point(index: int, at_m: Sequence[float]) -> None:
    """A point of the path."""
    session.change(f"path.point.{index}.at_m", {f"path.point.{index}.at_m": _short(at_m)})


def add_point(at_m: Sequence[float], *, level: bool = False) -> None:
    """One more point where it lengthens the path least; ``level``: as high as the one before it."""
    course = session.draft().shot_file.path
    if course is None or not course.point:
        return
    middle = session.draft().shot.opening.scene_from_opening.translation_m.tolist()
    places = [list(each.at_m or middle) for each in course.point]
    here = stretch_for(places, at_m)
    tables = [_plain(each.model_dump(exclude_none=True)) for each in course.point]
    new: dict[str, Any] = {"at_m": _short((at_m[0], places[here - 1][1], at_m[2]) if level else at_m)}
    if here == len(tables):  # the path now ends there, as it ended before
        new["speed_m_s"] = tables[-1].pop("speed_m_s", 0.0)
    session.change("path.point", {"path.point": [*tables[:here], new, *tables[here:]]})


def move_subject(index: int, x_m: float, z_m: float) -> None:
    """An subject in plan: beyond the opening and to the right of it."""
    opening = session.draft().shot.opening
    right, _, beyond = opening.scene_from_opening.inverse.points((x_m, 0.0, z_m)).tolist()
    session.change(f"subject.{index}.right_m", {f"subject.{index}.right_m": round(right, 2), f"subject.{index}.beyond_m": round(beyond, 2)})


def _short(point: Sequence[float]) -> list[float]:
    return [round(float(v), 2) + 0.0 for v in point]


def _plain(table: dict[str, Any]) -> dict[str, Any]:
    return {key: list(value) if isinstance(value, tuple) else value for key, value in table.items()}
