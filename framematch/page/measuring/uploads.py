"""Stills handed over on the page: bounded in number and size, held in memory alone, told apart by what is in them."""

from __future__ import annotations

import base64
import hashlib
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import streamlit as st

from framematch.errors import InputError
from framematch.measure.stills import video_length_s, video_still
from framematch.page.look import as_typed, block, paragraph
from framematch.render.keep import Kept

KINDS = ["png", "jpg", "jpeg", "tif", "tiff"]
CLIPS = ["mp4", "mov", "mkv"]
MOST_STILLS, MOST_MB, MOST_TOGETHER_MB = 20, 32, 320
MOST_CLIP_MB = 250
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
        f"{label} (up to {MOST_STILLS}, {MOST_MB} MB each)", [*KINDS, *CLIPS], accept_multiple_files=True, key=key, max_upload_size=MOST_MB, help=about
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


def clip(label: str, key: str, about: str) -> Given | None:
    """A field for one whole clip."""
    file = st.file_uploader(f"{label} (up to {MOST_CLIP_MB} MB)", CLIPS, key=key, max_upload_size=MOST_CLIP_MB, help=about)
    return None if file is None else _named([file])[0]


def _given(files: Sequence[Any]) -> list[Given]:
    """The stills, of clips the frames chosen."""
    frames = (_frame_of(each) if Path(each.name).suffix.lower().removeprefix(".") in CLIPS else each for each in _named(files))
    return [each for each in frames if each is not None]


def _named(files: Sequence[Any]) -> list[Given]:
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


def _frame_of(clip: Given) -> Given | None:
    """A frame of a clip, chosen by a slider and shown; None, with the reason said, if it can't be read."""
    try:
        length = _length(clip)
        last = max(length - 0.05, 0.05)
        about = "Of one moment for both cameras."
        at = st.slider(f"Frame of {as_typed(clip.name)}, s", 0.0, last, min(1.0, last), step=0.04, key=f"clip:{clip.digest}", help=about)
        still = _still(clip, at)
    except InputError as error:
        st.html(block(paragraph(str(error), "fault")))
        return None
    st.html(block(f'<img class="drawing" src="data:image/jpeg;base64,{base64.b64encode(_small(still)).decode()}" alt="The frame at {at:.2f} s">'))
    return Given(name=f"{clip.name} at {at:.2f} s", digest=f"{clip.digest}@{at:.3f}", content=lambda: still)


_lengths: Kept[float] = Kept(limit_bytes=100_000, size=lambda _: 100)
_stills: Kept[bytes] = Kept(limit_bytes=96_000_000, size=len)


def _length(clip: Given) -> float:
    return _lengths.get(clip.digest, lambda: video_length_s(clip.name, clip.content()))


def _still(clip: Given, at: float) -> bytes:
    return _stills.get((clip.digest, round(at, 3)), lambda: video_still(clip.name, clip.content(), at))


def _small(still: bytes) -> bytes:
    from PIL import Image

    out = io.BytesIO()
    with Image.open(io.BytesIO(still)) as picture:
        picture.thumbnail((480, 360))
        picture.convert("RGB").save(out, "JPEG", quality=80)
    return out.getvalue()


def _new(name: str, others: Sequence[str]) -> str:
    count, made = 2, name
    while made in others:
        made = f"{name} ({count})"
        count += 1
    return made
