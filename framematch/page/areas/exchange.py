"""Files for others, and the frame from theirs: ASC FDL out and in, lens maps, cameras, the scene."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from functools import partial
from html import escape
from pathlib import Path
from typing import Any

import streamlit as st

from framematch.errors import InputError
from framematch.files.fdl import (
    Framing,
    all_frame_changes,
    chosen,
    fdl_text,
    fitting,
    frame_changes,
    framed,
    framed_all,
    framing_of,
    parse_framings,
)
from framematch.geometry.pairing import Pairing
from framematch.guide.shown import as_spoken_here, metres, signed, speed
from framematch.output.fdl_drawing import framing_drawing, framing_rows, framing_words, line_styles, pixels
from framematch.output.lens_map import PICTURES, write_maps
from framematch.output.svg import drawing_svg
from framematch.page import film, session
from framematch.page.draft import changed
from framematch.page.files_made import made, made_beside, made_zip, stem
from framematch.page.film import RUN_FROM_M, RUN_TO_M, straight
from framematch.page.inks import inks_of
from framematch.page.kept_choices import kept
from framematch.page.lens_map_preview import Preview, lens_map_preview, source
from framematch.page.look import Colours, block, drawing, paragraph, table
from framematch.page.patience import Pulse, patiently
from framematch.page.pictures import built
from framematch.page.views import distance_now
from framematch.render.keep import kept_by_value
from framematch.shot.shot import Shot
from framematch.text.whole import decoded

UPLOAD, GIVEN, CHOSEN = "exchange:fdl", "fm_fdl", "exchange:decision"
MAP_PICTURES = {"display": "the goggles' picture", "recording": "the recorded picture, whole"}
MAP_FORMATS = {"exr": "OpenEXR, 32-bit float", "tiff": "TIFF, 32-bit float"}
MAP_WAYS = {"straight": "Map to undistorted", "bent": "Map back to the lens's picture"}
CAMERA_FILES = {"recording": "Recording camera", "monitoring": "Monitoring camera", "display": "Goggles' picture", "rig": "Mount"}
LONGEST_NAME = 80
LARGE_PX = 4_000_000


def area(pairing: Pairing, colours: Colours, pulse: Pulse) -> None:
    """All exchange files with what each is for; a look at what is in them."""
    out, into = st.columns(2, gap="large")
    with out:
        _frame_out(pairing, colours)
    with into:
        _frame_in(pairing, colours)
    _maps(pairing, pulse)
    cameras, scene = st.columns(2, gap="large")
    with cameras:
        _cameras(pairing)
    with scene:
        _scene(pairing)
        film.show(pairing, pulse)
    _elsewhere()


def _head(title: str, what: str) -> None:
    st.html(block(f"<h2>{escape(title)}</h2>" + paragraph(what, "quiet")))


def _download(label: str, make: Callable[[], bytes], name: str, mime: str, key: str) -> None:
    st.download_button(label, as_spoken_here(make), name, mime, key=key, on_click="ignore")


# The frame as ASC FDL, out.


def _frame_out(pairing: Pairing, colours: Colours) -> None:
    _head(
        "Export frame: ASC FDL",
        "For the camera crew, dailies and post: canvas, what the stabiliser may use, and the frame, in the open standard's own file.",
    )
    try:
        framing = _framing_of(pairing)
    except InputError as error:
        st.html(block(paragraph(f"No FDL file: {error}", "fault")))
        return
    st.html(block(_drawn(framing, colours)))
    if pairing.others:
        rest = "; ".join(f"{frame.name} {pixels(frame.area)}" for frame in pairing.frames[1:])
        st.html(block(paragraph(f"The file also has, each as a framing decision of the same canvas: {rest}.")))
    _download("Frame (ASC FDL 2.0)", lambda: fdl_text(pairing).encode(), f"{stem(pairing)}.fdl", "application/json", "exchange:fdl-out")


@kept_by_value(limit_bytes=1_000_000)
def _framing_of(pairing: Pairing) -> Framing:
    return framing_of(pairing)


def _drawn(framing: Framing, colours: Colours) -> str:
    inks = inks_of(colours)
    note = f" Drawn de-squeezed; the numbers are recorded pixels, squeeze {framing.squeeze:g}." if framing.squeeze != 1 else ""
    key = ""
    for name, rect in framing_rows(framing):
        colour, width, dash = line_styles(inks)[name]
        stroke = "solid" if dash is None else "dotted" if dash[0] < 5 else "dashed"
        line = f"background:none;outline:none;border-radius:0;height:0;border-top:{max(2.0, width):g}px {stroke} {colour}"
        key += f'<span><i style="{line}"></i>{escape(name)} {escape(pixels(rect))}</span>'
    return (
        drawing(drawing_svg(framing_drawing(framing, inks=inks)), framing_words(framing))
        + f'<div class="key" style="flex-direction:column;font-size:.94rem">{key}</div>'
        + paragraph(f"Framing decision {_named(framing)}: sizes, and the top left corner from the canvas's own, in pixels.{note}", "quiet")
    )


def _named(framing: Framing) -> str:
    label = framing.label or "without a label"
    return f"“{label if len(label) <= LONGEST_NAME else label[: LONGEST_NAME - 1] + '…'}”"


# The frame from an FDL file, in.


def _frame_in(pairing: Pairing, colours: Colours) -> None:
    _head(
        "Import frame: from an FDL file",
        "The framing decision that production handed out becomes this pairing's frame. Shown first; nothing changes yet.",
    )
    st.file_uploader("FDL file (up to 1 MB)", type=["fdl", "json"], key=UPLOAD, max_upload_size=1, on_change=_uploaded, help="ASC FDL, version 1 or 2.")
    given: tuple[str, tuple[Framing, ...]] | None = st.session_state.get(GIVEN)
    if given is None:
        st.html(block(paragraph("A pairing keeps the decision's pixels themselves, so it needs no second file beside it.", "quiet")))
        return
    name, framings = given
    framing = framings[0]
    _all_at_once(pairing, framings, name)
    if len(framings) > 1:
        names = [f"{f.full_name[:LONGEST_NAME]} on {f.raster_px[0]} x {f.raster_px[1]}" for f in framings]
        first = next((i for i, f in enumerate(framings) if f.raster_px == pairing.recording.raster_px), 0)
        which = st.selectbox(f"Framing decision ({len(framings)} in the file)", range(len(framings)), format_func=lambda i: names[i], **kept(CHOSEN, first))
        framing = framings[which]
    st.html(block(paragraph(f"In {name}:") + _drawn(framing, colours)))
    try:
        after = framed(pairing, chosen([framing], pairing, name=name), name=name)
        changes = frame_changes(framing)
        trial = changed(session.draft(), "recording.frame.area_px", changes)
        if trial.faults:
            raise InputError(next(iter(trial.faults.values())), file=name)
    except InputError as error:
        st.html(block(paragraph(f"Can't be this pairing's frame. {error}", "fault")))
        return
    st.html(block(_compared(pairing, after)))
    st.button(
        "Use this frame in the pairing",
        on_click=_take,
        args=(changes, name),
        key="exchange:use",
        help="Guide, views and sheets then follow it; Undo brings the old frame back.",
    )


def _all_at_once(pairing: Pairing, framings: tuple[Framing, ...], name: str) -> None:
    """Several decisions for this camera as several frames of the pairing."""
    try:
        found = fitting(list(framings), pairing, name=name)
        framed_all(pairing, found, name=name)
    except InputError:  # said of each decision by itself
        return
    if len(found) > 1:
        st.button(
            f"Use all {len(found)} as this pairing's frames",
            on_click=_take_all,
            args=(all_frame_changes(found), name),
            key="exchange:use-all",
            help=f"The first is the main one: {', '.join(f.label for f in found)}. Undo brings the old frames back.",
        )


def _take_all(changes: dict[str, Any], name: str) -> None:
    session.change("recording.frame", changes)
    st.session_state.pop(GIVEN, None)
    session.note(f"The frames of {name} are in the pairing. Undo brings the old ones back.")


def _compared(before: Pairing, after: Pairing) -> str:
    def row(name: str, say: Callable[[Pairing], str]) -> list[str]:
        return [name, say(before), say(after)]

    rows = [
        row("frame, recorded px", lambda p: pixels(p.frame)),
        row("shape, de-squeezed", lambda p: f"{p.frame_aspect:.3f}:1"),
        row("angle of view", lambda p: "{0.horizontal:.1f}° x {0.vertical:.1f}°".format(p.angles["frame"])),
        row("stabiliser keeps", lambda p: f"{p.keep_percent:.4g} %"),
    ]
    return table(["", "now", "with this frame"], rows, caption="What it would change")


def _take(changes: dict[str, Any], name: str) -> None:
    session.change("recording.frame.area_px", changes)
    st.session_state.pop(GIVEN, None)
    session.note(f"The frame of {name} is in the pairing. Undo brings the old one back.")


def _uploaded() -> None:
    held = st.session_state.get(UPLOAD)
    if held is None:
        st.session_state.pop(GIVEN, None)
        return
    name = short_name(held.name)
    try:
        st.session_state[GIVEN] = (name, framings_in(held.getvalue(), name=name))
        st.session_state.pop(f"fm_kept:{CHOSEN}", None)
    except InputError as error:
        st.session_state.pop(GIVEN, None)
        session.note(f"Not loaded, the page stays as it was. {error}", bad=True)


def short_name(name: str) -> str:
    """An upload's name to show: its last part only, printable, not too long."""
    last = "".join(c for c in name.replace("\\", "/").rpartition("/")[2] if c.isprintable())
    return last[:LONGEST_NAME] or "upload"


