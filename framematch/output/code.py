"""The code of a pairing on its sheet: a QR code (ISO/IEC 18004) that holds the pairing's file itself, so that paper needs no network."""

from __future__ import annotations

from functools import lru_cache

from framematch.errors import InputError
from framematch.files.pairing_text import pairing_letters
from framematch.geometry.pairing import Pairing
from framematch.output.pdf import Page

QUIET = 4  # modules left free all round, as the standard asks
LEAST_MODULE_MM = 0.25  # what an office printer and a phone's camera still tell apart


@lru_cache(maxsize=256)
def code_rows(letters: str) -> tuple[tuple[bool, ...], ...]:
    """The modules of a code, True for dark, rows from the top, without the quiet zone."""
    import segno

    return tuple(tuple(map(bool, row)) for row in segno.make(letters, error="l", micro=False).matrix)


def draw_code(page: Page, pairing: Pairing, *, x: float, top: float, side_mm: float) -> bool:
    """Draw a pairing's code in a square with its quiet zone; whether it fits there finely enough to be read."""
    try:
        rows = code_rows(pairing_letters(pairing))
    except (InputError, ImportError):  # nothing that a code holds, or no package that makes one
        return False
    step = side_mm / (len(rows) + 2 * QUIET)
    if step < LEAST_MODULE_MM:
        return False
    rings = []
    for j, row in enumerate(rows):
        y, i = top + (QUIET + j) * step, 0
        while i < len(row):
            end = i
            while end < len(row) and row[end]:
                end += 1
            if end > i:
                a, b = x + (QUIET + i) * step, x + (QUIET + end) * step
                rings.append([(a, y), (b, y), (b, y + step), (a, y + step)])
            i = max(end, i + 1)
    page.rings(rings, colour=None, fill="#000000")
    return True
