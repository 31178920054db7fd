"""Stills of both views as the browser's module draws them, for comparing with the ray renderer's."""

from __future__ import annotations

import base64
import io
import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from browser import launched
from PIL import Image

import framematch.live
from framematch.live.component import module_text

ROOM = Path(framematch.live.__file__).parent
KINDS = {
    "live.js": "text/javascript",
    "foretold.js": "text/javascript",
    "part.js": "text/javascript",
    "note.js": "text/javascript",
    "live.css": "text/css",
    "foretold.css": "text/css",
}
ADDRESS = "http://127.0.0.1:9"  # nothing listens there: all that is asked for is answered by the test
PAGE = """<!doctype html><title>live</title><body style="margin:0"><script type="module">
import {Painter, opened} from "/live.js";
const bytes = async name => opened(await (await fetch(name)).arrayBuffer());
window.still = async ask => {
  const canvas = window.canvas ??= document.createElement("canvas");
  canvas.width = ask.width; canvas.height = ask.height;
  const painter = window.painter ??= new Painter(canvas);
  if (ask.scene) await painter.setScene(await bytes(ask.scene));
  if (ask.rig) painter.setRig(await bytes(ask.rig));
  painter.draw(ask);
  const error = painter.gl.getError();
  if (error) throw new Error("GL error " + error);
  return canvas.toDataURL();
};
window.ready = true;
</script>"""


@contextmanager
def live_browser(executable: str, *arguments: str) -> Iterator[Any]:
    """A browser that draws in software; with other arguments, as they say."""
    with launched(executable, *(arguments or ("--enable-unsafe-swiftshader",))) as found:
        yield found


def page_with(browser: Any, parts: dict[str, bytes], *, page_html: str = PAGE, size: tuple[int, int] = (800, 600)) -> Any:
    """A page that gets the module and what is in ``parts`` (which may grow) from the test and nothing from elsewhere."""

    def answer(route: Any) -> None:
        name = route.request.url.removeprefix(ADDRESS).lstrip("/")
        if name == "":
            route.fulfill(body=page_html, content_type="text/html")
        elif name in KINDS:
            text = module_text(name) if name in ("live.js", "foretold.js") else (ROOM / name).read_text(encoding="utf-8")
            route.fulfill(body=text, content_type=KINDS[name])
        elif name in parts:
            route.fulfill(body=parts[name], content_type="application/octet-stream")
        else:
            route.abort()

    page = browser.new_page(viewport={"width": size[0], "height": size[1]})
    page.said = []
    page.on("console", lambda m: page.said.append(m.text))
    page.on("pageerror", lambda e: page.said.append(str(e)))
    page.route("**/*", answer)
    page.goto(ADDRESS + "/")
    page.wait_for_function("window.ready")
    return page


def pose_said(scene_from_camera: np.ndarray) -> dict[str, list[float]]:
    """A (4, 4) pose as the module takes it."""
    return {"turn": scene_from_camera[:3, :3].ravel().tolist(), "at": scene_from_camera[:3, 3].tolist()}


def stills(
    page: Any, pose: np.ndarray, focal_mm: float, wide_px: tuple[int, int], frame_px: tuple[int, int], *, scene: str = "", rig: str = "", texels: float = 2.0
) -> tuple[np.ndarray, np.ndarray]:
    """Wide view and frame (H, W, 3); ``scene`` and ``rig`` name parts to take over first."""
    ask = {
        "width": wide_px[0] + frame_px[0],
        "height": max(wide_px[1], frame_px[1]),
        "pose": pose_said(pose),
        "focal": focal_mm,
        "boxes": {"wide": [0, 0, *wide_px], "frame": [wide_px[0], 0, *frame_px]},
        "scene": scene,
        "rig": rig,
        "texels": texels,
    }
    source = page.evaluate(f"still({json.dumps(ask)})")
    whole = np.asarray(Image.open(io.BytesIO(base64.b64decode(source.partition(",")[2]))).convert("RGB"))
    return whole[: wide_px[1], : wide_px[0]], whole[: frame_px[1], wide_px[0] :]
