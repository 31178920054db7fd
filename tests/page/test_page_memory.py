"""What the page keeps is bounded in bytes, whatever the visitors bring, and one overview lists it all."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from browser import ROOT

from framematch.page import main  # noqa: F401 (brings every store of the page)
from framematch.page.draft import HISTORY_BYTES, MOST_BYTES, Draft, changed
from framematch.page.session import EXAMPLE
from framematch.render import rays  # noqa: F401
from framematch.render.keep import Kept, emptied, kept_by_value, nbytes, overview

PAGE_AND_RENDERER_BYTES = 1_500_000_000


STORES = """
from framematch.page import main
from framematch.render import rays
from framematch.render.keep import overview
for each in overview():
    assert 0 <= each.bytes_held <= each.limit_bytes
    print(each.name, each.limit_bytes)
"""


def test_every_store_is_listed_with_its_bound() -> None:
    listed = subprocess.run([sys.executable, "-c", STORES], cwd=ROOT, capture_output=True, text=True, check=True).stdout  # what the page alone brings
    stores = [line.split() for line in listed.splitlines()]
    assert {"framematch.page.draft.contents", "framematch.page.work.report_of", "framematch.page.pictures"} <= {name for name, _ in stores}
    assert sum(int(limit) for _, limit in stores) < PAGE_AND_RENDERER_BYTES


def test_the_history_of_a_long_text_is_short() -> None:
    draft = Draft(text=EXAMPLE + "#" * (MOST_BYTES - len(EXAMPLE) - 100))
    for i in range(11):
        draft = changed(draft, "mount.offset_mm.up", {"mount.offset_mm.up": 10.0 + i / 4})
    assert draft.pairing.mount.up_mm == 12.5 and len(draft.before) == 8
    assert sum(map(len, draft.before)) <= HISTORY_BYTES
    held = [each for each in overview() if each.name.startswith("framematch.page.draft")]
    assert held and sum(each.limit_bytes for each in held) < 50_000_000 and any(each.bytes_held for each in held)


def test_arguments_count_as_much_as_what_comes_of_them() -> None:
    calls = []

    @kept_by_value(limit_bytes=10_000)
    def first(text: str, *, times: int = 1) -> str:
        calls.append(text[:1])
        return text[0] * times

    assert first("a" * 4000) == first("a" * 4000) == "a" and first("a" * 4000, times=2) == "aa"
    assert calls == ["a", "a"]
    first("b" * 4000), first("c" * 20_000), first("c" * 20_000)
    assert calls == ["a", "a", "b", "c", "c"]  # too large to be kept
    first("a" * 4000)
    assert calls[-1] == "a"  # was dropped for b


@pytest.mark.parametrize(
    ("value", "least", "most"),
    [("x" * 1000, 1000, 1200), ("ガ" * 1000, 4000, 4200), (np.zeros((100, 100)), 80_000, 80_200), ({"a": [b"x" * 500, (1, 2)]}, 500, 1200), (3.5, 1, 100)],
)
def test_sizes_are_about_right(value: object, least: int, most: int) -> None:
    assert least <= nbytes(value) <= most


def test_a_store_is_called_after_where_it_stands() -> None:
    Kept(limit_bytes=10, size=lambda value: 1)
    assert any(each.name == __name__ for each in overview())


def test_one_value_above_the_bound_is_kept_alone_and_only_while_it_is_alone() -> None:
    """A large scan's tree of rays: kept for the next picture, dropped for the next scene."""
    store: Kept[bytes] = Kept(limit_bytes=100, alone_bytes=300, size=len, name="test of what stands alone")

    def held() -> tuple[int, int]:
        found = next(each for each in overview() if each.name == store.name)
        return found.entries, found.bytes_held

    for name, size, expected in (
        ("a", 60, (1, 60)),
        ("scan", 250, (1, 250)),
        ("b", 70, (1, 70)),
        ("c", 60, (1, 60)),
        ("d", 40, (2, 100)),
        ("huge", 400, (2, 100)),
    ):
        store.get(name, lambda size=size: bytes(size))
        assert held() == expected, name
    caster = next(each for each in overview() if each.name == "framematch.render.rays")
    assert caster.limit_bytes <= 250_000_000


def test_what_the_last_visitor_left_is_kept_no_longer() -> None:
    draft = Draft(text=EXAMPLE)
    assert draft.pairing and any(each.bytes_held for each in overview())
    emptied()
    assert not any(each.bytes_held or each.entries for each in overview())
    assert Draft(text=EXAMPLE).pairing == draft.pairing
