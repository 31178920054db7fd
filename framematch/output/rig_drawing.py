"""The rig from the side, from above and from behind: offsets to scale, the cameras' bodies as signs only."""

from __future__ import annotations

import math

from framematch.geometry.mount import Mount
from framematch.guide.shown import amount, system
from framematch.output.fonts import width_pt
from framematch.output.pdf import BLACK, GREY, PALE, PT_PER_MM, SMALLEST_PT, Page

_AIM = "#0a5fa8"


def draw_rig(page: Page, mount: Mount, *, x: float, top: float, width: float, height: float) -> None:
    """Three views in a row: dots are the entrance pupils, a dashed line is where the monitoring camera points."""
    gap = 3.0
    box = (width - 2 * gap) / 3
    reach = max(abs(mount.right_mm), abs(mount.up_mm), abs(mount.forward_mm), 1.0)
    scale = min(box, height - 9) * 0.36 / reach
    views = (
        ("from the side", mount.forward_mm, mount.up_mm, _aimed("tilt", mount.tilt_deg), mount.tilt_deg),
        ("from above", mount.right_mm, mount.forward_mm, _aimed("pan", mount.pan_deg), 90 - mount.pan_deg),
        ("from behind", mount.right_mm, mount.up_mm, _aimed("roll", mount.roll_deg), None),
    )
    for i, (name, across, rise, aim, angle) in enumerate(views):
        left = x + i * (box + gap)
        page.text(left, top + 2.6, name, size_pt=8, bold=True)
        page.text(left + box, top + 2.6, aim, size_pt=8, align="right", colour=_AIM)
        page.rectangle(left, top + 4, box, height - 4, width_mm=0.15, colour=PALE)
        with page.clipped(left, top + 4, box, height - 4):
            cx, cy = left + box / 2 - across * scale / 2, top + 4 + (height - 8) / 2 + rise * scale / 2
            mx, my = cx + across * scale, cy - rise * scale
            _camera(page, cx, cy, 5.0, 0.0 if name == "from the side" else 90.0, behind=angle is None, colour=BLACK)
            _camera(page, mx, my, 2.6, (angle if angle is not None else mount.roll_deg), behind=angle is None, colour=_AIM)
            if angle is not None:
                straight = math.radians(0.0 if name == "from the side" else 90.0)
                page.line(cx, cy, cx + 60 * math.cos(straight), cy - 60 * math.sin(straight), width_mm=0.15, colour=GREY, dash_mm=(1.2, 0.8))
                a = math.radians(angle)
                page.line(mx, my, mx + 60 * math.cos(a), my - 60 * math.sin(a), width_mm=0.2, colour=_AIM, dash_mm=(1.2, 0.8))
            _across(page, cx, mx, max(min(cy, my) - 6.0, top + 8.0), offset_words(across))
            words = offset_words(rise)
            _rise(page, min(max(cx, mx) + 6.5, left + box - 2.0 - width_pt(words, SMALLEST_PT) / PT_PER_MM), cy, my, words)
            page.circle(cx, cy, 0.55, colour=None, fill=BLACK)
            page.circle(mx, my, 0.55, colour=None, fill=_AIM)


def offset_words(length_mm: float) -> str:
    """An offset with its sign, without its unit."""
    return f"{amount(length_mm, 'mm'):{'+.2f' if system() == 'imperial' else '+.4g'}}" if length_mm else "0"


def _aimed(name: str, degrees: float) -> str:
    return f"{name} {degrees:+.1f}°" if abs(degrees) >= 0.05 else f"{name} 0°"


def _camera(page: Page, x: float, y: float, size: float, angle_deg: float, *, behind: bool, colour: str) -> None:
    """A camera's sign: a body behind its pupil and a lens; seen from behind, a body with its top marked."""
    a = math.radians(-angle_deg if behind else angle_deg)
    if behind:
        body = [(-size, -0.7 * size), (size, -0.7 * size), (size, 0.7 * size), (-size, 0.7 * size)]
        lens = [(-0.3 * size, 0.7 * size), (0.3 * size, 0.7 * size), (0.3 * size, size), (-0.3 * size, size)]
        a = -math.radians(angle_deg if colour != BLACK else 0.0)
    else:
        body = [(-2.2 * size, -0.7 * size), (-0.6 * size, -0.7 * size), (-0.6 * size, 0.7 * size), (-2.2 * size, 0.7 * size)]
        lens = [(-0.6 * size, -0.4 * size), (0.15 * size, -0.4 * size), (0.15 * size, 0.4 * size), (-0.6 * size, 0.4 * size)]
    for ring in (body, lens):
        turned = [(x + u * math.cos(a) - v * math.sin(a), y - u * math.sin(a) - v * math.cos(a)) for u, v in ring]
        page.path(turned, closed=True, width_mm=0.25, colour=colour)


def _across(page: Page, x0: float, x1: float, y: float, text: str) -> None:
    if abs(x1 - x0) > 0.8:
        page.line(x0, y, x1, y, width_mm=0.15, colour=GREY)
        for x in (x0, x1):
            page.line(x, y - 0.8, x, y + 0.8, width_mm=0.15, colour=GREY)
        page.text((x0 + x1) / 2, y - 1.2, text, size_pt=6.5, align="centre")


def _rise(page: Page, x: float, y0: float, y1: float, text: str) -> None:
    if abs(y1 - y0) > 0.8:
        page.line(x, y0, x, y1, width_mm=0.15, colour=GREY)
        for y in (y0, y1):
            page.line(x - 0.8, y, x + 0.8, y, width_mm=0.15, colour=GREY)
        page.text(x + 1, (y0 + y1) / 2 + 0.8, text, size_pt=6.5)
