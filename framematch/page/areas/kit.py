"""The kit: bodies, lenses and goggles typed once, every pairing of them listed, opened, exported and handed over."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

import streamlit as st

from framematch.errors import InputError
from framematch.files.kit import (
    BODY,
    GOGGLES,
    KINDS,
    LENS,
    Kit,
    KitPairing,
    entry_of_rig,
    kit_of_rig,
    parse_kit,
    toml_text,
    with_entry,
    with_focals,
    without_entry,
)
from framematch.files.spec_sheet import FORMAT_WORDS, RASTERS, answer
from framematch.geometry.camera import format_part_mm
from framematch.geometry.pairing import Pairing
from framematch.guide.report import insets_px
from framematch.guide.shown import as_spoken_here
from framematch.guide.transfer import EDGES
from framematch.page import fields, session
from framematch.page.files_made import zipped
from framematch.page.lines import overlays_of
from framematch.page.long_work import awaited
from framematch.page.look import Colours, as_typed, block, paragraph, table
from framematch.page.patience import Pulse
from framematch.page.work import report_of
from framematch.progress import Stopped
from framematch.render.keep import kept_by_value
from framematch.text.toml import parse_toml
from framematch.text.whole import plain_name

NAMES = {BODY: "Bodies", LENS: "Lenses", GOGGLES: "Goggles"}
ADDED = {"name": "kit:body:name", "sensor": "kit:body:sensor", "raster": "kit:body:raster", "serial": "kit:body:serial"}


def area(pairing: Pairing, colours: Colours, pulse: Pulse) -> None:
    """The kit with its pairings; before there is one, the rig at hand is all of it."""
    kit = kit_now()
    st.html(block("<h2>Kit</h2>" + paragraph("Each body, lens and pair of goggles once; every pairing of them is printed, exported and handed over.", "quiet")))
    for column, kind in zip(st.columns(3), KINDS, strict=True):
        with column:
            _entries(kit, kind)
    _add_body()
    fault = session.take_fault("kit")
    if fault:
        st.html(block(paragraph(fault, "fault")))
    _list(kit, pulse)


def kit_now() -> Kit:
    """The visitor's kit; of the rig at hand alone if none was made."""
    draft = session.draft()
    return kit_of(draft.kit) if draft.kit else kit_of(toml_text(_rig_as_kit(draft.text)))


@kept_by_value(limit_bytes=8_000_000)
def kit_of(text: str) -> Kit:
    """The kit in a text."""
    return parse_kit(text)


def _rig_as_kit(text: str) -> dict[str, Any]:
    return kit_of_rig(parse_toml(text, name="rig"), session.draft().pairing)


def _entries(kit: Kit, kind: str) -> None:
    st.html(block(f"<h3>{NAMES[kind]}</h3>"))
    if kind == LENS:
        focals = ", ".join(f"{lens.focal_mm:g}" for lens in kit.file.lens)
        about = "Comma between. A lens that is known stays as it is."
        fields.numbers("kit.lens", "Focal lengths of the case, mm", focals, about, lambda found: _change(lambda data: with_focals(data, found)))
    for each in getattr(kit.file, kind):
        with st.container(horizontal=True, vertical_alignment="center", key=f"kit-{kind}-{plain_name(each.name)}"):
            serial = f", serial number {each.serial}" if each.serial else ""
            st.html(block(paragraph(f"{each.name}{serial}: {_figures(each, kind)}")))
            if len(getattr(kit.file, kind)) > 1:
                st.button("Remove", key=f"kit:remove:{kind}:{each.name}", on_click=_change, args=(lambda data, k=kind, n=each.name: without_entry(data, k, n),))
    named = st.text_input("Name", key=f"kit:name:{kind}", max_chars=60, placeholder=f"name of this rig's {kind}", label_visibility="collapsed")
    st.button(f"Add this rig's {kind}", key=f"kit:take:{kind}", on_click=_take, args=(kind,), help="With all that was measured on it.", disabled=not named)


def _figures(each: Any, kind: str) -> str:
    if kind == LENS:
        return f"{each.focal_mm:g} mm{', measured' if each.distortion else ''}"
    size = f"{each.format}" if each.format else "{:g} x {:g} mm".format(*each.sensor_mm)
    return f"{each.raster_px[0]} x {each.raster_px[1]}, {size}"


def _add_body() -> None:
    st.html(block(paragraph("Another body, from its data sheet; its frame is as the first body's:", "quiet")))
    with st.form("kit:body", border=False, clear_on_submit=True):
        name, sensor, raster, serial, done = st.columns([1, 1.4, 1.2, 0.9, 0.8], vertical_alignment="bottom")
        name.text_input("Body's name", key=ADDED["name"], max_chars=60)
        sensor.selectbox(
            "Sensor: format, or mm", list(FORMAT_WORDS.values()), index=None, accept_new_options=True, placeholder="choose or type", key=ADDED["sensor"]
        )
        raster.selectbox("Picture, pixels", list(RASTERS), index=None, accept_new_options=True, placeholder="choose or type", key=ADDED["raster"])
        serial.text_input("Serial number", key=ADDED["serial"], max_chars=120)
        done.form_submit_button("Add body", on_click=_body_typed)


def _offered(column: Any, label: str, answers: tuple[str, ...], key: str) -> None:
    column.selectbox(label, list(answers), index=None, accept_new_options=True, placeholder="choose or type", key=key)


