"""Damage for the fuzzing tests: edits of bytes and of TOML text, and what a reader may do with them."""

from __future__ import annotations

import os
import re
import time
import warnings
from collections.abc import Callable
from typing import Any

from at_length import sample
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from framematch.errors import InputError

ALL_SECONDS = 20.0  # of all fuzzing together at the full number of examples, on an idle machine
_ASKED = os.environ.get("FRAMEMATCH_FUZZ_SECONDS")
SECONDS = float(_ASKED or sample(2.5, ALL_SECONDS))
LONGEST_S = 2.0  # processor time of one call


def budget(examples: int) -> settings:
    """The same examples every time by default, an eighth of them in the suite; more and other ones when asked for by FRAMEMATCH_FUZZ_SECONDS."""
    count = max(1, round(examples * SECONDS / ALL_SECONDS))
    checks = [HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large]
    return settings(max_examples=count, deadline=None, derandomize=_ASKED is None, database=None, suppress_health_check=checks)


def survives(read: Callable[[], Any], *, longest_s: float = LONGEST_S) -> Any:
    """What a reader makes of its input, None if it refuses it in one plain line; anything else is a failure."""
    found, start = None, time.process_time()
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        try:
            found = read()
        except InputError as error:
            line = str(error)
            assert line and "\n" not in line and "Traceback" not in line and len(line) < 2000, line[:400]
    spent = time.process_time() - start
    assert spent < longest_s, f"{spent:.2f} s"
    return found


_EXTREMES = (b"\x00", b"\xff", b"\xff\xff\xff\xff", b"\xff\xff\xff\x7f", b"\x00\x00\x00\x80", b"\x00\x00\xc0\x7f", b"\x00\x00\x80\x7f", b"-1", b"1e999", b"nan")
_KINDS = ("put", "put", "flip", "cut", "drop", "add", "repeat", "nines", "zeros", "other")

edits = st.lists(
    st.tuples(st.sampled_from(_KINDS), st.floats(0, 1), st.floats(0, 1), st.one_of(st.sampled_from(_EXTREMES), st.binary(min_size=1, max_size=8))),
    min_size=1,
    max_size=5,
)


def damaged(raw: bytes, changes: list[tuple[str, float, float, bytes]], other: bytes = b"") -> bytes:
    """Bytes with edits made at shares of their length: overwritten, flipped, cut, dropped, repeated, numbers blown up, spliced."""
    for kind, share, extent, new in changes:
        at = int(share * max(len(raw) - 1, 0))
        some = 1 + int(extent**4 * len(raw))
        if kind == "put":
            raw = raw[:at] + new + raw[at + len(new) :]
        elif kind == "flip" and raw:
            raw = raw[:at] + bytes([raw[at] ^ (1 << int(extent * 7))]) + raw[at + 1 :]
        elif kind == "cut":
            raw = raw[:at]
        elif kind == "drop":
            raw = raw[:at] + raw[at + some :]
        elif kind == "add":
            raw = raw[:at] + new + raw[at:]
        elif kind == "repeat":
            raw = raw[:at] + raw[at : at + some] * 3 + raw[at + some :]
        elif kind in ("nines", "zeros"):  # of the next number in text, its length kept
            found = re.compile(rb"\d+").search(raw, at)
            if found:
                raw = raw[: found.start()] + (b"9" if kind == "nines" else b"0") * len(found[0]) + raw[found.end() :]
        elif kind == "other":
            raw = raw[:at] + other[at : at + some] + raw[at + some :]
    return raw


_VALUES = st.one_of(
    st.sampled_from(
        [
            "nan",
            "inf",
            "-inf",
            "0",
            "-0.0",
            "-1",
            "1e308",
            "1e400",
            "-1e308",
            "1e-320",
            "true",
            "false",
            '""',
            '"x"',
            "[]",
            "[[]]",
            "{}",
            "{ a = 1 }",
            "1979-05-27",
            "07:32:00",
            "1979-05-27T07:32:00Z",
            '"5 ft"',
            '"1e999 ft"',
            '"-3 mph"',
            '"nan m"',
            "[inf, inf]",
            "[1, 2, 3]",
            "[0, 0]",
            "[1e300, 1e300]",
            "[16, 32768]",
            "[5760, 3036]",
            '"16:9"',
            '"1:0"',
            '"\\u0000"',
            '"../../x"',
            "9" * 400,
            "9" * 5000,
            "[" * 60 + "]" * 60,
            '"' + "a" * 3000 + '"',
            "0x10",
            "180",
            "-180",
            "90",
            "500",
        ]
    ),
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.floats(0.01, 2000).map(repr),
    st.integers(-(2**70), 2**70).map(str),
    st.text(max_size=12).map(repr),
)

_VALUE = re.compile(r"(?<==)\s*[^=#\n]+?(?=\s*(?:#|$|,\s*\w+\s*=|\}))", re.M)
text_edits = st.lists(
    st.tuples(
        st.sampled_from(("value", "value", "value", "number", "number", "line away", "line twice", "swap", "key", "character")), st.integers(0, 10**6), _VALUES
    ),
    min_size=1,
    max_size=4,
)


def damaged_toml(text: str, changes: list[tuple[str, int, str]]) -> str:
    """TOML text with values replaced, lines dropped, doubled or swapped, keys misspelt, characters put in."""
    for kind, pick, new in changes:
        lines = text.split("\n")
        i = pick % len(lines)
        found = list((re.compile(r"-?\d+(?:\.\d+)?") if kind == "number" else _VALUE).finditer(text))
        if kind in ("value", "number") and found:
            place = found[pick % len(found)]
            text = f"{text[: place.start()]} {new}{text[place.end() :]}"
            continue
        if kind == "line away":
            del lines[i]
        elif kind == "line twice":
            lines.insert(i, lines[i])
        elif kind == "swap":
            j = (pick // 7) % len(lines)
            lines[i], lines[j] = lines[j], lines[i]
        elif kind == "key":
            lines[i] = lines[i].replace("_", "", 1) if pick % 2 else "x" + lines[i]
        text = "\n".join(lines)
        if kind == "character":
            at = pick % (len(text) + 1)
            text = text[:at] + new[:3] + text[at:]
    return text
