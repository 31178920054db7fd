"""Room to each side of an opening for an aircraft that leans, against a box that is really flown through it in small steps."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from framematch.compare.along import Filming, along, box_of
from framematch.compare.along_report import along_json, sentences, text_tables
from framematch.compare.clearance import clearance
from framematch.compare.passing import passings
from framematch.files.pairing import read_pairing
from framematch.shot.aircraft import Aircraft
from framematch.shot.flown import Flown
from framematch.shot.lean import Flying, wind_from
from framematch.shot.opening import SIDES, Opening
from framematch.shot.path import Heading
from framematch.shot.run import Run
from framematch.shot.timing import timed

AIRCRAFT = Aircraft(width_m=0.4, height_m=0.2, length_m=0.5, right_m=0.02, up_m=-0.03, forward_m=0.15)
BOX = box_of(AIRCRAFT)
TURNED = Opening(width_m=1.6, height_m=1.4, thickness_m=0.3, middle_m=(0.4, 1.6, -1.0), heading_deg=-25.0)
CURVED = [[1.5, 1.6, 8], [0.4, 1.6, -1.0], [-4.0, 2.2, -5.0]]


def flight(points: list, speeds: list | float, heading: Heading | None = None, **figures: float) -> Flown:
    flying = Flying(mass_kg=1.2, drag_area_m2=0.02, **figures)
    return Flown(course=timed(points, speeds, flying=flying, heading=heading), flying=flying)


def in_wall(flown: Flown, opening: Opening) -> np.ndarray:
    """Places (n, 2) in the opening's plane where a grid all over the box is while inside the wall, every two milliseconds."""
    a, b = (g.ravel() for g in np.meshgrid(np.linspace(-1, 1, 25), np.linspace(-1, 1, 25)))
    faces = [np.insert(np.stack([a, b], axis=-1), axis, end, axis=1) for axis in range(3) for end in (-1.0, 1.0)]
    box = BOX.middle_m + np.concatenate(faces) * BOX.half_m
    found = []
    for time in np.arange(0, flown.duration_s, 2e-3):
        pose = opening.scene_from_opening.inverse @ flown.airframe(time)
        if abs(pose.translation_m[2]) < 0.7:
            at = pose.points(box)
            found.append(at[(at[:, 2] >= 0) & (at[:, 2] <= opening.thickness_m)][:, :2])
    return np.concatenate(found)


def test_room_to_each_side_is_that_of_a_box_really_flown() -> None:
    flown = flight(CURVED, [0, 6, 3])
    x, y = in_wall(flown, TURNED).T
    (found,) = passings(flown, BOX, [TURNED])
    wanted = {"left": x.min() + 0.8, "right": 0.8 - x.max(), "top": y.min() + 0.7, "bottom": 0.7 - y.max()}
    assert {side: room for side, room, _ in found.side_cm} == pytest.approx({side: 100 * room for side, room in wanted.items()}, abs=0.5)
    assert abs(wanted["left"] - wanted["right"]) > 0.05  # it leans and turns: the sides differ


def test_a_round_opening_s_nearest_side_is_that_of_a_box_really_flown() -> None:
    opening = Opening(width_m=1.5, height_m=1.5, shape="circle", thickness_m=0.2, middle_m=(0.4, 1.6, -1.0), heading_deg=-25.0)
    flown = flight(CURVED, [0, 6, 3])
    ring = shapely.LinearRing(opening.outline(400)[:, :2])
    (found,) = passings(flown, BOX, [opening])
    # Of all that stays inside a round ring, a corner of its hull comes nearest.
    assert found.closest_cm == pytest.approx(100 * shapely.MultiPoint(in_wall(flown, opening)).convex_hull.exterior.distance(ring), abs=0.5)


def test_a_level_flight_has_the_straight_run_s_room() -> None:
    opening = Opening(width_m=1.2, height_m=0.9, thickness_m=0.3)
    middle = opening.scene_from_opening.translation_m
    level = flight([[0.1, middle[1] + 0.05, 5], [0.1, middle[1] + 0.05, -5]], 4.0, wind_m_s=wind_from(speed_m_s=4.0, from_deg=180.0))  # carried along: no lean
    (found,) = passings(level, BOX, [opening])
    straight = clearance(opening, Run(right_m=0.1, up_m=0.05), AIRCRAFT)
    assert {side: room for side, room, _ in found.side_cm} == pytest.approx(dict(straight.side_cm), abs=0.1)


def test_openings_are_passed_in_the_order_flown_and_one_that_is_missed_is_none() -> None:
    far = Opening(width_m=1.2, height_m=0.9, thickness_m=0.1, middle_m=(0, 1.5, -6.0))
    near = Opening(width_m=1.2, height_m=0.9, middle_m=(0, 1.5, 0.0))
    aside = Opening(width_m=1.2, height_m=0.9, middle_m=(6.0, 1.5, -3.0))
    found = passings(flight([[0, 1.5, 5], [0, 1.5, -9]], 5.0), BOX, [far, near, aside])
    assert [(p.opening, round((p.from_s + p.to_s) / 2, 1)) for p in found] == [(2, 1.0), (1, 2.2)]


def test_table_words_and_data_say_the_same_and_a_strike_is_named() -> None:
    pairing = read_pairing("assets/examples/glasshouse.toml")
    opening = Opening(width_m=1.2, height_m=0.9, middle_m=(0, 1.5, 0.0))
    for aside, says in ((0.0, "cm below."), (0.3, "not clear"), (0.5, "it strikes the right edge at ")):
        flown = flight([[aside, 1.5, 5], [aside, 1.5, -5]], 4.0, wind_m_s=wind_from(speed_m_s=3.0, from_deg=180.0))
        found = along(pairing, flown, filming=Filming(box=BOX, openings=(opening,), uncertainty_m=0.15))
        said = next(line for line in sentences(found) if line.startswith("Through opening 1"))
        exact = {side: cm for side, cm, _ in found.passings[0].side_cm}
        room = {side: f"{math.floor(cm + 1e-6)} cm" for side, cm in exact.items()}  # never rounded up
        assert says in said and f"{room['left']} left, {room['right']} right, {room['top']} above, {room['bottom']} below" in said
        (table,) = (t for t in text_tables(found) if t.title == "Through the openings")
        assert table.rows[0][2:] == tuple(room[side] for side in SIDES)
        assert along_json(found)["openings"][0]["room_cm"]["left"]["cm"] == pytest.approx(exact["left"])
        assert any("Wind 3.0 m/s" in line and "no gusts" in line for line in sentences(found))
        assert "never says that a path is safe" in sentences(found)[-1]
