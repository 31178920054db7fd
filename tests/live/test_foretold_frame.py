"""The foretold frame in the browser: a known clip played by Chromium's own stand-in for a capture device, against Python's frames."""

from __future__ import annotations

import base64
import io
import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from at_length import sample
from live_compare import pairs
from live_stills import live_browser, page_with
from outside import need
from PIL import Image
from rigs import glasshouse

from framematch.geometry.camera import Display, Rect
from framematch.geometry.pairing import Frame, Pairing
from framematch.guide.foretold import foretold, source_fit
from framematch.live.foretold_part import CELLS, foretold_part
from framematch.live.foretold_view import Source, foretold_said, source_of
from framematch.live.parts import head_of
from framematch.render.planes import Bender, Planes, frame_of, planes_from_rgb

HARNESS = """<!doctype html><html lang="en"><title>foretold</title><meta name="viewport" content="width=device-width">
<body style="margin:8px;--st-text-color:#1c2226;--st-primary-color:#0f5a66;--st-secondary-background-color:#efede7">
<main><h1>The frame</h1></main><script type="module">
import foretold from "/foretold.js"; import part from "/part.js";
const css = await (await fetch("/foretold.css")).text();
window.sent = [];
const root = () => { const host = document.createElement("div"); document.querySelector("main").append(host); return host.attachShadow({mode: "open"}); };
const at = root(); at.innerHTML = "<style>" + css + "</style>";
const parts = root();
window.show = data => {
  part({data: {id: data.part, url: "part-" + data.part}, parentElement: parts});
  window.end = foretold({data: [data], parentElement: at, setStateValue: (name, value) => window.sent.push(value)});
  window.live = at.framematchForetold;
};
window.ready = true;
</script></html>"""
STOPS_M = (1.0, 2.0, 3.0, 5.0, 10.0, float("inf"))
SIZE = (640, 360)


def picture(number: int, size: tuple[int, int] = SIZE) -> np.ndarray:
    """Soft colours with hard shapes on them, another for each number."""
    width, height = size
    x, y = np.meshgrid(np.linspace(0, 1, width), np.linspace(0, 1, height))
    out = np.stack([70 + 90 * x, 90 + 70 * y, 150 - 60 * x * y], axis=-1)
    for i in range(9):
        at = ((i * 0.37 + number * 0.11) % 1, (i * 0.23 + number * 0.17) % 1)
        out[(abs(x - at[0]) < 0.04) & (abs(y - at[1]) < 0.06)] = (210 - 12 * i, 60 + 15 * i, 90)
    return out.round().astype(np.uint8)


def film(path: Path, pictures: list[np.ndarray]) -> list[Planes]:
    """A clip without compression, as Chromium's stand-in for a device reads it, and its planes."""
    planes = [planes_from_rgb(each) for each in pictures]
    height, width = pictures[0].shape[:2]
    with path.open("wb") as out:
        out.write(f"YUV4MPEG2 W{width} H{height} F25:1 Ip A1:1 C420\n".encode())
        for each in planes:
            out.write(b"FRAME\n" + b"".join(plane.tobytes() for plane in each))
    return planes


def said(rig: Pairing, source: Source | None = None) -> dict[str, Any]:
    part = foretold_part(rig, STOPS_M)
    return foretold_said(rig, part, STOPS_M, stop=2, sets=[("Set 1", 1), ("Set 2", 4)], source=source)


def show(page: Any, rig: Pairing, *, answer: bool = True) -> Source | None:
    """What Python sends: at first, and in answer to what the browser has said of its source."""
    source = source_of({"source": page.evaluate("sent.at(-1) ?? null")}) if answer else None
    page.evaluate(f"show({json.dumps(said(rig, source))})")
    return source


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("film")


@pytest.fixture(scope="module")
def planes(folder: Path) -> list[Planes]:
    return film(folder / "a.y4m", [picture(i) for i in range(4)])


@pytest.fixture(scope="module")
def browser(folder: Path, planes: list[Planes]) -> Iterator[Any]:
    found = shutil.which("chromium")
    need(found is not None, "chromium")
    fake = ("--use-fake-device-for-media-stream", f"--use-file-for-fake-video-capture={folder / 'a.y4m'}")
    with live_browser(str(found), "--enable-unsafe-swiftshader", *fake) as started:
        yield started


def part_name(rig: Pairing) -> str:
    return str(head_of(foretold_part(rig, STOPS_M))["id"])


