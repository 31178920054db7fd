"""Each user's job with the fewest actions: one for each thing chosen, typed or pressed."""

from __future__ import annotations

import json
import re
import tomllib

import pytest
from browser import ROOT, SHARP, STILL, axe_faults, opened, saved, settle
from command import framematch
from playwright.sync_api import expect

from framematch.files.kit import parse_kit
from framematch.files.pairing import parse_pairing


class Hand:
    """Someone at the page, and how many things they did."""

    def __init__(self, page):
        self.page, self.count = page, 0

    def _done(self):
        self.count += 1
        self.page.evaluate(STILL, 500)

    def type(self, label, value):
        field = self.page.get_by_label(label, exact=True).first
        field.fill(str(value))
        field.press("Tab")
        self._done()

    def choose(self, label, option):
        """From a list that opens, whose first keys find it, or typed into it where it is not on it."""
        box = self.page.get_by_role("combobox", name=label).first
        box.click()
        box.fill(option)
        box.press("Enter")
        self._done()

    def press(self, name):
        self.page.get_by_role("button", name=name, exact=True).click()
        self._done()

    def area(self, name):
        self.page.get_by_role("tab", name=name, exact=True).click()
        self.page.get_by_role("tabpanel", name=name, exact=True).wait_for()
        self._done()

    def keeps(self, button, folder):
        self.count += 1
        return saved(self.page, button, folder)


@pytest.fixture
def page(where, url):
    found = opened(where, url)
    settle(found)
    yield found
    assert found.left_machine == []
    assert found.get_by_text("Traceback").count() == 0
    found.context.close()


@pytest.mark.at_length
def test_the_pilots_own_rig_from_a_spec_sheet_and_its_overlay_on_a_phone(page, tmp_path):
    hand = Hand(page)
    hand.press("New rig")
    for label, value in (("Name *", "Rig 4"), ("Production", "Pane Nine")):
        hand.type(label, value)
    hand.choose("Sensor: format, or width x height in mm *", "Super 35, 3-perf")
    hand.choose("Recorded picture, pixels *", "4096 x 2160")
    hand.type("Focal length, mm *", 21)
    hand.choose("Delivery aspect ratio", "2.39:1")
    hand.type("Distances to serve, m *", "2 to 40")
    page.reload()  # nothing typed is lost
    page.get_by_text("Still needed").wait_for()
    page.evaluate(STILL, 500)
    hand.choose("Its sensor: format, or width x height in mm *", "5.9 x 4.425")
    hand.choose("Its picture, pixels *", "1440 x 1080")
    hand.type("Horizontal angle of view, degrees", 118)
    hand.choose("Goggles' picture, pixels", "1280 x 720")
    hand.choose("OSD characters, columns x rows", "50 x 18")
    hand.type("Up, mm", 62)
    hand.type("Forward, mm", 25)
    hand.press("Make this rig")
    assert hand.count <= 16
    page.wait_for_selector(SHARP)
    settle(page)
    assert "Rig 4" in page.locator("h1").inner_text() and "Glasshouse" not in page.content()

    page.set_viewport_size({"width": 390, "height": 844})
    settle(page)
    four = page.get_by_role("list", name="Insets from each edge")
    for seen in (page.locator(".live .wide .picture"), four, page.get_by_text("OSD characters"), page.get_by_role("button", name="Overlay", exact=True)):
        box = seen.bounding_box()
        assert box["y"] >= 0 and box["y"] + box["height"] <= 844 and box["x"] + box["width"] <= 390
    assert page.evaluate("document.querySelector('[data-testid=stMain]').scrollTop") == 0
    overlay = saved(page, "Overlay", tmp_path)
    assert overlay.name == "rig-4-pane-nine-overlay.png"
    page.get_by_role("button", name="Load, save").click()
    rig = saved(page, "Save the pairing (TOML)", tmp_path)
    page.keyboard.press("Escape")
    made = framematch("guide", rig, "--out", tmp_path / "cli", cwd=ROOT)
    assert made.returncode == 0, made.stderr
    assert overlay.read_bytes() == (tmp_path / "cli" / "overlay.png").read_bytes()
    guide = json.loads((tmp_path / "cli" / "guide.json").read_text())
    r, cells = guide["guide"]["rectangle_px"], guide["cells"]
    numbers = [int(n) for n in re.findall(r"\d+", four.inner_text())]
    assert numbers == [round(r["left"]), round(r["top"]), round(1280 - r["right"]), round(720 - r["bottom"]), 1280, 720, *cells["columns"], *cells["rows"]]

    # Both views stay in sight while what stands below them is read.
    page.get_by_role("tab", name="Pairing", exact=True).click()
    settle(page)
    page.get_by_label("Roll, degrees", exact=True).scroll_into_view_if_needed()
    page.wait_for_timeout(300)
    for name in ("wide", "frame"):
        box = page.locator(f".live .{name} .picture").bounding_box()
        assert box["y"] >= 0 and box["y"] + box["height"] < 120 and box["x"] >= 0 and box["x"] + box["width"] <= 390
    page.locator(".live .wide .picture").click()
    box = page.locator(".live .wide .picture").bounding_box()
    assert box["width"] >= 385
    page.keyboard.press("Escape")
    page.set_viewport_size({"width": 1440, "height": 900})
    page.get_by_label("Roll, degrees", exact=True).scroll_into_view_if_needed()
    page.wait_for_timeout(300)
    for name in ("wide", "frame"):
        box = page.locator(f".live .{name} .picture").bounding_box()
        assert box["y"] >= 0 and box["y"] + box["height"] <= 900


