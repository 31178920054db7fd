"""The mount measured from same-moment pairs of stills of a chart."""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np
import streamlit as st

from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.geometry.pairing import Pairing
from framematch.guide.shown import metres
from framematch.measure.bundle import Corners
from framematch.measure.chart import Chart
from framematch.measure.corrected import guide_off_percent
from framematch.measure.finding import Looked
from framematch.measure.into_file import mount_changes
from framematch.measure.job import KEEP, MEASURE, MountMeasured, measure_mount
from framematch.measure.mount import compare_offset
from framematch.measure.pictures import note, residual_map
from framematch.measure.pose import place_chart
from framematch.measure.stills import read_still
from framematch.page import session
from framematch.page.long_work import awaited
from framematch.page.look import Colours, block, paragraph, picture_source, table
from framematch.page.measuring import laid
from framematch.page.measuring.chart_field import chart_fields
from framematch.page.measuring.found import Seen, jpeg, look, shown_like
from framematch.page.measuring.lens import CAMERAS, lens_tables
from framematch.page.measuring.show import ask, fault, last, lines, mount_row, remembered, use, whole
from framematch.page.measuring.uploads import Given, many
from framematch.page.patience import Pulse
from framematch.progress import step
from framematch.render.keep import Kept
from framematch.text.toml import changed_text

