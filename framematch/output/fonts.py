"""Text for paper: which font has which character, what is embedded, and how wide a line comes out.

The project's own typeface has Latin; DejaVu Sans comes with matplotlib and has Greek, Cyrillic, Arabic,
Hebrew and more. What both lack (Chinese, Japanese, Korean, ...) is looked for among the fonts of this
computer; the few glyphs needed are cut out, turned into TrueType outlines where they are not, and embedded. A character that
no font has is printed as ``MISSING`` and can be asked for with :func:`missing_characters`, so that a
sheet can say so: nothing turns into an empty box without a word.

Right-to-left runs are joined and put in order by arabic-reshaper and python-bidi (Unicode UAX 9).
Scripts whose letters change with their neighbours in other ways (Devanagari, Khmer, ...) would come
out wrong, so they count as having no font. Characters beyond U+FFFF print, but ReportLab writes
their codes so that copied text differs.
"""

from __future__ import annotations

import importlib.util
import io
import os
import sys
import unicodedata
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from framematch.errors import InputError
from framematch.text.typeface import font_file

MISSING = "[?]"
_BREAKABLE = ("HIRAGANA", "KATAKANA", "CJK", "HANGUL", "BOPOMOFO")

#: Tried first, by file name: one family that covers most of what is asked for.
_PREFERRED: tuple[str, ...] = ("notosanscjk-regular", "notosansjp", "notosanssc", "wqy-microhei", "droidsansfallback", "ipag", "yugothr", "msgothic")
_PREFERRED += ("malgun", "hiragino", "applesdgothicneo", "arialuni", "arial unicode", "notosansdevanagari-regular", "notosansthai-regular")

#: Scripts that need shaping which is not done here.
_SHAPED: tuple[str, ...] = ("DEVANAGARI", "BENGALI", "GURMUKHI", "GUJARATI", "ORIYA", "TAMIL", "TELUGU", "KANNADA", "MALAYALAM", "SINHALA")
_SHAPED += ("TIBETAN", "MYANMAR", "KHMER", "BALINESE", "JAVANESE", "MONGOLIAN")

Run = tuple[str, str]  # name of a registered font, text to draw with it


def need_reportlab() -> None:
    """Say plainly how to get the PDF writer if it is not installed."""
    if importlib.util.find_spec("reportlab") is None or importlib.util.find_spec("matplotlib") is None:
        raise InputError("the PDF writer is not installed", fix="run: pip install 'framematch[sheets]'")


def base_font(bold: bool = False) -> str:
    """Name of the embedded Latin font, registered with ReportLab."""
    return _registered_whole(font_file(bold))


@lru_cache(maxsize=2)
def _second_file(bold: bool) -> Path:
    """What is asked for a character that the typeface lacks before the fonts of this computer are."""
    spec = importlib.util.find_spec("matplotlib")
    assert spec is not None and spec.origin is not None
    return Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf" / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")


@lru_cache(maxsize=4)
def _registered_whole(file: Path) -> str:
    need_reportlab()
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    pdfmetrics.registerFont(TTFont(file.stem, str(file), shapable=False))
    return file.stem


def runs(text: str, *, bold: bool = False) -> list[Run]:
    """The text as drawn from left to right, cut where the font changes."""
    return [(_whole_font(file, bold) or _registered_subset(Path(str(file)), "".join(sorted(set(part)))), part) for file, part in _parts(text, bold)]


def _whole_font(file: Path | None, bold: bool) -> str:
    """The registered font of a run that is set in one of the two that come along; empty for one of this computer's."""
    if file is not None and file != _second_file(bold):
        return ""
    return base_font(bold) if file is None else _registered_whole(file)


def missing_characters(text: str) -> str:
    """Those characters of the text that no font here has."""
    own = _own_characters(False)
    return "".join(c for c in sorted(set(_visual(_plain(text)))) if ord(c) not in own and _fallback(c, False) is None)


def width_pt(text: str, size_pt: float, *, bold: bool = False) -> float:
    """Width in points of one line."""
    return size_pt * _width_em(text, bold)


