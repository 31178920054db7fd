"""Pairs of clips that a check must refuse, each with the right reason: ``python tests/acceptance/unsuitable_clips.py``, or with some kinds' names.

Made by the generator of ``tests/helpers/flown_clips.py``, which shares no code with framematch; the tests take some of them.
"""

from __future__ import annotations

import re
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))

from clip_rigs import pairing_of
from flown_clips import Eye, Flight, still_hall, write_clips, write_monitoring, write_recording

from framematch.clips.together import check_clips
from framematch.errors import InputError

Clips = tuple[Path, Path]
USUAL = Flight(
    seed=31,
    length_s=6.0,
    offset_s=0.4,
    recording=Eye(straight=True, view_deg=45.0, size_px=(320, 180), fps=25.0, readout_s=0.012),
    monitoring=Eye(straight=False, view_deg=110.0, size_px=(320, 180), fps=25.0, readout_s=0.008),
)


def _two(first: Flight, second: Flight, folder: Path) -> Clips:
    """The recording clip of one flight and the monitoring clip of another."""
    return write_recording(first, folder), write_monitoring(second, folder)


def _swapped(folder: Path) -> Clips:
    return write_clips(USUAL, folder)[::-1]


def _twice(folder: Path) -> Clips:
    return (write_recording(USUAL, folder),) * 2


KINDS: dict[str, tuple[Callable[[Path], Clips], str]] = {
    "no turning": (lambda d: write_clips(still_hall(USUAL), d), r"turns by only"),
    "no overlap": (lambda d: _two(USUAL, replace(USUAL, length_s=26.0, offset_s=20.0), d), r"do not turn alike|overlap by less"),
    "other flight": (lambda d: _two(USUAL, replace(USUAL, seed=47), d), r"do not turn alike"),
    "recording stabilised": (lambda d: _two(replace(USUAL, smoothed_s=0.4), USUAL, d), r"stabilised"),
    "monitoring stabilised": (lambda d: _two(USUAL, replace(USUAL, smoothed_s=0.4), d), r"stabilised"),
    "too blurred": (lambda d: write_clips(replace(USUAL, blur_px=14.0, noise=6.0), d), r"too blurred|too little detail"),
    "of seconds": (lambda d: write_clips(replace(USUAL, length_s=2.6), d), r"lasts \d\.\d s"),
    "of another shape": (
        lambda d: _two(USUAL, replace(USUAL, monitoring=replace(USUAL.monitoring, size_px=(240, 180))), d),
        r"uncropped|3:2|shape",
    ),
    "swapped": (_swapped, r"do not turn alike|two lenses|swapped"),
    "the same twice": (_twice, r"same clip"),
    "the same turn again and again": (lambda d: write_clips(replace(USUAL, length_s=9.0, period_s=1.5), d), r"fit nearly alike"),
    "frames lost in silence": (lambda d: write_clips(replace(USUAL, length_s=8.0, silent_s=(3.0, 0.3)), d), r"time stamps part"),
}


def said(kind: str, folder: Path) -> tuple[bool, str]:
    """Whether a kind is refused with its reason, and what was said."""
    make, reason = KINDS[kind]
    clips = make(folder)
    try:
        found = check_clips(pairing_of(USUAL), *clips)
    except InputError as error:
        return bool(re.search(reason, str(error))), str(error)
    return False, f"ACCEPTED, known to {found.checked.known_percent:.2f} %"


def main(kinds: list[str]) -> None:
    """Run them and print what was said."""
    right = 0
    for kind in kinds:
        with tempfile.TemporaryDirectory() as folder:
            fits, words = said(kind, Path(folder))
        right += fits
        print(f"{kind}: {'right' if fits else 'WRONG'}: {words}", flush=True)
    print(f"{right} of {len(kinds)} refused with the right reason")


if __name__ == "__main__":
    main(sys.argv[1:] or list(KINDS))
