"""Overlay sets: everything for a folder, only what changed on a rerun, only whole files whatever stops a run."""

from __future__ import annotations

import csv
import json
import os
import sys
from pathlib import Path

import pypdf
import pytest
from at_length import sample
from joblib import parallel_config
from overlay_folders import folder_of, killed_again_and_again, whole
from PIL import Image

from framematch.errors import InputError
from framematch.files.starter import STARTER
from framematch.output import overlay_set
from framematch.output.overlay_set import PART, Made, SetOptions, make_set, pairing_files

CAMERA = """\
sensor_mm = [5.9, 4.425]
raster_px = [1440, 1080]
projection = "equidistant"
angle_deg = { horizontal = 118.0 }
"""


def times(out: Path) -> dict[str, int]:
    return {str(p.relative_to(out)): p.stat().st_mtime_ns for p in out.rglob("*") if p.is_file()}


def test_all_of_it_and_on_a_rerun_only_what_changed(tmp_path: Path) -> None:
    folder, out = folder_of(tmp_path / "pairings", 3), tmp_path / "out"
    (folder / "broken.toml").write_text("title = ")
    (folder / "wide camera.toml").write_text(CAMERA)  # a part for others to use: no pairing
    (folder / "notes.txt").write_text("not ours")
    options = SetOptions(sizes_px=((1280, 720), (640, 480)))
    seen = []
    made = make_set(folder, out, options, jobs=1, progress=lambda each, count: seen.append((each.file, count)))
    assert sorted(seen) == [(m.file, 4) for m in made]
    assert [bool(m.problem) for m in made] == [True, False, False, False]
    assert "broken.toml" in made[0].problem and "\n" not in made[0].problem
    assert sorted(p.name for p in (out / "pane 001").iterdir()) == sorted(
        [f"{kind}-{size}.{end}" for size in ("1280x720", "640x480") for kind, end in (("overlay", "png"), ("overlay", "svg"), ("guide", "json"))]
        + ["made.json", "sheet.pdf"]
    )
    with Image.open(out / "pane 001" / "overlay-640x480.png") as picture:
        assert picture.size == (640, 480) and picture.mode == "RGBA"
    assert whole(out) == 3 * 8 + 3 and not (out / PART).exists()
    rows = list(csv.DictReader((out / "index.csv").read_text(encoding="utf-8-sig").splitlines()))
    index = json.loads((out / "index.json").read_text(encoding="utf-8"))
    assert [r["pairing"] for r in rows] == [r["pairing"] for r in index["guides"]] == [f"pane 00{i}.toml" for i in (0, 0, 1, 1, 2, 2)]
    assert all((out / r["overlay_png"]).is_file() and (out / r["sheet_pdf"]).is_file() for r in rows)
    assert [p["pairing"] for p in index["problems"]] == ["broken.toml"]
    reader = pypdf.PdfReader(str(out / "sheets.pdf"))
    assert len(reader.pages) == 4 and len(reader.pages[0]["/Annots"]) == 3
    assert [item["/Title"] for item in reader.outline] == [f"Pane {i}, ガラス" for i in range(3)]
    guide = json.loads((out / "pane 002" / "guide-1280x720.json").read_text(encoding="utf-8"))
    assert float(rows[4]["inset_left_px"]) == pytest.approx(guide["guide"]["rectangle_px"]["left"], abs=1e-3)

    before = times(out)
    again = make_set(folder, out, options, jobs=1)
    assert all(m.kept for m in again if not m.problem)
    after = times(out)
    assert {n for n in after if after[n] != before.get(n)} == {"index.csv", "index.json"}

    text = (folder / "pane 001.toml").read_text(encoding="utf-8")
    (folder / "pane 001.toml").write_text(text.replace("forward = 31", "forward = 45"), encoding="utf-8")
    (out / "pane 002" / "overlay-640x480.svg").unlink()
    third = make_set(folder, out, options, jobs=1)
    assert [m.kept for m in third] == [False, True, False, False]
    changed = {n for n, at in times(out).items() if at != after.get(n)}
    assert {n.split("/")[0] for n in changed} == {"pane 001", "pane 002", "index.csv", "index.json", "sheets.pdf"}
    assert whole(out) == 3 * 8 + 3
    comment = (folder / "pane 000.toml").read_text(encoding="utf-8") + "\n# a note that changes nothing\n"
    (folder / "pane 000.toml").write_text(comment, encoding="utf-8")
    assert all(m.kept for m in make_set(folder, out, options, jobs=1) if not m.problem)


def test_whatever_backend_the_caller_chose(tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "pairings", 2)
    with parallel_config(backend="threading"):
        made = make_set(folder, tmp_path / "out", SetOptions(), jobs=2)
    assert [m.problem for m in made] == ["", ""] and whole(tmp_path / "out") == 2 * 5 + 3


