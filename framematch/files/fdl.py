"""The recorded frames in and out as an ASC FDL 2.0 file, by the standard body's own library.

Out: the canvas is the recorded raster with its squeeze, all of it effective; each frame is a framing
decision, to fractions of a pixel; its protection is what the frame would be without the
stabiliser's crop, about the same middle, so that 1 - protection is what the stabiliser keeps.
In: a framing decision's rectangle becomes a pairing's frame, several decisions become several frames.

The library's own call from an intent to a decision compares the intent's shape with the canvas as
recorded, not de-squeezed, so on a squeezed canvas it is right only where the frame takes the whole
width. Rectangles are therefore worked out here and handed to it.
"""

from __future__ import annotations

import json
import uuid
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from framematch import __version__
from framematch.errors import InputError
from framematch.geometry.camera import Rect
from framematch.geometry.pairing import MOST_FRAMES, Frame, Pairing
from framematch.text.whole import read_text, write_text

_CANVAS, _INTENT = "recording", "delivery"
LABEL_LIMIT = 200
_LONGEST_NAME = 40  # of a pairing's frame
_MOST_DIGITS = 15  # of a whole number in a file


@dataclass(frozen=True, kw_only=True)
class Framing:
    """One framing decision of a file.

    Args:
        label: of the decision, or of its canvas.
        canvas: label of the canvas.
        raster_px: of the canvas, still squeezed.
        squeeze: of the canvas.
        frame: in the canvas's pixels.
        effective: the part of the canvas that holds the picture, None where the file does not say.
        protection: in the canvas's pixels, None without one.
        aspect: width and height of its framing intent, None where the file has no such intent.
    """

    label: str
    raster_px: tuple[int, int]
    squeeze: float
    frame: Rect
    canvas: str = ""
    effective: Rect | None = None
    protection: Rect | None = None
    aspect: tuple[int, int] | None = None

    @property
    def keep_percent(self) -> float:
        """What is left of the protected area, each way: the tighter of the two."""
        if self.protection is None:
            return 100.0
        return 100 * min(self.frame.width / self.protection.width, self.frame.height / self.protection.height)


def intent_aspect(pairing: Pairing) -> tuple[int, int]:
    """The frame's de-squeezed shape as two whole numbers, the smallest that give it to a billionth."""
    ratio = pairing.frame_aspect
    for limit in (50, 500, 5000, 50_000):
        found = Fraction(ratio).limit_denominator(limit)
        if abs(float(found) / ratio - 1) < 1e-9:
            break
    return found.numerator, found.denominator


def protection_of(pairing: Pairing) -> Rect:
    """The frame without the stabiliser's crop, about the frame's own middle, as far as the raster goes."""
    f, keep, (wide, high) = pairing.frame, pairing.keep_percent / 100, pairing.recording.raster_px
    x, y, w, h = (f.left + f.right) / 2, (f.top + f.bottom) / 2, f.width / keep, f.height / keep
    return Rect(left=max(x - w / 2, 0.0), top=max(y - h / 2, 0.0), right=min(x + w / 2, wide), bottom=min(y + h / 2, high))


def fdl_text(pairing: Pairing) -> str:
    """The FDL file of a pairing, validated by the library. The same pairing gives the same text."""
    fdl = library()
    canvas_px = fdl.DimensionsInt(width=pairing.recording.raster_px[0], height=pairing.recording.raster_px[1])
    name = uuid.uuid5(uuid.NAMESPACE_OID, repr((pairing.heading, pairing.recording, pairing.frames)))
    document = fdl.FDL(uuid=str(name), fdl_creator=f"framematch {__version__}", default_framing_intent=_INTENT)
    label = pairing.heading[:LABEL_LIMIT] or "recording camera"
    context = document.add_context(label, f"framematch {__version__}")
    canvas = context.add_canvas(_CANVAS, "recording camera", _CANVAS, canvas_px, pairing.recording.lens.squeeze)
    canvas.set_effective(canvas_px, fdl.PointFloat(x=0, y=0))
    canvas.photosite_dimensions = canvas_px
    canvas.physical_dimensions = fdl.DimensionsFloat(width=pairing.recording.sensor_mm[0], height=pairing.recording.sensor_mm[1])
    for i, frame in enumerate(pairing.frames):
        one, intent = pairing.alone(i), _INTENT if i == 0 else f"{_INTENT}{i + 1}"
        aspect, margin = intent_aspect(one), 1 - frame.keep_percent / 100
        document.add_framing_intent(intent, f"{aspect[0]}:{aspect[1]}", fdl.DimensionsInt(width=aspect[0], height=aspect[1]), round(margin, 12))
        decision = canvas.add_framing_decision(
            f"{_CANVAS}-{intent}", frame.name if pairing.others else label, intent, _size(fdl, frame.area), _place(fdl, frame.area)
        )
        if margin > 1e-9:
            p = protection_of(one)
            decision.set_protection(_size(fdl, p), _place(fdl, p))
    try:
        document.validate()
    except fdl.FDLError as error:
        raise InputError(
            f"the standard's library refuses it: {_first_line(error)}", field="recording.frame", fix="check the frame against the raster"
        ) from None
    return str(document.as_json()) + "\n"


