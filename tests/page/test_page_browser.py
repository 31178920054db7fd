"""The page in a real browser: each user's job from start to end, and what must not go wrong."""

from __future__ import annotations

import json
import re

import pytest
from at_length import sample
from browser import ROOT, SHARP, address, area, axe_faults, fresh, opened, saved, settle
from command import framematch
from playwright.sync_api import expect

from framematch.files.pairing import parse_pairing
from framematch.page.address import AREAS
from framematch.page.session import EXAMPLE


@pytest.fixture
def page(where, url):
    found = opened(where, url)
    settle(found)
    yield found
    assert found.left_machine == []  # with the network cut nothing is missing
    assert found.get_by_text("Traceback").count() == 0
    found.close()


@pytest.fixture(scope="module")
def shared(where, url):
    """One page for the tests that leave it as it was, and the one that only moves its sliders."""
    found = fresh(where, size=(1440, 1000))
    found.sent, found.heard = [], []
    found.on("websocket", lambda socket: socket.on("framesent", lambda data: found.sent.append(data)))
    found.on("websocket", lambda socket: socket.on("framereceived", lambda data: found.heard.append(data)))
    found.goto(url)
    settle(found)
    yield found
    assert found.left_machine == []
    found.close()


def type_in(page, label, value):
    field = page.get_by_label(label, exact=True)
    field.fill(str(value))
    field.press("Enter")
    settle(page)


def choose(page, label, option, which=0):
    page.get_by_role("combobox", name=label).nth(which).click()
    page.get_by_role("option", name=option).click()
    settle(page)


def save_pairing(page, folder):
    page.get_by_role("button", name="Load, save").click()
    path = saved(page, "Save the pairing (TOML)", folder)
    page.keyboard.press("Escape")
    return path


def load(page, name, content):
    page.get_by_role("button", name="Load, save").click()
    page.locator("input[type=file]").first.set_input_files({"name": name, "mimeType": "application/toml", "buffer": content})


@pytest.mark.at_length
def test_the_pilots_job(page, tmp_path):
    """A rig from a spec sheet: sensor, two quoted angles, offsets; the insets read; the overlay as the command line makes it."""
    area(page, "Pairing")
    monitoring = page.get_by_role("combobox", name="Sensor format, whole or part").nth(1)
    monitoring.evaluate("e => e.scrollIntoView({block: 'center'})")  # a list that opens while the page scrolls shuts again
    page.wait_for_timeout(500)
    monitoring.click()
    page.get_by_role("option", name="1/3 inch type").click()
    settle(page)
    type_in(page, "Horizontal angle, degrees", 112)
    type_in(page, "Vertical angle, degrees", 80)
    type_in(page, "Up, mm", 64)
    type_in(page, "Forward, mm", 22)
    area(page, "Guide")
    shown = [c.inner_text() for c in page.locator("table.type tbody tr").first.locator("td").all()]
    pairing = save_pairing(page, tmp_path)
    read = parse_pairing(pairing.read_text())
    assert (read.mount.up_mm, read.mount.forward_mm, read.monitoring.sensor_mm) == (64, 22, (4.8, 3.6))
    assert read.monitoring.lens.k  # two angles gave a curve of their own
    made = framematch("guide", pairing, "--out", tmp_path / "cli", cwd=ROOT)
    assert made.returncode == 0, made.stderr
    guide = json.loads((tmp_path / "cli" / "guide.json").read_text())
    r = guide["guide"]["rectangle_px"]
    assert shown == [f"{v:.0f}" for v in (r["left"], r["top"], 1280 - r["right"], 720 - r["bottom"])]
    for button, name in (("Overlay PNG", "overlay.png"), ("Overlay SVG", "overlay.svg"), ("Figures JSON", "guide.json")):
        assert saved(page, button, tmp_path).read_bytes() == (tmp_path / "cli" / name).read_bytes(), name


@pytest.mark.at_length
def test_the_director_of_photographys_job(page, tmp_path):
    """Four lenses for a 1.2 x 0.9 m pane: four pictures, and when the edges leave, as the command line has it."""
    area(page, "Gap")
    for label, value in (("Gap width, m", 1.2), ("Gap height, m", 0.9), ("Lenses to compare, mm", "12, 15, 18, 25")):
        type_in(page, label, value)
    page.get_by_role("img", name="Recorded frame with 25 mm at 3 m").wait_for()
    assert page.locator('img[alt^="Recorded frame with"]').count() == 4
    table = page.locator("table", has_text="When the gap's edges leave the frame").last
    rows = [[c.inner_text() for c in row.locator("th, td").all()] for row in table.locator("tbody tr").all()]
    pairing = save_pairing(page, tmp_path)
    made = framematch("lenses", pairing, "--json", "-", cwd=ROOT)
    assert made.returncode == 0, made.stderr
    lenses = json.loads(made.stdout)["lenses"]
    assert [row[0] for row in rows] == [lens["name"] for lens in lenses] == ["12 mm", "15 mm", "18 mm", "25 mm"]
    for row, lens in zip(rows, lenses, strict=True):
        assert row[1:] == [f"{lens['edges'][s]['leaves_m']:.2f} m, {lens['edges'][s]['leaves_s']:.2f} s" for s in ("left", "top", "right", "bottom")]
    assert [float(row[2].split()[0]) for row in rows] == sorted(float(row[2].split()[0]) for row in rows)  # longer lenses lose the edges earlier


