"""Both views beside each other, following every control: coarse at once, sharp when the hand rests."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import partial
from html import escape
from itertools import chain

import streamlit as st

from framematch.geometry.pairing import Pairing
from framematch.guide.best import rectangle_errors
from framematch.guide.report import Report, metres
from framematch.output.guide_drawing import ALWAYS, EVER, OUTLINE, RECTANGLE, guide_drawing
from framematch.output.svg import drawing_svg
from framematch.page import session
from framematch.page.address import DISTANCES_M, FIRST_DISTANCE_M
from framematch.page.ahead import Job, Visitor, ahead
from framematch.page.draft import Draft, changed
from framematch.page.look import block, paragraph, svg_source
from framematch.page.net import trouble
from framematch.page.patience import Pulse, beside, patiently, rest
from framematch.page.pictures import COARSE_PX, SHARP_PX, Pictures, Wanted, at_hand, pictures, ready
from framematch.page.session import AREAS_SHOWN, CHOSEN_M
from framematch.page.work import first_report, report_of
from framematch.render.sheet import errors_in_words
from framematch.shot.shot import Shot

REST_S = 0.35  # without a change for so long, the hand rests
DISTANCE, FOCAL, MOVED, HAND_MOVES = "view:distance", "view:focal", "fm_moved", "fm_hand_moves"
SHORTEST_MM, LONGEST_MM, FOCAL_STEP_MM = 4.0, 100.0, 0.5
STEPS_WHILE_MOVING, STEPS_AT_REST = 2, 12
FOCAL_KEY = "recording.focal_mm"


def distance_now() -> float:
    """How far before the gap the rig stands; the guide does not depend on it."""
    value: float = st.session_state.get(CHOSEN_M, FIRST_DISTANCE_M)
    return value


def distance_slider() -> None:
    """The distance under the hand."""
    session.hold(DISTANCE, distance_now(), under_hand=True)
    st.select_slider(
        "Distance to what is filmed, m",
        DISTANCES_M,
        key=DISTANCE,
        format_func=lambda d: f"{d:g}",
        help="From the recording lens, straight ahead, to the plane of the gap. Both views and the errors below them follow.",
        on_change=_distance_moved,
    )


def focal_slider() -> None:
    """The recording lens's focal length under the hand; the same figure as in the pairing's field."""
    file = session.draft().file
    focal = file.recording.focal_mm
    if focal is None:
        return
    session.hold(FOCAL, float(focal), under_hand=True)
    st.slider(
        "Recording focal length, mm",
        min(SHORTEST_MM, focal),
        max(LONGEST_MM, focal),
        step=FOCAL_STEP_MM,
        key=FOCAL,
        format="%.1f",
        help="As engraved on the lens. Guide and views follow; the pairing's field follows too.",
        on_change=_focal_moved,
    )


def _distance_moved() -> None:
    before, now = distance_now(), st.session_state[DISTANCE]
    st.session_state[CHOSEN_M] = now
    _moved(DISTANCE, now - before)


def _focal_moved() -> None:
    before, now = session.draft().file.recording.focal_mm, float(st.session_state[FOCAL])
    with ahead.waiting():
        session.change(FOCAL_KEY, {FOCAL_KEY: now})
    _moved(FOCAL, now - (before or now))


def _moved(slider: str, by: float) -> None:
    st.session_state[MOVED], st.session_state[HAND_MOVES] = (slider, 1 if by >= 0 else -1), True


class Stage:
    """The place on the page where the views stand, and the shot it is to show."""

    def __init__(self, pairing: Pairing, shot: Shot, distance_m: float, parts: tuple[str, ...]) -> None:
        self.pairing, self.shot, self.distance_m, self.parts = pairing, shot, distance_m, parts
        self.spot = st.empty()
        self.pulse = Pulse()
        self.sharp, self.trouble = False, ""
        self.report: Report | None = None
        self.hand_moves: bool = st.session_state.pop(HAND_MOVES, False)

    def wanted(self, height_px: int) -> Wanted:
        return Wanted(pairing=self.pairing, shot=self.shot, distance_m=self.distance_m, height_px=height_px)

    def show(self) -> None:
        """Show at once what can be had at once."""
        with ahead.waiting():
            guide = beside(lambda: self._guide(first_report))
            found = at_hand(self.wanted(SHARP_PX))
            self.sharp = found is not None
            if found is None and ready(self.shot):
                found = self._drawn(COARSE_PX)
            self.report = guide()
            self._put(found)

    def _guide(self, report: Callable[[Pairing], Report]) -> Report | None:
        try:
            return report(self.pairing)
        except Exception as error:
            self.trouble = trouble(error, "No guide")
            return None

    def _drawn(self, height_px: int) -> Pictures | None:
        try:
            return pictures(self.wanted(height_px))
        except Exception as error:
            self.trouble, self.sharp = trouble(error, "No pictures"), True
            return None

    def rest(self) -> None:
        """Wait until the hand that moves a slider rests: what takes long would only keep its next step waiting."""
        if self.hand_moves:
            self.work_ahead(STEPS_WHILE_MOVING)
            rest(REST_S, self.pulse)

    def work_ahead(self, steps: int, *, both: bool = False) -> None:
        """Have what the next steps of the slider, or of both, will ask for made while nobody waits."""
        if ready(self.shot):
            ahead.wish(visitor(), next_steps(self, steps, both=both))

    def sharpen(self) -> None:
        """When the hand rests, put the sharp pictures and the whole guide in place of the first ones."""
        if not self.sharp and not self.hand_moves:
            rest(REST_S if ready(self.shot) else 0.0, self.pulse)
        self.report = patiently(lambda: self._guide(report_of), self.pulse)
        with ahead.waiting():
            found = patiently(lambda: self._drawn(SHARP_PX), self.pulse)
        self._put(found)

    def _put(self, found: Pictures | None) -> None:
        self.spot.html(block(views_markup(self.pairing, found, self.report, self.distance_m, self.parts, self.trouble)))


def views_markup(pairing: Pairing, found: Pictures | None, report: Report | None, distance_m: float, parts: tuple[str, ...], trouble: str) -> str:
    """Both pictures with what is drawn over them and what they show in words."""
    width, height = pairing.display.raster_px
    frame_aspect = pairing.frame_mm[0] * pairing.recording.lens.squeeze / pairing.frame_mm[1]
    guide = svg_source(drawing_svg(guide_drawing(report, parts=parts))) if report else ""
    errors = errors_in_words(rectangle_errors(pairing, report.guide.rectangle, distance_m)) if report else ""
    over = f'<img class="guide" src="{guide}" alt="">' if guide else ""
    at = metres(distance_m)
    said = f" Guide sides here: {errors}." if errors else ""
    wide = _figure(
        width / height,
        found.wide if found else None,
        over,
        f"What the goggles show at {at}, with the guide; what is really recorded is bright inside a thin white line.{said}",
        f"<b>In the goggles.</b> Bright inside the white line: really recorded at {at}. Dim: not recorded."
        + (f" {found.hidden_percent:.1f} % of it is hidden from the recording lens." if found and found.hidden_percent >= 0.05 else ""),
        "wide",
        found.height_px if found else 0,
    )
    frame = _figure(
        frame_aspect,
        found.frame if found else None,
        "",
        f"What the recording camera's frame shows at {at}.",
        f"<b>As it is recorded</b> at {at}: the frame after stabiliser and delivery shape.",
        "frame",
        found.height_px if found else 0,
    )
    parts_key = [(RECTANGLE, "rectangle: straight sides", "rectangle"), (OUTLINE, "outline: as the frame bends", "outline")]
    parts_key += [(ALWAYS, "always: recorded at every distance", "always"), (EVER, "ever: recorded at some distance", "ever")]
    key = "".join(f'<span><i style="background:{colour}"></i>{text}</span>' for colour, text, part in parts_key if part in parts)
    range_note = "" if pairing.near_m <= distance_m <= pairing.far_m else f" {at} lies outside the distances that this guide serves."
    words = f"Rectangle at {at}: {errors} (of the frame; loose promises more than is recorded, tight less).{range_note}" if errors else ""
    return (
        f'<div class="views">{wide}{frame}</div><div class="key">{key}</div>'
        + paragraph(words, "big" if not range_note else "big caution")
        + (paragraph(trouble, "fault") if trouble else "")
    )


def _figure(aspect: float, jpeg: bytes | None, over: str, alt: str, caption: str, name: str, height_px: int) -> str:
    image = (
        f'<img class="photo" decoding="sync" src="data:image/jpeg;base64,{base64.b64encode(jpeg).decode()}" alt="{escape(alt, quote=True)}">' if jpeg else ""
    )
    waiting = "" if jpeg else '<p style="position:absolute;inset:auto 0 45% 0;text-align:center;color:#fff">Drawing the view …</p>'
    return (
        f'<figure style="flex:{aspect:.4f} 1 0" data-view="{name}" data-height="{height_px}">'
        f'<div class="picture" style="aspect-ratio:{aspect:.4f}">{image}{waiting}{over}</div><figcaption>{caption}</figcaption></figure>'
    )


def visitor() -> Visitor:
    """Whose page this is, for what is drawn ahead."""
    found: Visitor = st.session_state.setdefault("fm_visitor", Visitor())
    return found


def next_steps(stage: Stage, most: int, *, both: bool) -> Iterator[Job]:
    """What the next steps of the slider that was moved last will ask for, by nearness; of both, the other's first steps too."""
    moved, onwards = st.session_state.get(MOVED, (DISTANCE, 1))
    draft, coarse = session.draft(), stage.wanted(COARSE_PX)
    focal = draft.file.recording.focal_mm
    i = DISTANCES_M.index(stage.distance_m)

    def distances(steps: Iterable[int]) -> Iterator[Job]:
        return (partial(pictures, replace(coarse, distance_m=DISTANCES_M[i + n])) for n in steps if 0 <= i + n < len(DISTANCES_M))

    def focals(steps: Iterable[int]) -> Iterator[Job]:
        if focal is not None:
            yield from (partial(_with_focal, draft, coarse, focal, n) for n in steps if SHORTEST_MM <= focal + n * FOCAL_STEP_MM <= LONGEST_MM)

    this, other = (distances, focals) if moved == DISTANCE else (focals, distances)
    steps = [n * onwards for n in _by_nearness(most)]
    return chain(this(steps[:2]), other((1, -1)), this(steps[2:])) if both else this(steps)


