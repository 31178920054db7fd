"""The guide: what to type into the goggles, how far it is off, and its files."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial

import streamlit as st

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.guide.report import Report, insets_percent, insets_px
from framematch.guide.shown import as_spoken_here, metres, signed
from framematch.guide.transfer import EDGES
from framematch.guide.turning import turn_words
from framematch.guide.words import change_words
from framematch.output.error_chart import edges_error_chart
from framematch.output.guide_drawing import PARTS, USUAL_PARTS, span
from framematch.output.svg import drawing_svg
from framematch.page import fields, lines, session
from framematch.page.files_made import stem
from framematch.page.kept_choices import kept
from framematch.page.look import CHART, Colours, block, drawing, paragraph, table
from framematch.page.patience import Pulse, patiently
from framematch.page.work import error_curve, report_of
from framematch.render.keep import kept_by_value

PART_NAMES = {
    "rectangle": "rectangle: straight sides",
    "outline": "outline: as the frame bends",
    "always": "always in shot: at every distance",
    "ever": "may be in shot: at some distance",
    "cells": "best rows and columns of characters",
    "centre": "centre cross",
    "label": "label: range and error",
}
CAUTION = (
    "The guide shows where the frame lies, not what is safe. Check it on the bench with the rig's own pictures before you rely on it, and keep people "
    "out of what may be in shot if they must not be seen."
)
FILES = (("overlay.png", "Overlay PNG", "image/png"), ("overlay.svg", "Overlay SVG", "image/svg+xml"), ("guide.json", "Figures JSON", "application/json"))


def area(pairing: Pairing, colours: Colours, pulse: Pulse) -> None:
    """All about the guide for the pairing's range."""
    try:
        report = patiently(lambda: report_of(pairing), pulse)
    except InputError as error:
        st.html(block(paragraph(f"No guide: {error}", "fault")))
        return
    numbers, curve = st.columns([1, 1], gap="large")
    with numbers:
        figures = st.container()
        for column, field in zip(st.columns(2), (fields.NEAR, fields.FAR), strict=True):
            with column:
                fields.number(field, beside=field is fields.NEAR)
        far = session.draft().file.shot.distance_m[1]
        st.checkbox(
            "Farthest is infinity",
            value=math.isinf(far),
            key=f"range:inf:{math.isinf(far)}",
            on_change=_to_infinity,
            args=(not math.isinf(far),),
            help="The guide then also serves the horizon.",
        )
        sets, frames = lines.sets_choice(pairing), lines.frames_choice(pairing)
        report = lines.lines_awaited(pairing, sets, pulse)
    with figures:
        st.html(block(insets_markup(report, frames)))
    with curve:
        st.html(block(_curve(report, colours), kind="chart"))
    st.html(block(_errors(report, frames) + _warnings(report)))
    _downloads(pairing, report, sets, frames)
    st.html(block(paragraph(CAUTION, "caution")))


def insets_markup(report: Report, frames: Sequence[int] = (0,)) -> str:
    """The figures to type, large: for each set of lines and each frame shown."""
    if not report.sets and len(report.pairing.frames) == 1:
        return "<h2>Type into the goggles</h2>" + _insets(report)
    rows, notes = [], []
    for number, one in enumerate(report.each_set, 1):
        for i in frames:
            each, display = one.each_frame[i], report.pairing.display.raster_px
            set_ = f"Set {number}, {span(one.pairing.near_m, one.pairing.far_m)}" if report.sets else ""
            name = report.pairing.frames[i].name if len(report.pairing.frames) > 1 else ""
            of, r, c = ", ".join(filter(None, (set_, name))), each.guide.rectangle, each.cells
            rows.append([of, *(f"{v:.0f}" for v in insets_px(r, display)), f"{each.guide.rectangle_worst_error_percent:.1f} %"])
            rows.append(["percent", *(f"{v:.1f}" for v in insets_percent(r, display)), ""])
            if c is not None:
                notes.append(f"{of}: columns {c.left_column} and {c.right_column}, rows {c.top_row} and {c.bottom_row}")
    wide, high = report.pairing.display.raster_px
    cells = report.pairing.text_cells
    return (
        "<h2>Type into the goggles</h2>"
        + table(["pixels", *EDGES, "off by"], rows, caption=f"Insets from each edge of the {wide} x {high} picture, and percent of it")
        + "".join(paragraph(line) for line in change_words(report))
        + (paragraph(f"With characters ({cells[0]} x {cells[1]}, counted from 1): {'; '.join(notes)}.") if notes and cells else "")
    )


def _insets(report: Report) -> str:
    pairing, guide = report.pairing, report.guide
    display = pairing.display.raster_px
    px, percent = insets_px(guide.rectangle, display), insets_percent(guide.rectangle, display)
    rows = [["pixels", *(f"{v:.0f}" for v in px)], ["percent", *(f"{v:.1f}" for v in percent)]]
    if pairing.tolerance.given:
        rows.append(["± pixels", *("-" if math.isnan(v) else f"{v:.0f}" for v in report.band.px)])
    words = (
        f"Guide for {metres(pairing.near_m)} to {metres(pairing.far_m)}: the outline is exactly true at {metres(guide.set_distance_m)}; the rectangle "
        f"is off by up to {guide.rectangle_worst_error_percent:.1f} % of the frame."
    )
    cells = ""
    if report.cells is not None:
        c = report.cells
        cells = paragraph(
            f"With characters ({c.grid[0]} x {c.grid[1]}, counted from 1): columns {c.left_column} and {c.right_column}, rows {c.top_row} and "
            f"{c.bottom_row}; off by up to {c.worst_error_percent:.1f} %."
        )
    spread = (
        paragraph("± pixels: how far off each side may be, 19 times in 20, because mount and lens figures are not exact.", "quiet")
        if pairing.tolerance.given
        else ""
    )
    return (
        table(["", *EDGES], rows, caption=f"Insets from each edge of the {display[0]} x {display[1]} picture", kind="type") + spread + cells + paragraph(words)
    )


