"""A picture that tells where it is clicked, by Streamlit's own means."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from typing import Any

import streamlit as st

from framematch.page.measuring.show import source

_HTML = "<img>"
_CSS = "img{width:100%;height:auto;display:block;border-radius:4px;background:#2a3136;cursor:crosshair}"
_JS = """
export default function({ parentElement, data, setTriggerValue }) {
  const picture = parentElement.querySelector("img");
  if (picture.src !== data.source) picture.src = data.source;
  picture.alt = data.alt;
  picture.onclick = event => {
    const box = picture.getBoundingClientRect();
    setTriggerValue("place", [(event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height]);
  };
}
"""


@lru_cache(maxsize=1)
def _component() -> Any:
    return st.components.v2.component("framematch_picture", html=_HTML, css=_CSS, js=_JS)


def clicked_picture(picture: bytes, alt: str, key: str, take: Callable[[tuple[float, float]], None]) -> None:
    """Show a JPEG or PNG file; ``take`` is called with each place clicked, shares across and down."""

    def placed() -> None:
        place = share(st.session_state.get(key, {}).get("place"))
        if place is not None:
            take(place)

    _component()(key=key, data={"source": source(picture), "alt": alt}, on_place_change=placed)


def share(place: Any) -> tuple[float, float] | None:
    """What the browser says of a click, if it makes sense."""
    try:
        x, y = (float(v) for v in place)
    except (TypeError, ValueError):
        return None
    return (x, y) if math.isfinite(x) and math.isfinite(y) and 0 <= x <= 1 and 0 <= y <= 1 else None
