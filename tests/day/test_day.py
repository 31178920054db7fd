"""The flight day from file to card: shots on packs, people on the ground, impossible days, units, bad files, the pages."""

from __future__ import annotations

import math
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from at_length import sample
from typer.testing import CliRunner

from framematch.cautions import DAY
from framematch.cli import app, main
from framematch.day import DayPlan, plan_day
from framematch.errors import InputError
from framematch.files.day import parse_day, read_day
from framematch.files.pairing import parse_pairing
from framematch.files.starter import STARTER, starter_day
from framematch.flight import fall, ground, shots
from framematch.geometry.pairing import Pairing
from framematch.output.day_card import write_card
from framematch.output.day_text import checklist, sections
from framematch.scene import registry

PAIRING = parse_pairing(STARTER)


def _plan(text: str, *, pairing: Pairing = PAIRING) -> DayPlan:
    return plan_day(parse_day(text, pairing=pairing))


def _starter_with(**changes: str) -> str:
    """The starter day with lines replaced: key = new right-hand side."""
    text = starter_day("glasshouse.toml")
    for key, value in changes.items():
        text, n = re.subn(rf"(?m)^{key} = [^#\n]*", f"{key} = {value} ", text, count=1)
        assert n == 1, key
    return text


@pytest.fixture(scope="module")
def good() -> DayPlan:
    return _plan(starter_day("glasshouse.toml"))


def _words(plan: DayPlan) -> str:
    return "\n".join(" ".join((s.heading, *(f"{a}: {b}" for a, b in s.rows), *s.notes)) for s in sections(plan))


# Shots on packs and cards ------------------------------------------------------------------------


def _shot(name: str, takes: int, take_s: float = 30.0) -> shots.Shot:
    return shots.Shot(name=name, takes=takes, take_s=take_s, reset_s=10.0, take_w=1200.0, reset_w=900.0)


def test_takes_on_packs_by_hand() -> None:
    """A take is (30 x 1200 + 10 x 900) / 3600 = 12.5 Wh; out and back 60 s at 600 W is 10 Wh; 50 Wh hold 3 takes."""
    plan = shots.plan_flights([_shot("A", 4), _shot("B", 3)], usable_wh=50.0, transit_s=60, transit_w=600.0, card_minutes=7.0, before_takeoff_s=60)
    assert [f.takes for f in plan.flights] == [(("A", 1, 3),), (("A", 4, 4), ("B", 1, 2)), (("B", 3, 3),)]
    assert [f.used_wh for f in plan.flights] == pytest.approx([47.5, 47.5, 22.5])
    # A flight of three takes rolls 60 + 60 + 120 s = 4 min: one on a card of 7, and the last (2.67 min) with the second.
    assert [f.card for f in plan.flights] == [1, 2, 2]
    assert dict(plan.takes_per_pack) == {"A": 3, "B": 3}
    # 7 min: a whole flight (4 min, 3 takes), then 3 min less 2 of overhead hold one more take of 40 s.
    assert dict(plan.takes_per_card) == {"A": 4, "B": 4}


def test_what_runs_out_first() -> None:
    plan = shots.plan_flights([_shot("A", 9)], usable_wh=50.0, transit_s=60, transit_w=600.0, card_minutes=4.5, before_takeoff_s=60)
    assert plan.packs == 3 and plan.cards == 3
    assert shots.first_to_run_out(plan, packs_owned=2, cards_owned=3) == ("packs", 6)
    assert shots.first_to_run_out(plan, packs_owned=2, cards_owned=1) == ("cards", 3)
    assert shots.first_to_run_out(plan, packs_owned=3, cards_owned=None) is None


