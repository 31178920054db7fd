"""Stills read from what people hand over: kinds of files, which way up, bounds, and what is wrong with a file."""

from __future__ import annotations

import json
import math
import struct
import subprocess
import sys
import zlib
from fractions import Fraction

import numpy as np
import pytest
from check_rigs import BENCH_RIG
from outside import need
from PIL import Image
from typer.testing import CliRunner

from framematch.cli import app
from framematch.errors import InputError
from framematch.measure.chart import parse_chart
from framematch.measure.figure import within
from framematch.measure.finding import look_for_chart, usable
from framematch.measure.known import parse_typed
from framematch.measure.stills import named_stills, read_still

cv2 = pytest.importorskip("cv2")
DOC = "chessboard-10x7-25mm"


@pytest.fixture
def ramp():
    """(40, 60, 3): red grows rightwards, green downwards."""
    y, x = np.mgrid[:40, :60]
    return np.stack([4 * x, 6 * y, np.full_like(x, 90)], axis=-1).astype(np.uint8)


@pytest.mark.parametrize("name", ["a.png", "a.jpg", "a.tif"])
def test_kinds_of_pictures(tmp_path, ramp, name):
    Image.fromarray(ramp).save(tmp_path / name, **({"quality": 98, "subsampling": 0} if name == "a.jpg" else {}))
    colour = read_still(tmp_path / name, colour=True)
    assert colour.size_px == (60, 40) and colour.name == name
    assert np.abs(colour.pixels.astype(int) - ramp).max() <= 8
    grey = read_still(tmp_path / name).pixels.astype(int)
    assert np.abs(grey - cv2.cvtColor(ramp, cv2.COLOR_RGB2GRAY)).max() <= 4


def test_sixteen_bits(tmp_path, ramp):
    deep = ramp.astype(np.uint16) * 257
    assert cv2.imwrite(str(tmp_path / "deep.tif"), cv2.cvtColor(deep, cv2.COLOR_RGB2BGR))
    assert cv2.imwrite(str(tmp_path / "deep.png"), deep[..., 0])
    assert np.abs(read_still(tmp_path / "deep.tif", colour=True).pixels.astype(int) - ramp).max() <= 1
    assert np.abs(read_still(tmp_path / "deep.png").pixels.astype(int) - ramp[..., 0]).max() <= 1


def test_a_picture_in_memory_reads_as_its_file(tmp_path, ramp):
    deep = ramp.astype(np.uint16) * 257
    assert cv2.imwrite(str(tmp_path / "deep.tif"), cv2.cvtColor(deep, cv2.COLOR_RGB2BGR))
    Image.fromarray(ramp).save(tmp_path / "a.jpg")
    Image.fromarray(ramp).save(tmp_path / "a.png")
    for file in tmp_path.iterdir():
        for colour in (False, True):
            held = read_still(file.name, colour=colour, content=file.read_bytes())
            assert held.name == file.name and (held.pixels == read_still(file, colour=colour).pixels).all(), file.name
    for name, content in (("text.png", b"text"), ("text.tif", b"II*\0text"), ("none.jpg", b""), ("cut.png", (tmp_path / "a.png").read_bytes()[:60])):
        with pytest.raises(InputError, match=name):
            read_still(name, content=content)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_which_way_up(tmp_path, ramp, orientation):
    """EXIF 2.32, tag 274: where the stored picture's first row and column belong; OpenCV reads it too."""
    exif = Image.Exif()
    exif[274] = orientation
    Image.fromarray(ramp).save(tmp_path / "held.jpg", exif=exif, quality=98, subsampling=0)
    ours = read_still(tmp_path / "held.jpg", colour=True).pixels
    theirs = cv2.cvtColor(cv2.imread(str(tmp_path / "held.jpg")), cv2.COLOR_BGR2RGB)
    assert ours.shape == theirs.shape and np.abs(ours.astype(int) - theirs).max() <= 3
    assert read_still(tmp_path / "held.jpg").size_px == ours.shape[1::-1]


