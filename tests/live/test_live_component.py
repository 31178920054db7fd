"""The component in a bare page: what the hand does is drawn at once, and what can go wrong with a screen is got over."""

from __future__ import annotations

import json
import math
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from live_component_page import HARNESS, PARTS, SAID, VIEW
from live_sample import GUIDE, note
from live_stills import live_browser, page_with
from outside import need

NUMBERS = note().numbers


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    found = shutil.which("chromium")
    need(found is not None, "chromium")
    with live_browser(str(found)) as browser:
        yield browser


SIZE = {"width": 420, "height": 560}  # small: software draws it
#: A component as it was when it was mounted; opening another takes software seconds.
AT_FIRST = """() => {
  const live = roots[0].framematchLive;
  live.halt();
  if (live.outside) live.look(false);
  Object.assign(live, {sent: 0, mode: "stop", time: 0, moves: 0, orbit: {turn: 0.9, rise: 0.45, far: 9}, then: 0});
  window.sent = [];
  window.steps = 0;
  live.stir();
}"""


@pytest.fixture(scope="module")
def kept() -> Iterator[list[Any]]:
    """The page that the last test left whole, if it did."""
    pages: list[Any] = []
    yield pages
    for page in pages:
        page.close()


@pytest.fixture
def page(browser: Any, kept: list[Any]) -> Iterator[Any]:
    if kept:
        page = kept.pop()
        page.set_viewport_size(SIZE)
        page.evaluate(AT_FIRST)
        show(page)
        tell(page, "18 mm", "first")
    else:
        page = page_with(browser, PARTS, page_html=HARNESS, size=(SIZE["width"], SIZE["height"]))
        mount(page)
    page.wait_for_selector('.live[data-drawn="live"]')
    yield page
    assert not [line for line in page.said if "stall" not in line and "CONTEXT_LOST" not in line]
    whole = page.evaluate("roots.length === 1 && !document.fullscreenElement && roots[0].framematchLive.box.dataset.drawn === 'live'")
    kept.append(page) if whole else page.close()


def mount(page: Any) -> None:
    tell(page, "18 mm", "first")
    page.evaluate(f"mount({json.dumps(SAID)}, {json.dumps(sorted(PARTS))})")


def tell(page: Any, of: str, kind: str) -> None:
    page.evaluate(f"tell({json.dumps({'key': 'live', 'kind': kind, **note(of).__dict__})})")


def show(page: Any, **changes: object) -> None:
    """What Python sends next."""
    page.evaluate(f"show({json.dumps({**SAID, **replace(VIEW, **changes).said()})}, 0)")  # type: ignore[arg-type]


def live(page: Any, script: str) -> Any:
    """What a script says of the first component, `live`."""
    return page.evaluate(f"(() => {{ const live = roots[0].framematchLive; return {script}; }})()")


def picture(page: Any, name: str = "wide") -> bytes:
    """The pixels of a view once the hand has rested."""
    page.wait_for_function("(({lively, frame, counting}) => !lively && !frame && !counting)(roots[0].framematchLive)")
    page.wait_for_timeout(60)
    shot: bytes = page.locator(f".live .{name} .picture").first.screenshot()
    return shot


def drag(page: Any, name: str, shares: list[float]) -> None:
    page.locator(f".live .{name} input").first.scroll_into_view_if_needed()
    box = page.locator(f".live .{name} input").first.bounding_box()
    page.mouse.move(box["x"] + box["width"] * shares[0], box["y"] + box["height"] / 2)
    page.mouse.down()
    for share in shares[1:]:
        page.mouse.move(box["x"] + box["width"] * share, box["y"] + box["height"] / 2)


def test_both_views_follow_the_pointer_and_python_hears_of_it_once(page: Any) -> None:
    before = picture(page), picture(page, "frame")
    page.evaluate("roots[0].querySelector('.distance input').addEventListener('input', () => window.steps = (window.steps || 0) + 1)")
    drag(page, "distance", [i / 10 for i in range(1, 10)])
    assert page.evaluate("sent") == []
    assert live(page, "live.moves") == page.evaluate("steps") >= 5
    page.mouse.up()
    assert page.evaluate("sent") == [["hand", {"n": 1, "distance_m": VIEW.stops_m[live(page, "live.stop")], "focal_mm": VIEW.focals_mm[VIEW.focal]}]]
    assert page.locator(".distance .out").inner_text() == SAID["stops"][live(page, "live.stop")]
    assert page.locator(".numbers").inner_text() == NUMBERS[live(page, "live.stop")]
    assert before[0] != picture(page) and before[1] != picture(page, "frame")
    label = page.locator(".wide .picture").get_attribute("aria-label")
    assert SAID["stops"][live(page, "live.stop")] in label and NUMBERS[live(page, "live.stop")] in label