def framings_in(raw: bytes, *, name: str) -> tuple[Framing, ...]:
    """The framing decisions in an uploaded FDL file.

    Raises:
        InputError: too large, not UTF-8, no FDL, or without a framing decision.
    """
    return tuple(parse_framings(decoded(raw, name=name, what="an FDL file"), name=name))


# Lens maps.


def _maps(pairing: Pairing, pulse: Pulse) -> None:
    _head(
        "Lens maps (ST maps)",
        "For compositing and motion tracking: every pixel says where in the other picture it comes from, so post can straighten a picture and bend it back.",
    )
    controls, looks = st.columns([1, 1.7], gap="large")
    with controls:
        which = st.selectbox(
            "Picture", list(PICTURES), format_func=lambda p: MAP_PICTURES[p], help="Maps have its size in pixels.", **kept("exchange:picture", "display")
        )
        kind = st.selectbox(
            "Format", list(MAP_FORMATS), format_func=lambda f: MAP_FORMATS[f], help="Both hold the same numbers.", **kept("exchange:format", "exr")
        )
        top_left = st.checkbox(
            "Count T from the top edge", help="From the bottom edge, as most programs expect, if left out.", **kept("exchange:top-left", False)
        )
        own = st.checkbox(
            "Choose the undistorted picture's angle", help="If left out, its scale in the middle is the lens's own.", **kept("exchange:own-angle", False)
        )
        typed = st.number_input(
            "Horizontal angle, degrees",
            1.0,
            170.0,
            step=1.0,
            format="%.1f",
            disabled=not own,
            help="Of the undistorted picture, 1 to 170.",
            **kept("exchange:angle", 100.0),
        )
        angle = typed if own else None
        for way, label in MAP_WAYS.items():
            make = partial(map_bytes, pairing, which=which, kind=kind, angle_deg=angle, top_left=top_left, way=way)
            _download(label, make, f"{which}-{way}.{kind}", "image/tiff" if kind == "tiff" else "image/x-exr", f"exchange:map:{way}")
        wide, high = pairing.recording.raster_px if which == "recording" else pairing.display.raster_px
        st.html(block(paragraph(f"S and T in 0 to 1 at pixel centres; blue is 1 where the lens has a picture. Map back: {wide} x {high} pixels.", "quiet")))
        if wide * high > LARGE_PX:
            st.html(
                block(
                    paragraph(f"A file of up to {6 * wide * high / 1e6:.0f} MB, worked out when asked for: give it some seconds (TIFF takes longer).", "quiet")
                )
            )
    with looks:
        _map_looks(pairing, which, angle, pulse)