def write_fdl(path: Path, pairing: Pairing) -> None:
    """Write :func:`fdl_text` whole or not at all."""
    write_text(path, fdl_text(pairing))


def read_framings(path: Path) -> list[Framing]:
    """Every framing decision of an FDL file.

    Raises:
        InputError: no FDL, refused by the standard's library, or without a framing decision.
    """
    return parse_framings(read_text(path), name=str(path))


def parse_framings(text: str, *, name: str = "FDL") -> list[Framing]:
    """Every framing decision in the text of an FDL file."""
    fdl = library()
    try:
        json.loads(text, parse_int=_whole_number)
    except InputError as error:
        raise error.within(file=name) from None
    except (ValueError, RecursionError):
        raise InputError("is not JSON", file=name, fix="export the framing again as ASC FDL") from None
    try:
        document = fdl.read_from_string(text)
        intents = {i.id: (i.aspect_ratio.width, i.aspect_ratio.height) for i in document.framing_intents}
        found = [_framing(canvas, decision, intents) for context in document.contexts for canvas in context.canvases for decision in canvas.framing_decisions]
    except (fdl.FDLError, ValueError, TypeError) as error:
        raise InputError(f"is no valid ASC FDL: {_first_line(error)}", file=name, fix="export the framing again as ASC FDL 2.0") from None
    if not found:
        raise InputError("holds no framing decision", file=name, fix="export it with the framing for this camera")
    return found


def chosen(framings: list[Framing], pairing: Pairing, *, label: str = "", name: str = "FDL") -> Framing:
    """The framing for a pairing's recording camera: the only one on its raster, or the one labelled so.

    Raises:
        InputError: none fits, or several do.
    """
    wide, high = pairing.recording.raster_px
    fit = [f for f in framings if f.raster_px == (wide, high) and (not label or f.label == label)]
    if len(fit) == 1:
        return fit[0]
    if not fit:
        there = ", ".join(sorted({f"{f.raster_px[0]} x {f.raster_px[1]} ({f.label})" for f in framings}))
        wanted = f"{label!r} " if label else ""
        raise InputError(f"has no framing {wanted}on a canvas of {wide} x {high}; it has {there}", file=name, fix="match recording.raster_px or export again")
    raise InputError(f"has {len(fit)} framings for {wide} x {high}", file=name, fix=f"choose one by its label: {', '.join(repr(f.label) for f in fit)}")


def fitting(framings: list[Framing], pairing: Pairing, *, name: str = "FDL") -> list[Framing]:
    """Every framing for a pairing's recording camera, each with a label of its own.

    Raises:
        InputError: none fits, or more than a pairing takes.
    """
    found: list[Framing] = []
    for each in [f for f in framings if f.raster_px == pairing.recording.raster_px]:
        label = (each.label.strip() or f"frame {len(found) + 1}")[:_LONGEST_NAME]
        same = sum(f.label.casefold() == label.casefold() for f in found)
        found.append(replace(each, label=f"{label[: _LONGEST_NAME - 3]} {len(found) + 1}" if same else label))
    if len(found) > MOST_FRAMES:
        raise InputError(f"has {len(found)} framings for this camera", file=name, fix=f"a pairing takes {MOST_FRAMES}: choose one by its label")
    return found or [chosen(framings, pairing, name=name)]  # which says what is there instead


def framed_all(pairing: Pairing, framings: list[Framing], *, name: str = "FDL") -> Pairing:
    """The pairing with its frames taken from framing decisions, the first as the main one.

    Raises:
        InputError: as :func:`framed`.
    """
    main, *others = (frame_of(pairing, each, name=name) for each in framings)
    return replace(pairing, frame=main.area, keep_percent=main.keep_percent, frame_name=main.name, others=tuple(others))


def framed(pairing: Pairing, framing: Framing, *, name: str = "FDL") -> Pairing:
    """The pairing with its main frame, and what the stabiliser keeps, taken from a framing decision.

    Raises:
        InputError: the squeeze disagrees, or the frame reaches outside the raster.
    """
    found = frame_of(pairing, framing, name=name)
    return replace(pairing, frame=found.area, keep_percent=found.keep_percent)


