"""The fields of a pairing: where each stands in the file, its unit, range and one line of help."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import streamlit as st

from framematch.errors import InputError
from framematch.files.pairing_tables import PairingFile
from framematch.guide.shown import as_spoken_here, system
from framematch.page import session
from framematch.page.draft import Draft
from framematch.page.look import block, paragraph
from framematch.text import typed, units

MOST_NUMBERS = 12
_UNIT_OF_LABEL = {label: unit for unit, label in units.LABELS.items()}
_FINER = {"mm": 20, "cm": 2}  # what a step is divided by where an inch takes its place


@dataclass(frozen=True, kw_only=True)
class Field:
    """A figure to type.

    Args:
        key: in the file, dotted; ``index`` picks one of a pair.
        read: the figure in the pairing's tables, or in the shot's or the day's where ``of_shot``, ``of_day``.
        label: with its unit.
        about: one line of help.
        low, high: what is taken; the file's own rules decide, tests hold the two together.
    """

    key: str
    read: Callable[[Any], Any]
    label: str
    about: str
    low: float
    high: float
    step: float
    index: int | None = None
    of_shot: bool = False
    of_day: bool = False

    @property
    def whole(self) -> bool:
        """Whether only whole numbers are taken."""
        return isinstance(self.step, int)

    @property
    def unit(self) -> str:
        """The metric unit at the label's end, if another is shown in its place here and now; empty if not. Optics stay metric."""
        label = self.label.rpartition(", ")[2].removeprefix("± ")
        unit = _UNIT_OF_LABEL.get(label, label)
        return unit if spoken(unit) != unit and not self.key.startswith(("recording.", "monitoring.")) else ""

    @property
    def titled(self) -> str:
        """The label with the unit that is shown."""
        unit, metric = self.unit, self.label.rpartition(" ")
        return f"{metric[0]} {named(unit)}" if unit else self.label

    @property
    def widget(self) -> str:
        """The key of its widget."""
        return f"field:{self.key}" + ("" if self.index is None else f":{self.index}")


def spoken(unit: str) -> str:
    """The unit that stands for a metric one on the page."""
    return units.IMPERIAL.get(unit, unit) if system() == "imperial" else unit


def named(unit: str) -> str:
    """How the label says the unit that stands for a metric one."""
    return units.LABELS.get(spoken(unit), spoken(unit))


def in_spoken(value: float, unit: str) -> float:
    """A metric figure as the page shows it; as it is without a unit."""
    return round(units.convert(value, unit=unit, to=spoken(unit)), 6) if unit and spoken(unit) != unit else value


def in_metric(value: float, unit: str) -> float:
    """What was typed there, in the file's unit."""
    return float(f"{units.convert(value, unit=spoken(unit), to=unit):.9g}") if unit and spoken(unit) != unit else value


def shown(draft: Draft, field: Field) -> Any:
    """What the field shows: what was typed, or else what the file has."""
    waiting = draft.waiting.get(field.key, {})
    if field.key in waiting:
        value = waiting[field.key]
        return value if field.index is None or value is None else value[field.index]
    return field.read(draft.shot if field.of_shot else draft.day_file if field.of_day else draft.file)


def number(field: Field, *, beside: bool = True, first: Mapping[str, Any] | None = None) -> None:
    """A field with its fault below it, unless its fellow of a pair shows that.

    Args:
        first: changes that have to come before its own, such as the table that it stands in.
    """
    draft = session.draft()
    value = shown(draft, field)
    if value is not None:
        value = int(value) if field.whole and float(value).is_integer() else in_spoken(float(value), field.unit)
    step = field.step / _FINER.get(field.unit, 1) if field.unit else field.step
    low, high = (f"{in_spoken(bound, field.unit):.4g}" for bound in (field.low, field.high))
    session.hold(field.widget, value)
    st.number_input(
        field.titled,
        key=field.widget,
        value=None,
        step=step,
        format=None if field.whole else _format(step),
        help=f"{field.about} From {low} to {high}.",
        on_change=as_spoken_here(_typed),
        args=(field, first or {}),
    )
    if beside:
        fault(field.key)


