"""The scenes, one file each; ``FILES`` names them in the order in which they are offered."""

FILES = ("doorway", "window", "alley", "underpass", "trunks", "car", "glasshouse")
