"""Both views beside each other, drawn by the visitor's own browser; where it can't, by the server, one picture for each change."""

from __future__ import annotations

import hashlib
from contextlib import suppress
from dataclasses import replace
from functools import partial

import numpy as np
import streamlit as st
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.camera import Rect
from framematch.geometry.lens import Lens
from framematch.geometry.pairing import Pairing
from framematch.guide.best import EdgeErrors, edge_error_curve
from framematch.guide.report import Report, insets_px
from framematch.guide.shown import as_spoken_here, metres, system
from framematch.guide.transfer import EDGES
from framematch.live.component import cannot, hand_of, live_note, live_views, placed_of
from framematch.live.view import LiveView, Note
from framematch.output.guide_drawing import ALWAYS, EVER, OUTLINE, RECTANGLE, USUAL_PARTS, guide_drawing
from framematch.output.svg import drawing_svg
from framematch.page import placing, session
from framematch.page.address import DISTANCES_M, FIRST_DISTANCE_M
from framematch.page.files_made import stem
from framematch.page.lines import lines_awaited, lines_key, lines_of, overlays_of, sets_chosen
from framematch.page.live_parts import path_of, rig_of, scene_of
from framematch.page.long_work import stopped
from framematch.page.look import block, paragraph, picture_source, svg_source
from framematch.page.net import trouble
from framematch.page.patience import Pulse, patiently
from framematch.page.pictures import HEIGHT_PX, Wanted, pictures
from framematch.page.session import AREAS_SHOWN, CHOSEN_M, IMPERIAL
from framematch.page.tidy import tidy
from framematch.page.work import first_report
from framematch.render.keep import kept_by_value
from framematch.render.sheet import errors_in_words

LIVE = "views"
SHORTEST_MM, LONGEST_MM, FOCAL_STEP_MM = 4.0, 100.0, 0.5
FOCAL_KEY = "recording.focal_mm"
_ASKED, _ALONE = "fm_distance_asked", "fm_views_alone"  # whether an area shows the distance; whether the views alone follow the hand
KEY = (
    (RECTANGLE, "rectangle: straight sides", "rectangle"),
    (OUTLINE, "outline: as the frame bends", "outline"),
    (ALWAYS, "always in shot: at every distance", "always"),
    (EVER, "may be in shot: at some distance", "ever"),
)


def distance_now() -> float:
    """How far before the gap the rig stands, for an area; the guide does not depend on it."""
    st.session_state[_ASKED] = True
    return _distance()


def _distance() -> float:
    value: float = st.session_state.get(CHOSEN_M, FIRST_DISTANCE_M)
    return value


def focals_mm(focal: float | None) -> tuple[float, ...]:
    """Stops of the slider for the recording focal length, the one at hand among them; none for a lens by its angles."""
    if focal is None:
        return ()
    steps = [SHORTEST_MM + FOCAL_STEP_MM * i for i in range(round((LONGEST_MM - SHORTEST_MM) / FOCAL_STEP_MM) + 1)]
    return tuple(sorted({*steps, focal}))


def _hand_moved() -> None:
    """A slider was let go: take over what it says, if the page has such a stop."""
    hand, before = hand_of(st.session_state.get(LIVE)), session.draft().file.recording.focal_mm
    if hand is None:
        return
    if hand.distance_m in DISTANCES_M:
        st.session_state[CHOSEN_M] = hand.distance_m
    if hand.focal_mm != before and hand.focal_mm in focals_mm(before):
        session.change(FOCAL_KEY, {FOCAL_KEY: hand.focal_mm})
    else:
        st.session_state[_ALONE] = not st.session_state.get(_ASKED)


def _placed() -> None:
    said = placed_of(st.session_state.get(LIVE))
    if said is not None:
        placing.take(said)