@pytest.mark.parametrize("usable", [23.0, 47.5, 60.0, 200.0])
def test_no_flight_goes_into_the_reserve_and_no_take_is_lost(usable: float) -> None:
    wanted = [_shot("A", 5), _shot("B", 2, take_s=55.0), _shot("C", 7, take_s=12.0)]
    plan = shots.plan_flights(wanted, usable_wh=usable, transit_s=60, transit_w=600.0)
    assert all(f.used_wh <= usable + 1e-9 for f in plan.flights)
    flown = {s.name: [n for f in plan.flights for name, a, b in f.takes if name == s.name for n in range(a, b + 1)] for s in wanted}
    for s in wanted:
        assert flown[s.name] == ([] if s.name in plan.too_long else list(range(1, s.takes + 1)))
    # Never a landing that the next take did not ask for.
    each = {s.name: s.energy_wh for s in wanted}
    for before, after in zip(plan.flights[:-1], plan.flights[1:], strict=True):
        assert before.used_wh + each[after.takes[0][0]] > usable


# Ground ------------------------------------------------------------------------------------------


def test_fall_areas_hold_every_stone_thrown() -> None:
    """10 000 bodies let go at random along the run, slowed by any drag and thrown off by up to half a turn, land inside."""
    random = np.random.default_rng(7)
    points = fall.along_run([[0, 0, 3], [0, 20, 3], [6, 30, 6]], speed_m_s=14)
    areas = ground.fall_areas(points, size_m=0.6, margin_m=1.0)
    straight, around = (shapely.union_all([shapely.Polygon(r) for r in rings]) for rings in (areas.straight, areas.round))
    legs = np.array([[0, 0, 3], [0, 20, 3], [6, 30, 6.0]])
    leg = random.integers(0, 2, 10_000)
    start = legs[leg] + random.random((10_000, 1)) * (legs[leg + 1] - legs[leg])
    way = (legs[leg + 1] - legs[leg]) / np.linalg.norm(legs[leg + 1] - legs[leg], axis=1, keepdims=True) * 14
    time = (way[:, 2] + np.sqrt(way[:, 2] ** 2 + 2 * 9.80665 * start[:, 2])) / 9.80665
    short = random.random((10_000, 1))
    assert shapely.contains_xy(straight, *(start[:, :2] + short * time[:, None] * way[:, :2]).T).all()
    turn = random.random(10_000) * 2 * np.pi
    far = np.linalg.norm(way[:, :2], axis=1) * time
    landed = start[:, :2] + (short[:, 0] * far)[:, None] * np.stack([np.sin(turn), np.cos(turn)], axis=1)
    assert shapely.contains_xy(around, *landed.T).all()
    # And they are no larger than they say: the straight one ends where the farthest throw does.
    end = points[-1]
    beyond = np.array(end.lands_m) + 1.35 * (np.array(end.lands_m) - end.at_m) / end.distance_m
    assert not shapely.contains_xy(straight, *beyond)


def test_wind_widens_the_areas_by_its_drift() -> None:
    points = fall.along_run([[0, 0, 5], [0, 20, 5]], speed_m_s=10)
    still, windy = (ground.fall_areas(points, wind_m_s=w) for w in (0.0, -6.0))
    assert windy.widened_m - still.widened_m == pytest.approx(6 * math.sqrt(2 * 5 / 9.80665))


def test_inside_follows_holes() -> None:
    ring = np.array([[0, 0], [10, 0], [10, 10], [0, 10], [0, 0.0]])
    hole = np.array([[4, 4], [6, 4], [6, 6], [4, 6], [4, 4.0]])
    assert ground.inside([ring, hole], (2, 2)) and not ground.inside([ring, hole], (5, 5))
    assert ground.inside([ring, hole], (5, 5), radius_m=1.1) and not ground.inside([ring], (11, 5), radius_m=0.9)


