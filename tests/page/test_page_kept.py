"""What is kept for the next run of the page, and memory handed back between runs."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from framematch.render.keep import Kept


def test_of_two_callers_at_once_one_makes_and_a_failure_is_told_to_both_and_not_kept():
    kept, made = Kept(limit_bytes=100, size=len), []

    def slow(what):
        made.append(what)
        time.sleep(0.2)
        if what == b"fails":
            raise LookupError
        return what

    with ThreadPoolExecutor(4) as pool:
        assert {f.result() for f in [pool.submit(kept.get, 1, lambda: slow(b"a")) for _ in range(4)]} == {b"a"}
        failures = [pool.submit(kept.get, 2, lambda: slow(b"fails")) for _ in range(4)]
        assert all(isinstance(f.exception(), LookupError) for f in failures)
    assert made == [b"a", b"fails"] and kept.peek(1) == b"a" and kept.peek(2) is None
    assert kept.get(2, lambda: b"b") == b"b"
    kept.get(3, lambda: b"x" * 99)
    assert kept.peek(1) is None and kept.peek(2) == b"b"  # the longest unused goes
    assert kept.get(4, lambda: b"x" * 101) and kept.peek(4) is None


@pytest.mark.parametrize("fault", [TypeError, OSError, AttributeError])
def test_tidying_needs_no_glibc(monkeypatch, fault):
    """What `ctypes.CDLL(None)` says on Windows (a TypeError) and on systems whose C library can't hand memory back."""
    from framematch.page import tidy

    def none(name):
        raise fault

    monkeypatch.setattr(tidy.ctypes, "CDLL", none)
    monkeypatch.setattr(tidy, "_last", [-1e9])
    tidy.tidy()
    assert tidy._last[0] > -1e9


def test_what_left_runs_held_is_collected_at_rest_but_not_at_every_rest(monkeypatch):
    import gc
    import weakref

    from framematch.page import tidy

    class Held:
        pass

    def cycle():
        held = Held()
        held.itself = held
        return weakref.ref(held)

    monkeypatch.setattr(tidy, "_last", [-1e9])
    gc.disable()
    try:
        one = cycle()
        tidy.tidy()
        assert one() is None
        two = cycle()
        tidy.tidy()
        assert two() is not None
    finally:
        gc.enable()