def test_video_frame_by_time(tmp_path):
    av = pytest.importorskip("av")
    with av.open(str(tmp_path / "clip.mp4"), "w") as container:
        stream = container.add_stream("mpeg4", rate=Fraction(10))
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        for i in range(30):
            frame = av.VideoFrame.from_ndarray(np.full((48, 64, 3), 8 * i, np.uint8), format="rgb24")
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    for seconds in (0, 0.55, 1.0, 2.85):
        mean = read_still(f"{tmp_path}/clip.mp4@{seconds}").pixels.mean()
        assert abs(mean - 8 * int(seconds * 10 + 1e-6)) < 6, seconds
    assert read_still(tmp_path / "clip.mp4").size_px == (64, 48)
    assert read_still(f"{tmp_path}/clip.mp4@1").name == "clip.mp4@1"
    with pytest.raises(InputError, match="no frame at 99 s"):
        read_still(f"{tmp_path}/clip.mp4@99")
    with pytest.raises(InputError, match="is not a time"):
        read_still(f"{tmp_path}/clip.mp4@-1")


def test_real_video(opencv_doc):
    """A clip of Debian's opencv-doc; OpenCV's own reader gives the same frame."""
    path = str(opencv_doc / "vtest.avi")
    reader = cv2.VideoCapture(path)
    need(reader.isOpened(), "an OpenCV that reads AVI")
    for _ in range(26):
        _, frame = reader.read()
    ours = read_still(f"{path}@2.5", colour=True).pixels
    assert np.abs(ours.astype(int) - cv2.cvtColor(frame, cv2.COLOR_BGR2RGB)).mean() < 3


def _header_bomb(path, side):
    """A PNG of a few hundred bytes that claims side x side pixels."""

    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0)
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0" * 100)) + chunk(b"IEND", b""))


def _tiff_bomb(path):
    """A TIFF header that claims 50 000 x 50 000 pixels of 16-bit colour."""
    tags = [
        (256, 4, 1, 50000),
        (257, 4, 1, 50000),
        (258, 3, 1, 16),
        (259, 3, 1, 1),
        (262, 3, 1, 2),
        (273, 4, 1, 8),
        (277, 3, 1, 3),
        (278, 4, 1, 50000),
        (279, 4, 1, 100),
    ]
    body = struct.pack("<H", len(tags)) + b"".join(struct.pack("<HHII", *t) for t in tags) + struct.pack("<I", 0)
    path.write_bytes(b"II*\0" + struct.pack("<I", 8) + body)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda p: p.write_text("not a picture"), "is not a PNG, JPEG or TIFF"),
        (lambda p: p.write_bytes(b""), "is not a PNG, JPEG or TIFF"),
        (lambda p: _header_bomb(p, 50000), "million"),
        (lambda p: _header_bomb(p, 12000), "million"),
        (lambda p: _header_bomb(p, 4000), "cut short|broken"),
        (lambda p: Image.new("L", (1_000_000, 16)).save(p), "1000000 x 16 pixels is not a picture of a camera"),
        (lambda p: Image.new("L", (16, 40_000)).save(p), "is not a picture of a camera"),
        (lambda p: p.mkdir(), "is a folder"),
        (lambda p: None, "no such file"),
    ],
)
def test_what_is_no_still(tmp_path, make, says):
    make(tmp_path / "a.png")
    with pytest.raises(InputError, match=says) as told:
        read_still(tmp_path / "a.png")
    assert "\n" not in str(told.value)