def opened(browser: Any, rig: Pairing, *others: Pairing, allowed: bool = True) -> Any:
    parts = {f"part-{part_name(each)}": foretold_part(each, STOPS_M) for each in (rig, *others)}
    page = page_with(browser, parts, page_html=HARNESS, size=(440, 600))  # small: software draws it
    if allowed:
        page.context.grant_permissions(["camera"])
    show(page, rig, answer=False)
    page.wait_for_function("live.table")
    return page


def running(page: Any, rig: Pairing) -> None:
    """The device plays and its frame stands."""
    page.get_by_role("button", name="Use a capture device").click()
    page.wait_for_function("sent.length && live.looked >= 16")
    show(page, rig)
    page.wait_for_function("live.fit && live.frames > 20")


def canvas(page: Any, height: int, stop: int, frame: int = 0) -> np.ndarray:
    """The frame at a height, of the very picture that is frozen."""
    source = page.evaluate(
        f"(() => {{ live.bender.draw({{frame: {frame}, stop: {stop}, fit: live.fit, height: {height}}}); return live.bender.canvas.toDataURL(); }})()"
    )
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(source.partition(",")[2]))).convert("RGB"))


def truths(rig: Pairing, planes: list[Planes], distance_m: float, height: int) -> list[np.ndarray]:
    """Python's frame of each picture."""
    found = foretold(rig, distance_m, height_px=height)
    bender = Bender(source_fit(rig, (planes[0][0].shape[1], planes[0][0].shape[0])).places(found.places), found.seen)
    return [np.asarray(frame_of(bender(each)).to_ndarray(format="rgb24")).astype(int) for each in planes]


def test_the_canvas_is_pythons_frame(browser: Any, planes: list[Planes]) -> None:
    """Through five pairs of lenses (two in the suite), one after the other, of the one picture that is frozen."""
    rigs = dict(sample(list(pairs().items())[:2], list(pairs().items())))
    page = opened(browser, *rigs.values())
    running(page, next(iter(rigs.values())))
    page.get_by_role("button", name="Freeze").click()
    frozen = set()
    for name, rig in rigs.items():
        show(page, rig)
        page.wait_for_function(f"live.table.id === '{part_name(rig)}' && live.fit")
        for stop in (0, 2, 5):
            ours = canvas(page, 240, stop).astype(int)
            apart = [np.abs(ours - each) for each in truths(rig, planes, STOPS_M[stop], 240)]
            means = [float(each.mean()) for each in apart]
            best = int(np.argmin(means))
            frozen.add(best)
            print(f"{name} at {STOPS_M[stop]:g} m: median {np.median(apart[best]):g}, mean {means[best]:.2f} of 255")
            assert np.median(apart[best]) <= 3 and means[best] <= 4, (name, stop, means)
            assert sorted(means)[1] > 2 * means[best]  # the pictures differ, so that the check can fail
    assert len(frozen) == 1
    page.close()


@pytest.mark.parametrize("name", sorted(pairs()))
def test_between_its_corners_the_grid_is_true_to_a_third_of_a_pixel(name: str) -> None:
    rig = pairs()[name]
    part = foretold_part(rig, STOPS_M)
    at = head_of(part)["arrays"]["places"]
    start = 4 + int.from_bytes(part[:4], "little") + at["at"]
    places = np.frombuffer(part, dtype=np.float32, count=at["count"], offset=start).reshape(len(STOPS_M), CELLS[1] + 1, CELLS[0] + 1, 3)
    for stop in (0, 2, 5):
        found = foretold(rig, STOPS_M[stop], height_px=180)
        height, width = found.seen.shape
        u, v = np.meshgrid((np.arange(width) + 0.5) / width * CELLS[0], (np.arange(height) + 0.5) / height * CELLS[1])
        i, j = np.minimum(u.astype(int), CELLS[0] - 1), np.minimum(v.astype(int), CELLS[1] - 1)
        a, c = (u - i)[..., None], (v - j)[..., None]
        grid = places[stop].astype(float)
        upper = grid[j, i] + a * (grid[j, i + 1] - grid[j, i]) + c * (grid[j + 1, i] - grid[j, i])
        lower = grid[j + 1, i + 1] + (1 - a) * (grid[j + 1, i] - grid[j + 1, i + 1]) + (1 - c) * (grid[j, i + 1] - grid[j + 1, i + 1])
        drawn = np.where(a + c <= 1, upper, lower)
        whole = found.seen & (drawn[..., 2] > 0.999)
        off = np.linalg.norm(drawn[..., :2] * rig.display.raster_px - found.places, axis=-1)[whole]
        assert whole.sum() > 0.97 * found.seen.sum() and off.max() < 0.35, (name, stop, off.max())


