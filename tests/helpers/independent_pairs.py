"""Still pairs of rigs that are known, made without any code of the project: own projections, own ray casting, photographs of scikit-image.

Planes and boxes with photographs on them are seen by a recording camera (14 to 50 mm before a Super 35 sensor) and a fisheye
(140 to 180 degrees across). What the pairing file says of them is off as its tolerance allows: the aim up to 4 degrees, and by the 95 %
half-widths below the offset, both lens centres, both focal lengths and both lenses' bending. Axes: x right, y down, z ahead; metres;
pixel (0, 0) is the outer corner of the top left pixel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from pathlib import Path

import cv2
import numpy as np

OFFSET_MM, CENTRE_SHARE, FOCAL_SHARE, AIM_DEG = 6.0, 0.015, 0.02, 4.0  # 95 % half-widths; the aim uniform up to it
BEND_RECORDING, BEND_MONITORING = 0.015, 0.03  # of the image radius, at the half diagonal and at the half width
RECORDING_PX, MONITORING_PX = (960, 540), (1280, 720)
SENSOR_MM, WIDE_MM = (24.89, 14.000625), (5.9, 3.31875)
FOCALS_MM = (14.0, 18.0, 21.0, 25.0, 28.0, 35.0, 50.0)
_PHOTOGRAPHS = (
    *("astronaut.png", "brick.png", "camera.png", "chelsea.png", "coffee.png", "coins.png", "grass.png", "gravel.png"),
    *("hubble_deep_field.jpg", "ihc.png", "moon.png", "motorcycle_left.png", "rocket.jpg", "retina.jpg"),
)


@dataclass(frozen=True, kw_only=True)
class Eye:
    """A camera: r = f base(theta) (1 + bend (x / x_end)^2), base and x the angle's tangent (straight) or a fisheye's."""

    base: str
    focal_mm: float
    bend: float
    end: float  # where the bending is as stated: tangent or angle
    sensor_mm: tuple[float, float]
    raster_px: tuple[int, int]
    centre_px: tuple[float, float]

    def radius(self, theta):
        """Image radius in mm of angles off the axis in rad."""
        x = np.tan(theta) if self.base == "rectilinear" else theta
        plain = {"equidistant": x, "equisolid": 2 * np.sin(theta / 2), "stereographic": 2 * np.tan(theta / 2), "rectilinear": x}[self.base]
        return self.focal_mm * plain * (1 + self.bend * (x / self.end) ** 2)

    @cached_property
    def _table(self):
        theta = np.linspace(0, 1.3 if self.base == "rectilinear" else 1.9, 8001)
        r = self.radius(theta)
        top = len(r) if (np.diff(r) > 0).all() else int(np.argmax(np.diff(r) <= 0))
        return theta[:top], r[:top]

    def pixels(self, points):
        """Pixels (..., 2) of points (..., 3); NaN behind a straight lens or beyond the fisheye."""
        across = np.hypot(points[..., 0], points[..., 1])
        theta = np.arctan2(across, points[..., 2])
        r = np.where(theta <= self._table[0][-1], self.radius(np.minimum(theta, self._table[0][-1])), np.nan)
        share = (r / np.maximum(across, 1e-12))[..., None]
        return points[..., :2] * share * (np.array(self.raster_px) / self.sensor_mm) + self.centre_px

    def rays(self, pixels):
        """Unit rays (..., 3) of pixels (..., 2); NaN where there is none."""
        flat = (pixels - np.array(self.centre_px)) / (np.array(self.raster_px) / self.sensor_mm)
        r = np.hypot(flat[..., 0], flat[..., 1])
        theta, table = self._table
        angle = np.interp(r, table, theta, right=np.nan)
        share = np.sin(angle) / np.maximum(r, 1e-12)
        return np.stack([flat[..., 0] * share, flat[..., 1] * share, np.cos(angle)], axis=-1)


def turned(pan_deg, tilt_deg, roll_deg):
    """Ry(pan) Rx(tilt) Rz(roll): + right, up, clockwise from behind, in these axes."""
    p, t, r = np.radians((pan_deg, tilt_deg, roll_deg))
    about_y = np.array([[np.cos(p), 0, np.sin(p)], [0, 1, 0], [-np.sin(p), 0, np.cos(p)]])
    about_x = np.array([[1, 0, 0], [0, np.cos(t), -np.sin(t)], [0, np.sin(t), np.cos(t)]])
    about_z = np.array([[np.cos(r), -np.sin(r), 0], [np.sin(r), np.cos(r), 0], [0, 0, 1]])
    return about_y @ about_x @ about_z


@dataclass(frozen=True, kw_only=True)
class Rig:
    """A rig as it is (``true``) and as its file has it; ``stated`` says whether the file gives tolerances."""

    seed: int
    true: tuple[Eye, Eye]
    offset_mm: tuple[float, float, float]
    aim_deg: tuple[float, float, float]
    file: tuple[Eye, Eye]
    file_offset_mm: tuple[float, float, float]
    aspect: float
    stated: bool

    @property
    def frame(self):
        """left, top, right, bottom of the frame in recorded pixels: the largest of its shape, 92 % kept."""
        width, height = (0.92 * n for n in RECORDING_PX)
        w, h = min(width, height * self.aspect), min(height, width / self.aspect)
        x, y = (n / 2 for n in RECORDING_PX)
        return x - w / 2, y - h / 2, x + w / 2, y + h / 2

    def errors_percent(self, monitoring_px, distance_m):
        """Points (4, n, 2) of the monitoring picture taken as the frame's left, top, right and bottom edges at a distance: by how many percent
        of the frame's width or height each is off."""
        recording, monitoring = self.true
        rays = monitoring.rays(monitoring_px) @ turned(*self.aim_deg).T
        right, up, forward = np.array(self.offset_mm) / 1000
        stand = np.array([right, -up, forward])
        flat = rays[..., :2] / rays[..., 2:]
        there = flat if math.isinf(distance_m) else flat * (1 - stand[2] / distance_m) + stand[:2] / distance_m
        px = recording.pixels(np.concatenate([there, np.ones_like(there[..., :1])], axis=-1))
        left, top, right, bottom = self.frame
        return 100 * np.stack([(px[0, :, 0] - left) / (right - left), (px[1, :, 1] - top) / (bottom - top), (px[2, :, 0] - right) / (right - left),
                               (px[3, :, 1] - bottom) / (bottom - top)])  # fmt: skip


