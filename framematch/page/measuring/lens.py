"""A lens measured from stills of a chart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import streamlit as st

from framematch.errors import InputError
from framematch.geometry.camera import Camera
from framematch.geometry.pairing import Pairing
from framematch.measure.chart import Chart
from framematch.measure.coverage import corner_counts, reach_percent
from framematch.measure.into_file import camera_file, lens_changes
from framematch.measure.job import measure_lens
from framematch.measure.lens import LensFit
from framematch.measure.pictures import residual_map
from framematch.page.long_work import awaited
from framematch.page.look import Colours, block, paragraph, table
from framematch.page.measuring.chart_field import chart_fields
from framematch.page.measuring.found import Seen, jpeg, look, shown_like
from framematch.page.measuring.show import ask, fault, figure_row, large, last, lines, remembered, thumbs, use, whole
from framematch.page.measuring.uploads import Given, many
from framematch.page.patience import Pulse
from framematch.progress import step
from framematch.render.keep import Kept

MAP_PX = 760  # wide, so that arrows stay visible where it is shown smaller
CAMERAS = {"recording": "recording camera", "monitoring": "monitoring camera"}
_FIGURES = {"focal_mm": "focal length, mm", "centre_x_px": "lens centre across, px", "centre_y_px": "lens centre down, px"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Measured:
    """A lens with what is shown of it.

    Args:
        seen: the stills.
        fit: None if there is none, with the reason in ``fault``.
        residuals: map of them, a JPEG file, and its words.
    """

    seen: tuple[Seen, ...]
    fit: LensFit | None
    fault: str
    residuals: tuple[bytes, str]


_kept: Kept[Measured] = Kept(limit_bytes=64_000_000, size=lambda m: 200_000 + len(m.residuals[0]) + sum(s.nbytes for s in m.seen))


def area(pairing: Pairing, colours: Colours, pulse: Pulse) -> None:
    """Stills in; the lens, how sure it is and where to hold the chart next out."""
    st.html(
        block(
            paragraph(
                "12 to 20 stills of the printed chart, focus and mode as in the shot: near and far, tilted to all sides, out into the corners. "
                "They are looked at here and kept nowhere.",
                "quiet",
            )
        )
    )
    which = remembered(
        "measure:lens:camera",
        "recording",
        lambda key: st.radio("Camera", list(CAMERAS), format_func=CAMERAS.__getitem__, horizontal=True, key=key),
    )
    chart = chart_fields("lens")
    stills = many(
        "Stills of the chart", "measure:lens:stills", "Whole pictures as the camera wrote them, or the goggles' recordings: PNG, JPEG, TIFF, or clips."
    )
    if chart is None:
        return
    if not stills:
        before = last("lens")
        if before is not None and (kept := _kept.peek(before[0])) is not None:
            _say(kept, before[0][2], pairing, before[0][1])
        return
    camera: Camera = getattr(pairing, which)
    key = (
        tuple((s.name, s.digest) for s in stills),
        chart,
        which,
        camera.sensor_mm[0],
        camera.lens.squeeze,
        shown_like(pairing) if which == "monitoring" else None,
    )
    if ask("lens", key, "Measure the lens", about="Looks for the chart in each still and fits the lens.", now=True) is None:
        return
    try:
        measured = awaited(("lens", key), lambda: _kept.get(key, lambda: _measure(stills, chart, camera, pairing if which == "monitoring" else None)), pulse)
    except InputError as error:
        fault(error)
        return
    _say(measured, which, pairing, chart)


def _measure(stills: Sequence[Given], chart: Chart, known: Camera, goggles: Pairing | None) -> Measured:
    seen = tuple(look(stills, chart, goggles=goggles))
    step("Fitting lenses to the corners")
    try:
        fit = measure_lens([each.looked for each in seen], chart, known=known)
    except InputError as error:
        return Measured(seen=seen, fit=None, fault=str(error), residuals=(b"", ""))
    drawn = residual_map(fit.pixels, fit.residual_px, fit.camera.raster_px, width=MAP_PX, line=2)
    return Measured(seen=seen, fit=fit, fault="", residuals=(jpeg(drawn.picture), drawn.words))


def still_rms(fit: LensFit) -> dict[str, float]:
    """RMS residual of each used still, by its name."""
    squared = (fit.residual_px**2).sum(axis=1)
    return {name: float(np.sqrt(np.nanmean(squared[fit.view == i]))) for i, name in enumerate(fit.used) if (fit.view == i).any()}


def _say(measured: Measured, which: str, pairing: Pairing, chart: Chart) -> None:
    fit = measured.fit
    if fit is None:
        fault(measured.fault)
    else:
        _figures(fit, measured, which, pairing, chart)
    st.html(block("<h3>Stills, with the corners found</h3>" + thumbs(measured.seen, dict(fit.left_out) if fit else {}, still_rms(fit) if fit else {})))
    large(measured.seen, "lens")


def _figures(fit: LensFit, measured: Measured, which: str, pairing: Pairing, chart: Chart) -> None:
    left_out = len(measured.seen) - len(fit.used)
    st.html(
        block(
            paragraph(f"{len(fit.used)} stills used, {left_out} not. Corners lie within {fit.rms_px:.2f} px (RMS) of where this lens puts them.", "big")
            + lines(fit.warnings, fit.advice)
            + (paragraph(_other_mode(fit, which, pairing), "caution") if _other_mode(fit, which, pairing) else "")
        )
    )
    left, right = st.columns([1, 1.25], gap="large")
    with left:
        st.html(block(lens_tables(fit)))
        use(
            f"Use this lens for the {CAMERAS[which]}",
            "measure:lens:use",
            which,
            lens_changes(fit, which, pairing),
        )
        st.download_button(
            "Camera table (TOML)",
            camera_file(fit, note=f"Measured from the chart {chart.name}"),
            "camera.toml",
            "application/toml",
            key="measure:lens:file",
            on_click="ignore",
            help="A camera of its own file, for pairings to share.",
        )
    with right:
        alt = f"Map of the picture with an arrow at each corner of the chart; RMS {fit.rms_px:.3f} pixels."
        st.html(block(whole(measured.residuals[0], f"Residuals of the lens: {measured.residuals[1]}", alt) + coverage_table(fit)))


def _other_mode(fit: LensFit, which: str, pairing: Pairing) -> str:
    was, now = getattr(pairing, which).raster_px, fit.camera.raster_px
    if was == now:
        return ""
    return f"The stills are {now[0]} x {now[1]} pixels, the pairing says {was[0]} x {was[1]}: the {CAMERAS[which]} becomes that of the stills."


def lens_tables(fit: LensFit) -> str:
    """Figures and angles of a lens with their 95 % intervals."""
    rows = [figure_row(_FIGURES.get(f.name, f"distortion {f.name}"), f.value, f.half_95) for f in fit.figures]
    for name in ("horizontal", "vertical", "diagonal"):
        rows.append(figure_row(f"{name} angle of view", getattr(fit.angles, name), getattr(fit.angles_95, name), "°"))
    return table(["figure", "measured", "95 %"], rows, caption="The lens as measured", kind="figures") + paragraph(
        f"Kind of lens that fits best: {fit.model.label}.", "quiet"
    )


def coverage_table(fit: LensFit) -> str:
    """How many corners fell in each ninth of the picture."""
    counts = corner_counts(fit.pixels, fit.camera.raster_px)
    rows = [[name, *(str(n) for n in row)] for name, row in zip(("top", "middle", "bottom"), counts, strict=True)]
    reach = reach_percent(fit.pixels, fit.camera)
    return table(["", "left", "middle", "right"], rows, caption=f"Corners seen in each part of the picture, out to {reach:.0f} % of the way to its corners")
