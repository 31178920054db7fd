"""Two clips of one flight, rendered by means that share nothing with framematch, whose every turn is known.

The rig flies inside a round hall hung with scikit-image's photographs: a cylinder, so that every ray's end is a closed form, computed on a
grid of pixels and carried to all of them by OpenCV. Own projections, own rotations, own clock. Rows are read one after another, an exposure is
the mean of several instants, and the clips are written by x264.

Axes of hall and cameras: +x right, +y down, +z ahead. Times are the recording clip's own seconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

import av
import cv2
import numpy as np
import skimage.data

RADIUS_M = 14.0
_TURN_PX = 4320  # once round the hall
_TILE_PX = 270
_STEP_PX = 6  # of the grid of rays


@dataclass(frozen=True, kw_only=True)
class Eye:
    """A camera: ``straight`` or equidistant lens, its width of view, its frames and rows; focal length in pixels follows.

    ``bend``: the share by which the image radius is larger at the half diagonal (straight) or the half width (equidistant), by its tangent's or angle's
    square elsewhere. ``written_px``: its clip is enlarged to that.
    """

    straight: bool
    view_deg: float
    size_px: tuple[int, int] = (480, 270)
    fps: float = 30.0
    readout_s: float = 0.0
    exposure_s: float = 0.0
    bend: float = 0.0
    written_px: tuple[int, int] | None = None

    @property
    def focal_px(self) -> float:
        half = math.radians(self.view_deg) / 2
        return self.size_px[0] / 2 / (math.tan(half) if self.straight else half)

    @property
    def end(self) -> float:
        """Where the bend is as stated: a tangent or an angle."""
        return (math.hypot(*self.size_px) if self.straight else self.size_px[0]) / 2 / self.focal_px

    def bent(self, x: np.ndarray) -> np.ndarray:
        """Image radii, in focal lengths, of tangents or angles."""
        return x * (1 + self.bend * (x / self.end) ** 2)

    def unbent(self, radius: np.ndarray) -> np.ndarray:
        """Tangents or angles of image radii, by Newton's steps."""
        x = radius
        for _ in range(8):
            x = x - (self.bent(x) - radius) / (1 + 3 * self.bend * (x / self.end) ** 2)
        return x


