"""The code of a pairing: read back from the printed sheet by OpenCV's reader; Base45 by the RFC's own examples."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pdf_pages import raster
from PIL import Image

from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.files.pairing_text import _base45, _unbase45, pairing_letters, pairing_text, text_of_letters
from framematch.files.starter import STARTER
from framematch.guide.report import guide_report
from framematch.measure.code import pairing_in_picture
from framematch.output.sheet import write_sheets
from framematch.text.toml import changed_text

OWN = changed_text(
    STARTER, {"production": "Pane Nine", "unit": "second unit", "recording.serial": "B-014", "recording.focus_m": 6.0, "mount.aim_deg.tilt": -2.5}
)


@pytest.fixture(scope="module")
def pairing():
    return parse_pairing(OWN)


@pytest.mark.parametrize(("raw", "letters"), [(b"AB", "BB8"), (b"Hello!!", "%69 VD92EX0"), (b"base-45", "UJCLQE7W581"), (b"ietf!", "QED8WEX0")])
def test_base45_is_the_standards(raw: bytes, letters: str) -> None:
    """RFC 9285, section 4.3 and 4.4."""
    assert _base45(raw) == letters and _unbase45(letters) == raw


def test_a_pairing_comes_back_whole(pairing) -> None:
    back = parse_pairing(pairing_text(pairing))
    assert replace(back, recording=pairing.recording, monitoring=pairing.monitoring, frame=pairing.frame, lens_fit_deg=()) == replace(pairing, lens_fit_deg=())
    assert back.frame.as_tuple() == pytest.approx(pairing.frame.as_tuple(), abs=2e-3)
    for one, other in ((back.recording, pairing.recording), (back.monitoring, pairing.monitoring)):
        assert one.lens.focal_mm == pytest.approx(other.lens.focal_mm, rel=1e-5) and one.lens.k == other.lens.k
    r, s = guide_report(pairing).guide.rectangle, guide_report(back).guide.rectangle
    assert s.as_tuple() == pytest.approx(r.as_tuple(), abs=0.02)


def test_several_frames_and_no_far_end_come_back() -> None:
    text = STARTER.replace("[recording.frame] ", "[[recording.frame]] ").replace('aspect = "2.39:1"', 'name = "wide"\naspect = "2.39:1"')
    text = text.replace("[monitoring]  ", '[[recording.frame]]\nname = "9:16"\naspect = "9:16"\n\n[monitoring]  ').replace("30.0]", "inf]")
    pairing = parse_pairing(text)
    back = parse_pairing(text_of_letters(pairing_letters(pairing)))
    assert [f.name for f in back.frames] == ["wide", "9:16"] and math.isinf(back.far_m)


def test_the_code_on_the_sheet_is_read_from_a_picture_of_it(tmp_path: Path, pairing) -> None:
    path = tmp_path / "sheet.pdf"
    write_sheets(path, [guide_report(pairing)], paper="A4", display_mm=None, wall_m=None)
    page = raster(path, dpi=300)
    corner = Image.fromarray(page[: page.shape[0] // 8, int(page.shape[1] * 0.75) :])
    worn = Image.fromarray(
        np.clip(np.asarray(corner, dtype=float) * 0.7 + 30 + np.random.default_rng(4).normal(0, 8, corner.size[::-1]), 0, 255).astype(np.uint8)
    )
    for picture, kind in ((corner, "PNG"), (worn.rotate(4, resample=Image.Resampling.BICUBIC, expand=True, fillcolor=200), "JPEG")):
        out = io.BytesIO()
        picture.save(out, kind)
        text = pairing_in_picture(f"code.{kind.lower()}", out.getvalue())
        assert parse_pairing(text).heading == "Glasshouse pane, 18 mm, Pane Nine, second unit"
        assert text == pairing_text(pairing)


def _code(letters: str) -> bytes:
    import segno

    out = io.BytesIO()
    segno.make(letters).save(out, kind="png", scale=8)
    return out.getvalue()


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"no picture", "code.png"),
        (_code("HTTP://ELSEWHERE.INVALID"), "not of a pairing"),
        (_code("FRAMEMATCH1:" + _base45(b"no zlib at all")), "damaged"),
    ],
)
def test_what_is_no_code_of_a_pairing_is_said_in_one_line(content: bytes, says: str) -> None:
    with pytest.raises(InputError, match=says) as refused:
        pairing_in_picture("code.png", content)
    assert "\n" not in str(refused.value)


def test_a_code_that_swells_is_refused() -> None:
    import zlib

    for letters in (_base45(zlib.compress(b"#" * 5_000_000)), "::::", "A"):
        with pytest.raises(InputError, match="damaged"):
            text_of_letters("FRAMEMATCH1:" + letters)
