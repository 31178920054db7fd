"""A browser that can't draw says so at once and shows what the server draws."""

from __future__ import annotations

import json

from live_component_page import HARNESS, PARTS, SAID
from live_sample import GUIDE
from live_stills import live_browser, page_with


def test_without_webgl_the_servers_pictures_are_asked_for_at_once_and_shown(chromium: str) -> None:
    with live_browser(chromium, "--disable-3d-apis") as browser:
        page = page_with(browser, PARTS, page_html=HARNESS)
        page.evaluate(f"mount({json.dumps(SAID)}, {json.dumps(sorted(PARTS))})")
        page.wait_for_selector('.live[data-drawn="server"]')
        assert page.evaluate("sent")[0] == ["cannot", True] and "can't draw" in page.locator(".state").inner_text()
        page.evaluate(f"show({json.dumps({**SAID, 'server': [GUIDE, GUIDE]})}, 0)")
        assert page.locator("img.server").count() == 2 and not page.locator(".wait").first.is_visible()
