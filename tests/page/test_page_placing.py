"""What is placed by hand becomes the shot: fields, tables and pictures then have it; what can't be is said in a line."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import streamlit as st

from framematch.live.component import Placed, placed_of
from framematch.page import placing, scans
from framematch.page.areas.where import first_points
from framematch.page.draft import Draft, changed
from framematch.page.session import EXAMPLE

trimesh = pytest.importorskip("trimesh")


@pytest.fixture
def visitor(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    state: dict[str, Any] = {"fm_draft": Draft(text=EXAMPLE)}
    monkeypatch.setattr(st, "session_state", state)
    return state


@pytest.fixture
def scanned(visitor: dict[str, Any]) -> dict[str, Any]:
    wall = trimesh.creation.box((6.0, 3.0, 0.2), transform=trimesh.transformations.translation_matrix((0, 1.5, -4)))
    name = scans.kept("wall.glb", wall.export(file_type="glb"))
    visitor["fm_draft"] = changed(visitor["fm_draft"], "place.file", scans.changes(name))
    return visitor


def test_two_corners_are_the_opening(scanned: dict[str, Any]) -> None:
    placing.take(Placed(corners_m=((-0.5, 0.8, -3.9), (0.9, 2.0, -3.9), (0.0, 2.0, 4.0))))
    opening = scanned["fm_draft"].shot.opening
    assert (opening.width_m, opening.height_m, opening.middle_m, opening.heading_deg) == (1.4, 1.2, (0.2, 1.4, -3.9), 0.0)
    assert opening.sill_m == pytest.approx(0.8)  # above the scan's lowest point
    placing.move_opening(1.0, -3.8)
    assert scanned["fm_draft"].shot.opening.middle_m == (1.0, 1.4, -3.8)
    placing.take(Placed(corners_m=((0.0, 1.0, -3.9), (0.0, 2.0, -3.9), (0.0, 2.0, 4.0))))
    assert "0.00 m wide" in str(scanned["fm_note"]) and scanned["fm_draft"].shot.opening.middle_m == (1.0, 1.4, -3.8)


def test_our_own_places_keep_their_openings(visitor: dict[str, Any]) -> None:
    before = visitor["fm_draft"].text
    placing.take(Placed(corners_m=((-0.5, 0.8, -3.9), (0.9, 2.0, -3.9), (0.0, 2.0, 4.0))))
    placing.move_opening(1.0, 1.0)
    assert visitor["fm_draft"].text == before and not placing.can_place_opening()


def test_points_are_moved_and_added_where_they_lengthen_the_path_least(visitor: dict[str, Any]) -> None:
    visitor["fm_draft"] = changed(visitor["fm_draft"], "path", {"path": {"point": first_points()}})
    assert [i for i, _ in placing.points()] == [0, 2]  # the one between them is the opening's
    placing.take(Placed(point=1, at_m=(1.0, 2.0, -7.004)))
    assert placing.points()[1] == (2, (1.0, 2.0, -7.0))
    placing.add_point((0.0, 0.0, 5.0), level=True)
    points = visitor["fm_draft"].shot_file.path.point
    assert [p.at_m[2] if p.at_m else None for p in points] == [pytest.approx(8.0, abs=0.1), 5.0, None, -7.0]
    assert points[1].at_m[1] == points[0].at_m[1] and points[1].speed_m_s is None
    placing.take(Placed(at_m=(1.0, 2.0, -12.0)))
    points = visitor["fm_draft"].shot_file.path.point
    assert points[-1].at_m == (1.0, 2.0, -12.0) and (points[-1].speed_m_s, points[-2].speed_m_s) == (0.0, None)  # it ends where it now leads
    assert not visitor["fm_draft"].faults and visitor["fm_draft"].shot.flown is not None


def test_a_subject_stands_where_it_was_put(visitor: dict[str, Any]) -> None:
    placing.move_subject(0, 0.7, -3.3)
    shot = visitor["fm_draft"].shot
    feet = shot.opening.scene_from_opening.points(shot.subjects[0].points_m(shot.opening)[0])
    assert feet[[0, 2]] == pytest.approx((0.7, -3.3), abs=0.01)


@pytest.mark.parametrize(
    "said",
    [None, 3, [], {}, {"corners": [[0, 0, 0]]}, {"corners": [[0, 0, 0], [1, 1], [2, 2, 2]]}, {"at": [0, 1, float("nan")]}, {"point": "x", "at": [0, 1, 2]}],
)
def test_what_no_hand_places_is_nothing(said: Any) -> None:
    assert placed_of({"placed": said}) is None


def test_what_a_hand_places_is_read() -> None:
    assert placed_of({"placed": {"at": [0, 1, 2]}}) == Placed(at_m=(0.0, 1.0, 2.0))
    assert placed_of({"placed": {"point": 2, "at": [0, 1, 2]}}) == Placed(point=2, at_m=(0.0, 1.0, 2.0))
    corners = [[0, 0, 0], [1, 1, 1], [2.5, 2, 2]]
    found = placed_of({"placed": {"corners": corners}})
    assert found is not None and np.array_equal(found.corners_m, corners)