def random_rig(seed: int) -> Rig:
    """A rig and its file."""
    rng = np.random.default_rng((seed, 1))

    def off(half):
        return float(np.clip(rng.normal() / 1.96, -1.3, 1.3)) * half

    focal = float(rng.choice(FOCALS_MM))
    half = math.radians(rng.uniform(140, 180)) / 2
    base = str(rng.choice(["equidistant", "equidistant", "equisolid", "stereographic"]))
    unit = {"equidistant": half, "equisolid": 2 * math.sin(half / 2), "stereographic": 2 * math.tan(half / 2)}[base]
    wide = WIDE_MM[0] / 2 / unit
    diagonal = math.hypot(*SENSOR_MM) / 2 / focal
    middle = [tuple(n / 2 for n in px) for px in (RECORDING_PX, MONITORING_PX)]
    file = (
        Eye(base="rectilinear", focal_mm=focal, bend=0.0, end=diagonal, sensor_mm=SENSOR_MM, raster_px=RECORDING_PX, centre_px=middle[0]),
        Eye(base=base, focal_mm=wide, bend=0.0, end=half, sensor_mm=WIDE_MM, raster_px=MONITORING_PX, centre_px=middle[1]),
    )
    true = []
    for eye, bend in zip(file, (BEND_RECORDING, BEND_MONITORING), strict=True):
        shift = [off(CENTRE_SHARE * eye.raster_px[0]) for _ in range(2)]
        centre = (eye.centre_px[0] + shift[0], eye.centre_px[1] + shift[1])
        true.append(
            Eye(
                base=eye.base,
                focal_mm=eye.focal_mm * (1 + off(FOCAL_SHARE)),
                bend=off(bend),
                end=eye.end,
                sensor_mm=eye.sensor_mm,
                raster_px=eye.raster_px,
                centre_px=centre,
            )
        )
    stands = (rng.uniform(-40, 40), rng.choice([-1, 1]) * rng.uniform(40, 75), rng.uniform(-20, 40))
    real = tuple(s + off(OFFSET_MM) for s in stands)
    size, way = rng.uniform(0, AIM_DEG), rng.normal(size=3) * (1, 1, 0.5)
    aim = size * way / np.linalg.norm(way)
    return Rig(
        seed=seed,
        true=(true[0], true[1]),
        offset_mm=real,
        aim_deg=tuple(aim),
        file=file,
        file_offset_mm=stands,
        aspect=float(rng.choice([16 / 9, 1.85, 2.39])),
        stated=bool(rng.random() < 0.5),
    )


