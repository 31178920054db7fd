"""The crew's job on paper and with files, in a real browser: what is seen is what is downloaded, and what comes in goes out unchanged."""

from __future__ import annotations

import base64
import io
import json
import re

import numpy as np
import pytest
from browser import ROOT, area, opened, saved, settle
from command import framematch
from fdl_files import numbers, production
from pdf_pages import undated

from framematch.files.pairing import changed_text, parse_pairing
from framematch.page.session import EXAMPLE


@pytest.fixture
def page(where, url):
    found = opened(where, url)
    settle(found)
    yield found
    left(found)


@pytest.fixture(scope="module")
def exchange(where, url):
    """Refused files leave it as it was; then a frame is taken from one."""
    found = opened(where, url)
    area(found, "Exchange")
    yield found
    left(found)


def left(page) -> None:
    assert page.left_machine == []  # with the network cut nothing is missing
    assert page.get_by_text("Traceback").count() == 0
    assert page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth <= window.innerWidth")  # nothing is wider than the screen
    page.close()


def choose(page, label, option):
    page.get_by_role("combobox", name=label).focus()
    page.keyboard.press("ArrowDown")
    page.get_by_role("option", name=option).click()
    settle(page)


def by_command(*words) -> None:
    made = framematch(*words, cwd=ROOT)
    assert made.returncode == 0, made.stderr


def give(page, label, files):
    page.get_by_test_id("stFileUploader").filter(has_text=label).locator("input[type=file]").set_input_files(
        [{"name": name, "mimeType": "application/octet-stream", "buffer": content} for name, content in files]
    )


def seen(page) -> np.ndarray:
    """The first page of the preview, as the browser has it."""
    from PIL import Image

    source = page.get_by_role("region", name=re.compile("^Preview of")).locator("img").first.get_attribute("src")
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(source.partition(",")[2]))).convert("L"))


@pytest.mark.at_length
def test_paper_is_seen_before_it_is_printed(page, tmp_path):
    """Paper chosen, wall marks added, a further rig; the preview follows at once and the file is the command line's but for its date."""
    area(page, "Print")
    page.get_by_text("1 page, A4, 210 x 297 mm").wait_for()
    first = seen(page)
    choose(page, "Paper", "US Letter")
    page.get_by_text("1 page, US Letter, 215.9 x 279.4 mm").wait_for()
    assert seen(page).shape != first.shape
    page.get_by_text("Also wall marks").click()
    page.get_by_alt_text("Page 2 of 2. Wall marks: Glasshouse pane, 18 mm").wait_for()
    settle(page)
    second = changed_text(EXAMPLE, {"title": "Second rig", "recording.focal_mm": 25.0})
    give(page, "Further pairings", [("second.toml", second.encode()), ("broken.toml", b"title = ")])
    page.get_by_text("Left out. broken.toml: is not TOML").wait_for()
    page.get_by_text("5 pages, US Letter").wait_for()
    settle(page)
    page.get_by_alt_text("Page 1 of 5. Contents").wait_for()
    preview = seen(page)
    sheet = saved(page, "Guide sheets (PDF)", tmp_path)
    (tmp_path / "a.toml").write_text(EXAMPLE, encoding="utf-8")
    (tmp_path / "b.toml").write_text(second, encoding="utf-8")
    by_command("sheet", tmp_path / "a.toml", tmp_path / "b.toml", "--paper", "letter", "--wall", "2", "--out", tmp_path / "cli.pdf")
    assert undated(sheet.read_bytes()) == undated((tmp_path / "cli.pdf").read_bytes())
    from PIL import Image

    from framematch.page.pdf_preview import leaf

    assert (np.asarray(Image.open(io.BytesIO(leaf(sheet.read_bytes(), 1).png)).convert("L")) == preview).all()  # what was seen is what was downloaded


@pytest.mark.at_length
def test_on_a_phone_the_preview_is_read_by_keyboard_too(where, url):
    page = opened(where, url, size=(390, 844))
    area(page, "Print")
    region = page.get_by_role("region", name="Preview of 1 page")
    assert region.locator("img").first.evaluate("e => e.clientWidth") <= 390
    page.get_by_text("Larger, to read the small print").click()
    page.wait_for_function("document.querySelector('[aria-label=\"Preview of 1 page\"] img')?.clientWidth >= 1230")
    settle(page)
    region.focus()
    page.keyboard.press("PageDown")
    page.wait_for_function("document.querySelector('[aria-label=\"Preview of 1 page\"]').scrollTop > 0")
    page.keyboard.press("ArrowRight")
    page.wait_for_function("document.querySelector('[aria-label=\"Preview of 1 page\"]').scrollLeft > 0")
    area(page, "Exchange")
    left(page)


