"""Looking for the chart in many stills, one after another, with a reason for each that is of no use."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.measure.chart import MIRRORED, UNTOLD, Chart, Found, find_chart, mirrored, way_round
from framematch.measure.goggles import undone
from framematch.measure.stills import Still, named_stills, read_still

AT_ONCE = 2  # stills in memory at a time
SMALL_PX = 1200  # the long side of the copy that pictures of what was found are drawn on


@dataclass(frozen=True, kw_only=True, eq=False)
class Looked:
    """What came of one still.

    Args:
        name: as given.
        size_px: width and height, (0, 0) if it could not be read.
        found: the chart in it, or None.
        reason: why it is of no use; empty if it is.
        small: a small grey copy (height, width), None if it could not be read.
        digest: the same for two stills with the same pixels; empty if it could not be read.
        way: whether the chart is seen as printed, as ``chart.way_round`` tells.
        recorded_px: size of the goggles' recording that the still was brought back from; None for the camera's own.
    """

    name: str
    size_px: tuple[int, int]
    found: Found | None
    reason: str
    small: NDArray[np.uint8] | None = None
    digest: str = ""
    way: str = UNTOLD
    recorded_px: tuple[int, int] | None = None


def look_for_chart(names: Sequence[str], chart: Chart, *, told: Callable[[Looked], None] | None = None, goggles: Pairing | None = None) -> list[Looked]:
    """Look for a chart in stills.

    Args:
        names: files, folders, patterns, video frames; see ``stills.named_stills``.
        told: called with each still's outcome, in order.
        goggles: as :func:`look_in` has it.

    Returns:
        One outcome for each still, in order. A still that shows the same picture as one before it, or
        that can't be read, has a reason and no chart.
    """
    out: list[Looked] = []
    with ThreadPoolExecutor(max_workers=AT_ONCE) as pool:
        for looked in pool.map(lambda file: look_in(file, chart, goggles=goggles), named_stills(names)):
            out.append(once(looked, out))
            if told is not None:
                told(out[-1])
    return out


def look_in(name: str, chart: Chart, *, content: bytes | None = None, goggles: Pairing | None = None) -> Looked:
    """Look for a chart in one still.

    Args:
        content: as in ``stills.read_still``.
        goggles: whose goggles' recordings are brought back to the monitoring camera's own picture first.
    """
    try:
        taken = read_still(name, content=content)
    except InputError as error:
        return Looked(name=name, size_px=(0, 0), found=None, reason=f"{error.problem}. {error.fix}".strip())
    still = taken if goggles is None else undone(taken, goggles)
    grey = still.grey
    found = find_chart(grey, chart, still=name)
    reason = ""
    if found is None:
        reason = "mirrored: the chart's marks read only from behind. Turn off the camera's mirror setting" if mirrored(grey, chart) else "no chart found"
    way = UNTOLD if found is None else way_round(grey, chart, found)
    if way == MIRRORED:
        found, reason = None, "mirrored: what is printed below the chessboard stands above it. Turn off the camera's mirror setting"
    recorded_px = None if still is taken else taken.size_px
    return Looked(name=name, size_px=still.size_px, found=found, reason=reason, small=_small(still), digest=still.digest, way=way, recorded_px=recorded_px)


def once(looked: Looked, before: Sequence[Looked]) -> Looked:
    """The outcome, or that the still shows the same picture as one of those before it."""
    same = next((each for each in before if looked.digest and each.digest == looked.digest), None)
    return looked if same is None else replace(looked, found=None, reason=f"the same picture as {Path(same.name).name}")


def _small(still: Still) -> NDArray[np.uint8]:
    import cv2

    scale = min(1.0, SMALL_PX / max(still.size_px))
    width, height = (max(1, round(n * scale)) for n in still.size_px)
    return np.asarray(cv2.resize(still.grey, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def usable(looked: Sequence[Looked]) -> list[Found]:
    """The charts found.

    Raises:
        InputError: none was; it says why for the first still.
    """
    found = [each.found for each in looked if each.found is not None]
    if not found:
        first = looked[0] if looked else None
        raise InputError(
            f"no still shows the chart; {Path(first.name).name}: {first.reason}" if first else "no stills given",
            fix="check the chart's name against what is printed on it, and light and focus",
        )
    return found
