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
_ROUNDED_PX = 2.0  # by which a frame rounded to even pixels misses its intent's shape
_CLOSE_PX = 1e-5
_MOST_DIGITS = 15  # of a whole number in a file


@dataclass(frozen=True, kw_only=True)
class Framing:
    """One framing decision of a file.

    Args:
        label: of the decision, or of its canvas.
        context: label of the context, such as the unit or the camera.
        canvas: label of the canvas.
        camera: which canvas of the file, counted from 1.
        number: which framing decision of the file, counted from 1.
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
    context: str = ""
    canvas: str = ""
    camera: int = 1
    number: int = 1
    effective: Rect | None = None
    protection: Rect | None = None
    aspect: tuple[int, int] | None = None

    @property
    def full_name(self) -> str:
        """Its number and what leads to it, each once."""
        return f"#{self.number} {' / '.join(dict.fromkeys(filter(None, (self.context, self.canvas, self.label))))}"

    def is_called(self, wanted: str) -> bool:
        """Whether it is meant by its label, its canvas, its context, by several of them with " / " between, or by ``#`` and its number."""
        ways = [(self.label,), (self.canvas,), (self.context,), (self.canvas, self.label), (self.context, self.label)]
        ways += [(self.context, self.canvas), (self.context, self.canvas, self.label)]
        return wanted == f"#{self.number}" or wanted.casefold() in [" / ".join(way).casefold() for way in ways]

    @property
    def keep_percent(self) -> float:
        """What is left of the protected area, each way: the tighter of the two."""
        if self.protection is None:
            return 100.0
        return 100 * min(self.frame.width / self.protection.width, self.frame.height / self.protection.height)


def intent_aspect(pairing: Pairing) -> tuple[int, int]:
    """The frame's de-squeezed shape as two whole numbers: those that a framing file gave it, or the smallest that give it to a billionth.

    Those of a file hold as long as the frame has their shape, rounded to pixels as the standard rounds it.
    """
    if pairing.intent is not None:
        wide = pairing.frame.height * pairing.intent[0] / pairing.intent[1] / pairing.recording.lens.squeeze
        apart = abs(pairing.frame.width - wide)
        if min(apart, apart * pairing.frame.height / pairing.frame.width) <= _ROUNDED_PX:
            return pairing.intent
    ratio = pairing.frame_aspect
    for limit in (50, 500, 5000, 50_000):
        found = Fraction(ratio).limit_denominator(limit)
        if abs(float(found) / ratio - 1) < 1e-9:
            break
    return found.numerator, found.denominator


def protection_of(pairing: Pairing) -> Rect:
    """The frame without the stabiliser's crop, as far as the raster goes: about the frame's own middle, or as a framing file gave it.

    The file's holds as long as it encloses the frame and leaves what the stabiliser keeps.
    """
    f, keep, (wide, high), given = pairing.frame, pairing.keep_percent / 100, pairing.recording.raster_px, pairing.protection
    if given is not None and given.left <= f.left + _CLOSE_PX and given.top <= f.top + _CLOSE_PX:
        inside = given.right >= f.right - _CLOSE_PX and given.bottom >= f.bottom - _CLOSE_PX and given.right <= wide and given.bottom <= high
        if inside and given.left >= 0 and given.top >= 0 and abs(_kept_percent(f, given) - pairing.keep_percent) < 1e-3:
            return given
    x, y, w, h = (f.left + f.right) / 2, (f.top + f.bottom) / 2, f.width / keep, f.height / keep
    return Rect(left=max(x - w / 2, 0.0), top=max(y - h / 2, 0.0), right=min(x + w / 2, wide), bottom=min(y + h / 2, high))


def _kept_percent(frame: Rect, protection: Rect) -> float:
    """What is left of a protected area, each way: the tighter of the two."""
    return min(100.0, 100 * min(frame.width / protection.width, frame.height / protection.height))


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
        p = protection_of(one)
        if margin > 1e-9 or p is one.protection:
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
        canvases = [(context.label, canvas) for context in document.contexts for canvas in context.canvases]
        decisions = [(context, i, canvas, each) for i, (context, canvas) in enumerate(canvases, 1) for each in canvas.framing_decisions]
        found = [
            replace(_framing(canvas, each, intents), context=context or "", camera=i, number=n) for n, (context, i, canvas, each) in enumerate(decisions, 1)
        ]
    except (fdl.FDLError, ValueError, TypeError) as error:
        raise InputError(f"is not valid ASC FDL: {_first_line(error)}", file=name, fix="export the framing again as ASC FDL 2.0") from None
    if not found:
        raise InputError("holds no framing decision", file=name, fix="export it with the framing for this camera")
    return found


def chosen(framings: list[Framing], pairing: Pairing, *, wanted: str = "", name: str = "FDL") -> Framing:
    """The framing for a pairing's recording camera: the only one on its raster, or the one that is called so.

    Args:
        wanted: as :meth:`Framing.is_called` takes it; empty for any.

    Raises:
        InputError: none fits, or several do.
    """
    fit = _on_raster(framings, pairing, wanted=wanted, name=name)
    if len(fit) > 1:
        raise _several(fit, f"{len(fit)} framings", pairing, name=name)
    return fit[0]