@lru_cache(maxsize=1)
def _photographs():
    import skimage.data

    folder = Path(skimage.data.__file__).parent
    return [cv2.imread(str(folder / name), cv2.IMREAD_GRAYSCALE) for name in _PHOTOGRAPHS]


def photograph(index):
    """The middle square of a photograph, grey."""
    picture = _photographs()[index % len(_PHOTOGRAPHS)]
    side = min(picture.shape)
    top, left = ((n - side) // 2 for n in picture.shape)
    return picture[top : top + side, left : left + side]


def _mosaic(rng, across, down, side=224):
    """Photographs side by side, each cut out, turned, flipped and lit at random: no place looks like another for long."""
    out = np.empty((down * side, across * side), np.uint8)
    for row in range(down):
        for column in range(across):
            photo = _photographs()[rng.integers(len(_photographs()))]
            size = int(min(photo.shape) * rng.uniform(0.55, 1.0))
            y, x = (int(rng.integers(n - size + 1)) for n in photo.shape)
            tile = np.rot90(cv2.resize(photo[y : y + size, x : x + size], (side, side), interpolation=cv2.INTER_AREA), rng.integers(4)).astype(np.float32)
            tile = tile[:, :: rng.choice([-1, 1])]
            out[row * side : (row + 1) * side, column * side : (column + 1) * side] = np.clip(rng.uniform(0.7, 1.15) * tile + rng.uniform(-15, 25), 0, 255)
    return out


@dataclass(frozen=True, kw_only=True, eq=False)
class Panel:
    """A rectangle: corner, the two sides from it, its picture."""

    corner: np.ndarray
    across: np.ndarray
    down: np.ndarray
    picture: np.ndarray


def _panel(corner, across, down, picture):
    return Panel(corner=np.array(corner, float), across=np.array(across, float), down=np.array(down, float), picture=picture)


def _box(rng, at, size):
    """The five upper faces of a box that stands turned about the upright."""
    a = rng.uniform(-0.7, 0.7)
    x, y, z = np.array([math.cos(a), 0, math.sin(a)]) * size[0], np.array([0, 1.0, 0]) * size[1], np.array([-math.sin(a), 0, math.cos(a)]) * size[2]
    base, pictures = np.array(at, float), [_mosaic(rng, 2, 2) for _ in range(3)]
    return [_panel(base, x, y, pictures[0]), _panel(base + z, -z, y, pictures[1]), _panel(base + x, z, y, pictures[2]),
            _panel(base + x + z, -x, y, pictures[0]),
            _panel(base, x, z, pictures[1])]  # fmt: skip


def scene(rng, *, kind: str, spread: float) -> list[Panel]:
    """``open`` (ground, boxes, something large 40 to 300 m away), ``closed`` (a room of 4 to 14 m) or ``wall`` (a wall alone).

    Args:
        spread: half the recorded picture's width over its distance, so that what is there is seen whatever the lens.
    """
    away = rng.uniform(40, 300) if kind == "open" else rng.uniform(4, 14)
    half = 1.6 * spread * away + 0.3 if kind == "open" else max(rng.uniform(2, 5), 0.5 * spread * away)
    floor, top = rng.uniform(1.0, 2.0), (0.9 * spread * away + 3 if kind == "open" else rng.uniform(1.5, 3.5))
    below = 0.5 * spread * away if kind == "open" else floor
    panels = [_panel((-half, -top, away), (2 * half, 0, 0), (0, top + below, 0), _mosaic(rng, 10, 6))]
    if kind == "wall":
        return [
            _panel((-3 * away * spread - 2, -2 * away * spread - 2, away), (6 * away * spread + 4, 0, 0), (0, 4 * away * spread + 4, 0), _mosaic(rng, 14, 9))
        ]
    deep = min(away, 30.0)
    panels.append(_panel((-deep, floor, 0.4), (2 * deep, 0, 0), (0, 0, deep), _mosaic(rng, 8, 8)))
    if kind == "closed":
        panels += [
            _panel((-half, -top, 0.4), (0, 0, away), (0, top + floor, 0), _mosaic(rng, 6, 3)),
            _panel((half, -top, away + 0.4), (0, 0, -away), (0, top + floor, 0), _mosaic(rng, 6, 3)),
            _panel((-half, -top, 0.4), (2 * half, 0, 0), (0, 0, away), _mosaic(rng, 5, 5)),
        ]
    for _ in range(rng.integers(4, 8)):
        z = rng.uniform(1.8, 12 if kind == "open" else away - 0.8)
        size = rng.uniform(0.25, 0.6, 3) * min(max(z * spread, 0.8), 4)
        panels += _box(rng, (rng.uniform(-0.9, 0.7) * z * spread, rng.uniform(-0.5, 0.45) * z * spread, z), size)
    return panels


def _seen(eye: Eye, turn, stand, panels, window, fine):
    """Grey picture and depth along the viewer's axis of a window (left, top, right, bottom) of the raster, ``fine`` x ``fine`` rays to a pixel."""
    left, top, right, bottom = window
    width, height = (right - left) * fine, (bottom - top) * fine
    x, y = np.meshgrid(left + (np.arange(width) + 0.5) / fine, top + (np.arange(height) + 0.5) / fine)
    rays = eye.rays(np.stack([x, y], axis=-1))
    dark = ~np.isfinite(rays[..., 2])
    rays = np.ascontiguousarray(np.moveaxis(np.where(dark[..., None], (0, 0, -1.0), rays), -1, 0), dtype=np.float32)
    picture, nearest = np.full(dark.shape, 90, np.float32), np.full(dark.shape, np.inf, np.float32)
    step_rad = float(np.linalg.norm(rays[:, height // 2, width // 2] - rays[:, height // 2, width // 2 + 1]))
    for panel in panels:
        corner, across, down = ((panel.corner - stand) @ turn, panel.across @ turn, panel.down @ turn)
        normal = np.cross(across, down)
        grid = corner + np.linspace(0, 1, 9)[:, None, None] * across + np.linspace(0, 1, 9)[None, :, None] * down
        part = (slice(0, height), slice(0, width))
        if grid[..., 2].min() > 0.3:  # wholly ahead: only its own part of the picture is cast
            px = (eye.pixels(grid) - (left, top)) * fine
            if np.isfinite(px).all():
                low, high = px.reshape(-1, 2).min(0), px.reshape(-1, 2).max(0)
                margin = 0.06 * (high - low) + 3
                x0, y0 = (int(np.clip(v, 0, n)) for v, n in zip(low - margin, (width, height), strict=True))
                x1, y1 = (int(np.clip(v, 0, n)) for v, n in zip(high + margin, (width, height), strict=True))
                part = (slice(y0, y1), slice(x0, x1))
        x, y, z = rays[(slice(None), *part)]
        if not x.size:
            continue

        def along(way, x=x, y=y, z=z):
            a, b, c = (np.float32(n) for n in way)
            return a * x + b * y + c * z

        to_u, to_v = across / (across @ across), down / (down @ down)
        with np.errstate(all="ignore"):
            slant = along(normal)
            far = np.float32(corner @ normal) / slant
            u = far * along(to_u) - np.float32(corner @ to_u)
            v = far * along(to_v) - np.float32(corner @ to_v)
            hit = (far > 0.05) & (far < nearest[part]) & (u >= 0) & (u <= 1) & (v >= 0) & (v <= 1)
        if not hit.any():
            continue
        u, v, far_hit, slant = u[hit], v[hit], far[hit], np.abs(slant[hit]) / np.float32(np.linalg.norm(normal))
        texels = panel.picture.shape[1] / np.linalg.norm(across)
        level = np.clip(np.rint(np.log2(np.maximum(far_hit * step_rad * texels / np.sqrt(np.maximum(slant, 0.05)), 1e-3))), 0, 4)
        image, grey = panel.picture, np.empty(len(u), np.float32)
        for coarse in range(5):
            here = np.flatnonzero(level == coarse)
            for some in np.array_split(here, len(here) // 30000 + 1) if len(here) else []:  # OpenCV's maps are bounded in length
                tall, wide = image.shape
                at = [(c[some] * n - 0.5).astype(np.float32)[None] for c, n in ((u, wide), (v, tall))]
                grey[some] = cv2.remap(image, at[0], at[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)[0]
            image = cv2.resize(image, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        picture[part][hit] = grey
        nearest[part][hit] = far_hit
    depth = nearest * rays[2]
    return cv2.resize(picture, (right - left, bottom - top), interpolation=cv2.INTER_AREA), depth[fine // 2 :: fine, fine // 2 :: fine]


def _wide_seen(rig: Rig, turn, stand, panels, fine):
    """The fisheye's picture: as finely as asked where the recorded picture lies and 8 degrees round it, a ray to four pixels elsewhere."""
    eye = rig.true[1]
    half = replace(eye, raster_px=(eye.raster_px[0] // 2, eye.raster_px[1] // 2), centre_px=(eye.centre_px[0] / 2, eye.centre_px[1] / 2))
    picture = cv2.resize(_seen(half, turn, stand, panels, (0, 0, *half.raster_px), 1)[0], eye.raster_px, interpolation=cv2.INTER_CUBIC)
    width, height = RECORDING_PX
    ends = rig.true[0].rays(np.array([(0, 0), (width, 0), (0, height), (width, height), (width / 2, 0), (width / 2, height)], float)) @ turn
    px = eye.pixels(ends)
    margin = math.radians(8) / math.radians(160) * eye.raster_px[0]
    low, high = np.floor(px.min(0) - margin), np.ceil(px.max(0) + margin)
    x0, y0 = (int(np.clip(v, 0, n)) for v, n in zip(low, eye.raster_px, strict=True))
    x1, y1 = (int(np.clip(v, 0, n)) for v, n in zip(high, eye.raster_px, strict=True))
    picture[y0:y1, x0:x1] = _seen(eye, turn, stand, panels, (x0, y0, x1, y1), fine)[0]
    return picture


def _spoiled(picture, rng, *, blur, noise, quality, gain):
    soft = cv2.GaussianBlur(picture, (0, 0), blur)
    x, y = np.meshgrid(np.linspace(-1, 1, picture.shape[1]), np.linspace(-1, 1, picture.shape[0]))
    lit = soft * gain * (1 - 0.2 * (x**2 + y**2)) + rng.normal(scale=noise, size=picture.shape)
    _, file = cv2.imencode(".jpg", np.clip(lit, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, quality])
    return file


@dataclass(frozen=True, kw_only=True, eq=False)
class Moment:
    """Two stills as JPEG files, and what is in the middle of the frame: its depth and how far depths there spread (largest over smallest)."""

    recording_jpeg: np.ndarray
    monitoring_jpeg: np.ndarray
    middle_m: float
    middle_spread: float
    kind: str
    depths_m: tuple[float, ...] = field(default=())

    @property
    def stills(self):
        """Recording and monitoring picture, grey."""
        return tuple(cv2.imdecode(f, cv2.IMREAD_GRAYSCALE) for f in (self.recording_jpeg, self.monitoring_jpeg))


@dataclass(frozen=True, kw_only=True)
class Place:
    """Somewhere in the recorded still: recorded pixels, distance along the axis, and the nearest and farthest of what is round it."""

    at_px: tuple[float, float]
    distance_m: float
    nearest_m: float
    farthest_m: float

    @property
    def flat(self) -> bool:
        """Whether what is round it stands at about one distance."""
        return self.farthest_m < 1.04 * self.nearest_m

    @property
    def other_m(self) -> float:
        """Of what is round it, the distance that is least like the middle one."""
        return max(self.nearest_m, self.farthest_m, key=lambda d: abs(1 / d - 1 / self.distance_m))


def _shown(rig: Rig, index: int, kind: str | None):
    rng = np.random.default_rng((rig.seed, 2, index))
    kind = kind or str(rng.choice(["open", "open", "open", "closed"]))
    return rng, kind, scene(rng, kind=kind, spread=SENSOR_MM[0] / 2 / rig.true[0].focal_mm)


def places(rig: Rig, index: int, *, kind: str | None = None) -> list[Place]:
    """Places on a grid over the frame of a moment, farthest first: what somebody with a tape could measure."""
    _, _, panels = _shown(rig, index, kind)
    eye = rig.true[0]
    small = replace(eye, raster_px=(eye.raster_px[0] // 4, eye.raster_px[1] // 4), centre_px=(eye.centre_px[0] / 4, eye.centre_px[1] / 4))
    _, depth = _seen(small, np.eye(3), np.zeros(3), panels, (0, 0, *small.raster_px), 1)
    left, top, right, bottom = rig.frame
    out = []
    for y in np.linspace(top, bottom, 9)[1:-1]:
        for x in np.linspace(left, right, 11)[1:-1]:
            half_x, half_y = 0.08 * (right - left), 0.08 * (bottom - top)
            part = depth[int((y - half_y) / 4) : int((y + half_y) / 4) + 1, int((x - half_x) / 4) : int((x + half_x) / 4) + 1]
            low, mid, high = np.percentile(part, (1, 50, 99))
            out.append(Place(at_px=(float(x), float(y)), distance_m=float(mid), nearest_m=float(low), farthest_m=float(high)))
    return sorted(out, key=lambda p: -p.distance_m)


def moment(rig: Rig, index: int, *, kind: str | None = None, fine: int = 2, moved_m=(0.0, 0.0, 0.0), panels=None) -> Moment:
    """The rig's stills of one moment; ``moved_m``: how far the monitoring still was taken from where it should have been."""
    rng, kind, shown = _shown(rig, index, kind)
    shown = shown if panels is None else panels
    right, up, forward = np.array(rig.offset_mm) / 1000
    first, depth = _seen(rig.true[0], np.eye(3), np.zeros(3), shown, (0, 0, *RECORDING_PX), fine)
    second = _wide_seen(rig, turned(*rig.aim_deg), np.array([right, -up, forward]) + moved_m, shown, fine)
    left, top, right, bottom = rig.frame
    x, y, w, h = (left + right) / 2, (top + bottom) / 2, (right - left) / 10, (bottom - top) / 10
    middle = depth[int(y - h) : int(y + h), int(x - w) : int(x + w)]
    low, mid, high = np.percentile(middle, (5, 50, 95))
    return Moment(
        recording_jpeg=_spoiled(first, rng, blur=rng.uniform(0.6, 1.1), noise=rng.uniform(1.5, 3.5), quality=int(rng.integers(84, 95)), gain=1.0),
        monitoring_jpeg=_spoiled(
            second, rng, blur=rng.uniform(0.5, 0.9), noise=rng.uniform(1.5, 4), quality=int(rng.integers(80, 92)), gain=rng.uniform(0.8, 1.1)
        ),
        middle_m=float(mid),
        middle_spread=float(high / low),
        kind=kind,
        depths_m=tuple(float(v) for v in np.percentile(depth[np.isfinite(depth)], (2, 25, 50, 75, 98))),
    )
