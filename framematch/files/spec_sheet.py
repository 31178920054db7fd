"""A pairing from what a spec sheet and a tape measure say: questions in the order in which they are answered.

Nothing is taken from any example: a key of the text that this gives was answered, or is a default that its question states.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.files.pairing_tables import parse_aspect
from framematch.geometry.camera import FORMATS_MM, format_part_mm
from framematch.geometry.lens_models import PLAIN
from framematch.text import typed, units
from framematch.text.toml import changed_text, nearest_word

FIRST = "# A pairing made from a spec sheet: what nobody answered is not in it and counts as framematch init says.\n"
RASTERS = ("3840 x 2160", "4096 x 2160", "1920 x 1080", "5760 x 3240", "6144 x 3240", "2704 x 1520", "1440 x 1080", "1280 x 720", "1280 x 960")
DISPLAYS = ("1280 x 720", "1920 x 1080", "1280 x 960", "1920 x 1200", "800 x 480")
ASPECTS = ("2.39:1", "1.85:1", "2:1", "16:9", "4:3", "1:1", "9:16")
_NAMED = {"super35-4perf": "Super 35, 4-perf", "super35-3perf": "Super 35, 3-perf", "135-still": "135 still", "academy-35": "Academy 35"}
FORMAT_WORDS = {name: _NAMED.get(name, name.replace("-inch", " inch type")) for name in FORMATS_MM}


@dataclass(frozen=True, kw_only=True)
class Question:
    """One thing to answer.

    Args:
        key: in the pairing's file, dotted.
        read: the answer as the value of the key.
        label: with its unit.
        needed: whether there is no pairing without it.
        otherwise: what an empty answer means, in words.
        default: the value then written, None to leave the key out.
        offered: answers to choose from; others may be typed unless ``closed``.
    """

    key: str
    read: Callable[[str], Any]
    label: str
    about: str
    needed: bool = False
    otherwise: str = ""
    default: Any = None
    offered: tuple[str, ...] = ()
    closed: bool = False


@dataclass(frozen=True, kw_only=True)
class Group:
    """Questions that one sheet or tool answers."""

    title: str
    about: str
    questions: tuple[Question, ...]


def _line(text: str) -> str:
    return text.strip()


def _figure(unit: str) -> Callable[[str], float]:
    def read(text: str) -> float:
        try:
            return float(text.replace(",", "."))
        except ValueError:
            return units.read(text, unit=unit)

    return read


def _plain(text: str) -> float:
    try:
        return float(text.replace(",", ".").removesuffix("%").removesuffix("°").strip())
    except ValueError:
        raise InputError(f"{text[:40]!r} is not a number", fix="write a number such as 18") from None


def _size(text: str) -> list[int]:
    sides = typed.size(text.replace(" ", ""), "", "3840 x 2160")
    if not all(side.is_integer() for side in sides):
        raise InputError(f"{text[:40]!r} has part of a pixel", fix="write whole pixels such as 3840 x 2160")
    return [int(side) for side in sides]


def _sensor(text: str) -> str | list[float]:
    name = {words.casefold(): key for key, words in FORMAT_WORDS.items()}.get(text.strip().casefold(), text.strip().casefold())
    if name in FORMATS_MM:
        return name
    parts = text.lower().replace("\u00d7", "x").replace("mm", "").replace(",", ".").split("x")
    try:
        width, height = (float(part) for part in parts)
    except ValueError:
        raise InputError(f"{text[:40]!r} is not a format or a size", fix=nearest_word(text, FORMAT_WORDS.values(), "write 24.89 x 13.12 or one of")) from None
    return [width, height]


def _range(text: str) -> list[float]:
    words = text.casefold().replace("infinity", "inf").replace("∞", "inf").replace("to", " ").replace("m", " ").replace("-", " ").replace(",", ".").split()
    try:
        near, far = (float(word) for word in words)
    except ValueError:
        raise InputError(f"{text[:40]!r} is not a range", fix="write the nearest and the farthest in metres: 1.5 to 30, or 2 to inf") from None
    return [near, far]


def _aspect(text: str) -> str:
    try:
        parse_aspect(text)
    except ValueError as error:
        raise InputError(str(error)) from None
    return text.strip()


def _projection(text: str) -> str:
    if text not in PLAIN:
        raise InputError(f"{text[:40]!r} is not a projection", fix=nearest_word(text, PLAIN, "use one of"))
    return text


_FORMATS = tuple(FORMAT_WORDS.values())
_MM, _DEG = _figure("mm"), _plain
GROUPS = (
    Group(title="This rig", about="Stands in every file's name, on every sheet and label.", questions=(
        Question(key="title", read=_line, label="Name", about="What the crew will call this pairing.", needed=True),
        Question(key="production", read=_line, label="Production", about="The film that it is for."),
        Question(key="unit", read=_line, label="Unit", about="Main unit, second unit and so on."),
        Question(key="recording.serial", read=_line, label="Body, serial number", about="Of the recording camera; the crew's own number will do."),
        Question(key="recording.lens_serial", read=_line, label="Lens, serial number", about="Of the recording lens."),
        Question(key="monitoring.serial", read=_line, label="Goggles' camera, serial number", about="Of the monitoring camera."),
        Question(key="notes", read=_line, label="Notes", about="One line that is printed with the rest."),
    )),
    Group(title="Recording camera", about="The one whose picture is kept: from the data sheet of the mode that is shot.", questions=(
        Question(key="recording.sensor_mm", read=_sensor, label="Sensor: format, or width x height in mm", needed=True, offered=_FORMATS,
                 about="A format is taken in the largest part with the picture's shape. Better: the area that the mode reads out, such as 24.89 x 13.12."),
        Question(key="recording.raster_px", read=_size, label="Recorded picture, pixels", needed=True, offered=RASTERS, about="Width x height as recorded."),
        Question(key="recording.focal_mm", read=_MM, label="Focal length, mm", needed=True, about="As engraved on the lens."),
        Question(key="recording.f_number", read=_plain, label="Stop, f/", otherwise="depth of field is not worked out", about="Of the recording lens."),
        Question(key="recording.squeeze", read=_plain, label="Anamorphic squeeze", otherwise="1, a spherical lens", about="2 for a two-times lens."),
        Question(key="recording.readout_ms", read=_figure("ms"), label="Sensor readout, ms", otherwise="turning is not worked out",
                 about="First row to last; 0 for a global shutter."),
    )),
    Group(title="Delivery", about="The part of the recorded picture that will be shown.", questions=(
        Question(key="recording.frame.aspect", read=_aspect, label="Delivery aspect ratio", otherwise="all of the recorded picture", offered=ASPECTS,
                 about="Width over height of what will be shown."),
        Question(key="recording.frame.keep_percent", read=_plain, label="Kept by the stabiliser, %", otherwise="100, no stabiliser",
                 about="What is left of the picture's width and height."),
        Question(key="shot.distance_m", read=_range, label="Distances to serve, m", needed=True, about="Nearest and farthest, such as 1.5 to 30."),
    )),
    Group(title="Monitoring camera and goggles", about="The one the pilot flies by: its spec sheet quotes one or more angles of view.", questions=(
        Question(key="monitoring.sensor_mm", read=_sensor, label="Its sensor: format, or width x height in mm", needed=True, offered=_FORMATS,
                 about="A format is taken in the largest part with the picture's shape."),
        Question(key="monitoring.raster_px", read=_size, label="Its picture, pixels", needed=True, offered=RASTERS, about="Width x height of the video."),
        Question(key="monitoring.angle_deg.horizontal", read=_DEG, label="Horizontal angle of view, degrees", about="Over the picture's width."),
        Question(key="monitoring.angle_deg.vertical", read=_DEG, label="Vertical angle of view, degrees", about="Over the picture's height."),
        Question(key="monitoring.angle_deg.diagonal", read=_DEG, label="Diagonal angle of view, degrees", about="Corner to corner."),
        Question(key="monitoring.focal_mm", read=_MM, label="Its focal length, mm", about="Only where the sheet gives no angle."),
        Question(key="monitoring.projection", read=_projection, label="How its lens bends", offered=PLAIN, closed=True, default="equidistant",
                 otherwise="equidistant; worked out from two or three angles", about="How an angle becomes a place in the picture."),
        Question(key="monitoring.display.raster_px", read=_size, label="Goggles' picture, pixels", otherwise="as large as its camera's", offered=DISPLAYS,
                 about="Lines are given in these pixels."),
        Question(key="monitoring.display.fit", read=_line, label="Camera's picture in the goggles", offered=("crop", "letterbox", "stretch"), closed=True,
                 otherwise="crop: fills them, edges are lost", about="How another shape is shown: crop, letterbox with bars, or stretch."),
        Question(key="monitoring.display.text_cells", read=_size, label="OSD characters, columns x rows", otherwise="no lines of characters",
                 offered=("50 x 18", "53 x 20", "30 x 16"), about="The goggles' character grid, if lines are drawn with characters."),
    )),
    Group(title="Mount", about="Where the monitoring lens sits, seen from behind the recording lens; a ruler will do.", questions=(
        Question(key="mount.offset_mm.right", read=_MM, label="Right, mm", otherwise="0", about="Minus for left."),
        Question(key="mount.offset_mm.up", read=_MM, label="Up, mm", otherwise="0", about="Minus for below."),
        Question(key="mount.offset_mm.forward", read=_MM, label="Forward, mm", otherwise="0", about="Minus for behind."),
        Question(key="mount.aim_deg.tilt", read=_DEG, label="Tilt, degrees", otherwise="0", about="Above the recording camera; minus for below."),
        Question(key="mount.aim_deg.pan", read=_DEG, label="Pan, degrees", otherwise="0", about="To the right; minus for left."),
        Question(key="mount.aim_deg.roll", read=_DEG, label="Roll, degrees", otherwise="0", about="Clockwise seen from behind."),
    )),
    Group(title="How sure", about="Each is right to within this, 19 times in 20. Left empty, figures count as exact until you measure the rig.", questions=(
        Question(key="tolerance.offset_mm", read=_MM, label="Offsets, ± mm", otherwise="0, taken as exact", about="A ruler is right to about 4."),
        Question(key="tolerance.aim_deg", read=_DEG, label="Aim, ± degrees", otherwise="0, taken as exact", about="By eye about 1."),
        Question(key="tolerance.focal_percent", read=_plain, label="Focal lengths, ± %", otherwise="0, taken as exact", about="Spec sheets often miss by 2."),
    )),
)  # fmt: skip
QUESTIONS = {question.key: question for group in GROUPS for question in group.questions}


def answer(key: str, text: str) -> Any:
    """What an answer means.

    Raises:
        InputError: it can't be read; its field is the key.
    """
    try:
        return QUESTIONS[key].read(text.strip())
    except InputError as error:
        raise InputError(error.problem, field=key, fix=error.fix) from None


def missing(answers: Mapping[str, str]) -> tuple[str, ...]:
    """Labels of what is needed and not answered yet."""
    out = [question.label for question in QUESTIONS.values() if question.needed and not answers.get(question.key, "").strip()]
    lens = ("monitoring.focal_mm", *(f"monitoring.angle_deg.{way}" for way in ("horizontal", "vertical", "diagonal")))
    return (*out, *(() if any(answers.get(key, "").strip() for key in lens) else ("an angle of view of the monitoring camera",)))


def rig_text(answers: Mapping[str, str]) -> str:
    """The pairing file's text.

    Args:
        answers: by key, as typed; empty ones count as not given.

    Raises:
        InputError: an answer that can't be read or does not go with the others, or one that is needed is missing.
    """
    unanswered = missing(answers)
    if unanswered:
        raise InputError("is missing", field=unanswered[0], fix="give it")
    values = {key: answer(key, answers[key]) for key in QUESTIONS if answers.get(key, "").strip()}
    for camera in ("recording", "monitoring"):
        sensor = values[f"{camera}.sensor_mm"]
        if isinstance(sensor, str):
            values[f"{camera}.sensor_mm"] = list(format_part_mm(sensor, values[f"{camera}.raster_px"]))
    if sum(key.startswith("monitoring.angle_deg.") for key in values) < 2:  # several angles say themselves how it bends
        values.setdefault("monitoring.projection", QUESTIONS["monitoring.projection"].default)
    if any(key.startswith("monitoring.display.") for key in values):
        values.setdefault("monitoring.display.raster_px", values["monitoring.raster_px"])
    text = changed_text(FIRST, {key: values[key] for key in QUESTIONS if key in values})
    parse_pairing(text, name="new rig")
    return text
