"""Several frames, read-out times, turn rates and wander in a pairing's file, and frames through ASC FDL in the standard's own library."""

from __future__ import annotations

from pathlib import Path

import pytest
import rigs

from framematch.errors import InputError
from framematch.files.fdl import all_frame_changes, fdl_text, fitting, framed_all, parse_framings, write_fdl
from framematch.files.pairing import parse_pairing, read_pairing
from framematch.files.shot import parse_shot
from framematch.files.starter import STARTER, STARTER_PLAN
from framematch.geometry.camera import frame_in
from framematch.geometry.pairing import Frame, Pairing, Turn
from framematch.text.toml import changed_text

TABLE = STARTER[STARTER.index("[recording.frame]") : STARTER.index("[monitoring]")]
TWO = '[[recording.frame]]\nname = "2.39:1"\naspect = "2.39:1"\n[[recording.frame]]\nname = "9:16"\naspect = "9:16"\nwander_percent = 2\n'


def with_frames(tables: str) -> str:
    return STARTER.replace(TABLE, tables + "\n")


def test_frames_repeat_and_the_first_is_the_main_one() -> None:
    rig = parse_pairing(with_frames(TWO))
    assert [frame.name for frame in rig.frames] == ["2.39:1", "9:16"]
    assert rig.frame == frame_in((5760, 3036), aspect=2.39) and rig.others[0].area == frame_in((5760, 3036), aspect=9 / 16)
    assert rig.others[0].wander_percent == 2.0 and rig.alone(1).frame == rig.others[0].area and not rig.alone(1).others
    single = parse_pairing(STARTER)
    assert not single.others and [frame.name for frame in single.frames] == ["2.39:1"]
    assert (single.recording.readout_ms, single.monitoring.readout_ms, single.turn) == (12.0, 8.0, Turn(pan_deg_s=60.0))


def test_changing_a_repeated_frame_changes_the_main_one() -> None:
    after = changed_text(with_frames(TWO), {"recording.frame.keep_percent": 80})
    assert [frame.keep_percent for frame in parse_pairing(after).frames] == [80.0, 100.0]


def test_of_a_repeated_table_a_number_picks_one() -> None:
    after = changed_text(with_frames(TWO), {"recording.frame.1.keep_percent": 70, "recording.frame.0.align": "top"})
    found = parse_pairing(after)
    assert [frame.keep_percent for frame in found.frames] == [100.0, 70.0] and found.frame.top == 0


FRAME = '[[recording.frame]]\nname = "{}"\naspect = "{}"\n'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (with_frames(FRAME.format("a", "2.39:1") + FRAME.format("a", "9:16")), "two frames are called 'a'"),
        (with_frames(FRAME.format("a", "2.39:1") + FRAME.format(" A ", "9:16")), "two frames are called"),
        (with_frames(FRAME.format("a", "2.39:1") + '[[recording.frame]]\naspect = "9:16"\n'), "frame 2 of 2 has no name"),
        (with_frames("".join(FRAME.format(n, "9:16") for n in "abcdefg")), "7 frames: give 1 to 6"),
        (with_frames(FRAME.format("", "9:16")), "recording.frame.1.name"),
        (with_frames(FRAME.format("a" * 41, "9:16")), "recording.frame.1.name"),
        (with_frames(FRAME.format("a", "2.39:1") + FRAME.format("b", "tall")), "recording.frame.2.aspect: 'tall'"),
        (with_frames(FRAME.format("a", "9:16") + "wobble = 1\n"), "recording.frame.1.wobble: unknown key"),
        (with_frames(FRAME.format("a", "9:16") + "wander_percent = -1\n"), "recording.frame.1.wander_percent"),
        (with_frames(FRAME.format("a", "9:16") + "wander_percent = 31\n"), "recording.frame.1.wander_percent"),
        (STARTER.replace("wander_percent = 0 ", 'wander_percent = "much" '), "recording.frame.wander_percent"),
        (with_frames(FRAME.format("a", "2.39:1") + '[[recording.frame]]\nname = "b"\narea_px = [0, 0, 9000, 100]\n'), "reaches outside the raster"),
        (STARTER.replace("[recording.frame]", "[recording]\nframe = 3\n[x]"), "is not TOML"),
        (STARTER.replace("readout_ms = 12 ", "readout_ms = -1 "), "recording.readout_ms: -1 is outside 0 to 200 ms"),
        (STARTER.replace("readout_ms = 8 ", "readout_ms = 900 "), "monitoring.readout_ms: 900 is outside"),
        (STARTER.replace("readout_ms = 8 ", 'readout_ms = "fast" '), "monitoring.readout_ms"),
        (STARTER.replace("{ pan = 60 }", "{ pan = 4000 }"), "shot.turn_deg_s.pan: 4000 is outside"),
        (STARTER.replace("{ pan = 60 }", "{ yaw = 10 }"), "shot.turn_deg_s.yaw: unknown key"),
        (STARTER.replace("{ pan = 60 }", "60"), "shot.turn_deg_s"),
        (STARTER.replace("{ pan = 60 }", "{ pan = nan }"), "shot.turn_deg_s.pan"),
    ],
)
def test_twenty_mistakes_are_one_line_each(text: str, words: str) -> None:
    assert text != STARTER
    with pytest.raises(InputError) as refused:
        parse_pairing(text)
    assert words.lower() in str(refused.value).lower() and "\n" not in str(refused.value)


