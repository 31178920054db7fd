"""Draw assets/wheel.png: the guide on a real pair of cameras, the motorcycle stereo pair of the Middlebury 2014 benchmark.

Run: python assets/make_wheel_picture.py   (needs scikit-image and OpenCV, both in the `test` extra)

The frame is the rear wheel in the right picture. Its guide, set for the wheel's measured distance,
is drawn on the left picture, beside the guide for the wall behind it.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from framematch.geometry.camera import Camera, Display, Rect
from framematch.geometry.lens import Lens
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Pairing
from framematch.guide.outline import outline
from framematch.output.drawing import Drawing, Line
from framematch.output.guide_drawing import EVER, RECTANGLE
from framematch.output.raster import drawing_picture
from framematch.text.typeface import pillow_font

# The figures that scikit-image publishes with the pair; principal points count from the first pixel's centre.
FOCAL_PX, CX_PX, CY_PX, BETWEEN_CENTRES_PX, BASELINE_MM = 994.978, 311.193, 254.877, 31.086, 193.001
PITCH_MM = 0.01  # any pixel size will do
WHEEL_IN_RIGHT = Rect(left=76.0, top=236.0, right=238.0, bottom=404.0)
LEFT_DETAIL, RIGHT_DETAIL = (50, 205, 288, 425), (8, 205, 246, 425)


def camera(centre_x_px: float) -> Camera:
    """One camera of the pair."""
    lens = Lens(projection="rectilinear", focal_mm=FOCAL_PX * PITCH_MM)
    return Camera(lens=lens, sensor_mm=(741 * PITCH_MM, 500 * PITCH_MM), raster_px=(741, 500), centre_px=(centre_x_px + 0.5, CY_PX + 0.5))


def pairing() -> Pairing:
    """Left picture: monitoring camera. Right picture: recording camera, its frame round the wheel."""
    return Pairing(
        title="Wheel",
        recording=camera(CX_PX + BETWEEN_CENTRES_PX),
        frame=WHEEL_IN_RIGHT,
        monitoring=camera(CX_PX),
        display=Display(raster_px=(741, 500), source_px=(741, 500)),
        mount=Mount(right_mm=-BASELINE_MM),
    )


def depth_m(disparity_px: float) -> float:
    """Distance for a measured disparity."""
    return FOCAL_PX * BASELINE_MM / 1000 / (disparity_px + BETWEEN_CENTRES_PX)


def wheel_and_wall_m(disparity: np.ndarray) -> tuple[float, float]:
    """Measured distance of the wheel's tyre and of what stands behind it, in the left picture."""
    tyre = disparity[300:400, 125:142]
    wall = disparity[60:100, 60:160]
    return depth_m(float(np.nanmedian(tyre[np.isfinite(tyre)]))), depth_m(float(np.nanmedian(wall[np.isfinite(wall)])))


def main() -> None:
    """Write the picture."""
    import skimage.data

    left, right, disparity = skimage.data.stereo_motorcycle()
    rig, (wheel, wall) = pairing(), wheel_and_wall_m(disparity)

    def lines(distance: float, colour: str, dash: tuple[float, float] | None) -> list[Line]:
        return [Line(points=p, colour=colour, width=2.4, edge=1.2, dash=dash) for p in outline(rig, distance).pieces]

    guide = Drawing(size=(741, 500), shapes=[*lines(wall, EVER, (9, 6)), *lines(wheel, RECTANGLE, None)])
    frame = Drawing(size=(741, 500), shapes=[Line(points=WHEEL_IN_RIGHT.border([0, 1, 2, 3]), colour=RECTANGLE, width=2.4, edge=1.2, closed=True)])
    sheet = Image.new("RGB", (2 * 476 + 20, 440 + 44), "#f4f4f1")
    font = pillow_font(17)
    text = ImageDraw.Draw(sheet)
    for x, picture, drawing, detail, words in (
        (0, left, guide, LEFT_DETAIL, f"monitoring picture: guide for {wheel:.2f} m, dashed for {wall:.2f} m"),
        (496, right, frame, RIGHT_DETAIL, "recorded picture: the frame round the wheel"),
    ):
        ground = Image.fromarray(picture).convert("RGBA")
        ground.alpha_composite(drawing_picture(drawing))
        sheet.paste(ground.convert("RGB").crop(detail).resize((476, 440), Image.Resampling.LANCZOS), (x, 44))
        text.text((x + 4, 22), words, fill="#16202a", font=font, anchor="lm")
    sheet = sheet.quantize(256, dither=Image.Dither.FLOYDSTEINBERG)
    sheet.save(Path(__file__).with_name("wheel.png"), optimize=True)


if __name__ == "__main__":
    main()
