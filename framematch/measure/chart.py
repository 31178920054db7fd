"""Calibration charts: where their corners are on the paper, and finding them in stills.

A ChArUco board is a chessboard with a coded marker in each white square, so that a part of it is
enough and it can't be taken for its mirror image. A plain chessboard has to be seen whole.
Both are open methods of the OpenCV library, which does the finding.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError

Floats = NDArray[np.float64]

CHARUCO, CHESSBOARD = "charuco", "chessboard"
MARKER_SHARE = 2 / 3  # of a square: leaves clear paper around each corner
_LOOK_PX = (1920, 3840)  # the long side that the chart is looked for at, first and if that fails


@dataclass(frozen=True, kw_only=True)
class Chart:
    """A printed chart.

    Args:
        kind: ``charuco`` or ``chessboard``.
        columns, rows: squares across and down.
        square_mm: side of a square, as measured on the paper.
        marker_mm: side of a coded marker (ChArUco); 2/3 of a square if 0.
        bits: markers of ``bits`` x ``bits`` cells, from OpenCV's set of 250.
    """

    kind: str
    columns: int
    rows: int
    square_mm: float
    marker_mm: float = 0.0
    bits: int = 4

    def __post_init__(self) -> None:
        if self.kind not in (CHARUCO, CHESSBOARD):
            raise InputError(f"{self.kind!r} is not a kind of chart", field="chart", fix="use charuco or chessboard")
        if not (3 <= self.columns <= 40 and 3 <= self.rows <= 40):
            raise InputError(f"{self.columns} x {self.rows} squares", field="chart", fix="3 to 40 squares each way")
        if self.kind == CHARUCO and self.columns * self.rows // 2 > 250:
            raise InputError(f"{self.columns} x {self.rows} squares need more than 250 markers", field="chart", fix="use fewer squares")
        if not 1 <= self.square_mm <= 2000:
            raise InputError(f"squares of {self.square_mm:g} mm", field="chart", fix="give the side of one square in millimetres, 1 to 2000")
        if self.marker_mm == 0:
            object.__setattr__(self, "marker_mm", self.square_mm * MARKER_SHARE)
        if not 0 < self.marker_mm < self.square_mm:
            raise InputError(f"markers of {self.marker_mm:g} mm in squares of {self.square_mm:g} mm", field="chart", fix="markers are smaller")
        if self.bits not in (4, 5, 6, 7):
            raise InputError(f"markers of {self.bits} x {self.bits} cells", field="chart", fix="use 4, 5, 6 or 7")

    @property
    def name(self) -> str:
        """How the chart is written on the command line."""
        base = f"{self.kind}-{self.columns}x{self.rows}-{self.square_mm:g}mm"
        if self.kind == CHARUCO and (abs(self.marker_mm / self.square_mm - MARKER_SHARE) > 1e-3 or self.bits != 4):
            base += f"-{self.marker_mm:g}mm-{self.bits}"
        return base

    @property
    def points_mm(self) -> Floats:
        """Inner corners (N, 3) on the paper, row by row: x right, y down, 0, from the board's top left."""
        x, y = np.meshgrid(np.arange(1, self.columns), np.arange(1, self.rows))
        return np.asarray(np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1) * self.square_mm, dtype=np.float64)

    @property
    def one_way_up(self) -> bool:
        """Whether the chart can be told from itself turned half round."""
        return self.kind == CHARUCO or (self.columns + self.rows) % 2 == 1

    def printed_at(self, scale: float) -> Chart:
        """The chart as it came out of a printer that scaled it."""
        if not 0.2 <= scale <= 5:
            raise InputError(f"a chart printed at {100 * scale:.0f} % of its size", field="bar_mm", fix="measure the bar on the paper in millimetres")
        return Chart(
            kind=self.kind,
            columns=self.columns,
            rows=self.rows,
            square_mm=self.square_mm * scale,
            marker_mm=self.marker_mm * scale,
            bits=self.bits,
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """A chart found in one still.

    Args:
        still: the still's name.
        size_px: width and height of the still.
        ids: (N,) which of the chart's corners.
        pixels: (N, 2) where, in the project's pixels (centres at +0.5).
    """

    still: str
    size_px: tuple[int, int]
    ids: NDArray[np.int64]
    pixels: Floats


def parse_chart(text: str) -> Chart:
    """A chart from its name: ``charuco-11x7-35mm``, ``chessboard-10x7-25mm``, or a paper size that
    ``framematch chart`` prints, such as ``A3``.

    Marker size and cells may follow for a ChArUco board of another maker: ``charuco-8x6-30mm-22mm-5``.

    Raises:
        InputError: no such name.
    """
    if text.upper() in (size.upper() for size in PAPERS_MM):
        return chart_for_paper(text)
    form = re.fullmatch(r"(charuco|chessboard)-(\d+)x(\d+)-([\d.]+)(?:mm)?(?:-([\d.]+)(?:mm)?-(\d))?", text.strip().lower())
    if form is None:
        raise InputError(f"{text!r} names no chart", field="chart", fix="write it as printed on the chart, such as charuco-11x7-35mm")
    kind, columns, rows, square, marker, bits = form.groups()
    try:
        return Chart(
            kind=kind,
            columns=int(columns),
            rows=int(rows),
            square_mm=float(square),
            marker_mm=float(marker) if marker else 0.0,
            bits=int(bits) if bits else 4,
        )
    except ValueError as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"{text!r} names no chart", field="chart", fix="write it as printed on the chart, such as charuco-11x7-35mm") from None


