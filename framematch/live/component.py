"""The live views on a Streamlit page: parts mounted once each as bytes, and the view as small JSON beside them."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

from framematch.live.view import LiveView

HERE = Path(__file__).parent


def _text(name: str) -> str:
    return (HERE / name).read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def _components() -> tuple[Any, Any]:
    import streamlit as st

    return (
        st.components.v2.component("framematch_part", js=_text("part.js")),
        st.components.v2.component("framematch_live", js=_text("live.js"), css=_text("live.css")),
    )


def live_views(view: LiveView, *, key: str, on_hand: Callable[[], None], on_cannot: Callable[[], None] = lambda: None) -> None:
    """Put both views with their sliders on the page.

    Args:
        key: of the component; ``st.session_state[key]`` holds ``hand``, a dict of ``n``, ``stop`` and ``focal``
            once a slider was let go, and ``cannot``, True where the browser can't draw.
        on_hand: called when a slider was let go.
        on_cannot: called when the browser says that it can't draw, or can again.
    """
    part, live = _components()
    for name, packed in (("scene", view.scene), ("rig", view.rig), ("path", view.path)):
        part(key=f"{key}-{name}", data=packed, height="content")
    live(key=key, data=view.said(), on_hand_change=on_hand, on_cannot_change=on_cannot)


def hand_of(state: Any) -> dict[str, int] | None:
    """What the hand did last, from ``st.session_state[key]``; None as long as it did nothing, or not what a hand does."""
    found = state.get("hand") if state is not None else None
    if not isinstance(found, dict) or not all(isinstance(found.get(name), int) for name in ("n", "stop", "focal")):
        return None
    return {name: found[name] for name in ("n", "stop", "focal")}