def text(key: str, label: str, now: str, about: str, *, most: int = 120, first: Mapping[str, Any] | None = None) -> None:
    """A line of text with its fault below it; what is cleared is left out of the file."""
    widget = f"field:{key}"
    waiting = session.draft().waiting.get(key, {})
    session.hold(widget, waiting.get(key, now))
    st.text_input(label, key=widget, max_chars=most, help=about, on_change=_line_typed, args=(key, widget, first or {}))
    fault(key)


def _line_typed(key: str, widget: str, first: Mapping[str, Any]) -> None:
    session.change(key, {**first, key: st.session_state[widget].strip() or None})


def numbers(key: str, label: str, now: str, about: str, take: Callable[[list[float]], None] | None = None, *, count: int | None = None, unit: str = "") -> None:
    """Several figures in one field, commas between; what can't be used stays in it, with the reason below.

    Args:
        now: the figures, commas between.
        unit: a metric one that ends the label and is theirs; the page shows them in the one that stands for it.
        take: what to do with them; the key's own value if not given.
        count: how many there have to be; 1 to ``MOST_NUMBERS`` if not given.
    """
    widget = f"numbers:{key}"
    trouble = st.session_state.get(f"{widget}:fault", "")
    wrong = trouble or session.draft().faults.get(key)
    if unit:
        label = f"{label} {named(unit)}"
    if unit and now:
        now = ", ".join(f"{in_spoken(value, unit):{'.4g' if spoken(unit) != unit else 'g'}}" for value in typed.numbers(now, most=MOST_NUMBERS))
    session.hold(widget, st.session_state.get(f"{widget}:typed", now) if wrong else now)
    st.text_input(label, key=widget, help=about, on_change=as_spoken_here(_numbers_typed), args=(key, widget, take, count, unit), max_chars=120)
    if trouble:
        st.html(block(paragraph(f"Not used yet: {trouble}", "fault"), kind="fault-beside"))
    fault(key)


def _numbers_typed(key: str, widget: str, take: Callable[[list[float]], None] | None, count: int | None, unit: str) -> None:
    st.session_state.pop(f"{widget}:fault", None)
    st.session_state[f"{widget}:typed"] = st.session_state[widget]
    try:
        found = [in_metric(value, unit) for value in typed.numbers(st.session_state[widget], count=count, most=MOST_NUMBERS)]
    except InputError as error:
        st.session_state[f"{widget}:fault"] = str(error)
        return
    if take is None:
        session.change(key, {key: found})
    else:
        take(found)


def distance(label: str, key: str, first_m: float | None, *, low_m: float, high_m: float, step: float, about: str) -> float | None:
    """A distance that no file holds, typed in the page's units; in metres, and kept while the field is out of sight.

    Args:
        label: the unit follows it.
        first_m: what it holds at first; None for nothing.
    """
    place = f"fm_kept:{key}"
    held: float | None = st.session_state.setdefault(place, first_m)
    session.hold(key, None if held is None else in_spoken(held, "m"))
    low, high = in_spoken(low_m, "m"), in_spoken(high_m, "m")

    def typed_in() -> None:
        now = st.session_state[key]
        st.session_state[place] = None if now is None else in_metric(now, "m")

    help = f"{about} From {low:.4g} to {high:.4g}."
    st.number_input(f"{label}, {named('m')}", low, high, None, step, format="%.2f", key=key, help=help, on_change=as_spoken_here(typed_in))
    return held


def fault(key: str) -> None:
    """Why what was typed under a key is not taken, if it is not."""
    text = session.draft().faults.get(key)
    if text:
        st.html(block(paragraph(f"Not used yet: {text}", "fault"), kind="fault-beside"))


def choice(key: str, label: str, options: dict[Any, str], now: Any, about: str, means: Callable[[Any], dict[str, Any]]) -> None:
    """A choice among named values; ``means`` gives the changes that one means."""
    widget = f"choice:{key}"
    session.hold(widget, now)
    st.selectbox(label, list(options), key=widget, format_func=lambda value: options[value], help=about, on_change=_chosen, args=(key, widget, means))
    fault(key)