@pytest.mark.at_length
def test_the_crew_saves_and_reloads(page, tmp_path):
    area(page, "Pairing")
    type_in(page, "Tilt, degrees", -1.5)
    path = save_pairing(page, tmp_path)
    assert "# + is right, up, clockwise seen from behind" in path.read_text()  # comments stay
    type_in(page, "Tilt, degrees", 4)
    load(page, path.name, path.read_bytes())
    page.get_by_text(f"Loaded {path.name}").wait_for()
    page.keyboard.press("Escape")
    settle(page)
    assert page.get_by_label("Tilt, degrees", exact=True).input_value() == "-1.5"
    page.get_by_role("button", name="Undo", exact=True).click()
    settle(page)
    assert page.get_by_label("Tilt, degrees", exact=True).input_value() == "4.0"


def test_both_views_follow_without_a_button(shared):
    page, pictures = shared, shared.locator("img.server")

    def sources():
        return [i.get_attribute("src") for i in pictures.all()]

    before = sources()
    guide = page.locator("img.guide").get_attribute("src")
    page.get_by_role("slider").nth(0).press("ArrowRight")
    for i in (0, 1):
        expect(pictures.nth(i)).not_to_have_attribute("src", before[i])
    settle(page)
    farther = sources()
    assert page.locator("img.guide").get_attribute("src") == guide  # the guide does not depend on where one looks
    assert page.get_by_role("img", name="What the recording camera's frame shows at 3.3 m.").count() == 1
    page.get_by_role("slider").nth(1).press("ArrowRight")
    expect(pictures.nth(1)).not_to_have_attribute("src", farther[1])
    expect(page.locator("img.guide")).not_to_have_attribute("src", guide)
    area(page, "Pairing")
    expect(page.get_by_label("Focal length, mm", exact=True)).to_have_value("18.5")


def test_a_bad_upload_says_what_and_where(shared):
    """One of the forty kinds of `test_page_uploads.py`, and what the browser itself refuses."""
    page = shared
    area(page, "Guide")
    before = page.locator("table.type").inner_text()
    load(page, "rig.toml", EXAMPLE.replace("focal_mm = 18.0 ", "focal_mm = 0.018 ").encode())
    told = page.get_by_role("alert").filter(has_text="Not loaded").filter(has_text="that looks like metres: write 18")
    told.wait_for()
    assert "rig.toml" in told.inner_text() and "stays as it was" in told.inner_text()
    page.keyboard.press("Escape")
    settle(page)
    assert page.locator("table.type").inner_text() == before
    load(page, "huge.toml", b"# " + b"x" * 1_100_000)
    page.get_by_text("must be 1.0MB or smaller").wait_for()
    page.keyboard.press("Escape")
    settle(page)
    assert page.locator("table.type").inner_text() == before


@pytest.mark.at_length
def test_nonsense_is_refused_beside_the_field(page):
    guide = page.locator("img.guide").get_attribute("src")
    area(page, "Pairing")
    type_in(page, "Focal length, mm", 0.018)
    assert "that looks like metres: write 18" in page.locator(".fault-beside").inner_text()
    assert page.locator("img.guide").get_attribute("src") == guide
    page.get_by_role("button", name="Undo", exact=True).click()
    settle(page)
    assert page.locator(".fault-beside").count() == 0
    # Figures that only fit together may be typed one after the other.
    for label, value in (("Area read out, width, mm", 13.2), ("Area read out, height, mm", 8.8)):
        field = page.get_by_label(label, exact=True).first
        field.fill(str(value))
        field.press("Enter")
        settle(page)
    assert "1.500:1" in page.locator(".fault-beside").first.inner_text()
    field = page.get_by_label("Picture height, pixels", exact=True).first
    field.fill("3840")
    field.press("Enter")
    settle(page)
    assert page.locator(".fault-beside").count() == 0
    assert page.locator("img.guide").get_attribute("src") != guide


