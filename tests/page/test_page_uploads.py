"""Thirty kinds and more of uploads that are wrong, each handed to the page's own field: one line that names the file, and the page stays as it was."""

from __future__ import annotations

import io
import json
import logging
import struct
import zlib
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
import streamlit as st
from PIL import Image
from streamlit.elements.lib.file_uploader_utils import enforce_filename_restriction
from streamlit.errors import StreamlitAPIException

from framematch.files.fdl import fdl_text
from framematch.files.pairing import parse_pairing
from framematch.files.starter import starter_day
from framematch.page import session
from framematch.page.areas import day, exchange, pairing, where
from framematch.page.areas import print as printing
from framematch.page.draft import Draft
from framematch.page.net import ONE_LINE, refuse_in_one_line, trouble
from framematch.page.session import EXAMPLE

RIG, DAY = EXAMPLE.encode(), starter_day("pairing.toml").encode()
KIT = b'[kit]\ntitle = "Case"\n[[body]]\nname = "A"\nsensor_mm = [24.0, 13.5]\nraster_px = [3840, 2160]\n'


def picture(kind: str, size: tuple[int, int] = (320, 240)) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", size, (120, 90, 60)).save(out, kind)
    return out.getvalue()


def bomb() -> bytes:
    """A PNG of a few bytes that says it is fifty thousand pixels square."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">IIBBBBB", 50_000, 50_000, 8, 0, 0, 0, 0)) + chunk(b"IDAT", zlib.compress(b"0"))


def code(words: str) -> bytes:
    import segno

    out = io.BytesIO()
    segno.make(words).save(out, kind="png", scale=6, border=4)
    return out.getvalue()


def swapped(old: str, new: str) -> bytes:
    assert old in EXAMPLE
    return EXAMPLE.replace(old, new).encode()


FIELDS: dict[str, tuple[str, Callable[[], None]]] = {
    "pairing": (pairing.UPLOAD, pairing._uploaded),
    "code": (pairing.CODE, pairing._pictured),
    "day": (day.UPLOAD, day._uploaded),
    "fdl": (exchange.UPLOAD, exchange._uploaded),
    "scan": (where.UPLOAD, where._uploaded),
    "more": (printing.MORE, printing._more_uploaded),
}
BAD = [
    ("pairing", "nothing in it", b"", "is missing"),
    ("pairing", "no TOML", b"title = ", "is not TOML"),
    ("pairing", "not UTF-8", b"\xff\xfe\x00", "is not UTF-8"),
    ("pairing", "a picture", picture("PNG"), "is not UTF-8"),
    ("pairing", "too large", b"# " + b"x" * 60_000, "larger than 50 kB"),
    ("pairing", "too many lines", RIG + b"#\n" * 5_001, "more than 5000 lines"),
    ("pairing", "a key of a hundred dots", RIG + b"a" + b".a" * 200 + b" = 1\n", "dots"),
    ("pairing", "another unit", swapped("focal_mm = 18.0 ", "focal_mm = 0.018 "), "looks like metres: write 18"),
    ("pairing", "a key that is none", swapped("squeeze", "sqeeze"), "unknown key"),
    ("pairing", "not a number", swapped("focal_mm = 18.0 ", "focal_mm = nan "), "focal_mm"),
    ("pairing", "an opening of less than nothing", swapped("size_m = [1.2, 0.9]", "size_m = [-1, 0.9]"), "gap.size_m"),
    ("pairing", "a file of this computer", swapped("[recording] ", '[recording]\nuse = "../../etc/passwd"\n'), "can't be read from here"),
    ("pairing", "a day", DAY, "unknown key"),
    ("pairing", "JSON", json.dumps({"title": "x"}).encode(), "is not TOML"),
    ("pairing", "a kit without lenses", KIT, "lens"),
    ("pairing", "a kit with a byte that is none", KIT.replace(b"Case", b"Ca\xffse"), "is not UTF-8"),
    ("more", "no TOML", b"[[", "is not TOML"),
    ("more", "too large", b"# " + b"x" * 60_000, "larger than 50 kB"),
    ("code", "no picture", b"no picture", "picture"),
    ("code", "a picture without a code", picture("JPEG"), "code"),
    ("code", "another code", code("https://example.invalid/"), "code"),
    ("code", "a picture that swells", bomb(), "million"),
    ("day", "no TOML", b"[aircraft", "is not TOML"),
    ("day", "not UTF-8", b"\xff", "is not UTF-8"),
    ("day", "a key that is none", DAY + b"\n[weather]\nrain = 1\n", "unknown key"),
    ("day", "too long", b"# " + b"x" * 70_000, "60000 characters"),
    ("fdl", "no JSON", b"{ not json", "is not JSON"),
    ("fdl", "no FDL", b"{}", "is not valid ASC FDL"),
    ("fdl", "not UTF-8", b"\xff\xfe\x00", "is not UTF-8"),
    (
        "fdl",
        "no framing in it",
        json.dumps({"uuid": "6f3f8c1e-7f0e-4b52-9d0b-0c9d2c1a5f00", "version": {"major": 2, "minor": 0}}).encode(),
        "no framing decision",
    ),
    ("fdl", "nested without end", b"[" * 200_000, "is not JSON"),
    ("fdl", "cut short", fdl_text(parse_pairing(EXAMPLE)).encode()[:-200], "is not JSON"),
    ("scan", "no GLB", b"nothing", "not a GLB"),
    ("scan", "a GLB of nothing", b"glTF" + b"\0" * 30, ""),
    ("scan", "an STL without a face", b"solid nothing\nendsolid\n", ""),
    ("scan", "a cloud that claims", b"ply\nformat ascii 1.0\nelement vertex 900000000\nend_header\n", ""),
    ("scan", "buffers elsewhere", b'{"asset": {"version": "2.0"}, "buffers": [{"uri": "http://elsewhere.invalid/x.bin", "byteLength": 4}]}', ""),
    ("scan", "a program", b"MZ", "not a kind of mesh"),
]
ENDINGS = {"pairing": "toml", "more": "toml", "code": "png", "day": "toml", "fdl": "fdl"}
SCANS = {
    "no GLB": "glb",
    "a GLB of nothing": "glb",
    "an STL without a face": "stl",
    "a cloud that claims": "ply",
    "buffers elsewhere": "gltf",
    "a program": "exe",
}


@pytest.fixture
def visitor(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """A visitor's state without a browser."""
    state: dict[str, Any] = {"fm_draft": Draft(text=EXAMPLE)}
    monkeypatch.setattr(st, "session_state", state)
    return state