def test_an_older_answer_does_not_pull_the_slider_back(page: Any) -> None:
    slider = page.get_by_label("Distance to what is filmed")
    slider.focus()
    slider.press("ArrowRight")
    slider.press("ArrowRight")
    show(page, stop=4, seen=1)  # Python's answer to the first of the two
    assert live(page, "live.stop") == 5
    show(page, stop=5, seen=2)
    show(page, stop=1, seen=2)  # Python moved it itself: an undo
    assert live(page, "live.stop") == 1


def test_the_focal_length_follows_and_the_guide_pales_until_its_own_comes(page: Any) -> None:
    before = picture(page, "frame")
    slider = page.get_by_label("Recording focal length")
    slider.focus()
    slider.press("ArrowRight")
    assert picture(page, "frame") != before
    assert page.locator(".live.stale").count() == 1 and "follow" in page.locator(".numbers").inner_text()
    show(page, focal=VIEW.focal + 1, seen=1, of="19 mm")
    assert page.locator(".live.stale").count() == 1
    for kind in ("first", "whole"):
        tell(page, "19 mm", kind)
        page.wait_for_function("!roots[0].querySelector('.live.stale')")
        assert page.locator(".numbers").inner_text() == note("19 mm").numbers[VIEW.stop]


def test_the_picture_comes_within_two_frames_of_the_pointer(page: Any) -> None:
    frames = page.evaluate("""new Promise(done => {
      const live = roots[0].framematchLive, draw = live.painter.draw.bind(live.painter), input = roots[0].querySelector('.distance input');
      let frame = 0, asked = -1;
      live.painter.draw = (how) => { const out = draw(how); if (asked >= 0) done(frame - asked); return out; };
      const tick = () => {
        frame += 1;
        if (frame === 3) { asked = frame; input.value = 6; input.dispatchEvent(new Event('input')); }
        requestAnimationFrame(tick);
      };
      requestAnimationFrame(tick);
    })""")
    assert frames <= 2


def test_the_run_plays_stops_and_steps(page: Any) -> None:
    at_first = page.locator(".time .out").inner_text()
    page.get_by_role("button", name="One frame on").click()
    page.wait_for_function("said => roots[0].querySelector('.time .out').innerText !== said", arg=at_first)
    first = page.locator(".time .out").inner_text()
    page.get_by_role("button", name="One frame on").click()
    page.wait_for_function("said => roots[0].querySelector('.time .out').innerText !== said", arg=first)
    second = page.locator(".time .out").inner_text()
    seconds = [float(re.match(r"(-?\d+\.\d+) s", text)[1]) for text in (first, second)]  # type: ignore[index]
    assert seconds[1] - seconds[0] == pytest.approx(1 / 24, abs=0.011)
    page.evaluate("(() => { const e = roots[0].querySelector('.time input'); e.value = e.max * 0.9; e.dispatchEvent(new Event('input')); })()")
    page.get_by_role("button", name="Play the run").click()
    page.wait_for_function("roots[0].framematchLive.playing === false", timeout=60_000)
    assert "past the opening" in page.locator(".time .out").inner_text()
    assert page.get_by_role("button", name="Play the run").count() == 1
    end = picture(page)
    page.evaluate("(() => { const e = roots[0].querySelector('.time input'); e.value = 5; e.dispatchEvent(new Event('input')); })()")
    assert picture(page) != end and "before the opening" in page.locator(".time .out").inner_text()
    assert page.evaluate("sent") == []


def test_the_run_takes_as_long_as_it_is_flown(page: Any) -> None:
    """A slow screen shows fewer pictures, never a slower flight: after half a second of playing half a second has been flown."""
    flown = page.evaluate("""new Promise(done => {
      const live = roots[0].framematchLive, from = [];
      const tick = now => {
        if (live.playing && live.then === now) {
          if (!from.length) from.push(now, live.time);
          else if (now - from[0] > 300) return done([(live.time - from[1]) / live.path.rate, (now - from[0]) / 1000]);
        }
        requestAnimationFrame(tick);
      };
      roots[0].querySelector('.speed select').value = "0.25";
      live.play(true);
      requestAnimationFrame(tick);
    })""")
    assert flown[0] * 4 == pytest.approx(flown[1], rel=0.02)


