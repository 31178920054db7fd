"""The pairing: entered from spec sheets, drawn, loaded and saved."""

from __future__ import annotations

import math
from typing import Any

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from framematch.files.kit import is_kit, parse_kit
from framematch.files.pairing_tables import PairingFile
from framematch.files.spec_sheet import FORMAT_WORDS, RASTERS
from framematch.geometry.camera import FORMATS_MM, equivalent_135_mm, format_part_mm
from framematch.geometry.lens_models import MODELS, PLAIN
from framematch.geometry.pairing import Pairing
from framematch.guide.report import equivalent_words
from framematch.guide.shown import signed
from framematch.page import fields, handed, session
from framematch.page.draft import MOST_BYTES, text_from_upload
from framematch.page.files_made import stem
from framematch.page.look import Colours, as_typed, block, drawing, paragraph, table
from framematch.page.mount_drawing import mount_drawing, mount_words
from framematch.page.opened import opened
from framematch.page.patience import Pulse
from framematch.text.whole import decoded

PROJECTIONS: dict[str | None, str] = {**{name: f"{name}: {MODELS[name].words}" for name in PLAIN}, None: "worked out from two or three angles"}
SHAPES = {None: "all of it", 2.39: "2.39:1", 1.85: "1.85:1", 2.0: "2:1", 16 / 9: "16:9", 4 / 3: "4:3", 1.0: "1:1", 9 / 16: "9:16"}
UPLOAD, CODE, CODE_MB = "pairing:upload", "pairing:code", 16


def area(pairing: Pairing, colours: Colours, pulse: Pulse) -> None:
    """Everything of the pairing, with its drawing."""
    file = session.draft().file
    _about(file)
    left, right = st.columns(2, gap="large")
    with left:
        st.html(block("<h2>Recording camera</h2>" + paragraph("The one whose picture is kept.", "quiet")))
        _camera("recording", file)
        _frame(file)
    with right:
        st.html(block("<h2>Monitoring camera and goggles</h2>" + paragraph("The one the pilot flies by.", "quiet")))
        _camera("monitoring", file)
        _display(file)
    st.html(
        block(
            "<h2>Mount</h2>" + paragraph("Where the monitoring lens sits and points, seen from the recording lens; entrance pupil to entrance pupil.", "quiet")
        )
    )
    for row in (fields.OFFSETS, fields.AIMS, fields.TOLERANCES):
        if row is fields.TOLERANCES:
            st.html(block(paragraph("How sure these figures are:", "quiet")))
        for column, field in zip(st.columns(3), row, strict=True):
            with column:
                fields.number(field)
    side, above = st.columns(2, gap="medium")
    side.html(block(drawing(mount_drawing(pairing, view="side", colours=colours), f"Mount from the side. {mount_words(pairing)}")))
    above.html(block(drawing(mount_drawing(pairing, view="above", colours=colours), f"Mount from above. {mount_words(pairing)}")))
    _angles(pairing)


def _pictured() -> None:
    def use(held: UploadedFile) -> str:
        from framematch.measure.code import pairing_in_picture

        session.open_text(pairing_in_picture(held.name, held.getvalue()))
        return "Loaded the pairing of the code."

    handed.take(CODE, use)


def _about(file: PairingFile) -> None:
    """Whose rig it is."""
    st.html(block("<h2>This rig</h2>" + paragraph("Stands in every file's name, on every sheet and label.", "quiet")))
    name, production, unit = st.columns([1.4, 1, 0.7])
    with name:
        fields.text("title", "Name", file.title, "What the crew calls this pairing.", most=200)
    with production:
        fields.text("production", "Production", file.production, "The film that it is for.")
    with unit:
        fields.text("unit", "Unit", file.unit, "Main unit, second unit and so on.")
    body, lens, goggles, notes = st.columns([0.8, 0.8, 0.8, 1.6])
    with body:
        fields.text("recording.serial", "Body, serial number", file.recording.serial, "Of the recording camera; the crew's own number will do.")
    with lens:
        fields.text("recording.lens_serial", "Lens, serial number", file.recording.lens_serial, "Of the recording lens.")
    with goggles:
        fields.text("monitoring.serial", "Goggles' camera, serial number", file.monitoring.serial, "Of the monitoring camera.")
    with notes:
        fields.text("notes", "Notes", file.notes, "One line that is printed with the rest.", most=300)


