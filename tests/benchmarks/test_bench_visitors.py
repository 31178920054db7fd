"""Twenty visitors without WebGL on the sliders at once, whose pictures the server draws: no error, the right pictures, level memory.

Each visitor is a browser context of its own that presses keys on both sliders with pauses up to a second. In the
end each lets its hand rest: the sliders must then stand where the visitor's own keys put them, and the pictures it
sees are compared, byte for byte, with what the renderer gives here for that state. Memory is the
server's resident size, told every ten seconds; in the last quarter it may be at most 3 % above that of the quarter before, by medians. Set
FRAMEMATCH_VISITORS_SECONDS to let them move for longer or shorter than four minutes. Coming and resting have a bound each, so that the
whole ends within nine minutes more than that, or says what took too long.
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
from urllib.parse import parse_qsl, urlsplit

from browser import SHARP, STILL, served

from framematch.page.address import address_of, unpacked
from framematch.page.draft import Draft
from framematch.page.pictures import HEIGHT_PX, Wanted, pictures
from framematch.page.session import EXAMPLE
from framematch.page.views import DISTANCES_M, FIRST_DISTANCE_M, FOCAL_STEP_MM, focals_mm

VISITORS, SECONDS = 20, float(os.environ.get("FRAMEMATCH_VISITORS_SECONDS", "240"))
OTHER_MS = 20_000
OTHER = """
before => {
  const roots = [document, ...[...document.querySelectorAll('*')].map(e => e.shadowRoot).filter(root => root)];  // a component has a root of its own
  const frame = roots.map(root => root.querySelectorAll('.live img.server')[1]).find(image => image);
  return !!frame && frame.getAttribute('src') !== before;
}
"""
_PATIENCE_MS = 60_000  # for one thing that a visitor does
COME_S, REST_S = 420, 100  # for all to have come: twenty browsers that share nothing fetch the page's files at once; for one hand's end to be shown


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
    await within(COME_S, come(page, url), f"visitor {number} has come")
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
    found = await within(REST_S, rested(page, number, steps), f"the hand of visitor {number} rests and is shown")
    await context.close()
    return found


async def within(seconds, work, what):
    """What some work gives, or an end that says what did not come."""
    try:
        return await asyncio.wait_for(work, seconds)
    except TimeoutError as late:
        raise AssertionError(f"not within {seconds} s: {what}") from late


async def come(page, url):
    await page.goto(url, timeout=1000 * COME_S)
    await page.wait_for_selector(SHARP, timeout=1000 * COME_S)


async def rested(page, number, steps):
    """Both pictures that a visitor sees in the end, and what they are to show."""
    await page.evaluate(STILL, 3000)
    first_mm = Draft(text=EXAMPLE).file.recording.focal_mm
    wanted = DISTANCES_M[steps[0]], first_mm + FOCAL_STEP_MM * steps[1]
    sliders = [page.get_by_role("slider").nth(i) for i in (0, 1)]
    at = tuple([values[int(await slider.input_value())] for values, slider in zip((DISTANCES_M, focals_mm(first_mm)), sliders, strict=True)])
    assert at == wanted, f"the hand of visitor {number} went to {wanted}, its sliders to {at}"
    while True:  # with twenty at once the last run may begin seconds after the hand rests; it writes the address when its pictures are sent
        await page.wait_for_selector(SHARP)
        said = address_of(dict(parse_qsl(urlsplit(page.url).query)))
        draft = Draft(text=unpacked(said.link) if said.link else EXAMPLE)
        if (said.distance_m, draft.file.recording.focal_mm) == wanted:
            break
        await asyncio.sleep(0.5)
    await page.evaluate(STILL, 500)
    wide, frame = [await page.locator(".live img.server").nth(i).get_attribute("src") for i in (0, 1)]
    assert await page.locator("[data-testid=stException]").count() == 0
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