def _map_looks(pairing: Pairing, which: str, angle: float | None, pulse: Pulse) -> None:
    spot = st.empty()
    preview = Preview(pairing=source(pairing), which=which, angle_deg=angle, shot=session.draft().shot, distance_m=distance_now())
    try:
        before, after = patiently(partial(lens_map_preview, preview), pulse)
    except InputError as error:
        spot.html(block(paragraph(f"No preview: {error}", "fault")))
        return
    name = MAP_PICTURES[which]
    spot.html(
        block(
            '<div class="views">'
            + _picture(before, f"Before: {name} as its lens draws it; straight edges away from the middle are bent.", "<b>Before</b>: as the lens draws it")
            + _picture(after, f"After: {name} through the map to undistorted; straight edges are straight.", "<b>After</b>: through the map to undistorted")
            + "</div>"
        )
    )


def _picture(jpeg_and_size: tuple[str, tuple[int, int]], alt: str, caption: str) -> str:
    source_, (wide, high) = jpeg_and_size
    return (
        f'<figure style="flex:1 1 300px"><div class="picture" style="aspect-ratio:{wide / high:.4f}">'
        f'<img src="{source_}" alt="{escape(alt, quote=True)}"></div>'
        f"<figcaption>{caption}</figcaption></figure>"
    )


