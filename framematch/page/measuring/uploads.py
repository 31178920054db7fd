"""Stills handed over on the page: bounded in number and size, held in memory alone, told apart by what is in them."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import streamlit as st

from framematch.page.look import block, paragraph

KINDS = ["png", "jpg", "jpeg", "tif", "tiff"]
MOST_STILLS, MOST_MB, MOST_TOGETHER_MB = 20, 32, 320
_DIGESTS = "fm_digests"


@dataclass(frozen=True, kw_only=True, eq=False)
class Given:
    """One still.

    Args:
        name: its own, made different from the others'.
        digest: the same for files with the same bytes.
        content: gives the bytes.
    """

    name: str
    digest: str
    content: Callable[[], bytes]


def one(label: str, key: str, about: str) -> Given | None:
    """A field for one still."""
    file = st.file_uploader(f"{label} (up to {MOST_MB} MB)", KINDS, key=key, max_upload_size=MOST_MB, help=about)
    return None if file is None else _given([file])[0]


def many(label: str, key: str, about: str) -> list[Given]:
    """A field for several stills; in order of their names. Empty, with the reason said, if they are too many."""
    files = st.file_uploader(
        f"{label} (up to {MOST_STILLS}, {MOST_MB} MB each)", KINDS, accept_multiple_files=True, key=key, max_upload_size=MOST_MB, help=about
    )
    total = sum(file.size for file in files)
    fault = ""
    if len(files) > MOST_STILLS:
        fault = f"{len(files)} stills are more than {MOST_STILLS}: take some out, the most alike first."
    elif total > MOST_TOGETHER_MB * 1e6:
        fault = f"Together they are {total / 1e6:.0f} MB, more than {MOST_TOGETHER_MB}: take some out, or save them as JPEG."
    if fault:
        st.html(block(paragraph(fault, "fault")))
        return []
    return _given(sorted(files, key=lambda file: str(file.name)))


def _given(files: Sequence[Any]) -> list[Given]:
    digests: dict[str, str] = st.session_state.setdefault(_DIGESTS, {})
    names: list[str] = []
    out = []
    for file in files:
        if file.file_id not in digests:
            while len(digests) > 8 * MOST_STILLS:
                digests.pop(next(iter(digests)))
            digests[file.file_id] = hashlib.blake2b(file.getvalue(), digest_size=16).hexdigest()
        names.append(_new(Path(str(file.name)).name, names))
        out.append(Given(name=names[-1], digest=digests[file.file_id], content=file.getvalue))
    return out


def _new(name: str, others: Sequence[str]) -> str:
    count, made = 2, name
    while made in others:
        made = f"{name} ({count})"
        count += 1
    return made