@dataclass(frozen=True, kw_only=True)
class Flight:
    """One flight: both cameras, the monitoring camera's aim (pan, tilt, roll) and place, the clocks, how it turned, flexed and moved.

    ``offset_s`` is the recording clip's time at which the monitoring clip begins; its clock runs ``rate_ppm`` slower than the recording clip's.
    With ``period_s`` the turns repeat. ``silent_s``: from when on the monitoring clip shows a moment by so much later than its time stamps say.
    """

    seed: int = 0
    length_s: float = 8.0
    recording: Eye = Eye(straight=True, view_deg=45.0, fps=25.0)
    monitoring: Eye = Eye(straight=False, view_deg=110.0)
    aim_deg: tuple[float, float, float] = (1.2, -3.0, 0.8)
    offset_mm: tuple[float, float, float] = (20.0, 58.0, 31.0)
    offset_s: float = 0.7
    rate_ppm: float = 0.0
    turning: float = 1.0
    speed_m_s: float = 3.0
    flex_deg: float = 0.0
    flex_hz: float = 2.0
    dropped: float = 0.0
    repeated: float = 0.0
    mbit: float = 8.0
    noise: float = 2.0
    blur_px: float = 0.0
    smoothed_s: float = 0.0
    period_s: float = 0.0
    silent_s: tuple[float, float] = (0.0, 0.0)

    def angles(self, t: np.ndarray) -> np.ndarray:
        """(n, 3) heading, nose up, bank in radians at times (n): slow turns and shaking of many frequencies."""
        rng = np.random.default_rng((self.seed, 5))
        hz = np.concatenate([rng.uniform(0.08, 0.5, 4), rng.uniform(0.5, 6.0, 12)])
        size = np.where(hz < 0.5, 0.22 * rng.uniform(0.4, 1, 16), 0.022 * rng.uniform(0.3, 1, 16) / hz)
        if self.period_s:
            hz = np.maximum(np.rint(hz * self.period_s), 1) / self.period_s
        if self.smoothed_s:
            size = size * np.exp(-((2 * math.pi * hz * self.smoothed_s) ** 2) / 2)
        out = []
        for scale in (1.0, 0.35, 0.5):
            phase = rng.uniform(0, 2 * math.pi, 16)
            out.append(self.turning * scale * (size * np.sin(2 * math.pi * hz * np.asarray(t)[..., None] + phase)).sum(-1))
        return np.stack(out, axis=-1)

    def attitude(self, t: np.ndarray) -> np.ndarray:
        """(n, 3, 3) hall from recording camera."""
        heading, up, bank = np.moveaxis(self.angles(t), -1, 0)
        return turned(heading, up, bank)

    def place(self, t: np.ndarray) -> np.ndarray:
        """(n, 3) of the recording camera: to and fro through the hall."""
        t = np.asarray(t)
        w = 2 * math.pi / 9.0
        reach = self.speed_m_s / w
        return np.stack([reach * 0.4 * np.sin(w * t), reach * 0.15 * np.sin(0.8 * w * t + 1), reach * np.sin(w * t + 0.3)], axis=-1)

    def aim(self, t: np.ndarray) -> np.ndarray:
        """(n, 3, 3) recording from monitoring camera, as it flexes about its pan and tilt axes."""
        t = np.asarray(t)
        pan, tilt, roll = (math.radians(a) for a in self.aim_deg)
        flex = math.radians(self.flex_deg) * np.sin(2 * math.pi * self.flex_hz * t + 0.4)
        return turned(pan + 0.6 * flex, tilt + 0.8 * flex, roll + 0 * t)


def turned(pan, tilt, roll) -> np.ndarray:
    """(..., 3, 3): panned right, then tilted up, then rolled clockwise seen from behind."""
    pan, tilt, roll = np.broadcast_arrays(pan, tilt, roll)
    one, no = np.ones_like(pan), np.zeros_like(pan)
    (cp, sp), (ct, st), (cr, sr) = ((np.cos(a), np.sin(a)) for a in (pan, tilt, roll))

    def rows(*r):
        return np.stack([np.stack(x, axis=-1) for x in r], axis=-2)

    return (
        rows((cp, no, sp), (no, one, no), (-sp, no, cp)) @ rows((one, no, no), (no, ct, -st), (no, st, ct)) @ rows((cr, -sr, no), (sr, cr, no), (no, no, one))
    )


@lru_cache(maxsize=4)
def _wall(shrink: int) -> np.ndarray:
    """The hall's wall twice round, of photographs, (height, 2 turns)."""
    folder = Path(skimage.data.__file__).parent
    photographs = [cv2.imread(str(folder / f"{name}.png"), cv2.IMREAD_GRAYSCALE) for name in ("astronaut", "camera", "coffee", "brick", "gravel", "coins")]
    rng = np.random.default_rng(11)
    wall = np.zeros((14 * _TILE_PX, _TURN_PX), np.uint8)
    for top in range(0, wall.shape[0], _TILE_PX):
        for left in range(0, _TURN_PX, _TILE_PX):
            photo = photographs[int(rng.integers(len(photographs)))]
            y, x = (int(rng.integers(0, n - _TILE_PX + 1)) for n in photo.shape)
            tile = photo[y : y + _TILE_PX, x : x + _TILE_PX]
            wall[top : top + _TILE_PX, left : left + _TILE_PX] = np.rot90(tile, rng.integers(4))
    wall = np.hstack([wall, wall])
    return cv2.resize(wall, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA) if shrink > 1 else wall


