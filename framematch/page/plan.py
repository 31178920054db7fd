"""The shot seen from above, in which the opening, subjects and points of a path are placed by hand."""

from __future__ import annotations

from functools import partial
from typing import Any

import streamlit as st

from framematch.errors import InputError
from framematch.output.drawing import Inks
from framematch.output.plan_picture import Plan, plan_of
from framematch.page import placing, session
from framematch.page.clicked import Handle, clicked_picture
from framematch.page.inks import inks_of
from framematch.page.kept_choices import kept
from framematch.page.look import Colours, block, paragraph
from framematch.page.patience import Pulse, patiently
from framematch.page.pictures import built
from framematch.render.keep import kept_by_value
from framematch.shot.shot import Shot

POINT, OPENING = "a point of the path", "the opening"
STEP_M = 0.1  # of an arrow key


def show(colours: Colours, pulse: Pulse) -> None:
    """The plan with what can be moved in it."""
    shot = session.draft().shot
    can = [what for what, may in ((POINT, bool(placing.points())), (OPENING, placing.can_place_opening())) if may]
    try:
        plan = patiently(partial(_plan, shot, inks_of(colours)), pulse)
    except InputError as error:
        st.html(block(paragraph(f"No plan: {error}", "fault")))
        return
    places = [*_openings(), *_points(), *_subjects()]
    handles = [Handle(name=name, about=about, kind=kind, at=plan.share(x, z)) for name, about, kind, (x, z), _ in places]
    moves = [move for *_, move in places]
    what = st.radio("A click in the plan places", can, horizontal=True, **kept("plan:click", can[0])) if len(can) > 1 else next(iter(can), "")

    def clicked(share: tuple[float, float]) -> None:
        x, z = plan.at(share)
        if what == OPENING:
            placing.move_opening(x, z)
        elif what == POINT:
            placing.add_point((x, 0.0, z), level=True)

    def moved(which: int, share: tuple[float, float]) -> None:
        moves[which](*plan.at(share))

    step = STEP_M / plan.wide_m, STEP_M / plan.deep_m
    clicked_picture(plan.png, _alt(shot), "plan:picture", clicked, handles=handles, move=moved, step=step)
    own = ", the opening" if placing.can_place_opening() else ""
    st.html(
        block(
            paragraph(
                f"From above, walls cut at the opening's middle; up is ahead (-z), right is +x. Drag points, subjects{own}, or move them with the arrow keys. "
                "Heights are typed below.",
                "quiet",
            )
        )
    )


@kept_by_value(limit_bytes=12_000_000)
def _plan(shot: Shot, inks: Inks) -> Plan:
    return plan_of(shot, built(shot), inks)


_Placeable = tuple[str, str, str, tuple[float, float], Any]


def _openings() -> list[_Placeable]:
    if not placing.can_place_opening():
        return []
    x, _, z = session.draft().shot.opening.scene_from_opening.translation_m.tolist()
    return [("", "The opening's middle", "opening", (x, z), placing.move_opening)]


def _points() -> list[_Placeable]:
    def move(index: int, height_m: float, x: float, z: float) -> None:
        placing.move_point(index, (x, height_m, z))

    return [(str(i + 1), f"Point {i + 1} of the path", "point", (at[0], at[2]), partial(move, i, at[1])) for i, at in placing.points()]


def _subjects() -> list[_Placeable]:
    shot = session.draft().shot
    out: list[_Placeable] = []
    for i, subject in enumerate(session.draft().shot_file.subject):
        x, _, z = shot.opening.scene_from_opening.points(shot.subjects[i].points_m(shot.opening)[0]).tolist()
        out.append((subject.name[:1].upper(), subject.name, "subject", (x, z), partial(placing.move_subject, i)))
    return out


def _alt(shot: Shot) -> str:
    way = "the path" if shot.course is not None else "the straight run"
    return f"Plan of {shot.place.name} from above with {way}, the opening and {len(shot.subjects)} subjects. The fields below say the same in figures."