def test_what_is_no_source_is_not_taken() -> None:
    good = {"n": 3, "size": [640, 360], "inside": [80, 0, 560, 360]}
    assert source_of({"source": good}) == Source(n=3, size_px=(640, 360), not_black=(80, 0, 560, 360))
    assert source_of({"source": {**good, "inside": None}}) == Source(n=3, size_px=(640, 360), not_black=None)
    for bad in (None, 3, {}, {**good, "size": [640]}, {**good, "size": ["640", 360]}, {**good, "inside": [5, 0, 2, 1]}, {**good, "size": [0, 360]}):
        assert source_of({"source": bad}) is None, bad


def test_the_hand_freezes_saves_and_changes_distance_and_frame(browser: Any) -> None:
    tall = Frame(name="9:16", area=Rect(left=1400, top=0, right=2440, bottom=1850))
    rig = replace(glasshouse(), title="Test rig", others=(tall,))
    page = opened(browser, rig)
    running(page, rig)
    assert "640 x 360" in page.locator(".said").inner_text()
    page.wait_for_function("live.latency > 0", timeout=60_000)
    assert "ms" in page.locator(".latency").inner_text()
    stage = page.locator(".stage")
    stage.focus()
    for key, distance in (("ArrowRight", "5 m"), ("PageUp", "2 m"), ("PageDown", "10 m")):
        stage.press(key)
        assert page.locator(".distance .out").inner_text() == distance
    page.get_by_label("Distance to what is filmed").fill("2")
    assert "3 m" in page.locator("canvas.gl").get_attribute("aria-label")
    stage.press(" ")
    before, count = canvas(page, 200, 2), page.evaluate("live.frames")
    page.wait_for_timeout(400)
    assert page.evaluate("live.frames") == count and np.array_equal(canvas(page, 200, 2), before) and "frozen" in page.locator(".frame figcaption").inner_text()
    with page.expect_download() as held:
        stage.press("s")
    assert held.value.suggested_filename.startswith("foretold-20") and held.value.suggested_filename.endswith("-3-m.png")
    kept = np.asarray(Image.open(held.value.path()).convert("RGB"))
    assert kept.shape[0] > 1080 + 60 and (kept[1080:].max(axis=(1, 2)) > 200).any()  # words below the picture
    small = np.asarray(Image.fromarray(kept[:1080]).resize((before.shape[1], before.shape[0]), Image.Resampling.BOX)).astype(int)
    assert np.median(np.abs(small - before)) <= 3
    clear = page.locator(".frame .picture").screenshot()
    for name in ("other frames", "safe areas", "level line"):
        page.get_by_label(name).check()
        drawn = page.locator(".frame .picture").screenshot()
        assert drawn != clear
        clear = drawn
    page.get_by_label("Frame", exact=True).select_option("9:16")
    shape = page.evaluate("live.part('.frame .picture').clientWidth / live.part('.frame .picture').clientHeight")
    assert shape == pytest.approx(1040 / 1850, rel=0.02)
    stage.press(" ")
    page.wait_for_function("before => live.frames > before", arg=count)
    page.evaluate("end()")
    assert page.locator(".foretold").count() == 0
    page.close()


@pytest.mark.at_length
def test_a_refused_camera_a_device_that_goes_and_comes_back(browser: Any) -> None:
    rig = glasshouse()
    page = opened(browser, rig, allowed=False)
    page.get_by_role("button", name="Use a capture device").click()
    page.wait_for_function("live.part('.said').textContent.includes('refused')")
    page.context.grant_permissions(["camera"])
    running(page, rig)
    page.evaluate("live.stream.getVideoTracks()[0].dispatchEvent(new Event('ended'))")
    assert "gone" in page.locator(".said").inner_text() and not page.evaluate("live.bender.there")
    page.evaluate("window.before = live.frames; navigator.mediaDevices.dispatchEvent(new Event('devicechange'))")
    page.wait_for_function("live.source && live.frames > before + 20")
    show(page, rig)
    page.wait_for_function("live.fit")
    page.close()


CANVAS = """
() => {
  const canvas = document.createElement("canvas"), pen = canvas.getContext("2d");
  window.size = (w, h) => { canvas.width = w; canvas.height = h; };
  size(640, 360);
  setInterval(() => { pen.fillStyle = `hsl(${performance.now() / 50} 60% 60%)`; pen.fillRect(0, 0, canvas.width, canvas.height); }, 30);
  navigator.mediaDevices.getUserMedia = async () => canvas.captureStream(30);
}
"""