def test_cut_short(tmp_path, ramp):
    for name in ("a.jpg", "a.png", "a.tif"):
        Image.fromarray(np.tile(ramp, (10, 10, 1))).save(tmp_path / name)
        raw = (tmp_path / name).read_bytes()
        (tmp_path / name).write_bytes(raw[: len(raw) * 6 // 10])
        with pytest.raises(InputError, match=r"cut short|broken|can be read"):
            read_still(tmp_path / name)


def test_tiff_bomb_and_broken_video(tmp_path):
    _tiff_bomb(tmp_path / "bomb.tif")
    with pytest.raises(InputError, match=r"million|broken|can be read"):
        read_still(tmp_path / "bomb.tif")
    (tmp_path / "clip.mp4").write_bytes(b"\0" * 5000)
    with pytest.raises(InputError, match=r"is not a video that can be read|broken|is not a picture"):
        read_still(tmp_path / "clip.mp4")
    Image.new("L", (8, 8)).save(tmp_path / "tiny.png")
    with pytest.raises(InputError, match="too small"):
        read_still(tmp_path / "tiny.png")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="Linux alone tells a process's own peak")
def test_a_large_still_takes_few_copies_of_itself(tmp_path):
    """In memory at the worst moment, in pictures' own sizes: Pillow's, its bytes and ours."""
    path, size = tmp_path / "large.png", (7000, 6000)
    Image.new("RGB", size).save(path, compress_level=1)
    code = (
        "import re, sys; from framematch.measure.stills import read_still; import numpy, PIL.PngImagePlugin;"
        "peak = lambda: int(re.search(r'VmHWM:\\s+(\\d+)', open('/proc/self/status').read())[1]);"
        "before = peak(); read_still(sys.argv[1], colour=True); print(peak() - before)"
    )
    grown = int(subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True).stdout)
    picture_kb = size[0] * size[1] * 3 / 1024
    assert 2 * picture_kb < grown < 3.6 * picture_kb


def test_names_are_spelt_out(tmp_path, ramp):
    for name in ("b.png", "a.JPG", "notes.txt"):
        (tmp_path / name).write_bytes(b"x")
    assert [n.rsplit("/", 1)[1] for n in named_stills([str(tmp_path)])] == ["a.JPG", "b.png"]
    assert [n.rsplit("/", 1)[1] for n in named_stills([str(tmp_path / "*.png")])] == ["b.png"]
    assert named_stills(["x.png"]) == ["x.png"]
    with pytest.raises(InputError, match="no file fits"):
        named_stills([str(tmp_path / "*.tif")])
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="no PNG, JPEG or TIFF"):
        named_stills([str(tmp_path / "empty")])


def test_each_still_of_no_use_has_its_reason(tmp_path, opencv_doc):
    source = opencv_doc / "left01.jpg"
    (tmp_path / "a.jpg").write_bytes(source.read_bytes())
    Image.open(source).save(tmp_path / "b.png")  # the same pixels in another file
    Image.new("L", (640, 480), 128).save(tmp_path / "c.png")
    (tmp_path / "d.png").write_text("nothing")
    looked = look_for_chart([str(tmp_path)], parse_chart(DOC))
    assert [bool(each.found) for each in looked] == [True, False, False, False]
    assert [each.reason for each in looked][1:3] == ["the same picture as a.jpg", "no chart found"]
    assert looked[3].reason.startswith("is not a PNG, JPEG or TIFF picture")
    with pytest.raises(InputError, match=r"no still shows the chart; c.png: no chart found"):
        usable(looked[2:])


# The commands


def run(*arguments):
    result = CliRunner().invoke(app, [str(a) for a in arguments])
    return result


@pytest.mark.parametrize("text", ["9" * 400, "60@" + "9" * 400 + ",3", "60@3," + "9" * 400, "9" * 5000 + ":60", "1.2.3", "60@.,1", "²"])
def test_a_distance_of_more_digits_than_a_number_holds_is_none(text):
    """It was taken for the horizon, and a place at infinity for a place in the still."""
    with pytest.raises(InputError, match="is not a distance"):
        parse_typed(text, moments=3)
    assert parse_typed("inf").distance_m == math.inf and parse_typed("2:60@310,204", moments=2).at_px == (310, 204)


