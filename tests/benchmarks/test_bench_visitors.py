"""Twenty visitors without WebGL on the sliders at once, whose pictures the server draws: no error, the right pictures, level memory.

Each visitor is a browser context of its own that presses keys on both sliders with pauses up to a second. In the
end each lets its hand rest: the sliders must then stand where the visitor's own keys put them, and the pictures it
sees are compared, byte for byte, with what the renderer gives here for that state. Memory is the
server's resident size, told every ten seconds; in the last quarter it may be at most 3 % above that of the quarter before, by medians. Set
FRAMEMATCH_VISITORS_SECONDS to let them move for longer or shorter than four minutes.
"""

from __future__ import annotations

import asyncio
import base64
import os
import random
import re
import statistics
import time
from contextlib import suppress
from pathlib import Path

from browser import SHARP, STILL, served

from framematch.guide.shown import metres
from framematch.page.address import unpacked
from framematch.page.draft import Draft
from framematch.page.pictures import HEIGHT_PX, Wanted, pictures
from framematch.page.session import EXAMPLE
from framematch.page.views import DISTANCES_M, FIRST_DISTANCE_M, FOCAL_STEP_MM

VISITORS, SECONDS = 20, float(os.environ.get("FRAMEMATCH_VISITORS_SECONDS", "240"))
OTHER_MS = 20_000
OTHER = """
before => {
  const roots = [document, ...[...document.querySelectorAll('*')].map(e => e.shadowRoot).filter(root => root)];  // a component has a root of its own
  const frame = roots.map(root => root.querySelectorAll('.live img.server')[1]).find(image => image);
  return !!frame && frame.getAttribute('src') !== before;
}
"""
_PATIENCE_MS = 300_000


def resident_mb(port):
    """Resident memory of the process that listens, and of those it started."""
    total = 0.0
    for process in Path("/proc").iterdir():
        if process.name.isdigit():
            try:
                if f"--server.port={port}" in (process / "cmdline").read_text():
                    total += int(re.search(r"VmRSS:\s+(\d+)", (process / "status").read_text())[1]) / 1024
            except (OSError, TypeError):  # it ended while we looked
                continue
    return total


async def visitor(browser, url, number, seen):
    from playwright.async_api import TimeoutError as TooLate

    random_ = random.Random(number)
    context = await browser.new_context(viewport={"width": 900, "height": 700})
    page = await context.new_page()
    page.set_default_timeout(_PATIENCE_MS)
    page.on("pageerror", lambda error: seen["errors"].append(str(error)))
    await page.goto(url)
    await page.wait_for_selector(SHARP)
    seen["here"] += 1
    while not seen["until"]:
        await asyncio.sleep(0.2)
    steps = [DISTANCES_M.index(FIRST_DISTANCE_M), 0]
    while time.monotonic() < seen["until"]:
        before = await page.locator(".live img.server").nth(1).get_attribute("src")
        which, way = random_.randrange(2), random_.choice([1, -1])
        start = time.monotonic()
        await page.get_by_role("slider").nth(which).press("ArrowRight" if way > 0 else "ArrowLeft")
        steps[which] += way
        with suppress(TooLate):  # a step and back may end in the very picture there was
            await page.wait_for_function(OTHER, arg=before, timeout=OTHER_MS)
            seen["ms"].append(1000 * (time.monotonic() - start))
        await asyncio.sleep(random_.random())
    await page.evaluate(STILL, 3000)
    first_mm = Draft(text=EXAMPLE).file.recording.focal_mm
    wanted = DISTANCES_M[steps[0]], first_mm + FOCAL_STEP_MM * steps[1]
    sliders = [page.get_by_role("slider").nth(i) for i in (0, 1)]
    at = DISTANCES_M[int(await sliders[0].input_value())], float(await sliders[1].input_value())
    assert at == wanted, f"the hand of visitor {number} went to {wanted}, its sliders to {at}"
    draft, late = Draft(text=EXAMPLE), time.monotonic() + 120
    while time.monotonic() < late:  # with twenty at once the last run may begin seconds after the hand rests
        await page.wait_for_selector(SHARP)
        link = re.search(r"[?&]p=([\w-]+)", page.url)
        draft = Draft(text=unpacked(link[1]) if link else EXAMPLE)
        shown = await page.locator(".live img.server").nth(1).get_attribute("alt")
        if draft.file.recording.focal_mm == wanted[1] and f" at {metres(wanted[0])}." in shown:
            break
        await asyncio.sleep(0.5)
    await page.evaluate(STILL, 500)
    assert draft.file.recording.focal_mm == wanted[1], f"visitor {number} is at {wanted}, its page at {draft.file.recording.focal_mm:g} mm"
    wide, frame = [await page.locator(".live img.server").nth(i).get_attribute("src") for i in (0, 1)]
    assert await page.locator("[data-testid=stException]").count() == 0
    await context.close()
    return wide, frame, Wanted(pairing=draft.pairing, shot=draft.shot, distance_m=wanted[0], height_px=HEIGHT_PX)


async def crowd(chromium, url):
    from playwright.async_api import async_playwright

    seen = {"here": 0, "until": 0.0, "ms": [], "errors": [], "memory": []}

    async def watch():
        while seen["here"] < VISITORS:
            await asyncio.sleep(0.2)
        start = time.monotonic()
        seen["until"] = start + SECONDS
        while time.monotonic() < seen["until"]:
            seen["memory"].append((time.monotonic() - start, resident_mb(url.rsplit(":", 1)[1])))
            await asyncio.sleep(2)

    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu", "--disable-3d-apis"])
        _, *found = await asyncio.gather(watch(), *(visitor(browser, url, number, seen) for number in range(VISITORS)))
        await browser.close()
    return seen, found


def test_twenty_visitors(chromium, benchmark):
    with served() as url:
        seen, found = asyncio.run(crowd(chromium, url))
    assert not seen["errors"]
    wrong = 0
    for wide, frame, wanted in found:
        right = pictures(wanted)
        wrong += wide.partition(",")[2] != base64.b64encode(right.wide).decode() or frame.partition(",")[2] != base64.b64encode(right.frame).decode()
    benchmark.pedantic(lambda: None, rounds=1)
    quarters = [[mb for at, mb in seen["memory"] if n * SECONDS / 4 <= at < (n + 1) * SECONDS / 4] for n in range(4)]
    medians = [statistics.median(quarter) for quarter in quarters]
    ms = sorted(seen["ms"])
    benchmark.extra_info["moves"] = f"{len(ms)} by {VISITORS} visitors, median {statistics.median(ms):.0f} ms, 95 % {ms[round(0.95 * (len(ms) - 1))]:.0f} ms"
    benchmark.extra_info["right pictures"] = f"{len(found) - wrong} of {len(found)}"
    benchmark.extra_info["memory MB, each 10 s"] = " ".join(f"{mb:.0f}" for _, mb in seen["memory"][::5])
    benchmark.extra_info["memory, last quarter over the one before"] = round(medians[3] / medians[2], 3)
    assert wrong == 0
    assert medians[3] <= 1.03 * medians[2]
