"""Room round the aircraft against a search over dense points of the same surfaces, and against trimesh's own."""

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from framematch.shot.contact import Box, Surfaces, box_to_triangles, room_along
from framematch.shot.flown import Flown
from framematch.shot.lean import Flying
from framematch.shot.timing import timed

BOX = Box(middle_m=np.array([0.01, 0.02, -0.05]), half_m=np.array([0.2, 0.07, 0.18]))


def wall_with_hole() -> trimesh.Trimesh:
    """A wall 0.1 m thick with a hole of 1.2 x 0.9 m, middle 1.5 m up, a post behind it and a floor; trimesh's own boxes."""
    parts = [((-3, 0, 0), (-0.6, 3, 0.1)), ((0.6, 0, 0), (3, 3, 0.1)), ((-0.6, 0, 0), (0.6, 1.05, 0.1)), ((-0.6, 1.95, 0), (0.6, 3, 0.1))]
    parts += [((0.45, 0, -1.2), (0.55, 3, -1.1)), ((-9, -0.1, -9), (9, 0, 9))]
    return trimesh.util.concatenate([trimesh.creation.box(bounds=bounds) for bounds in parts])


def flight(points: list, speeds: list, **figures: float) -> Flown:
    flying = Flying(drag_area_m2=0.02, **figures)
    return Flown(course=timed(points, speeds, flying=flying), flying=flying)


def test_a_box_s_distance_from_triangles_is_exact() -> None:
    rng = np.random.default_rng(0)
    corners, half = rng.normal(0, 0.5, (300, 3, 3)), np.array([0.2, 0.1, 0.3])
    found, points = box_to_triangles(half, corners)
    u, v = (g[np.add(*np.meshgrid(*[np.linspace(0, 1, 120)] * 2)) <= 1] for g in np.meshgrid(*[np.linspace(0, 1, 120)] * 2))
    dense = corners[:, :1] + u[None, :, None] * (corners[:, 1] - corners[:, 0])[:, None] + v[None, :, None] * (corners[:, 2] - corners[:, 0])[:, None]
    wanted = np.linalg.norm(np.maximum(np.abs(dense) - half, 0), axis=2).min(axis=1)
    assert (found <= wanted + 1e-12).all() and np.abs(found - wanted).max() < 0.01
    apart = found > 0
    np.testing.assert_allclose(np.linalg.norm(np.maximum(np.abs(points[apart]) - half, 0), axis=1), found[apart], atol=1e-9)


@pytest.mark.parametrize("points", [[[0.1, 1.5, 4], [0, 1.55, 0], [0.1, 1.4, -1.1], [0.3, 1.5, -3]], [[-1, 1.6, 3], [0, 1.5, 0.05], [-0.4, 1.2, -2]]])
def test_room_equals_a_brute_force_search_within_5_mm(points: list) -> None:
    mesh = wall_with_hole()
    flown = flight(points, [0, *[3.0] * (len(points) - 2), 0])
    room = room_along(flown, BOX, Surfaces(vertices_m=mesh.vertices, faces=mesh.faces))
    assert room.contact is None and room.closest is not None
    # Brute force: points of the surface everywhere within 7 mm of each other (nearly), at every step of 20 mm of the way.
    at, _ = trimesh.sample.sample_surface(mesh.slice_plane([0, 0, 0.5], [0, 0, -1]).slice_plane([0, 0, -1.5], [0, 0, 1]), 300_000, seed=1)
    tree = cKDTree(at)
    times = np.arange(0, flown.duration_s, 0.007)
    pose = flown.airframe(times)
    smallest = np.inf
    for turn, place in zip(pose.rotation, pose.translation_m, strict=True):
        if abs(place[2]) < 1.5:
            away = np.abs((at[tree.query_ball_point(place, 0.6)] - place) @ turn - BOX.middle_m) - BOX.half_m
            smallest = min(smallest, np.linalg.norm(np.maximum(away, 0), axis=1).min(initial=np.inf))
    assert room.closest.distance_m == pytest.approx(smallest, abs=0.005)


def test_a_wall_in_the_way_is_named_with_place_and_time() -> None:
    mesh = wall_with_hole()
    flown = flight([[1.5, 1.5, 5.05], [1.5, 1.5, -3]], [5, 5])
    room = room_along(flown, BOX, Surfaces(vertices_m=mesh.vertices, faces=mesh.faces))
    assert room.contact is not None and "front" in room.contact.side
    # The wall's near face is z = 0.1; the box's foremost corner is found from its pose.
    corners = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) * BOX.half_m + BOX.middle_m
    foremost = (flown.airframe(room.contact.time_s).rotation @ corners.T).T[:, 2].min()
    assert room.contact.time_s == pytest.approx((5.05 - 0.1 + foremost) / 5, abs=0.002)
    assert abs(room.contact.point_m[2] - 0.1) < 0.01


def test_nothing_within_reach_is_no_room_at_all() -> None:
    mesh = trimesh.creation.box(bounds=((0, 0, 0), (1, 1, 1)))
    room = room_along(flight([[50, 5, 0], [50, 5, -9]], [5, 5]), BOX, Surfaces(vertices_m=mesh.vertices, faces=mesh.faces))
    assert room.closest is None and room.contact is None and np.isinf(room.distance_m).all()
