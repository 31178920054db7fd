"""A kit: every pairing of it is the one that its own file would say."""

from __future__ import annotations

import pytest

from framematch.errors import InputError
from framematch.files.kit import BODY, GOGGLES, LENS, Kit, entry_of_rig, is_kit, kit_of_rig, parse_kit, toml_text, with_entry, with_focals, without_entry
from framematch.files.pairing import parse_pairing
from framematch.files.starter import STARTER
from framematch.text.toml import parse_toml

KIT = """\
title = "Cases 1 to 4"
production = "Pane Nine"
unit = "second unit"

[shot]
distance_m = [1.5, 30.0]

[[body]]
name = "A"
serial = "B-014"
sensor_mm = [24.89, 14.0]
raster_px = [3840, 2160]
frame = { aspect = "2.39:1", keep_percent = 90 }

[[body]]
name = "B"
format = "1-inch"
raster_px = [3000, 2000]

[[lens]]
name = "wide"
serial = "77"
focal_mm = 14.0
distortion = { model = "brown-conrady", k = [-0.02, 0.004] }
centre_px = [1925.0, 1080.0]
on = "A"

[[lens]]
name = "18 mm"
focal_mm = 18.0

[[lens]]
name = "25 mm"
focal_mm = 25.0

[[goggles]]
name = "Goggles 1"
sensor_mm = [5.9, 4.425]
raster_px = [1440, 1080]
projection = "equidistant"
angle_deg = { horizontal = 118.0 }
display = { raster_px = [1280, 720], fit = "crop" }

[mount]
offset_mm = { right = 0, up = 58, forward = 31 }
"""


@pytest.fixture
def kit() -> Kit:
    return parse_kit(KIT)


def test_every_body_with_every_lens_on_every_goggles(kit: Kit) -> None:
    assert [each.title for each in kit.pairings] == [f"{body}, {lens}" for body in "AB" for lens in ("wide", "18 mm", "25 mm")]
    for each in kit.pairings:
        assert each.pairing is not None and each.fault == ""
        assert parse_pairing(each.text) == each.pairing  # its own file says the same
        assert each.pairing.about.production == "Pane Nine" and each.pairing.mount.up_mm == 58
    first, other = kit.pairings[0].pairing, kit.pairings[3].pairing
    assert first is not None and other is not None
    assert first.about.serials == (("body", "B-014"), ("lens", "77")) and first.keep_percent == 90
    assert first.recording.centre_px == (1925, 1080)
    assert other.recording.centre_px == (1500, 1000)  # measured on the other body, so the middle
    assert other.recording.lens.k == first.recording.lens.k and other.recording.sensor_mm == (13.2, 8.8)


def test_a_rig_becomes_a_kit_and_comes_back_the_same() -> None:
    data, pairing = parse_toml(STARTER, name="rig"), parse_pairing(STARTER)
    kit = parse_kit(toml_text(kit_of_rig(data, pairing)))
    (only,) = kit.pairings
    assert only.pairing is not None
    assert {**vars(only.pairing), "title": ""} == {**vars(pairing), "title": ""}


def test_a_lens_given_by_angles_is_the_same_lens_on_its_body() -> None:
    text = STARTER.replace("focal_mm = 18.0 ", "angle_deg = { horizontal = 69.0 } #")
    entry = entry_of_rig(LENS, parse_toml(text, name="rig"), parse_pairing(text))
    assert entry["focal_mm"] == pytest.approx(parse_pairing(text).recording.lens.focal_mm, abs=1e-4)
    assert entry["distortion"]["model"] == "brown-conrady" and "angle_deg" not in entry


def test_entries_come_and_go(kit: Kit) -> None:
    more = with_entry(kit.data, BODY, {"name": "C", "format": "super35-3perf", "raster_px": [4096, 2304]})
    assert len(parse_kit(toml_text(more)).pairings) == 9
    assert with_entry(more, BODY, more[BODY][2]) == more  # the same name again takes its place
    assert len(parse_kit(toml_text(without_entry(more, BODY, "B"))).pairings) == 6
    with pytest.raises(InputError, match="is the last"):
        without_entry(kit.data, GOGGLES, "Goggles 1")
    focals = with_focals(kit.data, [14, 21])
    assert [(each["name"], "distortion" in each) for each in focals[LENS]] == [("wide", True), ("21 mm", False)]


def test_one_that_does_not_work_says_why_and_the_others_stay(kit: Kit) -> None:
    odd = with_entry(kit.data, BODY, {"name": "C", "sensor_mm": [36, 24], "raster_px": [3840, 2160]})
    found = parse_kit(toml_text(odd)).pairings
    assert [each.fault != "" for each in found] == [False] * 6 + [True] * 3
    assert "C, wide" in found[6].fault and "area read out" in found[6].fault


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (('name = "B"', 'name = "a"'), "two are called"),
        (('name = "B"', 'nam = "B"'), "unknown key"),
        (("[[goggles]]", "[[google]]"), "unknown key"),
        (("focal_mm = 25.0", 'focal_mm = "long"'), "focal_mm"),
        (('[[lens]]\nname = "25', '[[lens]\nname = "25'), "is not TOML"),
        (("distance_m = [1.5, 30.0]", "distance_m = [30.0, 1.5]"), "none of its pairings works"),
    ],
)
def test_what_is_wrong_is_named_in_one_line(change: tuple[str, str], says: str) -> None:
    with pytest.raises(InputError, match=says) as refused:
        parse_kit(KIT.replace(*change), name="kit.toml")
    assert "kit.toml" in str(refused.value) and "\n" not in str(refused.value)


def test_kits_and_pairings_are_told_apart() -> None:
    assert is_kit(KIT) and not is_kit(STARTER) and not is_kit("a = ")
