"""Random shots drawn in flat colours, and the table's figures measured in those pictures.

The opening is filled with a pane in its near face, each picture with its own code in the three channels; subjects are
thin posts. Pictures are smoothed at edges by averaging, so that each channel is a share of cover.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh
from gap_truth import pairing_of

from framematch.compare.seen import curves
from framematch.compare.table import AtDistance, lens_row
from framematch.geometry.camera import Rect
from framematch.geometry.lens import Lens
from framematch.geometry.pairing import Pairing
from framematch.render.lens_view import recorded_frame
from framematch.scene import people, registry
from framematch.scene.model import Light
from framematch.scene.open import scene_of
from framematch.scene.opening import buildable, outline, wall_with_gap
from framematch.scene.parts import Part, body, slab
from framematch.shot.lenses import candidate_of
from framematch.shot.opening import SIDES, Opening
from framematch.shot.place import Place
from framematch.shot.run import Run
from framematch.shot.shot import Shot
from framematch.shot.values import Subject

HEIGHT_PX = 268
FLAT = Light(sun=(0.0, 0.0, 0.0), ambient=(1.0, 1.0, 1.0), sky_zenith=(0.0, 0.0, 0.0), sky_horizon=(0.0, 0.0, 0.0))
LENSES = (
    Lens(projection="rectilinear", focal_mm=18),
    Lens(projection="brown-conrady", focal_mm=16, k=(-0.08, 0.012), p=(0.001, -0.0015)),
    Lens(projection="equisolid", focal_mm=14),
)
HALVES, SECTORS, ACROSS, DOWN, POSTS = "halves", "sectors", "across", "down", "posts"


@dataclass(frozen=True, kw_only=True)
class Case:
    """A shot at one distance through one lens; ``mesh`` writes its wall as a file of one's own."""

    pairing: Pairing
    shot: Shot
    distance_m: float
    mesh: bool

    @property
    def row(self) -> AtDistance:
        """The table's figures."""
        shot = replace(self.shot, run=replace(self.shot.run, distances_m=(self.distance_m,)))
        return lens_row(self.pairing, shot, candidate_of(self.pairing, self.pairing.recording.lens.focal_mm)).at[0]


