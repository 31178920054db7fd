"""Text size and room of a column of the flight card."""

from __future__ import annotations

from dataclasses import dataclass

from framematch.output.pdf import LINE_HEIGHT, PT_PER_MM


@dataclass(frozen=True, kw_only=True)
class Style:
    """Text size and the room of a column."""

    size_pt: float
    room_mm: float

    @property
    def step_mm(self) -> float:
        """From line to line."""
        return self.size_pt * LINE_HEIGHT / PT_PER_MM