def rays_of(eye: Eye, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """(..., 3) of pixels, unit length."""
    u, v = (x - eye.size_px[0] / 2) / eye.focal_px, (y - eye.size_px[1] / 2) / eye.focal_px
    radius = np.hypot(u, v)
    x = eye.unbent(radius)
    share = np.divide(x, radius, out=np.ones_like(x), where=radius > 0)
    u, v = u * share, v * share
    if eye.straight:
        rays = np.stack([u, v, np.ones_like(u)], axis=-1)
        return rays / np.linalg.norm(rays, axis=-1, keepdims=True)
    share = np.sinc(x / math.pi)
    return np.stack([u * share, v * share, np.cos(x)], axis=-1)


def _to_wall(px, pz, dx, dz):
    """How far along a way the wall is."""
    a, b, c = dx**2 + dz**2, dx * px + dz * pz, px**2 + pz**2 - RADIUS_M**2
    return (-b + np.sqrt(b**2 - a * c)) / a


def depths(flight: Flight, t: float, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """How far ahead of the recording camera is what its pixels show at a time."""
    rays = rays_of(flight.recording, x, y)
    dx, _, dz = np.moveaxis(rays @ flight.attitude(np.array([t]))[0].T, -1, 0)
    px, _, pz = flight.place(np.array([t]))[0]
    return _to_wall(px, pz, dx, dz) * rays[..., 2]


def _cells(nodes: int, count: int) -> tuple[np.ndarray, np.ndarray]:
    """For each of the pixels along a side the node before it, and how far behind that it is, in cells."""
    at = (np.arange(count) + 0.5) / count * (nodes - 1)
    low = np.minimum(at.astype(int), nodes - 2)
    return low, (at - low).astype(np.float32)


def _between(nodes: np.ndarray, across: tuple[np.ndarray, np.ndarray], down: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """A value for each pixel from those of the grid, straight between (a matrix product is slower, and OpenCV's remap rounds places)."""
    low, behind = across
    rows = nodes[:, low] + behind * (nodes[:, low + 1] - nodes[:, low])
    low, behind = down
    return rows[low] + behind[:, None] * (rows[low + 1] - rows[low])


class _Camera:
    """Draws one camera's pictures."""

    def __init__(self, flight: Flight, eye: Eye, *, monitoring: bool) -> None:
        self.flight, self.eye, self.monitoring = flight, eye, monitoring
        width, height = eye.size_px
        self.x, self.y = (np.linspace(0, n, max(2, n // _STEP_PX) + 1) for n in (width, height))
        self.rays = rays_of(eye, *np.meshgrid(self.x, self.y))
        self.cells = [_cells(len(nodes), n) for nodes, n in ((self.x, width), (self.y, height))]
        per_deg = eye.focal_px * math.pi / 180
        self.shrink = max(1, round(_TURN_PX / 360 / per_deg))
        self.noise = np.random.default_rng((flight.seed, 9)).normal(scale=flight.noise, size=(height + 64, width + 64)).astype(np.float32)

    def picture(self, t: float, index: int) -> np.ndarray:
        instants = np.array([-1, 0, 1]) / 3 * self.eye.exposure_s if self.eye.exposure_s else [0.0]
        drawn = np.mean([self._at(t + dt).astype(np.float32) for dt in instants], axis=0)
        if self.flight.blur_px:
            drawn = cv2.GaussianBlur(drawn, (0, 0), self.flight.blur_px)
        y, x = np.random.default_rng((self.flight.seed, index)).integers(0, 64, 2)
        return np.clip(drawn + self.noise[y : y + drawn.shape[0], x : x + drawn.shape[1]] + 0.5, 0, 255).astype(np.uint8)

    def _at(self, t: float) -> np.ndarray:
        times = t + (self.y / self.eye.size_px[1] - 0.5) * self.eye.readout_s
        turn, stand = self.flight.attitude(times), self.flight.place(times)
        if self.monitoring:
            right, up, forward = np.array(self.flight.offset_mm) / 1000
            stand = stand + turn @ np.array([right, -up, forward])
            turn = turn @ self.flight.aim(times)
        way = self.rays @ np.swapaxes(turn, 1, 2)
        dx, dy, dz = np.moveaxis(way, -1, 0)
        px, py, pz = (stand[:, i, None] for i in range(3))
        far = _to_wall(px, pz, dx, dz)
        ahead = math.atan2(*turn[len(turn) // 2][[0, 2], 2])
        lon = np.arctan2(px + far * dx, pz + far * dz) - ahead
        lon = (lon + math.pi) % (2 * math.pi) - math.pi + ahead % (2 * math.pi) + math.pi / 2
        per_rad = _TURN_PX / (2 * math.pi) / self.shrink
        wall = _wall(self.shrink)
        u, v = lon * per_rad - 0.5, wall.shape[0] / 2 + (py + far * dy) / RADIUS_M * per_rad - 0.5
        full = [_between(m.astype(np.float32), *self.cells) for m in (u, v)]
        return cv2.remap(wall, full[0], full[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)


def write_clips(flight: Flight, folder: Path) -> tuple[Path, Path]:
    """Render and encode both clips."""
    return write_recording(flight, folder), write_monitoring(flight, folder)


def write_recording(flight: Flight, folder: Path) -> Path:
    """The recording camera's clip."""
    path, eye = folder / f"rec{flight.seed}.mp4", flight.recording
    camera = _Camera(flight, eye, monitoring=False)
    _write(path, ((i / eye.fps, camera.picture(i / eye.fps, i)) for i in range(round(flight.length_s * eye.fps))), eye, flight.mbit)
    return path


def write_monitoring(flight: Flight, folder: Path) -> Path:
    """The monitoring camera's clip, which loses and repeats frames as its recorder would."""
    path, eye = folder / f"mon{flight.seed}.mp4", flight.monitoring
    own = np.arange(round((flight.length_s - flight.offset_s) * eye.fps)) / eye.fps
    rng = np.random.default_rng((flight.seed, 6))
    kept, again = rng.random(len(own)) >= flight.dropped, rng.random(len(own)) < flight.repeated
    kept[0], again[0] = True, False
    camera = _Camera(flight, eye, monitoring=True)
    lost_at, lost_s = flight.silent_s

    def shown():
        last = None
        for i, t in enumerate(own):
            if not kept[i]:
                continue
            if last is None or not again[i]:
                skipped = lost_s if t >= lost_at else 0.0
                last = camera.picture(flight.offset_s + (t + skipped) * (1 + 1e-6 * flight.rate_ppm), 5000 + i)
            yield t, last

    _write(path, shown(), eye, flight.mbit)
    return path


def _write(path: Path, frames, eye: Eye, mbit: float) -> None:
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=Fraction(eye.fps).limit_denominator(1001), options={"preset": "ultrafast", "threads": "1"})
        stream.width, stream.height = eye.written_px or eye.size_px
        stream.pix_fmt, stream.bit_rate = "yuv420p", round(mbit * 1e6)
        stream.codec_context.time_base = Fraction(1, 90_000)
        for t, drawn in frames:
            grey = drawn if eye.written_px is None else cv2.resize(drawn, eye.written_px, interpolation=cv2.INTER_CUBIC)
            frame = av.VideoFrame.from_ndarray(grey, format="gray").reformat(format="yuv420p")
            frame.pts, frame.time_base = round(t * 90_000), Fraction(1, 90_000)
            out.mux(stream.encode(frame))
        out.mux(stream.encode())


def turn_between(flight: Flight, first_s: float, last_s: float, *, monitoring: bool = False) -> np.ndarray:
    """Rotation vector (3,), rad, by which a camera turned between two moments, in its own axes at the first."""
    t = np.array([first_s, last_s])
    pose = flight.attitude(t) @ flight.aim(t) if monitoring else flight.attitude(t)
    return cv2.Rodrigues(pose[0].T @ pose[1])[0].ravel()


def still_hall(flight: Flight) -> Flight:
    """The same flight with the rig held all but still."""
    return replace(flight, turning=0.0, speed_m_s=0.0)
