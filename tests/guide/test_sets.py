"""Several sets of lines: cuts against a closed form and brute force, several frames against each alone."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace

import numpy as np
import pytest
import rigs
import sets_truth
import shapely
from at_length import sample

from framematch.errors import InputError
from framematch.geometry.camera import frame_in
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Frame, Pairing
from framematch.guide.best import at_distance, best_guide, best_rectangle, worst_error
from framematch.guide.report import guide_report, report_json
from framematch.guide.sets import best_cuts, foretold_of_two
from framematch.guide.transfer import inverse_m


def pieces_of(pairing: Pairing, cuts: tuple[float, ...]) -> list[Pairing]:
    ends = [pairing.near_m, *cuts, pairing.far_m]
    return [replace(pairing, near_m=a, far_m=b) for a, b in itertools.pairwise(ends)]


@pytest.mark.parametrize(
    ("near", "far", "sets"), sample([(1.0, 20.0, 3), (0.8, math.inf, 2)], [(*r, n) for r in ((1.0, 20.0), (0.8, math.inf)) for n in (2, 3, 4)])
)
def test_parallax_alone_is_cut_evenly_in_inverse_distance(sets: int, near: float, far: float) -> None:
    """geometry.md: cuts even in 1/d, worst error 1/n of 100 f |t| (1/near - 1/far) / (2 w)."""
    rig = rigs.straight(mount=Mount(right_mm=70.0), near_m=near, far_m=far)
    cuts = best_cuts(rig, sets)
    even = np.linspace(inverse_m(near), inverse_m(far), sets + 1)[1:-1]
    assert [inverse_m(c) for c in cuts] == pytest.approx(even, abs=1e-3 * (inverse_m(near) - inverse_m(far)))
    one = 100 * 20.0 * 0.070 * (inverse_m(near) - inverse_m(far)) / (2 * 24.0 * rig.frame.width / 1920)
    for piece in pieces_of(rig, cuts):
        guide = best_guide(piece)
        assert (guide.rectangle_worst_error_percent, guide.outline_worst_error_percent) == pytest.approx((one / sets, one / sets), rel=1e-3)


@pytest.mark.parametrize(("seed", "sets"), sample([(11, 2)], [(3, 2), (11, 2), (20, 3)]))
def test_no_cut_found_by_brute_force_is_better(seed: int, sets: int) -> None:
    """A sample of tests/acceptance/test_sets_brute.py."""
    rig = rigs.random_pairing(np.random.default_rng(seed))
    assert sets_truth.worst_of(rig, best_cuts(rig, sets)) <= sets_truth.brute_worst(rig, sets, 20 if sets == 2 else 7) + 0.02


def test_mistakes_are_refused_in_one_line() -> None:
    for sets in (0, 5, 9, -1):
        with pytest.raises(InputError, match="Give 1 to 4"):
            best_cuts(rigs.straight(), sets)
    with pytest.raises(InputError, match="Give a range of distances"):
        guide_report(rigs.straight(near_m=2.0, far_m=2.0), sets=2)


@pytest.fixture(scope="module")
def several() -> Pairing:
    other = Frame(name="9:16", area=frame_in((5760, 3036), aspect=9 / 16, keep_percent=92), keep_percent=92.0)
    third = Frame(name="4:5", area=frame_in((5760, 3036), aspect=0.8, keep_percent=80), keep_percent=80.0, wander_percent=2.0)
    return rigs.glasshouse(frame_name="2.39:1", others=(other, third))


def test_each_frame_is_bit_for_bit_what_it_is_alone(several: Pairing) -> None:
    both = report_json(guide_report(several))
    assert [each["name"] for each in both["frames"]] == ["2.39:1", "9:16", "4:5"]
    assert [each["aspect"] for each in both["frames"]] == pytest.approx([2.39, 9 / 16, 0.8], abs=1e-6)
    for i, (frame, each) in enumerate(zip(several.frames, both["frames"], strict=True)):
        rig = rigs.glasshouse(frame=frame.area, keep_percent=frame.keep_percent, wander_percent=frame.wander_percent)
        alone = report_json(guide_report(rig))
        assert {key: each[key] for key in ("guide", "areas", "at")} == {key: alone[key] for key in ("guide", "areas", "at")}
        if i == 0:
            assert {key: both[key] for key in ("guide", "areas", "at", "cells", "tolerance")} == {
                key: alone[key] for key in ("guide", "areas", "at", "cells", "tolerance")
            }


def test_what_protects_all_frames_is_the_areas_put_together(several: Pairing) -> None:
    report = guide_report(several)
    assert report.shared is not None
    always = [shapely.Polygon(each.areas.always[0]) for each in report.each_frame]
    ever = [shapely.Polygon(each.areas.ever[0]) for each in report.each_frame]
    display = 1280 * 720 / 100
    assert report.shared.both_percent == pytest.approx(always[0].intersection(always[1]).intersection(always[2]).area / display, abs=1e-3)
    assert report.shared.either_percent == pytest.approx(ever[0].union(ever[1]).union(ever[2]).area / display, abs=1e-3)
    assert any(line.startswith("Always in shot in all 3 frames") for line in report.warnings)


def test_wander_moves_the_areas_on_top_of_the_tolerance() -> None:
    rig = rigs.straight(near_m=3.0, far_m=3.0)
    still, wandering = guide_report(rig), guide_report(replace(rig, wander_percent=3.0))
    assert best_guide(rig).rectangle == wandering.guide.rectangle
    for kind, sign in (("always", -1), ("ever", 1)):
        (before,), (after,) = getattr(still.areas, kind), getattr(wandering.areas, kind)
        width, height = np.ptp(before, axis=0)
        assert np.ptp(after, axis=0) == pytest.approx((width * (1 + sign * 0.06), height * (1 + sign * 0.06)), abs=0.02)
    toleranced = rigs.glasshouse(near_m=3.0, far_m=3.0)
    band = guide_report(toleranced).band.percent
    alone, with_band = guide_report(replace(toleranced, tolerance=type(toleranced.tolerance)(), wander_percent=band[0] + 2.0)), None
    with_band = guide_report(replace(toleranced, wander_percent=2.0))
    left = [np.array(r.areas.ever[0])[:, 0].min() for r in (alone, with_band)]
    assert left[0] == pytest.approx(left[1], abs=0.02)  # added, not in squares


def test_what_two_sets_gain_is_said_unasked_when_it_is_a_point() -> None:
    close = guide_report(rigs.glasshouse(near_m=1.0, far_m=15.0))
    (line,) = [w for w in close.warnings if w.startswith("Two sets of lines")]
    asked = guide_report(rigs.glasshouse(near_m=1.0, far_m=15.0), sets=2)
    rectangle, outline = asked.sets_worst_error_percent
    cut, two, one = map(float, re.findall(r"[\d.]+(?= m| %)", line))
    assert cut == pytest.approx(asked.cuts_m[0], rel=0.01) and two == pytest.approx(rectangle, abs=0.06)
    assert one == pytest.approx(asked.guide.rectangle_worst_error_percent, abs=0.05)
    assert not any("Two sets" in w for w in asked.warnings)
    assert not any("Two sets" in w for w in guide_report(rigs.glasshouse(near_m=8.0, far_m=30.0)).warnings)
    data = report_json(asked)
    assert [s["distance_m"] for s in data["sets"]] == [[1.0, pytest.approx(asked.cuts_m[0], abs=1e-6)], [pytest.approx(asked.cuts_m[0], abs=1e-6), 15.0]]
    assert data["sets_worst_error_percent"] == {"rectangle": pytest.approx(rectangle, abs=1e-6), "outline": pytest.approx(outline, abs=1e-6)}
    assert set(data["sets"][0]) == {"distance_m", "guide", "at"}


@pytest.mark.parametrize("seed", sample([38], [14, 38, 117]))
def test_what_is_foretold_of_two_sets_is_about_what_they_are(seed: int) -> None:
    """Against cuts that are searched for, on rigs far wilder than one flies: it promises no more than there is, and two thirds of it."""
    rig = rigs.random_pairing(np.random.default_rng(seed))
    one, near, far = (worst_error(each, best_rectangle(each)) for each in (rig, at_distance(rig, rig.near_m), at_distance(rig, rig.far_m)))
    found = sets_truth.worst_of(rig, best_cuts(rig, 2))
    cut, foretold = foretold_of_two(rig, near=near, far=far, whole=one)
    assert found - 0.05 <= foretold <= one - 0.66 * (one - found)
    assert inverse_m(cut) == pytest.approx(inverse_m(best_cuts(rig, 2)[0]), abs=0.05 * (inverse_m(rig.near_m) - inverse_m(rig.far_m)))
