"""framematch: where the recorded frame lies on a wide monitoring picture, and how far off it can be."""

__version__ = "0.1.0"
