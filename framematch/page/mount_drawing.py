"""The mount drawn to scale, from the side and from above, with what each camera looks at."""

from __future__ import annotations

import math
from xml.sax.saxutils import escape

from framematch.geometry.pairing import Pairing
from framematch.guide.shown import quantity, system
from framematch.page.look import Colours

WIDTH, HEIGHT = 420, 250


def mount_drawing(pairing: Pairing, *, view: str, colours: Colours) -> str:
    """An SVG of both cameras; forward is to the right.

    Args:
        view: ``side``, seen from the aircraft's right with up at the top, or ``above``, with the
            aircraft's right at the bottom.
    """
    m, angles = pairing.mount, pairing.angles
    side = view == "side"
    along, off = m.forward_mm, m.up_mm if side else -m.right_mm
    turn = m.tilt_deg if side else -m.pan_deg
    opens = [getattr(angles[which], "vertical" if side else "horizontal") for which in ("frame", "display")]
    reach = max(70.0, abs(along), abs(off), 0.6 * math.hypot(along, off))
    scale = 78.0 / reach
    x0 = WIDTH * 0.32 - max(0.0, along) * scale * 0.35
    y0 = HEIGHT / 2 + off * scale / 2
    x1, y1 = x0 + along * scale, y0 - off * scale
    title = f"Mount seen from {'the side' if side else 'above'}"
    across, updown = f"{_signed(along)} forward", f"{_signed(m.up_mm)} up" if side else f"{_signed(m.right_mm)} right"
    first, second = colours.series[1], colours.series[0]
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" font-size="13">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="{colours.panel}"/>',
        _cone(x0, y0, 0.0, opens[0], first, ""),
        _cone(x1, y1, turn, opens[1], second, "7 4"),
        f'<path d="M{x0:.1f} {y0:.1f}H{x1:.1f}V{y1:.1f}" fill="none" stroke="{colours.ink}" stroke-width="1.2" stroke-dasharray="2 3"/>',
        _camera(x0, y0, 0.0, 24, first),
        _camera(x1, y1, turn, 15, second),
    ]
    close = abs(y1 - y0) < 26  # then one name goes above and the other below
    for x, y, name, colour, shift in ((x0, y0, "recording", first, 38 if close else 5), (x1, y1, "monitoring", second, -30 if close else 5)):
        place = f'x="{x if close else x - 46:.1f}" y="{y + shift:.1f}" text-anchor="{"middle" if close else "end"}"'
        parts.append(f'<text {place} fill="{colour}" stroke="{colours.panel}" stroke-width="4" paint-order="stroke" font-weight="600">{name}</text>')
    turned = f"{'tilt' if side else 'pan'} {m.tilt_deg if side else m.pan_deg:+g}°"
    parts.append(f'<path d="M0 0H{WIDTH}V30H0ZM0 {HEIGHT - 30}H{WIDTH}V{HEIGHT}H0Z" fill="{colours.panel}"/>')
    parts.append(f'<text x="10" y="20" fill="{colours.ink}" font-weight="600">From {"the side" if side else "above"}</text>')
    parts.append(f'<text x="10" y="{HEIGHT - 10}" fill="{colours.ink}">{updown}, {across}, {turned}</text>')
    parts.append(f'<text x="{WIDTH - 10}" y="20" text-anchor="end" fill="{colours.quiet}">forward →</text></svg>')
    return "".join(parts)


def mount_words(pairing: Pairing) -> str:
    """The mount in words, for those who can't see the drawing."""
    m = pairing.mount
    return (
        f"The monitoring camera is {_length(m.up_mm)} up, {_length(m.right_mm)} right and {_length(m.forward_mm)} forward of the recording camera, "
        f"panned {m.pan_deg:g}, tilted {m.tilt_deg:g} and rolled {m.roll_deg:g} degrees."
    )


def _signed(length_mm: float) -> str:
    return quantity(length_mm, "mm", "+g" if system() == "metric" else "+.2f")


def _length(length_mm: float) -> str:
    return quantity(length_mm, "mm", "g" if system() == "metric" else ".2f")


def _cone(x: float, y: float, turn_deg: float, opens_deg: float, colour: str, dash: str) -> str:
    if math.isnan(opens_deg):
        return ""
    half = min(opens_deg / 2, 179.0)
    length = WIDTH * 0.62
    ends = [(x + length * math.cos(a), y - length * math.sin(a)) for a in (math.radians(turn_deg + half), math.radians(turn_deg - half))]
    large = 1 if opens_deg > 180 else 0
    (ax, ay), (bx, by) = ends
    edge = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<path d="M{x:.1f} {y:.1f}L{ax:.1f} {ay:.1f}A{length:.1f} {length:.1f} 0 {large} 1 {bx:.1f} {by:.1f}Z" fill="{colour}" fill-opacity="0.13" '
        f'stroke="{colour}" stroke-width="1.4"{edge}/>'
    )


def _camera(x: float, y: float, turn_deg: float, size: float, colour: str) -> str:
    s = size
    body = f'<rect x="{-1.6 * s:.1f}" y="{-0.6 * s:.1f}" width="{1.2 * s:.1f}" height="{1.2 * s:.1f}" rx="2"/>'
    lens = f'<rect x="{-0.45 * s:.1f}" y="{-0.38 * s:.1f}" width="{0.45 * s:.1f}" height="{0.76 * s:.1f}" rx="1"/>'
    return f'<g transform="translate({x:.1f} {y:.1f}) rotate({-turn_deg:g})" fill="{colour}">{body}{lens}</g>'
