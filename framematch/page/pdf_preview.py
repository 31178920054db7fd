"""The pages of a PDF as pictures, so that what the printer will put out can be looked at first."""

from __future__ import annotations

import base64
import hashlib
import io
import math
import re
import threading
from collections.abc import Callable
from dataclasses import dataclass
from html import escape
from typing import Any

from framematch.errors import InputError
from framematch.page.look import block, paragraph
from framematch.render.keep import Kept

DPI = 150
MOST_PIXELS = 12_000_000
PAGES_AT_ONCE = 6
PAPERS = {"A4": (210.0, 297.0), "A3": (297.0, 420.0), "US Letter": (215.9, 279.4)}
_MM_PER_PT = 25.4 / 72
_one_at_a_time = threading.Lock()  # PDFium must not be called by two threads at once, not even for two files (its Python package's manual)


@dataclass(frozen=True, kw_only=True)
class Leaf:
    """One page: its place from 1, size on paper, what stands on it by its own footer (empty without one), and its picture."""

    number: int
    size_mm: tuple[float, float]
    footer: str
    png: bytes


_leaves: Kept[Leaf] = Kept(limit_bytes=32_000_000, size=lambda leaf: len(leaf.png))
_counts: Kept[int] = Kept(limit_bytes=4_096, size=lambda count: 4)


def page_count(pdf: bytes) -> int:
    """How many pages a PDF has."""
    return _counts.get(_digest(pdf), lambda: _opened(pdf, len))


def leaf(pdf: bytes, number: int) -> Leaf:
    """A page's picture, by its number from 1."""
    return _leaves.get((_digest(pdf), number), lambda: _opened(pdf, lambda document: _draw(document, number)))


def _digest(pdf: bytes) -> bytes:
    return hashlib.sha256(pdf).digest()


def _opened(pdf: bytes, look: Callable[[Any], Any]) -> Any:
    try:
        import pypdfium2
    except ImportError:
        raise InputError("the preview needs the package pypdfium2", fix="pip install 'framematch[page]', or download the PDF") from None
    with _one_at_a_time:
        document = pypdfium2.PdfDocument(pdf)
        try:
            return look(document)
        finally:
            document.close()


def _draw(document: Any, number: int) -> Leaf:
    page = document[number - 1]
    text, bitmap = page.get_textpage(), None
    try:
        wide, high = page.get_size()
        scale = min(DPI / 72, math.sqrt(MOST_PIXELS / (wide * high)))
        lines = [line.strip() for line in text.get_text_range().splitlines() if line.strip()]
        bitmap = page.render(scale=scale)
        out = io.BytesIO()
        # Sixty-four colours are enough for ink on paper, and a third of the bytes.
        bitmap.to_pil().convert("RGB").quantize(64).save(out, "PNG")
    finally:
        for part in (bitmap, text, page):
            if part is not None:
                part.close()
    return Leaf(number=number, size_mm=(wide * _MM_PER_PT, high * _MM_PER_PT), footer=_footer(lines), png=out.getvalue())


def _footer(lines: list[str]) -> str:
    """What a sheet's last line says before program, version and date."""
    name, found, _ = (lines[-1] if lines else "").rpartition(" framematch ")
    return re.sub(r"\s+page \d+ of \d+$", "", name)[:120] if found else ""


def paper_words(size_mm: tuple[float, float]) -> str:
    """A page's size in words: ``A4, 210 x 297 mm``."""
    wide, high = size_mm
    for name, (a, b) in PAPERS.items():
        if math.dist((wide, high), (a, b)) < 1:
            return f"{name}, {a:g} x {b:g} mm"
        if math.dist((wide, high), (b, a)) < 1:
            return f"{name} on its side, {b:g} x {a:g} mm"
    return f"{wide:.0f} x {high:.0f} mm"


def preview_markup(leaves: list[Leaf], count: int, *, name: str, note: str, larger: bool) -> str:
    """Pages one below the other, each with its place and what it is; larger ones are moved sideways.

    Args:
        name: what a page is that does not say so itself.
        note: what to know for printing.
    """
    width = "width:1240px;max-width:none" if larger else "width:100%;max-width:1000px"
    figures = "".join(
        f'<figure style="margin:0 0 .9rem"><img style="display:block;{width};height:auto;border:1px solid #8a8f93;background:#fff" '
        f'src="data:image/png;base64,{base64.b64encode(each.png).decode()}" alt="{escape(_words(each, count, name), quote=True)}">'
        f"<figcaption>{escape(_words(each, count, name))}</figcaption></figure>"
        for each in leaves
    )
    label = f"Preview of {_pages(count)}"
    return block(
        paragraph(f"{_pages(count)}, {_papers(leaves)}. {note}", "big")
        + f'<div tabindex="0" role="region" aria-label="{label}" style="overflow:auto;max-height:92vh;margin-top:.5rem">{figures}</div>'
    )


def _pages(count: int) -> str:
    return f"{count} page{'s' if count != 1 else ''}"


def _papers(leaves: list[Leaf]) -> str:
    return " and ".join(dict.fromkeys(paper_words(each.size_mm) for each in leaves))


def _words(each: Leaf, count: int, name: str) -> str:
    return f"Page {each.number} of {count}. {each.footer or name}"
