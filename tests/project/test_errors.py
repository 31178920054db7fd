"""What people got wrong is one plain line that names the place and says how to mend it."""

from __future__ import annotations

from framematch.errors import LONGEST_PROBLEM, InputError


def test_the_line_says_where_what_and_how() -> None:
    error = InputError("-3 mm is too short", field="focal_mm", fix="give a number above 0")
    assert str(error) == "focal_mm: -3 mm is too short. Give a number above 0"
    assert str(error.within(prefix="recording", file="rig.toml")) == "rig.toml: recording.focal_mm: -3 mm is too short. Give a number above 0"
    assert str(InputError("nothing given")) == "nothing given"


def test_the_innermost_file_is_kept_and_lines_are_joined() -> None:
    error = InputError("one\ntwo", file="inner.toml").within(file="outer.toml")
    assert str(error) == "inner.toml: one two"
    assert isinstance(error, ValueError)


def test_a_value_of_any_length_stays_readable() -> None:
    line = str(InputError(f"{'9' * 5000!r} is not a number", field="focal_mm", fix="give one"))
    assert line.startswith("focal_mm: '999") and "9…9" in line and line.endswith("9' is not a number. Give one") and len(line) < LONGEST_PROBLEM + 50


def test_a_key_of_any_length_is_shown_in_short() -> None:
    line = str(InputError("unknown key", field="q" * 100_000, fix="x" * 100_000, file="y" * 5000))
    assert line.startswith("yyy") and "q…q" in line and ": unknown key. Xxx" in line and len(line) < 7 * LONGEST_PROBLEM