@pytest.mark.parametrize("height", [0.513, 1.617, 3.3])
def test_the_scene_in_plan_is_what_trimesh_cuts(height: float) -> None:
    import trimesh

    from framematch.scene.registry import make_scene

    surface = make_scene("window").surface
    ours = ground.cut_through(surface.vertices, surface.faces, height_m=height, shortest_m=0.0)
    mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
    theirs = trimesh.intersections.mesh_plane(mesh, plane_origin=[0, height, 0], plane_normal=[0, 1, 0])
    drawn = shapely.union_all([shapely.LineString(line) for line in ours])
    cut = shapely.union_all([shapely.LineString(np.stack([v[:, 0], -v[:, 2]], axis=1)) for v in theirs])
    assert drawn.hausdorff_distance(cut) < 2e-3


def test_a_scene_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no scene 'cellar'"):
        _plan(_starter_with(scene='"cellar"'))
    (tmp_path / "glasshouse.toml").write_text(STARTER)
    (tmp_path / "day.toml").write_text(_starter_with(scene='"../scan.glb"'))
    with pytest.raises(InputError, match="leads outside"):
        plan_day(read_day(tmp_path / "day.toml"))


def test_without_the_mesh_library_the_card_says_what_it_leaves_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "trimesh", None)
    registry._made.cache_clear()  # or another test's scene is at hand
    plan = _plan(starter_day("x"))
    assert plan.distances is not None and plan.distances.walls == ()
    assert any(line.startswith("The scene is not drawn") for line in plan.unknown)


def test_a_mesh_of_the_place_is_drawn(tmp_path: Path) -> None:
    import trimesh

    box = trimesh.creation.box(extents=[4, 3, 2])
    box.apply_translation([0, 1.5, -6])
    box.export(tmp_path / "scan.glb")
    (tmp_path / "glasshouse.toml").write_text(STARTER)
    (tmp_path / "day.toml").write_text(_starter_with(scene='"scan.glb"'))
    found = plan_day(read_day(tmp_path / "day.toml")).distances
    assert found is not None
    low, high = (np.concatenate(found.walls).min(axis=0), np.concatenate(found.walls).max(axis=0))
    assert low == pytest.approx([-2, 5], abs=1e-3) and high == pytest.approx([2, 7], abs=1e-3)


@pytest.mark.parametrize("heading", [0.0, 70.0, 200.0])
def test_a_person_ahead_is_in_shot_and_one_behind_is_not(heading: float) -> None:
    from framematch.guide.areas import areas

    turn = np.array([[math.cos(math.radians(heading)), math.sin(math.radians(heading))], [-math.sin(math.radians(heading)), math.cos(math.radians(heading))]])

    def plan(right: float, ahead: float) -> tuple[float, float]:
        x, y = turn @ [right, ahead]
        return float(x), float(y)

    run = np.array([[*plan(0, 0), 1.5], [*plan(0, 20), 1.5]])
    ever = areas(PAIRING).ever

    def look(right: float, ahead: float, height: float = 1.75) -> ground.InShot:
        return ground.in_shot(PAIRING, ever, points_m=run, at_m=plan(right, ahead), height_m=height, camera_elevation_deg=0.0)

    ahead = look(0, 30)
    assert ahead.recorded_m == pytest.approx((0, 20)) and ahead.ever_m == pytest.approx((0, 20))
    behind = look(0, -3)
    assert behind.recorded_m is None and behind.ever_m is None
    # 65 degrees across at 1.5 m up: someone 5 m to the side, 10 m ahead, leaves when the near shoulder passes the frame's edge.
    passed = look(5, 10)
    half = math.radians(PAIRING.recording.angles(PAIRING.frame).horizontal / 2)
    assert passed.recorded_m is not None
    assert passed.recorded_m[1] == pytest.approx(10 - 5 / math.tan(half), abs=0.6)
    assert passed.ever_m is not None and passed.ever_m[1] >= passed.recorded_m[1] - 0.26


# Days --------------------------------------------------------------------------------------------