class Pilot:
    """What a pilot types into the goggles, and the overlay: seen on a phone without scrolling."""

    def __init__(self) -> None:
        with st.container(horizontal=True, vertical_alignment="center", key="fm-pilot"):
            self.words, self.overlay = st.empty(), st.empty()

    def show(self, pairing: Pairing, sets: int) -> None:
        """What is known at once; the overlay is made when it is asked for."""
        with suppress(Exception):  # said where the guide is
            self.say(first_report(pairing))
        frames = tuple(range(len(pairing.frames)))
        self.overlay.download_button(
            "Overlay",
            as_spoken_here(lambda: overlays_of(pairing, sets, USUAL_PARTS, frames, ())["overlay.png"]),
            file_name=f"{stem(pairing)}-overlay.png",
            mime="image/png",
            key="pilot:overlay",
            on_click="ignore",
        )

    def say(self, report: Report) -> None:
        """The four numbers, and the characters once they are known."""
        display = report.pairing.display.raster_px
        insets = zip(EDGES, insets_px(report.guide.rectangle, display), strict=True)
        c = report.cells
        cells = "" if c is None else f"<li>OSD characters: columns <b>{c.left_column} {c.right_column}</b>, rows <b>{c.top_row} {c.bottom_row}</b></li>"
        self.words.html(
            block(
                f'<ul class="four" aria-label="Insets from each edge of the {display[0]} x {display[1]} picture, pixels">'
                + "".join(f"<li>{edge} <b>{value:.0f}</b></li>" for edge, value in insets)
                + f"<li>pixels of {display[0]} x {display[1]}</li>{cells}</ul>"
            )
        )


class Stage:
    """The place on the page where the views stand, and what they are to show."""

    def __init__(self) -> None:
        self.draft = draft = session.draft()
        self.pairing, self.shot, self.focal = draft.pairing, draft.shot, draft.file.recording.focal_mm
        self.alone, st.session_state[_ASKED], st.session_state[_ALONE] = False, False, False
        self.parts, self.sets, self.pulse, self.told = parts_shown(), sets_chosen(self.pairing), Pulse(), ""
        self.pilot, self.spot, self.wait, self.below = Pilot(), st.container(), st.container(), st.empty()

    def show(self) -> None:
        """Both views, then what is known of the guide at once."""
        with self.spot:
            st.fragment(as_spoken_here(self._live))()
            self.alone = True
            self._note(whole=False)
        self.pilot.show(self.pairing, self.sets)
        self._say()

    def _live(self) -> None:
        """Both views, in a whole run of the page or by themselves: then only where nothing else on the page follows what the hand did."""
        if self.alone and not (st.session_state.get(_ALONE) and session.draft() is self.draft):
            st.rerun()
        st.session_state[_ALONE] = False
        try:
            view = self._view()
        except Exception as error:
            if self.alone:
                st.rerun()
            self.told = trouble(error, "No pictures")
        else:
            live_views(view, key=LIVE, on_hand=_hand_moved, on_placed=_placed)
        if self.alone:
            session.told_in_address()
            tidy()

    def finish(self) -> None:
        """The whole guide, once it is worked out."""
        if stopped(lines_key(self.pairing, self.sets)):
            return
        with suppress(Exception), self.wait:  # said where the guide is
            self.pilot.say(lines_awaited(self.pairing, self.sets, self.pulse))
        with self.spot:
            self._note(whole=True)
        self._say()

    def _say(self) -> None:
        self.below.html(block(key_markup(self.parts) + (paragraph(self.told, "fault") if self.told else "")))

    def _of(self) -> str:
        """What a note is of: equal for the same guide drawn the same way."""
        return hashlib.sha256(repr((self.pairing, self.parts, self.sets, system())).encode()).hexdigest()[:16]

    def _note(self, *, whole: bool) -> None:
        try:
            found = patiently(partial(note_of, self.pairing, self.parts, self.sets, whole=whole), self.pulse)
        except Exception as error:
            self.told, found = trouble(error, "No guide"), Note(of="")
        live_note(replace(found, of=self._of()), key=LIVE, whole=whole)

    def _view(self) -> LiveView:
        distance, focals, state = _distance(), focals_mm(self.focal), st.session_state.get(LIVE)
        hand = hand_of(state)
        rig = rig_of(self.pairing, (focals[0], focals[-1]) if focals else None)
        return LiveView(
            scene=patiently(partial(scene_of, self.shot), self.pulse),
            rig=rig,
            path=path_of(self.shot, DISTANCES_M),
            stops_m=DISTANCES_M,
            stop=DISTANCES_M.index(distance),
            focals_mm=focals,
            focused_mm=_focused(self.pairing, focals, self.focal),
            focal=focals.index(self.focal) if self.focal is not None else 0,
            focal_mm=self.pairing.recording.lens.focal_mm,
            of=self._of(),
            seen=hand.n if hand else 0,
            server=self._pictures(distance) if cannot(state) else None,
            opening=placing.can_place_opening(),
            points=[(str(i + 1), at) for i, at in placing.points()],
        )

    def _pictures(self, distance_m: float) -> tuple[str, str]:
        found = patiently(partial(pictures, Wanted(pairing=self.pairing, shot=self.shot, distance_m=distance_m, height_px=HEIGHT_PX)), self.pulse)
        return picture_source(found.wide), picture_source(found.frame)


