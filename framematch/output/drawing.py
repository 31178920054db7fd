"""A drawing as a list of plain shapes, in pixels of its own size; every output draws the same list."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Line:
    """A line through points (n, 2) with a dark edge around it so that it reads over snow and shade; ``between`` colours what its dashes leave."""

    points: Floats
    colour: str
    width: float
    edge: float = 0.0
    closed: bool = False
    dash: tuple[float, ...] | None = None
    between: str = ""

    def whole(self) -> Floats:
        """The line without its dashes."""
        return np.concatenate([self.points, self.points[:1]]) if self.closed else np.asarray(self.points, dtype=np.float64)

    def runs(self) -> list[Floats]:
        """The strokes to draw: the whole line, or its dashes."""
        path = self.whole()
        if self.dash is None or len(path) < 2:
            return [path]
        along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
        before = np.cumsum([0.0, *self.dash])
        out = []
        for first in np.arange(0, along[-1], before[-1]):
            for start, end in zip(first + before[:-1:2], first + before[1::2], strict=True):
                if start < along[-1]:
                    end = min(end, along[-1])
                    at = np.concatenate([[start], along[(along > start) & (along < end)], [end]])
                    out.append(np.stack([np.interp(at, along, path[:, axis]) for axis in range(2)], axis=-1))
        return out


@dataclass(frozen=True, kw_only=True, eq=False)
class Area:
    """Rings (n, 2) filled by the even-odd rule."""

    rings: tuple[Floats, ...]
    colour: str
    opacity: float


@dataclass(frozen=True, kw_only=True)
class Label:
    """One line of text with a dark edge; its anchor is its left, middle or right end, at mid height."""

    text: str
    x: float
    y: float
    size: float
    colour: str
    anchor: str = "left"
    edge: float = 0.0


Shape = Line | Area | Label
EDGE_COLOUR = "#0b0e11"


@dataclass(frozen=True, kw_only=True, eq=False)
class Drawing:
    """Shapes in drawing order over a transparent ground."""

    size: tuple[int, int]
    shapes: Sequence[Shape]
    title: str = ""


@dataclass(frozen=True, kw_only=True)
class Inks:
    """Colours of a drawing for a screen: its ground, its text, quieter lines and text, and two that matter, as #rrggbb."""

    ground: str
    ink: str
    quiet: str
    accent: str
    second: str


def ground(wide: float, high: float, inks: Inks) -> Area:
    """The ground of a drawing that stands by itself."""
    return ground_of(wide, high, inks.ground)


def ground_of(wide: float, high: float, colour: str) -> Area:
    """The whole of a drawing in one colour."""
    return Area(rings=(np.array([(0, 0), (wide, 0), (wide, high), (0, high)], dtype=float),), colour=colour, opacity=1.0)