@lru_cache(maxsize=8192)  # sheets of a set say mostly the same
def _width_em(text: str, bold: bool) -> float:
    from reportlab.pdfbase import pdfmetrics

    total = 0.0
    for file, part in _parts(text, bold):
        whole = _whole_font(file, bold)
        total += pdfmetrics.stringWidth(part, whole, 1.0) if whole or file is None else sum(_advance_em(file, c) for c in part)
    return total


@lru_cache(maxsize=8192)
def _parts(text: str, bold: bool) -> tuple[tuple[Path | None, str], ...]:
    """Visual text in runs of one font each; None stands for the base font."""
    own = _own_characters(bold)
    out: list[tuple[Path | None, str]] = []
    for character in _visual(_plain(text)):
        file = None if ord(character) in own else _fallback(character, bold)
        drawn = character if file is not None or ord(character) in own else MISSING
        if out and out[-1][0] == file:
            out[-1] = (file, out[-1][1] + drawn)
        else:
            out.append((file, drawn))
    return tuple(out)


def _own_characters(bold: bool) -> dict[int, int]:
    from reportlab.pdfbase import pdfmetrics

    characters: dict[int, int] = pdfmetrics.getFont(base_font(bold)).face.charToGlyph
    return characters


def wrapped(text: str, size_pt: float, room_pt: float, *, bold: bool = False) -> list[str]:
    """Lines no wider than the room: broken at spaces, between ideographs, and inside words too long for a line."""
    lines: list[str] = []
    for paragraph in _plain(text, keep_lines=True).split("\n"):
        line = ""
        for piece in _pieces(paragraph):
            if width_pt((line + piece).rstrip(), size_pt, bold=bold) <= room_pt:
                line += piece
                continue
            if line.strip():
                lines.append(line.rstrip())
            line = piece.lstrip()
            while len(line) > 1 and width_pt(line.rstrip(), size_pt, bold=bold) > room_pt:
                cut = len(line) - 1
                while cut > 1 and width_pt(line[:cut], size_pt, bold=bold) > room_pt:
                    cut -= 1
                lines.append(line[:cut])
                line = line[cut:]
        lines.append(line.rstrip())
    return lines


def shortened(text: str, size_pt: float, room_pt: float, *, bold: bool = False) -> str:
    """The text, or its beginning and an ellipsis where it is wider than the room."""
    if width_pt(text, size_pt, bold=bold) <= room_pt:
        return text
    cut = len(text)
    while cut > 0 and width_pt(text[:cut].rstrip() + "…", size_pt, bold=bold) > room_pt:
        cut -= 1
    return text[:cut].rstrip() + "…"


def _pieces(paragraph: str) -> list[str]:
    pieces: list[str] = []
    for character in paragraph:
        joins = pieces and not pieces[-1].endswith(" ") and not (_breakable(character) or _breakable(pieces[-1][-1]))
        if joins or (pieces and character == " "):
            pieces[-1] += character
        else:
            pieces.append(character)
    return pieces


def _breakable(character: str) -> bool:
    return unicodedata.name(character, "").startswith(_BREAKABLE)


def _plain(text: str, *, keep_lines: bool = False) -> str:
    text = unicodedata.normalize("NFC", text)
    kept = (c if c == "\n" and keep_lines else " " if c in "\n\r\t" else c for c in text)
    return "".join(c for c in kept if c == "\n" or unicodedata.category(c) not in ("Cc", "Cs"))


def _visual(text: str) -> str:
    """The text in the order it is drawn in, joined where its script joins, without signs that only steer layout."""
    if any(unicodedata.bidirectional(c) in ("R", "AL") for c in text):
        import arabic_reshaper
        from bidi.algorithm import get_display

        text = str(get_display(arabic_reshaper.reshape(text)))
    return "".join(c for c in text if unicodedata.category(c) != "Cf")


@lru_cache(maxsize=1)
def _system_fonts() -> tuple[Path, ...]:
    home = Path.home()
    folders = [Path("/usr/share/fonts"), Path("/usr/local/share/fonts"), home / ".fonts", home / ".local/share/fonts"]
    if sys.platform == "darwin":
        folders = [Path("/System/Library/Fonts"), Path("/Library/Fonts"), home / "Library/Fonts"]
    if sys.platform == "win32":
        folders = [Path(os.environ.get("WINDIR", "C:/Windows")) / "Fonts"]
    files = [f for folder in folders if folder.is_dir() for f in folder.rglob("*") if f.suffix.lower() in (".ttf", ".ttc", ".otf")]

    def rank(file: Path) -> tuple[int, str]:
        name = file.stem.lower()
        return (next((i for i, start in enumerate(_PREFERRED) if name.startswith(start)), len(_PREFERRED)), name)

    return tuple(sorted(files, key=rank))


