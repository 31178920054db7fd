"""Two clips checked together, against a flight whose rig is known; rendered by ``tests/helpers/flown_clips.py``, which shares nothing with framematch.

The truth of the guide's error is the known rig's own frame beside the file's, by the definition that ``tests/guide`` holds against outside truth. The
wider set of flights, with flex, stands in ``tests/acceptance/flown_clips_set.py``.
"""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace

import numpy as np
import pytest
from clip_rigs import lines_off_percent, pairing_of, pairing_text
from command import framematch
from flown_clips import Eye, Flight, rays_of

from framematch.clips.shake import shake_of
from framematch.clips.take import clip_values, parse_clip_names
from framematch.clips.together import check_clips, rig_for_clips
from framematch.clips.together_report import clip_csv, clip_json, clip_sentences
from framematch.errors import InputError
from framematch.geometry.mount import aim_from_rotation
from framematch.measure.corrected import guide_off_percent
from framematch.output.clips_sheet import write_clips_sheet
from framematch.render.clips_film import write_clips_film

cv2 = pytest.importorskip("cv2")


def as_flown(flight: Flight, rig, time_s: float):
    """The rig with the aim that it had at a time."""
    pan, tilt, roll = aim_from_rotation(flight.aim(np.array([time_s]))[0])
    return replace(rig, mount=replace(rig.mount, pan_deg=pan, tilt_deg=tilt, roll_deg=roll))


@pytest.mark.parametrize(
    ("which", "eye"), [("recording", Eye(straight=True, view_deg=50.0, bend=0.02)), ("monitoring", Eye(straight=False, view_deg=115.0, bend=-0.04))]
)
def test_a_file_of_bent_lenses_has_the_lenses_that_drew(which, eye):
    camera = getattr(pairing_of(replace(Flight(), **{which: eye})), which)
    x, y = np.meshgrid(np.linspace(0, eye.size_px[0], 9), np.linspace(0, eye.size_px[1], 7))
    rays, ok = camera.unproject(np.stack([x, y], axis=-1))
    straight = rays_of(replace(eye, bend=0.0), x, y)
    assert ok.all()
    assert np.abs(rays - rays_of(eye, x, y)).max() * eye.focal_px < 1e-4
    assert np.abs(rays - straight).max() * eye.focal_px > 2  # bent by so many pixels


def test_stills_that_go_together_against_the_turns_are_not_believed(monkeypatch, flight):
    """A moment's answer six degrees off what the turns show: what repeats was taken for the same."""
    from types import SimpleNamespace

    from framematch.clips import together as clips_together
    from framematch.measure.check import NotSuitable

    rig = pairing_of(flight)
    after = replace(rig, mount=replace(rig.mount, tilt_deg=rig.mount.tilt_deg + 6.0))
    monkeypatch.setattr(clips_together, "moved_on", lambda still, camera, **_: still)
    monkeypatch.setattr(clips_together, "check_guide", lambda *_: SimpleNamespace(after=after))
    pair = SimpleNamespace(recording=None, monitoring=None, move_rad_s=None, late_s=0.0)
    turns = [SimpleNamespace(recording_from_monitoring=each.mount.recording_from_monitoring, aim_covariance=1e-6 * np.eye(3)) for each in (after, rig)]
    assert clips_together._single(rig, rig, pair, turns[0]).after is after
    with pytest.raises(NotSuitable, match="6 degrees from"):
        clips_together._single(rig, rig, pair, turns[1])


def test_aim_and_guide_are_as_flown(flight, found):
    assert len(found.moments) >= 3
    for figure, true in zip(found.checked.figures, flight.aim_deg, strict=False):
        assert abs(figure.value - true) <= 1.5 * figure.half_95
        assert figure.half_95 < 0.4
    for moment in found.moments:
        true = as_flown(flight, found.rig, moment.instant.recording_s)
        aim = (true.mount.pan_deg, true.mount.tilt_deg, true.mount.roll_deg)
        assert (np.abs(np.subtract(moment.aim_deg, aim)) <= 2 * np.array(moment.aim_95_deg)).all()
        off = lines_off_percent(found.rig, true, moment.distance_m)
        assert abs(moment.off_percent - off) <= max(2 * moment.off_95_percent, 0.3)
        assert moment.off_percent > 10  # the file's aim is 3 degrees off
        assert 4 < moment.distance_m < 40  # the hall's wall is 14 m away, its corners of view more
    assert found.flex_rms_deg < 0.1  # nothing flexed


def test_what_is_written_is_what_was_found(tmp_path, flight, clips, found):
    data = json.loads(json.dumps(clip_json(found, None), allow_nan=False))
    rows = list(csv.DictReader(io.StringIO(clip_csv(found))))
    assert [float(r["off_percent"]) for r in rows] == [m["off_percent"] for m in data["moments"]]
    assert len(rows) == len(found.moments)
    assert data["clocks"]["offset_95_ms"] < 3
    worst = max(m.off_percent for m in found.moments)
    assert f"at most {worst:.1f} %" in " ".join(clip_sentences(found))
    write_clips_sheet(tmp_path / "sheet.png", found, said=["a further line"])
    assert cv2.imread(str(tmp_path / "sheet.png")).shape[0] > 1500


