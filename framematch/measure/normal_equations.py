"""Normal equations by blocks: the chart's positions, each seen in its own view alone, are eliminated first (Schur's complement)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Normal:
    """Normal equations by blocks: shared (H, H), shared by own (V, H, 6), own (V, 6, 6), and the right sides."""

    shared: Floats
    between: Floats
    own: Floats
    right_shared: Floats
    right_own: Floats

    def step(self, damping: float) -> Floats:
        """The step for Marquardt's damping, the shared figures first and then each view's."""
        own = self.own + damping * self.own * np.eye(6) + 1e-12 * np.eye(6)
        shared = self.shared + damping * np.diag(np.diag(self.shared)) + 1e-12 * np.eye(len(self.shared))
        both = np.concatenate([np.swapaxes(self.between, 1, 2), self.right_own[:, :, None]], axis=2)
        try:
            solved = np.linalg.solve(own, both)  # (V, 6, H + 1)
            left, right = _reduced(shared, self.right_shared, self.between, solved)
            scale = 1 / np.sqrt(np.maximum(np.diag(left), 1e-300))
            first = scale * np.linalg.solve(left * scale[:, None] * scale, scale * right) if len(left) else right
        except np.linalg.LinAlgError:
            return np.full(len(self.right_shared) + self.right_own.size, np.nan)
        return np.concatenate([first, (solved[:, :, -1] - solved[:, :, :-1] @ first).ravel()])

    def covariance(self) -> Floats:
        """Of the shared figures, the views' own marginalised."""
        scale = 1 / np.sqrt(np.maximum(np.diagonal(self.own, axis1=1, axis2=2), 1e-300))
        own = self.own * scale[:, :, None] * scale[:, None, :]
        solved = scale[:, :, None] * np.linalg.pinv(own, hermitian=True) @ (scale[:, :, None] * np.swapaxes(self.between, 1, 2))
        left, _ = _reduced(self.shared, self.right_shared, self.between, np.concatenate([solved, np.zeros((*solved.shape[:2], 1))], axis=2))
        unit = 1 / np.sqrt(np.maximum(np.diag(left), 1e-300))
        out: Floats = np.linalg.pinv(left * unit[:, None] * unit, hermitian=True) * unit[:, None] * unit
        return out


def _reduced(shared: Floats, right: Floats, between: Floats, solved: Floats) -> tuple[Floats, Floats]:
    return shared - np.einsum("vhi,vij->hj", between, solved[:, :, :-1]), right - np.einsum("vhi,vi->h", between, solved[:, :, -1])
