"""The flight day's figures as the crew thinks of them: groups of fields over the day file, linked to the shot's speed and tilt."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import streamlit as st

from framematch.files.day_tables import DayFile
from framematch.optics.exposure import LIGHT_EV100
from framematch.page import fields, session
from framematch.page.draft import DAY
from framematch.page.look import block

ABREAST = 3
TAKE, PERSON = {"name": "Shot 1", "take_s": 20.0}, {"name": "Crew", "at_m": [0.0, -5.0]}


def _figure(key: str, label: str, low: float, high: float, step: float, about: str, index: int | None = None) -> fields.Field:
    return fields.Field(key=DAY + key, read=_read(key, index), label=label, about=about, low=low, high=high, step=step, index=index, of_day=True)


def _read(key: str, index: int | None) -> Callable[[Any], Any]:
    def read(file: DayFile | None) -> Any:
        value: Any = file
        for name in key.split("."):
            value = (value[int(name)] if value and int(name) < len(value) else None) if name.isdigit() else getattr(value, name, None)
        return value if index is None or value is None else value[index]

    return read


STOPS = fields.paired(
    (
        _figure("exposure.f_number_range", "Widest stop, f/", 0.5, 128, 0.1, "Of the recording lens.", 0),
        _figure("exposure.f_number_range", "Smallest stop, f/", 0.5, 128, 0.1, "Twice the same if it is fixed.", 1),
    )
)
GROUPS: tuple[tuple[str, tuple[fields.Field, ...]], ...] = (
    (
        "Aircraft",
        (
            _figure("aircraft.mass_kg", "Mass without the pack, kg", 0.01, 200, 0.05, "Ready to fly, camera and all."),
            _figure("aircraft.prop_diameter_m", "Propeller diameter, m", 0.02, 3, 0.01, "Tip to tip of one propeller; 7 inches are 0.18 m."),
            _figure("aircraft.rotors", "Rotors", 1, 32, 1, "How many; 4 if left out."),
            _figure("aircraft.span_m", "Span, m", 0.05, 10, 0.02, "Tip to tip over all propellers; 0.6 m if left out."),
            _figure("aircraft.drag_area_m2", "Drag area, m²", 0.0001, 5, 0.005, "Drag coefficient times area; 0.05 m² if left out, which is a guess."),
            _figure("aircraft.max_lift_kg", "Thrust at full throttle, kg", 0.01, 200, 0.1, "Of all rotors, from the bench."),
            _figure("aircraft.accessories_w", "Camera, video link, lights, W", 0, 5000, 5.0, "What the pack feeds besides the rotors."),
        ),
    ),
    (
        "Packs",
        (
            _figure("pack.cells", "Cells in series", 1, 60, 1, "6 for a 6S pack."),
            _figure("pack.capacity_ah", "Capacity, Ah", 0.05, 500, 0.1, "4500 mAh are 4.5."),
            _figure("pack.mass_kg", "Mass of a pack, kg", 0.01, 200, 0.05, "On the scales."),
            _figure("pack.owned", "Charged packs here", 0, 999, 1, "On the day."),
            _figure("pack.reserve_percent", "Reserve at landing, %", 0, 100, 5.0, "Stays in the pack; 20 if left out."),
        ),
    ),
    (
        "Media",
        (
            _figure("card.capacity_gb", "Capacity, GB", 1e-6, 100_000, 64.0, "As printed on it."),
            _figure("card.data_rate_mbit_s", "Data rate, Mbit/s", 1e-6, 100_000, 50.0, "Of the recording mode."),
            _figure("card.owned", "Empty media here", 0, 999, 1, "On the day."),
            _figure("card.before_takeoff_s", "Runs before take-off, s", 0, 7200, 5.0, "The camera is started by hand; 60 if left out."),
        ),
    ),
    (
        "Light and filters",
        (
            _figure("exposure.iso", "Exposure index, ISO", 1, 1_000_000, 100.0, "As the camera is set."),
            *STOPS,
            _figure("exposure.rate_fps", "Frames per second", 1, 2000, 1.0, "24 if left out."),
            _figure("exposure.shutter_deg", "Shutter angle, degrees", 1, 360, 1.0, "180 if left out."),
            _figure("exposure.loss_stops", "T-stop over f-number, stops", 0, 4, 0.1, "What the glass swallows."),
        ),
    ),
    (
        "Air",
        (
            _figure("air.altitude_m", "Altitude, m", -500, 9000, 10.0, "Above sea level."),
            _figure("air.temperature_c", "Temperature, °C", -50, 55, 1.0, "The standard one for the altitude if left out."),
            _figure("air.gust_m_s", "Strongest gust, m/s", 0, 60, 0.5, "From any side."),
        ),
    ),
)
FILTERS = "day:filters"


def show(file: DayFile | None) -> None:
    """Every group, in the order in which a crew packs and flies."""
    for title, group in GROUPS:
        st.html(block(f"<h3>{title}</h3>"))
        if title == "Light and filters":
            _light(file)
        if title == "Aircraft":
            _linked()
        _rows(group)
    _takes(file)
    _people(file)


def _rows(group: Sequence[fields.Field]) -> None:
    for start in range(0, len(group), ABREAST):
        for column, field in zip(st.columns(ABREAST), group[start : start + ABREAST], strict=False):
            with column:
                fields.number(field, beside=not field.index)


def _linked() -> None:
    """The shot's own speed and tilt: typed here or there, they are the same."""
    _rows((fields.SPEED, fields.TILT, fields.CAMERA_TILT))