@pytest.mark.at_length
def test_a_source_that_changes_its_size_is_fitted_anew_or_refused_in_one_line(browser: Any) -> None:
    rig = glasshouse()
    page = opened(browser, rig)
    page.evaluate(CANVAS)
    running(page, rig)
    for (width, height), says in (((400, 400), "400 x 400 is 1.000:1, but the display"), ((1280, 720), "1280 x 720")):
        told = page.evaluate("sent.length")
        page.evaluate(f"size({width}, {height})")
        page.wait_for_function(f"sent.length > {told} && live.looked >= 16 && sent.at(-1).size[0] === {width}")
        show(page, rig)
        page.wait_for_function(f"live.part('.said').textContent.includes('{says}')")
        assert page.evaluate("!!live.fit") is (width == 1280) and "\n" not in page.locator(".said").inner_text()
    page.close()


@pytest.mark.at_length
def test_a_clip_with_bars_is_found_to_have_them(browser: Any, tmp_path: Path) -> None:
    import av

    rig = glasshouse(display=Display(raster_px=(1280, 960), source_px=(1440, 1080)))
    with av.open(str(tmp_path / "a.mp4"), "w") as target:
        stream = target.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        for i in range(60):
            full = np.zeros((*SIZE[::-1], 3), dtype=np.uint8)
            full[:, 80:560] = picture(i // 15, (480, 360))
            target.mux(stream.encode(av.VideoFrame.from_ndarray(full, format="rgb24")))
        target.mux(stream.encode())
    page = opened(browser, rig)
    page.locator(".clip input").set_input_files(tmp_path / "a.mp4")
    page.wait_for_function("sent.length && live.looked >= 16")
    source = show(page, rig)
    assert source is not None and source.not_black is not None and source.not_black == pytest.approx((80, 0, 560, 360), abs=2)
    page.wait_for_function("live.fit && live.bender.there")
    page.get_by_role("button", name="Freeze").click()
    assert canvas(page, 200, 2).max(axis=-1).min() > 20  # no bar in the frame, and nothing hatched
    page.locator(".clip input").set_input_files({"name": "notes.mp4", "mimeType": "video/mp4", "buffer": b"no clip"})
    page.wait_for_function("live.part('.said').textContent.includes(\"can't be played\")")
    page.close()


@pytest.mark.at_length
def test_a_clip_that_breaks_plays_again_what_can_be_read_and_another_comes_in_its_place(browser: Any, tmp_path: Path) -> None:
    import av

    whole, broken = tmp_path / "a.mp4", tmp_path / "broken.mp4"
    with av.open(str(whole), "w", options={"movflags": "+faststart"}) as target:
        stream = target.add_stream("libx264", rate=25, options={"g": "5", "bf": "0"})
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        for i in range(50):
            target.mux(stream.encode(av.VideoFrame.from_ndarray(picture(i // 5), format="rgb24")))
        target.mux(stream.encode())
    good = whole.read_bytes()
    broken.write_bytes(good[: len(good) // 2] + b"\xff" * (len(good) - len(good) // 2))
    rig = glasshouse()
    page = opened(browser, rig)
    page.locator(".clip input").set_input_files(broken)
    page.wait_for_function("live.part('.said').textContent.includes('past')")
    said = page.locator(".said").inner_text()
    assert said.startswith("broken.mp4 can't be read past") and "plays again" in said and "\n" not in said
    page.wait_for_function("before => live.frames > before + 5", arg=page.evaluate("live.frames"))
    page.locator(".clip input").set_input_files(whole)
    page.wait_for_function("live.source === 'a.mp4' && live.looked >= 16")
    show(page, rig)
    page.wait_for_function("live.fit && live.bender.there")
    assert page.locator(".said").inner_text() == "a.mp4, 640 x 360."
    page.close()


def test_over_plain_http_the_page_says_why_there_is_no_camera(browser: Any) -> None:
    rig = glasshouse()
    page = page_with(browser, {f"part-{part_name(rig)}": foretold_part(rig, STOPS_M)}, page_html=HARNESS)
    page.evaluate("Object.defineProperty(navigator, 'mediaDevices', {value: undefined})")
    show(page, rig, answer=False)
    assert page.get_by_role("button", name="Use a capture device").is_disabled() and "plain http" in page.locator(".said").inner_text()
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    page.close()
