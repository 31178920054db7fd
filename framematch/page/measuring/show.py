"""Pieces that the measuring tasks show alike."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from html import escape
from typing import Any, TypeVar

import streamlit as st

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.guide.shown import amount, signed, unit
from framematch.measure.pictures import note
from framematch.page import session
from framematch.page.look import GONE, block, paragraph, picture_source
from framematch.page.measuring.found import Seen

Value = TypeVar("Value")
_CHOSEN, _ASKED, _HELD = "fm_measure_chosen", "fm_measure_asked", "fm_measure_held"
STYLE = """
<style>
.fm .stills{display:grid;grid-template-columns:repeat(auto-fill,minmax(150px,1fr));gap:.7rem .6rem;margin-top:.4rem}
.fm .stills figure{min-width:0}
.fm .stills img,.fm .whole img{width:100%;height:auto;display:block;border-radius:4px;background:#2a3136}
.fm .stills .blank{aspect-ratio:4/3;border-radius:4px;background:#2a3136}
.fm .stills figcaption{overflow-wrap:anywhere}
.fm .stills.pairs{grid-template-columns:repeat(auto-fill,minmax(280px,1fr))}
.fm .stills .two{display:grid;grid-template-columns:1fr 1fr;gap:.2rem;align-items:start}
.fm .whole figcaption{margin-bottom:.3rem}
.fm .whole.still{max-width:960px}
.fm .laid{display:grid;gap:.8rem;align-items:start}
.fm .laid.beside{grid-template-columns:repeat(auto-fit,minmax(min(340px,100%),1fr))}
.fm figcaption.fault{font-weight:600}
</style>
"""


def remembered(key: str, first: Value, field: Callable[[str], Value]) -> Value:
    """What a field holds, also after it was out of sight for a while, which Streamlit alone would forget.

    Args:
        key: of the field.
        first: what it holds at first.
        field: draws it, given its key.
    """
    chosen: dict[str, Any] = st.session_state.setdefault(_CHOSEN, {})
    if key not in st.session_state:
        st.session_state[key] = chosen.get(key, first)
    chosen[key] = field(key)
    value: Value = chosen[key]
    return value


def ask(task: str, key: Hashable, label: str, *, about: str, now: Any = None) -> Any:
    """A button, unless it was pressed for these very figures; then what was ``now`` when it was."""
    held, place = st.session_state.get(_ASKED, {}), st.empty()
    if held.get(task, (None, None))[0] == key:
        place.html(GONE)
        return held[task][1]
    place.button(label, type="primary", key=f"measure:{task}:go", help=about, on_click=_pressed, args=(task, key, now))
    return None


def last(task: str) -> Any:
    """The figures that the task's button was last pressed for, and what was ``now`` then; None if it never was."""
    return st.session_state.get(_ASKED, {}).get(task)


def _pressed(task: str, key: Hashable, now: Any) -> None:
    st.session_state[_ASKED] = {**st.session_state.get(_ASKED, {}), task: (key, now)}


def figure_row(label: str, value: float, half_95: float, unit: str = "") -> list[str]:
    """A row of a table: the value to as many places as two figures of its interval have."""
    if not (math.isfinite(value) and math.isfinite(half_95)):
        return [label, f"{value:.2f}{unit}" if math.isfinite(value) else "outside the image circle", "-"]
    places = 3 if half_95 <= 0 else min(6, max(0, 1 - math.floor(math.log10(half_95))))
    return [label, f"{value:.{places}f}{unit}", f"± {half_95:.{places}f}{unit}"]


def mount_row(name: str, before: float, value: float, half_95: float, digits: int) -> list[str]:
    """A row of a table: a figure of the mount as it was, as found, and its interval; offsets in the units that the page speaks."""
    way, _, of = name.rpartition("_")
    scale = amount(1.0, "mm") if of == "mm" else 1.0
    label = f"{way}, {unit('mm') if of == 'mm' else 'degrees'}"
    return [label, signed(before * scale, digits), signed(value * scale, digits), f"± {half_95 * scale:.{digits}f}"]


def whole(picture: bytes, caption: str, alt: str, kind: str = "") -> str:
    """A large picture with its caption above it."""
    return (
        f'<figure class="whole {kind}"><figcaption>{escape(caption)}</figcaption><img src="{picture_source(picture)}" alt="{escape(alt, quote=True)}"></figure>'
    )


def thumbs(seen: Sequence[Seen], unused: dict[str, str], rms_px: dict[str, float]) -> str:
    """Small pictures of all stills with what came of each.

    Args:
        seen: the stills.
        unused: why a still in which the chart was found is not used, by its name.
        rms_px: residual, root mean square, of each that is used.
    """
    out = []
    for each in seen:
        name = each.looked.name
        reason = each.looked.reason or unused.get(name, "")
        said = f"{name}: {note(each.looked)}" if each.looked.found and not reason else f"{name}: not used, {reason.rstrip('.')}"
        if not reason and name in rms_px:
            said += f", RMS {rms_px[name]:.2f} px"
        picture = f'<img src="{picture_source(each.thumb)}" alt="{escape(_alt(each), quote=True)}">' if each.thumb else '<div class="blank"></div>'
        out.append(f'<figure>{picture}<figcaption class="{"fault" if reason else ""}">{escape(said)}</figcaption></figure>')
    return f'<div class="stills">{"".join(out)}</div>'


def _alt(each: Seen) -> str:
    found = each.looked.found
    return f"Still {each.looked.name}, " + (f"a ring round each of the {len(found.ids)} corners found" if found else "no chart found in it")


def large(seen: Sequence[Seen], task: str) -> Seen | None:
    """One still large, by choice; gives which."""
    names = [each.looked.name for each in seen if each.large]
    if not names:
        return None
    first = next((each.looked.name for each in seen if each.large and each.looked.found), names[0])
    name = st.selectbox("Still shown large", names, names.index(first), key=f"measure:{task}:large", help="Each ring is a corner of the chart as it was found.")
    each = next(each for each in seen if each.looked.name == name)
    st.html(block(whole(each.large, f"{name}, {each.looked.size_px[0]} x {each.looked.size_px[1]} pixels: {note(each.looked)}", _alt(each), "still")))
    return each


def lines(warnings: Sequence[str], advice: Sequence[str] = ()) -> str:
    """What to know and what to do next."""
    said = [paragraph(f"Note: {plain(line)}.", "caution") for line in warnings]
    return "".join(said + [paragraph(f"Next: {line}.") for line in advice])


def held_with(task: str, stills: Hashable, pairing: Pairing) -> Pairing:
    """The pairing as it was when these stills were given: once what they show is taken over there is nothing left to find in them."""
    held: dict[str, tuple[Hashable, Pairing]] = st.session_state.setdefault(_HELD, {})
    if task not in held or held[task][0] != stills:
        held[task] = (stills, pairing)
    before = held[task][1]
    if before != pairing:
        about = "What is shown below is of the pairing as it was before it was changed."
        st.button("Go by the pairing as it is now", key=f"measure:{task}:again", on_click=_let_go, args=(task,), help=about)
    return before


def _let_go(task: str) -> None:
    st.session_state.get(_HELD, {}).pop(task, None)


def fault(error: InputError | str) -> None:
    """One line on what can't be done."""
    st.html(block(paragraph(plain(str(error)), "fault")))


def plain(text: str) -> str:
    """The core's words without the command line's options."""
    for option, words in _OPTIONS.items():
        text = text.replace(option, words)
    return text[:1].upper() + text[1:]


_OPTIONS = {
    " (--distance)": "",
    "Measure its bar and add --bar-mm": "Measure its 100 mm bar and type what it is",
    "--marks: ": "",
    "--distance: ": "Distance: ",
}


def use(label: str, key: str, group: str, values: dict[str, Any]) -> None:
    """A button that puts measured figures into the pairing; undo takes them out again."""
    from framematch.page.fields import fault as fault_of

    st.button(label, on_click=_use, args=(group, values), key=key, help="Undo brings the old figures back.")
    fault_of(group)


def _use(group: str, values: dict[str, Any]) -> None:
    session.change(group, values)
    if not session.draft().faults:
        session.note("The measured figures are in the pairing. Undo brings the old ones back.")
