"""Looking for the chart in many stills, one after another, with a reason for each that is of no use."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from framematch.errors import InputError
from framematch.measure.chart import Chart, Found, find_chart, mirrored
from framematch.measure.stills import named_stills, read_still

AT_ONCE = 2  # stills in memory at a time


@dataclass(frozen=True, kw_only=True, eq=False)
class Looked:
    """What came of one still.

    Args:
        name: as given.
        size_px: width and height, (0, 0) if it could not be read.
        found: the chart in it, or None.
        reason: why it is of no use; empty if it is.
    """

    name: str
    size_px: tuple[int, int]
    found: Found | None
    reason: str


def look_for_chart(names: Sequence[str], chart: Chart, *, told: Callable[[Looked], None] | None = None) -> list[Looked]:
    """Look for a chart in stills.

    Args:
        names: files, folders, patterns, video frames; see ``stills.named_stills``.
        told: called with each still's outcome, in order.

    Returns:
        One outcome for each still, in order. A still that shows the same picture as one before it, or
        that can't be read, has a reason and no chart.
    """
    files = named_stills(names)
    seen: dict[str, str] = {}
    out = []
    with ThreadPoolExecutor(max_workers=AT_ONCE) as pool:
        for name, (looked, digest) in zip(files, pool.map(lambda file: _look(file, chart), files), strict=True):
            if digest and digest in seen:
                looked = Looked(name=name, size_px=looked.size_px, found=None, reason=f"the same picture as {seen[digest]}")
            elif digest:
                seen[digest] = Path(name).name
            out.append(looked)
            if told is not None:
                told(looked)
    return out


def _look(name: str, chart: Chart) -> tuple[Looked, str]:
    try:
        still = read_still(name)
    except InputError as error:
        return Looked(name=name, size_px=(0, 0), found=None, reason=f"{error.problem}. {error.fix}".strip()), ""
    grey = still.grey
    found = find_chart(grey, chart, still=name)
    reason = ""
    if found is None:
        reason = "mirrored: the chart's marks read only from behind. Turn off the camera's mirror setting" if mirrored(grey, chart) else "no chart found"
    return Looked(name=name, size_px=still.size_px, found=found, reason=reason), still.digest


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
