"""One sheet to look at before flying: the goggles' view beside the recorded frame, with the errors in words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.geometry.pose import Pose
from framematch.guide.best import EdgeErrors, rectangle_errors
from framematch.guide.report import Report, guide_report
from framematch.guide.shown import amount, metres, quantity
from framematch.guide.transfer import EDGES
from framematch.output.guide_drawing import guide_drawing
from framematch.output.raster import drawing_picture
from framematch.render.recorded import agreement
from framematch.render.views import Views, both_views, outline_area, rectangle_area
from framematch.scene.model import Scene
from framematch.shot.run import Run
from framematch.text.typeface import pillow_font
from framematch.text.whole import written_whole

if TYPE_CHECKING:
    from PIL.Image import Image as PillowImage
    from PIL.ImageFont import FreeTypeFont

Bytes = NDArray[np.uint8]

DIM = 0.42  # what is left of the picture outside the really recorded area
_BORDER = (255, 255, 255)
_GROUND, _INK, _QUIET = (18, 21, 25), (240, 240, 240), (176, 182, 190)
_EVEN_PERCENT = 0.05


@dataclass(frozen=True, kw_only=True, eq=False)
class Look:
    """What one sheet says.

    Args:
        pose: ``scene_from_recording`` where the rig does not stand on the run.
        distance_m: that the guide is judged at; on the run, from the recording camera to the opening.
        views: the two pictures.
        report: the guide of the pairing's whole range.
        errors: of the guide's rectangle at that distance, in percent of the frame.
        rectangle_agreement, outline_agreement: area in both over area in either of the really recorded
            area and the guide.
        hidden_percent: of the frame's part of the wide view, what something hides from the recording camera.
    """

    scene: Scene
    pose: Pose | None
    distance_m: float
    views: Views
    report: Report
    errors: EdgeErrors
    rectangle_agreement: float
    outline_agreement: float
    hidden_percent: float


def look(
    scene: Scene,
    pairing: Pairing,
    *,
    distance_m: float,
    run: Run | None = None,
    pose: Pose | None = None,
    height_px: int = 540,
    renderer: str = "auto",
    sets: int = 1,
) -> Look:
    """Both views, with the guide judged by what is really recorded there.

    Args:
        distance_m: before the opening; with a pose of one's own, the distance to judge the guide's sides at.
        run: that the rig is on; level and square through the middle if not given.
        pose: ``scene_from_recording`` in place of the run's.
        sets: of lines; the one that serves the distance is judged.
    """
    before = scene.scene_from_recording(run or Run(), distance_m)
    report = guide_report(pairing, sets=sets)
    views = both_views(scene, pairing, pose or before, height_px=height_px, renderer=renderer)
    guide = report.serving(distance_m).guide
    raster = views.wide_camera.raster_px
    truth = views.recorded
    return Look(
        scene=scene,
        pose=pose,
        distance_m=distance_m,
        views=views,
        report=report,
        errors=rectangle_errors(pairing, guide.rectangle, distance_m),
        rectangle_agreement=agreement(truth.area, rectangle_area(pairing, guide.rectangle, raster)),
        outline_agreement=agreement(truth.area, outline_area(pairing, guide.set_distance_m, raster)),
        hidden_percent=100 * float((truth.in_frame & truth.hidden).sum()) / max(1, int(truth.in_frame.sum())),
    )


def marked(views: Views) -> Bytes:
    """The wide picture (H, W, 3) with all that is not really recorded dimmed and a thin line around the frame's part.

    What lies in the frame but is hidden from the recording camera is dimmed too, without a line.
    """
    area, part = views.recorded.area, views.recorded.in_frame
    colour = np.where(area[..., None], views.wide.colour, (views.wide.colour * DIM).astype(np.uint8))
    inner = part.copy()
    inner[1:] &= part[:-1]
    inner[:-1] &= part[1:]
    inner[:, 1:] &= part[:, :-1]
    inner[:, :-1] &= part[:, 1:]
    colour[part & ~inner] = _BORDER
    return colour


def with_guide(picture: Bytes, report: Report, *, parts: tuple[str, ...] = ("outline", "rectangle", "centre")) -> Bytes:
    """A display picture (H, W, 3) of any size with the guide drawn over it."""
    from PIL import Image

    over = drawing_picture(guide_drawing(report, parts=parts))
    ground = Image.fromarray(picture).convert("RGBA")
    if over.size != ground.size:
        # Sizes are reduced with colour already multiplied by cover, else clear pixels would darken the lines.
        over = over.convert("RGBa").resize(ground.size, Image.Resampling.LANCZOS).convert("RGBA")
    ground.alpha_composite(over)
    return np.asarray(ground.convert("RGB"))


def errors_in_words(errors: EdgeErrors) -> str:
    """Each side's error as a person says it: a line outside the frame promises more than is recorded, inside less."""
    parts = []
    for edge in EDGES:
        value = getattr(errors, edge)
        if np.isnan(value):
            parts.append(f"{edge} can't be judged")
        elif abs(value) < _EVEN_PERCENT:
            parts.append(f"{edge} true")
        else:
            parts.append(f"{edge} {abs(value):.1f} % {'outside' if value > 0 else 'inside'}")
    return ", ".join(parts)


def scene_in_words(scene: Scene) -> str:
    """The scene's name and its gap's size."""
    gap = scene.opening
    return scene.name if gap is None else f"{scene.name}, gap {amount(gap.width_m, 'm'):.3g} x {quantity(gap.height_m, 'm', '.3g')}"