def frame_of(pairing: Pairing, framing: Framing, *, name: str = "FDL") -> Frame:
    """A framing decision as a frame of a pairing's recorded picture.

    Raises:
        InputError: the squeeze disagrees, or the frame reaches outside the raster.
    """
    squeeze, (wide, high), f = pairing.recording.lens.squeeze, pairing.recording.raster_px, framing.frame
    if abs(framing.squeeze - squeeze) > 1e-6:
        raise InputError(f"squeeze is {framing.squeeze:g} there and {squeeze:g} in the pairing", file=name, fix="make recording.squeeze agree")
    if not (f.width > 0 and f.height > 0 and f.left > -1e-6 and f.top > -1e-6 and f.right < wide + 1e-6 and f.bottom < high + 1e-6):
        raise InputError(f"the frame reaches outside the canvas of {wide} x {high}", file=name, fix="export the framing again")
    if not 10 <= framing.keep_percent <= 100 + 1e-6:
        kept = f"{framing.keep_percent:.3g} %"
        raise InputError(f"the frame is {kept} of its protection", file=name, fix="a pairing takes 10 to 100 %: export the framing again")
    return Frame(name=framing.label, area=f, keep_percent=min(framing.keep_percent, 100.0))


def framing_of(pairing: Pairing) -> Framing:
    """The framing decision that :func:`fdl_text` writes for a pairing."""
    return parse_framings(fdl_text(pairing), name=pairing.title)[0]


def all_frame_changes(framings: list[Framing]) -> dict[str, Any]:
    """What several framing decisions change in a pairing file: all of its frames, each by its pixels."""
    frames = [{"name": f.label, "keep_percent": _short_keep(f), "area_px": _area_px(f)} for f in framings]
    return {"recording.frame": frames}


def frame_changes(framing: Framing) -> dict[str, Any]:
    """What a framing decision changes in a pairing file: the frame as pixels, and what the stabiliser keeps.

    The pairing then needs no other file, and says the decision's numbers to a millionth of a pixel,
    wherever in the canvas and of whatever shape the frame is.
    """
    changes: dict[str, Any] = dict.fromkeys(("recording.frame.aspect", "recording.frame.align", "recording.frame.fdl", "recording.frame.framing"))
    return {**changes, "recording.frame.keep_percent": _short_keep(framing), "recording.frame.area_px": _area_px(framing)}


def _area_px(framing: Framing) -> list[float]:
    f = framing.frame
    return [round(v, 6) + 0.0 for v in (f.left, f.top, f.width, f.height)]


def _short_keep(framing: Framing) -> float:
    """The percentage with as few digits as keep the protection to a millionth of a pixel."""
    exact = min(framing.keep_percent, 100.0)
    longest = max(framing.frame.width, framing.frame.height)
    for digits in range(15):
        if abs(longest / round(exact, digits) - longest / exact) * 100 < 5e-7:
            return round(exact, digits)
    return exact


def _framing(canvas: Any, decision: Any, intents: dict[str, tuple[int, int]]) -> Framing:
    protection, effective = decision.get_protection_rect(), canvas.get_effective_rect()
    return Framing(
        label=decision.label or canvas.label,
        canvas=canvas.label,
        effective=_rect(effective) if effective is not None else None,
        raster_px=(canvas.dimensions.width, canvas.dimensions.height),
        squeeze=canvas.anamorphic_squeeze,
        frame=_rect(decision.get_rect()),
        protection=_rect(protection) if protection is not None else None,
        aspect=intents.get(decision.framing_intent_id),
    )


def _whole_number(digits: str) -> int:
    # The library (asc-fdl 1.0.2) ends the whole process at a width of more than 64 bits.
    if len(digits) > _MOST_DIGITS:
        raise InputError(f"is no valid ASC FDL: a whole number of more than {_MOST_DIGITS} digits", fix="export the framing again as ASC FDL 2.0")
    return int(digits)


def _size(fdl: Any, r: Rect) -> Any:
    return fdl.DimensionsFloat(width=round(r.width, 6), height=round(r.height, 6))


def _place(fdl: Any, r: Rect) -> Any:
    return fdl.PointFloat(x=abs(round(r.left, 6)), y=abs(round(r.top, 6)))  # abs: no -0.0 from rounding


def _rect(r: Any) -> Rect:
    return Rect(left=r.x, top=r.y, right=r.x + r.width, bottom=r.y + r.height)


def _first_line(error: Exception) -> str:
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    return (lines[1] if len(lines) > 1 and lines[0].startswith("Validation") else lines[0] if lines else "unknown fault")[:160]


def library() -> Any:
    """The standard body's package, ready to be used.

    Raises:
        InputError: it is not installed.
    """
    try:
        import fdl
        import fdl_ffi
    except ImportError:
        raise InputError("the ASC FDL library is not installed", fix="run: pip install 'framematch[sheets]'") from None
    # Its documents free themselves when collected. The first such call has to look the function up
    # under a lock that another look-up may hold at that moment, and then waits for ever (asc-fdl 1.0.2
    # with cffi); looked up here once, it needs no lock later.
    fdl_ffi.get_lib().fdl_doc_free  # noqa: B018
    return fdl