def test_measure_lens_command(tmp_path, opencv_doc):
    result = run("measure", "lens", opencv_doc / "left[01]*.jpg", "--chart", DOC, "--out", tmp_path, "--json", tmp_path / "lens.json")
    assert result.exit_code == 0, result.output
    told = json.loads((tmp_path / "lens.json").read_text())
    assert len(told["stills_used"]) == 13 and f"RMS {told['rms_px']:.3f} px" in result.output
    for name, figure in told["figures"].items():
        assert f"{figure['value']:.6g}" in result.output and f"{figure['half_95']:.2g}" in result.output, name
    assert all(f"{told['angles_deg'][side]['value']:.2f}" in result.output for side in ("horizontal", "vertical", "diagonal"))
    assert all(f"{each['lens']} {each['rms_px']:.3f} px" in " ".join(result.output.split()) for each in told["tried"])
    assert "13 stills" in result.output and "corners reach" in result.output
    for name in ("detections.png", "residuals.png"):
        assert Image.open(tmp_path / name).size[0] > 1000
    text = (tmp_path / "camera.toml").read_text()
    assert 'model = "brown-conrady"' in text and "raster_px = [640, 480]" in text


@pytest.mark.at_length
def test_measure_mount_command_writes_a_pairing_that_reads(tmp_path, opencv_doc):
    from framematch.files.pairing import read_pairing

    file = tmp_path / "rig.toml"
    file.write_text(BENCH_RIG)
    left, right = opencv_doc / "left[01]*.jpg", opencv_doc / "right[01]*.jpg"
    result = run(
        "measure", "mount", file, "--recording", left, "--monitoring", right, "--chart", DOC, "--out", tmp_path, "--write", "--json", tmp_path / "mount.json"
    )
    assert result.exit_code == 0, result.output
    told = json.loads((tmp_path / "mount.json").read_text())
    assert told["figures"]["right_mm"]["value"] == pytest.approx(83.2, abs=0.5) and len(told["pairs_used"]) == 13
    assert all(f"{figure['value']:.3f}" in result.output and f"{figure['half_95']:.3f}" in result.output for figure in told["figures"].values())
    assert set(told["lenses"]) == set(told["rms_px"]) == {"recording", "monitoring"}
    after = read_pairing(file)
    assert after.mount.right_mm == pytest.approx(83.2, abs=0.5)
    assert after.tolerance.offset_mm < 0.5 and after.tolerance.focal_percent < 0.5
    assert after.recording.lens.projection == "brown-conrady" and after.recording.sensor_mm == (6.4, 4.8)
    # As measured at its focus: the file holds the focal length at infinity.
    assert after.recording.lens.focal_mm * 100 == pytest.approx(533.5, abs=2)
    assert "# by ruler" in file.read_text() and "# by the maker's sheet" in file.read_text()


def test_measure_lens_command_only_raises_the_shared_tolerance(tmp_path, opencv_doc):
    from framematch.files.pairing import read_pairing

    file = tmp_path / "rig.toml"
    file.write_text(BENCH_RIG)
    options = ("--chart", DOC, "--out", tmp_path, "--pairing", file, "--camera", "monitoring", "--write")
    assert run("measure", "lens", opencv_doc / "right[01]*.jpg", *options).exit_code == 0
    after = read_pairing(file)
    assert after.tolerance.focal_percent == 3 and 0 < after.tolerance.centre_px < 3
    assert after.monitoring.angles().horizontal == pytest.approx(67.6, abs=0.3)