def test_there_are_thirty() -> None:
    assert len({(field, kind) for field, kind, *_ in BAD}) == len(BAD) >= 30


@pytest.mark.parametrize(("field", "kind", "raw", "says"), BAD, ids=[f"{field}: {kind}" for field, kind, *_ in BAD])
def test_a_wrong_upload_is_one_line_and_the_page_stays(visitor: dict[str, Any], field: str, kind: str, raw: bytes, says: str) -> None:
    name = f"Wrong <b>{kind.replace(' ', '-')}.{ENDINGS.get(field) or SCANS[kind]}"
    held = SimpleNamespace(name=name, size=len(raw), getvalue=lambda: raw)
    key, uploaded = FIELDS[field]
    visitor[key] = [held] if field == "more" else held
    uploaded()
    if field == "more":
        (line,), bad = visitor[printing.MORE_TROUBLES], True
        assert not visitor[printing.MORE_TEXTS]
    else:
        line, bad = session.take_note() or ("", False)
        assert "Not loaded, the page stays as it was" in line
    assert bad and says in line and "\n" not in line and len(line) < 500 and "Traceback" not in line and "root:" not in line
    assert name in line or field == "fdl"
    assert visitor["fm_draft"].text == EXAMPLE and not visitor["fm_draft"].day and not visitor["fm_draft"].kit
    assert exchange.GIVEN not in visitor


@pytest.mark.parametrize(("name", "says"), [("clip\x1b[31m.exe", "Invalid file extension"), ("still.png\0.exe", "null bytes")])
def test_a_forged_upload_is_one_line_in_the_log_and_in_its_area(name: str, says: str) -> None:
    """What no browser sends: Streamlit's own refusal, thrown wherever the field is read."""
    with pytest.raises(StreamlitAPIException) as refused:
        enforce_filename_restriction(name, [".png"])
    assert says in trouble(refused.value, "Not all of this area can be shown")
    said, log = io.StringIO(), logging.getLogger("streamlit.error_util")
    handler = logging.StreamHandler(said)
    log.addHandler(handler)
    refuse_in_one_line()
    try:
        log.error("Uncaught app execution", exc_info=refused.value)
        log.error("Uncaught app execution", exc_info=ValueError("ours"))
    finally:
        log.removeHandler(handler)
        log.removeFilter(ONE_LINE)
    line, *others = said.getvalue().splitlines()
    assert line.startswith("Refused: ") and says in line and "\x1b" not in line
    assert others[0] == "Uncaught app execution" and others[-1] == "ValueError: ours"  # what is a fault keeps its traceback