@pytest.mark.at_length
def test_the_address_carries_the_pairing_and_what_is_looked_at(page, where, url):
    """Back and forward go through the changes; a reload and a link reopen pairing, distance, area and the areas shown."""
    distance = page.get_by_role("slider").nth(0)
    for _ in range(3):
        distance.press("ArrowRight")
    settle(page)
    assert address(page) == f"{url}/?at=4"
    area(page, "Pairing")
    type_in(page, "Up, mm", 70)
    first = address(page)
    type_in(page, "Up, mm", 90)
    second = address(page)
    assert first != second and "p=" in first
    up = page.get_by_label("Up, mm", exact=True)
    page.go_back()
    expect(up).to_have_value("70.0")
    settle(page)
    page.go_forward()
    expect(up).to_have_value("90.0")
    settle(page)
    area(page, "Gap")
    page.get_by_text("Show what is always in shot and what may be in shot").click()
    settle(page)
    link = address(page)
    said = dict(part.split("=") for part in link.partition("?")[2].split("&"))
    assert said.pop("p") and said == {"at": "4", "area": "gap", "areas": "shown"}

    def stands(there, area_, at, shown):
        there.wait_for_function("name => document.querySelector('[role=tab][aria-selected=true]')?.innerText === name", arg=area_)
        there.locator(f'.live .distance input[aria-valuetext="{at} m"]').wait_for()
        there.get_by_role("img", name=f"What the recording camera's frame shows at {at} m.").wait_for()
        settle(there)
        assert there.get_by_role("checkbox", name="Show what is always").is_checked() == shown
        assert ("at every distance" in there.locator(".key").inner_text()) == shown

    stands(page, "Gap", "4", True)
    page.reload()
    page.wait_for_selector(SHARP)
    stands(page, "Gap", "4", True)
    area(page, "Pairing")
    assert up.input_value() == "90.0"
    other = opened(where, first)
    stands(other, "Pairing", "4", False)
    assert other.get_by_label("Up, mm", exact=True).input_value() == "70.0"
    other.goto(first[:-40])
    other.get_by_text("holds no pairing that can be read").wait_for()
    other.close()
    area(page, "Gap")
    page.get_by_text("Show what is always in shot and what may be in shot").click()
    settle(page)
    distance.press("ArrowLeft")
    settle(page)
    assert page.get_by_role("img", name="Recorded frame with", exact=False).first.get_attribute("alt").endswith("at 3.6 m")
    page.go_back()
    stands(page, "Gap", "4", False)
    page.go_back()
    stands(page, "Gap", "4", True)
    page.go_forward()
    stands(page, "Gap", "4", False)
    page.go_forward()
    stands(page, "Gap", "3.6", False)


@pytest.mark.at_length
@pytest.mark.parametrize("query", ["at=x&area=nowhere&areas=1", "at=inf", "at=nan&area=%00"])
def test_an_address_that_says_nonsense_opens_as_on_a_first_visit(where, url, query):
    other = opened(where, f"{url}/?{query}")
    settle(other)
    assert other.get_by_role("tab", selected=True).inner_text() == "Guide"
    assert other.locator("img.server").count() == 2 and other.get_by_text("Traceback").count() == 0
    other.close()


def test_a_press_that_crosses_the_writing_of_the_address_is_not_lost(shared):
    """The browser may send a step before it has heard of the address that the page wrote for the step before."""
    page = shared
    focal, distance = page.get_by_role("slider").nth(1), page.get_by_role("slider").nth(0)
    stale, before, near = address(page), focal.get_attribute("aria-valuetext"), distance.get_attribute("aria-valuetext")
    focal.press("ArrowRight")
    settle(page)
    stepped = focal.get_attribute("aria-valuetext")
    assert address(page) != stale and stepped != before
    # As if the browser had not heard: it goes on with the address of before, without having gone back.
    page.evaluate("to => history.replaceState(history.state, '', to)", stale)
    distance.press("ArrowRight")
    settle(page)
    at = distance.get_attribute("aria-valuetext")
    assert focal.get_attribute("aria-valuetext") == stepped and at != near
    assert page.get_by_role("img", name=f"What the recording camera's frame shows at {at}.").count() == 1


@pytest.mark.at_length
def test_two_visitors_see_nothing_of_each_other(page, where, url):
    area(page, "Pairing")
    type_in(page, "Up, mm", 11)
    other = opened(where, url, stranger=True)
    area(other, "Pairing")
    assert other.get_by_label("Up, mm", exact=True).input_value() == "58.0"
    type_in(other, "Up, mm", 222)
    type_in(page, "Right, mm", 3)
    assert page.get_by_label("Up, mm", exact=True).input_value() == "11.0"
    assert other.get_by_label("Up, mm", exact=True).input_value() == "222.0"
    assert other.get_by_label("Right, mm", exact=True).input_value() == "0.0"
    other.context.close()