def test_the_starter_day_can_be_flown(good: DayPlan) -> None:
    assert good.impossible == ()
    assert good.tilts and good.endurance and good.flights and good.light and good.distances
    assert good.tilts.planned.recording_percent == pytest.approx(50)
    assert good.flights.packs == 3 and sum(f.count for f in good.flights.flights) == 7
    assert good.light.chosen and good.light.chosen.densities == (1.2,)
    assert {p.name: p.in_round for p in good.distances.people} == {"Visual observer": False}
    assert all(3 <= m <= 5 for _, m in good.endurance.minutes)


def test_the_card_follows_the_sets_of_lines(good: DayPlan) -> None:
    plan = plan_day(good.day, sets=2)
    guide = next(s for s in sections(plan) if s.kind == "display")
    rows = dict(guide.rows)
    assert rows["Set 1: holds for"].startswith("1.5 m to") and rows["Set 2: holds for"].endswith("30 m")
    assert rows["Set 1: inset, left"] != rows["Set 2: inset, left"] and "Inset, left" not in rows
    assert any("change from set 2 to set 1" in note for note in guide.notes)
    assert not any(line.startswith("The rectangle is off") for line in plan.warnings)  # that is of one set for all


IMPOSSIBLE = [
    ({"light": '"full sun"', "iso": "6400", "nd": "[0.3]"}, "No stop fits: with every filter here the scene is"),
    ({"light": '"dim interior"', "iso": "100"}, "No stop fits: without a filter the scene is"),
    ({"capacity_ah": "0.1"}, "The pack can't lift the rig: hovering takes"),
    ({"accessories_w": "25\nmax_lift_kg = 3.9"}, "The motors can't lift the rig: full thrust is 3.90 kg"),
    ({"accessories_w": "25\nmax_lift_kg = 4.5"}, "can't lift the rig with room to steer"),
    ({"reserve_percent": "0"}, "Zero reserve: the pack would be flown flat"),
    ({"reserve_percent": "100"}, "The whole pack is reserve"),
    ({"take_s": "300"}, "Not one take of “Through the pane” fits on a pack"),
    ({"capacity_gb": "8"}, "A single flight is longer than empty media can record"),
    ({"points_m": "[[0, 0, 90], [0, 0.1, 2]]", "drag_area_m2": "0.8"}, "The run can't be flown steadily"),
]


@pytest.mark.parametrize(("changes", "says"), IMPOSSIBLE)
def test_impossible_days_are_said_in_words(changes: dict[str, str], says: str) -> None:
    plan = _plan(_starter_with(**changes))
    assert any(says in line for line in plan.impossible), plan.impossible


@pytest.mark.parametrize(("changes", "says"), sample(IMPOSSIBLE[::4], IMPOSSIBLE))
def test_what_is_impossible_is_said_first(changes: dict[str, str], says: str, tmp_path: Path, poppler: None) -> None:
    plan = _plan(_starter_with(**changes))
    for path in write_card(plan, tmp_path / "card.pdf"):
        text = " ".join(subprocess.run(["pdftotext", "-raw", path, "-"], capture_output=True, text=True, check=True).stdout.split())
        told = text.index(says[:30])
        assert text.index("Can't be flown as planned") < told
        others = [h for h in ("Guide in the goggles", "Camera tilt", "Stop and filter", "Look at this first", "Packs and media") if h in text]
        assert len(others) >= 3 and all(told < text.index(h) for h in others)


def test_half_a_day_says_what_it_cannot_know() -> None:
    plan = _plan('pairing = "x"')
    assert plan.impossible == () and plan.tilts is None and plan.endurance is None
    assert [line.split(":")[0] for line in plan.unknown] == [
        "Camera tilt",
        "Flying time",
        "Order of takes",
        "Stop and filter",
        "Where it could come down",
    ]
    assert [s.heading for s in sections(plan)] == ["Guide in the goggles"]
    assert "Recording confirmed at the camera, before take-off" in checklist(plan)


