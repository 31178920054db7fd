"""A pairing as one value: two cameras, the mount between them, and what the guide has to serve."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from framematch.errors import InputError
from framematch.geometry.camera import Angles, Camera, Display, Rect, equivalent_135_mm
from framematch.geometry.mount import Mount

MOST_FRAMES = 6  # of one pairing


@dataclass(frozen=True, kw_only=True)
class Tolerance:
    """Half-widths of 95 % intervals of what is typed in, each independent of the others.

    Args:
        offset_mm: of each of the three mount offsets.
        aim_deg: of each of pan, tilt and roll.
        focal_percent: of each camera's focal length.
        centre_px: of each camera's lens centre, across and down, in pixels of its own raster.
        angle_deg: of the monitoring camera's angle of view, where its lens comes from quoted angles.
    """

    offset_mm: float = 0.0
    aim_deg: float = 0.0
    focal_percent: float = 0.0
    centre_px: float = 0.0
    angle_deg: float = 0.0

    @property
    def given(self) -> bool:
        """Whether anything is uncertain at all."""
        return any((self.offset_mm, self.aim_deg, self.focal_percent, self.centre_px, self.angle_deg))


@dataclass(frozen=True, kw_only=True)
class Frame:
    """One delivery's part of the recorded picture.

    Args:
        name: what it is called, such as ``2.39:1``.
        area: in recorded pixels.
        keep_percent: what the stabiliser leaves of the recorded picture, each way.
        wander_percent: by how much the stabiliser moves the frame in the recorded picture, each way, in
            percent of the frame's width and height.
        intent: width and height of the shape that a framing file gave it, such as (239, 100); None without one.
        protection: what such a file protects about it, in recorded pixels; None where it is the frame over ``keep_percent``.
    """

    name: str = ""
    area: Rect
    keep_percent: float = 100.0
    wander_percent: float = 0.0
    intent: tuple[int, int] | None = None
    protection: Rect | None = None


@dataclass(frozen=True, kw_only=True)
class Turn:
    """How fast the rig turns, in degrees per second about its own axes: + pans right, tilts up, rolls clockwise seen from behind."""

    pan_deg_s: float = 0.0
    tilt_deg_s: float = 0.0
    roll_deg_s: float = 0.0


@dataclass(frozen=True, kw_only=True)
class About:
    """Whose a pairing is: what a crew writes on its case.

    Args:
        serials: what carries a number, and the number: ``("lens", "2417")``.
    """

    production: str = ""
    unit: str = ""
    notes: str = ""
    serials: tuple[tuple[str, str], ...] = ()

    @property
    def words(self) -> str:
        """All of it in one line; empty if there is nothing."""
        whose = ", ".join(filter(None, (self.production, self.unit)))
        numbers = ", ".join(f"{what} {number}" for what, number in self.serials)
        return ". ".join(filter(None, (whose, f"Serial numbers: {numbers}" if numbers else "", self.notes.rstrip("."))))


@dataclass(frozen=True, kw_only=True)
class Pairing:
    """One recording camera set-up, one monitoring camera set-up and the mount between them.

    Args:
        title: what it is called.
        about: whose it is.
        recording: at its focus setting.
        frame: what will be shown of the recorded picture, in recorded pixels; of several, the main one.
        monitoring: whose picture the goggles show.
        display: that picture as the goggles show it.
        mount: where the monitoring camera sits and points.
        near_m, far_m: distances along the recording camera's axis that the guide has to serve; far
            may be infinite.
        tolerance: how sure the figures are.
        f_number: stop of the recording lens, None if not given.
        focus_m: distance that the recording lens is focused at, may be infinite.
        keep_percent: what the stabiliser leaves of the recorded picture, each way.
        frame_name, wander_percent, intent, protection: of the main frame, as in :class:`Frame`.
        others: further frames of the same recorded picture.
        turn: how fast the rig turns at most in the shot, None if not given.
        text_cells: columns and rows of a character grid over the display, None without one.
        lens_fit_deg: for each camera whose lens comes from quoted angles, by how many degrees the
            lens found misses each of them.

    Raises:
        InputError: a range that is none, or that begins inside the rig.
    """

    title: str = ""
    about: About = field(default_factory=About)
    recording: Camera
    frame: Rect
    monitoring: Camera
    display: Display
    mount: Mount = field(default_factory=Mount)
    near_m: float = 1.0
    far_m: float = math.inf
    tolerance: Tolerance = field(default_factory=Tolerance)
    f_number: float | None = None
    focus_m: float = math.inf
    keep_percent: float = 100.0
    frame_name: str = ""
    wander_percent: float = 0.0
    intent: tuple[int, int] | None = None
    protection: Rect | None = None
    others: tuple[Frame, ...] = ()
    turn: Turn | None = None
    text_cells: tuple[int, int] | None = None
    lens_fit_deg: tuple[tuple[str, tuple[tuple[str, float], ...]], ...] = ()

    def __post_init__(self) -> None:
        if not self.near_m > 0:
            raise InputError(f"{self.near_m} m is not a nearest distance", field="shot.distance_m", fix="give metres above 0")
        if not self.far_m >= self.near_m:
            raise InputError(f"nearest {self.near_m:g} m is farther than farthest {self.far_m:g} m", field="shot.distance_m", fix="write the nearest first")
        if self.near_m <= self.mount.forward_mm / 1000:
            raise InputError(
                f"nearest distance {self.near_m:g} m lies inside the rig: the monitoring camera stands {self.mount.forward_mm:g} mm forward",
                field="shot.distance_m",
                fix=f"give more than {self.mount.forward_mm / 1000:g} m",
            )

    def with_range(self, *, near_m: float | None = None, far_m: float | None = None) -> Pairing:
        """The same pairing for another distance range; None keeps what is set."""
        return replace(self, near_m=self.near_m if near_m is None else near_m, far_m=self.far_m if far_m is None else far_m)

    @property
    def heading(self) -> str:
        """What it is called and for which production, as footers and labels have it."""
        return ", ".join(filter(None, (self.title, self.about.production, self.about.unit)))

    @property
    def frames(self) -> tuple[Frame, ...]:
        """Every frame, the main one first; one without a name is called after its shape."""
        main = Frame(
            name=self.frame_name,
            area=self.frame,
            keep_percent=self.keep_percent,
            wander_percent=self.wander_percent,
            intent=self.intent,
            protection=self.protection,
        )
        return tuple(replace(each, name=each.name or ratio_words(self.aspect_of(each.area))) for each in (main, *self.others))

    def alone(self, index: int = 0) -> Pairing:
        """The same pairing with one of its frames only."""
        if index == 0:
            return replace(self, others=())
        return self.framed((self.others[index - 1],))

    def framed(self, frames: Sequence[Frame]) -> Pairing:
        """The same pairing with other frames, the main one first."""
        main, *others = frames
        return replace(
            self,
            frame=main.area,
            keep_percent=main.keep_percent,
            frame_name=main.name,
            wander_percent=main.wander_percent,
            intent=main.intent,
            protection=main.protection,
            others=tuple(others),
        )

    def aspect_of(self, area: Rect) -> float:
        """Width over height of a part of the recorded picture once it is de-squeezed."""
        return area.width * self.recording.lens.squeeze / area.height

    @property
    def angles(self) -> dict[str, Angles]:
        """Angles of view of the recorded picture, the frame, the monitoring picture and the display."""
        return {
            "recording": self.recording.angles(),
            "frame": self.recording.angles(self.frame),
            "monitoring": self.monitoring.angles(),
            "display": self.monitoring.angles(self.display.source_shown),
        }

    @property
    def equivalent_135_mm(self) -> float:
        """Focal length on 135 still format with the frame's diagonal angle of view."""
        return equivalent_135_mm(self.angles["frame"].diagonal)

    @property
    def frame_mm(self) -> tuple[float, float]:
        """Width and height of the frame on the sensor."""
        across, down = self.recording.pixels_per_mm
        return self.frame.width / float(across), self.frame.height / float(down)

    @property
    def frame_aspect(self) -> float:
        """Width over height of the frame as it is delivered: de-squeezed, with square pixels."""
        return self.aspect_of(self.frame)

    @property
    def display_camera(self) -> Camera:
        """The monitoring camera as the display shows it: one pixel of it is one of the display; bars, if any, lie outside its sensor."""
        display, camera = self.display, self.monitoring
        width, height = np.array(display.raster_px) / (display.scale * camera.pixels_per_mm)
        x, y = display.from_source(camera.centre_px)
        return replace(camera, sensor_mm=(float(width), float(height)), raster_px=display.raster_px, centre_px=(float(x), float(y)))


def check_frame_imaged(pairing: Pairing) -> None:
    """Refuse a frame with a side that lies wholly in the dark of the recording lens: no line can stand for it.

    Raises:
        InputError: the recording lens images nothing of one of the frame's sides.
    """
    border = np.stack([each.area.border(np.arange(4)[:, None] + np.linspace(0, 1, 65)) for each in pairing.frames])
    ok = np.asarray(pairing.recording.unproject(border)[1].any(axis=-1).all(axis=0))
    if not ok.all():
        dark = [side for side, seen in zip(("top", "right", "bottom", "left"), ok, strict=True) if not seen]
        raise InputError(
            f"the recording lens images nothing of the frame's {' and '.join(dark)} side{'s' if len(dark) > 1 else ''}",
            field="recording",
            fix="check focal_mm and distortion against sensor_mm, or give the frame a shape that the lens covers",
        )


def ratio_words(ratio: float) -> str:
    """An aspect ratio as the trade writes it: whole pixels make a 2.39 frame 2.385 to 2.396, and it is still ``2.39:1``."""
    return "2.39:1" if abs(ratio - 2.39) < 0.0065 else f"{ratio:.2f}:1"
