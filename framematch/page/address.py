"""The page's address carries the state: a pairing's text, packed into one query parameter, and what is looked at."""

from __future__ import annotations

import base64
import binascii
import json
import math
import zlib
from collections.abc import Mapping
from dataclasses import dataclass

from framematch.errors import InputError
from framematch.guide.shown import SYSTEMS
from framematch.page.draft import text_from_upload

LONGEST = 12_000  # characters; browsers and servers take that much, and a usual pairing needs 1 500
_TEXT_MOST = 200_000
DISTANCES_M = tuple(
    float(f"{d:.2g}")
    for d in (0.3, 0.35, 0.4, 0.45, 0.5, 0.6, 0.7, 0.8, 0.9, 1, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.8, 2, 2.2, 2.4, 2.6, 2.8, 3, 3.3, 3.6, 4, 4.5, 5)
    + (5.5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 18, 20, 22, 24, 26, 28, 30, 35, 40, 50, 60, 80, 100)
)
FIRST_DISTANCE_M = 3.0
AREAS = ("Guide", "Pairing", "Kit", "Gap", "Print", "Exchange", "Measure", "Flight day", "Foretold")


@dataclass(frozen=True, kw_only=True)
class Address:
    """What the address says.

    Args:
        link: the packed pairing; empty for the example.
        distance_m: that the views are taken from, one of ``DISTANCES_M``.
        area: that is open, one of ``AREAS``.
        areas_shown: whether the always and ever areas are drawn.
        imperial: whether the page speaks feet, miles an hour and pounds.
        new: the packed answers for a new rig that is being made; empty without one.
        day, kit: the packed flight day and kit; empty without one.
    """

    link: str = ""
    distance_m: float = FIRST_DISTANCE_M
    area: str = AREAS[0]
    areas_shown: bool = False
    imperial: bool = False
    new: str = ""
    day: str = ""
    kit: str = ""

    @property
    def parameters(self) -> dict[str, str]:
        """The query's parameters; what is as on a first visit is left out."""
        said = {
            "p": self.link,
            "at": f"{self.distance_m:g}",
            "area": self.area.lower().replace(" ", "-"),
            "areas": "shown" if self.areas_shown else "",
            "units": SYSTEMS[1] if self.imperial else "",
            "new": self.new,
            "d": self.day,
            "kit": self.kit,
        }
        usual = {"at": f"{FIRST_DISTANCE_M:g}", "area": AREAS[0].lower()}
        return {name: value for name, value in said.items() if value and value != usual.get(name)}


def address_of(parameters: Mapping[str, str]) -> Address:
    """What a query says; what can't be read there is as on a first visit, a distance goes to the nearest one of ours."""
    try:
        typed = float(parameters.get("at", FIRST_DISTANCE_M))
    except ValueError:
        typed = math.nan
    typed = typed if math.isfinite(typed) else FIRST_DISTANCE_M
    named = {area.lower().replace(" ", "-"): area for area in AREAS}
    return Address(
        link=parameters.get("p", ""),
        distance_m=min(DISTANCES_M, key=lambda d: abs(d - typed)),
        area=named.get(parameters.get("area", ""), AREAS[0]),
        areas_shown=parameters.get("areas") == "shown",
        imperial=parameters.get("units") == SYSTEMS[1],
        new=parameters.get("new", ""),
        day=parameters.get("d", ""),
        kit=parameters.get("kit", ""),
    )


def packed(text: str) -> str:
    """A text as letters, digits, ``-`` and ``_``; empty if it is too long for an address."""
    letters = base64.urlsafe_b64encode(zlib.compress(text.encode(), 9)).decode().rstrip("=")
    return letters if len(letters) <= LONGEST else ""


def unpacked(letters: str) -> str:
    """The text of a pairing in an address.

    Raises:
        InputError: it can't be read, or is not a pairing.
    """
    return text_from_upload(_unzipped(letters), name="link")


def unpacked_text(letters: str) -> str:
    """Any text in an address.

    Raises:
        InputError: it can't be read.
    """
    return _unzipped(letters).decode("utf-8", "replace")


def packed_answers(answers: Mapping[str, str] | None) -> str:
    """Answers by key as letters; empty for None."""
    return "" if answers is None else packed(json.dumps({key: text for key, text in answers.items() if text}))


def answers_in(letters: str) -> dict[str, str] | None:
    """Answers by key from an address; None if there are none or they can't be read."""
    if not letters:
        return None
    try:
        found = json.loads(unpacked_text(letters))
    except (InputError, ValueError, RecursionError):
        return None
    return {str(key): text[:300] for key, text in found.items() if isinstance(text, str)} if isinstance(found, dict) else None


def _unzipped(letters: str) -> bytes:
    if len(letters) > LONGEST:
        raise InputError("is too long", file="link", fix="load the pairing from its file")
    try:
        raw = base64.b64decode((letters + "=" * (-len(letters) % 4)).encode(), altchars=b"-_", validate=True)
        unzip = zlib.decompressobj()
        text = unzip.decompress(raw, _TEXT_MOST)
        if not unzip.eof:  # cut short, or made to swell
            raise zlib.error("not all there")
    except (binascii.Error, ValueError, zlib.error):
        raise InputError("can't be read", file="link", fix="copy all of it, or load the pairing from its file") from None
    return text
