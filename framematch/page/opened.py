"""The pairings that the page was started with."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path

OPENED = "FRAMEMATCH_OPENED"  # names the file that hands them to the page's process


def bundle(paths: Sequence[Path]) -> str:
    """Pairing files' texts by name, for the page's process; each reads.

    Raises:
        InputError: a file that is no pairing, or that the page could not hold.
    """
    from framematch.page.draft import MOST_BYTES, text_from_upload
    from framematch.text.whole import read_bytes

    return json.dumps({str(path): text_from_upload(read_bytes(path, limit=MOST_BYTES), name=str(path)) for path in paths})


@lru_cache(maxsize=1)
def opened() -> Mapping[str, str]:
    """Texts by file name, the first to be shown first; empty without any."""
    held = os.environ.get(OPENED)
    if held is None:
        return {}
    texts: dict[str, str] = json.loads(Path(held).read_text(encoding="utf-8"))
    return {Path(name).name: text for name, text in texts.items()}
