"""The foretold frame on a Streamlit page: what its module is told, and what it says of its source."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.guide.foretold import Bars, inside_bars, source_fit
from framematch.guide.shown import metres
from framematch.live.component import HERE, module_text, part_component
from framematch.live.offered import offered
from framematch.live.parts import head_of

#: Shares of the picture's width and height. SMPTE ST 2046-1:2009: action 93 %, title 90 %; EBU R 95 leaves 3.5 % and 5 % at each edge, the same.
SAFE_AREAS = ((0.93, "action, 93 %"), (0.90, "title and graphics, 90 %"))
MOST_SIDE_PX = 16_384


@dataclass(frozen=True, kw_only=True)
class Source:
    """What the browser says of its source.

    Args:
        n: counts what it has said.
        size_px: of its pictures.
        not_black: what is not black in any of some pictures, None if all is.
    """

    n: int
    size_px: tuple[int, int]
    not_black: Bars | None


def source_of(state: Mapping[str, Any] | None) -> Source | None:
    """The source, from ``st.session_state[key]``; None without one, or if it is not what a source says."""
    said = state.get("source") if state is not None else None
    if not isinstance(said, dict):
        return None
    numbers = [said.get("n"), *(said.get("size") or ())]
    inside = said.get("inside")
    sides = [*(inside or ())]
    if len(numbers) != 3 or len(sides) not in (0, 4) or not all(isinstance(v, int) and 0 <= v <= MOST_SIDE_PX for v in (*numbers[1:], *sides)):
        return None
    n, width, height = numbers
    if not isinstance(n, int) or not width or not height or (sides and not (sides[0] < sides[2] <= width and sides[1] < sides[3] <= height)):
        return None
    return Source(n=n, size_px=(width, height), not_black=(sides[0], sides[1], sides[2], sides[3]) if sides else None)


def fit_said(pairing: Pairing, source: Source | None) -> dict[str, Any] | None:
    """How the source carries the display: ``share of source = scale * share of display + shift``, or in one line why it does not."""
    if source is None:
        return None
    try:
        fit = source_fit(pairing, source.size_px, bars=inside_bars(source.not_black, source.size_px) if source.not_black else None)
    except InputError as error:
        return {"n": source.n, "refused": str(error)}
    (width, height), (across, down) = source.size_px, pairing.display.raster_px
    scale = [fit.scale[0] * across / width, fit.scale[1] * down / height]
    return {"n": source.n, "scale": scale, "shift": [fit.shift_px[0] / width, fit.shift_px[1] / height]}


def foretold_said(
    pairing: Pairing, part: bytes, stops_m: Sequence[float], *, stop: int, sets: Sequence[tuple[str, int]], source: Source | None
) -> dict[str, Any]:
    """What the module is told.

    Args:
        stop: of ``stops_m`` to begin with.
        sets: a label and a stop for each set of lines.
    """
    return {
        "part": head_of(part)["id"],
        "title": pairing.title,
        "stops": [metres(d) for d in stops_m],
        "stop": stop,
        "sets": [{"label": label, "stop": at} for label, at in sets],
        "safe": [list(each) for each in SAFE_AREAS],
        "fit": fit_said(pairing, source),
    }


@lru_cache(maxsize=1)
def _component() -> Any:
    import streamlit as st

    return st.components.v2.component("framematch_foretold", js=module_text("foretold.js"), css=(HERE / "foretold.css").read_text(encoding="utf-8"))


def foretold_frame(said: dict[str, Any], part: bytes, *, key: str, on_source: Callable[[], None]) -> None:
    """Put the foretold frame on the page.

    Args:
        said: of :func:`foretold_said`.
        key: of the component; :func:`source_of` reads ``st.session_state[key]``.
        on_source: called when the browser has a source, or another one.
    """
    import streamlit as st

    with st.container(key=f"{key}-parts"):
        part_component()(key=f"{key}-part", data=offered(part), height="content")
    _component()(key=key, data=[said], on_source_change=on_source)
