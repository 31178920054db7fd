"""Lines gathered while a day is worked out: what can't be, what to look at first, what is not known."""

from __future__ import annotations

import math
from dataclasses import dataclass

from framematch.text import units


@dataclass(frozen=True, kw_only=True)
class Notes:
    """Lines gathered on the way, with distances and weights in the system that the card shows."""

    system: str
    impossible: list[str]
    warnings: list[str]
    unknown: list[str]

    def length(self, metres: float, digits: int = 1) -> str:
        """A length in the shown system."""
        return "infinity" if math.isinf(metres) else units.shown(metres, unit="m", system=self.system, digits=digits)

    def speed(self, metres_a_second: float) -> str:
        """A speed in the shown system."""
        return units.shown(metres_a_second, unit="m/s", system=self.system)

    def mass(self, kg: float) -> str:
        """A mass in the shown system."""
        return units.shown(kg, unit="kg", system=self.system, digits=2)
