"""Stills handed over on the page: bounded in number and size, held in memory alone, told apart by what is in them."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import streamlit as st

from framematch.errors import InputError
from framematch.measure.stills import video_length_s, video_still
from framematch.page.door import MOST_TOGETHER_MB
from framematch.page.kept_choices import kept
from framematch.page.look import as_typed, block, paragraph, picture_source
from framematch.render.keep import Kept

KINDS = ["png", "jpg", "jpeg", "tif", "tiff"]
CLIPS = ["mp4", "mov", "mkv"]
MOST_STILLS, MOST_MB = 20, 32
_DIGESTS, _KEPT = "fm_digests", "fm_uploads"  # _KEPT: by field, what it held before it was last out of sight, and what it holds now
MOST_CLIP_MB = 150


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
    words = f"{label} (up to {MOST_MB} MB)"
    file = st.file_uploader(words, [*KINDS, *CLIPS], key=key, max_upload_size=MOST_MB, help=about, on_change=_changed, args=(key,))
    return next(iter(_given(_with_kept(key, [] if file is None else [file], most=1))), None)


def many(label: str, key: str, about: str) -> list[Given]:
    """A field for several stills; in order of their names. Empty, with the reason said, if they are too many."""
    words = f"{label} (up to {MOST_STILLS}, {MOST_MB} MB each)"
    files = _with_kept(
        key,
        st.file_uploader(words, [*KINDS, *CLIPS], accept_multiple_files=True, key=key, max_upload_size=MOST_MB, help=about, on_change=_changed, args=(key,)),
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
    words = f"{label} (up to {MOST_CLIP_MB} MB)"
    file = st.file_uploader(words, CLIPS, key=key, max_upload_size=MOST_CLIP_MB, help=about, on_change=_changed, args=(key,))
    return next(iter(_named(_with_kept(key, [] if file is None else [file], most=1))), None)


def _with_kept(key: str, now: Sequence[Any], *, most: int = MOST_STILLS) -> list[Any]:
    """What a field holds, with what it held before its area was left, which Streamlit forgets; of that no more than there is room for."""
    held: dict[str, tuple[tuple[Any, ...], tuple[Any, ...]]] = st.session_state.setdefault(_KEPT, {})
    before, last = held.get(key, ((), ()))
    if last and not now:  # nobody took them out, or `_changed` would have heard of it
        before = (*before, *last)[-most:]
        while sum(file.size for file in before) > MOST_TOGETHER_MB * 1e6:
            before = before[1:]
    if most == 1 and now:
        before = ()
    held[key] = (before, tuple(now))
    if before:
        names = ", ".join(Path(str(file.name)).name for file in before)
        with st.container(horizontal=True, vertical_alignment="center"):
            st.html(block(paragraph(f"Still here: {names}", "quiet")))
            st.button("Take out", key=f"{key}:out", on_click=_let_go, args=(key,))
    return [*before, *now]


def _changed(key: str) -> None:
    """What the hand put in or took out; for callbacks."""
    now = st.session_state.get(key) or []
    held = st.session_state.setdefault(_KEPT, {})
    held[key] = (held.get(key, ((), ()))[0], tuple(now) if isinstance(now, list) else (now,))


def _let_go(key: str) -> None:
    held = st.session_state[_KEPT]
    held[key] = ((), held[key][1])


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
        at = st.slider(f"Frame of {as_typed(clip.name)}, s", 0.0, last, step=0.04, help=about, **kept(f"clip:{clip.digest}", min(1.0, last)))
        still = _still(clip, at)
    except InputError as error:
        st.html(block(paragraph(str(error), "fault")))
        return None
    st.html(block(f'<img class="drawing" src="{picture_source(_small(still))}" alt="The frame at {at:.2f} s">'))
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
