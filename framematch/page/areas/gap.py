"""Lenses for a gap, side by side: pictures, curves, tables, and the questions the other way round."""

from __future__ import annotations

import base64
from dataclasses import replace
from functools import partial
from html import escape

import numpy as np
import streamlit as st
from numpy.typing import NDArray

from framematch.cautions import CLEARANCE
from framematch.compare import Comparison
from framematch.compare.report import TextTable, comparison_csv, plain_lines, text_tables
from framematch.compare.wished import Wishes, answers
from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.guide.shown import metres
from framematch.output.lens_charts import lens_charts
from framematch.output.svg import drawing_svg
from framematch.page import fields, plan, session
from framematch.page.areas import where
from framematch.page.draft import Draft
from framematch.page.files_made import stem
from framematch.page.long_work import awaited
from framematch.page.look import CHART, Colours, block, drawing, paragraph, table
from framematch.page.patience import Pulse, patiently
from framematch.page.pictures import Wanted, frame_picture
from framematch.page.views import distance_now
from framematch.page.work import comparison_of

Floats = NDArray[np.float64]
MOST_PICTURES = 6
PICTURE_PX = 200


def area(pairing: Pairing, colours: Colours, pulse: Pulse) -> None:
    """The comparison with its controls."""
    st.html(block("<h2>Which lens for this gap?</h2>" + paragraph("The opening, the run and the aircraft; each lens on the recording camera.", "quiet")))
    where.place()
    _controls()
    with st.expander("Plan, subjects and path", key="gap:plan", on_change="rerun") as fold:
        if fold.open:
            plan.show(colours, pulse)
        where.subjects()
        where.path()
    shot = session.draft().shot
    try:
        found = awaited(("gap", pairing, shot), partial(comparison_of, pairing, shot), pulse)
    except InputError as error:
        st.html(block(paragraph(f"No comparison: {error}", "fault")))
        return
    _pictures(found, pulse)
    tables = text_tables(found)
    st.html(block("".join(_table(each) for each in tables if each.first)))
    _curves(found, colours)
    _questions(found)
    with st.expander("More figures: movement, subjects, depth of field, guide, propellers"):
        st.html(block("".join(_table(each) for each in tables if not each.first)))
    lines = [line for line in plain_lines(found) if line != CLEARANCE]
    st.html(block('<div class="panel"><h3>Room and notes</h3>' + "".join(paragraph(line) for line in lines) + paragraph(CLEARANCE, "caution") + "</div>"))
    st.download_button("Table (CSV)", lambda: comparison_csv(found), file_name=f"{stem(pairing)}-lenses.csv", mime="text/csv", key="gap:csv", on_click="ignore")


def _controls() -> None:
    rows: tuple[tuple[fields.Field, ...], ...] = (
        (fields.GAP_W, fields.GAP_H, fields.SILL, fields.THICKNESS),
        (fields.SPEED, fields.PASS_RIGHT, fields.PASS_UP, fields.TILT),
        (*fields.AIRCRAFT, fields.UNSURE),
    )
    for row in rows:
        for column, field in zip(st.columns(len(row) or 1), row, strict=False):
            with column:
                fields.number(field, beside=not field.index)
    shape, lenses, distances = st.columns([1, 1, 1])
    with shape:
        fields.choice(
            "gap.shape",
            "Shape of the gap",
            {"rectangle": "rectangle", "arch": "arch: half circle on straight sides", "circle": "circle"},
            session.draft().shot.opening.shape,
            "The opening's outline.",
            lambda value: {"gap.shape": value},
        )
    with lenses:
        fields.numbers("lens", "Lenses to compare, mm", lenses_text(session.draft()), "Focal lengths, comma between; up to twelve.", _lenses_taken)
    with distances:
        now = ", ".join(f"{d:g}" for d in session.draft().shot.run.distances_m)
        fields.numbers("run.distances_m", "Distances before the gap,", now, "For the tables, comma between.", unit="m")