def test_imperial_figures_make_the_same_day_and_are_shown_on_request(good: DayPlan) -> None:
    text = _starter_with(
        mass_kg='"7 lb 4.405 oz"',
        prop_diameter_m='"7.0866 in"',
        speed_m_s='"26.8432 mph"',
        altitude_m='"393.70 ft"',
        temperature_c='"60.8 F"',
        points_m='[["0 ft", "-59.055 ft", "5.249 ft"], [0, 0, 1.6], [1, 12, 2.2]]',
        capacity_ah='"4500 mAh"',
        units='"imperial"',
    )
    same = _plan(text)
    assert same.tilts and good.tilts and same.endurance and good.endurance
    assert same.tilts.planned.recording_deg == pytest.approx(good.tilts.planned.recording_deg, abs=2e-3)
    assert dict(same.endurance.minutes)["hard"] == pytest.approx(dict(good.endurance.minutes)["hard"], rel=1e-3)
    metric, imperial = _words(good), _words(same)
    assert "26.8 mph" in imperial and "8.82 lb" in imperial and "4.92 ft" in imperial
    assert "12 m/s" in metric and "4.00 kg" in metric and "1.5 m" in metric
    assert not re.search(r"\d (m|m/s|kg)\b", imperial.replace(" ".join(same.report.warnings), ""))


def test_a_logged_flight_is_met_and_said() -> None:
    text = _starter_with(accessories_w='25\nlogged_flight = { minutes = 3.0, mass_kg = 4.0, used_percent = 80, style = "hard", speed_m_s = 12 }')
    plan = _plan(text)
    assert plan.endurance and plan.endurance.fitted
    # Flown in today's air at today's weight and speed: today's hard flight on the same 80 % is the logged one.
    assert dict(plan.endurance.minutes)["hard"] == pytest.approx(3.0, rel=1e-9)
    assert "Fitted to your logged flight." in _words(plan)


def test_props_in_the_frame_are_told() -> None:
    near = '[[aircraft.prop]]\nname = "front left"\nat_mm = { right = -110, up = 8, forward = 120 }\nradius_mm = 90\n\n[pack]'
    plan = _plan(starter_day("x").replace("[pack]", near, 1))
    assert plan.tilts and plan.tilts.props and plan.tilts.props.in_shot
    assert any(line.startswith("In the frame with this tilt: front left") for line in plan.warnings)
    clear = _plan(starter_day("x").replace("[pack]", near.replace("up = 8", "up = 400"), 1))
    assert clear.tilts and clear.tilts.props and not clear.tilts.props.in_shot


