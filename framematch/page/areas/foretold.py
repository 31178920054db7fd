"""The recorded frame, foretold live from the goggles' picture."""

from __future__ import annotations

import math

import streamlit as st

from framematch.geometry.pairing import Pairing
from framematch.guide.report import Report
from framematch.guide.shown import as_spoken_here, metres
from framematch.live.foretold_part import foretold_part
from framematch.live.foretold_view import foretold_frame, foretold_said, source_of
from framematch.output.guide_drawing import span
from framematch.page import lines
from framematch.page.address import DISTANCES_M
from framematch.page.look import Colours, block, paragraph
from framematch.page.patience import Pulse
from framematch.page.views import distance_now
from framematch.render.keep import kept_by_value

KEY = "foretold"


def area(pairing: Pairing, colours: Colours, pulse: Pulse) -> None:
    """A source, and the frame that it foretells."""
    st.html(
        block(
            "<h2>The recorded frame, foretold</h2>"
            + paragraph("From the picture of the goggles or the ground station: a capture device on this computer, or a clip.", "quiet")
        )
    )
    sets = lines.sets_chosen(pairing)
    report = lines.lines_awaited(pairing, sets, pulse)
    st.fragment(as_spoken_here(_show))(pairing, report)


def _show(pairing: Pairing, report: Report) -> None:
    stops, sets = stops_of(pairing, report)
    part = _part(pairing, stops)
    near = min(range(len(stops)), key=lambda i: abs(stops[i] - distance_now()))
    said = foretold_said(pairing, part, stops, stop=near, sets=sets, source=source_of(st.session_state.get(KEY)))
    foretold_frame(said, part, key=KEY, on_source=lambda: None)


def stops_of(pairing: Pairing, report: Report) -> tuple[tuple[float, ...], list[tuple[str, int]]]:
    """Distances to choose from, those where each set of lines is exactly true among them, and each set's label and stop."""
    true = [each.guide.set_distance_m for each in report.each_set]
    reach = pairing.mount.forward_mm / 1000
    stops = tuple(sorted({*(d for d in DISTANCES_M if d > reach), *true, math.inf}))
    names = [f"Set {i}: {span(each.pairing.near_m, each.pairing.far_m)}" for i, each in enumerate(report.each_set, 1)]
    if len(names) == 1:
        names = [f"Where the guide is true: {metres(true[0])}"]
    return stops, [(name, stops.index(d)) for name, d in zip(names, true, strict=True)]


@kept_by_value(limit_bytes=24_000_000)
def _part(pairing: Pairing, stops: tuple[float, ...]) -> bytes:
    return foretold_part(pairing, stops)