def test_the_look_from_outside_turns_under_hand_and_keys_and_goes_back(page: Any) -> None:
    inside = picture(page)
    page.get_by_role("button", name="Look from outside").click()
    outside = picture(page)
    assert outside != inside and "outside" in page.locator(".wide .picture").get_attribute("aria-label")
    page.locator(".wide .picture").scroll_into_view_if_needed()
    box = page.locator(".wide .picture").bounding_box()
    page.mouse.move(box["x"] + 100, box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + 180, box["y"] + 80)
    page.mouse.up()
    turned = picture(page)
    assert turned != outside
    page.locator(".wide .picture").focus()
    page.keyboard.press("ArrowLeft")
    assert picture(page) != turned
    page.keyboard.press("Escape")
    assert page.get_by_role("button", name="Look from outside").get_attribute("aria-pressed") == "false"
    page.mouse.move(5, 5)
    assert picture(page) == inside


def test_the_opening_is_placed_by_two_clicks_and_points_are_dragged(page: Any) -> None:
    """Clicks on the doorway's lower left and upper right corner, where a camera of trimesh's sees them, give those corners back."""
    page.set_viewport_size({"width": 820, "height": 700})  # a click is as true as a pixel is small
    page.get_by_role("button", name="Look from outside").click()
    assert page.get_by_role("button", name="Place the opening").is_hidden()
    path = (0.0, 1.6, 4.0)
    show(page, opening=True, points=(("1", path),))
    picture(page)
    eye = live(page, "live.eye(live.pose())")

    def seen(point: tuple[float, float, float]) -> tuple[float, float]:
        """A pinhole as trimesh's own scene camera: focal length from its angle of view, axes turned from right, down, out to glTF's."""
        from trimesh.scene.cameras import Camera

        page.locator(".wide .picture").scroll_into_view_if_needed()
        box = page.locator(".wide .picture").bounding_box()
        height = 2 * math.degrees(math.atan(eye["slope"]))
        width = 2 * math.degrees(math.atan(eye["slope"] * box["width"] / box["height"]))
        camera = Camera(resolution=(box["width"], box["height"]), fov=(width, height))
        place = np.linalg.inv(np.array(eye["turn"]).reshape(3, 3)) @ (np.array(point) - eye["at"])
        x, y, w = camera.K @ place
        return box["x"] + x / w, box["y"] + y / w

    page.get_by_role("button", name="Place the opening").click()
    assert "Click one corner" in page.locator(".state").inner_text()
    corners = [(-0.55, 0.05, 0.1), (0.55, 2.05, 0.1)]  # on the wall just beside the doorway's
    for corner in corners:
        page.mouse.click(*seen(corner))
    (said,) = [value for name, value in page.evaluate("sent") if name == "placed"]
    assert np.abs(np.array(said["corners"][:2]) - corners).max() < 0.03 and said["corners"][2] == eye["at"]
    assert page.get_by_role("button", name="Place the opening").get_attribute("aria-pressed") == "false"

    page.mouse.move(*seen(path))
    page.mouse.down()
    page.mouse.move(*seen((1.0, 1.6, 3.0)), steps=4)
    page.mouse.up()
    (_, moved) = [value for name, value in page.evaluate("sent") if name == "placed"]
    assert moved["point"] == 0 and np.abs(np.array(moved["at"]) - (1.0, 1.6, 3.0)).max() < 0.03
    page.get_by_role("button", name="Add a point").click()
    page.mouse.click(*seen((-1.0, 1.6, 2.0)))
    added = page.evaluate("sent")[-1][1]
    assert "point" not in added and np.abs(np.array(added["at"]) - (-1.0, 1.6, 2.0)).max() < 0.03


def test_a_ray_meets_the_triangle_that_trimesh_says(page: Any) -> None:
    """A hundred rays at a ball from within and without."""
    import trimesh

    ball = trimesh.creation.icosphere(subdivisions=2)
    rng = np.random.default_rng(5)
    places = np.float32(ball.triangles.reshape(-1))
    rays = [(rng.uniform(-2, 2, 3), rng.normal(size=3)) for _ in range(100)]
    asked = [{"from": a.tolist(), "way": (b / np.linalg.norm(b)).tolist()} for a, b in rays]
    script = """async ([places, rays]) => {
      const { firstHit } = await import('/live.js'), p = Float32Array.from(places);
      return rays.map(ray => firstHit(p, ray.from, ray.way));
    }"""
    found = page.evaluate(script, [places.tolist(), asked])
    for ask, far in zip(asked, found, strict=True):
        hits, *_ = ball.ray.intersects_location([ask["from"]], [ask["way"]])
        away = [d for d in np.linalg.norm(hits - ask["from"], axis=1) if d > 0.1]
        assert far == pytest.approx(min(away), abs=1e-4) if away else far is None or math.isinf(far)


