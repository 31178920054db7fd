"""The flight day in one value: what can't be, what to look at first, and every figure of the card."""

from framematch.day.plan import plan_day
from framematch.day.values import AtSpeed, DayPlan, Distances, Endurance, Light, PersonAt, Tilts

__all__ = ["AtSpeed", "DayPlan", "Distances", "Endurance", "Light", "PersonAt", "Tilts", "plan_day"]