def map_bytes(pairing: Pairing, *, which: str, kind: str, angle_deg: float | None, top_left: bool, way: str) -> bytes:
    """One lens map's file: the command line's own."""
    return made_beside(
        lambda path: write_maps(path.parent, pairing, which=which, kind=kind, angle_deg=angle_deg, top_left=top_left, names=(way,)),
        "map",
        f"{which}-{way}.{kind}",
    )


# Cameras, scene, and what is elsewhere.


def _cameras(pairing: Pairing) -> None:
    _head(
        "Cameras (OpenCV YAML)", "For trackers and calibration: matrices and distortion of both cameras and of the goggles' picture, and the mount as R and T."
    )
    with st.container(horizontal=True):
        for name, label in CAMERA_FILES.items():
            _download(f"{label}, {name}.yml", partial(camera_bytes, pairing, name), f"{stem(pairing)}-{name}.yml", "application/yaml", f"exchange:yml:{name}")


def camera_bytes(pairing: Pairing, name: str) -> bytes:
    """One of the OpenCV files: the command line's own."""
    from framematch.output.opencv_yaml import write_cameras

    return made_beside(lambda path: write_cameras(path.parent, pairing), "cameras", f"{name}.yml")


def _scene(pairing: Pairing) -> None:
    shot = session.draft().shot
    run = shot.run
    _head(
        "Scene and cameras (GLB, USD)",
        "For 3D and post: the place with its gap and who stands there, and both cameras flying through it, to look around in or to match-move against.",
    )
    st.html(
        block(
            paragraph(
                f"Straight through from {metres(RUN_FROM_M)} before to {metres(-RUN_TO_M)} behind at {speed(run.speed_m_s)}, "
                f"camera tilt {signed(run.tilt_deg, 1)}°, as in the Gap area."
            )
        )
    )
    one, two = st.columns(2)
    with one:
        _download("Scene (GLB)", partial(scene_bytes, pairing, shot), f"{stem(pairing)}-run.glb", "model/gltf-binary", "exchange:glb")
    if importlib.util.find_spec("pxr") is not None:
        with two:
            _download("Scene (USD, zipped)", partial(usd_zip, pairing, shot), f"{stem(pairing)}-run-usd.zip", "application/zip", "exchange:usd")
    else:
        two.html(block(paragraph("USD needs the package usd-core beside framematch.", "quiet")))
    st.html(
        block(paragraph("It shows geometry, not a safe path: no wind, no aircraft's own size. Local rules and the licensed remote pilot decide.", "caution"))
    )


def _write_scene(pairing: Pairing, shot: Shot, path: Path) -> None:
    from framematch.output.scene_file import write_exchange

    scene = built(shot)
    write_exchange(path, scene, pairing, straight(scene, shot))


def scene_bytes(pairing: Pairing, shot: Shot) -> bytes:
    """The GLB: the command line's own."""
    return made(partial(_write_scene, pairing, shot), "run.glb")


def usd_zip(pairing: Pairing, shot: Shot) -> bytes:
    """The USD file and its texture: the command line's own, together."""
    return made_zip(partial(_write_scene, pairing, shot), "run.usda")


def _elsewhere() -> None:
    _head("Overlays and sheets", "Overlays for goggles and monitors (PNG, SVG, JSON) are in the Guide area, paper is in Print.")
    one, two, _ = st.columns([1, 1, 2])
    one.button("Go to the overlays", on_click=_go, args=("Guide",), key="exchange:guide", width="stretch")
    two.button("Go to the sheets", on_click=_go, args=("Print",), key="exchange:print", width="stretch")


def _go(name: str) -> None:
    st.session_state["area"] = name
