"""How pictures of a flight may be bent more than a file says: what no figure of a lens describes, rows that point otherwise, blur and compression."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framematch.measure.aim import AimSolve

Floats = NDArray[np.float64]
_FIELD_PX = 0.2  # by which a moment's picture may be bent smoothly, monitoring pixels over the recorded width (rendered flights: a tenth at its edges)
FIELD = 9  # terms of a field that all moments share
#: Their size, of the recorded picture's half width. Of a lens whose figures have no decentring what is tangential in the lenses of the two cameras of OpenCV's
#: chessboard pictures (1.5 and 2.7 ten-thousandths); of one whose figures have it what OpenCV's calibration leaves of it for these.
_FIELD_SHARED, _FIELD_DECENTRED = 2.2e-4, 0.5e-4
BENDS = 2  # degrees of the polynomials in the row


@dataclass(frozen=True, kw_only=True, eq=False)
class Shapes:
    """How a moment's picture may be bent: (N, BENDS) by the monitoring row, (N, 5) smoothly over the recorded picture, this by so much, rad."""

    rows: Floats
    smooth: Floats
    smooth_rad: float

    def drawn(self, turned: Floats, bent: Floats) -> Floats:
        """(N, m) what that adds to something that goes with a turn (N, 3) so, for coefficients of 1.

        Args:
            bent: sizes of what goes with the row.
        """
        by_row = (turned[:, None] * self.rows[:, :, None]).reshape(len(turned), -1) * bent
        return np.column_stack([by_row, self.smooth_rad * (turned[:, None, :2] * self.smooth[:, :, None]).reshape(len(turned), -1)])


def shapes_of(solve: AimSolve) -> Shapes:
    """Of a moment: Legendre's polynomials of the row, of the first degree and up, and what a lens or a blurred picture draws."""
    row = 2 * solve.monitoring_px[:, 1] / solve.pairing.monitoring.raster_px[1] - 1
    rows = np.asarray(np.polynomial.legendre.legvander(row, BENDS)[:, 1:], dtype=np.float64)
    size = np.array(solve.pairing.recording.raster_px)
    x, y = ((solve.recording_px - size / 2) / size[0]).T
    smooth = np.stack([x, y, x * x, x * y, y * y], axis=1)
    return Shapes(rows=rows, smooth=smooth, smooth_rad=_FIELD_PX / solve.pairing.monitoring.pixels_per_rad)


def field_of(solve: AimSolve) -> Floats:
    """(N, FIELD) what a smooth field over the recorded picture adds to each residual, in units of the noise expected, for coefficients of 1."""
    camera = solve.pairing.recording
    size = np.array(camera.raster_px) / 2
    x, y = ((solve.recording_px - size) / size[0]).T
    share_rad = (_FIELD_DECENTRED if any(camera.lens.p) else _FIELD_SHARED) * size[0] / camera.pixels_per_rad
    terms = [x**i * y**j for degree in (1, 2, 3) for i in range(degree, -1, -1) for j in (degree - i,)]
    return np.asarray(np.stack(terms, axis=1) * (share_rad / solve.noise_rad)[:, None])
