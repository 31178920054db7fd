"""The live views on a Streamlit page: parts that the browser fetches, and the view as small JSON beside them."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from framematch.live.offered import offered
from framematch.live.view import LiveView, Note, Place

HERE = Path(__file__).parent
BEFORE = {"live.js": ("shared.js", "placing.js")}  # what stands before a module's own text


def _text(name: str) -> str:
    return (HERE / name).read_text(encoding="utf-8")


def module_text(name: str) -> str:
    """A module of ours with what it shares with the others before it: Streamlit takes one text for each."""
    return "".join(_text(each) for each in (*BEFORE.get(name, ("shared.js",)), name))


@lru_cache(maxsize=1)
def part_component() -> Any:
    """What keeps a part for the views on its page."""
    import streamlit as st

    return st.components.v2.component("framematch_part", js=_text("part.js"))


@lru_cache(maxsize=1)
def _components() -> tuple[Any, Any]:
    import streamlit as st

    return (
        st.components.v2.component("framematch_note", js=_text("note.js")),
        st.components.v2.component("framematch_live", js=module_text("live.js"), css=_text("live.css")),
    )


def _nothing() -> None:
    pass


def live_views(
    view: LiveView, *, key: str, on_hand: Callable[[], None], on_cannot: Callable[[], None] = _nothing, on_placed: Callable[[], None] = _nothing
) -> None:
    """Put both views with their sliders on the page.

    Args:
        key: of the component; ``st.session_state[key]`` holds what :func:`hand_of`, :func:`cannot` and :func:`placed_of` read.
        on_hand: called when a slider was let go.
        on_cannot: called when the browser says that it can't draw, or can again.
        on_placed: called when something was placed in the look from outside.
    """
    import streamlit as st

    # In a list: of a table Streamlit asks pandas whether it is one of pandas' own, and pandas takes a second to read.
    part, live = part_component(), _components()[1]
    with st.container(key=f"{key}-parts"):  # nothing to see: a page may hide it
        for name, packed in (("scene", view.scene), ("rig", view.rig), ("path", view.path)):
            part(key=f"{key}-{name}", data=offered(packed), height="content")
    live(key=key, data=[{"key": key, **view.said()}], on_hand_change=on_hand, on_cannot_change=on_cannot, on_placed_change=on_placed)


def live_note(note: Note, *, key: str, whole: bool) -> None:
    """Give the views of a key what is said of their guide: what is known at once, and, in its place as soon as it comes, the whole.

    Args:
        whole: which of the two; each once in a run of the page.
    """
    import streamlit as st

    kind = "whole" if whole else "first"
    with st.container(key=f"{key}-note-{kind}"):
        _components()[0](
            key=f"{key}-{kind}", data=[{"key": key, "kind": kind, "of": note.of, "guide": note.guide, "numbers": list(note.numbers)}], height="content"
        )


@dataclass(frozen=True, kw_only=True)
class Hand:
    """What the hand did last: its count, and where it left both sliders."""

    n: int
    distance_m: float
    focal_mm: float | None


def hand_of(state: Mapping[str, Any] | None) -> Hand | None:
    """What the hand did last, from ``st.session_state[key]``; None as long as it did nothing, or not what a hand does."""
    said = state.get("hand") if state is not None else None
    if not isinstance(said, dict):
        return None
    n, distance, focal = said.get("n"), said.get("distance_m"), said.get("focal_mm")
    if not isinstance(n, int) or not isinstance(distance, int | float) or not (focal is None or isinstance(focal, int | float)):
        return None
    return Hand(n=n, distance_m=float(distance), focal_mm=None if focal is None else float(focal))


@dataclass(frozen=True, kw_only=True)
class Placed:
    """What was placed in the look from outside, scene axes, metres.

    Args:
        corners_m: two opposite corners of an opening, and where they were seen from; empty otherwise.
        point: index of the one of :class:`LiveView`'s points that was moved; None for a new one.
        at_m: where to.
    """

    corners_m: tuple[Place, ...] = ()
    point: int | None = None
    at_m: Place | None = None


def placed_of(state: Mapping[str, Any] | None) -> Placed | None:
    """What was placed, from ``st.session_state[key]``; None for nothing, or what no hand places."""
    said = state.get("placed") if state is not None else None
    if not isinstance(said, dict):
        return None
    corners = [_place(each) for each in said["corners"]] if isinstance(said.get("corners"), list) else []
    if len(corners) == 3 and None not in corners:
        return Placed(corners_m=tuple(each for each in corners if each is not None))
    point, at = said.get("point"), _place(said.get("at"))
    return None if at is None or not (point is None or isinstance(point, int)) else Placed(point=point, at_m=at)


def _place(said: Any) -> Place | None:
    if not isinstance(said, list) or len(said) != 3 or not all(isinstance(v, int | float) and math.isfinite(v) for v in said):
        return None
    x, y, z = (float(v) for v in said)
    return x, y, z


def cannot(state: Mapping[str, Any] | None) -> bool:
    """Whether the browser has said that it can't draw."""
    return bool(state is not None and state.get("cannot"))