def test_commands_refuse_in_one_line(tmp_path, opencv_doc):
    left = opencv_doc / "left0*.jpg"
    for arguments, says in (
        (("measure", "lens", left, "--chart", "A3"), "no still shows the chart"),
        (("measure", "lens", left, "--chart", "nothing"), "names no chart"),
        (("measure", "lens", left, "--chart", DOC, "--write"), "needs a pairing file"),
        (("measure", "lens", left, "--chart", DOC, "--bar-mm", 3), "printed at 3 %"),
        (("measure", "mount", "--recording", left, "--monitoring", opencv_doc / "right01.jpg", "--chart", DOC), "do not make pairs"),
        (("measure", "mount", "--recording", left, "--monitoring", left, "--chart", DOC), "are the same picture"),
        (("chart", "--paper", "A9"), "not a paper size"),
    ):
        result = run(*arguments, *(() if "chart" in arguments[:1] else ("--out", tmp_path / "out")))
        assert result.exit_code != 0 and isinstance(result.exception, InputError), (arguments, result.output)
        assert says in str(result.exception) and "\n" not in str(result.exception)


def test_chart_prints_at_true_scale_and_is_found(tmp_path, poppler):
    """Rendered from the PDF by poppler at 200 dpi: every corner is where its name says, to 0.05 mm."""
    import subprocess

    from framematch.measure.chart import find_chart

    assert run("chart", "--out", tmp_path / "chart.pdf", "--paper", "A4").exit_code == 0
    subprocess.run(["pdftoppm", "-r", "200", "-gray", "-png", str(tmp_path / "chart.pdf"), str(tmp_path / "page")], check=True)
    for page, name in ((1, "charuco-11x7-23mm"), (2, "chessboard-10x7-23mm")):
        grey = read_still(tmp_path / f"page-{page}.png").pixels
        assert grey.shape[1] / 200 * 25.4 == pytest.approx(297, abs=0.2)
        chart = parse_chart(name)
        found = find_chart(grey, chart)
        assert found is not None and len(found.ids) == len(chart.points_mm)
        off = found.pixels * 25.4 / 200 - chart.points_mm[found.ids][:, :2]
        assert np.abs(off - off.mean(axis=0)).max() < 0.05


def test_check_command(tmp_path):
    from check_rigs import glasshouse, rig_off, two_stills
    from measure_views import room

    from framematch.files.pairing import read_pairing

    rng = np.random.default_rng(3)
    true = rig_off(glasshouse(), rng)
    for still, name in zip(two_stills(true, room(rng), rng), ("r.png", "m.png"), strict=True):
        Image.fromarray(still.pixels).save(tmp_path / name)
    file = tmp_path / "rig.toml"
    file.write_text(
        """[shot]
distance_m = [1.5, 30.0]
[recording]
sensor_mm = [24.89, 13.1254]
raster_px = [1280, 675]
focal_mm = 18.0
distortion = { model = "brown-conrady", k = [-0.02, 0.004] }
[recording.frame]
aspect = "2.39:1"
keep_percent = 92
[monitoring]
sensor_mm = [5.9, 4.425]
raster_px = [960, 720]
projection = "equidistant"
angle_deg = { horizontal = 118.0 }
[monitoring.display]
raster_px = [1280, 720]
[mount]
offset_mm = { right = 0, up = 58, forward = 31 }  # by ruler
[tolerance]
offset_mm = 2
focal_percent = 0.3
centre_px = 1
"""
    )
    stills = ("--recording", tmp_path / "r.png", "--monitoring", tmp_path / "m.png", "--out", tmp_path)
    result = run("check", file, *stills, "--write", tmp_path / "after.toml", "--json", "-")
    assert result.exit_code == 0, result.output
    assert "details agree" in result.stderr and "percent of the frame" in result.stderr
    told = json.loads(result.stdout)
    assert told["verdict"] in " ".join(result.stderr.split()) and within(told["known_percent"]) in told["verdict"]
    assert all(f"{each['percent']:.2f}" in result.stderr for each in told["off_percent"]) and len(told["off_percent"]) == 3
    assert told["figures"]["pan_deg"]["value"] == pytest.approx(true.mount.pan_deg, abs=0.1) and told["figures"]["up_mm"]["in_the_file"] == 58
    assert all(f"{figure['value']:.2f}" in result.stderr for figure in told["figures"].values())
    after = read_pairing(tmp_path / "after.toml")
    assert after.mount.pan_deg == pytest.approx(true.mount.pan_deg, abs=0.1)
    assert "# by ruler" in (tmp_path / "after.toml").read_text()
    assert Image.open(tmp_path / "check.png").size[0] > 1500
    with pytest.raises(InputError, match="same picture"):
        raise run("check", file, "--recording", tmp_path / "m.png", "--monitoring", tmp_path / "m.png").exception
    with pytest.raises(InputError, match="needs stills"):
        raise run("check", file, "--monitoring", tmp_path / "m.png").exception


