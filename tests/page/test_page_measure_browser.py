"""Measuring in a real browser, start to end, with Debian's opencv-doc stills of a real rig; nothing leaves the machine."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from browser import area, axe_faults, opened, settle
from PIL import Image

from framematch.files.pairing import parse_pairing
from framematch.measure.marks import expected_px
from framematch.page.session import EXAMPLE

DOC = "chessboard-10x7-25mm"


@pytest.fixture
def wide(where, url):
    yield from _measuring(where, url, "light", (1440, 900))


@pytest.fixture
def phone(where, url):
    yield from _measuring(where, url, "dark", (390, 844))


def _measuring(where, url, scheme, size):
    page = opened(where, url, scheme=scheme, size=size)
    area(page, "Measure")
    yield page
    assert page.left_machine == []
    assert page.get_by_text("Traceback").count() == 0
    assert page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth") <= size[0]
    page.close()


def choose(page, task):
    page.get_by_role("radiogroup", name="What do you want to measure?").get_by_text(task).click()
    settle(page)


def chart(page):
    box = page.get_by_role("combobox", name="Chart", exact=True)
    box.click()
    box.fill("another")
    page.get_by_role("option", name="another, by its name").click()
    settle(page)
    name = page.get_by_label("Chart's name", exact=True)
    name.fill(DOC)
    name.press("Enter")
    settle(page)


def upload(page, which, files):
    page.get_by_role("tabpanel", name="Measure", exact=True).locator("input[type=file]").nth(which).set_input_files(files)
    settle(page)


def stills(folder, side, which="[01]*"):
    return [{"name": p.name, "mimeType": "image/jpeg", "buffer": p.read_bytes()} for p in sorted(folder.glob(f"{side}{which}.jpg"))]


def sound(page):
    """Every picture has come and has words; no serious fault of ours for assistive technology, contrast among them."""
    pictures = page.locator(".fm .stills img, .fm .whole img")
    assert pictures.count() > 3
    assert page.evaluate("[...document.querySelectorAll('.fm .stills img, .fm .whole img')].every(i => i.complete && i.naturalWidth > 50 && i.alt.length > 10)")
    assert axe_faults(page) == []


@pytest.mark.at_length
def test_a_lens_from_stills_with_a_bad_one_among_them(wide, opencv_doc):
    choose(wide, "A lens")
    chart(wide)
    cut = {"name": "cut.jpg", "mimeType": "image/jpeg", "buffer": (opencv_doc / "left01.jpg").read_bytes()[:9000]}
    upload(wide, 0, [*stills(opencv_doc, "left"), cut])
    wide.get_by_role("button", name="Measure the lens").click()
    wide.get_by_text("13 stills used, 1 not.").wait_for()
    settle(wide)
    assert wide.get_by_text("cut.jpg: not used, the picture is cut short").count() == 1
    assert wide.get_by_alt_text("a ring round each of the 54 corners found").count() == 14  # one of them large
    assert wide.get_by_alt_text("Map of the picture with an arrow at each corner").count() == 1
    sound(wide)
    with wide.expect_download() as held:
        wide.get_by_role("button", name="Camera table (TOML)").click()
    assert 'model = "brown-conrady"' in Path(held.value.path()).read_text()
    wide.get_by_role("button", name="Use this lens for the recording camera").click()
    wide.get_by_text("The measured figures are in the pairing").wait_for()
    settle(wide)
    wide.get_by_role("tab", name="Pairing", exact=True).click()
    settle(wide)
    assert wide.get_by_label("Picture width, pixels", exact=True).first.input_value() == "640"
    wide.get_by_role("button", name="Undo", exact=True).click()
    settle(wide)
    assert wide.get_by_label("Picture width, pixels", exact=True).first.input_value() == "5760"
    wide.get_by_role("tab", name="Measure", exact=True).click()
    settle(wide)
    assert wide.get_by_text("13 stills used, 1 not.").count() == 1  # what was measured is not lost by looking elsewhere


@pytest.mark.at_length
def test_the_mount_from_pairs_on_a_phone(phone, opencv_doc):
    choose(phone, "The mount")
    chart(phone)
    for which, side in enumerate(("left", "right")):
        upload(phone, which, stills(opencv_doc, side, "[01]*"))
    phone.get_by_role("button", name="Measure the mount").click()
    phone.get_by_text("The guide over the real still").wait_for()
    settle(phone)
    assert phone.get_by_text("13 pairs used, 0 not.").count() == 1
    sound(phone)
    phone.get_by_role("button", name="Use this mount and both lenses in the pairing").click()
    phone.get_by_text("The measured figures are in the pairing").wait_for()
    settle(phone)
    phone.get_by_role("tab", name="Pairing", exact=True).click()
    settle(phone)
    assert abs(float(phone.get_by_label("Right, mm", exact=True).input_value()) - 83.2) < 0.5


@pytest.mark.at_length
def test_a_wrong_upload_is_one_line_and_a_mark_is_placed_by_a_click(wide):
    """On a plain wall nothing is found; two clicks where the guide has the marks say that the aim is right."""
    choose(wide, "A lens")
    upload(wide, 0, [{"name": "notes.jpg", "mimeType": "image/jpeg", "buffer": b"no picture"}])
    wide.get_by_role("button", name="Measure the lens").click()
    wide.get_by_text("No still shows the chart; notes.jpg: is not a PNG, JPEG or TIFF picture").wait_for()
    settle(wide)
    assert wide.get_by_role("button", name="Undo", exact=True).is_disabled()
    choose(wide, "The aim")
    grey = io.BytesIO()
    Image.new("L", (1440, 1080), 128).save(grey, "PNG")
    expected = expected_px(parse_pairing(EXAMPLE), (1440, 1080), 2.0) / (1440, 1080)
    upload(wide, 0, [{"name": "wall.png", "mimeType": "image/png", "buffer": grey.getvalue()}])
    picture = wide.get_by_alt_text("Still of the wall; marks seen: none.")
    picture.wait_for()
    for x, y in expected[:2]:
        picture = wide.get_by_alt_text("Still of the wall; marks seen")
        box = picture.bounding_box()
        picture.click(position={"x": x * box["width"], "y": y * box["height"]})
        settle(wide)
    assert wide.get_by_alt_text("Still of the wall; marks seen: top left, top right.").count() == 1
    assert abs(float(wide.get_by_label("Top left, across", exact=True).input_value()) - expected[0][0] * 1440) < 3
    wide.get_by_text("The aim that the marks show").wait_for()
    assert wide.get_by_role("button", name="Use this aim in the pairing").count() == 1