def random_case(seed: int) -> Case:
    dice = np.random.default_rng(seed)
    shape = ("rectangle", "arch", "circle")[seed % 3]
    width = float(dice.uniform(0.6, 2.0))
    height = float(dice.uniform(0.6, 2.0)) + (width / 2 if shape == "arch" else 0.0)
    thickness, sill = float(dice.choice([0.0, dice.uniform(0.05, 0.4)])), float(dice.uniform(0.0, 1.5))
    mesh = bool(seed // 3 % 2)
    placed = mesh or bool(dice.random() < 0.5)
    ground = float(dice.uniform(-3, 3)) if placed else 0.0
    middle = (float(dice.uniform(-20, 20)), ground + sill + height / 2, float(dice.uniform(-20, 20))) if placed else None
    opening = Opening(
        width_m=width,
        height_m=height,
        shape=shape,
        thickness_m=thickness,
        sill_m=sill,
        middle_m=middle,
        heading_deg=float(dice.uniform(-180, 180)) if placed else 0.0,
    )
    run = Run(
        right_m=float(dice.uniform(-0.4, 0.4)) * width,
        up_m=float(dice.uniform(-0.4, 0.4)) * height,
        heading_deg=float(dice.uniform(-20, 20)),
        climb_deg=float(dice.uniform(-10, 10)),
        pan_deg=float(dice.uniform(-14, 14)),
        tilt_deg=float(dice.uniform(-18, 18)),
        bank_deg=float(dice.uniform(-25, 25)),
    )
    subjects = tuple(
        Subject(
            name=f"s{i}",
            height_m=float(dice.uniform(0.8, 2.2)),
            beyond_m=float(dice.uniform(1.0, 8.0)),
            right_m=float(dice.uniform(-1.5, 1.5)),
            stands_m=float(dice.choice([0.0, 0.4])),
        )
        for i in range(2)
    )
    shot = Shot(place=Place(scene="flat"), openings=(opening,), run=run, subjects=subjects)
    return Case(pairing=pairing_of(LENSES[seed % len(LENSES)]), shot=shot, distance_m=float(dice.uniform(1.2, 7.0)), mesh=mesh)


def flat_parts(opening: Opening, kind: str, step_m: float) -> list[Part]:
    """The wall black, the pane coded; as a scene's builder gives them: the wall's middle in z = 0 over the ground y = 0."""
    far, thick = 80.0, opening.thickness_m
    high = opening.ground_y_m
    if kind == POSTS:
        return [body([(0, -90, -90), (0.01, -90, -90), (0, -90.01, -90)], [(0, 1, 2)], tint=(0.0, 0.0, 0.0))]
    if kind in (ACROSS, DOWN):  # the whole plane in stripes of a step each
        edges = np.arange(-int(20 / step_m), int(20 / step_m) + 1) * step_m
        areas = ((a, high - 20, b, high + 20) if kind == ACROSS else (-20, high + a, 20, high + b) for a, b in pairwise(edges))
        return [_sheet(area, thick / 2, (0.0, float(i % 2), 0.0)) for i, area in enumerate(areas)]
    clear = outline(opening)
    wall = [part.tinted((0.0, 0.0, 0.0)) for part in wall_with_gap(opening, shapely.box(-far, -far, far, far), material="")]
    if kind == HALVES:
        middle_y = high - float(opening.edge("left", 3)[1, 1])
        pieces = [
            (shapely.box(-far if left else 0, middle_y if upper else -far, 0 if left else far, far if upper else middle_y), (1.0, float(upper), float(left)))
            for upper in (True, False)
            for left in (True, False)
        ]
    else:
        centre = (0.0, float(opening.edge("left", 3)[1, 1]))
        code = {"left": (1.0, 0.0, 0.0), "top": (1.0, 1.0, 0.0), "right": (1.0, 0.0, 1.0), "bottom": (1.0, 1.0, 1.0)}
        pieces = []
        for side in SIDES:
            fan = np.vstack([centre, opening.edge(side, 49)[:, :2]])
            grown = fan[0] + (fan - fan[0]) * 1.5
            pieces.append((shapely.Polygon(np.column_stack([grown[:, 0], high - grown[:, 1]])), code[side]))
    pane = [slab(p, thickness_m=0.001, tint=tint).moved(z=thick / 2 - 0.0005) for area, tint in pieces for p in _polygons(clear.intersection(area))]
    return [*wall, *pane]


def _sheet(area: tuple[float, float, float, float], z: float, tint: tuple[float, float, float]) -> Part:
    x0, y0, x1, y1 = area
    return body([(x0, y0, z), (x1, y0, z), (x1, y1, z), (x0, y1, z)], [(0, 1, 2), (0, 2, 3)], tint=tint)


def _polygons(area: object) -> list[object]:
    return [p for p in shapely.get_parts(area) if p.geom_type == "Polygon" and p.area > 1e-9]


def _post(figure: people.Figure, *, look: int = 0, ground_m: float = 0.0) -> list[Part]:
    """A sheet as tall as the figure, in the channel of its number."""
    w = 0.015 * figure.height_m
    tint = tuple(float(i == look) for i in range(3))
    part = body([(-w, 0, 0), (w, 0, 0), (w, figure.height_m, 0), (-w, figure.height_m, 0)], [(0, 1, 2), (0, 2, 3), (0, 2, 1), (0, 3, 2)], tint=tint)
    return [part.turned(heading_deg=figure.heading_deg).moved(figure.x_m, ground_m, figure.z_m)]


def picture(case: Case, kind: str, renderer: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> np.ndarray:
    """The recorded frame (H, W, 3) in shares of cover, drawn from the case's shot by the project's own way from a shot to a picture."""
    opening, step = case.shot.opening, case.distance_m / 80
    made = flat_parts(buildable(opening), kind, step)
    setting = registry.Setting(
        about="flat", opening=opening, build=lambda _: made, figures=(), beside_m=1.0, board_m=-1.0, far_m=1.0, least_m=0.005, rim=0.5, light=FLAT
    )
    with monkeypatch.context() as patch:
        patch.setitem(registry._PLACES, "flat", setting)
        patch.setattr(registry, "distance_figures", lambda **_: [])
        patch.setattr(people, "figure_parts", _post)
        shot = case.shot if kind == POSTS else replace(case.shot, subjects=())
        if case.mesh:
            shot = replace(shot, place=_written(made, opening, folder, kind))
        scene = replace(scene_of(shot), light=FLAT)
    out = recorded_frame(scene, case.pairing, shot.scene_from_recording(case.distance_m), height_px=HEIGHT_PX, renderer=renderer)
    return out.astype(np.float64) / 255


def _written(parts: list[Part], opening: Opening, folder: Path, kind: str) -> Place:
    """The parts as a mesh file in millimetres with +Z up, turned and moved, and the place that undoes it."""
    at, turn = np.array((3.0, -2.0, 5.0)), np.radians(37.0)
    thick = buildable(opening).thickness_m
    vertices, faces, colours = [], [], []
    count = 0
    for part in parts:
        x, y, z = part.vertices.T
        there = opening.scene_from_opening.points(np.column_stack([x, opening.ground_y_m - y, thick / 2 - z])) - at
        back = np.column_stack([there[:, 0] * np.cos(turn) + there[:, 2] * np.sin(turn), there[:, 1], there[:, 2] * np.cos(turn) - there[:, 0] * np.sin(turn)])
        vertices.append(1000 * np.column_stack([back[:, 0], -back[:, 2], back[:, 1]]))
        faces.append(part.faces + count)
        colours.append(np.tile(np.round(255 * np.array([*part.tint, 1.0])).astype(np.uint8), (len(x), 1)))
        count += len(x)
    mesh = trimesh.Trimesh(np.concatenate(vertices), np.concatenate(faces), vertex_colors=np.concatenate(colours), process=False)
    file = folder / f"{kind}.ply"
    mesh.export(file)
    return Place(file=file, scale_m=0.001, up="z", at_m=(3.0, -2.0, 5.0), turned_deg=37.0)


# Measuring.


def corner(share: np.ndarray, flip: np.ndarray, on: np.ndarray) -> np.ndarray | None:
    """Where the outline of ``share`` meets the line on which ``flip`` changes, on the side where ``on`` holds; (x, y) px."""
    inside = share > 0.5
    windows = np.stack([inside[a : a + inside.shape[0] - 1, b : b + inside.shape[1] - 1] for a in (0, 1) for b in (0, 1)])

    def cut(values: np.ndarray) -> np.ndarray:
        return np.stack([values[a : a + inside.shape[0] - 1, b : b + inside.shape[1] - 1] for a in (0, 1) for b in (0, 1)])

    up, side = cut(flip > 0.5 * share), cut(on > 0.5 * share)
    found = windows.any(0) & ~windows.all(0) & (windows & up).any(0) & (windows & ~up).any(0) & (windows & side).any(0)
    rows, columns = np.nonzero(found)
    if not len(rows) or max(np.ptp(rows), np.ptp(columns)) > 6:
        return None
    return np.array([columns.mean() + 1.0, rows.mean() + 1.0])


def misses(case: Case, renderer: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, float]:
    """How far each figure of the table is from what the pictures show, in percent of the frame; only what can be measured there."""
    row = case.row
    halves = picture(case, HALVES, renderer, folder, monkeypatch)
    r, g, b = np.moveaxis(halves, -1, 0)
    height, width = r.shape
    off = {"fill": abs(100 * r.mean() - row.fill_percent)}
    ends = [corner(r, g, b), corner(r, g, r - b), corner(r, b, g), corner(r, b, r - g)]  # left, right, top, bottom
    if ends[0] is not None and ends[1] is not None:
        off["width"] = abs(100 * abs(ends[1][0] - ends[0][0]) / width - row.width_percent)
    if ends[2] is not None and ends[3] is not None:
        off["height"] = abs(100 * abs(ends[3][1] - ends[2][1]) / height - row.height_percent)
    sectors = picture(case, SECTORS, renderer, folder, monkeypatch)
    off["edges"] = float(_edges_wrong(case, sectors))
    posts = picture(case, POSTS, renderer, folder, monkeypatch)
    for i in range(len(case.shot.subjects)):
        tall = _length(posts[..., i])
        if tall is not None:
            off[f"subject {i}"] = abs(100 * tall / height - row.subject_percent[i])
    shown = _shown([picture(case, kind, renderer, folder, monkeypatch)[..., 1] for kind in (ACROSS, DOWN)], case.distance_m / 80)
    for name, found, told in zip(("shown across", "shown down"), shown, row.shown_m, strict=True):
        if found is not None:
            off[name] = 100 * abs(found / told - 1)
    return off


def _edges_wrong(case: Case, sectors: np.ndarray) -> int:
    """Edges that are seen and not told, or told and not seen, even with the frame a pixel larger or smaller."""
    r, g, b = np.moveaxis(sectors, -1, 0)
    inside = r > 0.5
    beside = np.zeros_like(inside)
    for axis in (0, 1):
        for by in (1, -1):
            moved = np.roll(inside, by, axis)
            moved[{0: (0 if by == 1 else -1, slice(None)), 1: (slice(None), 0 if by == 1 else -1)}[axis]] = True
            beside |= inside & ~moved
    codes = {"left": (0, 0), "top": (1, 0), "right": (0, 1), "bottom": (1, 1)}
    seen = {side: bool((beside & ((g > 0.5) == gg) & ((b > 0.5) == bb)).sum() > 2) for side, (gg, bb) in codes.items()}
    frame, px = case.pairing.frame, case.pairing.frame.height / r.shape[0]

    def told(grow: float) -> dict[str, bool]:
        grown = Rect(left=frame.left - grow, top=frame.top - grow, right=frame.right + grow, bottom=frame.bottom + grow)
        found = curves(case.pairing.recording, grown, case.shot.opening, case.shot.run, distance_m=case.distance_m, per_edge=64)
        return dict(zip(SIDES, (bool(v) for v in found.edge_in_frame[0]), strict=True))

    sure, possible = told(-3 * px), told(px)
    return sum((sure[side] and not seen[side]) or (seen[side] and not possible[side]) for side in SIDES)


def _length(cover: np.ndarray) -> float | None:
    """Length in px of a thin upright thing between its ends; None where it is cut off by the frame or too small."""
    if max(cover[0].max(), cover[-1].max(), cover[:, 0].max(), cover[:, -1].max()) > 0.02:
        return None
    y, x = np.nonzero(cover > 0.02)
    weight = cover[y, x]
    if weight.sum() < 40:
        return None
    points = np.column_stack([x + 0.5, y + 0.5])
    middle = np.average(points, axis=0, weights=weight)
    along = np.linalg.svd((points - middle) * np.sqrt(weight)[:, None], full_matrices=False)[2][0]
    place = (points - middle) @ along
    # Cover in bins a pixel long; the ends are where it falls to half of what it is a few pixels further in.
    bins = np.floor(place - place.min()).astype(int)
    total = np.bincount(bins, weights=weight)
    if len(total) < 24:
        return None
    ends = []
    for profile in (total, total[::-1]):
        level = float(np.median(profile[6:12]))
        first = int(np.argmax(profile > 0.5 * level))
        before = profile[first - 1] if first else 0.0
        ends.append(first + 0.5 - (profile[first] - 0.5 * level) / max(profile[first] - before, 1e-9))
    return float(len(total) - ends[0] - ends[1])


def _shown(stripes: list[np.ndarray], step_m: float) -> tuple[float | None, float | None]:
    """Metres of the near face's plane along the picture's middle row and column, from stripes across and down it."""
    out = []
    for axis in (0, 1):
        parts = []
        for each in stripes:
            line = each if axis == 0 else each.T
            middle = line.shape[0] // 2
            parts.append(_steps((line[middle - 1] + line[middle]) / 2))  # the middle lies between two rows of pixels
        out.append(None if None in parts else step_m * float(np.hypot(*parts)))
    return out[0], out[1]


def _steps(values: np.ndarray) -> float | None:
    """How many steps of stripes lie along a line of pixels, both ends worked out; None where they are too narrow to be seen."""
    level = values - 0.5
    at = np.flatnonzero((level[:-1] > 0) != (level[1:] > 0))
    crossing = at + 0.5 + level[at] / (level[at] - level[at + 1])
    if len(crossing) < 4:
        return float(len(crossing))
    if np.diff(crossing).min() < 3.0 or values.max() < 0.8 or values.min() > 0.2:
        return None
    index = np.arange(len(crossing))
    first = np.polyval(np.polyfit(crossing[:6], index[:6], 2 if len(crossing) > 5 else 1), 0.0)
    last = np.polyval(np.polyfit(crossing[-6:], index[-6:], 2 if len(crossing) > 5 else 1), float(len(values)))
    return float(last - first)