def _chosen(key: str, widget: str, means: Callable[[Any], dict[str, Any]]) -> None:
    session.change(key, means(st.session_state[widget]))


def _typed(field: Field, first: Mapping[str, Any]) -> None:
    value = st.session_state[field.widget]
    if value is not None and field.unit:
        value = in_metric(value, field.unit)
    if field.index is not None:
        pair = [shown(session.draft(), each) for each in PAIRS[field.key]]
        pair[field.index] = value
        value = None if value is None else pair  # the other may still be to come
    session.change(field.key, {**first, field.key: value, **also(field)})


def also(field: Field) -> dict[str, Any]:
    """What else a change of a field means.

    A lens centre in the middle of the old raster goes to the middle of the new one; a typed area takes
    the place of a named format.
    """
    camera, _, last = field.key.rpartition(".")
    if last == "sensor_mm":
        return {f"{camera}.format": None}
    return recentred(camera) if field.key in ("recording.raster_px", "monitoring.raster_px") else {}


def recentred(camera: str) -> dict[str, Any]:
    """What goes along with another raster: a lens centre in the middle of the old one."""
    table = getattr(session.draft().file, camera)
    middle = tuple(n / 2 for n in table.raster_px)
    return {f"{camera}.centre_px": None} if table.centre_px == middle else {}


def _format(step: float) -> str:
    return "%.3f" if step < 0.02 else "%.2f" if step < 0.1 else "%.1f"


class _Under:
    """Reads the value under some names, one inside the other; None where one is left out."""

    def __init__(self, *names: str, index: int | None = None) -> None:
        self.names, self.index = names, index

    def __call__(self, file: Any) -> Any:
        value = file
        for name in self.names:
            value = getattr(value, name, None)
        return value if self.index is None or value is None else value[self.index]


def _camera(name: str) -> dict[str, Field]:
    def of(file: PairingFile) -> Any:
        return getattr(file, name)

    who = "recording" if name == "recording" else "monitoring"
    found = {
        "sensor_w": Field(
            key=f"{name}.sensor_mm", index=0, read=lambda f: of(f).size_mm[0], label="Area read out, width, mm", low=0.5, high=200, step=0.01,
            about="Width of the part of the sensor that this mode reads out; the data sheet of the mode gives it.",
        ),
        "sensor_h": Field(
            key=f"{name}.sensor_mm", index=1, read=lambda f: of(f).size_mm[1], label="Area read out, height, mm", low=0.5, high=200, step=0.01,
            about="Height of the part of the sensor that this mode reads out.",
        ),
        "raster_w": Field(
            key=f"{name}.raster_px", index=0, read=lambda f: of(f).raster_px[0], label="Picture width, pixels", low=16, high=32768, step=1,
            about=f"Width of the {who} camera's picture.",
        ),
        "raster_h": Field(
            key=f"{name}.raster_px", index=1, read=lambda f: of(f).raster_px[1], label="Picture height, pixels", low=16, high=32768, step=1,
            about=f"Height of the {who} camera's picture.",
        ),
        "focal": Field(
            key=f"{name}.focal_mm", read=lambda f: of(f).focal_mm, label="Focal length, mm", low=0.5, high=3000, step=0.1,
            about="As engraved on the lens; not converted to another format.",
        ),
    }  # fmt: skip
    for way, over in (("horizontal", "the picture's width"), ("vertical", "the picture's height"), ("diagonal", "corner to corner")):
        found[way] = Field(
            key=f"{name}.angle_deg.{way}", read=_Under(name, "angle_deg", way), label=f"{way.capitalize()} angle, degrees",
            low=1, high=359, step=0.1, about=f"Angle of view over {over}, as the spec sheet quotes it; leave empty if it does not.",
        )  # fmt: skip
    return found


