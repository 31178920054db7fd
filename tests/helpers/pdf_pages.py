"""PDF pages measured: as poppler draws them, with what its tools say of them."""

from __future__ import annotations

import re
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
from PIL import Image

Image.MAX_IMAGE_PIXELS = None
DPI = 400  # a pixel is 0.064 mm, the finest tolerance 0.1 mm
TITLES = {
    "latin": "Glasshouse, third pane from the north door, low pass, 18 mm T",
    "japanese": "温室の割れたガラス窓を抜けるショット、北側の扉から三枚目、低く速く、十八ミリで",
    "arabic": "المرور من خلال الزجاج المكسور في البيت الزجاجي المهجور",
    "cyrillic": "Заброшенная оранжерея, третье стекло от северной двери, 18 мм",
    "greek": "Εγκαταλειμμένο θερμοκήπιο, τρίτο τζάμι από τη βόρεια πόρτα",
}
DATES = re.compile(rb"/(CreationDate|ModDate) \([^)]*\)|/ID\s*\[[^\]]*\]|D:\d{14}[^)]*|[0-9a-f]{32}")


def raster(file: Path, *, page: int = 1, dpi: int = DPI) -> np.ndarray:
    """A page in grey levels, drawn by poppler."""
    stem = file.with_name(f"{file.stem}-{page}-{dpi}")
    subprocess.run(["pdftoppm", "-r", str(dpi), "-f", str(page), "-l", str(page), "-gray", "-singlefile", str(file), str(stem)], check=True)
    with Image.open(stem.with_suffix(".pgm")) as picture:
        return np.asarray(picture)


def tool(*words: str) -> str:
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


def embedded(file: Path) -> list[bool]:
    """For each font of the file, what pdffonts says of it."""
    rows = tool("pdffonts", str(file)).splitlines()[2:]
    return [re.split(r"\s+", row.strip())[-5] == "yes" for row in rows]


def undated(pdf: bytes) -> bytes:
    return DATES.sub(b"", pdf)


def words(file: Path) -> list[tuple[int, float, float, float, float, str]]:
    """Page, box in points and text of every word."""
    text = re.sub(r'xmlns="[^"]*"', "", tool("pdftotext", "-bbox", str(file), "-"))
    text = re.sub(r"<!DOCTYPE[^>]*>", "", text).replace("\ufffe", "")
    out = []
    for number, page in enumerate(ET.fromstring(text).iter("page"), start=1):
        for w in page.iter("word"):
            out.append((number, *(float(w.attrib[k]) for k in ("xMin", "yMin", "xMax", "yMax")), w.text or ""))
    return out