@pytest.mark.at_length
def test_the_crew_prints_six_pairings_with_production_and_date(page, tmp_path):
    hand = Hand(page)
    hand.area("Pairing")
    hand.type("Production", "Pane Nine")
    hand.area("Kit")
    hand.type("Focal lengths of the case, mm", "12, 18, 25")
    page.get_by_label("Body's name", exact=True).fill("Body B")
    hand.count += 1
    hand.choose("Sensor: format, or mm", "1 inch type")
    hand.choose("Picture, pixels", "3840 x 2160")
    hand.press("Add body")
    page.get_by_role("heading", name="6 pairings").wait_for()
    settle(page)
    assert page.locator(".st-key-fm-areas table tbody tr").count() == 6
    hand.area("Print")
    sheets = hand.keeps("Guide sheets (PDF)", tmp_path)
    assert hand.count <= 10
    import datetime

    import pypdf

    pages = [each.extract_text() for each in pypdf.PdfReader(sheets).pages]
    assert len(pages) == 7 and "6 pairings, Pane Nine" in pages[0]
    for text, (body, lens) in zip(pages[1:], ((b, n) for b in ("Body A", "Body B") for n in (12, 18, 25)), strict=True):
        assert f"{body}, {lens} mm" in text and "Pane Nine" in text and datetime.date.today().isoformat() in text
    hand.area("Kit")
    kit = parse_kit(saved(page, "Save the kit (TOML)", tmp_path).read_text())
    assert len(kit.pairings) == 6 and not any(each.fault for each in kit.pairings)
    page.reload()
    page.wait_for_selector(SHARP)
    page.get_by_role("heading", name="6 pairings").wait_for()  # kept over a reload


@pytest.mark.at_length
def test_the_director_of_photography_compares_four_lenses_in_an_own_scan(page, tmp_path):
    import trimesh

    wall = trimesh.util.concatenate(
        [trimesh.creation.box((w, 3.0, 0.1), transform=trimesh.transformations.translation_matrix((x, 1.5, -2.0))) for x, w in ((-2.0, 2.6), (2.0, 2.6))]
    )
    scan = wall.export(file_type="glb")
    hand = Hand(page)
    hand.area("Gap")
    page.locator(".st-key-where-upload input[type=file]").set_input_files({"name": "nave.glb", "mimeType": "model/gltf-binary", "buffer": scan})
    page.get_by_text("Loaded nave.glb").wait_for()
    hand._done()
    hand.type("Middle of the opening: x, y, z in m", "0, 1.5, -2")
    hand.type("Gap width, m", 1.4)
    hand.type("Gap height, m", 2.0)
    hand.type("Lenses to compare, mm", "12, 15, 18, 25")
    assert hand.count <= 8
    page.get_by_role("img", name="Recorded frame with 25 mm at 3 m").wait_for()
    settle(page)
    assert page.locator('img[alt^="Recorded frame with"]').count() == 4 and page.locator(".fault-beside").count() == 0
    page.get_by_text("Plan, subjects and path").click()
    handle = page.get_by_role("button", name="The opening's middle")
    handle.scroll_into_view_if_needed()
    box = handle.bounding_box()
    page.mouse.move(box["x"] + 22, box["y"] + 22)
    page.mouse.down()
    page.mouse.move(box["x"] + 62, box["y"] + 22, steps=4)
    page.mouse.up()
    middle = page.get_by_label("Middle of the opening: x, y, z in m", exact=True)
    expect(middle).not_to_have_value("0, 1.5, -2")
    x, y, z = (float(v) for v in middle.input_value().split(","))
    assert 0.2 < x < 3 and (y, z) == (1.5, pytest.approx(-2, abs=0.1))  # to the right in plan is +x
    page.get_by_role("button", name="Undo", exact=True).click()
    expect(middle).to_have_value("0, 1.5, -2")
    handle.press("ArrowUp")
    handle.press("ArrowUp")
    expect(middle).to_have_value("0, 1.5, -2.2")  # a decimetre each, ahead
    page.get_by_role("button", name="Undo", exact=True).click()
    expect(middle).to_have_value("0, 1.5, -2")
    settle(page)
    table = page.locator("table", has_text="When the gap's edges leave the frame").last
    rows = [[c.inner_text() for c in row.locator("th, td").all()] for row in table.locator("tbody tr").all()]
    page.reload()  # the scan is still there
    page.wait_for_selector(SHARP)
    assert page.get_by_label("Middle of the opening: x, y, z in m", exact=True).input_value() == "0, 1.5, -2"
    page.get_by_role("button", name="Load, save").click()
    rig = saved(page, "Save the pairing (TOML)", tmp_path)
    file = tmp_path / tomllib.loads(rig.read_text())["place"]["file"]
    file.parent.mkdir()
    file.write_bytes(scan)
    made = framematch("lenses", rig, "--json", "-", cwd=ROOT)
    assert made.returncode == 0, made.stderr
    for row, lens in zip(rows, json.loads(made.stdout)["lenses"], strict=True):
        assert row[0] == lens["name"]
        assert row[1:] == [f"{lens['edges'][s]['leaves_m']:.2f} m, {lens['edges'][s]['leaves_s']:.2f} s" for s in ("left", "top", "right", "bottom")]