def _by_nearness(most: int) -> Iterator[int]:
    """Steps away from here: onwards first, and twice as far onwards as back."""
    for n in range(1, most + 1):
        yield n
        if n % 2 == 0:
            yield -(n // 2)


def _with_focal(draft: Draft, wanted: Wanted, focal_mm: float, steps: int) -> None:
    """What stands ready when the slider has been moved some steps, each from the one before as the hand will do it."""
    way = 1 if steps > 0 else -1
    for n in range(way, steps + way, way):
        draft = changed(draft, FOCAL_KEY, {FOCAL_KEY: focal_mm + n * FOCAL_STEP_MM})
    if not draft.faults:
        first_report(draft.pairing)
        pictures(replace(wanted, pairing=draft.pairing))


def areas_box() -> None:
    """Whether the always and ever areas are drawn too."""
    st.checkbox(
        "Show what is always and what is ever recorded",
        key=AREAS_SHOWN,
        help="Always: at every distance of the range; keep the subject inside. Ever: at some distance; keep out of it what must not be seen. "
        "Both allow for the tolerances given.",
    )


def parts_shown() -> tuple[str, ...]:
    """What is drawn over the goggles' view."""
    usual = ("outline", "rectangle", "centre")
    return ("always", "ever", *usual) if st.session_state.get(AREAS_SHOWN) else usual