def _light(file: DayFile | None) -> None:
    exposure = file.exposure if file else None
    light, filters = st.columns([1, 2])
    with light:
        fields.choice(
            f"{DAY}exposure.light",
            "Light",
            {None: "choose", **{name: name for name in LIGHT_EV100}},
            exposure.light if exposure else session.draft().waiting.get(f"{DAY}exposure.light", {}).get(f"{DAY}exposure.light"),
            "By eye; a meter's EV in the day's text is better.",
            lambda name: {f"{DAY}exposure.light": name, f"{DAY}exposure.ev100": None},
        )
    with filters:
        now = ", ".join(f"{density:g}" for density in exposure.nd) if exposure else ""
        session.hold(FILTERS, now)
        st.text_input("Filters in the case, densities", key=FILTERS, on_change=_filters, help="Comma between: 0.3, 0.6, 0.9.", max_chars=120)
        fields.fault(f"{DAY}exposure.nd")


def _filters() -> None:
    words = st.session_state[FILTERS].replace(";", ",").split(",")
    found: list[Any] = []
    for word in (each.strip() for each in words if each.strip()):
        try:
            found.append(float(word))
        except ValueError:
            found.append(word)  # the day's own reader says what is wrong with it
    session.change(f"{DAY}exposure.nd", {f"{DAY}exposure.nd": found or None})


def _takes(file: DayFile | None) -> None:
    st.html(block("<h3>Takes</h3>"))
    shots = list(file.shots) if file else []
    for i in range(max(len(shots), 1)):
        first = not shots
        row = (
            _figure(f"shots.{i}.take_s", "Length of a take, s", 0, 7200, 1.0, "Of the shot as it is kept."),
            _figure(f"shots.{i}.takes", "Takes", 1, 200, 1, "How many."),
            _figure(f"shots.{i}.reset_s", "Back to the start, s", 0, 7200, 1.0, "For the next take."),
        )
        name, *rest = st.columns([1.4, 1, 1, 1])
        with name:
            called = "" if first else shots[i].name
            fields.text(f"{DAY}shots.{i}.name", f"Shot {i + 1}", called, "What the crew calls it.", most=80, first=_new("shots", TAKE, first))
        for column, field in zip(rest, row, strict=True):
            with column:
                fields.number(field, first=_new("shots", TAKE, first))
    _more("shots", "Add a shot", shots, lambda n: {**TAKE, "name": f"Shot {n}"})


def _people(file: DayFile | None) -> None:
    st.html(block("<h3>People</h3>"))
    people = list(file.people) if file else []
    for i, person in enumerate(people):
        places = fields.paired(
            tuple(_figure(f"people.{i}.at_m", label, -10_000, 10_000, 0.5, "From the opening.", index) for index, label in enumerate(("Right, m", "Ahead, m")))
        )
        name, *rest = st.columns([2, 1, 1])
        with name:
            fields.text(f"{DAY}people.{i}.name", f"Person {i + 1}", person.name, "Who, or which camera.", most=80)
        for column, field in zip(rest, places, strict=True):
            with column:
                fields.number(field, beside=not field.index)
    _more("people", "Add a person", people, lambda n: {**PERSON, "name": f"Crew {n}"})


def _new(key: str, entry: Mapping[str, Any], empty: bool) -> dict[str, Any]:
    """What comes along with the first figure typed in a list that is empty: the rest of its first row."""
    return {f"{DAY}{key}": [dict(entry)]} if empty else {}


def _more(key: str, label: str, now: Sequence[Any], entry: Callable[[int], dict[str, Any]]) -> None:
    with st.container(horizontal=True):
        st.button(label, key=f"day:add:{key}", on_click=_listed, args=(key, [*map(_plain, now), entry(len(now) + 1)]))
        if now:
            st.button("Take the last one out", key=f"day:drop:{key}", on_click=_listed, args=(key, list(map(_plain, now))[:-1]))


def _plain(table: Any) -> dict[str, Any]:
    found: dict[str, Any] = table.model_dump(exclude_unset=True, mode="python")
    return {key: list(value) if isinstance(value, tuple) else value for key, value in found.items()}


def _listed(key: str, entries: list[dict[str, Any]]) -> None:
    session.change(DAY + key, {DAY + key: entries or None})
