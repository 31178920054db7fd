"""Residuals of a chain of turns made white: what is foretold from the ones before counts no more.

A mount that swings at its own frequency, and a detail whose place is off in one frame and so draws two turns apart, leave residuals that go together in
time. An autoregression of some order, for each of their principal axes, foretells them; what is new in each step is independent of the others (feasible
generalised least squares: Cochrane and Orcutt, JASA 44, 1949). The same filter laid over slopes leaves a least squares with honest weights.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
_ORDER, _ROWS_EACH, _RIDGE = 12, 12, 1e-3  # rows that each coefficient must have


class Whitening:
    """The filter that makes residuals white.

    Args:
        start_s, end_s: (n,) of each step, in order.
        step_s: the usual one.
        residual_rad: (n, 3) of each step.
    """

    def __init__(self, start_s: Floats, end_s: Floats, step_s: float, residual_rad: Floats) -> None:
        middle = start_s[0] + (np.arange(max(round((end_s[-1] - start_s[0]) / step_s), 1)) + 0.5) * step_s
        self._index = np.clip(np.searchsorted(start_s, middle, "right") - 1, 0, len(start_s) - 1)
        self._per_s = 1 / (end_s - start_s)
        self.order = min(_ORDER, len(middle) // (2 * _ROWS_EACH))
        known = middle < end_s[self._index]
        self.rows = np.flatnonzero(np.convolve(known, np.ones(self.order + 1))[: len(known)] > self.order + 0.5)  # known, and all before it that are asked
        rates = (residual_rad * self._per_s[:, None])[self._index]
        self._axes = np.linalg.eigh(np.cov(rates[known].T))[1] if known.sum() > 3 else np.eye(3)
        own = rates @ self._axes
        self._foretold = np.zeros((3, self.order))
        self._size = np.ones(3)
        for axis in range(3):
            before = np.stack([own[self.rows - lag, axis] for lag in range(1, self.order + 1)], axis=1).reshape(len(self.rows), self.order)
            told = before.T @ before
            if self.order:
                ridge = (_RIDGE * np.trace(told) / self.order + 1e-18) * np.eye(self.order)
                self._foretold[axis] = np.linalg.solve(told + ridge, before.T @ own[self.rows, axis])
            new = own[self.rows, axis] - before @ self._foretold[axis]
            self._size[axis] = max(float(np.median(np.abs(new))) / 0.6745, 1e-9) if len(new) else 1.0
        self.times_s = middle[self.rows]

    def __call__(self, values: Floats) -> Floats:
        """(m, 3, ...) white of (n, 3, ...), a standard deviation of about 1 for residuals."""
        shape = (1, 3) + (1,) * (values.ndim - 2)
        rates = (values * self._per_s.reshape(-1, *([1] * (values.ndim - 1))))[self._index]
        own: Any = np.einsum("ni...,ij->nj...", rates, self._axes)
        out = own[self.rows].copy()
        for lag in range(1, self.order + 1):
            out -= own[self.rows - lag] * self._foretold[:, lag - 1].reshape(shape)
        return np.asarray(out / self._size.reshape(shape), dtype=np.float64)
