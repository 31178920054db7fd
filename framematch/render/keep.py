"""Results kept for the next call, the longest unused ones dropped when they take too much memory."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from typing import Generic, TypeVar

Value = TypeVar("Value")


class Kept(Generic[Value]):
    """A store bounded in bytes. A value larger than the bound is handed back but not kept."""

    def __init__(self, *, limit_bytes: int, size: Callable[[Value], int]) -> None:
        self._limit, self._size = limit_bytes, size
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
            if self._size(value) <= self._limit:
                self._values[key] = value
                self._total += self._size(value)
                while self._total > self._limit:
                    self._total -= self._size(self._values.popitem(last=False)[1])
        mine.set_result(value)
        return value

    def peek(self, key: Hashable) -> Value | None:
        """The value of a key if it is there."""
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
            return self._values.get(key)
