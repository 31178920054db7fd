"""The comparison sheet: nothing clipped, nothing over something else, and views that are where the figures say."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from functools import cache
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from at_length import crossed, sample
from gap_truth import LENSES, pairing_of
from matplotlib.backends.backend_agg import FigureCanvasAgg
from PIL import Image

from framematch.compare import Aircraft, Candidate, Opening, Prop, Run, Shot, Subject, candidate_of, compare
from framematch.compare.table import Comparison, Row
from framematch.errors import InputError
from framematch.geometry.camera import Camera
from framematch.output.lens_sheet import sheet_pages, write_sheet
from framematch.output.sheet_page import Page, own_type
from framematch.render import rays
from framematch.render.lens_view import lens_view
from framematch.scene.open import scene_of

PANE = Opening(width_m=1.2, height_m=0.9, sill_m=1.1, thickness_m=0.1)
RUN = Run(speed_m_s=8, right_m=0.1, up_m=-0.05, heading_deg=8, pan_deg=-3, tilt_deg=4, bank_deg=5)
AIRCRAFT = Aircraft(
    width_m=0.4,
    height_m=0.2,
    length_m=0.4,
    uncertainty_cm=15,
    props=tuple(Prop(name=f"front {side}", right_mm=right, up_mm=40, forward_mm=90, radius_mm=70) for side, right in (("left", -110), ("right", 110))),
)


def comparison(count: int, *, names: str = "{f:g} mm", subjects: int = 1, aircraft: bool = True) -> Comparison:
    pairing = pairing_of(LENSES["distorted"], title="Glasshouse pane, $18 mm_k$ & <b>")
    pairing = replace(pairing, recording=replace(pairing.recording, readout_ms=9.0))
    focals = np.round(np.geomspace(9, 60, count), 1) if count > 1 else [18.0]
    lenses = tuple(candidate_of(pairing, float(f), name=names.format(f=f)) for f in focals)
    people = tuple(Subject(name=f"dancer {i}", beyond_m=3.0 + i, right_m=0.5 * i) for i in range(subjects))
    return compare(pairing, Shot(openings=(PANE,), run=RUN, subjects=people, aircraft=AIRCRAFT if aircraft else None), lenses)


def blank(comparison: Comparison, row: Row, distance_m: float, width_px: int) -> np.ndarray:
    """A picture that costs nothing, where only the words are looked at."""
    return np.full((4, 9, 3), 128, dtype=np.uint8)


CASES = {
    "four": {"count": 4, "subjects": 2},
    "ten": {"count": 10},
    "one, bare": {"count": 1, "subjects": 0, "aircraft": False},
    "long names": {"count": 3, "names": "the old wide of {f:g} mm, serial 40217"},
}


@cache
def case_of(name: str) -> Comparison:
    return comparison(**CASES[name])  # type: ignore[arg-type]


def boxes(page: Page) -> list[tuple[str, tuple[float, float, float, float]]]:
    """Every text of a page, that of its curves too, with its place in pixels."""
    with own_type():
        return _boxes(page)


def _boxes(page: Page) -> list[tuple[str, tuple[float, float, float, float]]]:
    canvas = FigureCanvasAgg(page.figure)
    page.figure.set_dpi(150)
    canvas.draw()
    texts = list(page.figure.texts)
    for axes in page.figure.axes:
        texts += [*axes.texts, axes.title, axes._left_title, axes.xaxis.label]
    found = []
    for text in texts:
        if text.get_text().strip():
            box = text.get_window_extent(canvas.get_renderer())
            found.append((text.get_text(), (box.x0, box.y0, box.x1, box.y1)))
    return found


@pytest.mark.parametrize(("case", "phone"), crossed(sample(["four", "long names"], list(CASES)), {"A4": False, "phone": True}))
def test_words_are_on_the_page_and_not_over_each_other(case: str, phone: bool) -> None:
    asked = ("Gap filling 40 % of the frame's area at 2 m: 18.0 mm",)
    for page in sheet_pages(case_of(case), phone=phone, asked=asked, view=blank):
        width, height = page.width_mm / 25.4 * 150, page.height_mm / 25.4 * 150
        found = boxes(page)
        assert found
        edge = 3 / 25.4 * 150
        for text, (x0, y0, x1, y1) in found:
            assert x0 >= edge and x1 <= width - edge and y0 >= edge and y1 <= height - edge, text
        for (a, box_a), (b, box_b) in combinations(found, 2):
            over_x = min(box_a[2], box_b[2]) - max(box_a[0], box_b[0])
            over_y = min(box_a[3], box_b[3]) - max(box_a[1], box_b[1])
            assert over_x < 1.5 or over_y < 3.5, (a, b)


def test_print_and_phone_sizes_of_words() -> None:
    """A4: 6 pt at least; on a phone 390 px wide: 11 px at least."""
    for page in sheet_pages(case_of("four"), view=blank):
        assert min(text.get_fontsize() for text in page.figure.texts) >= 6
    (tall,) = sheet_pages(case_of("four"), phone=True, view=blank)
    px_per_pt = 390 / (tall.width_mm / 25.4 * 72)
    sizes = [text.get_fontsize() for text in tall.figure.texts]
    for axes in tall.figure.axes:
        sizes += [label.get_fontsize() for label in (*axes.get_xticklabels(), *axes.texts)]
    assert min(sizes) * px_per_pt >= 10


def test_files(tmp_path: Path, poppler: None) -> None:
    write_sheet(tmp_path / "sheet.pdf", case_of("four"), view=blank)
    listed = subprocess.run(["pdfinfo", tmp_path / "sheet.pdf"], capture_output=True, text=True, check=True).stdout
    assert "595.2" in listed and "841.8" in listed  # A4 (ISO 216) in 1/72 in
    words = subprocess.run(["pdftotext", "-layout", tmp_path / "sheet.pdf", "-"], capture_output=True, text=True, check=True).stdout
    for row in case_of("four").rows:
        assert f"{row.exits[0].leaves_m:.2f} m" in words
    assert "Never fly over people" in " ".join(words.split()) and "$18 mm_k$ & <b>" in words
    write_sheet(tmp_path / "phone.png", case_of("one, bare"), phone=True, view=blank)
    picture = np.asarray(Image.open(tmp_path / "phone.png"))
    assert picture.shape[1] == 780
    assert (picture[:, :12] == 255).all() and (picture[:, -12:] == 255).all()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["phone.png", "sheet.pdf"]


def test_another_suffix_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"\.pdf or a \.png"):
        write_sheet(tmp_path / "sheet.svg", case_of("four"))
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("distance", [6.0, 2.0])
@pytest.mark.parametrize("lens", [LENSES["distorted"], LENSES["fisheye"]], ids=["distorted", "fisheye"])
def test_the_scene_has_the_gap_where_the_figures_have_it(lens, distance: float) -> None:  # type: ignore[no-untyped-def]
    """Rays to points a centimetre outside the near edge stop there; those a centimetre inside go on."""
    gap, run = PANE, RUN
    shot = Shot(openings=(gap,), run=run)
    scene, pose = scene_of(shot), shot.scene_from_recording(distance)
    camera = Camera(lens=lens, sensor_mm=(24.89, 13.12), raster_px=(11520, 6072))
    for grow, stops in ((0.01, True), (-0.01, False)):
        rim = Opening(width_m=gap.width_m + 2 * grow, height_m=gap.height_m + 2 * grow).outline(2)
        seen = run.seen_from(rim, distance)
        px, ok = camera.project(seen)
        for place, point in zip(px[ok], seen[ok], strict=True):
            one = replace(camera, raster_px=(1, 1), sensor_mm=tuple(camera.sensor_mm / np.array(camera.raster_px)), centre_px=_centre(camera, place))
            reach = float(rays.render(scene, one, pose.matrix).distance_m[0, 0])
            assert bool(abs(reach - np.linalg.norm(point)) < 0.01) is stops, (place, reach)


def _centre(camera: Camera, place: np.ndarray) -> tuple[float, float]:
    """Where the axis is for a camera whose only pixel has its middle at a place of another's raster."""
    x, y = np.array(camera.centre_px) - place + 0.5
    return float(x), float(y)


def test_a_lens_is_seen_through(tmp_path: Path) -> None:
    """The rendered frame is that of the row's own lens: a longer one shows the opening larger."""
    case = comparison(2)
    view = lens_view(renderer="rays")
    short, long = (view(case, row, 4.0, 215).astype(float) for row in case.rows)
    assert short.shape == long.shape == (90, 215, 3)
    assert np.abs(short - long).mean() > 10
    assert isinstance(case.rows[0].candidate, Candidate)