def lenses_text(draft: Draft) -> str:
    """The lenses to compare as they are typed."""
    return ", ".join(f"{lens.focal_mm:g}" for lens in draft.shot_file.lens)


def _lenses_taken(found: list[float]) -> None:
    known = {lens.focal_mm: lens.model_dump(exclude_none=True, exclude_defaults=True) for lens in session.draft().shot_file.lens}
    session.change("lens", {"lens": [known.get(f, {"focal_mm": f}) for f in found]})


def _pictures(found: Comparison, pulse: Pulse) -> None:
    distance = distance_now()
    spot = st.empty()
    figures: list[str] = []
    frame_aspect = found.pairing.frame_aspect
    for row in found.rows[:MOST_PICTURES]:
        wanted = Wanted(pairing=replace(found.pairing, recording=row.camera), shot=found.shot, distance_m=distance, height_px=PICTURE_PX)
        try:
            jpeg = patiently(partial(frame_picture, wanted), pulse)
        except InputError as error:
            spot.html(block(paragraph(f"No pictures: {error}", "fault")))
            return
        name = row.candidate.name
        words = escape(f"Recorded frame with {name} at {metres(distance)}", quote=True)
        figures.append(
            f'<figure style="flex:1 1 300px;max-width:520px"><div class="picture" style="aspect-ratio:{frame_aspect:.4f}">'
            f'<img src="data:image/jpeg;base64,{base64.b64encode(jpeg).decode()}" alt="{words}">'
            f"</div><figcaption><b>{escape(name)}</b> at {metres(distance)}</figcaption></figure>"
        )
        spot.html(block(f'<div class="views">{"".join(figures)}</div>'))


def _table(each: TextTable) -> str:
    return table(list(each.headings), [list(row) for row in each.rows], caption=each.title) + (paragraph(each.note, "quiet") if each.note else "")


def _curves(found: Comparison, colours: Colours) -> None:
    charts = lens_charts(found, look=colours.chart, size=CHART, colours=colours.series, most=MOST_PICTURES)
    for column, chart in zip(st.columns(len(charts), gap="medium"), charts, strict=True):
        column.html(block(drawing(drawing_svg(chart), f"{chart.title}; the tables give figures."), kind="chart"))


def _questions(found: Comparison) -> None:
    st.html(block("<h2>From what you want to a lens</h2>" + paragraph("Leave empty what you don't ask for.", "quiet")))
    asked = (
        ("fill", "Gap fills, % of the frame", "Share of the frame's area.", 40.0),
        ("fill_at", "At this distance", "Before the gap, at which it fills so much.", 2.0),
        ("subject", "Subject's height, % of frame", "Where, with each lens, the first subject is so tall in the frame.", None),
        ("edges", "All edges in frame until", "Longest lens that keeps the whole opening in the frame until so near the gap.", 1.5),
        ("sharp", "Near limit", "Stop that puts each lens's near limit there.", None),
    )
    wanted: dict[str, float | None] = {}
    for column, (key, label, about, first) in zip(st.columns(len(asked)), asked, strict=True):
        with column:
            if "%" in label:
                wanted[key] = st.number_input(label, value=first, min_value=0.01, max_value=1000.0, step=0.5, format="%.1f", key=f"ask:{key}", help=about)
            else:
                wanted[key] = fields.distance(label, f"ask:{key}", first, low_m=0.01, high_m=1000.0, step=0.5, about=about)
    wishes = Wishes(
        fill=None if wanted["fill"] is None else (wanted["fill"], wanted["fill_at"]),
        subject=None if wanted["subject"] is None or not found.shot.subjects else (wanted["subject"], None),
        edges_until_m=wanted["edges"],
        sharp_from_m=wanted["sharp"],
    )
    try:
        says = [answer.says for answer in answers(found, wishes)]
    except InputError as error:
        says = [str(error)]
    st.html(block("".join(paragraph(line) for line in says)))
