"""The tables of a pairing file: every key with its bounds and the words that errors and help show."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from framematch.errors import InputError
from framematch.geometry.camera import FORMATS_MM, RENAMED_FORMATS, Camera, Display, Rect, check_shapes, frame_in
from framematch.geometry.lens import Lens
from framematch.geometry.lens_models import BENT, MODELS, PLAIN
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import MOST_FRAMES, About, Frame, Pairing, Tolerance, Turn, check_frame_imaged
from framematch.geometry.quoted import lens_from_angles
from framematch.text.toml import Table, nearest_word, one_of


def _within(low: float, high: float, unit: str, hint: Callable[[float], str] = lambda value: "") -> AfterValidator:
    def check(value: float) -> float:
        if not low <= value <= high:
            raise ValueError("; ".join(filter(None, (f"{value:g} is outside {low:g} to {high:g} {unit}", hint(value)))))
        return value

    return AfterValidator(check)


def _not_bool(value: Any) -> Any:
    if isinstance(value, (bool, str)):
        raise ValueError(f"{value!r} is not a number")
    return value


def _metres_for_mm(value: float) -> str:
    return f"that looks like metres: write {value * 1000:g}" if 0 < value < 0.5 else "give millimetres"


def _mm_for_metres(value: float) -> str:
    return f"that looks like millimetres: write {value / 1000:g}" if value > 0 else "give metres above 0"


Number = Annotated[float, BeforeValidator(_not_bool), Field(allow_inf_nan=False)]
NumberOrInf = Annotated[float, BeforeValidator(_not_bool), AfterValidator(lambda v: v if not math.isnan(v) else _refuse("nan is not a number"))]
Focal = Annotated[Number, _within(0.5, 3000, "mm", _metres_for_mm)]
Side = Annotated[Number, _within(0.5, 200, "mm", _metres_for_mm)]
Pixels = Annotated[int, BeforeValidator(_not_bool), Field(ge=16, le=32768)]
Angle = Annotated[Number, Field(gt=0, lt=360)]


def _refuse(reason: str) -> Any:
    raise ValueError(reason)


def _distance(value: float) -> float:
    if value <= 0 or (value > 100_000 and math.isfinite(value)):
        raise ValueError(f"{value:g} is not a distance in metres: {_mm_for_metres(value)}")
    return value


def parse_aspect(value: object) -> float:
    """Width over height from ``"2.39:1"``, ``"16:9"``, ``"2048x858"`` or a number.

    Raises:
        ValueError: it is none of these, or no picture's shape.
    """
    try:
        if isinstance(value, str):
            parts = [float(part) for part in value.lower().replace("x", ":").replace("/", ":").split(":")]
            ratio = parts[0] / parts[1] if len(parts) == 2 else parts[0] if len(parts) == 1 else math.nan
        else:
            ratio = float(_not_bool(value))
    except (ValueError, TypeError, ZeroDivisionError):
        ratio = math.nan
    if not 0.2 <= ratio <= 5:
        raise ValueError(f'{value!r} is not a shape of a picture: write "2.39:1", "16:9" or 1.85')
    return ratio


def _one_line(text: str) -> str:
    if any(ord(c) < 32 for c in text):
        raise ValueError("has a line break or another control character: keep it to one line")
    return text.strip()


OneLine = Annotated[str, Field(max_length=120), AfterValidator(_one_line)]


def parse_intent(value: str) -> str:
    """``"239:100"``: two whole numbers above 0.

    Raises:
        ValueError: it is none.
    """
    parts = value.split(":")
    if len(parts) != 2 or not all(part.isascii() and part.isdigit() and 0 < len(part) <= 9 and int(part) for part in parts):
        raise ValueError(f'{value!r} is not a shape in whole numbers: write "239:100"')
    return value


Projection = Annotated[str, one_of(PLAIN)]
TurnRate = Annotated[Number, _within(-720, 720, "degrees per second")]


class TurnTable(Table):
    pan: TurnRate = Field(default=0.0, description="degrees per second, + right")
    tilt: TurnRate = Field(default=0.0, description="degrees per second, + up")
    roll: TurnRate = Field(default=0.0, description="degrees per second, + clockwise seen from behind")

    @property
    def turn(self) -> Turn:
        return Turn(pan_deg_s=self.pan, tilt_deg_s=self.tilt, roll_deg_s=self.roll)


class ShotTable(Table):
    distance_m: tuple[Annotated[NumberOrInf, AfterValidator(_distance)], Annotated[NumberOrInf, AfterValidator(_distance)]] = Field(
        description="[nearest, farthest] that the guide has to serve, in metres; the farthest may be inf"
    )
    turn_deg_s: TurnTable | None = Field(default=None, description="{ pan, tilt, roll } of the fastest turn, in degrees per second")


class DistortionTable(Table):
    model: Annotated[str, one_of(BENT)] = Field(description=" or ".join(f'"{name}"' for name in BENT))
    k: tuple[Number, ...] = Field(default=(), max_length=max(model.coefficients for model in MODELS.values()), description="radial coefficients k1, k2, ...")
    p: tuple[Number, Number] = Field(default=(0.0, 0.0), description="tangential coefficients p1, p2")


class AngleTable(Table):
    horizontal: Angle | None = Field(default=None, description="over the picture's width, degrees")
    vertical: Angle | None = Field(default=None, description="over the picture's height, degrees")
    diagonal: Angle | None = Field(default=None, description="corner to corner, degrees")

    @property
    def quoted(self) -> dict[str, float]:
        return self.model_dump(exclude_none=True)


class _CameraTable(Table):
    also = ("use",)

    sensor_mm: tuple[Side, Side] | None = Field(default=None, description="area read out in this mode, [width, height] in mm")
    format: str | None = Field(default=None, description="a generic format's name in place of sensor_mm")
    raster_px: tuple[Pixels, Pixels] = Field(description="the camera's picture, [width, height] in pixels")
    serial: OneLine = Field(default="", description="the camera's serial number or the crew's own")
    focal_mm: Focal | None = Field(default=None, description="focal length in mm")
    angle_deg: AngleTable | None = Field(default=None, description="quoted angles of view in degrees, in place of focal_mm")
    projection: Projection | None = Field(default=None, description="how the lens maps angles to the picture")
    distortion: DistortionTable | None = Field(default=None, description="{ model, k, p } of a measured lens")
    centre_px: tuple[Number, Number] | None = Field(default=None, description="where the lens axis meets the raster, in pixels")
    readout_ms: Annotated[Number, _within(0, 200, "ms", lambda value: "0 is a global shutter")] | None = Field(
        default=None, description="from the first row of the picture to the last, in milliseconds; 0 for a global shutter"
    )

    @model_validator(mode="after")
    def _complete(self) -> _CameraTable:
        if (self.sensor_mm is None) == (self.format is None):
            raise InputError("give either sensor_mm or format", field="sensor_mm", fix="sensor_mm = [width, height] of the area read out")
        if (self.focal_mm is None) == (self.angle_deg is None):
            raise InputError("give either focal_mm or angle_deg", field="focal_mm", fix="focal_mm = 18.0 or angle_deg = { horizontal = 118.0 }")
        if self.format is not None and self.format not in FORMATS_MM:
            now = RENAMED_FORMATS.get(self.format, self.format)
            raise InputError(f"{self.format!r} is not known", field="format", fix=nearest_word(now, FORMATS_MM, "use one of"))
        if self.angle_deg is not None and not self.angle_deg.quoted:
            raise InputError("no angle given", field="angle_deg", fix="give horizontal, vertical or diagonal")
        d = self.distortion
        bare = MODELS[d.model].bare if d else None
        if d and self.projection not in (None, bare):
            raise InputError(f"{d.model} does not go with {self.projection}", field="distortion.model", fix=f'use projection = "{bare}" or none')
        if self.centre_px is not None and not all(0 <= c <= n for c, n in zip(self.centre_px, self.raster_px, strict=True)):
            raise InputError(f"{list(self.centre_px)} lies outside the raster", field="centre_px", fix="count pixels from the top left corner")
        check_shapes(sensor_mm=self.size_mm, raster_px=self.raster_px)
        return self

    @property
    def size_mm(self) -> tuple[float, float]:
        if self.sensor_mm is not None:
            return self.sensor_mm
        return FORMATS_MM[self.format or ""]

    def camera(self, *, squeeze: float = 1.0, focus_m: float = math.inf) -> tuple[Camera, dict[str, float]]:
        """The camera at its focus, and by how many degrees its lens misses each quoted angle."""
        lens, misses = self._lens(squeeze)
        centre = self.centre_px or (math.nan, math.nan)
        return Camera(lens=lens.focused(focus_m), sensor_mm=self.size_mm, raster_px=self.raster_px, centre_px=centre, readout_ms=self.readout_ms), misses

    def _lens(self, squeeze: float) -> tuple[Lens, dict[str, float]]:
        model = self.distortion.model if self.distortion else self.projection or "rectilinear"
        k = self.distortion.k if self.distortion else ()
        p = self.distortion.p if self.distortion else (0.0, 0.0)
        if self.focal_mm is not None:
            return Lens(projection=model, focal_mm=self.focal_mm, k=k, p=p, squeeze=squeeze), {}
        quoted = (self.angle_deg or AngleTable()).quoted
        width, height = self.size_mm
        if self.distortion is None:
            if self.projection is None and len(quoted) == 1:
                raise InputError("one quoted angle needs a projection", field="projection", fix='add projection = "equidistant" or another')
            fit = lens_from_angles(angles_deg=quoted, width_mm=width, height_mm=height, projection=self.projection, squeeze=squeeze)
            return fit.lens, fit.residual_deg
        if len(quoted) != 1:
            raise InputError("distortion leaves room for one quoted angle", field="angle_deg", fix="give one angle, or leave distortion out")
        name, angle = next(iter(quoted.items()))
        half = {"horizontal": width * squeeze, "vertical": height, "diagonal": math.hypot(width * squeeze, height)}[name] / 2
        unit = Lens(projection=model, focal_mm=1.0, k=k, p=p, squeeze=squeeze)
        if math.radians(angle) / 2 >= unit.end_rad:
            end = math.degrees(2 * unit.end_rad)
            raise InputError(f"{angle:g} degrees is beyond this lens, which ends at {end:.1f}", field=f"angle_deg.{name}", fix="check distortion.k")
        return Lens(projection=model, focal_mm=half / float(unit.radius_mm(math.radians(angle) / 2)), k=k, p=p, squeeze=squeeze), {name: 0.0}


class FrameTable(Table):
    name: Annotated[str, Field(min_length=1, max_length=40)] | None = Field(default=None, description="what the frame is called, such as 9:16")
    aspect: Annotated[float, BeforeValidator(parse_aspect)] | None = Field(default=None, description='delivery aspect ratio, "2.39:1"; all of it if left out')
    keep_percent: Annotated[Number, Field(ge=10, le=100)] = Field(default=100.0, description="what the stabiliser leaves, each way")
    align: Literal["centre", "top", "bottom", "left", "right"] = Field(default="centre", description="where the frame sits in what is left")
    wander_percent: Annotated[Number, Field(ge=0, le=30)] = Field(
        default=0.0, description="by how much the stabiliser moves the frame each way, in percent of the frame"
    )
    area_px: tuple[Number, Number, Number, Number] | None = Field(
        default=None, description="[left, top, width, height] of the frame in recorded pixels, in place of aspect and align"
    )
    fdl: str | None = Field(default=None, description="an ASC FDL file to take the frame from, beside the pairing, in place of the other keys")
    framing: str | None = Field(
        default=None, description='which framing of the FDL file, where it has several: its label, its camera, "camera / label", or its number such as "#2"'
    )
    intent: Annotated[str, AfterValidator(parse_intent)] | None = Field(
        default=None, description='the shape that a framing file gave the frame of area_px, in whole numbers: "239:100"'
    )
    protection_px: tuple[Number, Number, Number, Number] | None = Field(
        default=None, description="[left, top, width, height] of what a framing file protects about the frame of area_px, in recorded pixels"
    )

    @model_validator(mode="after")
    def _one_source(self) -> FrameTable:
        beside = sorted({"aspect", "keep_percent", "align", "area_px"} & self.model_fields_set)
        if self.fdl is not None and beside:
            raise InputError(f"stands beside {', '.join(beside)}", field="fdl", fix="the FDL file gives the frame: leave the other keys out")
        if self.framing is not None and self.fdl is None:
            raise InputError("names a framing of no FDL file", field="framing", fix='add fdl = "shot.fdl"')
        handed = sorted({"intent", "protection_px"} & self.model_fields_set)
        if handed and self.area_px is None:
            raise InputError("goes with area_px", field=handed[0], fix="leave it out: it says what a framing file gave with the frame's pixels")
        shaped = sorted({"aspect", "align"} & self.model_fields_set)
        if self.area_px is not None and shaped:
            raise InputError(f"stands beside {' and '.join(shaped)}", field="area_px", fix="give the frame one way: its pixels, or its shape")
        return self

    def frame(self, raster_px: tuple[int, int], *, squeeze: float) -> Frame:
        """The frame with its name, in a raster.

        Raises:
            InputError: its pixels reach outside.
        """
        area = self.rect(raster_px, squeeze=squeeze)
        shape = self.intent.split(":") if self.intent else None
        return Frame(
            name=(self.name or "").strip(),
            area=area,
            keep_percent=self.keep_percent,
            wander_percent=self.wander_percent,
            intent=(int(shape[0]), int(shape[1])) if shape else None,
            protection=_rect(self.protection_px) if self.protection_px else None,
        )

    def rect(self, raster_px: tuple[int, int], *, squeeze: float) -> Rect:
        """The frame in a raster.

        Raises:
            InputError: its pixels reach outside.
        """
        if self.area_px is None:
            return frame_in(raster_px, squeeze=squeeze, aspect=self.aspect, keep_percent=self.keep_percent, align=self.align)
        left, top, width, height = self.area_px
        if not (width > 0 and height > 0 and left >= -1e-6 and top >= -1e-6 and left + width <= raster_px[0] + 1e-6 and top + height <= raster_px[1] + 1e-6):
            raise InputError(
                f"{[round(v, 3) for v in self.area_px]} reaches outside the raster of {raster_px[0]} x {raster_px[1]}",
                field="recording.frame.area_px",
                fix="write [left, top, width, height] in recorded pixels",
            )
        return _rect(self.area_px)


def _rect(area_px: tuple[float, float, float, float]) -> Rect:
    left, top, width, height = area_px
    return Rect(left=left, top=top, right=left + width, bottom=top + height)


class DisplayTable(Table):
    raster_px: tuple[Pixels, Pixels] = Field(description="the goggles' picture, [width, height] in pixels")
    fit: Literal["crop", "letterbox", "stretch"] = Field(default="crop", description="how the camera's picture is fitted to it")
    text_cells: tuple[Annotated[int, Field(ge=4, le=500)], Annotated[int, Field(ge=4, le=500)]] | None = Field(
        default=None, description="columns and rows of a character grid"
    )


def _told_apart(frames: Sequence[FrameTable]) -> Sequence[FrameTable]:
    """Frames of which each of several has a name of its own."""
    if not 1 <= len(frames) <= MOST_FRAMES:
        raise ValueError(f"{len(frames)} frames: give 1 to {MOST_FRAMES}")
    names = [(each.name or "").strip().casefold() for each in frames]
    if len(frames) > 1 and "" in names:
        raise ValueError(f'frame {names.index("") + 1} of {len(frames)} has no name: give each its own, such as name = "9:16"')
    twice = next((each.name for i, each in enumerate(frames) if names[i] in names[:i]), None)
    if twice is not None:
        raise ValueError(f"two frames are called {twice!r}: give each a name of its own")
    return frames


class RecordingTable(_CameraTable):
    lens_serial: OneLine = Field(default="", description="the lens's serial number or the crew's own")
    squeeze: Annotated[Number, Field(ge=1, le=2.5)] = Field(default=1.0, description="anamorphic squeeze")
    f_number: Annotated[Number, Field(ge=0.5, le=128)] | None = Field(default=None, description="stop")
    focus_m: Annotated[NumberOrInf, AfterValidator(_distance)] = Field(default=math.inf, description="distance focused at, metres or inf")
    frame: Annotated[
        tuple[FrameTable, ...],
        BeforeValidator(lambda given: [given] if isinstance(given, dict) else given),
        AfterValidator(lambda frames: _told_apart(frames)),
    ] = Field(default=(FrameTable(),), description="the part that will be shown; [[recording.frame]] for several, the main one first")


class MonitoringTable(_CameraTable):
    display: DisplayTable | None = Field(default=None, description="the picture in the goggles; the camera's own raster if left out")


class OffsetTable(Table):
    right: Annotated[Number, _within(-3000, 3000, "mm")] = Field(default=0.0, description="mm")
    up: Annotated[Number, _within(-3000, 3000, "mm")] = Field(default=0.0, description="mm")
    forward: Annotated[Number, _within(-3000, 3000, "mm")] = Field(default=0.0, description="mm")


class AimTable(Table):
    pan: Annotated[Number, _within(-180, 180, "degrees")] = Field(default=0.0, description="degrees, + right")
    tilt: Annotated[Number, _within(-90, 90, "degrees")] = Field(default=0.0, description="degrees, + up")
    roll: Annotated[Number, _within(-180, 180, "degrees")] = Field(default=0.0, description="degrees, + clockwise seen from behind")


class MountTable(Table):
    also = ("use",)

    offset_mm: OffsetTable = Field(default_factory=OffsetTable, description="{ right, up, forward } of the monitoring camera")
    aim_deg: AimTable = Field(default_factory=AimTable, description="{ pan, tilt, roll } of the monitoring camera")


class ToleranceTable(Table):
    offset_mm: Annotated[Number, Field(ge=0, le=500)] = Field(default=0.0, description="half-width of the 95 % interval, each axis")
    aim_deg: Annotated[Number, Field(ge=0, le=30)] = Field(default=0.0, description="half-width of the 95 % interval, each angle")
    focal_percent: Annotated[Number, Field(ge=0, le=30)] = Field(default=0.0, description="half-width of the 95 % interval, each lens")
    centre_px: Annotated[Number, Field(ge=0, le=2000)] = Field(default=0.0, description="half-width of the 95 % interval of each lens centre")
    angle_deg: Annotated[Number, Field(ge=0, le=60)] = Field(default=0.0, description="half-width of the 95 % interval of the quoted angle")


class PairingFile(Table):
    """A pairing file's contents; field descriptions are what errors and help show."""

    title: Annotated[str, Field(max_length=200)] = Field(default="", description="what this pairing is called")
    production: OneLine = Field(default="", description="the production that it is for")
    unit: OneLine = Field(default="", description="main unit, second unit and so on")
    notes: Annotated[str, Field(max_length=300), AfterValidator(_one_line)] = Field(default="", description="what the crew should know, one line")
    shot: ShotTable = Field(description="the distances that the guide has to serve")
    recording: RecordingTable = Field(description="the camera whose picture is kept")
    monitoring: MonitoringTable = Field(description="the camera whose picture the goggles show")
    mount: MountTable = Field(default_factory=MountTable, description="where the monitoring camera sits and points")
    tolerance: ToleranceTable = Field(default_factory=ToleranceTable, description="how sure the figures are")

    def pairing(self) -> Pairing:
        """The pairing it describes."""
        r, m, mount = self.recording, self.monitoring, self.mount
        recording, missed_r = _in_table("recording", lambda: r.camera(squeeze=r.squeeze, focus_m=r.focus_m))
        monitoring, missed_m = _in_table("monitoring", m.camera)
        shown = m.display or DisplayTable(raster_px=m.raster_px)
        frames = [each.frame(r.raster_px, squeeze=r.squeeze) for each in r.frame]
        pairing = Pairing(
            title=self.title,
            about=About(
                production=self.production,
                unit=self.unit,
                notes=self.notes,
                serials=tuple(each for each in (("body", r.serial), ("lens", r.lens_serial), ("goggles' camera", m.serial)) if each[1]),
            ),
            recording=recording,
            frame=frames[0].area,
            monitoring=monitoring,
            display=Display(raster_px=shown.raster_px, source_px=m.raster_px, fit=shown.fit),
            mount=Mount(
                **{f"{axis}_mm": getattr(mount.offset_mm, axis) for axis in ("right", "up", "forward")},
                **{f"{axis}_deg": getattr(mount.aim_deg, axis) for axis in ("pan", "tilt", "roll")},
            ),
            near_m=self.shot.distance_m[0],
            far_m=self.shot.distance_m[1],
            tolerance=Tolerance(**self.tolerance.model_dump()),
            f_number=r.f_number,
            focus_m=r.focus_m,
            turn=None if self.shot.turn_deg_s is None else self.shot.turn_deg_s.turn,
            text_cells=shown.text_cells,
            lens_fit_deg=tuple((name, tuple(miss.items())) for name, miss in (("recording", missed_r), ("monitoring", missed_m)) if miss),
        ).framed(frames)
        check_frame_imaged(pairing)
        return pairing


def _in_table(table: str, make: Any) -> Any:
    try:
        return make()
    except InputError as error:
        raise error.within(prefix=table) from None