RECORDING, MONITORING = _camera("recording"), _camera("monitoring")
SQUEEZE = Field(
    key="recording.squeeze", read=lambda f: f.recording.squeeze, label="Anamorphic squeeze", low=1, high=2.5, step=0.05,
    about="How much the lens narrows the picture; 1 for usual lenses.",
)  # fmt: skip
F_NUMBER = Field(
    key="recording.f_number", read=lambda f: f.recording.f_number, label="Stop, f/", low=0.5, high=128, step=0.1,
    about="Aperture of the recording lens; only sharpness depends on it.",
)  # fmt: skip
KEEP = Field(
    key="recording.frame.keep_percent", read=lambda f: f.recording.frame[0].keep_percent, label="Kept by the stabiliser, %", low=10, high=100, step=1.0,
    about="How much of the picture's width and height is left after stabilising; 100 without.",
)  # fmt: skip
DISPLAY_W = Field(
    key="monitoring.display.raster_px", index=0, read=lambda f: display_px(f)[0], label="Goggles width, pixels", low=16, high=32768, step=1,
    about="Width of the picture in the goggles; guide lines are given in these pixels.",
)  # fmt: skip
DISPLAY_H = Field(
    key="monitoring.display.raster_px", index=1, read=lambda f: display_px(f)[1], label="Goggles height, pixels", low=16, high=32768, step=1,
    about="Height of the picture in the goggles.",
)  # fmt: skip
CELLS_W = Field(
    key="monitoring.display.text_cells", index=0, read=lambda f: _cells(f)[0], label="Character columns", low=4, high=500, step=1,
    about="Columns of the goggles' character grid, if lines are drawn with characters.",
)  # fmt: skip
CELLS_H = Field(
    key="monitoring.display.text_cells", index=1, read=lambda f: _cells(f)[1], label="Character rows", low=4, high=500, step=1,
    about="Rows of the goggles' character grid.",
)  # fmt: skip
OFFSETS = tuple(
    Field(
        key=f"mount.offset_mm.{way}", read=_Under("mount", "offset_mm", way), label=f"{way.capitalize()}, mm", low=-3000, high=3000,
        step=1.0, about=f"How far {way} of the recording lens the monitoring lens sits, pupil to pupil, seen from behind; minus for {minus}.",
    )
    for way, minus in (("right", "left"), ("up", "below"), ("forward", "behind"))
)  # fmt: skip
AIMS = tuple(
    Field(
        key=f"mount.aim_deg.{way}", read=_Under("mount", "aim_deg", way), label=f"{way.capitalize()}, degrees", low=-limit, high=limit,
        step=0.1, about=about,
    )
    for way, limit, about in (
        ("pan", 180, "How far the monitoring camera is turned to the right of the recording camera; minus for left."),
        ("tilt", 90, "How far the monitoring camera looks above the recording camera; minus for below."),
        ("roll", 180, "How far the monitoring camera is rolled clockwise, seen from behind."),
    )
)  # fmt: skip
TOLERANCES = tuple(
    Field(key=f"tolerance.{name}", read=_Under("tolerance", name), label=label, low=0, high=high, step=step, about=about)
    for name, label, high, step, about in (
        ("offset_mm", "Offsets, ± mm", 500, 0.5, "Each of the three offsets is right to within this, 19 times in 20."),
        ("aim_deg", "Aim, ± degrees", 30, 0.1, "Pan, tilt and roll are each right to within this, 19 times in 20."),
        ("focal_percent", "Focal lengths, ± %", 30, 0.5, "Each focal length is right to within this, 19 times in 20; spec sheets often miss by 2."),
    )
)
NEAR = Field(
    key="shot.distance_m", index=0, read=lambda f: f.shot.distance_m[0], label="Nearest, m", low=0.05, high=100_000, step=0.1,
    about="Nearest distance that the guide has to serve, straight ahead of the recording lens.",
)  # fmt: skip
FAR = Field(
    key="shot.distance_m", index=1, read=lambda f: f.shot.distance_m[1], label="Farthest, m", low=0.05, high=100_000, step=1.0,
    about="Farthest distance that the guide has to serve.",
)  # fmt: skip


def _of_shot(key: str, value: str, label: str, low: float, high: float, step: float, about: str, index: int | None = None) -> Field:
    return Field(key=key, read=_Under(*value.split(".")), label=label, low=low, high=high, step=step, about=about, index=index, of_shot=True)