def test_a_cell_is_never_a_formula(tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "pairings", 1)
    path = folder / "pane 000.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("Pane 0, ガラス", "=1+1"), encoding="utf-8")
    make_set(folder, tmp_path / "out", SetOptions(), jobs=1)
    assert "'=1+1" in (tmp_path / "out" / "index.csv").read_text(encoding="utf-8-sig")


def test_what_cannot_be_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such folder"):
        pairing_files(tmp_path / "nowhere")
    with pytest.raises(InputError, match="holds no pairing"):
        pairing_files(tmp_path)
    folder = folder_of(tmp_path / "pairings", 1)
    (tmp_path / "file").write_text("")
    for options, says in (
        (SetOptions(sizes_px=((0, 720),)), "not a display"),
        (SetOptions(sizes_px=((30000, 30000),)), "not a display"),
        (SetOptions(parts=("halo",)), "can't be drawn"),
        (SetOptions(paper="B5"), "not a paper size"),
        (SetOptions(display_mm=(900, 500)), "fits no paper"),
    ):
        with pytest.raises(InputError, match=says):
            make_set(folder, tmp_path / "out", options)
    assert not (tmp_path / "out").exists()
    with pytest.raises(InputError, match="can't be written"):
        make_set(folder, tmp_path / "file", SetOptions())


def test_of_two_runs_in_one_folder_the_second_says_so_and_touches_nothing(tmp_path: Path) -> None:
    folder, out = folder_of(tmp_path / "pairings", 1), tmp_path / "out"
    refused = []

    def meanwhile(made: Made, count: int) -> None:
        (out / PART / "the first one's").write_text("")
        with pytest.raises(InputError, match=r"another run is at work in this folder\. Wait for it to end, or name another folder") as second:
            make_set(folder, out, SetOptions(), jobs=1)
        refused.append(str(second.value))
        assert (out / PART / "the first one's").exists()

    make_set(folder, out, SetOptions(), jobs=1, progress=meanwhile)
    assert len(refused) == 1 and whole(out) == 5 + 3
    assert make_set(folder, out, SetOptions(), jobs=1)[0].kept


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names are Unicode there")
def test_a_name_that_is_no_text_is_said_and_costs_no_index(tmp_path: Path) -> None:
    folder, out = folder_of(tmp_path / "pairings", 1), tmp_path / "out"
    (folder / os.fsdecode(b"bad\xff.toml")).write_text(STARTER)
    bad, good = make_set(folder, out, SetOptions(), jobs=1)
    assert bad.problem == "bad?.toml: its name is not UTF-8 text. Rename it" and not good.problem
    index = json.loads((out / "index.json").read_text(encoding="utf-8"))
    assert len(index["guides"]) == 1 and index["problems"][0]["pairing"] == "bad?.toml"


@pytest.mark.parametrize("damage", ['{"files": []}', "[" * 100_000, "one word changed"])
def test_what_is_damaged_is_made_anew(tmp_path: Path, damage: str, monkeypatch: pytest.MonkeyPatch) -> None:
    folder, out = folder_of(tmp_path / "pairings", 1), tmp_path / "out"
    made_anew: list[Path] = []

    def light(path: Path, out: Path, home: Path, options: SetOptions, pairing: object, digest: str) -> Made:
        made_anew.append(path)
        return afresh(path, out, home, options, pairing, digest)  # type: ignore[arg-type]

    afresh = overlay_set._make_afresh
    make_set(folder, out, SetOptions(sizes_px=((64, 36),)), jobs=1)
    monkeypatch.setattr(overlay_set, "_make_afresh", light)
    stamp = out / "pane 000" / "made.json"
    stamp.write_text(stamp.read_text(encoding="utf-8").replace('"near_m": 1.5', '"near_m": 9.5') if damage == "one word changed" else damage, encoding="utf-8")
    (out / PART).write_text("a file where a folder is wanted")
    (out / "index.json").write_bytes(b"\xff\xfe" if damage == "one word changed" else damage.encode())
    (made,) = make_set(folder, out, SetOptions(sizes_px=((64, 36),)), jobs=1)
    assert not made.problem and len(made_anew) == 1 and made.rows[0]["near_m"] == 1.5
    assert whole(out) == 5 + 3 and not (out / PART).exists()


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="kills a process group")
def test_killed_at_any_moment_every_file_is_whole_and_a_rerun_finishes(tmp_path: Path) -> None:
    count, kills = sample(5, 36), sample(2, 4)
    folder, out = folder_of(tmp_path / "pairings", count), tmp_path / "out"
    assert killed_again_and_again(folder, out, kills, sample(0.4, 2.5)) >= kills - 1
    for name in ("index.csv", "sheets.pdf"):
        assert not (out / name).exists()
    done = len(list(out.glob("*/made.json")))
    made = make_set(folder, out, SetOptions(), jobs=sample(1, -1))
    assert sum(m.kept for m in made) == done and not any(m.problem for m in made)
    assert whole(out) == count * 5 + 3 and not (out / PART).exists()