def _body_typed() -> None:
    typed = {name: (st.session_state[key] or "").strip() for name, key in ADDED.items()}

    def change(data: Mapping[str, Any]) -> dict[str, Any]:
        if not typed["name"] or not typed["sensor"] or not typed["raster"]:
            raise InputError("a body needs a name, its sensor and its picture", fix="fill all three in")
        raster = answer("recording.raster_px", typed["raster"])
        sensor = answer("recording.sensor_mm", typed["sensor"])
        entry = {"name": typed["name"], "sensor_mm": list(format_part_mm(sensor, raster)) if isinstance(sensor, str) else sensor, "raster_px": raster}
        first = {key: data[BODY][0][key] for key in ("frame",) if key in data[BODY][0]}
        return with_entry(data, BODY, entry | ({"serial": typed["serial"]} if typed["serial"] else {}) | first)

    _change(change)


def _take(kind: str) -> None:
    draft, name = session.draft(), st.session_state[f"kit:name:{kind}"].strip()
    _change(lambda data: with_entry(data, kind, entry_of_rig(kind, parse_toml(draft.text, name="rig"), draft.pairing, name=name)))


def _change(change: Callable[[Mapping[str, Any]], dict[str, Any]]) -> None:
    try:
        text = toml_text(change(kit_now().data))
        kit_of(text)
    except InputError as error:
        session.tell_fault("kit", f"Not used: {error}")
        return
    session.open_kit(text)


def _list(kit: Kit, pulse: Pulse) -> None:
    good = [each for each in kit.pairings if each.pairing is not None]
    st.html(block(f"<h3>{len(kit.pairings)} pairing{'s' if len(kit.pairings) > 1 else ''}</h3>"))
    for each in kit.pairings:
        if each.fault:
            st.html(block(paragraph(f"Left out: {each.fault}", "fault")))
    told, spot, rows = st.empty(), st.empty(), []
    for i, each in enumerate(good):
        told.html(block(paragraph(f"Working out {i + 1} of {len(good)} …", "quiet")))
        try:
            rows.append(_row(each, pulse))
        except Stopped:
            break
        spot.html(block(table(["pairing", *EDGES, "off by", "OSD columns, rows"], rows, caption="Insets in pixels of the goggles' picture")))
    told.empty()
    for column, (label, make, name, mime, key) in zip(st.columns(4), _files(kit, good), strict=True):
        column.download_button(label, as_spoken_here(make) if callable(make) else make, name, mime, key=f"kit:{key}", on_click="ignore", width="stretch")
    titles = [each.title for each in good]
    chosen = st.selectbox("Open one of them on this page", titles, index=None, key="kit:chosen", placeholder="choose")
    if chosen is not None:
        st.button(f"Open {as_typed(chosen)}", on_click=session.open_text, args=(good[titles.index(chosen)].text,), key="kit:open")


def _row(each: KitPairing, pulse: Pulse) -> list[str]:
    assert each.pairing is not None
    try:
        report = awaited(("kit", each.pairing), partial(report_of, each.pairing), pulse)
    except InputError as error:
        return [each.title, "-", "-", "-", "-", str(error), ""]
    insets, c = insets_px(report.guide.rectangle, each.pairing.display.raster_px), report.cells
    cells = "" if c is None else f"{c.left_column} and {c.right_column}, {c.top_row} and {c.bottom_row}"
    return [each.title, *(f"{v:.0f}" for v in insets), f"{report.guide.rectangle_worst_error_percent:.1f} %", cells]


def _files(kit: Kit, good: list[KitPairing]) -> list[tuple[str, Callable[[], bytes] | str, str, str, str]]:
    name = plain_name(", ".join(filter(None, (kit.file.title, kit.file.production, kit.file.unit))) or "kit")
    text = session.draft().kit or toml_text(kit.data)
    return [
        ("Save the kit (TOML)", text, f"{name}-kit.toml", "application/toml", "save"),
        ("Pocket file (HTML)", lambda: pocket(tuple(each.text for each in good), kit.file.title), f"{name}-pocket.html", "text/html", "pocket"),
        ("All overlays (ZIP)", lambda: overlays_zip(tuple(each.text for each in good)), f"{name}-overlays.zip", "application/zip", "overlays"),
        (
            "Pairings (ZIP of TOML)",
            lambda: zipped({f"{plain_name(e.title)}.toml": e.text.encode() for e in good}),
            f"{name}-pairings.zip",
            "application/zip",
            "zip",
        ),
    ]


@kept_by_value(limit_bytes=16_000_000)
def pocket(texts: tuple[str, ...], title: str) -> bytes:
    """Every pairing's guide in one file for phones."""
    from framematch.files.pairing import parse_pairing
    from framematch.output.pocket import pocket_html

    return pocket_html([report_of(parse_pairing(text)) for text in texts], title=title).encode()


def _texts(good: list[KitPairing]) -> dict[str, bytes]:
    return {f"{plain_name(each.title)}.toml": each.text.encode() for each in good}


@kept_by_value(limit_bytes=32_000_000)
def overlays_zip(texts: tuple[str, ...]) -> bytes:
    """Every pairing's overlay as PNG and SVG."""
    from framematch.files.pairing import parse_pairing
    from framematch.output.guide_drawing import USUAL_PARTS

    files: dict[str, bytes] = {}
    for text in texts:
        pairing = parse_pairing(text)
        made = overlays_of(pairing, 1, USUAL_PARTS, tuple(range(len(pairing.frames))), ())
        files |= {f"{plain_name(pairing.heading)}-{name}": made[name] for name in ("overlay.png", "overlay.svg")}
    return zipped(files)
