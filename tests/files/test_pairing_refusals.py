"""What a pairing file may not say, and one lens from a quoted angle with distortion, by hand."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from framematch.errors import InputError
from framematch.files.pairing import parse_pairing, read_pairing
from framematch.files.starter import STARTER

ANGLE = "angle_deg = { horizontal = 118.0 }"


@pytest.mark.parametrize(
    ("right", "wrong", "words"),
    [
        ("sensor_mm = [5.9, 4.425]", "", "give either sensor_mm or format"),
        (ANGLE, "", "give either focal_mm or angle_deg"),
        ("sensor_mm = [24.89, 13.12]", 'format = "super36-4perf"', "did you mean"),
        (ANGLE, "angle_deg = {}", "no angle given"),
        ('projection = "rectilinear"', 'projection = "equisolid"', "brown-conrady does not go with equisolid"),
        ('projection = "equidistant"', 'projection = "equisolid"\ndistortion = { model = "kannala-brandt", k = [0.01] }', "kannala-brandt does not go with"),
        ('projection = "equidistant"', "", "one quoted angle needs a projection"),
        (ANGLE, 'angle_deg = { horizontal = 118.0, vertical = 90 }\ndistortion = { model = "kannala-brandt", k = [0.01] }', "room for one quoted angle"),
        (ANGLE, f'{ANGLE}\ndistortion = {{ model = "kannala-brandt", k = [-0.5] }}', "is beyond this lens"),
        ('aspect = "2.39:1"', 'fdl = "a.fdl"', "the FDL file gives the frame"),
        ('aspect = "2.39:1"', 'framing = "main"', "names a framing of no FDL file"),
        ("distance_m = [1.5, 30.0]", "distance_m = [nan, 30.0]", "nan is not a number"),
    ],
)
def test_each_contradiction_is_refused_in_words(right: str, wrong: str, words: str) -> None:
    assert STARTER.count(right) == 1
    with pytest.raises(InputError) as refused:
        parse_pairing(STARTER.replace(right, wrong))
    assert words.lower() in str(refused.value).lower()


def test_a_quoted_angle_with_distortion_gives_the_focal_length() -> None:
    """Kannala-Brandt: f theta (1 + k1 theta^2) is half the width at half the angle."""
    rig = parse_pairing(STARTER.replace(ANGLE, f'{ANGLE}\ndistortion = {{ model = "kannala-brandt", k = [0.01] }}'))
    theta = math.radians(59.0)
    assert rig.monitoring.lens.focal_mm == pytest.approx(2.95 / (theta * (1 + 0.01 * theta**2)), rel=1e-12)
    assert rig.angles["monitoring"].horizontal == pytest.approx(118.0, abs=1e-9)


def test_the_frame_comes_from_the_fdl_file_that_is_named(tmp_path: Path) -> None:
    from framematch.files.fdl import write_fdl

    rig = parse_pairing(STARTER)
    write_fdl(tmp_path / "shot.fdl", rig)
    table = STARTER[STARTER.index("[recording.frame]") : STARTER.index("[monitoring]")]
    (tmp_path / "rig.toml").write_text(STARTER.replace(table, '[recording.frame]\nfdl = "shot.fdl"\n\n'), encoding="utf-8")
    found = read_pairing(tmp_path / "rig.toml")
    assert found.frame.as_tuple() == pytest.approx(rig.frame.as_tuple(), abs=1e-5)
    assert found.keep_percent == pytest.approx(92.0, abs=1e-6)


def test_a_shared_file_may_not_use_another(tmp_path: Path) -> None:
    (tmp_path / "wide.toml").write_text('use = "other.toml"', encoding="utf-8")
    table = STARTER[STARTER.index("[mount]") : STARTER.index("[tolerance]")]
    for use, words in (
        ('"wide.toml"', "can't use another"),
        ("3", "is not a file name"),
        ('"none.toml"', "there is no file"),
        ('"../x.toml"', "leads outside"),
    ):
        (tmp_path / "rig.toml").write_text(STARTER.replace(table, f"[mount]\nuse = {use}\n\n"), encoding="utf-8")
        with pytest.raises(InputError, match=words):
            read_pairing(tmp_path / "rig.toml")
    with pytest.raises(InputError, match="can't be read from here"):
        parse_pairing(STARTER.replace(table, '[mount]\nuse = "wide.toml"\n\n'))