def test_another_stop_shutter_or_speed_than_the_gap_table_is_told(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(STARTER + "\n[gap]\nsize_m = [1.2, 0.9]\n[run]\nspeed_m_s = 12\nshutter_deg = 180\n")
    day = tmp_path / "day.toml"
    day.write_text(starter_day("rig.toml"))
    agree = plan_day(read_day(day)).warnings
    assert not any("gap table" in line for line in agree), agree
    day.write_text(_starter_with(light='"full sun"', shutter_deg="90").replace("glasshouse.toml", "rig.toml"))
    told = [line for line in plan_day(read_day(day)).warnings if "gap table" in line.lower()]
    assert any(line.startswith("Blur is 0.50 times") for line in told)
    day.write_text(_starter_with(nd="[0.9]").replace("glasshouse.toml", "rig.toml"))
    told = [line for line in plan_day(read_day(day)).warnings if "gap table" in line.lower()]
    assert any("a near limit of" in line for line in told) and any("diffraction" in line for line in told)


def test_diffraction_flicker_and_depth_are_told() -> None:
    text = _starter_with(nd="[0.3]", light='"overcast"', shutter_deg="150").replace("[exposure]", "[exposure]\nmains_hz = 50")
    plan = _plan(text.replace("f_number_range = [2.8, 16]", "f_number_range = [2.8, 32]"), pairing=replace(PAIRING, focus_m=4.0))
    assert any("diffraction softens" in line for line in plan.warnings)
    assert any("set 172.8 degrees" in line for line in plan.warnings)
    wide = _plan(_starter_with(nd="[1.8]", light='"overcast"'), pairing=replace(PAIRING, focus_m=4.0))
    assert any("the far limit is" in line for line in wide.warnings)


# Cards -------------------------------------------------------------------------------------------


def test_card_pages(good: DayPlan, tmp_path: Path, poppler: None) -> None:
    a4, phone = write_card(good, tmp_path / "card.pdf")
    sizes = []
    for path in (a4, phone):
        info = subprocess.run(["pdfinfo", path], capture_output=True, text=True, check=True).stdout
        assert re.search(rf"Pages:\s+{2 if path == a4 else 1}\b", info)
        found = re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", info)
        assert found
        sizes.append((float(found[1]) * 25.4 / 72, float(found[2]) * 25.4 / 72))
        rows = subprocess.run(["pdffonts", path], capture_output=True, text=True, check=True).stdout.splitlines()[2:]
        assert rows and all(row.split()[-5] == "yes" for row in rows), rows  # embedded
        text = " ".join(subprocess.run(["pdftotext", "-raw", path, "-"], capture_output=True, text=True, check=True).stdout.split())
        for word in ("Guide in the goggles", "318", "211", "192", "6.3° up", "T9 (f/8)", "ND 1.2", "Through the pane 1-3", "Visual observer", "3 min 11 s"):
            assert word in text, word
        for line in (*checklist(good), *DAY):
            assert line in text, line
    assert sizes[0] == pytest.approx((210, 297), abs=0.1)
    assert sizes[1][0] == pytest.approx(72, abs=0.1) and 200 < sizes[1][1] < 900


def test_nothing_is_drawn_off_the_page(good: DayPlan, tmp_path: Path, poppler: None) -> None:
    """Rasterised: a clean white rim of 4 mm on paper, 2 mm on the phone."""
    from PIL import Image

    for path, rim_mm in zip(write_card(good, tmp_path / "card.pdf"), (4.0, 2.0), strict=True):
        subprocess.run(["pdftoppm", "-r", "100", "-png", "-singlefile", path, path.with_suffix("")], check=True)
        pixels = np.asarray(Image.open(path.with_suffix(".png")).convert("L"))
        rim = round(rim_mm / 25.4 * 100)
        frame = np.ones(pixels.shape, dtype=bool)
        frame[rim:-rim, rim:-rim] = False
        assert (pixels[frame] > 250).all()
        assert (pixels < 128).mean() > 0.01


@pytest.mark.at_length
def test_a_long_list_still_fits_and_too_long_a_one_is_refused_whole(tmp_path: Path) -> None:
    def day(count: int) -> str:
        more = "".join(f'\n[[shots]]\nname = "Another angle on the vine house {i}"\ntakes = 2\ntake_s = 30\n' for i in range(count))
        return starter_day("x").replace("[[people]]", more + "\n[[people]]", 1)

    a4, _ = write_card(_plan(day(18)), tmp_path / "long.pdf")
    assert a4.stat().st_size > 10_000
    with pytest.raises(InputError, match="Split the day"):
        write_card(_plan(day(80)), tmp_path / "too-long.pdf")
    assert not list(tmp_path.glob("*too-long*"))


def test_titles_of_any_script_and_length(tmp_path: Path) -> None:
    plan = _plan(starter_day("x").replace("Glasshouse, morning", "Оранжерея, утро, Θερμοκήπιο, " + "very " * 20 + "long"))
    for path in write_card(plan, tmp_path / "card.pdf"):
        assert path.exists()


# Command line and files --------------------------------------------------------------------------


def _run(*args: str) -> tuple[int, str]:
    found = CliRunner().invoke(app, list(args))
    return found.exit_code, found.output


def test_command_line_passes_everything_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "pairing.toml").write_text(STARTER)
    assert _run("init-day", "day.toml")[0] == 0
    code, said = _run("day", "day.toml", "--out", "card.pdf", "--units", "imperial")
    assert code == 0, said
    assert "mph" in said and "Wrote card.pdf and card-phone.pdf" in said
    assert {p.name for p in tmp_path.glob("*.pdf")} == {"card.pdf", "card-phone.pdf"}
    code, said = _run("day", "pairing.toml", "--out", "alone.pdf")
    assert code == 0 and "aircraft and run are not given" in said
    assert "CAN'T BE FLOWN" not in said