_LENSES = {MEASURE: "measure both from these stills too", KEEP: "keep the pairing's"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Measured:
    """A mount with what is shown of it.

    Args:
        seen: both sides' stills, pair by pair.
        made: None if there is none, with the reason in ``fault``.
        residuals: of each side, a map of them, a JPEG file, and its words.
        distance_m: of the chart in each pair, NaN where it can't be placed.
    """

    seen: tuple[tuple[Seen, ...], tuple[Seen, ...]]
    made: MountMeasured | None
    fault: str
    residuals: tuple[tuple[bytes, str], ...] = ()
    distance_m: tuple[float, ...] = ()


_kept: Kept[Measured] = Kept(
    limit_bytes=96_000_000, size=lambda m: 400_000 + sum(len(r[0]) for r in m.residuals) + sum(s.nbytes for side in m.seen for s in side)
)
_laid: Kept[laid.Laid] = Kept(limit_bytes=24_000_000, size=lambda each: each.nbytes)


def area(pairing: Pairing, colours: Colours, pulse: Pulse) -> None:
    """Pairs of stills in; where the monitoring camera sits and points out."""
    st.html(
        block(
            paragraph(
                "Both cameras' stills of the same moments: hold the chart still where both see it, near and far and tilted, and take one still with each. "
                "The first recording still by name goes with the first monitoring still by name, and so on. They are looked at here and kept nowhere.",
                "quiet",
            )
        )
    )
    chart = chart_fields("mount")
    lenses = remembered(
        "measure:mount:lenses", MEASURE, lambda key: st.radio("Lenses", list(_LENSES), format_func=_LENSES.__getitem__, horizontal=True, key=key)
    )
    left, right = st.columns(2, gap="large")
    with left:
        recording = many("Recording camera's stills", "measure:mount:r", "Whole pictures as the camera wrote them.")
    with right:
        monitoring = many(
            "Monitoring camera's stills",
            "measure:mount:m",
            "Of the same moments, so that their names sort alike: the camera's own, or the goggles' recordings.",
        )
    if chart is None:
        return
    if not (recording and monitoring):
        held = None if recording or monitoring else last("mount")
        before = held and _kept.peek(held[0])
        if held is not None and before is not None:
            _say(before, held[1], None)
        return
    if len(recording) != len(monitoring):
        fault(f"{len(recording)} recording and {len(monitoring)} monitoring stills do not make pairs. Give one of each for every moment.")
        return
    key = (_digests(recording), _digests(monitoring), chart, lenses, shown_like(pairing), _known(pairing, lenses))
    text = ask("mount", key, "Measure the mount", about="Looks for the chart in each still and solves for the mount.", now=session.draft().text)
    if text is None:
        return
    measured = awaited(("mount", key), lambda: _kept.get(key, lambda: _measure((recording, monitoring), chart, pairing, lenses)), pulse)

    def laid_of(pair: int, after: Pairing) -> laid.Laid:
        laid_key = (recording[pair].digest, monitoring[pair].digest, text, after)
        return awaited(laid_key, lambda: _laid.get(laid_key, lambda: _lay(recording[pair], monitoring[pair], text, after, measured.distance_m[pair])), pulse)

    _say(measured, text, laid_of)


def _digests(stills: Sequence[Given]) -> Hashable:
    return tuple((s.name, s.digest) for s in stills)


def _known(pairing: Pairing, lenses: str) -> Hashable:
    """All of the pairing that the solve depends on."""
    if lenses == KEEP:
        return pairing.recording, pairing.monitoring, pairing.tolerance.focal_percent, pairing.tolerance.centre_px
    return tuple((c.sensor_mm[0], c.lens.squeeze) for c in (pairing.recording, pairing.monitoring))


def _measure(stills: tuple[Sequence[Given], Sequence[Given]], chart: Chart, pairing: Pairing, lenses: str) -> Measured:
    first, second = (tuple(look(side, chart, whose=f"{name} ", goggles=goggles)) for name, side, goggles in zip(CAMERAS, stills, (None, pairing), strict=True))
    step("Solving for the mount" if lenses == KEEP else "Solving for both lenses and the mount")
    looked = [[each.looked for each in side] for side in (first, second)]
    try:
        made = measure_mount(looked[0], looked[1], chart, before=pairing, lenses=lenses)
    except InputError as error:
        return Measured(seen=(first, second), made=None, fault=str(error))
    fit = made.fit
    maps = [residual_map(fit.corners.pixels[mine], fit.residual_px[mine], fit.cameras[i].raster_px) for i in (0, 1) for mine in [fit.corners.camera == i]]
    return Measured(
        seen=(first, second),
        made=made,
        fault="",
        residuals=tuple((jpeg(m.picture), m.words) for m in maps),
        distance_m=tuple(_chart_m(made, each, chart) for each in looked[0]),
    )


def _chart_m(made: MountMeasured, recording: Looked, chart: Chart) -> float:
    """Distance of the chart's middle from the recording camera, along its axis."""
    if recording.found is None:
        return math.nan
    none = np.zeros(len(recording.found.ids), dtype=np.int64)
    pose = place_chart(made.fit.cameras[0], Corners(camera=none, view=none, board_mm=chart.points_mm[recording.found.ids], pixels=recording.found.pixels))
    return math.nan if pose is None else float((chart.points_mm.mean(axis=0) @ pose[0].T + pose[1])[2]) / 1000


def _lay(recording: Given, monitoring: Given, text: str, after: Pairing, distance_m: float) -> laid.Laid:
    stills = [read_still(each.name, colour=True, content=each.content()) for each in (recording, monitoring)]
    return laid.lay(parse_pairing(text), after, stills[0], stills[1], distance_m)


def _say(measured: Measured, text: str, laid_of: Any) -> None:
    before = parse_pairing(text)
    if measured.made is None:
        fault(measured.fault)
    else:
        _figures(measured, measured.made, before)
    pair = _chosen(measured)
    if pair is not None and measured.made is not None and laid_of is not None and math.isfinite(measured.distance_m[pair]):
        _over_still(measured.made, pair, text, before, laid_of)
    st.html(block("<h3>Pairs, with the corners found</h3>" + _pairs(measured) + ("" if pair is None else _large(measured, pair))))


def _over_still(made: MountMeasured, pair: int, text: str, before: Pairing, laid_of: Any) -> None:
    try:
        after = parse_pairing(changed_text(text, mount_changes(made.fit, before, made.lenses)))
    except InputError as error:
        fault(f"The guide can't be drawn with these figures: {error}")
        return
    laid.show(laid_of(pair, after), "mount", before="Before: the pairing as it was.", after="After: the mount as measured.")


def _figures(measured: Measured, made: MountMeasured, before: Pairing) -> None:
    fit = made.fit
    now = session.draft().pairing
    unused = len(measured.seen[0]) - len(fit.used)
    st.html(
        block(
            paragraph(
                f"{len(fit.used)} pairs used, {unused} not. Corners lie within {fit.rms_px[0]:.2f} px (RMS) of where lenses and mount put them "
                f"in the recording stills, {fit.rms_px[1]:.2f} px in the monitoring stills.",
                "big",
            )
            + lines([*fit.warnings, *compare_offset(fit, before.mount, before.tolerance.offset_mm)])
            + "".join(paragraph(f"Not used, {name}: {reason}.", "caution") for name, reason in fit.left_out)
            + _off(made, before)
        )
    )
    left, right = st.columns(2, gap="large")
    with left:
        rows = [mount_row(f.name, getattr(before.mount, f.name), f.value, f.half_95, 3 if f.name.endswith("_deg") else 2) for f in fit.figures]
        st.html(block(table(["figure", "as it was", "measured", "95 %"], rows, caption="The mount as measured", kind="figures")))
        label = "Use this mount in the pairing" if made.lenses is None else "Use this mount and both lenses in the pairing"
        use(label, "measure:mount:use", "mount", mount_changes(fit, now, made.lenses))
    with right:
        for name, each in zip(CAMERAS.values(), made.lenses or (), strict=False):
            with st.expander(f"The {name}'s lens: RMS {each.rms_px:.2f} px over {len(each.used)} stills"):
                st.html(block(lens_tables(each) + lines(each.warnings, each.advice)))
    maps = []
    for (picture, words), name in zip(measured.residuals, CAMERAS.values(), strict=True):
        alt = f"Map of the {name}'s picture with an arrow at each corner of the chart; {words}."
        maps.append(whole(picture, f"Residuals in the {name}: {words}", alt))
    st.html(block(f'<div class="laid beside">{"".join(maps)}</div>'))


def _off(made: MountMeasured, before: Pairing) -> str:
    """How far the guide was off, where both pairings are of the same pictures."""
    from dataclasses import replace

    if tuple(c.raster_px for c in made.fit.cameras) != (before.recording.raster_px, before.monitoring.raster_px):
        return ""
    after = replace(before, recording=made.fit.cameras[0], monitoring=made.fit.cameras[1], mount=made.fit.mount)
    off = [(d, guide_off_percent(before, after, d)) for d in (before.near_m, before.far_m)]
    return paragraph("The guide as it was is off by " + "; ".join(f"{v:.1f} % at {metres(d)}" for d, v in off if v == v) + " of the frame.")


def _pairs(measured: Measured) -> str:
    left_out = {} if measured.made is None else dict(measured.made.fit.left_out)
    out = []
    for r, m in zip(*measured.seen, strict=True):
        reason = left_out.get(f"{r.looked.name} + {m.looked.name}", "")
        missing = [each.looked for each in (r, m) if each.looked.found is None]
        said = " + ".join(f"{each.looked.name}: {note(each.looked)}" for each in (r, m))
        if reason or missing:
            said += f". Not used{': ' + reason if reason else ''}"
        pictures = "".join(
            f'<img src="{picture_source(each.thumb)}" alt="{escape(f"{each.looked.name}: {note(each.looked)}", quote=True)}">'
            if each.thumb
            else '<div class="blank"></div>'
            for each in (r, m)
        )
        out.append(f'<figure><div class="two">{pictures}</div><figcaption class="{"fault" if reason or missing else ""}">{escape(said)}</figcaption></figure>')
    return f'<div class="stills pairs">{"".join(out)}</div>'


def _chosen(measured: Measured) -> int | None:
    """Which pair is shown large, of those in which the chart was found twice."""
    pairs = list(zip(*measured.seen, strict=True))
    good = [i for i, pair in enumerate(pairs) if all(each.looked.found is not None for each in pair)]
    if not good:
        return None
    names = {i: " + ".join(each.looked.name for each in pairs[i]) for i in good}
    chosen: int = st.selectbox("Pair shown large", good, format_func=names.__getitem__, key="measure:mount:large", help="Of those with the chart in both.")
    return chosen


def _large(measured: Measured, pair: int) -> str:
    both = [side[pair] for side in measured.seen]
    figures = [whole(each.large, f"{each.looked.name}: {note(each.looked)}", f"Still {each.looked.name} with the corners found") for each in both]
    return f'<div class="laid beside">{"".join(figures)}</div>'