def files() -> None:
    """Load and save."""
    for file_name, text in opened().items() if len(opened()) > 1 else ():
        st.button(f"Open {as_typed(file_name)}", on_click=session.open_text, args=(text,), key=f"pairing:open:{file_name}")
    name = stem(session.draft().pairing)
    st.download_button(
        "Save the pairing (TOML)",
        session.draft().text,
        file_name=f"{name}.toml",
        mime="application/toml",
        key="pairing:save",
        on_click="ignore",
        help="A text file that the page, the command line and people read; comments in it are kept.",
    )
    st.file_uploader(
        f"Load a pairing or a kit (TOML file, up to {MOST_BYTES / 1000:g} kB)",
        type=["toml"],
        key=UPLOAD,
        max_upload_size=1,
        on_change=_uploaded,
        help="It takes the place of what is on this page; Undo brings that back.",
    )
    st.file_uploader(
        f"Or a picture of the code on a guide sheet (PNG or JPEG, up to {CODE_MB} MB)",
        type=["png", "jpg", "jpeg"],
        key=CODE,
        max_upload_size=CODE_MB,
        on_change=_pictured,
        help="Straight on and sharp, with the code large in it.",
    )


def _uploaded() -> None:
    def use(held: UploadedFile) -> str:
        text = decoded(held.getvalue(), name=held.name, most=MOST_BYTES, what="a pairing file")
        if is_kit(text):
            first = next(each for each in parse_kit(text, name=held.name).pairings if each.pairing is not None)
            session.open_kit(text)
            session.open_text(first.text)
            return f"Loaded the kit {held.name}; {first.title} is shown."
        session.open_text(text_from_upload(held.getvalue(), name=held.name))
        return f"Loaded {held.name}."

    handed.take(UPLOAD, use)


def _camera(name: str, file: PairingFile) -> None:
    camera = getattr(file, name)
    named = fields.RECORDING if name == "recording" else fields.MONITORING
    raster = camera.raster_px
    formats: dict[Any, str] = {"": "own figures, as below"}
    formats |= FORMAT_WORDS
    now = next((key for key in FORMATS_MM if _close(format_part_mm(key, raster), camera.size_mm)), "")
    fields.choice(
        f"{name}.sensor_mm",
        "Sensor format, whole or part",
        formats,
        now,
        "Fills in the largest part of a standard format that has the picture's shape. Inch types are nominal, to about 2 %.",
        lambda key: {f"{name}.sensor_mm": list(format_part_mm(key, raster) if key else camera.size_mm), f"{name}.format": None},
    )
    usual = {tuple(int(side) for side in words.split(" x ")): words for words in RASTERS}
    fields.choice(
        f"{name}.raster_px",
        "Picture size",
        {"": "own figures, as below", **usual},
        raster if raster in usual else "",
        "Fills in the picture's pixels, and with a standard format the part of it that has their shape.",
        lambda size: _picture(name, now, size or raster),
    )
    for pair in (("sensor_w", "sensor_h"), ("raster_w", "raster_h")):
        for i, (column, key) in enumerate(zip(st.columns(2), pair, strict=True)):
            with column:
                fields.number(named[key], beside=i == 0)
    given = "angles" if camera.angle_deg is not None else "focal"
    fields.choice(
        f"{name}.lens",
        "Lens given by",
        {"focal": "focal length", "angles": "quoted angles of view (one, two or three)"},
        given,
        "Spec sheets of small cameras quote angles; cinema lenses are engraved with a focal length.",
        lambda how: _lens_given(name, how),
    )
    if given == "focal":
        fields.number(named["focal"])
    else:
        for column, way in zip(st.columns(3), ("horizontal", "vertical", "diagonal"), strict=True):
            with column:
                fields.number(named[way])
        fields.fault(f"{name}.angle_deg")
    if camera.distortion is None:
        options = dict(PROJECTIONS) if given == "angles" else {k: v for k, v in PROJECTIONS.items() if k}
        fields.choice(
            f"{name}.projection",
            "How the lens bends",
            options,
            camera.projection or (None if given == "angles" else "rectilinear"),
            "How an angle becomes a place in the picture. With two or three quoted angles it can be worked out.",
            lambda value: {f"{name}.projection": value},
        )
    else:
        d = camera.distortion
        st.html(block(paragraph(f"Measured distortion, {d.model} model: k = {', '.join(f'{k:g}' for k in d.k)}.")))
        st.button(
            "Forget the measured distortion",
            key=f"drop:{name}",
            on_click=session.change,
            args=(f"{name}.distortion", {f"{name}.distortion": None}),
            help="For another lens than the one that was measured.",
        )


def _picture(name: str, format_name: str, raster_px: tuple[int, int]) -> dict[str, Any]:
    """What another picture size means: the area read out goes along where it is part of a format, the lens centre where it was the middle."""
    values: dict[str, Any] = {f"{name}.raster_px": list(raster_px), **fields.recentred(name)}
    if format_name:
        values |= {f"{name}.sensor_mm": list(format_part_mm(format_name, raster_px)), f"{name}.format": None}
    return values


def _close(a: tuple[float, float], b: tuple[float, float]) -> bool:
    return all(math.isclose(x, y, abs_tol=0.0015) for x, y in zip(a, b, strict=True))