#: Long and short side. Sources: ISO 216; US Letter and Tabloid, ANSI/ASME Y14.1.
PAPERS_MM: dict[str, tuple[float, float]] = {
    "A4": (297.0, 210.0),
    "A3": (420.0, 297.0),
    "A2": (594.0, 420.0),
    "A1": (841.0, 594.0),
    "Letter": (279.4, 215.9),
    "Tabloid": (431.8, 279.4),
}
MARGIN_MM, FOOT_MM = 11.0, 24.0  # white border; room below the board for the bar and the instructions


def chart_for_paper(paper: str, *, kind: str = CHARUCO) -> Chart:
    """The chart that ``framematch chart`` prints on a paper size: the largest whole-millimetre squares that fit.

    Raises:
        InputError: no such paper.
    """
    sizes = {name.upper(): size for name, size in PAPERS_MM.items()}
    if paper.upper() not in sizes:
        raise InputError(f"{paper!r} is not a paper size known here", field="paper", fix=f"use one of {', '.join(PAPERS_MM)}")
    long_mm, short_mm = sizes[paper.upper()]
    columns, rows = (11, 7) if kind == CHARUCO else (10, 7)
    side = min((long_mm - 2 * MARGIN_MM) / columns, (short_mm - 2 * MARGIN_MM - FOOT_MM) / rows)
    return Chart(kind=kind, columns=columns, rows=rows, square_mm=float(int(side)))


def board(chart: Chart) -> Any:
    """OpenCV's board of a ChArUco chart."""
    return _detector(chart)[0]


@lru_cache(maxsize=8)
def _detector(chart: Chart) -> tuple[Any, Any]:
    import cv2

    words = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{chart.bits}X{chart.bits}_250"))
    made = cv2.aruco.CharucoBoard((chart.columns, chart.rows), chart.square_mm, chart.marker_mm, words)
    settings = cv2.aruco.DetectorParameters()
    settings.adaptiveThreshWinSizeMax = 43
    settings.minMarkerPerimeterRate = 0.01
    return made, cv2.aruco.CharucoDetector(made, cv2.aruco.CharucoParameters(), settings)


def find_chart(grey: NDArray[np.uint8], chart: Chart, *, still: str = "") -> Found | None:
    """Look for the chart in a still (height, width), 8 bits.

    It is looked for in a smaller copy of a large still and its corners are then placed in the still
    itself. Returns None if fewer than 6 corners (ChArUco) or not the whole board (chessboard) was found.
    """
    height, width = grey.shape
    tried = set()
    for long_px in _LOOK_PX:
        scale = min(1.0, long_px / max(width, height))
        if scale in tried:
            continue
        tried.add(scale)
        small = _smaller(grey, scale)
        rough = _rough(small, chart)
        if rough is None:
            continue
        ids, corners = rough
        centre_px = (corners + 0.5) * (width / small.shape[1], height / small.shape[0]) - 0.5
        ids, placed = _placed(grey, chart, ids, centre_px)
        if len(ids) >= 6:
            return Found(still=still, size_px=(width, height), ids=ids, pixels=placed + 0.5)
    return None


