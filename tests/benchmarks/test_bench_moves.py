"""What a visitor's move costs the server: drawn by the visitor's browser, and drawn by the server for a browser that can't.

Processor time of the process that serves, read from ``/proc`` before and after the same presses on both sliders, so that
a busy machine changes little. Twenty visitors who move once a second cost twenty times as much a second.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from browser import browser, opened, served, settle

MOVES = 24


def processor_s(port: str) -> float:
    """Processor time in seconds of the process that listens."""
    for process in Path("/proc").iterdir():
        if process.name.isdigit() and f"--server.port={port}".encode() in (process / "cmdline").read_bytes():
            after_name = (process / "stat").read_text().rpartition(")")[2].split()
            return (int(after_name[11]) + int(after_name[12])) / os.sysconf("SC_CLK_TCK")
    raise AssertionError("nothing serves there")


def cost_s(chromium: str, url: str, *, webgl: bool) -> float:
    """Seconds of the server's processor for each move of a visitor."""
    port = url.rsplit(":", 1)[1]
    with browser(chromium, webgl=webgl) as where:
        page = opened(where, url)
        sliders = page.locator(".live .distance input"), page.locator(".live .focal input")
        for slider in sliders:  # what is packed or drawn once
            slider.press("ArrowRight")
            settle(page)
        before = processor_s(port)
        for move in range(MOVES):
            sliders[move % 2].press("ArrowRight")
            settle(page)
        spent = processor_s(port) - before
        page.close()
    return spent / MOVES


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_what_a_move_costs_the_server(chromium, benchmark):
    with served() as url:
        by_server, by_browser = (cost_s(chromium, url, webgl=webgl) for webgl in (False, True))
    benchmark.pedantic(lambda: None, rounds=1)
    benchmark.extra_info["server's processor ms a move"] = f"drawn by the browser {1000 * by_browser:.0f}, by the server {1000 * by_server:.0f}"
    benchmark.extra_info["drawn by the browser over by the server"] = by_browser / by_server
