"""A picture that tells where it is clicked, and where what stands on it is moved to, by Streamlit's own means."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import streamlit as st

from framematch.page.look import picture_source

_HTML = '<div class="whole"><img></div>'
_CSS = """
.whole{position:relative;border-radius:4px;overflow:hidden}
img{width:100%;height:auto;display:block;background:#2a3136;cursor:crosshair}
button{position:absolute;width:44px;height:44px;margin:-22px 0 0 -22px;padding:0;border:0;background:none;cursor:grab;touch-action:none}
button b{display:block;width:26px;height:26px;margin:9px;border-radius:13px;color:#0b0e11;background:#ffe033;box-shadow:0 0 0 2px #0b0e11}
button b{font:600 13px/26px var(--st-font,sans-serif);text-align:center;overflow:hidden}
button.subject b{background:#8fdcff}
button.opening b{border-radius:3px;background:#fff}
button:active{cursor:grabbing}
button:focus-visible{outline:3px solid var(--st-primary-color);outline-offset:-4px;border-radius:22px}
"""
_JS = """
const REST_MS = 500; // arrow keys send once they rest
export default function({ parentElement, data, setTriggerValue }) {
  const whole = parentElement.querySelector(".whole"), picture = whole.querySelector("img");
  if (picture.src !== data.source) picture.src = data.source;
  picture.alt = data.alt;
  const inside = v => Math.min(Math.max(v, 0), 1);
  const share = event => {
    const box = picture.getBoundingClientRect();
    return [inside((event.clientX - box.left) / box.width), inside((event.clientY - box.top) / box.height)];
  };
  picture.onclick = event => setTriggerValue("place", share(event));
  const old = [...whole.querySelectorAll("button")];
  old.slice(data.handles.length).forEach(each => each.remove());
  data.handles.forEach((handle, which) => {
    const button = old[which] ?? whole.appendChild(document.createElement("button"));
    button.type = "button";
    button.className = handle.kind;
    button.innerHTML = "<b></b>";
    button.firstChild.textContent = handle.name;
    button.setAttribute("aria-label", handle.about);
    button.title = handle.about;
    let at = handle.at, held = false, moved = false;
    const show = () => { button.style.left = `${100 * at[0]}%`; button.style.top = `${100 * at[1]}%`; };
    const send = () => setTriggerValue("moved", { which, at });
    show();
    button.onpointerdown = event => { button.setPointerCapture(event.pointerId); held = true; moved = false; };
    button.onpointermove = event => { if (held) { at = share(event); moved = true; show(); } };
    button.onpointercancel = () => { held = false; at = handle.at; show(); };
    button.onpointerup = () => { if (held && moved) send(); held = false; };
    button.onkeydown = event => {
      const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (!by) return;
      event.preventDefault();
      at = at.map((v, i) => inside(v + by[i] * data.step[i]));
      show();
      clearTimeout(button.rest);
      button.rest = setTimeout(send, REST_MS);
    };
  });
}
"""


@dataclass(frozen=True, kw_only=True)
class Handle:
    """Something on the picture that can be moved.

    Args:
        name: what stands on it, a sign or two.
        about: what it is, in words.
        kind: ``point``, ``subject`` or ``opening``.
        at: shares across and down.
    """

    name: str
    about: str
    kind: str
    at: tuple[float, float]


@lru_cache(maxsize=1)
def _component() -> Any:
    return st.components.v2.component("framematch_picture", html=_HTML, css=_CSS, js=_JS)


def clicked_picture(
    picture: bytes,
    alt: str,
    key: str,
    take: Callable[[tuple[float, float]], None],
    *,
    handles: Sequence[Handle] = (),
    move: Callable[[int, tuple[float, float]], None] | None = None,
    step: tuple[float, float] = (0.01, 0.01),
) -> None:
    """Show a JPEG or PNG file.

    Args:
        take: called with each place clicked, shares across and down.
        handles: that stand on it.
        move: called with the index of one and where it was moved to.
        step: of an arrow key, shares across and down.
    """

    def placed() -> None:
        place = share(st.session_state.get(key, {}).get("place"))
        if place is not None:
            take(place)

    def moved() -> None:
        said = st.session_state.get(key, {}).get("moved")
        which, place = (said.get("which"), share(said.get("at"))) if isinstance(said, dict) else (None, None)
        if move is not None and place is not None and isinstance(which, int) and 0 <= which < len(handles):
            move(which, place)

    said = [{"name": h.name, "about": h.about, "kind": h.kind, "at": list(h.at)} for h in handles]
    data = {"source": picture_source(picture), "alt": alt, "handles": said, "step": list(step)}
    _component()(key=key, data=data, on_place_change=placed, on_moved_change=moved)


def share(place: Any) -> tuple[float, float] | None:
    """What the browser says of a click, if it makes sense."""
    try:
        x, y = (float(v) for v in place)
    except (TypeError, ValueError):
        return None
    return (x, y) if math.isfinite(x) and math.isfinite(y) and 0 <= x <= 1 and 0 <= y <= 1 else None