LAPTOP, PHONE = (1440, 900), (390, 844)


@pytest.mark.parametrize(("scheme", "size"), sample([("dark", PHONE)], [(s, of) for s in ("light", "dark") for of in (LAPTOP, PHONE)]), ids=str)
def test_no_serious_fault_of_ours_for_assistive_technology(where, url, scheme, size):
    """Every area (two in the suite), with axe-core's rules; nothing runs off to the right either, and what our style does to controls is seen."""
    page = opened(where, url, scheme=scheme, size=size)
    if size == PHONE:
        _a_pilot_sees_all_without_scrolling(page)
    for name in sample(("Guide", "Measure"), AREAS):
        area(page, name)
        for fold in page.locator("[data-testid=stExpander] summary").all():
            fold.click()
        if name == "Print":
            page.get_by_text("Wall marks", exact=True).click()
        settle(page)
        # What stands above the areas is the same for all.
        assert axe_faults(page, "document" if name == AREAS[0] else "[role=tabpanel]") == [], name
        width = page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth")
        assert width <= size[0], name
        if (scheme, size) == ("dark", PHONE):
            _controls_are_ours(page, name)
    assert page.left_machine == []
    page.close()


def _a_pilot_sees_all_without_scrolling(page):
    settle(page)
    four = page.get_by_role("list", name="Insets from each edge")
    for seen in (page.locator(".live .wide .picture"), four, page.get_by_text("OSD characters"), page.get_by_role("button", name="Overlay", exact=True)):
        box = seen.bounding_box()
        assert box["y"] >= 0 and box["y"] + box["height"] <= PHONE[1] and box["x"] + box["width"] <= PHONE[0]


def _controls_are_ours(page, name):
    """Rules for controls name parts of Streamlit's own, which change: chips read on dark, columns lie straight, a phone's fields are whole."""
    if name == "Guide":
        chip = page.evaluate("() => { const s = getComputedStyle(document.querySelector('[data-tag] span')); return s.color }")
        ground = page.evaluate("() => getComputedStyle(document.querySelector('[data-tag]')).backgroundColor")
        dark, light = sorted(_luminance(each) for each in (chip, ground))
        assert (light + 0.05) / (dark + 0.05) >= 4.5, (chip, ground)  # WCAG 2.2, 1.4.3
    if name == "Measure":
        uploads = page.get_by_role("tabpanel", name=name, exact=True).locator("[data-testid=stFileUploader]")
        assert uploads.count() == 2
        assert all(uploads.nth(i).bounding_box()["width"] > 340 for i in range(2))
    if name == "Flight day":
        assert page.evaluate("() => getComputedStyle(document.querySelector('textarea')).fontFamily") == "monospace"


def _luminance(rgb):
    """Relative luminance as WCAG defines it."""
    linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in (int(n) / 255 for n in re.findall(r"\d+", rgb)[:3])]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


FOCUSED = """
(() => {
  let at = document.activeElement;
  while (at.shadowRoot?.activeElement) at = at.shadowRoot.activeElement;
  return (at.getAttribute('role') || at.type || at.tagName).toLowerCase();
})()
"""


def test_keyboard_reaches_the_controls_and_every_picture_has_words(shared):
    page = shared
    reached = set()
    for _ in range(30):
        page.keyboard.press("Tab")
        reached.add(page.evaluate(FOCUSED))
    assert {"range", "tab", "button", "region"} <= reached
    inside = "i => !!i.closest('[role=img]')"  # its frame speaks for it
    words = [i.get_attribute("alt") for i in page.locator("img").all() if not i.evaluate(inside)]
    words += [picture.get_attribute("aria-label") for picture in page.locator(".live .picture").all()]
    assert len(words) >= 3 and all(words)


def test_a_distance_dragged_sends_nothing_until_it_is_let_go(shared):
    page, sent = shared, shared.sent
    slider = page.locator(".live .distance input")
    slider.scroll_into_view_if_needed()
    box = slider.bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.2, box["y"] + box["height"] / 2)
    page.mouse.down()
    sent.clear()
    assert any(b"Farthest is infinity" in data for data in page.heard)
    page.heard.clear()
    for step in range(100):
        page.mouse.move(box["x"] + box["width"] * (0.2 + 0.006 * step), box["y"] + box["height"] / 2)
        page.wait_for_timeout(20)
    assert sent == []
    page.mouse.up()
    settle(page)
    assert len(sent) >= 1
    at = slider.get_attribute("aria-valuetext")
    assert page.get_by_role("img", name=f"What the recording camera's frame shows at {at}.").count() == 1
    assert f"at={at.removesuffix(' m')}" in address(page)
    assert page.heard and not any(b"Farthest is infinity" in data for data in page.heard)  # the rest of the page, which does not depend on it, stays