def test_each_figure_is_taken_over_by_itself(flight, found):
    shake = shake_of(found.recording, found.rig)
    aim = clip_values(found, shake, ("aim",))
    assert set(aim) == {"mount.aim_deg.pan", "mount.aim_deg.tilt", "mount.aim_deg.roll"}
    rig = replace(found.rig, mount=replace(found.rig.mount, **{f"{n}_deg": aim[f"mount.aim_deg.{n}"] for n in ("pan", "tilt", "roll")}))
    assert guide_off_percent(rig, as_flown(flight, found.rig, 2.0), 14.0) < 2.0 < guide_off_percent(found.rig, as_flown(flight, found.rig, 2.0), 14.0)
    assert clip_values(found, shake, ("keep", "wander")) == {
        "recording.frame.keep_percent": shake.keep_for(0.95),
        "recording.frame.wander_percent": round(shake.wander_percent, 2),
    }
    assert clip_values(found, shake, ("aim", "tolerance"))["tolerance.aim_deg"] > 1.9 * found.flex_rms_deg
    with pytest.raises(InputError, match="does not tell"):
        clip_values(found, None, ("keep",))
    with pytest.raises(InputError, match="aim, tolerance, wander, keep"):
        parse_clip_names("aim,focal")


def test_the_film_shows_the_true_frame_where_it_is(tmp_path, flight, clips, found):
    """The true frame's line in the film lies where the known rig puts it, in a frame of the film itself."""
    import av

    cut = replace(found, clocks=replace(found.clocks, span_s=(1.0, 1.6)))
    count = write_clips_film(tmp_path / "film.mp4", cut, clips, height_px=270)
    with av.open(str(tmp_path / "film.mp4")) as container:
        frames = [frame.to_ndarray(format="rgb24") for frame in container.decode(video=0)]
    assert len(frames) == count >= 12
    low, _ = found.clocks.recording_s(np.array(cut.clocks.span_s))
    shown = frames[0][:270, :480].astype(int)
    time_s = np.ceil(low * 25 - 1e-6) / 25
    orange = (shown[..., 0] > 190) & (shown[..., 1] - shown[..., 2] > 25) & (shown[..., 0] - shown[..., 1] > 50)
    rows, columns = np.nonzero(orange)
    assert len(rows) > 100
    # the frame's corners through the known rig, at the hall's wall
    rig, aim = found.rig, flight.aim(np.array([time_s]))[0]
    f, focal = rig.frame, flight.recording.focal_px
    corners = [(x - 240, y - 135, focal) for x in (f.left, f.right) for y in (f.top, f.bottom)]
    right, up, forward = np.array(flight.offset_mm) / 1000
    way = (np.array(corners) / focal * 14.0 - (right, -up, forward)) @ aim
    angle = np.arctan2(np.hypot(way[:, 0], way[:, 1]), way[:, 2])
    reach = flight.monitoring.focal_px * angle / np.hypot(way[:, 0], way[:, 1])
    there = way[:, :2] * reach[:, None] + (240, 135)
    assert abs(columns.min() - there[:, 0].min()) < 4 and abs(columns.max() - there[:, 0].max()) < 4
    assert abs(rows.max() - there[:, 1].max()) < 4


def test_a_film_broken_off_leaves_nothing(tmp_path, clips, found):
    def told(what: str, done: int, expected: int) -> None:
        if done == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_clips_film(tmp_path / "film.mp4", replace(found, clocks=replace(found.clocks, span_s=(1.0, 1.6))), clips, height_px=90, told=told)
    assert list(tmp_path.iterdir()) == []


def test_one_clip_given_twice_is_refused(flight, clips):
    with pytest.raises(InputError, match="same clip"):
        check_clips(pairing_of(flight), clips[0], clips[0])


def test_the_goggles_picture_is_known_by_its_shape(flight):
    rig = pairing_of(flight)
    square = replace(rig.display, raster_px=(400, 300))
    assert rig_for_clips(replace(rig, display=square), (800, 600), name="clip").monitoring.raster_px == (400, 300)
    assert rig_for_clips(rig, (960, 540), name="clip").monitoring == rig.monitoring
    with pytest.raises(InputError, match="uncropped"):
        rig_for_clips(rig, (500, 500), name="clip")


def test_the_command_knows_clips_from_stills(tmp_path, flight):
    (tmp_path / "rig.toml").write_text(pairing_text(flight))
    clips = ("--recording", "a.mp4", "--monitoring", "b.mp4")
    for words, told in (
        (clips, "b.mp4: no such file"),
        ((*clips, "--distance", "14"), "--distance: '14' does not say when"),
        ((*clips, "--take", "offset"), "--take: 'offset' can't be taken over from clips"),
        ((*clips, "--film", "film.txt"), "is not the ending of a video"),
        (("--recording", "a.mp4@1", "--monitoring", "b.mp4@1", "--film", "film.mp4"), "--film: needs two whole clips"),
    ):
        done = framematch("check", "rig.toml", *words, "--out", "out", cwd=tmp_path)
        assert done.returncode == 2 and told in done.stderr, done.stderr