@kept_by_value(limit_bytes=4_000_000)
def note_of(pairing: Pairing, parts: tuple[str, ...], sets: int, *, whole: bool) -> Note:
    """A guide's drawing, and what it says at each of the page's distances."""
    report = lines_of(pairing, sets) if whole else first_report(pairing)
    return Note(of="", guide=svg_source(drawing_svg(guide_drawing(report, parts=parts))), numbers=numbers_of(report))


def numbers_of(report: Report) -> tuple[str, ...]:
    """The errors of a guide's rectangle at each of the page's distances, in words."""
    pairing, out = report.pairing, []
    for i, distance in enumerate(DISTANCES_M):
        at = metres(distance)
        set_ = report.serving(distance)
        errors = EdgeErrors(**{edge: float(curve[i]) for edge, curve in _curve_of(pairing, set_.guide.rectangle).items()})
        which = f" of set {report.sets.index(set_) + 1}" if report.sets else ""
        words = errors_in_words(errors)
        note = "" if pairing.near_m <= distance <= pairing.far_m else f" {at} lies outside the distances that this guide serves."
        out.append(f"Rectangle{which} at {at}: {words} (of the frame; a line outside it promises more than is recorded, inside less).{note}")
    return tuple(out)


@kept_by_value(limit_bytes=4_000_000)
def _curve_of(pairing: Pairing, rectangle: Rect) -> dict[str, NDArray[np.float64]]:
    return edge_error_curve(pairing, rectangle, DISTANCES_M)


def _focused(pairing: Pairing, focals: tuple[float, ...], own: float | None) -> tuple[float, ...]:
    """The focal lengths as the pairing's focus makes them; as engraved where a lens can't be focused so near."""
    if own is None:
        return focals
    lens = pairing.recording.lens
    found = _at_focus(replace(lens, focal_mm=1.0), pairing.focus_m, focals)
    scale = lens.focal_mm / found[focals.index(own)]
    return tuple(focal * scale for focal in found)


@kept_by_value(limit_bytes=1_000_000)
def _at_focus(lens: Lens, focus_m: float, focals: tuple[float, ...]) -> tuple[float, ...]:
    def at_focus(focal: float) -> float:
        try:
            return replace(lens, focal_mm=focal).focused(focus_m).focal_mm
        except InputError:
            return focal

    return tuple(at_focus(focal) for focal in focals)


def key_markup(parts: tuple[str, ...]) -> str:
    """What the lines over the goggles' view mean."""
    return '<div class="key">' + "".join(f'<span><i style="background:{colour}"></i>{text}</span>' for colour, text, part in KEY if part in parts) + "</div>"


def choices() -> None:
    """Whether the always and ever areas are drawn too, and the units of the whole page."""
    with st.container(horizontal=True, key="fm-choices"):
        st.checkbox(
            "Show what is always in shot and what may be in shot",
            key=AREAS_SHOWN,
            help="Always in shot: at every distance of the range; keep the subject inside. May be in shot: at some distance; keep out of it what must not be "
            "seen. Both allow for the tolerances given.",
        )
        st.checkbox(
            "Imperial units",
            key=IMPERIAL,
            help="Feet, miles an hour and pounds on the whole page and on what it prints. Optics stay metric, and so do the files that are saved.",
        )


def parts_shown() -> tuple[str, ...]:
    """What is drawn over the goggles' view."""
    usual = ("outline", "rectangle", "centre")
    return ("always", "ever", *usual) if st.session_state.get(AREAS_SHOWN) else usual