def test_impossible_comes_first_on_the_screen_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "glasshouse.toml").write_text(STARTER)
    (tmp_path / "day.toml").write_text(_starter_with(reserve_percent="0"))
    code, said = _run("day", "day.toml")
    assert code == 0
    assert said.splitlines()[3].startswith("CAN'T BE FLOWN: Zero reserve")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[aircraft", "is not TOML"),
        ("[aircraft]\nmass_kg = 3", "pairing: is missing"),
        ('pairing = "no.toml"', "there is no file 'no.toml'"),
        ('pairing = "../rig.toml"', "leads outside"),
        ('pairing = "/etc/passwd"', "leads outside"),
        ('pairing = "rig.toml"\n[aircraft]\nmass_kg = 3300\nprop_diameter_m = 0.18', "aircraft.mass_kg: 3300 kg is out of range"),
        ('pairing = "rig.toml"\n[aircraft]\nmass_kg = "3 m"\nprop_diameter_m = 0.18', "m is a length, not a mass"),
        ('pairing = "rig.toml"\n[aircraft]\nmas_kg = 3\nprop_diameter_m = 0.18', "mass_kg"),
        ('pairing = "rig.toml"\n[pack]\nmass_kg = 1', "either cells and capacity_ah"),
        ('pairing = "rig.toml"\n[exposure]\nlight = "sunnny"\niso = 100\nf_number_range = [2, 8]', "is not a light known here"),
        ('pairing = "rig.toml"\n[exposure]\nlight = "full sun"\niso = nan\nf_number_range = [2, 8]', "iso"),
        ('pairing = "rig.toml"\n[exposure]\nlight = "full sun"\niso = 100\nf_number_range = [8, 2]', "widest opening"),
        ('pairing = "rig.toml"\n[[shots]]\nname = "a"\ntake_s = 9\n[[shots]]\nname = "a"\ntake_s = 9', "two shots are called 'a'"),
        ('pairing = "rig.toml"\n[aircraft]\nmass_kg = 3\nrotors = 7\ncoaxial = true\nprop_diameter_m = 0.18', "rotors"),
        ('pairing = "rig.toml"\n[run]\nspeed_m_s = 9\npoints_m = [[0, 0, 1]]', "two or more points"),
        ('pairing = "rig.toml"\n[run]\nspeed_m_s = inf', "speed_m_s"),
        ('pairing = "rig.toml"\n[card]\ncapacity_gb = 64', "either data_rate_mbit_s or bits_per_pixel"),
    ],
)
def test_bad_day_files_get_one_line_and_leave_nothing(
    text: str, says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    home = tmp_path / "home"
    home.mkdir()
    for folder in (home, tmp_path):
        (folder / "rig.toml").write_text(STARTER)
    (home / "day.toml").write_text(text)
    monkeypatch.chdir(home)
    monkeypatch.setattr("sys.argv", ["framematch", "day", "day.toml"])
    with pytest.raises(SystemExit) as left:
        main()
    said = capsys.readouterr().err
    assert left.value.code == 2 and says in said and said.count("\n") == 1, said
    assert not list(home.glob("*.pdf"))


@pytest.mark.parametrize(("out", "says"), [("card.png", "End it in .pdf"), ("none/card.pdf", "can't be written")])
def test_a_card_that_cannot_be_written(out: str, says: str, tmp_path: Path, good: DayPlan) -> None:
    with pytest.raises(InputError, match=re.escape(says)):
        write_card(good, tmp_path / out)
    assert not list(tmp_path.iterdir())