def _lens_given(name: str, how: str) -> dict[str, Any]:
    pairing = session.draft().pairing
    camera = pairing.recording if name == "recording" else pairing.monitoring
    if how == "focal":
        return {f"{name}.angle_deg": None, f"{name}.focal_mm": round(camera.lens.focal_mm, 3), **_projection_left(name)}
    return {f"{name}.focal_mm": None, f"{name}.angle_deg": {"horizontal": round(camera.angles().horizontal, 1)}, **_projection_left(name)}


def _projection_left(name: str) -> dict[str, Any]:
    table_ = getattr(session.draft().file, name)
    return {} if table_.distortion is not None or table_.projection is not None else {f"{name}.projection": "equidistant"}


def _frame(file: PairingFile) -> None:
    frame = file.recording.frame[0]
    if frame.area_px is not None:
        _frame_in_pixels(file)
        return
    shapes = dict(SHAPES)
    now = next((s for s in SHAPES if s is not None and frame.aspect and math.isclose(s, frame.aspect, rel_tol=1e-6)), frame.aspect)
    if now not in shapes:
        shapes[now] = f"{now:g}:1"
    one, two = st.columns(2)
    with one:
        fields.choice(
            "recording.frame.aspect",
            "Delivery aspect ratio",
            shapes,
            now,
            "Width over height of what will be shown.",
            lambda value: {"recording.frame.aspect": SHAPES.get(value) if value in SHAPES else value},
        )
    with two:
        fields.number(fields.KEEP)
    _stop_and_squeeze()


def _stop_and_squeeze() -> None:
    for column, field in zip(st.columns(2), (fields.F_NUMBER, fields.SQUEEZE), strict=True):
        with column:
            fields.number(field)


def _frame_in_pixels(file: PairingFile) -> None:
    left, top, width, height = file.recording.frame[0].area_px or (0.0, 0.0, 1.0, 1.0)
    words = f"Frame by its pixels, as an FDL file gave it: {width:g} x {height:g} at {left:g}, {top:g}"
    st.html(block(paragraph(f"{words}; the stabiliser keeps {file.recording.frame[0].keep_percent:g} %.")))
    fields.fault("recording.frame.area_px")
    shape = session.draft().pairing.frame_aspect
    near = next((s for s in SHAPES if s is not None and math.isclose(s, shape, rel_tol=2e-3)), round(shape, 4))
    st.button(
        "Frame by delivery aspect ratio again",
        key="drop:area_px",
        on_click=session.change,
        args=(
            "recording.frame.area_px",
            {**dict.fromkeys(f"recording.frame.{key}" for key in ("area_px", "intent", "protection_px")), "recording.frame.aspect": near},
        ),
        help="In the middle of what the stabiliser keeps, by width over height.",
    )
    _stop_and_squeeze()


def _display(file: PairingFile) -> None:
    for i, (column, field) in enumerate(zip(st.columns(2), (fields.DISPLAY_W, fields.DISPLAY_H), strict=True)):
        with column:
            fields.number(field, beside=i == 0)
    fields.choice(
        "monitoring.display.fit",
        "Camera's picture in the goggles",
        {"crop": "fills them, edges are lost", "letterbox": "fits inside, with bars", "stretch": "stretched to fit"},
        file.monitoring.display.fit if file.monitoring.display else "crop",
        "How the goggles show a picture of another shape than their own.",
        lambda value: {"monitoring.display.fit": value, "monitoring.display.raster_px": list(fields.display_px(file))},
    )
    for i, (column, field) in enumerate(zip(st.columns(2), (fields.CELLS_W, fields.CELLS_H), strict=True)):
        with column:
            fields.number(field, beside=i == 0)


def _angles(pairing: Pairing) -> None:
    names = {"recording": "recorded picture", "frame": "frame", "monitoring": "monitoring picture", "display": "goggles"}
    rows = [
        [names[key], *("outside the image circle" if math.isnan(a) else f"{a:.1f}°" for a in (found.horizontal, found.vertical, found.diagonal))]
        for key, found in pairing.angles.items()
    ]
    frame = pairing.angles["frame"]
    words = (
        f"Focal length for the same view on a 135 still camera (36 x 24 mm): {equivalent_words(pairing.equivalent_135_mm)} by the diagonal, "
        f"{equivalent_words(equivalent_135_mm(frame.horizontal, side_mm=36.0))} by the width."
    )
    misses = "".join(
        paragraph(f"Lens of the {camera} camera from quoted angles; found less quoted: " + ", ".join(f"{way} {signed(miss, 2)}°" for way, miss in each) + ".")
        for camera, each in pairing.lens_fit_deg
        if any(abs(miss) >= 0.005 for _, miss in each)
    )
    st.html(block(table(["", "horizontal", "vertical", "diagonal"], rows, caption="Angles of view") + paragraph(words) + misses))