def test_the_runs_old_read_out_moves_to_the_camera_in_one_line() -> None:
    plan = STARTER_PLAN.replace("rate_fps = 24\n", "rate_fps = 24\nreadout_ms = 12\n", 1)
    with pytest.raises(InputError, match=r"run.readout_ms: has moved to the recording camera. Write readout_ms = 12 under \[recording\]") as refused:
        parse_shot(parse_pairing(STARTER), plan)
    assert "\n" not in str(refused.value)


@pytest.fixture(scope="module")
def three() -> Pairing:
    others = (
        Frame(name="9:16", area=frame_in((5760, 3036), aspect=9 / 16, keep_percent=92), keep_percent=92.0),
        Frame(name="4:5", area=frame_in((5760, 3036), aspect=0.8, keep_percent=85.5, align="right"), keep_percent=85.5),
    )
    return rigs.glasshouse(frame_name="2.39:1", others=others)


def test_three_decisions_go_out_and_come_in_through_the_standards_library(three: Pairing) -> None:
    import fdl

    text = fdl_text(three)
    document = fdl.read_from_string(text)
    (context,) = document.contexts
    (canvas,) = context.canvases
    assert [d.label for d in canvas.framing_decisions] == ["2.39:1", "9:16", "4:5"]
    assert len({d.framing_intent_id for d in canvas.framing_decisions}) == len(list(document.framing_intents)) == 3
    for decision, frame in zip(canvas.framing_decisions, three.frames, strict=True):
        r = decision.get_rect()
        assert (r.x, r.y, r.x + r.width, r.y + r.height) == pytest.approx(frame.area.as_tuple(), abs=1e-5)
    back = framed_all(rigs.glasshouse(), fitting(parse_framings(text), rigs.glasshouse()))
    assert [frame.name for frame in back.frames] == ["2.39:1", "9:16", "4:5"]
    for found, frame in zip(back.frames, three.frames, strict=True):
        assert found.area.as_tuple() == pytest.approx(frame.area.as_tuple(), abs=1e-5)
        assert found.keep_percent == pytest.approx(frame.keep_percent, abs=1e-6)


def test_a_pairing_that_names_the_file_gets_all_its_frames(three: Pairing, tmp_path: Path) -> None:
    write_fdl(tmp_path / "shot.fdl", three)
    (tmp_path / "rig.toml").write_text(with_frames('[recording.frame]\nfdl = "shot.fdl"\nwander_percent = 1\n'), encoding="utf-8")
    found = read_pairing(tmp_path / "rig.toml")
    assert [frame.name for frame in found.frames] == ["2.39:1", "9:16", "4:5"] and {frame.wander_percent for frame in found.frames} == {1.0}
    (tmp_path / "one.toml").write_text(with_frames('[recording.frame]\nfdl = "shot.fdl"\nframing = "4:5"\n'), encoding="utf-8")
    one = read_pairing(tmp_path / "one.toml")
    assert not one.others and one.frame.as_tuple() == pytest.approx(three.others[1].area.as_tuple(), abs=1e-5)
    mixed = '[[recording.frame]]\nname = "main"\naspect = "16:9"\n[[recording.frame]]\nname = "tall"\nfdl = "shot.fdl"\nframing = "9:16"\n'
    (tmp_path / "mixed.toml").write_text(with_frames(mixed), encoding="utf-8")
    assert [frame.name for frame in read_pairing(tmp_path / "mixed.toml").frames] == ["main", "tall"]


def test_taken_into_a_pairing_the_decisions_stay_to_a_millionth(three: Pairing) -> None:
    text = changed_text(STARTER, all_frame_changes(parse_framings(fdl_text(three))))
    found = parse_pairing(text)
    assert [frame.name for frame in found.frames] == [frame.name for frame in three.frames]
    for one, other in zip(found.frames, three.frames, strict=True):
        assert one.area.as_tuple() == pytest.approx(other.area.as_tuple(), abs=1e-5) and one.keep_percent == pytest.approx(other.keep_percent, abs=1e-5)