@cache
def _characters_of(file: Path) -> frozenset[int]:
    """Characters that a font file has; none if it can't be read or its maker forbids embedding."""
    from fontTools.ttLib import TTFont

    try:
        with TTFont(file, fontNumber=0, lazy=True) as font:
            restricted = "OS/2" in font and font["OS/2"].fsType & 0x000F == 0x0002
            outlines = "glyf" in font or "CFF " in font
            return frozenset() if restricted or not outlines else frozenset(font.getBestCmap() or ())
    except Exception:  # a broken font file on someone's computer must not stop a sheet
        return frozenset()


@cache
def _fallback(character: str, bold: bool) -> Path | None:
    """The first other font file that has a character, if it can be set rightly at all."""
    if unicodedata.name(character, "").startswith(_SHAPED):
        return None
    return next((file for file in (_second_file(bold), *_system_fonts()) if ord(character) in _characters_of(file)), None)


@lru_cache(maxsize=8)
def _metrics(file: Path) -> tuple[dict[int, str], Any, float]:
    from fontTools.ttLib import TTFont

    font = TTFont(file, fontNumber=0, lazy=True)
    return font.getBestCmap(), font["hmtx"], float(font["head"].unitsPerEm)


def _advance_em(file: Path, character: str) -> float:
    names, widths, per_em = _metrics(file)
    return float(widths[names[ord(character)]][0]) / per_em


@lru_cache(maxsize=256)
def _registered_subset(file: Path, characters: str) -> str:
    from fontTools import subset
    from fontTools.ttLib import TTFont
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase import ttfonts as rl

    with TTFont(file, fontNumber=0, lazy=True) as font:
        options = subset.Options(layout_features=[], hinting=False, notdef_outline=True, drop_tables=["GSUB", "GPOS", "GDEF", "BASE", "vhea", "vmtx", "VORG"])
        cutter = subset.Subsetter(options)
        cutter.populate(unicodes=[ord(c) for c in characters] + [32])
        cutter.subset(font)
        if "CFF " in font:
            _to_truetype(font)
        # ReportLab tells embedded fonts apart by their PostScript name, so each cut needs its own.
        name = f"{file.stem}-{len(pdfmetrics.getRegisteredFontNames())}"
        font["name"].names = []
        for number in (1, 4, 6):
            font["name"].setName(name, number, 3, 1, 0x409)
        stream = io.BytesIO()
        font.save(stream)
    stream.seek(0)
    pdfmetrics.registerFont(rl.TTFont(name, stream, shapable=False))
    return name


def _to_truetype(font: Any) -> None:
    """Cubic outlines to quadratic ones, in place: the PDF writer embeds TrueType outlines only."""
    from fontTools.pens.cu2quPen import Cu2QuPen
    from fontTools.pens.ttGlyphPen import TTGlyphPen
    from fontTools.ttLib import newTable

    order, shapes = font.getGlyphOrder(), font.getGlyphSet()
    glyphs = {}
    for name in order:
        pen = TTGlyphPen(shapes)
        shapes[name].draw(Cu2QuPen(pen, max_err=1.0, reverse_direction=True))
        glyphs[name] = pen.glyph()
    font["loca"], font["glyf"] = newTable("loca"), newTable("glyf")
    font["glyf"].glyphOrder, font["glyf"].glyphs = order, glyphs
    del font["CFF "]
    maxp = font["maxp"]
    maxp.tableVersion, maxp.maxZones = 0x00010000, 1
    for name in ("TwilightPoints", "Storage", "FunctionDefs", "InstructionDefs", "StackElements", "SizeOfInstructions", "ComponentElements"):
        setattr(maxp, f"max{name}", 0)
    font["post"].formatType, font["post"].extraNames, font["post"].mapping = 3.0, [], {}
    font["head"].glyphDataFormat = 0
    font.sfntVersion = "\000\001\000\000"
