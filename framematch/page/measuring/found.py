"""The chart looked for in uploaded stills, with pictures of what was found; kept by content."""

from __future__ import annotations

import io
from collections.abc import Hashable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from framematch.geometry.pairing import Pairing
from framematch.measure.chart import Chart
from framematch.measure.finding import AT_ONCE, SMALL_PX, Looked, look_in, once
from framematch.measure.pictures import found_picture
from framematch.page.measuring.uploads import Given
from framematch.progress import Stopped, step
from framematch.render.keep import Kept

if TYPE_CHECKING:
    from PIL.Image import Image as PillowImage

_THUMB_PX = (320, 240)


@dataclass(frozen=True, kw_only=True, eq=False)
class Seen:
    """What came of one still, and pictures of it as JPEG files; empty ones if it could not be read."""

    looked: Looked
    thumb: bytes
    large: bytes

    @property
    def nbytes(self) -> int:
        """About how much memory it takes."""
        return len(self.thumb) + len(self.large) + 20_000


_kept: Kept[Seen] = Kept(limit_bytes=48_000_000, size=lambda seen: seen.nbytes)


def look(stills: Sequence[Given], chart: Chart, *, whose: str = "", goggles: Pairing | None = None) -> list[Seen]:
    """What came of each still, in order; ``goggles`` as in ``finding.look_in``."""
    step(_words(0, len(stills), whose))
    out: list[Seen] = []
    with ThreadPoolExecutor(max_workers=AT_ONCE) as pool:
        try:
            for seen in pool.map(lambda still: _seen(still, chart, goggles), stills):
                out.append(replace(seen, looked=once(seen.looked, [each.looked for each in out])))
                step(_words(len(out), len(stills), whose))
        except Stopped:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return out


def shown_like(pairing: Pairing) -> Hashable:
    """What of a pairing says which stills are the goggles' recordings; the same once a lens measured from them is taken over."""
    display = pairing.display
    return display.raster_px, display.fit, round(display.source_px[0] / display.source_px[1], 3)


def _words(done: int, count: int, whose: str) -> str:
    return f"Looking for the chart: {done} of {count} {whose}stills done"


def _seen(still: Given, chart: Chart, goggles: Pairing | None) -> Seen:
    seen = _kept.get((still.digest, chart, goggles and goggles.display), lambda: _make(still, chart, goggles))
    named = replace(seen.looked, name=still.name, found=seen.looked.found and replace(seen.looked.found, still=still.name))
    return replace(seen, looked=named)


def _make(still: Given, chart: Chart, goggles: Pairing | None) -> Seen:
    looked = look_in(still.name, chart, content=still.content(), goggles=goggles)
    pictures = [found_picture(looked, size) for size in (_THUMB_PX, (SMALL_PX, SMALL_PX))]
    return Seen(looked=replace(looked, small=None), thumb=jpeg(pictures[0]), large=jpeg(pictures[1]))


def jpeg(picture: PillowImage | None) -> bytes:
    """A Pillow picture as a JPEG file; empty for none."""
    if picture is None:
        return b""
    out = io.BytesIO()
    picture.convert("RGB").save(out, "JPEG", quality=84)
    return out.getvalue()