def mirrored(grey: NDArray[np.uint8], chart: Chart) -> bool:
    """Whether a ChArUco chart that can't be found is found in the still's mirror image."""
    if chart.kind != CHARUCO:
        return False
    small = _smaller(grey, min(1.0, _LOOK_PX[0] / max(grey.shape)))
    return _rough(np.ascontiguousarray(small[:, ::-1]), chart) is not None


AS_PRINTED, MIRRORED, UNTOLD = "as printed", "mirrored", ""
_FOOT_MM = (5.0, 10.0)  # below the board: its name, its bar and the instructions; above it the paper is white


def way_round(grey: NDArray[np.uint8], chart: Chart, found: Found) -> str:
    """Whether a still shows a chart as printed or mirrored, ``UNTOLD`` if nothing tells.

    A ChArUco board's marks tell. A plain chessboard is its own mirror image turned half round: what is printed beside it tells (its foot,
    which a mirrored still has on the wrong side), if it is in the picture; charts of other makers have none.
    """
    import cv2

    if chart.kind == CHARUCO:
        return AS_PRINTED
    if not chart.one_way_up:
        return UNTOLD
    onto, _ = cv2.findHomography(chart.points_mm[found.ids][:, :2], found.pixels - 0.5)
    wide, tall = chart.columns * chart.square_mm, chart.rows * chart.square_mm
    printed, shade = [], []
    for low, high in ((tall + _FOOT_MM[0], tall + _FOOT_MM[1]), (-_FOOT_MM[1], -_FOOT_MM[0])):
        x, y = np.meshgrid(np.linspace(0.03 * wide, 0.97 * wide, 400), np.linspace(low, high, 24))
        at = cv2.perspectiveTransform(np.stack([x, y], axis=-1).reshape(1, -1, 2), onto).reshape(24, 400, 2).astype(np.float32)
        if (at < 1).any() or (at > np.array(grey.shape[::-1]) - 2).any():
            return UNTOLD
        strip = cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR).astype(np.float64)
        printed.append(float((strip - cv2.blur(strip, (101, 1))).std()))
        shade.append(float(np.median(strip)))
    x, y = np.clip(np.rint(found.pixels).astype(int), 0, np.array(grey.shape[::-1]) - 1).T
    inside = grey[y.min() : y.max(), x.min() : x.max()]
    black, white = np.percentile(inside, (10, 90)) if inside.size else (0.0, 255.0)
    below, above = printed
    on_paper = min(shade) > white - 0.4 * (white - black)  # and not what is behind a chart with narrow margins
    if not on_paper or max(below, above) < 0.03 * (white - black) or max(below, above) < 2.5 * min(below, above):
        return UNTOLD
    return AS_PRINTED if below > above else MIRRORED