def place_in_words(found: Look) -> str:
    """Where the rig stands."""
    if found.pose is None:
        return f"{metres(found.distance_m)} before the {'gap' if found.scene.opening else 'scene'}"
    x, y, z = found.pose.translation_m
    ahead = found.pose.rotation[:, 2]
    return f"at {x:g}, {y:g}, {z:g} m, heading {math.degrees(math.atan2(ahead[0], -ahead[2])):.3g} degrees"


def sentences(found: Look) -> list[str]:
    """What the sheet says below its pictures."""
    report = found.report
    p, g = report.pairing, report.serving(found.distance_m).guide
    which = f"Set {report.sets.index(report.serving(found.distance_m)) + 1} of {len(report.sets)}" if report.sets else "Guide"
    serves = report.serving(found.distance_m).pairing
    lines = [
        f"{which} for {metres(serves.near_m)} to {metres(serves.far_m)}. For what is {metres(found.distance_m)} away the rectangle is off by: "
        f"{errors_in_words(found.errors)} (of the frame; a line outside it promises more than is recorded, inside less).",
        f"Guide and really recorded area overlap {100 * found.rectangle_agreement:.1f} % (rectangle) and "
        f"{100 * found.outline_agreement:.1f} % (outline, true at {metres(g.set_distance_m)}): area in both over area in either.",
    ]
    if found.hidden_percent >= 0.05:
        lines.append(f"{found.hidden_percent:.1f} % of that part of the wide view is hidden from the recording camera by something nearer.")
    if not p.near_m <= found.distance_m <= p.far_m:
        lines.append(f"{metres(found.distance_m)} lies outside the distances that this guide serves.")
    drawn = {"gl": "rasteriser (GL)", "rays": "ray caster"}[found.views.renderer]
    lines.append(f"Scene: {scene_in_words(found.scene)}. Drawn by the {drawn}; no shadows, no lens blur.")
    lines.append("It shows geometry, not a safe path. Plan with margin; local rules and the licensed remote pilot decide.")
    return lines


def sheet(found: Look) -> PillowImage:
    """The sheet as a Pillow picture: both views at one height, labels above, legend and words below."""
    from PIL import Image, ImageDraw

    from framematch.output.guide_drawing import BETWEEN, OUTLINE, RECTANGLE

    wide = with_guide(marked(found.views), found.report)
    frame = found.views.frame.colour
    height = wide.shape[0]
    unit = height / 540
    pad, head, big, small = round(18 * unit), round(76 * unit), 26 * unit, 21 * unit
    width = wide.shape[1] + frame.shape[1] + 3 * pad
    text, bold = pillow_font(small), pillow_font(big, bold=True)
    lines = [part for line in sentences(found) for part in _wrapped(line, text, width - 2 * pad)]
    step = round(small * 1.45)
    legend_y = head + height + pad // 2
    picture = Image.new("RGB", (width, legend_y + round(1.6 * step) + step * len(lines) + pad), _GROUND)
    draw = ImageDraw.Draw(picture)
    second = 2 * pad + wide.shape[1]
    picture.paste(Image.fromarray(wide), (pad, head))
    picture.paste(Image.fromarray(frame), (second, head))
    draw.text((pad, head * 0.30), found.report.pairing.title or "Pairing", font=bold, fill=_INK, anchor="lm")
    draw.text((width - pad, head * 0.30), place_in_words(found), font=bold, fill=_INK, anchor="rm")
    draw.text((pad, head * 0.76), "MONITORING CAMERA: what the goggles show, with the guide", font=text, fill=_QUIET, anchor="lm")
    draw.text((second, head * 0.76), "RECORDING CAMERA: the frame as it is recorded", font=text, fill=_QUIET, anchor="lm")
    x, y = float(pad), legend_y + small * 0.7
    for colour, words in ((RECTANGLE, "guide rectangle"), (OUTLINE, "guide outline"), (_BORDER, "bright inside this line: really recorded; dim: not")):
        draw.line((x, y, x + 30 * unit, y), fill=colour, width=max(2, round(4 * unit)))
        if colour == RECTANGLE:
            draw.line((x + 11 * unit, y, x + 19 * unit, y), fill=BETWEEN, width=max(2, round(4 * unit)))
        draw.text((x + 38 * unit, y), words, font=text, fill=_INK, anchor="lm")
        x += 38 * unit + draw.textlength(words, font=text) + 28 * unit
    for index, line in enumerate(lines):
        draw.text((pad, legend_y + round(1.6 * step) + step * index), line, font=text, fill=_INK)
    return picture


def check_picture_name(path: Path) -> None:
    """Refuse a name that :func:`write_sheet` can't write, before any work is done.

    Raises:
        InputError: it does not end as a PNG, JPEG, WebP or TIFF file does, or its folder isn't there.
    """
    if path.suffix.lower() not in (".png", ".jpg", ".jpeg", ".webp", ".tif", ".tiff"):
        raise InputError(f"{path.suffix or 'no ending'} is not a picture ending", field="out", fix="name a .png, .jpg, .webp or .tif file", file=str(path))
    if not path.parent.is_dir():
        raise InputError(f"there is no folder {path.parent}", field="out", fix="make it first or name another", file=str(path))


def write_sheet(path: Path, found: Look) -> None:
    """Write the sheet as a picture, its kind by the name's ending; whole or not at all.

    Raises:
        InputError: as :func:`check_picture_name`, or the file can't be written.
    """
    check_picture_name(path)
    picture = sheet(found)
    with written_whole(path) as beside:
        picture.save(beside)


def _wrapped(line: str, font: FreeTypeFont, room: float) -> list[str]:
    out, now = [], ""
    for word in line.split():
        longer = f"{now} {word}".strip()
        if now and font.getlength(longer) > room:
            out.append(now)
            now = word
        else:
            now = longer
    return [*out, now]
