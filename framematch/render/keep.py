"""Results kept for the next call, the longest unused ones dropped when they take too much memory.

Every store of the process is bounded in bytes and listed by :func:`overview`.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from dataclasses import dataclass
from functools import wraps
from typing import Any, Generic, ParamSpec, TypeVar

from framematch.guide.shown import system

Value = TypeVar("Value")
Arguments = ParamSpec("Arguments")


@dataclass(frozen=True, kw_only=True)
class Store:
    """How full one store is."""

    name: str
    entries: int
    bytes_held: int
    limit_bytes: int


def overview() -> list[Store]:
    """Every store of this process, the fullest first."""
    found = [Store(name=each.name, entries=len(each._values), bytes_held=each._total, limit_bytes=each._limit) for each in _stores]
    return sorted(found, key=lambda store: -store.bytes_held)


def emptied() -> None:
    """Every store of this process without what it kept."""
    for each in list(_stores):
        each.empty()


def nbytes(value: Any) -> int:
    """About how much memory plain values take: arrays, texts, and what tables and dataclasses hold of them."""
    own: int = getattr(value, "nbytes", 0)
    if own or isinstance(value, (str, bytes)):
        return 100 + (own or len(value) * (1 if isinstance(value, bytes) or value.isascii() else 4))
    if isinstance(value, dict):
        return 100 + sum(nbytes(key) + nbytes(each) for key, each in value.items())
    if isinstance(value, (tuple, list, set, frozenset)):
        return 60 + sum(nbytes(each) for each in value)
    inside = getattr(value, "__dict__", None)
    return nbytes(inside) if isinstance(inside, dict) and not isinstance(value, type) else 32


def kept_by_value(*, limit_bytes: int) -> Callable[[Callable[Arguments, Value]], Callable[Arguments, Value]]:
    """A function whose results are kept by its arguments and by the units that are spoken, all within a bound in bytes."""

    def wrapped(make: Callable[Arguments, Value]) -> Callable[Arguments, Value]:
        store: Kept[tuple[Any, Value]] = Kept(limit_bytes=limit_bytes, size=nbytes, name=f"{make.__module__}.{make.__qualname__}")

        @wraps(make)
        def given(*args: Arguments.args, **kwargs: Arguments.kwargs) -> Value:
            key = (args, tuple(sorted(kwargs.items())), system())
            return store.get(key, lambda: (key, make(*args, **kwargs)))[1]

        return given

    return wrapped


class Kept(Generic[Value]):
    """A store bounded in bytes. A value larger than the bound is handed back but not kept, or kept alone where ``alone_bytes`` has room for it."""

    def __init__(self, *, limit_bytes: int, size: Callable[[Value], int], name: str = "", alone_bytes: int = 0) -> None:
        self._limit, self._size, self.name = limit_bytes, size, name or size.__module__
        self._alone = max(alone_bytes, limit_bytes)
        _stores.append(self)
        self._lock = threading.Lock()
        self._values: OrderedDict[Hashable, Value] = OrderedDict()
        self._making: dict[Hashable, Future[Value]] = {}
        self._total = 0

    def get(self, key: Hashable, make: Callable[[], Value]) -> Value:
        """The value of a key, made if it is not there. Of two callers at once the second waits for the first."""
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
                return self._values[key]
            other = self._making.get(key)
            if other is None:
                mine = self._making[key] = Future()
        if other is not None:
            return other.result()
        try:
            value = make()
        except BaseException as error:
            with self._lock:
                del self._making[key]
            mine.set_exception(error)
            raise
        with self._lock:
            del self._making[key]
            if (size := self._size(value)) <= self._alone:
                self._values[key] = value
                self._total += size
                while self._total > self._limit and len(self._values) > (size > self._limit):
                    self._total -= self._size(self._values.popitem(last=False)[1])
        mine.set_result(value)
        return value

    def empty(self) -> None:
        """Keep nothing of what is there."""
        with self._lock:
            self._values.clear()
            self._total = 0

    def peek(self, key: Hashable) -> Value | None:
        """The value of a key if it is there."""
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
            return self._values.get(key)


_stores: list[Kept[Any]] = []