def _curve(report: Report, colours: Colours) -> str:
    turning = report.turning is not None and st.toggle(
        f"While turning, {turn_words(report.pairing)}", help="With what rows read one after another add.", **kept("guide:turning", False)
    )
    alt = "How far each side of the guide is off against distance. " + "; ".join(
        f"at {metres(each.distance_m)}: " + ", ".join(f"{edge} {signed(getattr(each.error, edge), 1)} %" for edge in EDGES) for each in report.at
    )
    return (
        "<h2>How far it is off at each distance</h2>"
        + drawing(_curve_svg(report, colours, turning), alt)
        + paragraph(
            "+ the line stands outside the frame and promises more than is recorded; - inside: it promises less. Shaded: the distances it is for. "
            "Where a line breaks, another point of that side has become the worst.",
            "quiet",
        )
    )


@kept_by_value(limit_bytes=2_000_000)
def _curve_svg(report: Report, colours: Colours, turning: bool) -> str:
    distances, errors = lines.turning_curve(report.pairing) if turning else error_curve(report.pairing)
    return drawing_svg(edges_error_chart(report, distances, errors, look=colours.chart, size=CHART, colours=colours.series))


def _errors(report: Report, frames: Sequence[int]) -> str:
    def cell(value: float) -> str:
        return "-" if math.isnan(value) else f"{signed(value, 1)} %"

    out = []
    for number, one in enumerate(report.each_set, 1):
        for i in frames:
            of = (f"Set {number}: " if report.sets else "") + (f"{report.pairing.frames[i].name}: " if len(report.pairing.frames) > 1 else "")
            shown = one.each_frame[i]
            turning = shown.turning is not None
            rows = [
                [
                    metres(each.distance_m),
                    *(cell(getattr(each.error, edge)) for edge in EDGES),
                    *([f"{each.error_turning.worst:.1f} %"] if each.error_turning is not None else []),
                ]
                for each in shown.at
            ]
            caption = f"{of}Error of each side at five distances, % of the frame's width or height"
            out.append(table(["distance", *EDGES, *(["worst, turning"] if turning else [])], rows, caption=caption, kind="figures"))
            if shown.turning is not None:
                out.append(paragraph(f"Turning alone ({turn_words(report.pairing)}) moves a line by up to {shown.turning.worst:.1f} %.", "quiet"))
    return "".join(out)


def _warnings(report: Report) -> str:
    if not report.warnings:
        return ""
    items = "".join(paragraph(warning) for warning in report.warnings)
    return f'<div class="panel caution"><h3>Know before you rely on it</h3>{items}</div>'


def _downloads(pairing: Pairing, report: Report, sets: int, frames: tuple[int, ...]) -> None:
    st.html(block("<h2>Overlay for the goggles or a monitor</h2>"))
    drawn = st.multiselect(
        "Drawn on the overlay",
        list(PARTS),
        default=list(USUAL_PARTS),
        key="overlay:parts",
        format_func=lambda part: PART_NAMES[part],
        help="Transparent, at the goggles' own size.",
    )
    # In the drawing's own order, which the files do not depend on.
    parts = tuple(part for part in PARTS if part in drawn)
    marks_m = lines.marks_choice()
    if sets > 1 or len(frames) > 1 or marks_m:
        st.html(block(lines.preview(report, parts, frames, marks_m)))
    name = stem(report.pairing)
    each_set = [
        (f"overlay-{i}.{ending}", f"Set {i}, {ending.upper()}", mime)
        for ending, mime in (("png", "image/png"), ("svg", "image/svg+xml"))
        for i in range(1, len(report.sets) + 1)
    ]
    for row in (FILES, each_set[: len(report.sets)], each_set[len(report.sets) :]):
        for column, (file, label, mime) in zip(st.columns(max(len(row), 1)), row, strict=False):
            column.download_button(
                label,
                as_spoken_here(partial(_file, pairing, sets, parts, frames, marks_m, file)),
                file_name=f"{name}-{file}",
                mime=mime,
                key=f"download:{file}",
                on_click="ignore",
                width="stretch",
            )


def _file(pairing: Pairing, sets: int, parts: tuple[str, ...], frames: tuple[int, ...], marks_m: tuple[float, ...], name: str) -> bytes:
    try:
        return lines.overlays_of(pairing, sets, parts, frames, marks_m)[name]
    except InputError:  # ticks that can't be drawn, which the preview says
        return lines.overlays_of(pairing, sets, parts, frames, ())[name]


def _to_infinity(yes: bool) -> None:
    near, _ = session.draft().file.shot.distance_m
    session.change("shot.distance_m", {"shot.distance_m": [near, math.inf if yes else max(30.0, near)]})