def fitting(framings: list[Framing], pairing: Pairing, *, wanted: str = "", name: str = "FDL") -> list[Framing]:
    """Every framing for a pairing's recording camera, each with a label of its own; ``wanted`` as in :func:`chosen`.

    Raises:
        InputError: none fits, those of several cameras do, or more than a pairing takes.
    """
    fit = _on_raster(framings, pairing, wanted=wanted, name=name)
    cameras = len({each.camera for each in fit})
    if cameras > 1:
        raise _several(fit, f"framings of {cameras} cameras", pairing, name=name)
    if len(fit) > MOST_FRAMES:
        raise InputError(f"has {len(fit)} framings for this camera", file=name, fix=f"a pairing takes {MOST_FRAMES}: choose one by its label")
    found: list[Framing] = []
    for each in fit:
        label = (each.label.strip() or f"frame {len(found) + 1}")[:_LONGEST_NAME]
        same = sum(f.label.casefold() == label.casefold() for f in found)
        found.append(replace(each, label=f"{label[: _LONGEST_NAME - 3]} {len(found) + 1}" if same else label))
    return found


def _on_raster(framings: list[Framing], pairing: Pairing, *, wanted: str, name: str) -> list[Framing]:
    wide, high = pairing.recording.raster_px
    fit = [f for f in framings if f.raster_px == (wide, high) and (not wanted or f.is_called(wanted))]
    if not fit:
        there = "; ".join(sorted({f"{f.raster_px[0]} x {f.raster_px[1]} ({f.label})" for f in framings})[:MOST_FRAMES])
        what = f"{wanted!r} " if wanted else ""
        raise InputError(f"has no framing {what}on a canvas of {wide} x {high}; it has {there}", file=name, fix="match recording.raster_px or export again")
    return fit


def _several(fit: list[Framing], what: str, pairing: Pairing, *, name: str) -> InputError:
    wide, high = pairing.recording.raster_px
    named = "; ".join(f.full_name for f in fit[:MOST_FRAMES])
    return InputError(f"has {what} for {wide} x {high}", file=name, fix=f"name one by its label, its camera or its number: {named}")


def framed_all(pairing: Pairing, framings: list[Framing], *, name: str = "FDL") -> Pairing:
    """The pairing with its frames taken from framing decisions, the first as the main one.

    Raises:
        InputError: as :func:`framed`.
    """
    return pairing.framed([frame_of(pairing, each, name=name) for each in framings])


def framed(pairing: Pairing, framing: Framing, *, name: str = "FDL") -> Pairing:
    """The pairing with its main frame, and what the stabiliser keeps, taken from a framing decision.

    Raises:
        InputError: the squeeze disagrees, or the frame reaches outside the raster.
    """
    found = frame_of(pairing, framing, name=name)
    return replace(pairing, frame=found.area, keep_percent=found.keep_percent, intent=found.intent, protection=found.protection)


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
    return Frame(name=framing.label, area=f, keep_percent=min(framing.keep_percent, 100.0), intent=framing.aspect, protection=framing.protection)


def framing_of(pairing: Pairing) -> Framing:
    """The framing decision that :func:`fdl_text` writes for a pairing."""
    return parse_framings(fdl_text(pairing), name=pairing.title)[0]


def all_frame_changes(framings: list[Framing]) -> dict[str, Any]:
    """What several framing decisions change in a pairing file: all of its frames, each by its pixels."""
    frames = [{"name": f.label, "keep_percent": _short_keep(f), "area_px": _area_px(f.frame), **_handed(f)} for f in framings]
    return {"recording.frame": frames}


def frame_changes(framing: Framing) -> dict[str, Any]:
    """What a framing decision changes in a pairing file: the frame as pixels, and what the stabiliser keeps.

    The pairing then needs no other file, and says the decision's numbers to a millionth of a pixel,
    wherever in the canvas and of whatever shape the frame is.
    """
    changes: dict[str, Any] = dict.fromkeys(f"recording.frame.{key}" for key in ("aspect", "align", "fdl", "framing", "intent", "protection_px"))
    changes |= {f"recording.frame.{key}": value for key, value in _handed(framing).items()}
    return {**changes, "recording.frame.keep_percent": _short_keep(framing), "recording.frame.area_px": _area_px(framing.frame)}


def _handed(framing: Framing) -> dict[str, Any]:
    """What a pairing keeps of a framing decision beside the frame, so that it goes out as it came in."""
    intent = {} if framing.aspect is None else {"intent": f"{framing.aspect[0]}:{framing.aspect[1]}"}
    return intent if framing.protection is None else {**intent, "protection_px": _area_px(framing.protection)}


def _area_px(f: Rect) -> list[float]:
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
        raise InputError(f"is not valid ASC FDL: a whole number of more than {_MOST_DIGITS} digits", fix="export the framing again as ASC FDL 2.0")
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