def test_check_of_wall_marks_command(tmp_path):
    """Marks 12 px right of their places on a display as large as the raster: the aim is panned left by that much."""
    from framematch.files.pairing import read_pairing
    from framematch.guide.shown import signed
    from framematch.guide.wall_marks import wall_marks

    file = tmp_path / "rig.toml"
    file.write_text(BENCH_RIG)
    Image.new("L", (640, 480), 128).save(tmp_path / "wall.png")
    places = "; ".join(f"{m.display_px[0] + 12:.1f},{m.display_px[1]:.1f}" for m in wall_marks(read_pairing(file), 3.0))
    options = ("--monitoring", tmp_path / "wall.png", "--marks", places, "--distance", 3, "--write", tmp_path / "after.toml")
    result = run("check", file, *options, "--json", tmp_path / "check.json")
    assert result.exit_code == 0, result.output
    told = json.loads((tmp_path / "check.json").read_text())
    assert f"off by up to {told['off_percent']:.1f} %" in result.output and told["distance_m"] == 3
    assert all(f"{signed(figure['value'], 3)} ± {figure['half_95']:.3f}" in result.output for figure in told["figures"].values())
    assert "The guide is off by up to" in result.output
    assert read_pairing(tmp_path / "after.toml").mount.pan_deg == pytest.approx(-12 * 70 / 640, abs=0.25)
    assert "needed with wall marks" in str(run("check", file, *options[:4]).exception)
    assert "0 wall marks found" in str(run("check", file, "--monitoring", tmp_path / "wall.png", "--marks", "find", "--distance", 3).exception)


def test_focal_lengths_that_a_check_moves_are_written_so_that_they_read(tmp_path):
    from dataclasses import replace

    from framematch.files.pairing import read_pairing
    from framematch.measure.into_file import camera_values, changed_pairing

    file = tmp_path / "rig.toml"
    file.write_text(BENCH_RIG)
    before = read_pairing(file)
    longer = [replace(c, lens=replace(c.lens, focal_mm=1.01 * c.lens.focal_mm)) for c in (before.recording, before.monitoring)]
    values = {f"{which}.{k}": v for which, c, focus in zip(("recording", "monitoring"), longer, (before.focus_m, math.inf), strict=True)
              for k, v in camera_values(c, focus_m=focus).items()}  # fmt: skip
    text = changed_pairing(file, values)
    file.write_text(text)
    after = read_pairing(file)
    for which in ("recording", "monitoring"):
        was, now = getattr(before, which).lens, getattr(after, which).lens
        assert now.projection == was.projection and now.focal_mm == pytest.approx(1.01 * was.focal_mm, rel=1e-5)
    (tmp_path / "cam.toml").write_text("sensor_mm = [6.4, 4.8]\nraster_px = [640, 480]\nfocal_mm = 5.0\n")
    head, _, rest = BENCH_RIG.partition("[recording]")
    file.write_text(head + '[recording]\nuse = "cam.toml"\n' + rest[rest.index("[monitoring]") :])
    with pytest.raises(InputError, match=r"comes from 'cam.toml'"):
        changed_pairing(file, {"recording.focal_mm": 5.1})
