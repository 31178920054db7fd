"""Which figures of a camera a solve may change."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.camera import Camera

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Model:
    """Which figures of a camera are solved for.

    Args:
        projection: of the lens.
        radial: how many of the lens's k.
        tangential: whether p1, p2 too.
        focal, centre: whether the focal length and the lens centre.
    """

    projection: str
    radial: int = 0
    tangential: bool = False
    focal: bool = True
    centre: bool = True

    @property
    def figures(self) -> tuple[str, ...]:
        """Names of the figures, in the order of every vector of them."""
        names: tuple[str, ...] = ("focal_mm",) if self.focal else ()
        names += ("centre_x_px", "centre_y_px") if self.centre else ()
        names += tuple(f"k{i + 1}" for i in range(self.radial))
        return names + (("p1", "p2") if self.tangential else ())

    @property
    def label(self) -> str:
        """For a table."""
        return f"{self.projection}, {self.radial} radial" + (", 2 tangential" if self.tangential else "")

    def values(self, camera: Camera) -> Floats:
        """The figures of a camera."""
        k = (*camera.lens.k, *(0.0,) * 8)
        every = {"focal_mm": camera.lens.focal_mm, "centre_x_px": camera.centre_px[0], "centre_y_px": camera.centre_px[1]}
        every |= {f"k{i + 1}": k[i] for i in range(8)} | {"p1": camera.lens.p[0], "p2": camera.lens.p[1]}
        return np.array([every[name] for name in self.figures])

    def camera(self, like: Camera, values: Floats) -> Camera:
        """A camera with these figures, and all else as in ``like``."""
        given = dict(zip(self.figures, map(float, values), strict=True))
        lens = like.lens
        k = tuple(given[f"k{i + 1}"] for i in range(self.radial)) if self.radial else lens.k
        p = (given["p1"], given["p2"]) if self.tangential else lens.p
        centre = (given.get("centre_x_px", like.centre_px[0]), given.get("centre_y_px", like.centre_px[1]))
        return replace(like, lens=replace(lens, focal_mm=given.get("focal_mm", lens.focal_mm), k=k, p=p), centre_px=centre)