@pytest.mark.at_length
def test_a_flight_card_from_own_figures(page, tmp_path):
    hand = Hand(page)
    hand.area("Flight day")
    for label, value in (
        ("Mass without the pack, kg", 3.1),
        ("Propeller diameter, m", 0.18),
        ("Cells in series", 6),
        ("Capacity, Ah", 4.5),
        ("Mass of a pack, kg", 0.7),
        ("Charged packs here", 5),
        ("Capacity, GB", 512),
        ("Data rate, Mbit/s", 1200),
        ("Exposure index, ISO", 800),
        ("Widest stop, f/", 2.8),
        ("Smallest stop, f/", 16),
    ):
        hand.type(label, value)
    hand.choose("Light", "overcast")
    hand.type("Length of a take, s", 25)
    assert hand.count <= 14
    assert page.locator(".fault-beside").count() == 0
    text = page.get_by_role("tabpanel", name="Flight day").inner_text()
    for words in ("Shot 1", "Stop", "Packs"):
        assert words in text
    # The shot's speed is the day's.
    page.get_by_label("Speed, m/s", exact=True).first.fill("11")
    page.get_by_label("Speed, m/s", exact=True).first.press("Tab")
    settle(page)
    page.reload()
    page.wait_for_selector(SHARP)
    settle(page)
    assert page.get_by_label("Mass without the pack, kg", exact=True).input_value() == "3.10"
    page.get_by_text("The same as text").click()
    page.evaluate(STILL, 500)
    day = saved(page, "Save the day file (TOML)", tmp_path).read_text()
    assert "speed_m_s = 11.0" in day and 'light = "overcast"' in day
    assert axe_faults(page) == []
    page.get_by_role("button", name="Undo", exact=True).click()
    settle(page)
    page.get_by_role("button", name="Redo", exact=True).click()
    settle(page)
    assert saved(page, "Save the day file (TOML)", tmp_path).read_text() == day


@pytest.mark.at_length
def test_the_pilots_job_by_keyboard_alone(page, tmp_path):
    """Tab, letters, arrows and Enter reach the rig, its figures and the overlay."""

    def tab_to(words):
        for _ in range(120):
            page.keyboard.press("Tab")
            at = page.evaluate("(() => { const a = document.activeElement; return (a.getAttribute('aria-label') || a.innerText || '').trim() })()")
            if at == words:
                return
        raise AssertionError(f"{words} can't be reached")

    page.evaluate("document.activeElement.blur()")
    tab_to("Guide")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    settle(page)
    tab_to("Up, mm")
    page.keyboard.press("Control+a")
    page.keyboard.type("70")
    page.keyboard.press("Enter")
    settle(page)
    page.evaluate("document.activeElement.blur()")
    page.evaluate("document.querySelector('[data-testid=stMain]').scrollTo(0, 0)")
    with page.expect_download() as held:
        tab_to("Overlay")
        page.keyboard.press("Enter")
    path = tmp_path / "overlay.png"
    held.value.save_as(path)
    page.get_by_role("button", name="Load, save").click()
    rig = saved(page, "Save the pairing (TOML)", tmp_path)
    assert parse_pairing(rig.read_text()).mount.up_mm == 70
    assert framematch("guide", rig, "--out", tmp_path / "cli", cwd=ROOT).returncode == 0
    assert path.read_bytes() == (tmp_path / "cli" / "overlay.png").read_bytes()