GAP_W = _of_shot("gap.size_m", "opening.width_m", "Gap width, m", 0.1, 1000, 0.1, "Width of the opening to fly through.", 0)
GAP_H = _of_shot("gap.size_m", "opening.height_m", "Gap height, m", 0.1, 1000, 0.1, "Height of the opening.", 1)
SILL = _of_shot("gap.sill_m", "opening.sill_m", "Lowest point above ground, m", 0, 1000, 0.1, "From the ground to the opening's lowest point.")
THICKNESS = _of_shot("gap.thickness_m", "opening.thickness_m", "Wall thickness, m", 0, 100, 0.05, "How thick the wall around the opening is.")
HEADING = _of_shot("gap.heading_deg", "opening.heading_deg", "Flown towards, degrees", -360, 360, 5.0, "The way through the opening: 0 is -z, 90 is +x.")
SCALE = _of_shot("place.scale_m", "place.scale_m", "Metres for each unit", 1e-6, 1e6, 0.1, "0.001 for a scan in millimetres, 0.3048 for feet.")
SPEED = _of_shot("run.speed_m_s", "run.speed_m_s", "Speed, m/s", 0.1, 100, 0.5, "Speed of the run; 8 m/s until you type one.")
PASS_RIGHT = _of_shot(
    "run.offset_m.right", "run.right_m", "Passes right of middle, m", -100, 100, 0.05, "Where the recording lens crosses the gap's plane; minus for left."
)
PASS_UP = _of_shot(
    "run.offset_m.up", "run.up_m", "Passes above middle, m", -100, 100, 0.05, "Where the recording lens crosses the gap's plane; minus for below."
)
TILT = _of_shot(
    "run.tilt_deg", "run.tilt_deg", "Camera tilt in flight, degrees", -90, 90, 0.5, "Of the recording camera above the horizon while it flies the run."
)
CAMERA_TILT = _of_shot(
    "aircraft.camera_tilt_deg", "aircraft.camera_tilt_deg", "Camera tilt on the airframe, degrees", -90, 90, 0.5, "Of the recording camera, as it is bolted on."
)
AIRCRAFT = (
    _of_shot(
        "aircraft.size_m",
        "aircraft.width_m",
        "Aircraft width, m",
        0.001,
        1000,
        0.02,
        "With its propellers, at the widest.",
        0,
    ),
    _of_shot("aircraft.size_m", "aircraft.height_m", "Aircraft height, m", 0.001, 1000, 0.02, "With everything on it.", 1),
    _of_shot("aircraft.size_m", "aircraft.length_m", "Aircraft length, m", 0.001, 1000, 0.02, "With its propellers.", 2),
)
UNSURE = _of_shot(
    "aircraft.uncertainty_cm", "aircraft.uncertainty_cm", "Path uncertainty, ± cm", 0, 1000, 1.0, "How far off the flown path may be, 19 times in 20."
)
PAIRS: dict[str, tuple[Field, ...]] = {
    pair[0].key: pair
    for pair in (
        (RECORDING["sensor_w"], RECORDING["sensor_h"]),
        (RECORDING["raster_w"], RECORDING["raster_h"]),
        (MONITORING["sensor_w"], MONITORING["sensor_h"]),
        (MONITORING["raster_w"], MONITORING["raster_h"]),
        (DISPLAY_W, DISPLAY_H),
        (CELLS_W, CELLS_H),
        (NEAR, FAR),
        (GAP_W, GAP_H),
        AIRCRAFT,
    )
}


def paired(fellows: tuple[Field, ...]) -> tuple[Field, ...]:
    """Fields that make one value together, in their order, known as such from now on."""
    PAIRS[fellows[0].key] = fellows
    return fellows


def display_px(file: PairingFile) -> tuple[int, int]:
    """The goggles' picture; the camera's own raster if the file names none."""
    return file.monitoring.display.raster_px if file.monitoring.display else file.monitoring.raster_px


def _cells(file: PairingFile) -> tuple[int, int] | tuple[None, None]:
    return (file.monitoring.display and file.monitoring.display.text_cells) or (None, None)
