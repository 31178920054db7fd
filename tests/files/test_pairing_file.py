"""Pairing files: what they say, how they teach, and that writing back keeps what people wrote."""

from __future__ import annotations

import math
import re

import pytest

from framematch.errors import InputError
from framematch.files.pairing import parse_pairing, read_pairing, write_changed
from framematch.files.pairing_tables import PairingFile, parse_aspect
from framematch.files.starter import STARTER
from framematch.geometry.camera import FORMATS_MM
from framematch.geometry.pairing import Tolerance
from framematch.text.toml import changed_text


def altered(old: str, new: str) -> str:
    assert old in STARTER
    return STARTER.replace(old, new, 1)


def test_the_starter_reads_as_our_glasshouse_rig():
    p = parse_pairing(STARTER)
    assert (p.near_m, p.far_m) == (1.5, 30.0)
    assert p.recording.lens.projection == "brown-conrady" and p.recording.lens.k == (-0.02, 0.004)
    assert p.monitoring.angles().horizontal == pytest.approx(118.0)
    assert p.frame.width / p.frame.height == pytest.approx(2.39)
    assert p.frame.width == pytest.approx(0.92 * 5760)
    assert p.tolerance == Tolerance(offset_mm=4, aim_deg=0.5, focal_percent=2)
    assert (p.mount.up_mm, p.mount.forward_mm, p.text_cells) == (58, 31, (50, 18))


def test_what_is_left_out_has_its_stated_default():
    text = re.sub(r"(?ms)^\[(recording\.frame|monitoring\.display|mount|tolerance)\].*?(?=^\[|\Z)", "", STARTER)
    p = parse_pairing(text, name="bare.toml")
    assert p.frame.as_tuple() == (0, 0, 5760, 3036)
    assert p.display.raster_px == (1440, 1080) and p.display.fit == "crop"
    assert p.mount.up_mm == 0 and not p.tolerance.given and p.text_cells is None


def test_infinity_is_a_distance():
    p = parse_pairing(altered("[1.5, 30.0]", "[1.5, inf]"))
    assert math.isinf(p.far_m)


@pytest.mark.parametrize("name", FORMATS_MM)
def test_a_format_stands_for_its_size(name):
    w, h = FORMATS_MM[name]
    height = round(5760 * h / w)
    text = altered("sensor_mm = [24.89, 13.12] ", f'format = "{name}" ').replace("[5760, 3036]", f"[5760, {height}]").replace("1518.0", "1500.0")
    assert parse_pairing(text).recording.sensor_mm == (w, h)


@pytest.mark.parametrize(("written", "ratio"), [("2.39:1", 2.39), ("16:9", 16 / 9), ("2048:858", 2048 / 858), (1.85, 1.85), ("1.85", 1.85), ("4x3", 4 / 3)])
def test_shapes_as_people_write_them(written, ratio):
    assert parse_aspect(written) == pytest.approx(ratio)