@pytest.mark.at_length
def test_marks_seen_low_mend_the_aim(page):
    area(page, "Print")
    page.get_by_text("Wall marks", exact=True).click()
    settle(page)
    guide = page.locator("img.guide").get_attribute("src")
    up = page.get_by_label("Marks sit up, px", exact=True)
    up.fill("-12")
    up.press("Enter")
    page.get_by_text("1.24° too far up").wait_for()
    settle(page)
    page.get_by_role("button", name="Write this aim into the pairing").click()
    page.get_by_text("The aim is in the pairing").wait_for()
    settle(page)
    assert page.locator("img.guide").get_attribute("src") != guide
    page.get_by_role("button", name="Undo", exact=True).click()
    settle(page)
    assert page.locator("img.guide").get_attribute("src") == guide


@pytest.mark.at_length
def test_a_bad_fdl_says_what_and_the_page_stays(exchange):
    page = exchange
    before = page.locator("img.drawing").first.get_attribute("src")
    give(page, "FDL file", [("empty.fdl", b"{}")])
    told = page.get_by_role("alert").filter(has_text="empty.fdl")
    told.wait_for()
    line = told.inner_text()
    assert "is not valid ASC FDL" in line and "Not loaded, the page stays as it was" in line and len(line) < 500
    settle(page)
    assert page.locator("img.drawing").first.get_attribute("src") == before and page.get_by_text("What it would change").count() == 0
    give(page, "FDL file", [("huge.fdl", b"[" + b"1," * 1_000_000)])
    page.get_by_text("must be 1.0MB or smaller").wait_for()
    assert page.get_by_text("What it would change").count() == 0


@pytest.mark.at_length
def test_a_production_s_frame_comes_in_and_goes_out_unchanged(exchange, tmp_path):
    page = exchange
    given = production(frames=((300.0, 400.5, 4800.0, 2000.0), (0.0, 0.0, 5760.0, 2400.0)), protection=(180.0, 350.5, 5040.0, 2100.0))
    guide = page.locator("img.guide").get_attribute("src")
    give(page, "FDL file", [("production.fdl", given.encode())])
    page.get_by_text("What it would change").wait_for()
    settle(page)
    assert page.locator("img.guide").get_attribute("src") == guide  # only looked at
    page.get_by_role("button", name="Use this frame in the pairing").click()
    page.get_by_text("The frame of production.fdl is in the pairing").wait_for()
    settle(page)
    assert page.locator("img.guide").get_attribute("src") != guide
    out = saved(page, "Frame (ASC FDL 2.0)", tmp_path)
    decision = json.loads(out.read_text())["contexts"][0]["canvases"][0]["framing_decisions"][0]
    first = json.loads(given)["contexts"][0]["canvases"][0]["framing_decisions"][0]
    for key in ("dimensions", "anchor_point", "protection_dimensions", "protection_anchor_point"):
        assert numbers(decision[key]) == pytest.approx(numbers(first[key]), abs=2e-6)
    page.get_by_role("button", name="Load, save").click()
    pairing = saved(page, "Save the pairing (TOML)", tmp_path)
    page.keyboard.press("Escape")
    assert parse_pairing(pairing.read_text()).frame.as_tuple() == (300.0, 400.5, 5100.0, 2400.5)
    by_command("fdl", pairing, "--out", tmp_path / "cli.fdl")
    assert out.read_bytes() == (tmp_path / "cli.fdl").read_bytes()
    by_command("lens-map", pairing, "--out", tmp_path, "--format", "exr")
    assert saved(page, "Map to undistorted", tmp_path / "page").read_bytes() == (tmp_path / "display-straight.exr").read_bytes()
    by_command("opencv", pairing, "--out", tmp_path / "yml")
    assert saved(page, "Mount, rig.yml", tmp_path / "page").read_bytes() == (tmp_path / "yml" / "rig.yml").read_bytes()
