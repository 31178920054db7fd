"""A pairing read from a picture of the code on its sheet."""

from __future__ import annotations

from framematch.errors import InputError
from framematch.files.pairing_text import text_of_letters
from framematch.measure.stills import read_still

_SIDES_PX = (1200, 2000, 3200)  # of the picture as it is looked at: a module wants about five pixels, and more only cost time


def pairing_in_picture(name: str, content: bytes) -> str:
    """The pairing file that the code in a picture holds.

    Raises:
        InputError: no picture, no code in it, or one of something else.
    """
    import cv2

    pixels = read_still(name, content=content).pixels
    found = cv2.QRCodeDetectorAruco()
    for side in _SIDES_PX:
        scale = side / max(pixels.shape[:2])
        seen = cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
        try:
            letters, *_ = found.detectAndDecode(seen)
        except (cv2.error, UnicodeDecodeError):
            continue
        if letters:
            try:
                return text_of_letters(letters)
            except InputError as error:
                raise error.within(file=name) from None
    raise InputError("shows no code that can be read", file=name, fix="take the picture straight on, sharp, with the code large in it")