BAD = {
    "broken TOML": (STARTER + "\n[[[", r"is not TOML"),
    "missing table": (STARTER.replace(STARTER[STARTER.index("[shot]") : STARTER.index("[recording]")], ""), r"shot: is missing"),
    "missing key": (altered("raster_px = [5760, 3036]", ""), r"recording\.raster_px: is missing\. Give .*pixels"),
    "unknown key with the nearest": (altered("focal_mm = 18.0", "focal_m = 18.0"), r"recording\.focal_m: unknown key\. Did you mean 'focal_mm'\?"),
    "unknown table with the nearest": (altered("[tolerance]", "[tolerances]"), r"tolerances: unknown key\. Did you mean 'tolerance'\?"),
    "metres for millimetres": (altered("focal_mm = 18.0", "focal_mm = 0.018"), r"0\.018 .*looks like metres: write 18"),
    "sensor in metres": (altered("[24.89, 13.12]", "[0.02489, 0.01312]"), r"sensor_mm.*looks like metres: write 24\.89"),
    "millimetres for metres": (altered("[1.5, 30.0]", "[1500000, 3000000]"), r"looks like millimetres: write 1500"),
    "negative": (altered("f_number = 8.0", "f_number = -8.0"), r"recording\.f_number: -8\.0 .*greater"),
    "NaN": (altered("focal_mm = 18.0", "focal_mm = nan"), r"recording\.focal_mm: nan .*finite"),
    "infinity where not allowed": (altered("offset_mm = 4 ", "offset_mm = inf "), r"tolerance\.offset_mm: inf .*finite"),
    "text for a number": (altered("focal_mm = 18.0", 'focal_mm = "18"'), r"'18' is not a number"),
    "shapes that disagree": (altered("[24.89, 13.12]", "[24.89, 18.66]"), r"recording\.sensor_mm: .*1\.334:1 .*1\.897:1.*\[24\.89, 13\.1"),
    "angle impossible for the projection": (
        altered('projection = "equidistant"', 'projection = "rectilinear"').replace("118.0", "185.0"),
        r"monitoring\.angle_deg\.horizontal: .*185",
    ),
    "near beyond far": (altered("[1.5, 30.0]", "[30.0, 1.5]"), r"shot\.distance_m: .*farther than farthest"),
    "near inside the rig": (altered("[1.5, 30.0]", "[0.02, 30.0]"), r"inside the rig"),
    "model against projection": (altered('projection = "rectilinear"', 'projection = "equisolid"'), r"brown-conrady does not go with equisolid"),
    "too many coefficients": (altered("k = [-0.02, 0.004]", "k = [1, 2, 3, 4, 5, 6, 7]"), r"recording\.distortion\.k"),
    "both focal and angle": (altered("focal_mm = 18.0", "focal_mm = 18.0\nangle_deg = { horizontal = 69.0 }"), r"give either focal_mm or angle_deg"),
    "no picture's shape": (altered('"2.39:1"', '"wide"'), r"'wide' is not a shape"),
    "lens centre outside": (altered("[2880.0, 1518.0]", "[9000.0, 1518.0]"), r"outside the raster"),
    "use without a folder": (altered("[mount]", '[mount]\nuse = "mount.toml"'), r"mount\.use: names another file"),
    "a number of ten thousand digits": (altered("18.0", "1" * 10000), r"is not TOML|outside"),
    "nested too deep": ("a = " + "[" * 100_000, r"is not TOML"),
    "a key of a hundred thousand parts": (".".join("a" * 100_000) + " = 1", r"is not TOML"),
    "focus inside the lens": (altered("focus_m = inf", "focus_m = 0.01"), r"recording\.focus_m: 0\.01 m is not beyond"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_files_get_one_clear_line(name):
    text, expected = BAD[name]
    with pytest.raises(InputError) as caught:
        parse_pairing(text, name="rig.toml")
    line = str(caught.value)
    assert "\n" not in line and line.startswith("rig.toml: ") and len(line) < 400
    assert re.search(expected, line), line


def test_a_camera_table_can_come_from_a_shared_file(tmp_path):
    (tmp_path / "cameras").mkdir()
    table = STARTER[STARTER.index("[monitoring]") : STARTER.index("[mount]")]
    (tmp_path / "cameras/wide.toml").write_text(table)
    (tmp_path / "rig.toml").write_text(STARTER.replace(table, '[monitoring]\nuse = "cameras/wide.toml"\ncentre_px = [700.0, 545.0]\n\n'))
    p = read_pairing(tmp_path / "rig.toml")
    assert p.monitoring.angles().horizontal == pytest.approx(118.0, abs=0.1)
    assert p.monitoring.centre_px == (700.0, 545.0)  # what stands beside `use` wins
    assert p.display.raster_px == (1280, 720)


def test_a_kit_folder_is_looked_in_too(tmp_path):
    crew, kit = tmp_path / "crew", tmp_path / "kit"
    crew.mkdir(), kit.mkdir()
    (kit / "mount.toml").write_text("offset_mm = { up = 70 }\n")
    text = STARTER[: STARTER.index("[mount]")] + '[mount]\nuse = "mount.toml"\n'
    (crew / "rig.toml").write_text(text)
    assert read_pairing(crew / "rig.toml", kit=kit).mount.up_mm == 70
    with pytest.raises(InputError, match="there is no file"):
        read_pairing(crew / "rig.toml")


@pytest.mark.parametrize("reach", ["../secret.toml", "{absolute}", "link.toml", "a/../../secret.toml"])
def test_use_never_leaves_its_folder(tmp_path, reach):
    home = tmp_path / "home"
    home.mkdir()
    secret = tmp_path / "secret.toml"
    secret.write_text("offset_mm = { up = 70 }\n")
    (home / "link.toml").symlink_to(secret)
    text = STARTER[: STARTER.index("[mount]")] + f'[mount]\nuse = "{reach.format(absolute=secret)}"\n'
    (home / "rig.toml").write_text(text)
    with pytest.raises(InputError, match=r"mount\.use: .*outside"):
        read_pairing(home / "rig.toml")


def test_a_shared_file_with_a_fault_is_named(tmp_path):
    (tmp_path / "mount.toml").write_text("offset_mm = { up = 70\n")
    (tmp_path / "rig.toml").write_text(STARTER[: STARTER.index("[mount]")] + '[mount]\nuse = "mount.toml"\n')
    with pytest.raises(InputError, match=r"mount\.toml: is not TOML"):
        read_pairing(tmp_path / "rig.toml")


def test_writing_back_keeps_comments_and_order(tmp_path):
    path = tmp_path / "rig.toml"
    path.write_text(STARTER)
    write_changed(path, {"recording.focal_mm": 25.0, "mount.aim_deg.tilt": 0.4, "monitoring.display.fit": "letterbox"})
    after = path.read_text()
    p = read_pairing(path)
    assert (p.recording.lens.focal_mm, p.mount.tilt_deg, p.display.fit) == (25.0, 0.4, "letterbox")
    before, now = STARTER.splitlines(), after.splitlines()
    assert len(before) == len(now)
    changed = [(a, b) for a, b in zip(before, now, strict=True) if a != b]
    assert len(changed) == 3
    for a, b in changed:
        assert a.partition("#")[2] == b.partition("#")[2]


def test_writing_back_adds_tables_and_refuses_what_is_no_pairing(tmp_path):
    bare = STARTER[: STARTER.index("[mount]")]
    assert parse_pairing(changed_text(bare, {"mount.offset_mm.up": 61.5})).mount.up_mm == 61.5
    path = tmp_path / "rig.toml"
    path.write_text(STARTER)
    with pytest.raises(InputError):
        write_changed(path, {"recording.focal_mm": -3.0})
    assert path.read_text() == STARTER
    assert list(tmp_path.iterdir()) == [path]


def test_every_key_says_what_it_is():
    def walk(schema, path=""):
        for name, field in schema.model_fields.items():
            assert field.description, f"{path}{name} has no description"
            for inner in (field.annotation, *getattr(field.annotation, "__args__", ())):
                if hasattr(inner, "model_fields"):
                    walk(inner, f"{path}{name}.")

    walk(PairingFile)
