"""A pairing's value as a pairing file again: without remarks, and short enough for a printed code."""

from __future__ import annotations

import math
import zlib
from typing import Any

from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.geometry.camera import Camera
from framematch.geometry.pairing import Frame, Pairing

MARK = "FRAMEMATCH1:"
_ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"
_MOST_LETTERS, _MOST_TEXT = 4296, 50_000  # of a QR code's alphanumeric mode (ISO/IEC 18004); of a pairing


def pairing_tables(pairing: Pairing) -> dict[str, Any]:
    """The tables of a pairing's file.

    A lens that came from quoted angles stands there as it was found: by focal length and, where it has one, its distortion.
    """
    r, m, mount, about = pairing.recording, pairing.monitoring, pairing.mount, pairing.about
    numbers = dict(about.serials)
    frames = [_frame(each, named=bool(pairing.others or pairing.frame_name)) for each in pairing.frames]
    recording = _camera(r, focus_m=pairing.focus_m) | _given(
        serial=numbers.get("body"), lens_serial=numbers.get("lens"), f_number=pairing.f_number, squeeze=r.lens.squeeze if r.lens.squeeze != 1 else None
    )
    if math.isfinite(pairing.focus_m):
        recording["focus_m"] = pairing.focus_m
    recording["frame"] = frames if len(frames) > 1 else frames[0]
    display = {"raster_px": list(pairing.display.raster_px), "fit": pairing.display.fit}
    if pairing.text_cells is not None:
        display["text_cells"] = list(pairing.text_cells)
    shot: dict[str, Any] = {"distance_m": [pairing.near_m, pairing.far_m]}
    if pairing.turn is not None:
        shot["turn_deg_s"] = {"pan": pairing.turn.pan_deg_s, "tilt": pairing.turn.tilt_deg_s, "roll": pairing.turn.roll_deg_s}
    return {
        "title": pairing.title,
        **_given(production=about.production, unit=about.unit, notes=about.notes),
        "shot": shot,
        "recording": recording,
        "monitoring": _camera(m) | _given(serial=numbers.get("goggles' camera")) | {"display": display},
        "mount": {
            "offset_mm": {"right": mount.right_mm, "up": mount.up_mm, "forward": mount.forward_mm},
            "aim_deg": {"pan": mount.pan_deg, "tilt": mount.tilt_deg, "roll": mount.roll_deg},
        },
        "tolerance": {key: value for key, value in vars(pairing.tolerance).items() if value},
    }


def _given(**values: Any) -> dict[str, Any]:
    return {key: value for key, value in values.items() if value not in (None, "")}


def _camera(camera: Camera, *, focus_m: float = math.inf) -> dict[str, Any]:
    values = {key: value for key, value in camera_values(camera, focus_m=focus_m).items() if value is not None}
    return values | _given(readout_ms=camera.readout_ms)


def _frame(frame: Frame, *, named: bool) -> dict[str, Any]:
    area = frame.area
    pixels = [round(v, 3) for v in (area.left, area.top, area.width, area.height)]
    return {**({"name": frame.name} if named else {}), "area_px": pixels, "keep_percent": frame.keep_percent, "wander_percent": frame.wander_percent}


def pairing_text(pairing: Pairing) -> str:
    """The pairing's file."""
    import tomlkit

    return tomlkit.dumps(pairing_tables(pairing))


def pairing_letters(pairing: Pairing) -> str:
    """The pairing's file as the letters of a code: zlib (RFC 1950), then Base45 (RFC 9285), which a QR code holds at two letters in eleven bits.

    Raises:
        InputError: a code can't hold so much.
    """
    letters = MARK + _base45(zlib.compress(pairing_text(pairing).encode(), 9))
    if len(letters) > _MOST_LETTERS:
        raise InputError("has more to say than a code holds", fix="hand over its file")
    return letters


def text_of_letters(letters: str) -> str:
    """The pairing file that a code's letters hold.

    Raises:
        InputError: the code is of something else, is damaged, or holds no pairing.
    """
    if not letters.startswith(MARK):
        raise InputError("the code is not of a pairing", fix="use the code of a guide sheet")
    try:
        unzip = zlib.decompressobj()
        raw = unzip.decompress(_unbase45(letters.removeprefix(MARK)), _MOST_TEXT)
        if not unzip.eof:
            raise ValueError
        text = raw.decode()
    except (ValueError, OverflowError, zlib.error):
        raise InputError("the code is damaged", fix="take the picture again, straight on") from None
    parse_pairing(text, name="code")
    return text


def _base45(raw: bytes) -> str:
    """Base45 of bytes (RFC 9285, section 4)."""
    out = []
    for i in range(0, len(raw), 2):
        pair = raw[i : i + 2]
        value = int.from_bytes(pair, "big")
        for _ in range(len(pair) + 1):
            value, digit = divmod(value, 45)
            out.append(_ALPHABET[digit])
    return "".join(out)


def _unbase45(letters: str) -> bytes:
    out = bytearray()
    for i in range(0, len(letters), 3):
        digits = [_ALPHABET.index(c) for c in letters[i : i + 3]]
        if len(digits) == 1:
            raise ValueError
        out += sum(digit * 45**k for k, digit in enumerate(digits)).to_bytes(len(digits) - 1, "big")
    return bytes(out)


def camera_values(camera: Camera, *, focus_m: float = math.inf) -> dict[str, Any]:
    """The keys of a camera table that say what was measured; None takes a key out.

    Args:
        camera: as measured.
        focus_m: distance it was focused at; the file's focal length is the one at infinity.
    """
    focal = camera.lens.focal_mm
    if math.isfinite(focus_m):
        focal = focal * 1000 * focus_m / (focal + 1000 * focus_m)
    lens = camera.lens
    plain = not lens.model.coefficients
    distortion: dict[str, Any] = {"model": lens.projection, "k": [_rounded(k) for k in lens.k]}
    if any(lens.p):
        distortion["p"] = [_rounded(p) for p in lens.p]
    return {
        "sensor_mm": [round(v, 5) for v in camera.sensor_mm],
        "raster_px": list(camera.raster_px),
        "focal_mm": round(focal, 5),
        "distortion": None if plain else distortion,
        "centre_px": [round(c, 3) for c in camera.centre_px],
        "projection": lens.projection if plain else None,
        "format": None,
        "angle_deg": None,
    }


def _rounded(value: float) -> float:
    return float(f"{value:.7g}")
