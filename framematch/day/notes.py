"""Lines gathered while a day is worked out: what can't be, what to look at first, what is not known."""

from __future__ import annotations

from dataclasses import dataclass

from framematch.guide.shown import metres
from framematch.text import units


@dataclass(frozen=True, kw_only=True)
class Notes:
    """Lines gathered on the way, with distances and weights in the system that the card shows."""

    system: str
    impossible: list[str]
    warnings: list[str]
    unknown: list[str]

    def length(self, distance_m: float) -> str:
        """A length in the shown system."""
        return metres(distance_m, feet=self.system == "imperial")

    def speed(self, metres_a_second: float) -> str:
        """A speed in the shown system."""
        return units.shown(metres_a_second, unit="m/s", system=self.system)

    def mass(self, kg: float) -> str:
        """A mass in the shown system."""
        return units.shown(kg, unit="kg", system=self.system, digits=2)


def up_words(degrees: float) -> str:
    """An angle against the level: ``6.3° up``, ``level``."""
    return "level" if abs(degrees) < 0.05 else f"{abs(degrees):.1f}° {'up' if degrees > 0 else 'down'}"