@pytest.mark.at_length
def test_a_page_loaded_again_in_mid_drag_begins_anew(page: Any) -> None:
    drag(page, "distance", [0.2, 0.4, 0.6])
    assert live(page, "live.held") and page.evaluate("sent") == []
    page.reload()
    page.wait_for_function("window.ready")
    page.mouse.up()
    mount(page)
    page.wait_for_selector('.live[data-drawn="live"]')
    assert live(page, "live.stop") == VIEW.stop and not live(page, "live.held") and page.evaluate("sent") == []
    drag(page, "distance", [0.1, 0.5, 0.9])
    page.mouse.up()
    assert [name for name, _ in page.evaluate("sent")] == ["hand"]


def test_a_lost_context_comes_back_as_it_was(page: Any) -> None:
    before = picture(page)
    page.evaluate("window.lose = roots[0].framematchLive.painter.gl.getExtension('WEBGL_lose_context'); lose.loseContext()")
    page.wait_for_selector('.live[data-drawn="lost"]')
    assert "stopped drawing" in page.locator(".state").inner_text()
    page.evaluate("lose.restoreContext()")
    page.wait_for_selector('.live[data-drawn="live"]')
    assert picture(page) == before and page.locator(".state").inner_text() == ""


def test_a_context_lost_for_good_asks_for_the_servers_pictures(page: Any) -> None:
    page.evaluate("roots[0].framematchLive.painter.gl.getExtension('WEBGL_lose_context').loseContext()")
    page.wait_for_selector('.live[data-drawn="server"]', timeout=15_000)
    assert ["cannot", True] in page.evaluate("sent") and "server" in page.locator(".state").inner_text()
    show(page, server=(GUIDE, GUIDE))
    assert page.locator("img.server").count() == 2


@pytest.mark.at_length
def test_full_screen_the_same_is_recorded_though_the_frame_is_not_shown(page: Any) -> None:
    picture(page)
    hidden = live(page, "live.hidden")
    page.get_by_role("button", name="Full screen").click()
    page.wait_for_function("roots[0].querySelector('.live.whole') && !roots[0].querySelector('.frame .picture').clientHeight")
    live(page, "live.stir()")
    picture(page)
    assert live(page, "live.hidden") == pytest.approx(hidden, abs=1.0)  # 30 % more if the frame is judged at the one pixel that it has here


@pytest.mark.at_length
def test_a_window_of_another_size_and_a_phone_turned_are_drawn_in_full(page: Any) -> None:
    for size in ((1200, 700), (390, 844), (844, 390)):
        page.set_viewport_size({"width": size[0], "height": size[1]})
        page.wait_for_function("""() => {
          const live = roots[0].framematchLive, gl = live.part('canvas.gl'), box = gl.getBoundingClientRect();
          return gl.width === Math.round(box.width * devicePixelRatio) && gl.height === Math.round(box.height * devicePixelRatio) && !live.frame;
        }""")
        overflow = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        assert overflow <= 0, size
        shapes = page.evaluate("[...roots[0].querySelectorAll('.picture')].map(e => e.clientWidth / e.clientHeight)")
        assert shapes == pytest.approx(VIEW.said()["aspects"], rel=0.02)


@pytest.mark.at_length
def test_two_components_on_a_page_draw_the_same_and_one_may_go(page: Any) -> None:
    mount(page)
    page.wait_for_function("roots[1].querySelector('.live').dataset.drawn === 'live'")
    page.evaluate("ends[0]()")
    assert page.locator(".live").count() == 1
    page.evaluate("(() => { const e = roots[1].querySelector('.distance input'); e.value = 7; e.dispatchEvent(new Event('input')); })()")
    page.wait_for_function("roots[1].querySelector('.distance .out').textContent === '10 m'")


@pytest.mark.at_length
def test_a_tab_that_slept_goes_on(page: Any) -> None:
    tab = page.context.new_cdp_session(page)
    tab.send("Page.setWebLifecycleState", {"state": "frozen"})
    tab.send("Page.setWebLifecycleState", {"state": "active"})
    page.get_by_label("Distance to what is filmed").press("ArrowRight")
    page.wait_for_function("roots[0].querySelector('.distance .out').textContent === '4 m'")


def test_axe_has_nothing_to_say(page: Any) -> None:
    from axe_playwright_python.sync_playwright import Axe

    for outside in (False, True):
        if outside:
            page.get_by_role("button", name="Look from outside").click()
        found = Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