def _smaller(grey: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    import cv2

    if scale >= 1:
        return np.ascontiguousarray(grey)
    size = (round(grey.shape[1] * scale), round(grey.shape[0] * scale))
    return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _rough(grey: NDArray[np.uint8], chart: Chart) -> tuple[NDArray[np.int64], Floats] | None:
    """Corners found, in OpenCV's pixels."""
    import cv2

    if chart.kind == CHARUCO:
        corners, ids, _, _ = _detector(chart)[1].detectBoard(grey)
        if ids is None or len(ids) < 6:
            return None
        return np.asarray(ids, dtype=np.int64).ravel(), np.asarray(corners, dtype=np.float64).reshape(-1, 2)
    inner = (chart.columns - 1, chart.rows - 1)
    found, corners = cv2.findChessboardCorners(grey, inner, flags=cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_FAST_CHECK)
    if not found:
        return None
    grid = np.asarray(corners, dtype=np.float64).reshape(-1, 2)
    return np.arange(len(grid)), _upright(grey, chart, grid)


def _upright(grey: NDArray[np.uint8], chart: Chart, grid: Floats) -> Floats:
    """Right-handed and starting from a black square, so that two views of a board agree on its corners."""
    cells = grid.reshape(chart.rows - 1, chart.columns - 1, 2)
    along, down = cells[:, -1] - cells[:, 0], cells[-1] - cells[0]
    (ax, ay), (dx, dy) = along.mean(axis=0), down.mean(axis=0)
    if ax * dy - ay * dx < 0:
        cells = cells[:, ::-1]
    grid = cells.reshape(-1, 2).copy()
    if not chart.one_way_up:
        return grid
    middles = (cells[:-1, :-1] + cells[1:, :-1] + cells[:-1, 1:] + cells[1:, 1:]) / 4
    x, y = np.clip(np.rint(middles), 0, np.array(grey.shape[::-1]) - 1).astype(int).reshape(-1, 2).T
    shades = grey[y, x].astype(float)
    row, column = np.indices(middles.shape[:2])
    even = ((row + column) % 2 == 0).ravel()
    return grid if shades[even].mean() < shades[~even].mean() else grid[::-1].copy()


def _placed(grey: NDArray[np.uint8], chart: Chart, ids: NDArray[np.int64], corners: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Corners to a fraction of a pixel, each within a window that holds no other edge of the chart."""
    import cv2

    spacing = _spacing(chart, ids, corners)
    clear = 0.5 * (1 - chart.marker_mm / chart.square_mm) if chart.kind == CHARUCO else 0.35
    half = np.clip(np.floor(clear * spacing), 2, 20).astype(int)
    height, width = grey.shape
    keep = ((corners > half[:, None] + 1) & (corners < np.array([width, height]) - half[:, None] - 2)).all(axis=1)
    if chart.kind == CHESSBOARD and not keep.all():
        keep[:] = True  # a whole board is wanted; those at the very border stay where they were found
    placed = corners.copy()
    for size in np.unique(half):
        some = np.flatnonzero((half == size) & keep)
        start = np.ascontiguousarray(corners[some], dtype=np.float32).reshape(-1, 1, 2)
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 0.001)
        placed[some] = cv2.cornerSubPix(grey, start, (int(size), int(size)), (-1, -1), stop).reshape(-1, 2)
    moved = np.hypot(*(placed - corners).T)
    keep &= moved < np.maximum(half, 3)
    return (ids, placed) if chart.kind == CHESSBOARD else (ids[keep], placed[keep])


def _spacing(chart: Chart, ids: NDArray[np.int64], corners: Floats) -> Floats:
    """Distance (N,) to the nearest neighbour on the board, in pixels."""
    across = chart.columns - 1
    grid = np.full((chart.rows + 1, across + 2, 2), np.nan)
    row, column = ids // across + 1, ids % across + 1
    grid[row, column] = corners
    steps = [np.hypot(*(grid[row + i, column + j] - corners).T) for i, j in ((0, 1), (0, -1), (1, 0), (-1, 0))]
    nearest = np.min(np.where(np.isnan(steps), np.inf, steps), axis=0)
    typical = float(np.median(nearest[np.isfinite(nearest)])) if np.isfinite(nearest).any() else 8.0
    return np.where(np.isfinite(nearest), nearest, typical)


def black_rectangles_mm(chart: Chart) -> list[tuple[float, float, float, float]]:
    """What to print black: (left, top, width, height) in mm from the board's top left, none overlapping another.

    Marker cells are joined along each row of cells, so a marker is up to six stripes high by as many runs as it has.
    """
    side = chart.square_mm
    if chart.kind == CHESSBOARD:
        return [(c * side, r * side, side, side) for r in range(chart.rows) for c in range(chart.columns) if (r + c) % 2 == 0]
    made = board(chart)
    out = [(c * side, r * side, side, side) for r in range(chart.rows) for c in range(chart.columns) if (r + c) % 2 == 0]
    words = made.getDictionary()
    cells = chart.bits + 2
    cell = chart.marker_mm / cells
    for number, corners in zip(np.asarray(made.getIds()).ravel(), made.getObjPoints(), strict=True):
        x0, y0 = (float(v) for v in np.asarray(corners).reshape(-1, 3)[:, :2].min(axis=0))
        picture = np.asarray(words.generateImageMarker(int(number), cells, borderBits=1)) < 128
        for row, line in enumerate(picture):
            edges = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(int), [0]])))
            out += [(x0 + a * cell, y0 + row * cell, (b - a) * cell, cell) for a, b in edges.reshape(-1, 2).tolist()]
    return out
