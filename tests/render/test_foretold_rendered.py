"""One scene rendered through both cameras: the frame foretold from the wide picture against the recorded one, marker by marker."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from live_compare import pairs
from PIL import Image

from framematch.geometry.pairing import Pairing
from framematch.guide.best import outline_errors
from framematch.guide.transfer import EDGES, inverse_m, to_display, to_recorded
from framematch.render.foretold import write_foretold
from framematch.render.views import both_views
from framematch.scene.model import Light, Scene, Surface
from framematch.shot.place import standing

HEIGHT = 480
NEAR_M, FAR_M = 3.0, 6.0


def board(rig: Pairing, frame_px: np.ndarray, depth_m: float, size_px: float) -> Scene:
    """Black squares on a white plane across the recording camera's axis, their middles where frame pixels (n, 2) look."""
    pose = standing((0.0, 1.5, 0.0))
    rays, ok = rig.recording.unproject(frame_px)
    beside, _ = rig.recording.unproject(frame_px + (1.0, 0.0))
    assert ok.all()
    middles = rays / rays[:, 2:] * depth_m
    half = np.linalg.norm(beside / beside[:, 2:] * depth_m - middles, axis=1) * size_px / 2
    square = np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]], dtype=float)
    corners = (middles[:, None] + half[:, None, None] * square).reshape(-1, 3)
    back = 60 * square + (0, 0, depth_m * 1.0005)
    n = len(middles)
    first = 4 * np.arange(n + 1)[:, None]
    vertices = pose.points(np.concatenate([corners, back]))
    colours = np.full((4 * n + 4, 3), 20, dtype=np.uint8)
    colours[-4:] = 240
    surface = Surface(vertices=vertices, faces=np.concatenate([first + (0, 1, 2), first + (0, 2, 3)]), colours=colours)
    return Scene(name="board", surface=surface, light=Light(ambient=(1.0, 1.0, 1.0), sun=(0.0, 0.0, 0.0)))


def pictures(rig: Pairing, scene: Scene, distance_m: float, folder: Path) -> tuple[np.ndarray, np.ndarray]:
    """Darkness of the recorded frame, and of the frame foretold from the wide picture for a distance."""
    views = both_views(scene, rig, standing((0.0, 1.5, 0.0)), height_px=HEIGHT, renderer="rays")
    Image.fromarray(views.wide.colour).save(folder / "wide.png")
    write_foretold(folder / "frame.png", folder / "wide.png", rig, distance_m=distance_m, height_px=HEIGHT)
    made = np.asarray(Image.open(folder / "frame.png").convert("L"))
    return 240.0 - views.frame.colour.mean(axis=-1), 240.0 - made


def middle(dark: np.ndarray, share: np.ndarray, reach: int) -> np.ndarray:
    """The middle, as a share of the picture, of what is dark around a share of it; NaN where it may be cut off or is not there."""
    size = np.array(dark.shape[::-1])
    x, y = (int(v) for v in share * size)
    if not (reach <= x < size[0] - reach and reach <= y < size[1] - reach):
        return np.full(2, np.nan)
    part = np.maximum(dark[y - reach : y + reach + 1, x - reach : x + reach + 1] - 60, 0)
    if part.sum() < 300 or part[[0, -1]].any() or part[:, [0, -1]].any():
        return np.full(2, np.nan)
    rows, columns = np.mgrid[y - reach : y + reach + 1, x - reach : x + reach + 1] + 0.5
    found: np.ndarray = np.array([(part * columns).sum(), (part * rows).sum()]) / part.sum() / size
    return found


@pytest.mark.parametrize("name", sorted(pairs()))
def test_markers_at_the_chosen_distance_lie_where_they_are_recorded(name: str, tmp_path: Path) -> None:
    rig = pairs()[name]
    frame, shares = rig.frame, np.stack(np.meshgrid(np.linspace(0.08, 0.92, 9), np.linspace(0.1, 0.9, 5)), axis=-1).reshape(-1, 2)
    px = shares * (frame.width, frame.height) + (frame.left, frame.top)
    scene = board(rig, px, NEAR_M, 16 * frame.width / (HEIGHT * rig.frame_aspect))
    recorded, made = pictures(rig, scene, NEAR_M, tmp_path)
    off = np.array([(middle(made, s, 15) - middle(recorded, s, 15)) * recorded.shape[::-1] for s in shares])
    off = np.linalg.norm(off[np.isfinite(off).all(axis=1)], axis=1)
    print(f"{name}: {len(off)} markers, median {np.median(off):.3f} px, worst {off.max():.3f}")
    assert len(off) >= 20 and np.median(off) <= 0.5, (name, off)


@pytest.mark.parametrize("name", sorted(pairs()))
def test_off_the_plane_the_frame_is_off_by_the_edge_error_curve(name: str, tmp_path: Path) -> None:
    """Markers beyond the chosen plane that are foretold on the frame's edges: how far outside it they are recorded, edge by edge."""
    rig = pairs()[name]
    frame, inset = rig.frame, 0.03
    along = np.linspace(0.06, 0.94, 9)
    shares = {
        "left": np.stack([np.full(9, inset), along], axis=-1),
        "right": np.stack([np.full(9, 1 - inset), along], axis=-1),
        "top": np.stack([along, np.full(9, 0.055)], axis=-1),
        "bottom": np.stack([along, np.full(9, 1 - 0.055)], axis=-1),
    }
    curve, size, corner = outline_errors(rig, NEAR_M, FAR_M), np.array([frame.width, frame.height]), (frame.left, frame.top)
    places = np.concatenate([shares[edge] for edge in EDGES])
    edges = np.repeat(np.array(EDGES), 9)
    foretold_px = places * size + corner
    display, seen = to_display(rig, foretold_px, inverse_m(NEAR_M))
    true_px, ok = to_recorded(rig, display, inverse_m(FAR_M))
    true = (true_px - corner) / size
    usable = seen & ok & ((true > 0.02) & (true < 0.98)).all(axis=1)
    scene = board(rig, true_px[usable], FAR_M, 20 * frame.width / (HEIGHT * rig.frame_aspect))
    recorded, made = pictures(rig, scene, NEAR_M, tmp_path)
    a = np.array([middle(recorded, s, 15) for s in true[usable]])
    b = np.array([middle(made, s, 15) for s in places[usable]])
    found = np.isfinite(a).all(axis=1) & np.isfinite(b).all(axis=1)
    measured = 100 * (a - b)[found]  # recorded minus foretold, percent of the frame across and down
    predicted = 100 * (true_px - foretold_px)[usable][found] / size
    assert found.sum() >= 8 and np.abs(measured - predicted).max() <= 0.3, (name, np.abs(measured - predicted).max(axis=0))
    checked = 0
    for edge, axis, sign in zip(EDGES, (0, 1, 0, 1), (-1, -1, 1, 1), strict=True):
        here = sign * measured[edges[usable][found] == edge, axis]
        if len(here) < 4:
            continue  # what is foretold at this edge is recorded outside the frame
        worst, says = here[np.argmax(np.abs(here))], getattr(curve, edge)
        print(f"{name} {edge}: {len(here)} markers, measured {here.min():+.2f} to {here.max():+.2f} %, curve {says:+.2f} %")
        assert abs(worst - says) <= 0.3, (name, edge, worst, says)
        checked += 1
    assert checked >= 2
